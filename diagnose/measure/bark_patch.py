"""How large is the patch of gnawed bark on a stem beside the scale card, and how are its tooth grooves spaced?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import median_filter

from diagnose.measure.bark_round import WELL_SEEN_DEG, Arcs, SeenRound, arcs_of
from diagnose.measure.grooves import Grooves, find_grooves
from diagnose.measure.record import Measurement
from diagnose.measure.smooth import median
from diagnose.measure.stem import (
    MARGIN,
    WIDTHS,
    Line,
    Stem,
    View,
    fit_stem,
    laid_between,
    likelier_first,
    likely_pairs,
    log_light,
    sampled,
    straight_edges,
    view_of_card,
    white_of_card,
)
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane
from diagnose.signs import FRAY, Bounded, Measured, Sign

NONE: Any = None  # where OpenCV takes nothing but its stubs do not say so
WOOD_RED = (-0.04, 0.46)  # ln(red / green) of bare wood against the card's white, fresh to weathered; own readings
WOOD_BLUE = (0.20, 1.05)  # ln(green / blue) of the same
WOOD_DARKEST = -2.9  # ln(green), in the stem's own shadow
LEAST_AREA = 15.0  # of a patch [mm2]
LARGE_ENOUGH, PLAIN_ENOUGH = 200.0, 0.6  # area [mm2] and contrast of a patch beyond which it is no likelier
BEST_PATCH = 0.5 * float(np.log(LARGE_ENOUGH)) + float(np.log(PLAIN_ENOUGH))  # what they add to a score, at most
MOST_PAIRS = 9  # of lines that are looked between for a patch
TRIED = 4  # candidates that are looked at closely
ENOUGH_CELLS = 1500  # to tell colours by
ROWS_ENOUGH = 50  # of a column, to tell its colour by
COLUMNS = 20  # across a strip
GRAPH_BEYOND = 10.0  # how much bark above and below a patch is enough to know bark by [mm]
MOST_CELLS = 35_000  # of the strip that a patch is outlined on: a large patch needs no finer ones
MOST_UNROLLED = 170_000  # cells that grooves are looked for on: a large patch has so many that coarser ones do
BARK_SHARE = (0.075, 0.02)  # bark's thickness to the stem's radius, young stems, with sigma; own readings
STEEPEST = np.radians(64)  # beyond, a surface is too much foreshortened to read grooves on
OUTLINE_SIGMA_PX = 1.0  # of the outline's ends [px]
RIM_SIGMA = 0.25  # of the middle of the bark's cut edge [mm]
SIDE_BORDER = 0.25  # by how much more a border along the stem's grain is unsure [mm]
FRAYED = 0.012  # of a ragged patch's height, relative
FRAY_MM = 3.0  # length of outline within which a spike to the side is left out [mm]
ENOUGH_CONTRAST = 6.0  # of grooves' power over that of other directions
ENOUGH_REGULARITY = 0.42
AS_GRAIN = (10.0, 0.55)  # within so many degrees of the stem's axis, where the grain runs, so much is asked
THICKEST_UNTAPPED = 90.0  # a table's planks may look like thicker trunks: those need a tap [mm]
NEAR_EQUAL = 0.5  # of scores
PLAIN = 3.6  # score from which on no stem is looked for that lies the other way: the same 190 pictures had none
SURE, SURE_WHERE_TAPPED = 2.8, 2.2  # least score; ours: stems with patches reach 3.5, others mostly under 2.7
TALL_APART = 0.25  # of the patch's height, over which something apart from it looks bare, to count
RIM = 2.2  # widest cut edge of bark [mm]


@dataclass(frozen=True, eq=False)
class Candidate:
    """A strip between two lines of a view that looks like a stem with a bare patch.

    pair : its sides, low coordinate first. score : higher is likelier. centre : (2,) of the patch, view pixels.
    rows : (first, last) of the patch along the strip, view pixels along the running coordinate.
    width : of the strip [mm].
    """

    pair: tuple[Line, Line]
    score: float
    centre: np.ndarray
    rows: tuple[float, float]
    width: float


def candidates(view: View, lines: list[Line], tap: np.ndarray | None = None) -> list[Candidate]:
    """Strips that carry a bare patch, likeliest first, at most TRIED. tap : (2,) view pixels on the patch.

    The pairs with the strongest sides come first, and the rest are spared once they could not be among the likeliest, or
    where nobody points at a patch after MOST_PAIRS: in 190 pictures none of them was ever taken.
    """
    found: list[Candidate] = []
    pairs = sorted(likely_pairs(view, lines), key=lambda pair: -_of_sides(pair))
    for pair in pairs[:MOST_PAIRS] if tap is None else pairs:
        if len(found) == TRIED and _of_sides(pair) + BEST_PATCH < found[-1].score:
            break
        one = _candidate(view, pair, tap)
        if one is not None:
            found = sorted([*found, one], key=lambda one: -one.score)[:TRIED]
    return found


def _of_sides(pair: tuple[Line, Line]) -> float:
    """What the strength of its sides adds to a candidate's score."""
    return 0.6 * float(np.log(pair[0].strength) + np.log(pair[1].strength))


def _candidate(view: View, pair: tuple[Line, Line], tap: np.ndarray | None) -> Candidate | None:
    height, width = view.open.shape
    run = int(abs(pair[0].along[1]) > abs(pair[0].along[0]))
    length = (width, height)[run]
    along = np.arange(0, length, 1.0)
    low, high = (line.at(run, along).astype(np.float32) for line in pair)
    share = ((np.arange(-3, COLUMNS + 3) + 0.5) / COLUMNS).astype(np.float32)
    grid: Any = cv2.merge([low[:, k, None] + share * (high - low)[:, k, None] for k in (0, 1)])
    light = cv2.remap(view.light, grid, NONE, cv2.INTER_LINEAR)
    free = cv2.remap(view.open.astype(np.uint8), grid, NONE, cv2.INTER_NEAREST) > 0
    light = cv2.GaussianBlur(light, (0, 0), sigmaX=0.6, sigmaY=1.2)
    colour = np.dstack([light[..., 2] - light[..., 1], light[..., 1] - light[..., 0], 0.35 * light[..., 1]])
    stem = np.zeros(len(share), bool)
    stem[3:-3] = True
    rows = np.flatnonzero(free[:, stem].mean(axis=1) > 0.3)
    if len(rows) < 40 * view.scale:
        return None
    first, last = rows[0], rows[-1] + 1
    colour, free, grid = colour[first:last], free[first:last], grid[first:last]
    inner = free & stem
    sample: Any = colour[inner].astype(np.float32)
    cv2.setRNGSeed(1)
    some = sample[:: max(1, len(sample) // ENOUGH_CELLS)]
    _, _, centres = cv2.kmeans(
        some, 4, NONE, (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 10, 0.01), 2, cv2.KMEANS_PP_CENTERS
    )
    labels = np.full(free.shape, -1)
    labels[inner] = np.argmin((centres**2).sum(axis=1) - 2 * sample @ centres.T, axis=1)
    end = max(int(8 * view.scale), int(0.12 * len(free)))
    at_ends = np.zeros(free.shape, bool)
    at_ends[:end] = at_ends[-end:] = True
    counts = np.array([(labels[at_ends] == k).sum() for k in range(4)], float)
    if counts.sum() < 20:
        return None
    bark = counts / counts.sum() > 0.08
    bark_colour = np.where(bark, counts, 0) @ centres / counts[bark].sum()
    wood = np.array([not bark[k] and _looks_like_wood(centres[k], centres[bark]) for k in range(4)])
    if not wood.any():
        return None
    bare: Any = np.isin(labels, np.flatnonzero(wood)).astype(np.uint8)
    bare = cv2.morphologyEx(bare, cv2.MORPH_CLOSE, np.ones((5, 5)))
    count, parts, stats, _centroids = cv2.connectedComponentsWithStats(bare)
    across_mm = float(np.linalg.norm(high - low, axis=1).mean()) / view.scale
    cell_mm2 = across_mm / COLUMNS / view.scale
    best: Candidate | None = None
    for part in range(1, count):
        area = stats[part, cv2.CC_STAT_AREA] * cell_mm2
        top, tall = stats[part, cv2.CC_STAT_TOP], stats[part, cv2.CC_STAT_HEIGHT]
        if area < LEAST_AREA or top == 0 or top + tall == len(free):
            continue
        mask = parts == part
        if tap is not None:
            apart = np.linalg.norm(grid[mask] - tap, axis=1).min() / view.scale
            if apart > 6:
                continue
        band = slice(top, top + tall)
        patch_colour = np.median(colour[mask], axis=0)
        leak = 0.0  # a patch that goes on beyond a line without a step shows that the line is not the stem's side
        for beyond, inside, edge in ((1, 4, slice(3, 6)), (-2, -5, slice(-6, -3))):
            step = np.linalg.norm(colour[band, beyond] - colour[band, inside], axis=1)
            same = (step < 0.15) & free[band, beyond] & free[band, inside]
            leak += float((same & mask[band, edge].any(axis=1)).mean())
        plain = inner & ~cv2.dilate(mask.astype(np.uint8), np.ones((9, 5))).astype(bool)
        rows_of = [(k, np.flatnonzero(plain[:, k])) for k in range(plain.shape[1])]
        columns = [_middle(colour[at[:: max(1, len(at) // ROWS_ENOUGH)], k, :2]) for k, at in rows_of if len(at) > 12]
        mixed = float(np.std(np.array(columns), axis=0).max()) if len(columns) > 3 else 1.0
        contrast = float(np.linalg.norm(patch_colour - bark_colour))
        of_patch = 0.5 * np.log(min(area, LARGE_ENOUGH)) + np.log(min(contrast, PLAIN_ENOUGH))
        score = _of_sides(pair) + of_patch - 4 * leak - 6 * mixed
        centre = grid[mask].mean(axis=0)
        span = (float(grid[band][0, 0, run]), float(grid[band][-1, 0, run]))
        if best is None or score > best.score:
            best = Candidate(pair, float(score), centre, span, across_mm)
    return best


def _middle(values: np.ndarray) -> np.ndarray:
    """The median of each column, (n, m) to (m,): of an even number of values the upper one; four times as fast."""
    return np.partition(values, len(values) // 2, axis=0)[len(values) // 2]


def _looks_like_wood(colour: np.ndarray, bark: np.ndarray) -> bool:
    """Whether a mean colour (red/green, green/blue, 0.35 green; all ln) could be bare wood on such bark (n, 3)."""
    red, blue, green = (float(value) for value in colour)
    in_box = WOOD_RED[0] < red < WOOD_RED[1] and WOOD_BLUE[0] < blue < WOOD_BLUE[1] and green / 0.35 > WOOD_DARKEST
    return in_box and float(np.linalg.norm(bark - colour, axis=1).min()) > 0.15


@dataclass(frozen=True, eq=False)
class Patch:
    """The bare patch of a stem.

    outline_px : (n, 2) closed outline. up : (n,) its height along the stem [mm] above the stem's foot point beside
    the card's middle; turn : (n,) round the stem [radian], 0 to the camera. bare : (h, w) bool on the strip whose
    rows are `rows_up` [mm], downwards, and whose columns are `columns_right` [mm] in the plane through the axis.
    hidden : (h, w) bool, where the card or the picture's edge hides the strip. apart : (h, w) bool, what looks like bare
    wood too but does not hang together with the patch: the other end of a patch that runs round the stem's back.
    """

    stem: Stem
    outline_px: np.ndarray
    up: np.ndarray
    turn: np.ndarray
    bare: np.ndarray
    hidden: np.ndarray
    apart: np.ndarray
    rows_up: np.ndarray
    columns_right: np.ndarray


def find_patch(picture: Picture, plane: Plane, taps: Sequence[tuple[float, float]] = ()) -> Patch | None:
    """The stem beside the card that carries a bare patch, and the patch; None where there is none."""
    view = view_of_card(picture, plane)
    tap = None
    if taps:
        tap = (plane.to_mm(np.array([taps[0]], float))[0] + MARGIN) * view.scale
    sure = SURE if tap is None else SURE_WHERE_TAPPED
    likely: list[Candidate] = []
    for turned_by in likelier_first(view):
        if not likely or likely[0].score < PLAIN:
            likely += [one for one in candidates(view, straight_edges(view, turned_by), tap) if one.score >= sure]
            likely = sorted(likely, key=lambda one: -one.score)[:TRIED]
    thickest = WIDTHS[1] if taps else THICKEST_UNTAPPED
    for stem, candidate in _stems_at(picture, plane, view, likely, thickest):
        patch = outline_patch(picture, plane, stem, view, candidate)
        if patch is not None:
            return patch
    return None


def _stems_at(
    picture: Picture, plane: Plane, view: View, likely: list[Candidate], thickest: float
) -> Iterator[tuple[Stem, Candidate]]:
    """Each candidate with its stem [mm], where one holds up; of those nearly as likely as the first the thickest first.

    Lines within a stem, of its bark or shadow, are as long as its sides: of near equals the outer ones are the sides.
    """
    fitted: list[tuple[Stem, Candidate]] = []
    told = False
    for candidate in likely:
        if fitted and not told and candidate.score <= fitted[0][1].score - NEAR_EQUAL:
            yield from sorted(fitted, key=lambda one: -one[0].radius)
            told = True
        centre_px = plane.to_px(view.to_mm(candidate.centre[None]))[0]
        stem = fit_stem(picture, plane, view, candidate.pair, centre_px, candidate.rows)
        if stem is None or not 0.75 < 2 * stem.radius / candidate.width < 1.35 or 2 * stem.radius > thickest:
            continue
        if told:
            yield stem, candidate
        else:
            fitted.append((stem, candidate))
    if not told:
        yield from sorted(fitted, key=lambda one: -one[0].radius)


def outline_patch(picture: Picture, plane: Plane, stem: Stem, view: View, candidate: Candidate) -> Patch | None:
    """The patch's outline on a stem, by a graph cut between the colours of its bark and of the patch."""
    run = int(abs(candidate.pair[0].along[1]) > abs(candidate.pair[0].along[0]))
    ends = np.array([candidate.centre, candidate.centre])
    ends[:, run] = candidate.rows
    low, high = np.sort(stem.place(plane.to_px(view.to_mm(ends)))[0])
    centre_px = plane.to_px(view.to_mm(candidate.centre[None]))[0]
    native = stem.camera.K[0, 0] / stem.distance
    beyond = max(12.0, 0.25 * (high - low))
    area = (high - low + 2 * beyond) * 2.4 * stem.radius
    step = max(1 / min(native, max(3.5, 70 / (2 * stem.radius))), float(np.sqrt(area / MOST_CELLS)))
    rows = np.arange(high + beyond, low - beyond, -step)
    columns = np.arange(-1.2 * stem.radius - 3 * step, 1.2 * stem.radius + 3 * step, step)
    grid = laid_between(stem.on_middle, rows, columns)
    card = laid_between(lambda up, right: _on_plane(plane, stem.on_middle(up, right)), rows, columns)
    assert plane.layout is not None
    sheet = np.array(plane.layout.size_mm) * plane.print_scale
    hidden = ~_within(grid, np.ones(2), np.array(picture.size) - 2) | _within(card, -np.full(2, 0.7), sheet + 0.7)
    bgr = sampled(picture.bgr, grid).astype(np.float32)
    light = log_light(cv2.GaussianBlur(bgr, (0, 0), max(0.5, 0.12 / step)), white_of_card(picture.bgr, plane, 1))
    edge = _limb(stem)
    # bare wood lies a bark's thickness deeper: it cannot reach to where the bark's own side is seen
    on_stem = np.broadcast_to(np.abs(columns) < edge * (1 - BARK_SHARE[0] / 2), hidden.shape)
    bark_rows = (rows > high + 5) | (rows < low - 5)
    bark = bark_rows[:, None] & on_stem & ~hidden
    if bark.sum() < 50:
        return None
    own, common = np.full(len(columns), np.nan), np.median(light[bark, 1])  # the stem's shading, from its bark
    for column in np.flatnonzero(bark.sum(axis=0) > 5):
        own[column] = median(light[bark[:, column], column, 1])
    light -= np.clip(np.nan_to_num(own - common), -1.2, 1.2).astype(np.float32)[:, None]
    features = np.dstack(
        [
            (light[..., 2] - light[..., 1]) * 160 + 100,
            (light[..., 1] - light[..., 0]) * 110 + 60,
            light[..., 1] * 45 + 210,
        ]
    )
    features = np.clip(features, 0, 255).astype(np.uint8)
    features[hidden] = np.median(features[bark], axis=0).astype(np.uint8)
    spot = np.hypot(grid[..., 0] - centre_px[0], grid[..., 1] - centre_px[1]) / native
    seed = (spot < max(2.0, 0.15 * stem.radius)) & on_stem & ~hidden
    if seed.sum() < 10:
        return None
    wood_colour = np.median(features[seed].astype(float), axis=0)
    bark_colour = np.median(features[bark].astype(float), axis=0)
    toward = wood_colour - bark_colour
    share = ((features - bark_colour) @ toward) / max(float(toward @ toward), 1.0)
    mask = np.full(hidden.shape, cv2.GC_PR_BGD, np.uint8)
    inner_rows = ~bark_rows[:, None] & on_stem & ~hidden
    mask[inner_rows & (share > 0.5)] = cv2.GC_PR_FGD
    mask[~inner_rows] = cv2.GC_BGD
    if (mask == cv2.GC_PR_FGD).sum() < 30:
        return None
    near = slice(*np.flatnonzero((rows < high + GRAPH_BEYOND) & (rows > low - GRAPH_BEYOND))[[0, -1]] + (0, 1))
    like_wood = np.zeros(hidden.shape, bool)
    like_wood[near] = _cut_out(features[near], mask[near])
    bare = _largest(like_wood)
    if bare is None or bare.sum() * step**2 < LEAST_AREA:
        return None
    apart = like_wood & ~cv2.dilate(bare.astype(np.uint8), np.ones((3, 3))).astype(bool)
    level = _to_middle_of_rim(bare, features.astype(np.float32), bark, np.abs(columns) < 0.85 * edge, hidden, step)
    return _patch_of(stem, level, hidden, apart, rows, columns)


def _cut_out(features: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """What a graph cut (Rother and others 2004) takes for the foreground of grabCut's mask (h, w): bool.

    It is made through cells twice as wide, and its border laid between their middles: where it lies closely is told by
    the bark's cut edge.
    """
    size = (mask.shape[1] // 2, mask.shape[0] // 2)
    few = cv2.resize(features[: 2 * size[1], : 2 * size[0]], size, interpolation=cv2.INTER_AREA)
    known = np.ascontiguousarray(mask[: 2 * size[1] : 2, : 2 * size[0] : 2])
    if not (known == cv2.GC_PR_FGD).any():
        return np.zeros(mask.shape, bool)
    cv2.setRNGSeed(1)
    cv2.grabCut(few, known, NONE, np.zeros((1, 65)), np.zeros((1, 65)), 1, cv2.GC_INIT_WITH_MASK)
    front = ((known == cv2.GC_FGD) | (known == cv2.GC_PR_FGD)).astype(np.float32)
    return (cv2.resize(front, mask.shape[::-1], interpolation=cv2.INTER_LINEAR) > 0.5) & (mask != cv2.GC_BGD)


def _on_plane(plane: Plane, px: np.ndarray) -> np.ndarray:
    return plane.to_mm(px.reshape(-1, 2)).reshape(px.shape)


def _within(at: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Whether points (..., 2) lie in a box, its sides left out."""
    x, y = at[..., 0], at[..., 1]
    return (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])


def _largest(mask: np.ndarray) -> np.ndarray | None:
    """The largest connected part of a mask, its holes filled, as bool; None where the mask is empty."""
    count, parts, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if count < 2:
        return None
    whole = (parts == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())).astype(np.uint8)
    outlines, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(whole), outlines, -1, 1, cv2.FILLED) > 0


def _to_middle_of_rim(
    bare: np.ndarray, features: np.ndarray, bark: np.ndarray, face: np.ndarray, hidden: np.ndarray, step: float
) -> np.ndarray:
    """Signed depth [mm] of every strip pixel in the patch, its border in the middle of the bark's cut edge.

    The edge of cut bark slopes and has a colour of its own, neither bark's nor wood's. A border between wood and
    the rest may run on either side of it: both sides are found, and the border is laid halfway.
    """
    reach = round(RIM / step)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    near_out = cv2.dilate(bare.astype(np.uint8), disc) > 0
    core = cv2.erode(bare.astype(np.uint8), disc) > 0
    if core.sum() < 30:
        core = bare
    unlike_bark, unlike_wood = _unlike(features, bark), _unlike(features, core & ~hidden)
    on_face = face[None, :] & ~hidden
    outer = _largest(bare | _opened(near_out & on_face & unlike_bark))
    rim = _opened(bare & ~core & on_face & unlike_wood)
    inner = _largest(bare & ~_joined_to(rim, ~bare))
    depths = [_depth(mask if mask is not None else bare, step) for mask in (outer, inner)]
    return (depths[0] + depths[1]) / 2


def _unlike(features: np.ndarray, sample: np.ndarray, sigmas: float = 3.0) -> np.ndarray:
    """Whose colours lie far (Mahalanobis) from those of a sample, its outlying tenth left out."""
    own = features[sample]
    own = own[:: max(1, len(own) // ENOUGH_CELLS)]
    for _ in range(2):
        middle = own.mean(axis=0)
        inverse = np.linalg.inv(np.cov(own.T) + 9 * np.eye(3))
        away = own - middle
        far = ((away @ inverse) * away).sum(axis=1)
        own = own[far <= np.quantile(far, 0.9)]
    root = np.linalg.cholesky(inverse).T
    evened = cv2.transform(features, np.hstack([root, -root @ middle.reshape(3, 1)]))
    return np.asarray(np.einsum("ijk,ijk->ij", evened, evened) > sigmas**2)


def _opened(mask: np.ndarray) -> np.ndarray:
    return cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3))) > 0


def _joined_to(mask: np.ndarray, border: np.ndarray) -> np.ndarray:
    """Those parts of a mask that touch the border mask."""
    _, parts = cv2.connectedComponents(mask.astype(np.uint8))
    touch = np.unique(parts[mask & (cv2.dilate(border.astype(np.uint8), np.ones((3, 3))) > 0)])
    return np.isin(parts, touch[touch > 0])


def _depth(mask: np.ndarray, step: float) -> np.ndarray:
    """Distance [mm] to the mask's border, positive inside."""
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    out = cv2.distanceTransform(1 - mask.astype(np.uint8), cv2.DIST_L2, 5)
    return np.where(mask, inside - 0.5, 0.5 - out) * step


def _patch_of(
    stem: Stem, level: np.ndarray, hidden: np.ndarray, apart: np.ndarray, rows: np.ndarray, columns: np.ndarray
) -> Patch | None:
    """The patch where a smooth level [mm] is above zero."""
    from skimage.measure import find_contours

    lines = find_contours(np.pad(cv2.GaussianBlur(level, (0, 0), 0.8), 1, constant_values=-1.0), 0.0)
    if not lines:
        return None
    line = max(lines, key=len) - 1
    outline = stem.on_middle(
        np.interp(line[:, 0], np.arange(len(rows)), rows), np.interp(line[:, 1], np.arange(len(columns)), columns)
    )
    up, turn = stem.place(outline)
    bare = _largest(level > 0)
    return None if bare is None else Patch(stem, outline, up, turn, bare, hidden, apart, rows, columns)


def measure_patch(picture: Picture, plane: Plane, taps: Sequence[tuple[float, float]] = ()) -> Measurement:
    """Size of the bare patch, the stem's diameter, the bark lost, and the spacing and direction of tooth grooves.

    taps : the first one, if any, is on the patch (upright pixels). Heights of the patch's edges are along the
    stem from the point beside the card's middle, positive up the picture.

    patch_height_mm : between the lowest and the highest level at which the bare part is at least FRAY of its
    greatest width. patch_width_mm : greatest extent across the view. Where the card hides part of the patch,
    intervals stand for values. bark_loss : from what is seen bare at the widest height, to that plus all that is
    hidden. Groove spacing counts turn round the stem at the bark's surface, the grooves lying a bark's thickness
    deeper.
    """
    if plane.camera is None or plane.layout is None:
        return _nothing("a gnawed patch is measured beside the scale card: hold the card flat beside it")
    patch = find_patch(picture, plane, taps)
    if patch is None:
        where = "at the tap" if taps else "on a stem beside the card"
        return _nothing(
            f"no bare patch with bark above and below it was found {where}: hold the card beside the stem, along "
            "it, with bark in view at both ends of the patch, and tap on the patch (a trunk over 9 cm needs the tap)"
        )
    stem = patch.stem
    measured: dict[str, Sign] = {"stem_diameter_mm": Measured(2 * stem.radius, 2 * stem.radius * stem.radius_sigma)}
    not_measured: dict[str, str] = {}
    measured |= _sizes(patch)
    loss = measured["bark_loss"]
    assert isinstance(loss, Bounded)
    grooves = _grooves_on(picture, plane, patch)
    if grooves is None:
        not_measured["groove_spacing_mm"] = not_measured["groove_direction_deg"] = (
            "no regular tooth grooves seen on the bare wood: go closer, and let light graze the wood from the side"
        )
    else:
        measured["groove_spacing_mm"] = Measured(grooves.spacing_mm, grooves.spacing_sigma)
        measured["groove_direction_deg"] = Measured(grooves.direction_deg, grooves.direction_sigma)
    return Measurement(measured, not_measured, _shapes(patch, grooves), _remarks(patch), seen_round(patch, loss))


def _nothing(why: str) -> Measurement:
    names = ("patch_height_mm", "patch_width_mm", "stem_diameter_mm", "bark_loss", "groove_spacing_mm")
    return Measurement(not_measured=dict.fromkeys(names, why))


def unrolled(patch: Patch, step: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The bare surface laid flat: heights (h,) [mm] downwards, turns (w,) [radian], and (h, w) bool bare."""
    radius = patch.stem.radius
    up = np.arange(patch.up.max() + step, patch.up.min() - step, -step)
    turn = np.arange(patch.turn.min() - step / radius, patch.turn.max() + step / radius, step / radius)
    x = (patch.turn - turn[0]) * radius / step
    y = (up[0] - patch.up) / step
    bare = np.zeros((len(up), len(turn)), np.uint8)
    corners = np.round(np.column_stack([x, y]) * 16).astype(np.int32)
    cv2.fillPoly(bare, [corners], 1, shift=4)
    return up, turn, bare > 0


def _sizes(patch: Patch) -> dict[str, Sign]:
    stem = patch.stem
    step = min(0.2, stem.radius / 40)
    up, turn, bare = unrolled(patch, step)
    widths = bare.sum(axis=1)
    wide = np.flatnonzero(widths >= FRAY * widths.max())
    top, bottom = float(up[wide[0]] + step / 2), float(up[wide[-1]] - step / 2)
    height = top - bottom
    width = _seen_width(patch)
    pixel = stem.distance / stem.camera.K[0, 0]
    border = OUTLINE_SIGMA_PX * pixel + RIM_SIGMA
    height_sigma = float(np.hypot(FRAYED * height, np.hypot(height * stem.scale_sigma, border)))
    width_sigma = float(np.hypot(0.01 * width, np.hypot(width * stem.scale_sigma, border + SIDE_BORDER)))
    hidden = _hidden_beside(patch)
    measured: dict[str, Sign] = {
        "patch_width_mm": _value_or_interval(width, hidden, width_sigma),
        "patch_height_mm": _value_or_interval(height, hidden * _growth(patch, bare, step), height_sigma),
        "patch_lower_edge_mm": Measured(bottom, float(np.hypot(height_sigma / 1.4, 1.0))),
        "patch_upper_edge_mm": Measured(top, float(np.hypot(height_sigma / 1.4, 1.0))),
        "bark_loss": _bark_loss(patch, turn, bare[int(np.argmax(widths))]),
    }
    return measured


def _seen_width(patch: Patch) -> float:
    """Greatest extent of the outline across the view [mm], spikes of less than some millimetres left out."""
    right = patch.stem.radius * np.sin(patch.turn)
    gone = np.cumsum(np.hypot(np.diff(patch.up, prepend=patch.up[-1]), np.diff(right, prepend=right[-1])))
    even = np.arange(0, gone[-1], 0.1)
    along = np.interp(even, gone, right)
    return float(np.ptp(median_filter(along, int(FRAY_MM / 0.1) | 1, mode="wrap")))


def _value_or_interval(value: float, unseen: float, sigma: float) -> Sign:
    """A length of which up to `unseen` more may be hidden: a value while that says little, else an interval."""
    spread = unseen / np.sqrt(12)
    if spread < 0.07 * value:
        return Measured(value + unseen / 2, float(np.hypot(sigma, spread)))
    return Bounded(value - 2 * sigma, value + unseen + 2 * sigma)


def _limb(stem: Stem) -> float:
    """Distance [mm] of the stem's sides from its middle, in the plane through its axis."""
    return float(stem.distance * np.tan(np.arcsin(stem.radius / stem.distance)))


def _hidden_beside(patch: Patch) -> float:
    """How much of the stem's width [mm] is hidden where the patch's outline runs into it; 0 where it nowhere does."""
    step = float(patch.columns_right[1] - patch.columns_right[0])
    reach = int(np.ceil(1.2 / step))
    near = cv2.dilate(patch.bare.astype(np.uint8), np.ones((1, 2 * reach + 1))) > 0
    on_stem = np.abs(patch.columns_right) < _limb(patch.stem)
    covered = patch.hidden & on_stem
    rows = patch.bare.any(axis=1)
    meets = (near & covered).any(axis=1)
    if meets.sum() < 0.15 * rows.sum():
        return 0.0
    return float(np.median(covered[meets].sum(axis=1))) * step


def _growth(patch: Patch, bare: np.ndarray, step: float) -> float:
    """By how much the patch gets taller a millimetre towards its hidden side: an end that rounds off grows less."""
    heights = bare.sum(axis=0) * step
    seen = np.flatnonzero(heights)
    left_hidden = patch.hidden[:, patch.columns_right < 0].sum() > patch.hidden[:, patch.columns_right > 0].sum()
    order = seen if left_hidden else seen[::-1]
    one, three = int(0.7 / step), int(3.0 / step)
    if len(order) < 2 * three:
        return 2.0
    near = float(heights[order[one : 2 * one + 1]].mean())
    far = float(heights[order[three : three + one + 1]].mean())
    return max(0.0, (near - far) / ((three - one) * step))


def _bark_loss(patch: Patch, turn: np.ndarray, bare: np.ndarray) -> Bounded:
    """From what is seen bare at the widest height to that plus all that is not seen well, as shares.

    turn : (w,) even [radian]; bare : (w,) bool, of the widest height.
    """
    rows = patch.bare.any(axis=1)
    step = float(turn[1] - turn[0])
    well = np.radians(WELL_SEEN_DEG)
    right = np.arcsin(np.clip(patch.columns_right / patch.stem.radius, -1, 1))
    by_card = float((patch.hidden[rows].mean(axis=0) * (np.abs(right) < well) * np.gradient(right)).sum())
    apart = sum(np.radians(high - low) for low, high in _apart_arcs(patch))
    within = float(bare[np.abs(turn) < well].sum()) * step
    # wood that reaches the stem's side is seen against the background a bark's thickness inside that side
    doubt = 0.06 if np.abs(turn[bare]).max() > well else 0.03
    low = float(bare.sum()) * step * (1 - 2 * doubt) / (2 * np.pi)
    high = ((within + apart) * (1 + 2 * doubt) + by_card + 2 * (np.pi - well)) / (2 * np.pi)
    return Bounded(float(np.clip(low, 0, 1)), float(np.clip(high, 0, 1)))


def _apart_arcs(patch: Patch) -> Arcs:
    """Round the stem [degree]: what looks bare over a good part of the patch's height, but apart from it."""
    rows = patch.bare.any(axis=1)
    tall = max(int(patch.bare[rows].sum(axis=0).max()), 1)
    there = patch.apart[rows].sum(axis=0) > TALL_APART * tall
    turn = np.degrees(np.arcsin(np.clip(patch.columns_right / patch.stem.radius, -1, 1)))
    return arcs_of(turn, there & (np.abs(turn) < WELL_SEEN_DEG))


def _unevenness(laid_flat: np.ndarray, turn: np.ndarray) -> float:
    """By how much the patch's two side borders wander over the middle half of its height [radian]."""
    rows = np.flatnonzero(laid_flat.any(axis=1))
    middle = laid_flat[rows[len(rows) // 4] : rows[(3 * len(rows)) // 4] + 1]
    middle = middle[middle.any(axis=1)]
    ends = turn[middle.argmax(axis=1)], turn[middle.shape[1] - 1 - middle[:, ::-1].argmax(axis=1)]
    return float(np.mean([end.std() for end in ends]))


def seen_round(patch: Patch, alone: Bounded) -> SeenRound:
    """What this view tells of the circumference at the patch's widest height, for joining it with other views.

    alone : the bounds of the bark loss from this view.
    """
    stem = patch.stem
    _, turn, laid_flat = unrolled(patch, min(0.2, stem.radius / 40))
    row = laid_flat[int(np.argmax(laid_flat.sum(axis=1)))]
    hidden = patch.hidden[int(np.argmax(patch.bare.sum(axis=1)))]
    around = np.arange(-WELL_SEEN_DEG, WELL_SEEN_DEG + 0.25, 0.5)
    covered = np.interp(stem.radius * np.sin(np.radians(around)), patch.columns_right, hidden.astype(float)) > 0.5
    also = _apart_arcs(patch)
    for low, high in also:
        covered |= (around > low - 2) & (around < high + 2)
    pixel = stem.distance / stem.camera.K[0, 0]
    border = np.hypot((OUTLINE_SIGMA_PX * pixel + RIM_SIGMA + SIDE_BORDER) / stem.radius, _unevenness(laid_flat, turn))
    bare = arcs_of(np.degrees(turn), row)
    return SeenRound(bare, also, arcs_of(around, ~covered), float(np.degrees(border)), alone)


def _grooves_on(picture: Picture, plane: Plane, patch: Patch) -> Grooves | None:
    """Tooth grooves on the wood, which lies a bark's thickness below the outline; None where none are sure."""
    stem = patch.stem
    pixel = stem.distance / stem.camera.K[0, 0]
    area = np.ptp(patch.up) * np.ptp(patch.turn) * stem.radius
    step = float(np.clip(max(pixel, np.sqrt(area / MOST_UNROLLED)), 0.08, 0.2))
    up, turn, bare = unrolled(patch, step)
    grid = laid_between(partial(stem.on_surface, radius=stem.radius * (1 - BARK_SHARE[0])), up, turn)
    light = log_light(sampled(picture.bgr, grid, 1), white_of_card(picture.bgr, plane, 1)[1])
    inset = round(0.9 / step)
    inside = cv2.erode(np.pad(bare, 1).astype(np.uint8), np.ones((2 * inset + 1, 2 * inset + 1)))[1:-1, 1:-1] > 0
    inside &= np.abs(turn) < STEEPEST
    grooves = find_grooves(light, inside, step)
    if grooves is None or grooves.contrast < ENOUGH_CONTRAST:
        return None
    along_grain = abs(grooves.direction_deg) < AS_GRAIN[0]
    if grooves.regularity < (AS_GRAIN[1] if along_grain else ENOUGH_REGULARITY):
        return None
    round_share = np.cos(np.radians(grooves.direction_deg)) ** 2  # how far the spacing is counted round the stem
    sigma = np.sqrt(
        grooves.spacing_sigma**2
        + (grooves.spacing_mm * stem.scale_sigma) ** 2
        + (grooves.spacing_mm * BARK_SHARE[1] * round_share) ** 2
    )
    return replace(grooves, spacing_sigma=float(sigma))


def _shapes(patch: Patch, grooves: Grooves | None) -> dict[str, np.ndarray]:
    stem = patch.stem
    up = np.linspace(patch.rows_up[0], patch.rows_up[-1], 30)
    side = np.arccos(stem.radius / stem.distance)
    shapes = {
        "patch": patch.outline_px,
        "axis": stem.on_middle(up[[0, -1]], np.zeros(2)),
        "stem_left": stem.on_surface(up, np.full(30, -side)),
        "stem_right": stem.on_surface(up, np.full(30, side)),
    }
    if grooves is not None:
        middle = (patch.up.max() + patch.up.min()) / 2, (patch.turn.max() + patch.turn.min()) / 2
        reach = np.linspace(-0.5, 0.5, 20) * min(np.ptp(patch.up), stem.radius * np.ptp(patch.turn)) * 0.8
        angle = np.radians(grooves.direction_deg)
        shapes["groove_direction"] = stem.on_surface(
            middle[0] + reach * np.cos(angle), middle[1] - reach * np.sin(angle) / stem.radius
        )
    return shapes


def _remarks(patch: Patch) -> tuple[str, ...]:
    lines = []
    if _hidden_beside(patch) > 0:
        lines.append("the card hides part of the patch: hold it beside the stem, not over it")
    pixel = patch.stem.distance / patch.stem.camera.K[0, 0]
    if pixel > 0.3:
        lines.append("the stem is small in the picture: go closer, to read grooves")
    return tuple(lines)
