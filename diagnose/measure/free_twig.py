"""Which shape has the severed end of a twig photographed where it grew, without a card?

The stem is two straight, parallel, sharp edges. They are looked for along a line given by two taps; with fewer the one
stem is taken that plainly stands out, near the tap or in the whole picture. Around the end the picture is laid into the
frame of a camera that looks straight at it, and twig and background are parted by a cut that weighs the colours of the
stem, of pale wood and of what lies beside it against the edges between them. Slope, raggedness, longest fibre and form
need no scale; the diameter needs one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np

from diagnose.measure.end_form import end_form, wood_near
from diagnose.measure.end_shape import End, find_end
from diagnose.measure.record import Measurement
from diagnose.measure.severed_end import Patch, sharpened_outline
from diagnose.measure.smooth import smoothed
from diagnose.measure.standing_out import AWAY, EDGE_SEEN, Glimpse, edge_shares, severed, standing_out
from diagnose.measure.two_sides import (
    Edges,
    Gaze,
    Line,
    Lip,
    gaze_at,
    inside,
    lab_of,
    lip_of,
    pair_score,
    sample,
    straight_edges,
    turned,
)
from diagnose.photo.markers import LIGHT
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane
from diagnose.photo.scale import px_per_mm
from diagnose.signs import Measured, Shares, Sign

Point = tuple[float, float]
TAP_SHARE = 0.004  # a finger's standard error, as a share of the picture's diagonal
CELLS = (28.0, 56.0)  # cells across one diameter in the patch that the cut works on, first and second time
CELLS_AT_ONCE = 48.0  # the same where the end is known beforehand, and looked at once
FINER = 2.0  # times as fine as those the cells may be in which the outline is drawn at last
BEHIND, AHEAD, ASIDE = 5.4, 3.4, 1.7  # extent of the patch around the end, in diameters


@dataclass(frozen=True)
class Stem:
    """A stem in the picture: its end and a point farther back on its axis [upright px], its diameter there [px]."""

    tip: np.ndarray
    back: np.ndarray
    diameter: float
    strength: float  # of the weaker of its two edges, in noise units
    score: float = 1.0  # how likely this reading of the edges is, over the likeliest one


# --- two parallel edges along a line ---------------------------------------------------------------------------

ACROSS = 150  # rows to either side of the line between the taps
ALONG = 180  # columns along it
ALIKE = 0.13  # logarithm of the ratio of two widths up to which they are one reading
READINGS = 4  # of the stem under two taps that are followed to their end


def find_stem(picture: Picture, tip: np.ndarray, back: np.ndarray, widest: float = 0.45) -> list[Stem]:
    """The stem that two points lie on, from its two sides, the likeliest reading first; empty where none is seen.

    widest : largest diameter to look for, as a share of the distance between the points. Other readings, narrower
    or wider, follow where they are not much less likely.
    """
    length = float(np.linalg.norm(tip - back))
    if length < 12:
        return []
    to_px = turned(gaze_at(picture, tip), tip, back)
    reach = 0.75 * widest * length
    scale = ACROSS / reach
    if scale > 2.0:
        scale, reach = 2.0, min(reach, ACROSS / 2.0)
    stretch = ALONG / (0.88 * length * scale)
    strip = sample(picture, to_px, (-length, -0.12 * length), (-reach, reach), scale, stretch)
    edges = straight_edges(lab_of(strip), stretch)
    slack = TAP_SHARE * float(np.hypot(*picture.size)) * scale
    stems = []
    for pair, score in _best_pairs(edges, strip.shape[0] / 2, widest * length * scale, slack, length * scale):
        y1, y2 = edges.row[pair]
        middle = ((y1 + y2) / 2 - (strip.shape[0] - 1) / 2) / scale
        lean = float(edges.lean[pair].mean())
        ends = np.array([(0.0, middle + 0.56 * length * lean), (-length, middle - 0.44 * length * lean)])
        px = cv2.perspectiveTransform(ends[None], to_px)[0]
        stems.append(Stem(px[0], px[1], (y2 - y1) / scale, float(edges.strength[pair].min()), score))
    return stems


def _best_pairs(
    edges: Edges, middle: float, widest: float, slack: float, length: float
) -> list[tuple[list[int], float]]:
    """The likeliest sides of one stem under the taps, two edges by number, and the score over the first's."""
    if len(edges.row) < 2:
        return []
    y, lean, strength = edges
    gap = y[None, :] - y[:, None]
    centre, turn = (y[None, :] + y[:, None]) / 2 - middle, (lean[None, :] + lean[:, None]) / 2
    beyond = np.maximum(np.abs(centre + 0.56 * length * turn), np.abs(centre - 0.44 * length * turn)) - gap / 2
    wide = np.maximum(gap, 1.0)
    score = pair_score(strength, lean, wide)
    score = score * np.exp(-0.5 * (np.maximum(beyond, 0) / slack) ** 2)
    score = score * (0.2 + 0.8 * np.exp(-0.5 * (np.log(wide / length * 8) / 0.6) ** 2))
    score = score * np.exp(-0.5 * (centre**2 / ((0.1 * wide) ** 2 + slack**2)))
    score[(gap <= 5) | (gap >= widest) | (np.abs(lean[None, :] - lean[:, None]) > 0.05)] = 0
    pairs: list[tuple[list[int], float]] = []
    best = float(score.max())
    while len(pairs) < READINGS and score.max() > 0.1 * best > 0:
        first, second = np.unravel_index(int(np.argmax(score)), score.shape)
        pairs.append(([int(first), int(second)], float(score[first, second]) / best))
        score[np.abs(np.log(wide / wide[first, second])) < ALIKE] = 0
    return pairs


# --- the end, closely ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SeenEnd:
    """A severed end as it was seen: shape, outline in its frame [px of the gaze], and doubts."""

    end: End
    outline: np.ndarray
    gaze: Gaze
    to_px: np.ndarray
    spread: float  # of the slope between cuts of different boldness, as a tangent
    stem: Stem

    def px(self, xy: np.ndarray) -> np.ndarray:
        return cv2.perspectiveTransform(np.atleast_2d(xy)[None], self.to_px)[0]


def see_end(picture: Picture, stem: Stem, slack: float) -> SeenEnd | None:
    """Part twig from background around the end of a stem and read its shape; the first time only where the end lies.

    slack : the tip's error [px]; 0 where the tip is known well, and need not be found first.
    """
    seen = None
    for last, across in ((False, CELLS[0]), (True, CELLS[1])) if slack else ((True, CELLS_AT_ONCE),):
        gaze = gaze_at(picture, stem.tip)
        to_px = turned(gaze, stem.tip, stem.back)
        D = stem.diameter
        loose = 0.3 if last else min(2.5 * slack / D, 2.0)
        scale = across / D
        x, y = (-(BEHIND + loose) * D, (AHEAD + loose) * D), (-ASIDE * D, ASIDE * D)
        bgr = sample(picture, to_px, x, y, scale)
        patch = Patch(cv2.LUT(bgr, LIGHT), scale, -x[0] * scale - 0.5, -y[0] * scale - 0.5)
        sides = None if seen is None else _sides_of(seen, to_px, D)
        masks = twig_masks(lab_of(bgr), patch, D, loose, sides, BIASES if last else BIASES[:1])
        fine = float(np.clip(1.0, scale, FINER * scale))  # the picture's own pixels where they are finer than cells
        drawn = patch
        if last and fine > 1.2 * scale:
            drawn = Patch(cv2.LUT(sample(picture, to_px, x, y, fine), LIGHT), fine, -x[0] * fine - 0.5, -y[0] * fine - 0.5)
        if not masks:
            return None
        outline = _sharpened(drawn, masks[0])
        end = find_end(outline, _lowest_lip(masks[0], patch, D), D)
        if end is None:
            return None
        spread = float(np.std([_edge_slope(mask, patch, end) for mask in masks])) if len(masks) > 1 else 1.0
        seen = SeenEnd(end, outline, gaze, to_px, spread, stem)
        points = seen.px(end.to_outline(np.array([(end.offset, 0.0), (end.offset - 6.0, 0.0)])))
        stem = Stem(points[0], points[1], end.diameter, stem.strength, stem.score)
    return seen


def _sides_of(seen: SeenEnd, to_px: np.ndarray, diameter: float) -> tuple[Line, Line]:
    """The sides of an end as lines in another frame, in diameters."""
    x = seen.end.origin[0] - np.array([0.5, 4.0]) * seen.end.diameter
    lines = []
    for offset, lean in (seen.end.sides.left, seen.end.sides.right):
        px = seen.px(np.stack([x, offset + lean * x], axis=1))
        at = cv2.perspectiveTransform(px[None], np.linalg.inv(to_px))[0] / diameter
        slope = (at[1, 1] - at[0, 1]) / (at[1, 0] - at[0, 0])
        lines.append(Line(slope, at[0, 1] - slope * at[0, 0]))
    return lines[0], lines[1]


def _sharpened(drawn: Patch, mask: np.ndarray) -> np.ndarray:
    """The mask's outline, moved to where the light changes in a patch that may have finer cells than the mask."""
    size = drawn.light.shape[1::-1]
    if size != mask.shape[::-1]:
        mask = cv2.resize(cv2.GaussianBlur(mask * np.uint8(255), (0, 0), 1.0), size, interpolation=cv2.INTER_LINEAR)
        mask = (mask > 127).astype(np.uint8)
    cells, _ = sharpened_outline(drawn, mask, max(drawn.scale, 1.0))
    return drawn.to_mm(cells)


def _lowest_lip(mask: np.ndarray, patch: Patch, diameter: float) -> float:
    rows = np.abs((np.arange(mask.shape[0]) - patch.y0) / patch.scale) < 0.35 * diameter
    ends = mask.shape[1] - np.argmax(mask[rows, ::-1] > 0, axis=1)
    return float((np.percentile(ends, 10) - patch.x0) / patch.scale)


def _edge_slope(mask: np.ndarray, patch: Patch, end: End) -> float:
    """The slope of a mask's own edge over the middle of an end's width, in the patch's frame, as a tangent."""
    y = (np.arange(mask.shape[0]) - patch.y0) / patch.scale - end.origin[1]
    rows = np.flatnonzero(np.abs(y) < 0.4 * end.diameter)
    edge = mask.shape[1] - np.argmax(mask[rows, ::-1] > 0, axis=1)
    return float(np.polyfit(rows, edge, 1)[0])


ENOUGH_CELLS = 3000  # to tell colours by
ENOUGH_COLUMNS = 60  # to tell by how the bark's colour varies across the stem
PAST_FACE = 1.0  # how far beyond the face the bolder and the shyer cut are looked for [diameters]
BIASES = (0.0, 0.7, -0.7)  # added to the odds of twig: the likeliest cut, then a bolder and a shyer one


def twig_masks(
    lab: np.ndarray,
    patch: Patch,
    diameter: float,
    loose: float,
    sides: tuple[Line, Line] | None = None,
    biases: Sequence[float] = BIASES,
) -> list[np.ndarray]:
    """Masks of the twig, to about a cell, one for each bias.

    sides : where the stem's sides are known already, y as a line in x, in diameters.
    """
    h, w = lab.shape[:2]
    x = ((np.arange(w) - patch.x0) / patch.scale / diameter)[None, :]
    rows = ((np.arange(h) - patch.y0) / patch.scale / diameter)[:, None]
    smooth = cv2.GaussianBlur(lab, (0, 0), 0.8)
    start = -1.4 - loose  # the stem is whole before here
    sides = sides or _sides_in(smooth, patch, diameter, start)
    if sides is None:
        return []
    left, right = (line(x[0]) for line in sides)
    y = (rows - (left + right) / 2) / (right - left)  # -0.5 and 0.5 on the stem's two sides
    cell = patch.scale * diameter
    lips = [
        lip_of(smooth, line(x[0]) * cell + patch.y0, x[0], cell, start, out)
        for line, out in zip(sides, (-1, 1), strict=True)
    ]
    core = (np.abs(y) < 0.36) & (x < start) & (x > -4.5 - loose)
    beside = (np.abs(y) > 0.66) & (x < 1.0 + loose)
    beside |= (x > 1.9 + loose) & (np.abs(y) > 0.0)
    near = np.flatnonzero((np.abs(y) <= 0.6).any(axis=1))  # the rest is never twig: a row of it is enough
    band = slice(max(int(near[0]) - 1, 0), int(near[-1]) + 2)
    twig = _stem_likelihood(smooth, y, core, band)
    wood = _wood_likelihood(smooth[band], (x > start) & (np.abs(y[band]) < 1.0))
    ground = _ground_likelihood(smooth, beside, 0.6 * diameter * patch.scale, band)
    odds = np.zeros((h, w))
    odds[band] = np.clip(np.logaddexp(twig, wood - 1.5) - ground, -4, 4)
    face = _face_line(smooth, odds, x[0], y, lips, start)
    odds += _expected(x, y, face)
    surely = core & (np.abs(y) < 0.36)
    never = (np.abs(y) > 0.6) | (x > AHEAD + loose - 0.1)
    first = int(np.searchsorted(x[0], start - 0.3))  # before here the straight sides tell all
    usual = float(np.einsum("ijk,ijk->ij", *[np.diff(smooth[:, first:], axis=1)] * 2).mean())
    masks = []
    for bias in biases:
        # a bolder and a shyer cut only tell how sure the face is: what lies far beyond it need not be parted again
        beyond = face[0] + abs(face[1]) / 2 + PAST_FACE if bias else np.inf
        open_ = np.s_[band, first : int(np.searchsorted(x[0], beyond))]
        cut = np.where(x < x[0, first], np.abs(y) < 0.5, False).astype(np.uint8)
        cut[open_] = _least_cut(smooth[open_], odds[open_] + bias, surely[open_], never[open_], usual, finely=not bias)
        own = _holding(cut, surely)
        if own is not None:
            masks.append(own)
    return masks


def _sides_in(lab: np.ndarray, patch: Patch, diameter: float, start: float) -> tuple[Line, Line] | None:
    """The stem's two sides near the end, y as a line in x, in diameters, from the straight edges nearest to them."""
    cell = patch.scale * diameter
    first, last = 0, int(patch.x0 + start * cell)
    part = lab[:, first:last]
    if part.shape[1] < 18:
        return None
    middle = (first + last - 1) / 2
    edges = straight_edges(part, 1.0)
    if len(edges.row) < 2:
        return None
    y, lean, strength = (edges.row - patch.y0) / cell, edges.lean, edges.strength
    gap = y[None, :] - y[:, None]
    wide, centre, turn = np.maximum(gap, 0.1), (y[None, :] + y[:, None]) / 2, (lean[None, :] + lean[:, None]) / 2
    score = pair_score(strength, lean, wide**0.4)
    score = score * np.exp(-0.5 * (np.log(wide) / 0.12) ** 2 - 0.5 * (turn / 0.03) ** 2 - 0.5 * (centre / 0.12) ** 2)
    score[(gap < 0.7) | (gap > 1.35) | (np.abs(lean[None, :] - lean[:, None]) > 0.05)] = 0
    pair = np.unravel_index(int(np.argmax(score)), score.shape)
    if score[pair] <= 0:
        return None
    x = (middle - patch.x0) / cell
    left, right = (Line(float(lean[k]), float(y[k] - lean[k] * x)) for k in pair)
    return left, right


SLOPES = np.linspace(-1.9, 1.9, 39)  # of the end's line, as tangents: up to 62 degrees
DOMES = np.array([-0.25, 0.0, 0.25, 0.5])  # how far its middle may stand out, in diameters at a full half circle


def _face_line(
    lab: np.ndarray, odds: np.ndarray, x: np.ndarray, y: np.ndarray, lips: list[Lip], start: float
) -> tuple[float, float, float]:
    """The likeliest plain end: x = offset + slope y + dome sqrt(1/4 - y^2), by colour, by edges and by the lips."""
    step = x[1] - x[0]
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.0)
    steps = [cv2.Sobel(smooth[..., k], cv2.CV_32F, dx, 1 - dx) ** 2 for k in range(3) for dx in (0, 1)]
    edge = np.sqrt(np.sum(steps, axis=0))
    edge = edge / (np.median(edge[::2, ::2]) + 0.5)
    sharp = np.minimum(np.log1p(edge), 3.0)
    told = np.cumsum(np.clip(odds, -2, 2), axis=1)
    rows = np.linspace(-0.45, 0.45, 25)
    straight = y[:, int(np.argmin(np.abs(x)))]
    at = np.interp(rows, straight, np.arange(len(straight))).astype(int)
    # a cell's colour says what its neighbours say, about a sixth of a diameter around
    told, sharp = told[at] * step / 0.16 * 0.12, sharp[at]
    offsets = np.arange(start + 0.3, x[-1] - 0.6, 0.05)
    offset, slope, dome = (axis.ravel() for axis in np.meshgrid(offsets, SLOPES, DOMES, indexing="ij"))
    face = (SLOPES[:, None, None] * rows + DOMES[:, None] * np.sqrt(0.25 - rows**2)).reshape(1, -1, len(rows))
    column = ((offsets[:, None, None] + face - x[0]) / step).astype(np.float32).clip(0, len(x) - 1).astype(np.int32)
    here = np.take((told + 0.5 * sharp).astype(np.float32), column + np.arange(len(rows), dtype=np.int32) * len(x))
    score = here.sum(axis=2).ravel()
    for lip, side in zip(lips, (-0.5, 0.5), strict=True):
        score = score + np.interp(offset + slope * side, x, lip.odds)
    score = score - 0.5 * (slope / 1.2) ** 2
    best = int(np.argmax(score))
    return float(offset[best]), float(slope[best]), float(dome[best])


def _expected(x: np.ndarray, y: np.ndarray, face: tuple[float, float, float]) -> np.ndarray:
    """Log odds from the shape: the stem fills the width between its sides up to its end, and nothing beyond."""
    offset, slope, dome = face
    inner = np.clip(y, -0.5, 0.5)
    end = offset + slope * inner + dome * np.sqrt(0.25 - inner**2)
    odds = np.clip((end - x) / 0.15, -1, 1) * 1.2
    edge = (0.5 - np.abs(y)) / 0.06
    aside = np.clip(edge, -3.0, 1.0)
    return np.where(edge > 0, np.where(x < end, odds + aside, odds), np.minimum(odds, 0) + aside)


def _stem_likelihood(lab: np.ndarray, y: np.ndarray, core: np.ndarray, band: slice) -> np.ndarray:
    """Log density of the stem's bark at each cell of a band of rows: its colour varies round the stem, hence with y, but
    not along it."""
    h, _w = lab.shape[:2]
    columns = np.flatnonzero(core.any(axis=0))
    profile = np.median(lab[:, columns[:: max(1, len(columns) // ENOUGH_COLUMNS)]], axis=1)
    inside = np.abs(y[:, columns].mean(axis=1)) < 0.42
    middle = np.flatnonzero(inside)
    profile = profile[np.clip(np.arange(h), middle[0], middle[-1])]
    profile = cv2.GaussianBlur(profile, (1, 0), sigmaX=0.01, sigmaY=1.5).reshape(h, 1, 3)
    away = lab - profile
    sample = away[core]
    sample = sample[:: max(1, len(sample) // ENOUGH_CELLS)]
    spread = np.cov(sample[np.linalg.norm(sample - np.median(sample, axis=0), axis=1) < 40].T) + 2.0 * np.eye(3)
    near = _gaussian(away[band], np.zeros(3), spread)
    sample = lab[core]
    sample = sample[:: max(1, len(sample) // ENOUGH_CELLS)]
    broad = _gaussian(lab[band], np.median(sample, axis=0), 3 * np.cov(sample.T) + 10 * np.eye(3))
    return np.logaddexp(near + np.log(0.8), broad + np.log(0.2))


def _wood_likelihood(lab: np.ndarray, where: np.ndarray) -> np.ndarray:
    """Log density of a pale severed face, whose colour is only roughly known, where it can be."""
    density = _gaussian(lab, np.array([78.0, 4.0, 20.0]), np.diag([14.0, 7.0, 11.0]) ** 2)
    return np.where(where, density, -30.0)


def _ground_likelihood(lab: np.ndarray, beside: np.ndarray, reach: float, band: slice, kinds: int = 7) -> np.ndarray:
    """Log density of what lies beside the stem, at each cell of a band of rows: a few colours, each the likelier the
    nearer it was seen."""
    lab_there, there = lab[::2, ::2], beside[::2, ::2]  # where each colour was seen is wanted to `reach` only
    sample = lab_there[there]
    rng = np.random.default_rng(0)
    some = sample[rng.choice(len(sample), min(len(sample), ENOUGH_CELLS), replace=False)].astype(np.float32)
    cv2.setRNGSeed(1)
    kinds = min(kinds, len(some))
    _, label, centres = cv2.kmeans(some, kinds, None, (cv2.TERM_CRITERIA_MAX_ITER, 12, 0.1), 2, cv2.KMEANS_PP_CENTERS)
    density = np.full(lab[band].shape[:2], np.exp(-30.0), np.float32)
    seen = smoothed(there.astype(np.float32), reach / 2) + 1e-4
    nearest = np.argmin((centres**2).sum(axis=1) - 2 * lab_there @ centres.T, axis=2)
    for kind in range(kinds):
        own = some[label[:, 0] == kind]
        if len(own) < 8:
            continue
        here = smoothed((there & (nearest == kind)).astype(np.float32), reach / 2) / seen
        here = cv2.resize(here, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)[: lab.shape[0], : lab.shape[1]][band]
        spread = np.cov(own.T) + 4.0 * np.eye(3)
        density += (0.9 * here + 0.1 * len(own) / len(some)) * cv2.exp(_gaussian(lab[band], centres[kind], spread))
    return cv2.log(density)


def _gaussian(values: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Log density, float32, but for a constant, of colours (h, w, 3), float32."""
    root = np.linalg.cholesky(np.linalg.inv(spread)).T
    evened = cv2.transform(values, np.hstack([root, -root @ mean.reshape(3, 1)]))
    return -0.5 * np.einsum("...i,...i->...", evened, evened) - np.float32(0.5 * np.log(np.linalg.det(spread)))


UNIT = 100  # whole numbers a unit of log odds in the cut's graph
NEAR_CUT = 3  # cells to either side of a cut through cells twice as wide within which the fine one is looked for


def _least_cut(
    lab: np.ndarray, odds: np.ndarray, surely: np.ndarray, never: np.ndarray, usual: float, finely: bool
) -> np.ndarray:
    """Least cut between twig and background (Boykov and Jolly 2001), first through cells twice as wide, then `finely` near
    it (Lombaert and others 2005): (h, w) uint8 mask.

    lab : (h, w, 3) L*a*b*. odds : (h, w) log likelihood ratio of twig to background in each cell. usual : mean squared
    distance of neighbours.
    """
    h, w = odds.shape
    half = (w // 2, h // 2)
    wide, mean_odds, all_twig, none = (
        cv2.resize(each[: half[1] * 2, : half[0] * 2], half, interpolation=cv2.INTER_AREA)
        for each in (lab, odds, surely.astype(np.float32), never.astype(np.float32))
    )
    known = np.where(all_twig > 0.99, 1, np.where(none > 0.99, 0, -1))
    coarse = _parted(wide, 2 * mean_odds, known, usual)  # four cells' odds against bonds of twice the length
    coarse = cv2.resize(coarse, (w, h), interpolation=cv2.INTER_NEAREST)
    if not finely:
        return coarse
    around = np.ones((2 * NEAR_CUT + 1,) * 2, np.uint8)
    known = np.where(surely | (cv2.erode(coarse, around) > 0), 1, -1)
    known[never | (cv2.dilate(coarse, around) == 0)] = 0
    return _parted(lab, odds, known, usual)


def _parted(lab: np.ndarray, odds: np.ndarray, known: np.ndarray, usual: float, stiff: float = 4.0) -> np.ndarray:
    """The least cut through the cells whose side is not known yet: (h, w) uint8 mask.

    known : 1 twig, 0 background, -1 to be found. stiff : cost of parting two equal neighbours.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, maximum_flow

    open_ = known < 0
    count = int(open_.sum())
    source, sink = count, count + 1
    index = np.where(open_, np.cumsum(open_).reshape(open_.shape) - 1, np.where(known > 0, source, sink)).astype(np.int32)
    own = (odds[open_] * UNIT).astype(np.int32)
    cells = np.arange(count, dtype=np.int32)
    tails = [np.where(own > 0, source, cells)]
    heads = [np.where(own > 0, cells, sink)]
    costs = [np.abs(own)]
    whole, first, rest = slice(None), slice(None, -1), slice(1, None)
    for one, other, far in (
        ((whole, first), (whole, rest), 1.0), ((first, whole), (rest, whole), 1.0),
        ((first, first), (rest, rest), 1.414), ((first, rest), (rest, first), 1.414),
    ):  # fmt: skip
        bond = open_[one] | open_[other]
        away = (lab[one] - lab[other])[bond]
        step = np.einsum("ij,ij->i", away, away)
        cost = ((stiff / far * np.exp(-step / (2.0 * usual + 4.0)) + 0.05) * UNIT).astype(np.int32)
        a, b = index[one][bond], index[other][bond]
        for tail, head in ((a, b), (b, a)):
            useful = (tail != sink) & (head != source)
            tails.append(tail[useful])
            heads.append(head[useful])
            costs.append(cost[useful])
    arcs = (np.concatenate(costs), (np.concatenate(tails), np.concatenate(heads)))
    graph = coo_matrix(arcs, shape=(count + 2,) * 2).tocsr()
    left = graph - maximum_flow(graph, source, sink).flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = np.zeros(count + 2, np.uint8)
    reached[breadth_first_order(left, source, return_predecessors=False)] = 1
    reached[sink] = 0
    return reached[index]


def _holding(mask: np.ndarray, core: np.ndarray) -> np.ndarray | None:
    """The connected piece that holds the core, its holes filled."""
    _, labels = cv2.connectedComponents(mask, connectivity=4)
    inside = labels[core & (mask > 0)]
    if len(inside) == 0:
        return None
    own = (labels == np.bincount(inside).argmax()).astype(np.uint8)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(own), contours, -1, 1, cv2.FILLED)


_NO_TAP = (
    "no card was found, and no severed end plainly stands out: tap it, and better a point farther back on the same stem too"
)
_NOT_AT_TAP = "no stem's end is plainly seen at the tap: tap a point farther back on the stem too, or go closer"
_NO_SIDES = "no stem with two clear sides lies between the taps: tap nearer to its middle line, or go closer"
_TOO_NEAR = "the second tap is too near the first for a stem so wide: tap at least three stem widths farther back"
_NO_END = "no end of a stem is seen where you tapped: tap on the severed end itself, and the second time on the same stem"
THINNEST = 20.0  # a stem narrower than this is not measured [px]
OFF_TAP = 1.0, 4.0  # how far an end may lie from its tap: diameters, or standard errors of a finger if that is more
OFF_TAP_WEAK = 0.6  # the same in diameters, where its sides are weak
WIDENED = 1.4  # the end's diameter over the one between the taps; an end that is wider yet belongs to something else
AT_TAP_CROOKED = 0.025  # RMS distance of a tapped stem's sides from straight lines [diameters]
PLAIN_SIDES = 6.0  # strength of the weaker side from which on two sides and a tap are proof enough of an end there
AT_TAP_BEYOND = 0.5  # share of the end's lines beyond the weaker sides along which a step may lie
AT_TAP_SPREAD = 0.1  # greatest difference of the slope between bolder and shyer cuts where the sides are weaker [rad]
NEAR_TAPS = 3.5  # diameters between two taps under which a wider stem is looked for, of which this may be a mark
WIDEST_SEEN = 0.4  # of the distance between two taps: a stem as wide as this is hardly found between them
MAYBE_CLEAN = 0.05  # least chance of a clean cut where nobody pointed at the end: outlines of other things look torn
UNTAPPED = 3.0  # added in quadrature to the slope's uncertainty where nobody pointed at the end [degree] (our choice)


def measure_free_end(picture: Picture, taps: Sequence[Point] = (), scale: Plane | None = None) -> Measurement:
    """Measure the severed end of a twig where it grew.

    taps : upright pixels, the severed end first, then a point farther back on the same stem. With one tap the stem is
    looked for there; without any only an end that plainly stands out, and plainly is a severed one, is measured, since
    the wrong twig measured is worse than none. scale : plane of a coin or a known length.
    """
    slack = TAP_SHARE * float(np.hypot(*picture.size))
    if len(taps) >= 2:
        tip, back = (np.array(tap, float) for tap in taps[:2])
        stems = find_stem(picture, tip, back)
        readings = _readings(picture, stems, slack)
        why = _doubt(picture, readings[0], stems[0].diameter, tip, slack) if readings else _NO_SIDES
        if (not readings or _few_widths(readings[0], tip, back)) and _too_near(picture, tip, back):
            why = _TOO_NEAR
        return _nothing(why) if why else _measurement(picture, readings, scale)
    found = standing_out(picture, np.array(taps[0], float) if taps else None, slack)
    if taps:
        stems = [] if found is None else [_glimpsed(found), *_otherwise(picture, found)]
        readings = _readings(picture, stems, slack)
        why = _doubt(picture, readings[0], stems[0].diameter, np.array(taps[0], float), slack) if readings else _NOT_AT_TAP
        return _nothing(why) if why else _measurement(picture, readings, scale)
    seen = None if found is None else _plain_cut(picture, found)
    measurement = _nothing(_NO_TAP) if seen is None else _measurement(picture, [seen], scale)
    form = measurement.measured.get("end_form")
    return _untapped(measurement) if isinstance(form, Shares) and form.shares["clean"] >= MAYBE_CLEAN else _nothing(_NO_TAP)


def _few_widths(seen: SeenEnd, tip: np.ndarray, back: np.ndarray) -> bool:
    return float(np.linalg.norm(tip - back)) < NEAR_TAPS * seen.end.diameter


def _too_near(picture: Picture, tip: np.ndarray, back: np.ndarray) -> bool:
    """Whether two taps are so near that the stem they lie on is too wide to be looked for between them."""
    length = float(np.linalg.norm(tip - back))
    if length < 2 * THINNEST:
        return True
    wider = find_stem(picture, tip, inside(tip, tip + 3 * (back - tip), picture.size))
    return bool(wider) and wider[0].diameter > WIDEST_SEEN * length


def _doubt(picture: Picture, seen: SeenEnd, first: float, tap: np.ndarray, slack: float) -> str:
    """Why what lies at a tap is not believed to be a stem's end, and what to do; empty where it is.

    first : the stem's diameter as it was found first [px]. tap : the upright pixel. slack : a finger's error [px].

    A tap is a hint and no proof: the end must lie where it was tapped, and the stem's sides must be straight. Where they
    are weak, a sharp edge must run along the end too and stop at the sides. The limits were set on two random taps in
    pictures of other things from one half of their sources, and on simulated twigs; the other half is for judging.
    """
    end = seen.end
    if end.diameter < THINNEST:
        return (f"the stem is only {end.diameter:.0f} px wide at its end: go closer, until it is {THINNEST:.0f} px or more "
                "across, or tap nearer to its middle line")
    weak = seen.stem.strength < PLAIN_SIDES
    at = seen.px(end.to_outline(np.array([(end.offset, 0.0)])))[0]
    reach = max((OFF_TAP_WEAK if weak else OFF_TAP[0]) * end.diameter, OFF_TAP[1] * slack)
    if np.linalg.norm(at - tap) > reach or end.diameter > WIDENED * first:
        return _NO_END
    if max(end.sides.left_rms, end.sides.right_rms) > AT_TAP_CROOKED * end.diameter:
        return _NO_SIDES
    if not weak:
        return ""
    face, beyond = edge_shares(end, lambda points: lab_of(_colour_at(picture, seen, points)[None])[0])
    plain = face >= EDGE_SEEN and beyond <= AT_TAP_BEYOND and seen.spread <= AT_TAP_SPREAD * (1 + end.slope**2)
    return "" if plain else _NO_END


def _glimpsed(found: Glimpse) -> Stem:
    return Stem(found.tip, found.back, found.diameter, found.strength)


def _otherwise(picture: Picture, found: Glimpse) -> list[Stem]:
    """Stems narrower or wider than the one that was glimpsed whose sides lie along it too."""
    back = inside(found.tip, found.tip + (found.back - found.tip) * 8 / 6, picture.size)
    stems = find_stem(picture, found.tip, back)
    return [stem for stem in stems if abs(np.log(stem.diameter / found.diameter)) > ALIKE]


def _readings(picture: Picture, stems: list[Stem], slack: float) -> list[SeenEnd]:
    """The end of a stem, as several readings of its sides show it, the likeliest first."""
    seen = [reading for stem in stems if (reading := see_end(picture, stem, slack)) is not None]
    return sorted(seen, key=_plausible, reverse=True)


def _plain_cut(picture: Picture, found: Glimpse) -> SeenEnd | None:
    """The end that was glimpsed, where it is plainly a severed one.

    Other readings of its sides are not asked: in 956 simulated pictures and pictures of other things none would have
    spoken against one that passes.
    """
    seen = see_end(picture, _glimpsed(found), 0.0)
    return seen if seen is not None and _is_cut(picture, found, seen) else None


def _is_cut(picture: Picture, found: Glimpse, seen: SeenEnd) -> bool:
    """Is what was measured the end that was glimpsed, and plainly a severed one?"""
    end = seen.end
    at = seen.px(end.to_outline(np.array([(end.offset, 0.0)])))[0]
    if np.linalg.norm(at - found.tip) > AWAY * end.diameter or not 0.75 < end.diameter / found.diameter < 1.5:
        return False
    wood = wood_near(end, partial(_light_at, picture, seen))
    return severed(end, seen.spread, wood, lambda points: lab_of(_colour_at(picture, seen, points)[None])[0])


def _untapped(measurement: Measurement) -> Measurement:
    """The measurement of an end that nobody pointed at, which is told and doubted a little more."""
    slope = measurement.measured["seen_slope_deg"]
    assert isinstance(slope, Measured)
    wider = Measured(slope.value, float(np.hypot(slope.sigma, UNTAPPED)))
    told = "the severed end was found without a tap: see that the outline lies on it, or tap it"
    return replace(
        measurement, measured={**measurement.measured, "seen_slope_deg": wider}, remarks=(*measurement.remarks, told)
    )


def _plausible(seen: SeenEnd) -> float:
    """How likely one reading of a stem is: by its sides, and by an end that bolder and shyer cuts agree on.

    Where a mark on the bark or a shadow was taken for a side, the end comes out ragged and each cut elsewhere. The
    weights were chosen from a small grid while both groups of 40 simulated clean ends were seen (seeds 80000 to 80159):
    90th percentiles of 2.5 and 3.6 degrees, against 2.5 and 7.2 by the sides alone, are therefore a little flattering.
    """
    return float(seen.stem.score * np.exp(-8.0 * seen.spread - 5.0 * seen.end.raggedness))


def _measurement(picture: Picture, readings: list[SeenEnd], scale: Plane | None) -> Measurement:
    """The signs of the likeliest reading; the others differ from it by what is in doubt."""
    seen = readings[0]
    end = seen.end
    pixel = 1.0 / end.diameter
    form = end_form(end, partial(_light_at, picture, seen), plain=False)
    slope = float(np.degrees(np.arctan(abs(end.slope) / LEAN)))
    measured: dict[str, Sign] = {
        "seen_slope_deg": Measured(slope, _slope_sigma(readings, form.shares["clean"])),
        "raggedness": Measured(end.raggedness, 0.25 * end.raggedness + 0.3 * pixel + 0.01),
        "longest_fibre": Measured(end.longest_fibre, 0.3 * end.longest_fibre + pixel + 0.03),
        "end_form": form,
    }
    reasons = {"true_slope_deg": "without the card it is not known how the twig is turned: lay it on the card"}
    if scale is None:
        reasons["end_diameter_mm"] = "no length is known in this picture: give a coin's diameter or a known length"
    else:
        per_mm = px_per_mm(scale)
        wide = seen.px(end.to_outline(np.array([(end.lip - 1.0, -0.5), (end.lip - 1.0, 0.5)])))
        diameter = float(np.linalg.norm(wide[1] - wide[0])) / per_mm
        measured["end_diameter_mm"] = Measured(
            diameter, diameter * float(np.linalg.norm([scale.scale_sigma, _width_sigma(readings), end.diameter_doubt]))
        )
    return Measurement(measured, reasons, _shapes(seen), (end.swelling,) if end.swelling else ())


# The stem's lean towards the camera is not known without a card: its cosine on average and how that varies (our choice,
# a normal spread of 14 degrees). All else was fitted to every second of 360 simulated pictures, with larger cells than now;
# of 160 other clean ends 87 % lay within one and 96 % within two, of 80 half and torn ones 74 and 88 %. NEARLY_CLEAN narrows
# the first: of 67 clean ends (seeds 320000 to 320089) 76 and 93 % lie there, 84 and 96 % before.
LEAN, LEAN_SIGMA = 0.97, 0.03
WEAK_SIDE = 18.5, 0.9  # slope [degree] and width [share] are in doubt by this over the strength of the weaker side
NOT_CLEAN = 16.0  # the slope's doubt of an end that is not clean [degree]
NEARLY_CLEAN = 0.6  # share of that doubt, over the chance of another form, where an end is all but surely clean
ROUGHNESS = 0.75  # share of the outline's roughness that goes into the slope
OTHERWISE = 0.1  # share of the difference to another reading, weighed by its odds


def _slope_sigma(readings: list[SeenEnd], clean: float) -> float:
    """Standard uncertainty of the seen slope [degree]; clean : how likely the end is a clean one."""
    seen = readings[0]
    slope = np.arctan(seen.end.slope)
    parts = (
        np.degrees(LEAN_SIGMA * np.sin(2 * slope) / 2),
        WEAK_SIDE[0] / seen.stem.strength,
        NOT_CLEAN * (1 - clean) * min(1.0, NEARLY_CLEAN + (1 - clean) * 2 * (1 - NEARLY_CLEAN)),
        ROUGHNESS * np.degrees(seen.end.domed_residual),
        OTHERWISE
        * max((share * np.degrees(abs(np.arctan(each.end.slope) - slope)) for each, share in _others(readings)), default=0),
    )
    return float(np.linalg.norm(parts))


def _width_sigma(readings: list[SeenEnd]) -> float:
    """Standard uncertainty of the width in the picture, as a share of it."""
    seen = readings[0]
    apart = [share * abs(np.log(each.end.diameter / seen.end.diameter)) for each, share in _others(readings)]
    return float(np.hypot(WEAK_SIDE[1] / seen.stem.strength, OTHERWISE * max(apart, default=0.0)))


def _others(readings: list[SeenEnd]) -> list[tuple[SeenEnd, float]]:
    """Less likely readings of the same stem, each with its share of the odds against the likeliest."""
    first = max(_plausible(readings[0]), 1e-12)
    return [(each, _plausible(each) / (_plausible(each) + first)) for each in readings[1:]]


def _light_at(picture: Picture, seen: SeenEnd, points: np.ndarray) -> np.ndarray:
    """Linear light, (n, 3), at points, (n, 2), of the end's own frame."""
    return _colour_at(picture, seen, points, LIGHT)


def _colour_at(picture: Picture, seen: SeenEnd, points: np.ndarray, table: np.ndarray | None = None) -> np.ndarray:
    """The picture's colours, (n, 3), at points, (n, 2), of the end's own frame; each looked up in a table first.

    Of a stem with many more pixels across than CELLS a smaller picture tells as much.
    """
    factor = next((factor for factor in (8, 4, 2) if seen.end.diameter >= 1.5 * factor * CELLS[1]), 1)
    bgr = picture.smaller(factor)
    px = (seen.px(seen.end.to_outline(points)) + 0.5) / factor - 0.5
    x0, y0 = np.clip(np.floor(px.min(axis=0)).astype(int) - 2, 0, np.array(bgr.shape[1::-1]) - 8)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 3, bgr.shape[1::-1])
    part = bgr[y0 : max(y1, y0 + 4), x0 : max(x1, x0 + 4)]
    part = part if table is None else cv2.LUT(part, table)
    columns, rows = (px - (x0, y0)).T.astype(np.float32)[:, None]
    return np.asarray(cv2.remap(part, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0])


def _nothing(reason: str) -> Measurement:
    names = ("seen_slope_deg", "true_slope_deg", "end_diameter_mm", "raggedness", "longest_fibre", "end_form")
    return Measurement(not_measured=dict.fromkeys(names, reason))


def _shapes(seen: SeenEnd) -> dict[str, np.ndarray]:
    end = seen.end
    y = end.y[end.middle][[0, -1]]
    lines = {
        "axis": np.array([(-4.0, 0.0), (1.0, 0.0)]),
        "face_line": np.stack([end.offset + end.slope * y, y], axis=1),
        "diameter_line": np.array([(end.lip - 1.0, -0.5), (end.lip - 1.0, 0.5)]),
    }
    shapes = {name: seen.px(end.to_outline(points)) for name, points in lines.items()}
    shapes["outline"] = seen.px(seen.outline)
    return shapes
