"""Where on a stem does bark end and bare wood begin?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from diagnose.measure.bark_map import BarkMap
from diagnose.measure.bark_strip import Candidate, levels
from diagnose.measure.card_view import View, log_light, white_of_card
from diagnose.measure.sampling import laid_between, sampled
from diagnose.measure.smooth import largest, median
from diagnose.measure.stem import Stem
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

NONE: Any = None  # where OpenCV takes nothing but its stubs do not say so
LEAST_AREA = 15.0  # of a patch [mm2]
ENOUGH_CELLS = 1500  # to tell colours by
BARK_FROM = 5.0  # beyond where wood was seen, bark is believed to begin [mm]
AT_LIMIT = 1.0  # an outline that comes so near to there is looked for further on [mm]
FURTHER, LOOKS_FURTHER = 18.0, 4  # by how much each time [mm], and how often
GRAPH_BEYOND = 10.0  # how much bark above and below a patch is enough to know bark by [mm]
MOST_CELLS = 35_000  # of the strip that a patch is outlined on: a large patch needs no finer ones
BARK_SHARE = (0.075, 0.02)  # bark's thickness to the stem's radius, young stems, with sigma; own readings
MAP_BLUR = 1.5  # how far beyond a patch the map may show wood [mm]
SURELY_WOOD, PROBABLY_WOOD = 0.88, 0.6  # probability of wood on the map
ENOUGH_SEED = 10.0  # area that is so [mm2]
CARD_EDGE = 0.7  # beyond the card, where its own edge would be taken for bark [mm]
WORTH_INSISTING = (100.0, 15.0)  # such area [mm2], and how far its colour lies from the bark's, of 255; spent test pictures
RIM = 2.2  # widest cut edge of bark [mm]


@dataclass(frozen=True)
class Look:
    """How colours are compared.

    Parameters
    ----------
    lightness
        Its weight [a step of 1 in ln].
    rounds, cells
        Of the graph cut, and the most cells of the strip [no unit].
    insists
        Where the cut finds no patch, is it made again with what the eye's map plainly shows as wood? [no unit]
    """

    lightness: float
    rounds: int
    cells: int
    insists: bool = False


FIRST_LOOK = Look(45.0, 1, MOST_CELLS, insists=True)
STRICT_LOOK = Look(45.0, 3, 10_000)  # more rounds: it takes a patch for bark sooner than the first does
OTHER_LOOKS = (Look(22.0, 1, 10_000), Look(80.0, 1, 10_000))


@dataclass(frozen=True, eq=False)
class Patch:
    """The bare patch of a stem.

    Parameters
    ----------
    stem
        That it is on [mm].
    outline_px
        (n, 2) closed outline [upright px].
    up, turn
        (n,) its height along the stem above the stem's foot point beside the card's middle, and round the stem, 0 to the
        camera [mm, radian].
    bare, hidden
        (h, w) bool on the strip: the patch, and where the card or the picture's edge hides it [no unit].
    apart
        (h, w) bool, what looks like bare wood too but does not hang together with the patch: the other end of a patch that
        runs round the stem's back [no unit].
    rows_up, columns_right
        (h,) downwards and (w,) in the plane through the axis [mm].
    map_height
        Of the plainly bare run on the eye's coarse map; 0 where it shows none [mm].
    cut
        Does the outline run to the lowest and to the highest level at which it was looked for? [no unit]
    heights, apart_by
        What other looks make of its height, and how far its two ends lie apart in all looks, together [mm].
    strictly
        Did the strict look see it? [no unit]
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
    map_height: float = 0.0
    cut: tuple[bool, bool] = (False, False)
    heights: tuple[float, ...] = ()
    apart_by: float = 0.0
    strictly: bool = True


def outline_patch(
    picture: Picture,
    plane: Plane,
    stem: Stem,
    view: View,
    candidate: Candidate,
    seen: BarkMap | None = None,
    look: Look = FIRST_LOOK,
) -> Patch | None:
    """The patch's outline on a stem, by a graph cut between the colours of its bark and of the patch.

    Where it runs to the level at which bark was believed to begin, it is looked for further on.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    stem, candidate
        The stem, and the strip on which it was found [no unit].
    view, seen
        The card's surroundings laid flat, and what the eye's map shows there; None to go by colours alone [no unit].
    look
        How colours are compared [no unit].
    """
    further = [0.0, 0.0]
    patch = _outlined(picture, plane, stem, view, candidate, seen, look, further)
    for _ in range(LOOKS_FURTHER):
        if patch is None or not any(patch.cut):
            break
        further = [more + FURTHER * cut for more, cut in zip(further, patch.cut, strict=True)]
        again = _outlined(picture, plane, stem, view, candidate, seen, look, further)
        if again is None:
            break
        patch = again
    return patch


def looked_again(
    patch: Patch, picture: Picture, plane: Plane, view: View, candidate: Candidate, seen: BarkMap | None
) -> Patch:
    """The patch with what other looks at the same stem make of it, coarser ones, each with its own weight of lightness.

    Parameters
    ----------
    patch
        As first outlined [no unit].
    picture, plane, view
        That it was outlined in, the card's plane there, and the card's surroundings laid flat [no unit].
    candidate, seen
        The strip it was looked for on, and what the eye's map shows there; None to go by colours alone [no unit].
    """
    looks = [
        outline_patch(picture, plane, patch.stem, view, candidate, seen, look) for look in (STRICT_LOOK, *OTHER_LOOKS)
    ]
    ends = np.array([(one.up.min(), one.up.max()) for one in (patch, *looks) if one is not None])
    heights = tuple(float(height) for height in np.diff(ends[1:], axis=1).ravel())
    return replace(patch, heights=heights, apart_by=float(np.ptp(ends, axis=0).sum()), strictly=looks[0] is not None)


def _outlined(
    picture: Picture,
    plane: Plane,
    stem: Stem,
    view: View,
    candidate: Candidate,
    seen: BarkMap | None,
    look: Look,
    further: list[float],
) -> Patch | None:
    """The outline between the candidate's levels and so much further down and up [mm]."""
    rows_seen = candidate.rows if seen is None else candidate.wide
    low, high = levels(stem, plane, view, candidate, rows_seen) + (-further[0], further[1])
    centre_px = plane.to_px(view.to_mm(candidate.centre[None]))[0]
    native = stem.camera.K[0, 0] / stem.distance
    beyond = max(12.0, 0.25 * (high - low))
    area = (high - low + 2 * beyond) * 2.4 * stem.radius
    step = max(1 / min(native, max(3.5, 70 / (2 * stem.radius))), float(np.sqrt(area / look.cells)))
    rows = np.arange(high + beyond, low - beyond, -step)
    columns = np.arange(-1.2 * stem.radius - 3 * step, 1.2 * stem.radius + 3 * step, step)
    grid = laid_between(stem.on_middle, rows, columns)
    card = laid_between(lambda up, right: _on_plane(plane, stem.on_middle(up, right)), rows, columns)
    hidden = ~_within(grid, np.ones(2), np.array(picture.size) - 2) | plane.is_on_sheet(card, CARD_EDGE)
    bgr = sampled(picture.bgr, grid).astype(np.float32)
    light = log_light(cv2.GaussianBlur(bgr, (0, 0), max(0.5, 0.12 / step)), white_of_card(picture.bgr, plane, 1))
    edge = limb(stem)
    # bare wood lies a bark's thickness deeper: it cannot reach to where the bark's own side is seen
    on_stem = np.broadcast_to(np.abs(columns) < edge * (1 - BARK_SHARE[0] / 2), hidden.shape)
    bark_rows = (rows > high + BARK_FROM) | (rows < low - BARK_FROM)
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
            light[..., 1] * look.lightness + 4.7 * look.lightness,
        ]
    )
    features = np.clip(features, 0, 255).astype(np.uint8)
    features[hidden] = np.median(features[bark], axis=0).astype(np.uint8)
    spot = np.hypot(grid[..., 0] - centre_px[0], grid[..., 1] - centre_px[1]) / native
    on_map = np.zeros(hidden.shape) if seen is None else seen.wood_at(card)
    wood = on_map > SURELY_WOOD
    inset = 2 * round(MAP_BLUR / step) + 1
    wood = cv2.erode(wood.astype(np.uint8), np.ones((inset, inset))) > 0
    seed = wood & on_stem & ~hidden & ~bark_rows[:, None]
    if seed.sum() < ENOUGH_SEED / step**2:
        seed = (spot < max(2.0, 0.15 * stem.radius)) & on_stem & ~hidden
    if seed.sum() < 10:
        return None
    wood_colour = np.median(features[seed].astype(float), axis=0)
    bark_colour = np.median(features[bark].astype(float), axis=0)
    toward = wood_colour - bark_colour
    share = ((features - bark_colour) @ toward) / max(float(toward @ toward), 1.0)
    mask = np.full(hidden.shape, cv2.GC_PR_BGD, np.uint8)
    inner_rows = ~bark_rows[:, None] & on_stem & ~hidden
    mask[inner_rows & ((share > 0.5) | wood)] = cv2.GC_PR_FGD
    mask[~inner_rows] = cv2.GC_BGD
    if (mask == cv2.GC_PR_FGD).sum() < 30:
        return None
    near = slice(*np.flatnonzero((rows < high + GRAPH_BEYOND) & (rows > low - GRAPH_BEYOND))[[0, -1]] + (0, 1))
    like_wood = np.zeros(hidden.shape, bool)
    like_wood[near] = _cut_out(features[near], mask[near], look.rounds)
    bare = _whole(like_wood)
    plainly = inner_rows & (on_map > PROBABLY_WOOD) & (share > 0.5)
    worth = plainly.sum() * step**2 > WORTH_INSISTING[0] and np.linalg.norm(toward) > WORTH_INSISTING[1]
    if look.insists and worth and (bare is None or bare.sum() * step**2 < LEAST_AREA):
        mask[plainly] = cv2.GC_FGD  # colours alone do not part it from the bark: the eye's map says where it is
        like_wood[near] = _cut_out(features[near], mask[near], look.rounds)
        bare = _whole(like_wood)
    if bare is None or bare.sum() * step**2 < LEAST_AREA:
        return None
    apart = like_wood & ~cv2.dilate(bare.astype(np.uint8), np.ones((3, 3))).astype(bool)
    level = _to_middle_of_rim(bare, features.astype(np.float32), bark, np.abs(columns) < 0.85 * edge, hidden, step)
    patch = _patch_of(stem, level, hidden, apart, rows, columns)
    if patch is None:
        return None
    return replace(patch, cut=(patch.up.min() < low - BARK_FROM + AT_LIMIT, patch.up.max() > high + BARK_FROM - AT_LIMIT))


def _cut_out(features: np.ndarray, mask: np.ndarray, rounds: int) -> np.ndarray:
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
    cv2.grabCut(few, known, NONE, np.zeros((1, 65)), np.zeros((1, 65)), rounds, cv2.GC_INIT_WITH_MASK)
    front = ((known == cv2.GC_FGD) | (known == cv2.GC_PR_FGD)).astype(np.float32)
    return (cv2.resize(front, mask.shape[::-1], interpolation=cv2.INTER_LINEAR) > 0.5) & (mask != cv2.GC_BGD)


def _on_plane(plane: Plane, px: np.ndarray) -> np.ndarray:
    return plane.to_mm(px.reshape(-1, 2)).reshape(px.shape)


def _within(at: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Whether points (..., 2) lie in a box, its sides left out."""
    x, y = at[..., 0], at[..., 1]
    return (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])


def _whole(mask: np.ndarray) -> np.ndarray | None:
    found = largest(mask)
    return None if found is None else found > 0


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
    outer = _whole(bare | _opened(near_out & on_face & unlike_bark))
    rim = _opened(bare & ~core & on_face & unlike_wood)
    inner = _whole(bare & ~_joined_to(rim, ~bare))
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
    bare = _whole(level > 0)
    return None if bare is None else Patch(stem, outline, up, turn, bare, hidden, apart, rows, columns)


def limb(stem: Stem) -> float:
    """Distance of the stem's sides from its middle, in the plane through its axis [mm].

    Parameters
    ----------
    stem
        As a cylinder, lengths [mm].
    """
    return float(stem.distance * np.tan(np.arcsin(stem.radius / stem.distance)))
