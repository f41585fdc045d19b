"""How large is the patch of gnawed bark on a stem beside the scale card, and how are its tooth grooves spaced?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
from scipy.ndimage import median_filter

from diagnose.measure.bark_map import bark_map
from diagnose.measure.bark_outline import BARK_SHARE, Patch, outline_patch
from diagnose.measure.bark_round import WELL_SEEN_DEG, Arcs, SeenRound, arcs_of
from diagnose.measure.bark_sides import seam
from diagnose.measure.bark_strip import stems_with_patch
from diagnose.measure.card_view import view_of_card
from diagnose.measure.geometry import Point, laid_between, sampled
from diagnose.measure.grooves import EVEN, Grooves, find_grooves
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane
from diagnose.signs import FRAY, Bounded, Measured, Sign

MOST_UNROLLED = 45_000  # cells that grooves are looked for on: a large patch has so many that coarser ones do
STEEPEST = np.radians(64)  # beyond, a surface is too much foreshortened to read grooves on
OUTLINE_SIGMA_PX = 1.0  # of the outline's ends [px]
RIM_SIGMA = 0.25  # of the middle of the bark's cut edge [mm]
SIDE_BORDER = 0.4  # by how much more a border along the stem's grain is unsure [mm]
# of a ragged patch's height, relative; and of how far apart two cuts see its ends: of 430 rendered heights that nothing
# was set on 63 and 89 % lie within one and two standard uncertainties
FRAYED, ENDS_SHARE = 0.016, 0.6
FRAY_MM = 3.0  # length of outline within which a spike to the side is left out [mm]
ENOUGH_CONTRAST = 6.0  # of grooves' power over that of other directions
ENOUGH_REGULARITY = 0.42
# Grooves' sharpness from which on, where they are even too, the spacing is a value: of 343 rendered patches 229 were so,
# 8 of them wrong by over 15 %; of the others 31 were, and 93 % lay between these parts of what was read.
CLEAR, UNSURE_SPACING = 4.0, (0.7, 1.42)
AS_GRAIN = (10.0, 0.55)  # within so many degrees of the stem's axis, where the grain runs, so much is asked
PLAIN = 0.7  # mean share of wood in a run on the map that may be as tall as the patch
ENDS_APART = 0.08  # of the height, from which on two cuts disagree about the patch's ends; calibration and spent pictures
# of the lesser and the greater height by the two cuts, what the true one then lies between; spent test pictures
HULL = (0.97, 1.1)
UNSURE = (0.7, 1.9)  # the same where the strict cut saw no patch
BESIDE_BOTH = 0.08  # by how much a diameter may lie beside what edge and eye read where they disagree; spent test pictures
# beyond the patch [mm], from which on a side tells less of the stem beside it, since the card hides it there; by how much,
# of the diameter; spent test pictures
FAR_SIDE, FAR_SIDE_SIGMA = 20.0, 0.03
UNSURE_WIDTH = (0.8, 1.25)  # of the width, where the cuts disagree or the strict one saw no patch
# of the stem's width: so close to the card, in its shadow, bark and wood are not told apart; spent test pictures
BESIDE_SHADE = 0.2
# relative standard uncertainty of a width beyond which it is an interval; of 57 rendered ones three had more, all of them
# narrow patches, read by 35 to 67 % too wide
DOUBTFUL_WIDTH = 0.14
# what the uncertainty of a height is multiplied by: of 199 rendered ones, measured by the version before, 61 and 87 % lay
# within one and two of it without; of 502 fresh ones 75 and 92 % with it
HEIGHT_WIDER = 1.15
# of 31 rendered patches that the card hides in part 17 had the stem as an interval; five ended below the truth, by 1.13 to
# 1.54, and with this one
BEHIND_CARD = 1.3
# where the card hides more than this of the middle of the stem, so far to either side of a patch's end [mm], there is no end
MOST_HIDDEN, MIDDLE_OF_STEM, AT_END = 0.75, 0.7, 1.0
# of a diameter, where the strict cut saw no patch: the stem may be two then, at least as wide as its patch; of 20 such in
# spent test and calibration pictures six were wrong by over 10 %, the true ones 0.48 to 1.21 of what was read
UNSURE_STEM = (0.45, 1.25)
TALL_APART = 0.25  # of the patch's height, over which something apart from it looks bare, to count


def find_patch(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> Patch | None:
    """The bare patch on the stem beside the card; None where there is none.

    Parameters
    ----------
    picture, plane, taps
        That is measured, and the card's plane in it [no unit]; the first one, if any, is on the patch [upright px].
    """
    view = view_of_card(picture, plane)
    tap = view.from_px(np.array([taps[0]]))[0] if taps else None
    seen = bark_map(view, tap)
    for stem, candidate in stems_with_patch(view, seen, tap):
        for of_map in (seen, None):  # the map may take bark for wood: then by its colours alone
            patch = outline_patch(stem, view, candidate, of_map)
            if patch is not None and not _end_hidden(patch):
                there = seen.patch(candidate.pair)
                tall = (there[1] - there[0]) / view.scale if there is not None and there[2] >= PLAIN else 0.0
                return replace(patch, map_height=tall)
    return None


def _end_hidden(patch: Patch) -> bool:
    """Whether the card lies across the stem where the patch ends: what reaches under it has no end that is seen."""
    rows = np.flatnonzero(patch.bare.any(axis=1))
    middle = np.abs(patch.columns_right) < MIDDLE_OF_STEM * patch.stem.radius
    beside = (np.abs(patch.rows_up - patch.rows_up[end]) < AT_END for end in (rows[0], rows[-1]))
    return any(float(patch.hidden[np.ix_(row, middle)].mean()) > MOST_HIDDEN for row in beside)


def measure_patch(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> Measurement:
    """Size of the bare patch, the stem's diameter, the bark lost, and the spacing and direction of tooth grooves.

    Parameters
    ----------
    picture, plane, taps
        That is measured, and the card's plane in it [no unit]; the first one, if any, is on the patch [upright px].

    Notes
    -----
    Heights are along the stem from the point beside the card's middle, positive up the picture. patch_height_mm lies between
    the lowest and the highest level at which the bare part is at least FRAY of its greatest width, patch_width_mm is the
    greatest extent across the view; intervals stand for values where the card hides part of the patch. bark_loss runs from
    what is seen bare at the widest height to that plus all that is hidden. Groove spacing counts round the stem's surface.
    """
    names = ("patch_height_mm", "patch_width_mm", "stem_diameter_mm", "bark_loss", "groove_spacing_mm")
    if plane.camera is None or plane.layout is None:
        why = "a gnawed patch is measured beside the scale card: hold the card flat beside it"
        return Measurement(not_measured=dict.fromkeys(names, why))
    patch = find_patch(picture, plane, taps)
    if patch is None:
        where = "at the tap" if taps else "on a stem beside the card"
        why = (f"no bare patch with bark above and below it was found {where}: hold the card beside the stem, along "
               "it, with bark in view at both ends of the patch, and tap on the patch (a trunk over 9 cm needs the tap)")
        return Measurement(not_measured=dict.fromkeys(names, why))
    diameter, seen_round, grooves = _diameter(patch), _seen_round(patch), _grooves_on(patch)
    sizes = _sizes(patch, stem_unsure=isinstance(diameter, Bounded))
    measured: dict[str, Sign] = {"stem_diameter_mm": diameter, **sizes, "bark_loss": seen_round.alone}
    not_measured: dict[str, str] = {}
    if grooves is None:
        why = "no regular tooth grooves seen on the bare wood: go closer, and let light graze the wood from the side"
        not_measured = {"groove_spacing_mm": why, "groove_direction_deg": why}
    else:
        measured["groove_spacing_mm"] = _spacing(grooves)
        measured["groove_direction_deg"] = Measured(grooves.direction_deg, grooves.direction_sigma)
    return Measurement(measured, not_measured, _shapes(patch, grooves), _remarks(patch), seen_round)


def _diameter(patch: Patch) -> Sign:
    """The stem's diameter; an interval where edges and eye disagree, a strict cut sees no patch, or it may be two stems."""
    stem = patch.stem
    diameter = 2 * stem.radius
    sigma = diameter * float(np.hypot(stem.radius_sigma, FAR_SIDE_SIGMA if _far_side(patch) > FAR_SIDE else 0.0))
    at = seam(stem, patch.view, float(patch.up.min()), float(patch.up.max()))
    if not stem.eye_wider and patch.strict and at is None:
        return Measured(diameter, sigma)
    low, high = sorted((diameter, diameter + stem.eye_wider))
    low, high = low * (1 - BESIDE_BOTH), high * (1 + BESIDE_BOTH)
    if at is not None:  # the stem may be what lies on the patch's side of the seam
        right = patch.columns_right[patch.bare.any(axis=0)].mean() / stem.limb > at
        low = min(low, max(_seen_width(patch), low * (1 - at if right else 1 + at) / 2))
    if patch.strict is None:
        least = max(_seen_width(patch), UNSURE_STEM[0] * diameter)
        low, high = min(low, least), max(high, UNSURE_STEM[1] * diameter)
    return Bounded(low - 2 * sigma, (high + 2 * sigma) * _perhaps_more(patch))


def _perhaps_more(patch: Patch) -> float:
    """What the upper end of an interval across the stem is multiplied by, since the card may hide a side of it."""
    return BEHIND_CARD if _hidden_beside(patch) else 1.0


def _far_side(patch: Patch) -> float:
    """How far above or below the patch that side of the stem is first seen which is seen least near it [mm]."""
    low, high = patch.up.min(), patch.up.max()
    ups = (patch.stem.place(side)[0] for side in patch.stem.sides_px)
    return max(float(np.clip(np.maximum(low - up, up - high), 0.0, None).min()) for up in ups)


def _unrolled(patch: Patch, step: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The bare surface laid flat in cells of `step` mm at the bark: heights (h,) [mm], turns (w,) [radian], bare or not."""
    radius = patch.stem.radius
    up = np.arange(patch.up.max() + step, patch.up.min() - step, -step)
    turn = np.arange(patch.turn.min() - step / radius, patch.turn.max() + step / radius, step / radius)
    corners = np.column_stack([(patch.turn - turn[0]) * radius / step, (up[0] - patch.up) / step])
    bare = np.zeros((len(up), len(turn)), np.uint8)
    cv2.fillPoly(bare, [np.round(corners * 16).astype(np.int32)], 1, shift=4)
    return up, turn, bare > 0


def _fine(patch: Patch) -> float:
    """Side of the cells that sizes are read on [mm]."""
    return min(0.2, patch.stem.radius / 40)


def _pixel(patch: Patch) -> float:
    """A pixel of the picture on the stem [mm]."""
    return patch.stem.distance / patch.stem.camera.K[0, 0]


def _sizes(patch: Patch, stem_unsure: bool) -> dict[str, Sign]:
    """The patch's width, height and edges; stem_unsure : is the stem's diameter known as an interval only?"""
    stem, step = patch.stem, _fine(patch)
    up, _, bare = _unrolled(patch, step)
    widths = bare.sum(axis=1)
    wide = np.flatnonzero(widths >= FRAY * widths.max())
    top, bottom = float(up[wide[0]] + step / 2), float(up[wide[-1]] - step / 2)
    height, width = top - bottom, _seen_width(patch)
    border = OUTLINE_SIGMA_PX * _pixel(patch) + RIM_SIGMA
    parts = [FRAYED * height, ENDS_SHARE * patch.apart_by, height * stem.scale_sigma, border]
    height_sigma = HEIGHT_WIDER * float(np.linalg.norm(parts))
    width_sigma = float(np.linalg.norm([0.02 * width, width * stem.scale_sigma, border + SIDE_BORDER]))
    edge_sigma = float(np.hypot(height_sigma / 1.4, 1.0))
    hidden = _hidden_beside(patch)
    return {
        "patch_width_mm": _width(patch, width, height, hidden, width_sigma, stem_unsure),
        "patch_height_mm": _height(patch, height, hidden * _growth(patch, bare, step), height_sigma),
        "patch_lower_edge_mm": Measured(bottom, edge_sigma),
        "patch_upper_edge_mm": Measured(top, edge_sigma),
    }


def _doubted(patch: Patch, height: float) -> bool:
    """Whether the strict cut does not see the patch, or not with the same ends."""
    return patch.strict is None or patch.apart_by > ENDS_APART * height


def _width(patch: Patch, width: float, height: float, unseen: float, sigma: float, stem_unsure: bool) -> Sign:
    """The patch's width; an interval where it is not sure how far the stem or the patch reaches."""
    low, high = sorted((width, max(width + patch.stem.eye_wider, 0.0)))
    if _doubted(patch, height):
        low, high = UNSURE_WIDTH[0] * low, UNSURE_WIDTH[1] * high
    unsure = low < high or (unseen > 0 and stem_unsure)
    more = _perhaps_more(patch) if unsure else 1.0
    return _between(low, high, unseen, sigma, sure=not unsure and sigma < DOUBTFUL_WIDTH * width, more=more)


def _height(patch: Patch, height: float, unseen: float, sigma: float) -> Sign:
    """The patch's height; an interval where the strict cut does not see the patch, or not with the same ends."""
    low = high = height
    if patch.strict is None:
        low, high = UNSURE[0] * height, max(UNSURE[1] * height, patch.map_height)
    elif _doubted(patch, height):
        low, high = sorted((height, patch.strict[1] - patch.strict[0]))
        low, high = HULL[0] * low, HULL[1] * high
    return _between(low, high, unseen, sigma)


def _between(low: float, high: float, unseen: float, sigma: float, sure: bool = True, more: float = 1.0) -> Sign:
    """A length that lies between two, of which up to `unseen` more may be hidden: a value where that says little."""
    spread = unseen / np.sqrt(12)
    if sure and low == high and spread < 0.07 * low:
        return Measured(low + unseen / 2, float(np.hypot(sigma, spread)))
    return Bounded(low - 2 * sigma, (high + unseen + 2 * sigma) * more)


def _seen_width(patch: Patch) -> float:
    """Greatest extent of the outline across the view [mm], spikes of less than some millimetres left out."""
    right = patch.stem.radius * np.sin(patch.turn)
    gone = np.cumsum(np.hypot(np.diff(patch.up, prepend=patch.up[-1]), np.diff(right, prepend=right[-1])))
    even = np.arange(0, gone[-1], 0.1)
    along = np.interp(even, gone, right)
    return float(np.ptp(median_filter(along, int(FRAY_MM / 0.1) | 1, mode="wrap")))


def _hidden_beside(patch: Patch) -> float:
    """How much of the stem's width [mm] is hidden where the patch's outline runs into it; 0 where it nowhere does."""
    step = float(patch.columns_right[1] - patch.columns_right[0])
    reach = int(np.ceil(max(1.2, BESIDE_SHADE * 2 * patch.stem.radius) / step))
    near = cv2.dilate(patch.bare.astype(np.uint8), np.ones((1, 2 * reach + 1))) > 0
    covered = patch.hidden & (np.abs(patch.columns_right) < patch.stem.limb)
    meets = (near & covered).any(axis=1)
    if meets.sum() < 0.15 * patch.bare.any(axis=1).sum():
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


def _border(patch: Patch) -> float:
    """Standard uncertainty of where round the stem a border that faces the camera lies [radian]."""
    return (OUTLINE_SIGMA_PX * _pixel(patch) + RIM_SIGMA + SIDE_BORDER) / patch.stem.radius


def _turns_deg(patch: Patch) -> np.ndarray:
    """How far round the stem each of the strip's columns is seen [degree]."""
    return np.degrees(np.arcsin(np.clip(patch.columns_right / patch.stem.radius, -1, 1)))


def _apart_arcs(patch: Patch) -> Arcs:
    """Round the stem [degree]: what looks bare over a good part of the patch's height, but apart from it."""
    rows = patch.bare.any(axis=1)
    tall = max(int(patch.bare[rows].sum(axis=0).max()), 1)
    there = patch.apart[rows].sum(axis=0) > TALL_APART * tall
    turn = _turns_deg(patch)
    return arcs_of(turn, there & (np.abs(turn) < WELL_SEEN_DEG))


def _unevenness(laid_flat: np.ndarray, turn: np.ndarray) -> float:
    """By how much the patch's two side borders wander over the middle half of its height [radian]."""
    rows = np.flatnonzero(laid_flat.any(axis=1))
    middle = laid_flat[rows[len(rows) // 4] : rows[(3 * len(rows)) // 4] + 1]
    middle = middle[middle.any(axis=1)]
    ends = turn[middle.argmax(axis=1)], turn[middle.shape[1] - 1 - middle[:, ::-1].argmax(axis=1)]
    return float(np.mean([end.std() for end in ends]))


def _seen_round(patch: Patch) -> SeenRound:
    """What this view tells of the circumference at the patch's widest height.

    The share without bark runs from what is seen bare to that plus all that is not seen well.
    """
    _, turn, laid_flat = _unrolled(patch, _fine(patch))
    bare = laid_flat[int(np.argmax(laid_flat.sum(axis=1)))]
    step, well = float(turn[1] - turn[0]), np.radians(WELL_SEEN_DEG)
    around = np.arange(-WELL_SEEN_DEG, WELL_SEEN_DEG + 0.25, 0.5)
    hidden = patch.hidden[patch.bare.any(axis=1)].mean(axis=0)
    by_card = np.interp(patch.stem.radius * np.sin(np.radians(around)), patch.columns_right, hidden)
    covered, also = by_card > 0.5, _apart_arcs(patch)
    for low, high in also:
        covered |= (around > low - 2) & (around < high + 2)
    # wood that reaches the stem's side is seen against the background a bark's thickness inside that side
    doubt = 2 * (0.06 if np.abs(turn[bare]).max() > well else 0.03)
    borders = 2 * np.sqrt(2) * _border(patch)
    most = float(bare[np.abs(turn) < well].sum()) * step + sum(np.radians(high - low) for low, high in also)
    unseen = np.radians(0.5) * by_card.sum() + 2 * (np.pi - well)
    ends = np.array([bare.sum() * step * (1 - doubt) - borders, most * (1 + doubt) + borders + unseen]) / (2 * np.pi)
    border = float(np.degrees(np.hypot(_border(patch), _unevenness(laid_flat, turn))))
    alone = Bounded(*np.clip(ends, 0, 1).tolist())
    return SeenRound(arcs_of(np.degrees(turn), bare), also, arcs_of(around, ~covered), border, alone)


def _grooves_on(patch: Patch) -> Grooves | None:
    """Tooth grooves on the wood, which lies a bark's thickness below the outline; None where none are sure."""
    stem = patch.stem
    area = np.ptp(patch.up) * np.ptp(patch.turn) * stem.radius
    step = float(np.clip(max(_pixel(patch), np.sqrt(area / MOST_UNROLLED)), 0.08, 0.2))
    up, turn, bare = _unrolled(patch, step)
    grid = laid_between(partial(stem.on_surface, radius=stem.radius * (1 - BARK_SHARE[0])), up, turn)
    light = patch.view.log_light(sampled(patch.view.picture.bgr, grid))[..., 1]
    inset = round(0.9 / step)
    inside = cv2.erode(np.pad(bare, 1).astype(np.uint8), np.ones((2 * inset + 1, 2 * inset + 1)))[1:-1, 1:-1] > 0
    grooves = find_grooves(light, inside & (np.abs(turn) < STEEPEST), step)
    if grooves is None or grooves.contrast < ENOUGH_CONTRAST:
        return None
    along_grain = abs(grooves.direction_deg) < AS_GRAIN[0]
    if grooves.regularity < (AS_GRAIN[1] if along_grain else ENOUGH_REGULARITY):
        return None
    spacing = grooves.spacing_mm
    round_share = np.cos(np.radians(grooves.direction_deg)) ** 2  # how far the spacing is counted round the stem
    parts = [grooves.spacing_sigma, spacing * stem.scale_sigma, spacing * BARK_SHARE[1] * round_share]
    return replace(grooves, spacing_sigma=float(np.linalg.norm(parts)))


def _spacing(grooves: Grooves) -> Sign:
    """The spacing; an interval where it repeats unevenly, or hardly more than other periods do."""
    if grooves.regularity >= EVEN and grooves.sharpness >= CLEAR:
        return Measured(grooves.spacing_mm, grooves.spacing_sigma)
    low, high = UNSURE_SPACING
    return Bounded(low * grooves.spacing_mm, high * grooves.spacing_mm)


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
    if _pixel(patch) > 0.3:
        lines.append("the stem is small in the picture: go closer, to read grooves")
    return tuple(lines)
