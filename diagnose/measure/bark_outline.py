"""Where on a stem does bark end and bare wood begin?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from diagnose.measure.bark_map import BarkMap
from diagnose.measure.bark_strip import Candidate, levels
from diagnose.measure.card_view import CARD_EDGE, MARGIN, View
from diagnose.measure.geometry import laid_between, largest, sampled
from diagnose.measure.stem import Stem

NONE: Any = None  # where OpenCV takes nothing but its stubs do not say so
LEAST_AREA = 15.0  # of a patch [mm2]
ENOUGH_CELLS = 1500  # to tell colours by
BARK_FROM = 5.0  # beyond where wood was seen, bark is believed to begin [mm]
AT_LIMIT = 1.0  # an outline that comes so near to there is looked for further on [mm]
FURTHER, LOOKS_FURTHER = 18.0, 4  # by how much each time [mm], and how often
GRAPH_BEYOND = 10.0  # how much bark above and below a patch is enough to know bark by [mm]
ROUNDS, STRICT_ROUNDS = 1, 3  # of the graph cut: with more, on wider cells, it takes a patch for bark sooner
STRICT_CELLS = 10_000  # about so many are left for that
MOST_CELLS = 35_000  # of the strip that a patch is outlined on: a large patch needs no finer ones
BARK_SHARE = (0.075, 0.02)  # bark's thickness to the stem's radius, young stems, with sigma; own readings
MAP_BLUR = 1.5  # how far beyond a patch the map may show wood [mm]
SURELY_WOOD, PROBABLY_WOOD = 0.88, 0.6  # probability of wood on the map
ENOUGH_SEED = 10.0  # area that is so [mm2]
WORTH_INSISTING = (100.0, 15.0)  # such area [mm2], and how far its colour lies from the bark's, of 255; spent test pictures
LIGHTNESS = 45.0  # its weight among colours [a step of 1 in ln]
RIM = 2.2  # widest cut edge of bark [mm]


@dataclass(frozen=True, eq=False)
class Patch:
    """The bare patch of a stem.

    Parameters
    ----------
    stem, view
        That it is on [mm], and the surroundings of the card beside it [no unit].
    outline_px, up, turn
        Its closed outline, (n, 2) [upright px], (n,) along the stem from its foot [mm], and round it, 0 to the camera
        [radian].
    bare, hidden, apart
        (h, w) bool on the strip: the patch; where the card or the picture's edge hides it; what looks bare too but does not
        hang together with the patch, as where that runs round the stem's back [no unit].
    rows_up, columns_right
        (h,) downwards and (w,) in the plane through the axis [mm].
    map_height
        Of the plainly bare run on the eye's map, 0 for none [mm].
    cut
        Does the outline run to the lowest and to the highest level at which it was looked for? [no unit]
    strict
        The lowest and the highest level of the patch by a strict graph cut; None where that does not see it [mm].
    """

    stem: Stem
    view: View
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
    strict: tuple[float, float] | None = None

    @property
    def apart_by(self) -> float:
        """How far the patch's two ends lie apart by both cuts, together [mm]."""
        low, high = self.strict or (self.up.min(), self.up.max())
        return float(abs(self.up.min() - low) + abs(self.up.max() - high))


def outline_patch(stem: Stem, view: View, candidate: Candidate, seen: BarkMap | None) -> Patch | None:
    """The patch's outline on a stem, by a graph cut between the colours of its bark and of the patch.

    Where it runs to the level at which bark was believed to begin, it is looked for further on.

    Parameters
    ----------
    stem, view, candidate, seen
        The stem, the card's surroundings, the strip on which it was found, and what the map shows there; None to go by
        colours alone [no unit].
    """
    patch, further = None, np.zeros(2)
    for _ in range(1 + LOOKS_FURTHER):
        low, high = levels(stem, view, candidate, candidate.rows if seen is None else candidate.wide) + further * (-1, 1)
        again = _outlined(_laid(stem, view, candidate, seen, low, high))
        if again is None:
            break
        limit = BARK_FROM - AT_LIMIT
        patch = replace(again, cut=(again.up.min() < low - limit, again.up.max() > high + limit))
        if not any(patch.cut):
            break
        further = further + FURTHER * np.array(patch.cut)
    return patch


@dataclass(frozen=True, eq=False)
class _Laid:
    """A stem laid flat, in the plane through its axis.

    rows (h,) downwards, columns (w,), step : [mm]. hidden, on_stem, bark : (h, w) bool: covered; on the stem; surely bark.
    near : the rows that colours are told by. features : (h, w, 3) uint8 colours, evened across the stem. wood : (h, w) its
    probability on the eye's map. spot : (h, w) distance from the patch's middle on the map [mm].
    """

    stem: Stem
    view: View
    rows: np.ndarray
    columns: np.ndarray
    step: float
    hidden: np.ndarray
    on_stem: np.ndarray
    bark: np.ndarray
    near: slice
    features: np.ndarray
    wood: np.ndarray
    spot: np.ndarray


def _laid(stem: Stem, view: View, candidate: Candidate, seen: BarkMap | None, low: float, high: float) -> _Laid:
    """The stem from below to above the levels [mm] between which its patch is believed to lie."""
    picture, plane = view.picture, view.plane
    native = stem.camera.K[0, 0] / stem.distance
    beyond = max(12.0, 0.25 * (high - low))
    area = (high - low + 2 * beyond) * 2.4 * stem.radius
    step = max(1 / min(native, max(3.5, 70 / (2 * stem.radius))), float(np.sqrt(area / MOST_CELLS)))
    rows = np.arange(high + beyond, low - beyond, -step)
    columns = np.arange(-1.2 * stem.radius - 3 * step, 1.2 * stem.radius + 3 * step, step)
    grid = laid_between(stem.on_middle, rows, columns)
    card = laid_between(lambda up, right: _on_plane(view, stem.on_middle(up, right)), rows, columns)
    inside = ((grid > 1) & (grid < np.array(picture.size) - 2)).all(axis=2)
    hidden = ~inside | plane.is_on_sheet(card, CARD_EDGE)
    light = view.log_light(cv2.GaussianBlur(sampled(picture.bgr, grid), (0, 0), max(0.5, 0.12 / step)))
    # bare wood lies a bark's thickness deeper: it cannot reach to where the bark's own side is seen
    on_stem = (np.abs(columns) < stem.limb * (1 - BARK_SHARE[0] / 2)) & ~hidden
    bark = ((rows > high + BARK_FROM) | (rows < low - BARK_FROM))[:, None] & on_stem
    if bark.any():  # the stem's shading: the median of the bark's tone at each place across
        many, ordered = bark.sum(axis=0), np.sort(np.where(bark, light[..., 1], np.inf), axis=0)
        own = np.take_along_axis(ordered, np.array([(many - 1) // 2, many // 2]), axis=0).mean(axis=0)
        shading = np.where(many > 5, own - np.median(light[bark, 1]), 0.0)
        light -= np.clip(shading, -1.2, 1.2).astype(np.float32)[:, None]
    red, blue = light[..., 2] - light[..., 1], light[..., 1] - light[..., 0]
    features = np.dstack([red * 160 + 100, blue * 110 + 60, (light[..., 1] + 4.7) * LIGHTNESS])
    features = np.clip(features, 0, 255).astype(np.uint8)
    if bark.any():
        features[hidden] = np.median(features[bark], axis=0).astype(np.uint8)
    (centre,) = view.to_px(candidate.centre[None])
    first, last = np.flatnonzero((rows < high + GRAPH_BEYOND) & (rows > low - GRAPH_BEYOND))[[0, -1]]
    wood = np.zeros(hidden.shape) if seen is None else seen.at((card + MARGIN) * view.scale)[1]
    spot = np.linalg.norm(grid - centre, axis=2) / native
    return _Laid(stem, view, rows, columns, step, hidden, on_stem, bark, slice(first, last + 1), features, wood, spot)


def _on_plane(view: View, px: np.ndarray) -> np.ndarray:
    return view.plane.to_mm(px.reshape(-1, 2)).reshape(px.shape)


def _outlined(laid: _Laid) -> Patch | None:
    """The outline between bark and what looks like wood on a stem laid flat."""
    from skimage.measure import find_contours

    features, stem, step = laid.features, laid.stem, laid.step
    between = laid.on_stem & ~laid.bark
    if laid.bark.sum() < 50:
        return None
    inset = 2 * round(MAP_BLUR / step) + 1
    wood = cv2.erode((laid.wood > SURELY_WOOD).astype(np.uint8), np.ones((inset, inset))) > 0
    seed = wood & between
    if seed.sum() < ENOUGH_SEED / step**2:
        seed = (laid.spot < max(2.0, 0.15 * stem.radius)) & laid.on_stem
    if seed.sum() < 10:
        return None
    wood_colour, bark_colour = (np.median(features[where].astype(float), axis=0) for where in (seed, laid.bark))
    toward = wood_colour - bark_colour
    share = ((features - bark_colour) @ toward) / max(float(toward @ toward), 1.0)
    mask = np.full(between.shape, cv2.GC_PR_BGD, np.uint8)
    mask[between & ((share > 0.5) | wood)] = cv2.GC_PR_FGD
    mask[~between] = cv2.GC_BGD
    if (mask == cv2.GC_PR_FGD).sum() < 30:
        return None
    like_wood = _cut_out(features, mask, ROUNDS, laid.near)
    bare = _whole(like_wood)
    every = max(1, round(np.sqrt(mask.size / STRICT_CELLS)))
    few, near = np.ascontiguousarray(features[::every, ::every]), slice(laid.near.start // every, laid.near.stop // every)
    strict = _whole(_cut_out(few, mask[::every, ::every], STRICT_ROUNDS, near))
    plainly = between & (laid.wood > PROBABLY_WOOD) & (share > 0.5)
    worth = plainly.sum() * step**2 > WORTH_INSISTING[0] and np.linalg.norm(toward) > WORTH_INSISTING[1]
    if worth and (bare is None or bare.sum() * step**2 < LEAST_AREA):
        mask[plainly] = cv2.GC_FGD  # colours alone do not part it from the bark: the eye's map says where it is
        like_wood = _cut_out(features, mask, ROUNDS, laid.near)
        bare = _whole(like_wood)
    if bare is None or bare.sum() * step**2 < LEAST_AREA:
        return None
    apart = like_wood & ~cv2.dilate(bare.astype(np.uint8), np.ones((3, 3))).astype(bool)
    level = _to_middle_of_rim(laid, bare)
    lines = find_contours(np.pad(cv2.GaussianBlur(level, (0, 0), 0.8), 1, constant_values=-1.0), 0.0)
    inside = _whole(level > 0)
    if not lines or inside is None:
        return None
    line = max(lines, key=len) - 1
    places = (np.interp(line[:, k], np.arange(len(mm)), mm) for k, mm in enumerate((laid.rows, laid.columns)))
    outline = stem.on_middle(*places)
    up, turn = stem.place(outline)
    ends = None
    if strict is not None and strict.sum() * (every * step) ** 2 >= LEAST_AREA:
        (first, last), (strict_first, strict_last) = (np.flatnonzero(cut.any(axis=1))[[0, -1]] for cut in (bare, strict))
        ends = up.min() + (last - every * strict_last) * step, up.max() + (first - every * strict_first) * step
    return Patch(stem, laid.view, outline, up, turn, inside, laid.hidden, apart, laid.rows, laid.columns, strict=ends)


def _cut_out(features: np.ndarray, mask: np.ndarray, rounds: int, near: slice = slice(None)) -> np.ndarray:
    """What a graph cut (Rother and others 2004) takes for the foreground of grabCut's mask, (h, w) bool, in the rows `near`.

    It is made through cells twice as wide, and its border laid between their middles: where it lies closely is told by
    the bark's cut edge.
    """
    found = np.zeros(mask.shape, bool)
    mask, features = mask[near], features[near]
    size = (mask.shape[1] // 2, mask.shape[0] // 2)
    few = cv2.resize(features[: 2 * size[1], : 2 * size[0]], size, interpolation=cv2.INTER_AREA)
    known = np.ascontiguousarray(mask[: 2 * size[1] : 2, : 2 * size[0] : 2])
    if not (known == cv2.GC_PR_FGD).any():
        return found
    cv2.setRNGSeed(1)
    cv2.grabCut(few, known, NONE, np.zeros((1, 65)), np.zeros((1, 65)), rounds, cv2.GC_INIT_WITH_MASK)
    front = ((known == cv2.GC_FGD) | (known == cv2.GC_PR_FGD)).astype(np.float32)
    found[near] = (cv2.resize(front, mask.shape[::-1], interpolation=cv2.INTER_LINEAR) > 0.5) & (mask != cv2.GC_BGD)
    return found


def _whole(mask: np.ndarray) -> np.ndarray | None:
    found = largest(mask)
    return None if found is None else found > 0


def _to_middle_of_rim(laid: _Laid, bare: np.ndarray) -> np.ndarray:
    """Signed depth [mm] of every strip pixel in the patch, its border in the middle of the bark's cut edge.

    The edge of cut bark slopes and has a colour of its own, neither bark's nor wood's. A border between wood and
    the rest may run on either side of it: both sides are found, and the border is laid halfway.
    """
    reach, features = round(RIM / laid.step), laid.features.astype(np.float32)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    near_out = cv2.dilate(bare.astype(np.uint8), disc) > 0
    core = cv2.erode(bare.astype(np.uint8), disc) > 0
    if core.sum() < 30:
        core = bare
    face = (np.abs(laid.columns) < 0.85 * laid.stem.limb) & ~laid.hidden
    outer = _whole(bare | _opened(near_out & face & _unlike(features, laid.bark)))
    rim = _opened(bare & ~core & face & _unlike(features, core & ~laid.hidden))
    inner = _whole(bare & ~_joined_to(rim, ~bare))
    return sum(_depth(bare if mask is None else mask, laid.step) for mask in (outer, inner)) / 2


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
