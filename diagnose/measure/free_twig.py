"""Which shape has the severed end of a twig photographed where it grew, without a card?

The stem is two straight, parallel, sharp edges. They are looked for along a line given by two taps, in all directions
from one tap, or over the whole picture where no tap was given. Around the end the picture is laid into the frame of a
camera that looks straight at it, and twig and background are parted by a cut that weighs the colours of the stem, of
pale wood and of what lies beside it against the edges between them. Slope, raggedness, longest fibre and form need no
scale; the diameter needs one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from diagnose.measure.end_form import end_form
from diagnose.measure.end_shape import End, find_end
from diagnose.measure.record import Measurement
from diagnose.measure.severed_end import Patch, sharpened_outline
from diagnose.photo.markers import LIGHT
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane
from diagnose.photo.scale import px_per_mm
from diagnose.signs import Measured, Sign

Point = tuple[float, float]
Line = np.poly1d
TAP_SHARE = 0.004  # a finger's standard error, as a share of the picture's diagonal
CELLS = (40.0, 56.0)  # cells across one diameter in the patch that the cut works on, first and second time
FINEST = 110.0  # cells across one diameter where the outline is drawn
BEHIND, AHEAD, ASIDE = 5.4, 3.4, 1.7  # extent of the patch around the end, in diameters


@dataclass(frozen=True)
class Stem:
    """A stem in the picture: its end and a point farther back on its axis [upright px], its diameter there [px]."""

    tip: np.ndarray
    back: np.ndarray
    diameter: float
    strength: float  # of the weaker of its two edges, in noise units
    score: float = 1.0  # how likely this reading of the edges is, over the likeliest one


@dataclass(frozen=True)
class Gaze:
    """A camera that looks straight at one point of the picture: what it sees is free of the lens's stretching.

    H : (3, 3) from its pixels, with (0, 0) at that point, to upright pixels of the picture. cosine : of the angle
    between the view of that point and the lens's axis.
    """

    H: np.ndarray
    cosine: float

    def to_px(self, xy: np.ndarray) -> np.ndarray:
        return cv2.perspectiveTransform(np.atleast_2d(np.asarray(xy, float))[None], self.H)[0]

    def from_px(self, px: np.ndarray) -> np.ndarray:
        return cv2.perspectiveTransform(np.atleast_2d(np.asarray(px, float))[None], np.linalg.inv(self.H))[0]


def gaze_at(picture: Picture, point: np.ndarray) -> Gaze:
    """The camera turned towards a point; only shifted there where the focal length is not known."""
    focal = picture.focal_px
    if focal is None or focal.sigma > 0.2 * focal.value:
        return Gaze(np.array([[1, 0, point[0]], [0, 1, point[1]], [0, 0, 1.0]]), 1.0)
    width, height = picture.size
    K = np.array([[focal.value, 0, (width - 1) / 2], [0, focal.value, (height - 1) / 2], [0, 0, 1]])
    ray = np.linalg.solve(K, np.array([*point, 1.0]))
    ray /= np.linalg.norm(ray)
    turn = np.cross((0, 0, 1.0), ray)
    sine = float(np.linalg.norm(turn))
    R = np.eye(3) if sine < 1e-9 else cv2.Rodrigues(turn / sine * np.arcsin(min(sine, 1.0)))[0]
    own = np.array([[focal.value, 0, 0], [0, focal.value, 0], [0, 0, 1]])
    return Gaze(K @ R @ np.linalg.inv(own), float(ray[2]))


def _turned(gaze: Gaze, tip: np.ndarray, back: np.ndarray) -> np.ndarray:
    """(3, 3) from a frame with x outwards along the stem, y across, 0 at the tip, to upright pixels."""
    a, b = gaze.from_px(np.stack([tip, back]))
    along = (a - b) / np.linalg.norm(a - b)
    return gaze.H @ np.array([[along[0], -along[1], a[0]], [along[1], along[0], a[1]], [0, 0, 1.0]])


def _sample(
    bgr: np.ndarray, to_px: np.ndarray, x: tuple[float, float], y: tuple[float, float], scale: float, stretch: float = 1.0
) -> np.ndarray:
    """The picture over a rectangle of a frame: scale cells a unit across, scale * stretch along; uint8.

    Where the cells are larger than pixels the part of the picture is shrunk first, so that nothing aliases.
    """
    size = (max(int((x[1] - x[0]) * scale * stretch), 2), max(int((y[1] - y[0]) * scale), 2))
    corners = np.array([(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])])
    px = cv2.perspectiveTransform(corners[None], to_px)[0]
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 3, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 4, bgr.shape[1::-1])
    part = bgr[y0 : max(y1, y0 + 2), x0 : max(x1, x0 + 2)]
    factor = max(1, int(1 / scale))
    shrunk = np.eye(3)
    if factor > 1 and min(part.shape[:2]) >= 2 * factor:
        part = cv2.resize(
            part[: part.shape[0] // factor * factor, : part.shape[1] // factor * factor],
            None,
            fx=1 / factor,
            fy=1 / factor,
            interpolation=cv2.INTER_AREA,
        )
        shrunk = np.array([[1 / factor, 0, 0.5 / factor - 0.5], [0, 1 / factor, 0.5 / factor - 0.5], [0, 0, 1]])
    shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
    cells = np.array([[1 / (scale * stretch), 0, x[0]], [0, 1 / scale, y[0]], [0, 0, 1]])
    way = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_LINEAR
    return cv2.warpPerspective(
        part, shrunk @ shift @ to_px @ cells, size, flags=way | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def _lab(bgr: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of an uint8 picture, float32: L 0 to 100."""
    return cv2.cvtColor(bgr.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)


# --- two parallel edges along a line ---------------------------------------------------------------------------

Edge = tuple[float, float, np.ndarray]  # row at mid-length, lean, step in colour in noise units (3,)
ACROSS = 150  # rows to either side of the line between the taps
ALONG = 180  # columns along it
READINGS = 4  # of the stem under two taps that are followed to their end
SHEARS = np.arange(-12, 13) * 0.01


def find_stem(picture: Picture, tip: np.ndarray, back: np.ndarray, widest: float = 0.45) -> list[Stem]:
    """The stem that two points lie on, from its two sides, the likeliest reading first; empty where none is seen.

    widest : largest diameter to look for, as a share of the distance between the points. Other readings, narrower
    or wider, follow where they are not much less likely.
    """
    length = float(np.linalg.norm(tip - back))
    if length < 12:
        return []
    to_px = _turned(gaze_at(picture, tip), tip, back)
    reach = 0.75 * widest * length
    scale = ACROSS / reach
    if scale > 2.0:
        scale, reach = 2.0, min(reach, ACROSS / 2.0)
    stretch = ALONG / (0.88 * length * scale)
    strip = _sample(picture.bgr, to_px, (-length, -0.12 * length), (-reach, reach), scale, stretch)
    edges = _straight_edges(_lab(strip), stretch)
    slack = TAP_SHARE * float(np.hypot(*picture.size)) * scale
    stems = []
    for (y1, t1, _), (y2, t2, _), strength, score in _best_pairs(
        edges, strip.shape[0] / 2, widest * length * scale, slack, length * scale
    ):
        middle = ((y1 + y2) / 2 - (strip.shape[0] - 1) / 2) / scale
        lean = (t1 + t2) / 2
        ends = np.array([(0.0, middle + 0.56 * length * lean), (-length, middle - 0.44 * length * lean)])
        px = cv2.perspectiveTransform(ends[None], to_px)[0]
        stems.append(Stem(px[0], px[1], (y2 - y1) / scale, strength, score))
    return stems


def _straight_edges(lab: np.ndarray, stretch: float) -> list[Edge]:
    """Straight edges along a strip: (row at mid-length, lean, step in colour per row in noise units (3,))."""
    h, w = lab.shape[:2]
    smooth = cv2.GaussianBlur(lab, (0, 0), sigmaX=2.0, sigmaY=1.2)
    rise = np.zeros_like(smooth)
    rise[1:-1] = (smooth[2:] - smooth[:-2]) / 2
    segments = 9
    strength = np.zeros((len(SHEARS), h), np.float32)
    steps = np.zeros((len(SHEARS), h, 3), np.float32)
    for i, shear in enumerate(SHEARS):
        # a line y = y0 + lean x, x in units of rows; columns are 1 / stretch rows long
        per_column = shear / stretch
        M = np.array([[1, 0, 0], [per_column, 1, -per_column * (w - 1) / 2]], np.float32)
        level = cv2.warpAffine(rise, M, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        parts = level[:, : w // segments * segments].reshape(h, segments, -1, 3).mean(axis=2)
        typical = np.median(parts, axis=1)
        steps[i] = typical
        strength[i] = np.linalg.norm(typical, axis=1)
    noise = float(np.median(strength)) + 0.02
    peaks = (strength == cv2.dilate(strength, np.ones((3, 7), np.uint8))) & (strength > 2.5 * noise)
    peaks[:, :2] = peaks[:, -2:] = False
    found = [(float(y), float(SHEARS[i]), steps[i, y] / noise) for i, y in zip(*np.nonzero(peaks), strict=True)]
    return sorted(found, key=lambda edge: -float(np.linalg.norm(edge[2])))[:48]


def _best_pairs(
    edges: list[Edge], middle: float, widest: float, slack: float, length: float
) -> list[tuple[Edge, Edge, float, float]]:
    """The likeliest sides of one stem under the taps, the weaker one's strength, and the score over the first's."""
    if len(edges) < 2:
        return []
    y, lean, strength = (
        np.array(column) for column in zip(*[(e[0], e[1], np.linalg.norm(e[2])) for e in edges], strict=True)
    )
    gap = y[None, :] - y[:, None]
    centre, turn = (y[None, :] + y[:, None]) / 2 - middle, (lean[None, :] + lean[:, None]) / 2
    beyond = np.maximum(np.abs(centre + 0.56 * length * turn), np.abs(centre - 0.44 * length * turn)) - gap / 2
    wide = np.maximum(gap, 1.0)
    score = _pair_score(strength, lean, wide)
    score = score * np.exp(-0.5 * (np.maximum(beyond, 0) / slack) ** 2)
    score = score * (0.2 + 0.8 * np.exp(-0.5 * (np.log(wide / length * 8) / 0.6) ** 2))
    score = score * np.exp(-0.5 * (centre**2 / ((0.1 * wide) ** 2 + slack**2)))
    score[(gap <= 5) | (gap >= widest) | (np.abs(lean[None, :] - lean[:, None]) > 0.05)] = 0
    pairs: list[tuple[Edge, Edge, float, float]] = []
    best = float(score.max())
    while len(pairs) < READINGS and score.max() > 0.1 * best > 0:
        first, second = np.unravel_index(int(np.argmax(score)), score.shape)
        weaker = float(min(strength[first], strength[second]))
        pairs.append((edges[first], edges[second], weaker, float(score[first, second]) / best))
        score[np.abs(np.log(wide / wide[first, second])) < 0.13] = 0
    return pairs


def _pair_score(strength: np.ndarray, lean: np.ndarray, gap: np.ndarray) -> np.ndarray:
    """How well each two edges go together as the sides of a stem, (n, n).

    Marks on the bark make pairs inside the true one, an unsharp background hardly ever one outside: hence the gap.
    """
    plain = strength / (strength + 11)
    parallel = np.exp(-0.5 * ((lean[None, :] - lean[:, None]) / 0.015) ** 2)
    return plain[None, :] * plain[:, None] * parallel * gap**1.6


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
    """Part twig from background around the end of a stem and read its shape; slack: the tip's error [px]."""
    seen = None
    for turn in range(2):
        gaze = gaze_at(picture, stem.tip)
        to_px = _turned(gaze, stem.tip, stem.back)
        D = stem.diameter
        loose = min(2.5 * slack / D, 2.0) if turn == 0 else 0.3
        scale = CELLS[turn] / D
        x, y = (-(BEHIND + loose) * D, (AHEAD + loose) * D), (-ASIDE * D, ASIDE * D)
        bgr = _sample(picture.bgr, to_px, x, y, scale)
        patch = Patch(LIGHT[bgr], scale, -x[0] * scale - 0.5, -y[0] * scale - 0.5)
        masks = twig_masks(_lab(bgr), patch, D, loose, None if seen is None else _sides_of(seen, to_px, D))
        if not masks:
            return None
        ends = []
        for mask in masks:
            outline = _sharpened(picture.bgr, to_px, patch, mask, x, y, D)
            end = find_end(outline, _lowest_lip(mask, patch, D), D)
            if end is not None:
                ends.append((end, outline))
        if not ends:
            return None
        end, outline = ends[0]
        spread = float(np.std([each.slope for each, _ in ends])) if len(ends) > 1 else 1.0
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
        lines.append(Line([slope, at[0, 1] - slope * at[0, 0]]))
    return lines[0], lines[1]


def _sharpened(
    bgr: np.ndarray,
    to_px: np.ndarray,
    patch: Patch,
    mask: np.ndarray,
    x: tuple[float, float],
    y: tuple[float, float],
    D: float,
) -> np.ndarray:
    """The mask's outline in the frame of `to_px`, drawn in the picture's own pixels where they are finer than cells."""
    fine = float(np.clip(1.0, patch.scale, max(FINEST / D, patch.scale)))
    if fine > 1.2 * patch.scale:
        seen = _sample(bgr, to_px, x, y, fine)
        patch = Patch(LIGHT[seen], fine, -x[0] * fine - 0.5, -y[0] * fine - 0.5)
        mask = cv2.resize(cv2.GaussianBlur(mask * 255.0, (0, 0), 1.0), seen.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        mask = (mask > 127).astype(np.uint8)
    cells, _ = sharpened_outline(patch, mask, max(fine, 1.0))
    return patch.to_mm(cells)


def _lowest_lip(mask: np.ndarray, patch: Patch, diameter: float) -> float:
    rows = np.abs((np.arange(mask.shape[0]) - patch.y0) / patch.scale) < 0.35 * diameter
    ends = mask.shape[1] - np.argmax(mask[rows, ::-1] > 0, axis=1)
    return float((np.percentile(ends, 10) - patch.x0) / patch.scale)


def twig_masks(
    lab: np.ndarray, patch: Patch, diameter: float, loose: float, sides: tuple[Line, Line] | None = None
) -> list[np.ndarray]:
    """Masks of the twig, to about a cell: the likeliest first, then cuts made bolder and shyer.

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
    lips = [_lip(smooth, patch, diameter, line, x[0], start, out) for line, out in zip(sides, (-1, 1), strict=True)]
    core = (np.abs(y) < 0.36) & (x < start) & (x > -4.5 - loose)
    beside = (np.abs(y) > 0.66) & (x < 1.0 + loose)
    beside |= (x > 1.9 + loose) & (np.abs(y) > 0.0)
    twig = _stem_likelihood(smooth, y, core)
    wood = _wood_likelihood(smooth, (x > start) & (np.abs(y) < 1.0))
    ground = _ground_likelihood(smooth, beside, 0.6 * diameter * patch.scale)
    odds = np.clip(np.logaddexp(twig, wood - 1.5) - ground, -4, 4)
    face = _face_line(smooth, odds, x[0], y, lips, start)
    odds += _expected(x, y, face)
    surely = core & (np.abs(y) < 0.36)
    never = (np.abs(y) > 0.6) | (x > AHEAD + loose - 0.1)
    first = int(np.searchsorted(x[0], start - 0.3))  # before here the straight sides tell all
    masks = []
    for bias in (0.0, 0.7, -0.7):
        cut = (np.abs(y) < 0.5).astype(np.uint8) * np.ones((1, w), np.uint8)
        cut[:, first:] = _least_cut(smooth[:, first:], odds[:, first:] + bias, surely[:, first:], never[:, first:])
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
    edges = _straight_edges(part, 1.0)
    if len(edges) < 2:
        return None
    y = np.array([(edge[0] - patch.y0) / cell for edge in edges])
    lean, strength = np.array([edge[1] for edge in edges]), np.array([np.linalg.norm(edge[2]) for edge in edges])
    gap = y[None, :] - y[:, None]
    wide, centre, turn = np.maximum(gap, 0.1), (y[None, :] + y[:, None]) / 2, (lean[None, :] + lean[:, None]) / 2
    score = _pair_score(strength, lean, wide**0.4)
    score = score * np.exp(-0.5 * (np.log(wide) / 0.12) ** 2 - 0.5 * (turn / 0.03) ** 2 - 0.5 * (centre / 0.12) ** 2)
    score[(gap < 0.7) | (gap > 1.35) | (np.abs(lean[None, :] - lean[:, None]) > 0.05)] = 0
    first, second = np.unravel_index(int(np.argmax(score)), score.shape)
    if score[first, second] <= 0:
        return None
    chosen = [(edges[first], float(y[first])), (edges[second], float(y[second]))]
    x = (middle - patch.x0) / cell
    left, right = (Line([edge[1], y - edge[1] * x]) for edge, y in chosen)
    return left, right


@dataclass(frozen=True)
class _Lip:
    """Where one side of the stem ends: log odds, over the patch's columns, that it ends there."""

    odds: np.ndarray
    plain: bool


def _lip(lab: np.ndarray, patch: Patch, diameter: float, side: Line, x: np.ndarray, start: float, outwards: int) -> _Lip:
    """Where along its line a side's edge stops, by the edge alone."""
    cell = patch.scale * diameter
    rise = np.zeros_like(lab)
    rise[1:-1] = (lab[2:] - lab[:-2]) / 2
    rise = cv2.GaussianBlur(rise, (0, 0), sigmaX=0.04 * cell, sigmaY=0.7)
    rows = (side(x) * cell + patch.y0).astype(np.float32)
    columns = np.arange(len(x), dtype=np.float32)

    def along(shifts: np.ndarray) -> np.ndarray:
        seen = [
            cv2.remap(rise, columns[None], (rows + np.float32(s))[None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[
                0
            ]
            for s in shifts
        ]
        return np.linalg.norm(seen, axis=2).max(axis=0)

    here = along(np.arange(-2, 3))
    # what a place without the edge shows: as many rows farther out
    empty = np.minimum(along(outwards * np.arange(7, 12)), along(outwards * np.arange(12, 17)))
    stem = x < start
    ratio = np.log((here + 0.2) / (np.median(empty) + 0.2))
    on = float(np.median(ratio[stem]))
    spread = 1.4826 * float(np.median(np.abs(ratio[stem] - on))) + 0.15
    idle = np.log((empty + 0.2) / (np.median(empty) + 0.2))
    off = float(np.median(idle))
    noise = 1.4826 * float(np.median(np.abs(idle - off))) + 0.3
    odds = -0.5 * ((np.minimum(ratio, on) - on) / spread) ** 2 - np.log(spread)
    odds += 0.5 * ((np.maximum(ratio, off) - off) / noise) ** 2 + np.log(noise)
    odds = np.clip(odds, -2, 2) / (0.2 * cell)  # neighbouring columns tell the same
    total = np.cumsum(odds)
    total -= total.max()
    return _Lip(total, on - off > 1.5 * (spread + noise) / 2)


SLOPES = np.linspace(-1.9, 1.9, 39)  # of the end's line, as tangents: up to 62 degrees
DOMES = np.array([-0.25, 0.0, 0.25, 0.5])  # how far its middle may stand out, in diameters at a full half circle


def _face_line(
    lab: np.ndarray, odds: np.ndarray, x: np.ndarray, y: np.ndarray, lips: list[_Lip], start: float
) -> tuple[float, float, float]:
    """The likeliest plain end: x = offset + slope y + dome sqrt(1/4 - y^2), by colour, by edges and by the lips."""
    step = x[1] - x[0]
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.0)
    steps = [cv2.Sobel(smooth[..., k], cv2.CV_32F, dx, 1 - dx) ** 2 for k in range(3) for dx in (0, 1)]
    edge = np.sqrt(np.sum(steps, axis=0))
    edge = edge / (np.median(edge) + 0.5)
    sharp = np.minimum(np.log1p(edge), 3.0)
    told = np.cumsum(np.clip(odds, -2, 2), axis=1)
    rows = np.linspace(-0.45, 0.45, 25)
    straight = y[:, int(np.argmin(np.abs(x)))]
    at = np.interp(rows, straight, np.arange(len(straight))).astype(int)
    # a cell's colour says what its neighbours say, about a sixth of a diameter around
    told, sharp = told[at] * step / 0.16 * 0.12, sharp[at]
    offsets = np.arange(start + 0.3, x[-1] - 0.6, 0.05)
    offset, slope, dome = (axis.ravel() for axis in np.meshgrid(offsets, SLOPES, DOMES, indexing="ij"))
    place = offset[:, None] + slope[:, None] * rows + dome[:, None] * np.sqrt(0.25 - rows**2)
    column = np.clip((place - x[0]) / step, 0, len(x) - 1).astype(int)
    index = np.arange(len(rows))[None]
    score = told[index, column].sum(axis=1) + 0.5 * sharp[index, column].sum(axis=1)
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


def _stem_likelihood(lab: np.ndarray, y: np.ndarray, core: np.ndarray) -> np.ndarray:
    """Log density of the stem's bark at each cell: its colour varies round the stem, hence with y, but not along it."""
    h, _w = lab.shape[:2]
    columns = core.any(axis=0)
    profile = np.median(lab[:, columns], axis=1)
    inside = np.abs(y[:, columns].mean(axis=1)) < 0.42
    middle = np.flatnonzero(inside)
    profile = profile[np.clip(np.arange(h), middle[0], middle[-1])]
    profile = cv2.GaussianBlur(profile, (1, 0), sigmaX=0.01, sigmaY=1.5).reshape(h, 1, 3)
    away = lab - profile
    sample = away[core]
    spread = np.cov(sample[np.linalg.norm(sample - np.median(sample, axis=0), axis=1) < 40].T) + 2.0 * np.eye(3)
    near = _gaussian(away, np.zeros(3), spread)
    broad = _gaussian(lab, np.median(lab[core], axis=0), 3 * np.cov(lab[core].T) + 10 * np.eye(3))
    return np.logaddexp(near + np.log(0.8), broad + np.log(0.2))


def _wood_likelihood(lab: np.ndarray, where: np.ndarray) -> np.ndarray:
    """Log density of a pale severed face, whose colour is only roughly known, where it can be."""
    density = _gaussian(lab, np.array([78.0, 4.0, 20.0]), np.diag([14.0, 7.0, 11.0]) ** 2)
    return np.where(where, density, -30.0)


def _ground_likelihood(lab: np.ndarray, beside: np.ndarray, reach: float, kinds: int = 7) -> np.ndarray:
    """Log density of what lies beside the stem: a few colours, each the likelier the nearer it was seen."""
    sample = lab[beside]
    rng = np.random.default_rng(0)
    some = sample[rng.choice(len(sample), min(len(sample), 3000), replace=False)].astype(np.float32)
    cv2.setRNGSeed(1)
    kinds = min(kinds, len(some))
    _, label, centres = cv2.kmeans(some, kinds, None, (cv2.TERM_CRITERIA_MAX_ITER, 12, 0.1), 2, cv2.KMEANS_PP_CENTERS)
    density = np.full(lab.shape[:2], -30.0)
    seen = cv2.GaussianBlur(beside.astype(np.float32), (0, 0), reach) + 1e-4
    nearest = np.argmin(np.stack([((lab - centre) ** 2).sum(axis=2) for centre in centres]), axis=0)
    for kind in range(kinds):
        own = some[label[:, 0] == kind]
        if len(own) < 8:
            continue
        here = cv2.GaussianBlur((beside & (nearest == kind)).astype(np.float32), (0, 0), reach) / seen
        spread = np.cov(own.T) + 4.0 * np.eye(3)
        weight = np.log(0.9 * here + 0.1 * len(own) / len(some))
        density = np.logaddexp(density, weight + _gaussian(lab, centres[kind], spread))
    return density


def _gaussian(values: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    away = values - mean
    inverse = np.linalg.inv(spread)
    distance = np.einsum("...i,ij,...j->...", away, inverse, away)
    return -0.5 * distance - 0.5 * np.log(np.linalg.det(spread))


def _least_cut(lab: np.ndarray, odds: np.ndarray, surely: np.ndarray, never: np.ndarray, stiff: float = 4.0) -> np.ndarray:
    """Least cut between twig and background (Boykov and Jolly 2001): uint8 mask.

    odds : log likelihood ratio of twig to background in each cell. stiff : cost of parting two equal neighbours.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, maximum_flow

    h, w = odds.shape
    index = np.arange(h * w, dtype=np.int32).reshape(h, w)
    source, sink = h * w, h * w + 1
    free = 300.0
    odds = np.where(surely, free, np.where(never, -free, odds))
    tails, heads, costs = [], [], []
    pairs = [
        (index[:, :-1], index[:, 1:]),
        (index[:-1], index[1:]),
        (index[:-1, :-1], index[1:, 1:]),
        (index[:-1, 1:], index[1:, :-1]),
    ]
    flat = lab.reshape(-1, 3)
    steps = [((flat[a] - flat[b]) ** 2).sum(axis=-1) for a, b in pairs]
    usual = 2.0 * float(np.mean(steps[0])) + 4.0
    for (a, b), step, far in zip(pairs, steps, (1, 1, 1.414, 1.414), strict=True):
        cost = stiff / far * np.exp(-step / usual) + 0.05
        tails += [a.ravel(), b.ravel()]
        heads += [b.ravel(), a.ravel()]
        costs += [cost.ravel(), cost.ravel()]
    flat_odds = odds.ravel()
    twig, ground = np.flatnonzero(flat_odds > 0), np.flatnonzero(flat_odds <= 0)
    tails += [np.full(len(twig), source), ground]
    heads += [twig, np.full(len(ground), sink)]
    costs += [flat_odds[twig], -flat_odds[ground]]
    whole = (np.concatenate(costs) * 100).astype(np.int32)
    graph = coo_matrix((whole, (np.concatenate(tails), np.concatenate(heads))), shape=(sink + 1, sink + 1)).tocsr()
    left = graph - maximum_flow(graph, source, sink).flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    mask = np.zeros(h * w + 2, np.uint8)
    mask[breadth_first_order(left, source, return_predecessors=False)] = 1
    return mask[:-2].reshape(h, w)


def _holding(mask: np.ndarray, core: np.ndarray) -> np.ndarray | None:
    """The connected piece that holds the core, its holes filled."""
    _, labels = cv2.connectedComponents(mask, connectivity=4)
    inside = labels[core & (mask > 0)]
    if len(inside) == 0:
        return None
    own = (labels == np.bincount(inside).argmax()).astype(np.uint8)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(own), contours, -1, 1, cv2.FILLED)


# --- without taps: which stem stands out -----------------------------------------------------------------------

LOOK_AT = 1100  # longer side of the reduced picture that stems are looked for in [px]
MOST = 8  # stems that are looked at closely


@dataclass(frozen=True)
class Candidate:
    """A severed end found without a tap: as it was seen, and the width of the stem's sides [px], small when in focus."""

    seen: SeenEnd
    blur: float
    contrast: float


def candidates(picture: Picture, tap: np.ndarray | None = None) -> list[Candidate]:
    """Ends of stems inside the picture, the sharpest first; near a tap where one is given."""
    found: list[Candidate] = []
    reach = TAP_SHARE * float(np.hypot(*picture.size))
    for tip, back, diameter in _ends_of_stripes(picture):
        if tap is not None and np.linalg.norm(tip - tap) > 3 * reach + 3 * diameter:
            continue
        seen = _settled(picture, tip, back, diameter)
        if seen is None or _seen_already(seen, found):
            continue
        blur, contrast = edge_blur(picture, seen)
        found.append(Candidate(seen, blur, contrast))
    return sorted(found, key=lambda each: each.blur)


def _settled(picture: Picture, tip: np.ndarray, back: np.ndarray, diameter: float) -> SeenEnd | None:
    """The end seen from a rough guess, followed along the stem until it stays where it is."""
    width, height = picture.size
    for _ in range(3):
        stems = find_stem(picture, tip, back)
        stems = [stem for stem in stems if abs(np.log(stem.diameter / diameter)) < 0.35]
        if not stems:
            return None
        seen = see_end(picture, stems[0], 1.2 * diameter)
        if seen is None:
            return None
        end = seen.end
        middle = end.to_outline(np.array([(end.offset, 0.0), (end.offset - 6.0, 0.0)]))
        found, behind = seen.px(middle)
        margin = 1.2 * end.diameter
        if not (margin < found[0] < width - margin and margin < found[1] < height - margin):
            return None
        step = float(np.linalg.norm(found - tip))
        tip, back = found, _inside(found, behind, picture.size)
        if step < 1.2 * diameter:
            return seen
        diameter = end.diameter
    return None


def _inside(tip: np.ndarray, back: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """`back`, drawn nearer to the tip until it lies in the picture."""
    share = 1.0
    for k in range(2):
        step = back[k] - tip[k]
        for edge in (2.0, size[k] - 3.0):
            if (back[k] - edge) * np.sign(step) > 0 and (edge - tip[k]) * step > 0:
                share = min(share, float((edge - tip[k]) / step))
    return tip + share * (back - tip)


def _seen_already(seen: SeenEnd, found: list[Candidate]) -> bool:
    at = seen.px(seen.outline.mean(axis=0))[0]
    return any(np.linalg.norm(each.seen.px(each.seen.outline.mean(axis=0))[0] - at) < seen.end.diameter for each in found)


def _ends_of_stripes(picture: Picture) -> list[tuple[np.ndarray, np.ndarray, float]]:
    """Ends inside the picture of long stripes with two straight sides: (end, point farther back, diameter) [px]."""
    factor = 1
    while max(picture.size) / factor > 1.5 * LOOK_AT and factor < 8:
        factor *= 2
    small, factor = picture.reduced(factor)
    stripes = _stripes(cv2.cvtColor(small, cv2.COLOR_BGR2LAB))
    height, width = small.shape[:2]
    ends = []
    for middle, along, start, stop, diameter, _ in stripes[:MOST]:
        for here, away in ((stop, start), (start, stop)):
            tip = middle + along * here
            if not (diameter < tip[0] < width - diameter and diameter < tip[1] < height - diameter):
                continue
            back = tip + np.sign(away - here) * along * min(max(abs(away - here), 4 * diameter), 8 * diameter)
            back = _inside(tip, back, (width, height))
            ends.append(((tip + 0.5) * factor - 0.5, (back + 0.5) * factor - 0.5, diameter * factor))
    return ends


Stripe = tuple[np.ndarray, np.ndarray, float, float, float, float]  # point, direction, from, to, width, length seen


def _stripes(lab: np.ndarray) -> list[Stripe]:
    """Pairs of parallel straight edges, put together where they continue each other, the plainest first."""
    lines = []
    finder = cv2.createLineSegmentDetector()
    for channel in range(2):
        found = finder.detect(cv2.GaussianBlur(lab[..., channel], (0, 0), 0.8))[0]
        if found is not None:
            lines.append(found.reshape(-1, 4))
    if not lines:
        return []
    at = np.concatenate(lines).astype(float)
    length = np.hypot(at[:, 2] - at[:, 0], at[:, 3] - at[:, 1])
    at, length = at[length > 22], length[length > 22]
    order = np.argsort(-length)[:220]
    at, length = at[order], length[order]
    if len(at) < 2:
        return []
    middle, way = (at[:, :2] + at[:, 2:]) / 2, (at[:, 2:] - at[:, :2]) / length[:, None]
    stripes: list[Stripe] = []
    i, j = np.triu_indices(len(at), 1)
    turn = np.abs(way[i, 0] * way[j, 1] - way[i, 1] * way[j, 0])
    apart = middle[j] - middle[i]
    across = np.abs(apart[:, 0] * -way[i, 1] + apart[:, 1] * way[i, 0])
    good = (turn < 0.09) & (across > 5) & (across < 0.12 * max(lab.shape[:2]))
    for a, b in zip(i[good], j[good], strict=True):
        along = way[a] * length[a] + np.sign(way[a] @ way[b]) * way[b] * length[b]
        along /= np.linalg.norm(along)
        normal = np.array([-along[1], along[0]])
        centre = (middle[a] + middle[b]) / 2
        spans = [np.sort((at[k].reshape(2, 2) - centre) @ along) for k in (a, b)]
        start, stop = max(spans[0][0], spans[1][0]), min(spans[0][1], spans[1][1])
        width = abs(float((middle[b] - middle[a]) @ normal))
        if stop - start < max(1.2 * width, 18) or width < 5:
            continue
        stripes.append(
            (
                centre,
                along,
                float(min(spans[0][0], spans[1][0])),
                float(max(spans[0][1], spans[1][1])),
                width,
                float(stop - start),
            )
        )
    return _joined(stripes)


def _joined(stripes: list[Stripe]) -> list[Stripe]:
    stripes = sorted(stripes, key=lambda each: -each[5])
    kept: list[Stripe] = []
    for centre, along, start, stop, width, seen in stripes:
        for k, (c, w, a, b, d, s) in enumerate(kept):
            if abs(w[0] * along[1] - w[1] * along[0]) > 0.08 or abs(np.log(width / d)) > 0.35:
                continue
            off = np.array([-w[1], w[0]]) @ (centre - c)
            if abs(off) > 0.35 * d:
                continue
            shift, sign = float((centre - c) @ w), float(np.sign(w @ along))
            ends = sorted((shift + sign * start, shift + sign * stop))
            if ends[0] < b + 6 * d and ends[1] > a - 6 * d:
                kept[k] = (c, w, min(a, ends[0]), max(b, ends[1]), d, s + seen)
                break
        else:
            kept.append((centre, along, start, stop, width, seen))
    return sorted(kept, key=lambda each: -each[5])


def edge_blur(picture: Picture, seen: SeenEnd) -> tuple[float, float]:
    """Width of the stem's sides [px] and the step in colour over them: a step over its steepest slope."""
    end = seen.end
    out = np.arange(-7.0, 7.25, 0.5)
    blurs, steps = [], []
    for side in (-1.0, 1.0):
        x = np.linspace(end.lip - 3.5, end.lip - 0.7, 64)
        frame = (
            np.stack(np.broadcast_arrays(x[:, None] * end.diameter, side * (end.diameter / 2 + out)), axis=-1) / end.diameter
        )
        px = seen.px(end.to_outline(frame.reshape(-1, 2)))
        x0, y0 = np.clip(np.floor(px.min(axis=0)).astype(int) - 2, 0, np.array(picture.size) - 8)
        x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 3, picture.size)
        lab = _lab(picture.bgr[y0 : max(y1, y0 + 4), x0 : max(x1, x0 + 4)])
        at = (px - (x0, y0)).astype(np.float32)
        colour = cv2.remap(lab, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        parts = colour.reshape(8, 8, len(out), 3).mean(axis=1)
        for part in parts:
            step = part[-6:].mean(axis=0) - part[:6].mean(axis=0)
            size = float(np.linalg.norm(step))
            rise = np.gradient(part @ step / (size + 1e-6), 0.5)
            blurs.append(size / (float(rise.max()) + 1e-6))
            steps.append(size)
    sharp = np.array(blurs)[np.array(steps) > 4]
    return (float(np.percentile(sharp, 30)) if len(sharp) >= 4 else 99.0), float(np.median(steps))


def outstanding(found: list[Candidate]) -> Candidate | None:
    """The one end that is plainly sharper than every other, if there is one: the photographer focused on it.

    Marks on its own bark and its own thinner side branches do not count against it.
    """
    own = [each for each in found if not any(_belongs(each, other) for other in found if other is not each)]
    own = [each for each in own if each.contrast > 6 and each.seen.stem.strength > 3 and each.seen.end.diameter > 11]
    if not own:
        return None
    best = own[0]
    close = [
        each for each in own[1:] if each.blur < 1.35 * best.blur and each.seen.end.diameter > 0.35 * best.seen.end.diameter
    ]
    if close or best.blur > 6 or best.seen.spread > 0.25:
        return None
    return best


def _belongs(each: Candidate, other: Candidate) -> bool:
    """Is `each` a mark on the stem of `other`, or a thinner branch of it?"""
    mine, its = each.seen.end, other.seen.end
    if mine.diameter > 0.85 * its.diameter:
        return False
    tip, back = each.seen.px(mine.to_outline(np.array([(mine.offset, 0.0), (mine.offset - 6.0, 0.0)])))
    ends = other.seen.px(its.to_outline(np.array([(its.offset, 0.0), (its.offset - 1.0, 0.0)])))
    down = ends[1] - ends[0]
    size = float(np.linalg.norm(down))
    down /= size
    x, y = (tip - ends[0]) @ down / size, (tip - ends[0]) @ np.array([-down[1], down[0]]) / size
    if abs(y) < 0.75 and x > -1.0:
        return True
    way = (back - tip) / np.linalg.norm(back - tip)
    lean = way @ np.array([-down[1], down[0]])
    meets = x + way @ down * (-y / lean) if abs(lean) > 0.05 else np.inf  # where its axis crosses the other's
    return bool(lean * y < 0 and abs(y) < 5 and 0 < meets < 25)


def measure_free_end(picture: Picture, taps: Sequence[Point] = (), scale: Plane | None = None) -> Measurement:
    """Measure the severed end of a twig where it grew.

    taps : upright pixels, the severed end first, then a point farther back on the same stem. With one tap the stem is
    looked for there; without any nothing is measured, since the wrong twig measured is worse than none. scale : plane
    of a coin or a known length.
    """
    if not taps:
        # automatic finding measured foreign stems in 4 of 10 ray-traced pictures that show no cut twig: a tap is asked for
        return _nothing("no card was found: tap the severed end, and better a point farther back on the same stem too")
    slack = TAP_SHARE * float(np.hypot(*picture.size))
    if len(taps) < 2:
        best = outstanding(candidates(picture, np.array(taps[0], float)))
        if best is None:
            return _nothing("no single severed end stands out at the tap: tap a point farther back on the stem too")
        end = best.seen.end
        tip, back = best.seen.px(end.to_outline(np.array([(end.offset, 0.0), (end.offset - 8.0, 0.0)])))
        back, slack = _inside(tip, back, picture.size), 0.3 * end.diameter
    else:
        tip, back = np.array(taps[0], float), np.array(taps[1], float)
    found = [see_end(picture, stem, slack) for stem in find_stem(picture, tip, back)]
    readings = sorted((reading for reading in found if reading is not None), key=_plausible, reverse=True)
    if not readings:
        return _nothing("no stem with two clear sides lies between the taps: tap nearer to its middle line, or go closer")
    seen, *rivals = readings
    return _measurement(picture, seen, rivals, scale)


def _plausible(seen: SeenEnd) -> float:
    """How likely one reading of a stem is: by its sides, and by an end that bolder and shyer cuts agree on.

    Where a mark on the bark or a shadow was taken for a side, the end comes out ragged and each cut elsewhere. The
    weights were chosen from a small grid while both groups of 40 simulated clean ends were seen (seeds 80000 to 80159):
    90th percentiles of 2.5 and 3.6 degrees, against 2.5 and 7.2 by the sides alone, are therefore a little flattering.
    """
    return float(seen.stem.score * np.exp(-8.0 * seen.spread - 5.0 * seen.end.raggedness))


def _measurement(picture: Picture, seen: SeenEnd, rivals: list[SeenEnd], scale: Plane | None) -> Measurement:
    """The signs of one end; rivals : less likely readings of the same stem, whose differences are doubts."""
    end = seen.end
    pixel = 1.0 / end.diameter
    # the stem's lean towards the camera is not known without a card: cos of 14 degrees on average (our choice)
    slope = float(np.degrees(np.arctan(abs(end.slope) / 0.97)))
    loose = float(np.degrees(2.0 * max(end.raggedness - 0.03, 0.0)))  # fitted to 80 simulated half and torn ends
    doubt, unsure = 0.0, 0.0
    for rival in rivals:
        odds = _plausible(rival) / max(_plausible(seen), 1e-12)
        share = float(np.sqrt(odds / (1 + odds)))
        doubt = max(doubt, share * abs(float(np.degrees(np.arctan(rival.end.slope) - np.arctan(end.slope)))))
        unsure = max(unsure, share * abs(float(np.log(rival.end.diameter / end.diameter))))
    spread = np.degrees(seen.spread / (1 + end.slope**2))
    sigma = float(np.sqrt((1.5 + 360.0 * pixel**2) ** 2 + loose**2 + spread**2 + doubt**2))
    measured: dict[str, Sign] = {
        "seen_slope_deg": Measured(slope, sigma),
        "raggedness": Measured(end.raggedness, 0.25 * end.raggedness + 0.3 * pixel + 0.01),
        "longest_fibre": Measured(end.longest_fibre, 0.3 * end.longest_fibre + pixel + 0.03),
        "end_form": end_form(end, partial(_light_at, picture, seen), plain=False),
    }
    reasons = {"true_slope_deg": "without the card it is not known how the twig is turned: lay it on the card"}
    if scale is None:
        reasons["end_diameter_mm"] = "no length is known in this picture: give a coin's diameter or a known length"
    else:
        per_mm = px_per_mm(scale)
        wide = seen.px(end.to_outline(np.array([(end.lip - 1.0, -0.5), (end.lip - 1.0, 0.5)])))
        diameter = float(np.linalg.norm(wide[1] - wide[0])) / per_mm
        measured["end_diameter_mm"] = Measured(
            diameter, diameter * float(np.sqrt(scale.scale_sigma**2 + 0.03**2 + unsure**2))
        )
    return Measurement(measured, reasons, _shapes(seen))


def _light_at(picture: Picture, seen: SeenEnd, points: np.ndarray) -> np.ndarray:
    """Linear light, (n, 3), at points, (n, 2), of the end's own frame."""
    px = seen.px(seen.end.to_outline(points))
    x0, y0 = np.clip(np.floor(px.min(axis=0)).astype(int) - 2, 0, np.array(picture.size) - 8)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 3, picture.size)
    part = LIGHT[picture.bgr[y0 : max(y1, y0 + 4), x0 : max(x1, x0 + 4)]]
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
