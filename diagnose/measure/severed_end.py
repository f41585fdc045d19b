"""Which shape and size has the severed end of the twig that lies on the scale card?

First the whole sheet, coarsely: what on it is no paper, no ink and no shadow, and which of that is a stem whose end
lies in the plain middle. Then a patch around that end, laid into the plane that holds the stem's axis and faces the
camera, where the outline is drawn to a fraction of a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np

from diagnose.eye.pieces import CLOSE_STRIDE, CLOSE_WIDTH, FORMS, moved, sheet_matrix
from diagnose.eye.see import CloseView, find, settle_on
from diagnose.measure.end_form import Look, end_form
from diagnose.measure.end_shape import End, clean_part, find_end
from diagnose.measure.quality import remarks
from diagnose.measure.record import Measurement
from diagnose.measure.true_slope import true_slope
from diagnose.photo.markers import LIGHT
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane, on_sheet
from diagnose.signs import Bounded, Measured, Shares, Sign

Point = tuple[float, float]
COARSE = 4.0  # pixels a millimetre on the sheet's coarse map
INSET = 2.0  # the sheet's edge, left out [mm]
THICKEST = 14.0  # a stem wider than this is a finger, a leaf or a shadow [mm]
DEEPENING = 1.2  # shadow from 2 px off to the edge, as a share of that from 3.4 px to 2 px off
COLOUR_SAYS = 2.0  # the most that colours may say against the eye, as logarithm of odds
COLOURS, COLOUR_FLOOR, LEAST_CELLS = 4, 0.004, 60  # distributions of a part's colours; least variance; least cells
# What the laws of simple pictures miss, from 44 rendered ones of looks that the eye was not trained on:
UNEVEN_SLOPE = {"half": 14.0, "torn": 18.0}  # errors of the seen slope where torn wood is part of the edge [degree]
HARDLY_SEEN = 0.12  # contrast of the stem's sides, of white paper, at which half of the following is added
PALE_SLOPE, PALE_WIDTH = 2.0, 0.045  # of stems as bright as the paper [degree; relative]
DOUBTFUL, NO_DOUBT = 0.4, 0.1  # relative, for each share of the sides' cells that the eye doubts, beyond so many
EYE_WIDTH, MOST_APART = 0.05, 0.1  # relative: how closely the eye reads widths; the most that its disagreement adds
HALF_ELLIPSE_LEANS = 2.62  # slope of the line through its middle 80 %, over the offset and its height: by integration
COARSEST_FACE = 0.1  # pixel, in diameters, beyond which the wood face is not measured
LONGEST_FACE = 2.2  # diameters: a slope of 65 degrees, seen face on
FACE_LINES_AGREE = 0.08  # diameters: lines on torn wood differ by more
PLAIN_MIDDLE = (110.0, 60.0)  # of the sheet [mm]
AROUND_MIDDLE = 2.0  # an end may lie this far outside it [mm]
FIRST_LOOK = 1.5  # by which a first look may be off [mm]
SLACK = 6.0  # by which the eye's first glance at the whole sheet may be off [mm]
SAME_WAY, SPLINTER = 0.8, 8.0  # cosine between a splinter and its stem; how far it reaches, in diameters
LESS_LIKELY = 0.85  # of the likeliest end's score: what has less is a side stub or a shadow's end
LEAST_CELLS_OF_STEM = 4  # of the finder's map, in the plain middle
MOST_ENDS = 4  # that are looked at closely
LEAST_SURE = 0.5  # probability that an end is one
MAP_CELL = 0.5  # of the eye's close map, by which its borders may be off


@dataclass(frozen=True)
class Stem:
    """A stem found on the sheet: its end, a point farther back, both in plane [mm], and its rough diameter [mm]."""

    tip: np.ndarray
    back: np.ndarray
    diameter: float
    score: float
    view: CloseView


@dataclass(frozen=True)
class Facing:
    """The plane that holds the stem's axis and faces the camera; x outwards along the axis, y across [mm].

    place(n, 2) -> (n, 2) upright pixels. lean : by how much x runs towards the camera, as sine.
    """

    origin: np.ndarray
    along: np.ndarray
    across: np.ndarray
    plane: Plane
    lean: float

    def to_px(self, xy: np.ndarray) -> np.ndarray:
        assert self.plane.camera is not None
        xy = np.atleast_2d(xy)
        return self.plane.camera.project(self.origin + xy[:, :1] * self.along + xy[:, 1:] * self.across)


# --- the whole sheet, coarsely ---------------------------------------------------------------------------------


def _sheet_size(plane: Plane) -> tuple[float, float]:
    size = plane.layout.size_mm if plane.layout else (150.0, 100.0)
    return size[0] * plane.print_scale, size[1] * plane.print_scale


def _paper(plane: Plane) -> np.ndarray:
    """Mask, on the coarse map, of the paper without ink: no markers, no ruler, no grey patches, no sheet's edge."""
    width, height = _sheet_size(plane)
    mask = np.zeros((int(height * COARSE), int(width * COARSE)), np.uint8)
    inset = int(INSET * COARSE)
    mask[inset:-inset, inset:-inset] = 1
    if plane.layout is None:
        return mask
    half = (plane.layout.side_mm / 2 + 0.8) * plane.print_scale
    for centre in plane.layout.markers.values():
        x, y = np.array(centre) * plane.print_scale
        mask[int((y - half) * COARSE) : int((y + half) * COARSE), int((x - half) * COARSE) : int((x + half) * COARSE)] = 0
    if plane.layout.bare_mm is not None:
        mask[int((plane.layout.bare_mm[3] + 8.0) * plane.print_scale * COARSE) :] = 0
    return mask


def find_stems(picture: Picture, plane: Plane) -> list[Stem]:
    """Stems whose end lies in the sheet's plain middle, the likeliest first: what the eye takes for one, closely too."""
    found = find(picture.bgr, _to_sheet(plane))
    stems: list[Stem] = []
    for glance in found.ends:
        if len(stems) == MOST_ENDS or not _in_plain_middle(plane.to_mm(glance.at[None])[0], plane, SLACK):
            continue
        seen = settle_on(picture.bgr, glance)
        stem = _stem_of(seen, plane)
        new = all(np.hypot(*(stem.tip - other.tip)) > stem.diameter for other in stems)
        if new and seen.is_end > LEAST_SURE and _in_plain_middle(stem.tip, plane):
            stems.append(stem)
    return sorted(stems, key=lambda stem: -stem.score)


def _to_sheet(plane: Plane) -> np.ndarray:
    """From the finder's pixels, the sheet laid flat, to the picture's, (3, 3)."""
    return sheet_matrix(plane.H @ np.diag([plane.print_scale, plane.print_scale, 1.0]))


def _stem_of(seen: CloseView, plane: Plane) -> Stem:
    end = seen.end
    aside = end.at + end.width * end.outward[::-1] * (-1, 1)
    tip, back, side = plane.to_mm(np.stack([end.at, end.at - 3 * end.width * end.outward, aside]))
    return Stem(tip, back, float(np.hypot(*(side - tip))), seen.is_end * end.score, seen)


def _in_plain_middle(mm: np.ndarray, plane: Plane, slack: float = AROUND_MIDDLE + FIRST_LOOK) -> bool:
    bare = plane.layout.bare_mm if plane.layout and plane.layout.bare_mm else (20.0, 20.0, 130.0, 80.0)
    x0, y0, x1, y1 = np.array(bare) * plane.print_scale
    return bool(x0 - slack <= mm[0] <= x1 + slack and y0 - slack <= mm[1] <= y1 + slack)


# --- the end, closely ------------------------------------------------------------------------------------------


def facing_plane(plane: Plane, tip_px: np.ndarray, back_px: np.ndarray, lift: float) -> Facing:
    """The plane through the stem's axis, `lift` above the sheet [mm], turned to the camera about that axis."""
    assert plane.camera is not None
    ends = plane.to_mm(np.stack([tip_px, back_px]), lift)
    tip, back = on_sheet(ends, plane.curl, plane.centre_mm, lift)
    along = (tip - back) / np.linalg.norm(tip - back)
    view = tip - plane.camera.centre_mm
    view /= np.linalg.norm(view)
    across = np.cross(view, along)
    across /= np.linalg.norm(across)
    return Facing(tip, along, across, plane, float(-view @ along))


@dataclass(frozen=True)
class Patch:
    """Linear light around the end, (h, w, 3); column x0 + x * scale, row y0 + y * scale of the facing plane."""

    light: np.ndarray
    scale: float
    x0: float
    y0: float

    def to_mm(self, cells: np.ndarray) -> np.ndarray:
        return (cells - (self.x0, self.y0)) / self.scale


def take_patch(picture: Picture, facing: Facing, diameter: float, per_mm: float) -> Patch:
    """Sample the picture around the end, 5.4 diameters back and 3 ahead, at about its own resolution."""
    behind, ahead, aside = 5.4 * diameter, 3.0 * diameter + 1, 1.4 * diameter + 1.5
    scale = min(per_mm, 80 / diameter)
    if per_mm * diameter < 30:
        scale = per_mm * 1.5
    w, h = int((behind + ahead) * scale), int(2 * aside * scale)
    corners = np.array([(-behind, -aside), (ahead, -aside), (ahead, aside), (-behind, aside)])
    px = facing.to_px(corners)
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 3, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 4, picture.size)
    part = picture.bgr[y0 : max(y1, y0 + 2), x0 : max(x1, x0 + 2)]
    factor = max(1, int(per_mm / scale))
    if factor > 1:
        part = cv2.resize(part[: part.shape[0] // factor * factor, : part.shape[1] // factor * factor], None,
                          fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    px = (px - (x0, y0) + 0.5) / factor - 0.5
    cells = (corners + (behind, aside)) * scale
    H = cv2.getPerspectiveTransform(cells.astype(np.float32), px.astype(np.float32))
    way = cv2.INTER_CUBIC if scale > per_mm else cv2.INTER_LINEAR
    seen = cv2.warpPerspective(part, H, (w, h), flags=way | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    return Patch(cv2.LUT(seen, LIGHT), scale, behind * scale, aside * scale)


def twig_mask(patch: Patch, facing: Facing, view: CloseView) -> np.ndarray | None:
    """Mask of the twig in the patch, (h, w) uint8, as the eye saw it: where a stem is likelier than all else together."""
    h, w = patch.light.shape[:2]
    corners = np.array([(0, 0), (w, 0), (w, h), (0, h)], float)
    px = facing.to_px(patch.to_mm(corners))
    cells = moved(px, np.linalg.inv(view.to_px))
    H = cv2.getPerspectiveTransform(corners.astype(np.float32), cells.astype(np.float32))
    stem = np.ascontiguousarray(view.stem)
    likely = cv2.warpPerspective(stem, H, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=0.0)
    logit = np.log(np.clip(likely, 0.02, 0.98) / (1 - np.clip(likely, 0.02, 0.98)))
    found = (logit + by_colour(patch.light, likely) > 0).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(found, connectivity=4)
    if count < 2:
        return None
    own = (labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())).astype(np.uint8)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(own), contours, -1, 1, cv2.FILLED)


def by_colour(light: np.ndarray, likely: np.ndarray) -> np.ndarray:
    """How much the colours of each cell speak for the stem, (h, w), as the logarithm of odds, at most COLOUR_SAYS.

    light : (h, w, 3) linear. likely : (h, w) the eye's probability of stem. What it is sure of tells the colours of stem and
    surroundings, shadows among them, each as some normal distributions; the eye's border is coarse, and a shadow that
    it takes for stem has the colour of another that it does not.
    """
    tone = np.log(cv2.GaussianBlur(light, (0, 0), 0.8) + 0.01)
    on, off = likely > 0.9, (likely < 0.1) & (likely >= 0)
    if min(int(on.sum()), int(off.sum())) < LEAST_CELLS:
        return np.zeros_like(likely)
    border = cv2.dilate((~on & ~off).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    odds = [_mixture(tone[border], tone[own]) for own in (on, off)]
    says = np.zeros(likely.shape, np.float32)
    says[border] = odds[0] - odds[1]
    return np.clip(cv2.GaussianBlur(np.clip(says, -6, 6), (0, 0), 1.0), -COLOUR_SAYS, COLOUR_SAYS)


def _mixture(values: np.ndarray, sample: np.ndarray) -> np.ndarray:
    """Logarithm of the density of each value, (n, 3), under COLOURS normal distributions fitted to a sample, (m, 3)."""
    sample = np.ascontiguousarray(sample[:: max(1, len(sample) // 1200)], np.float32)
    stop = (cv2.TERM_CRITERIA_MAX_ITER, 8, 0.0)
    cv2.setRNGSeed(0)
    _, labels, _ = cv2.kmeans(sample, COLOURS, None, stop, 1, cv2.KMEANS_PP_CENTERS)
    terms = []
    for k in range(COLOURS):
        own = sample[labels[:, 0] == k].astype(float)
        if len(own) < 8:
            continue
        spread = np.cov(own.T) + COLOUR_FLOOR * np.eye(3)
        off = values - own.mean(axis=0)
        inverse = np.linalg.inv(spread)
        far = np.einsum("ni,ij,nj->n", off, inverse, off)
        terms.append(np.log(len(own) / len(sample)) - 0.5 * far + 0.5 * np.log(np.linalg.det(inverse)))
    return np.logaddexp.reduce(terms, axis=0)


def outline_of(mask: np.ndarray) -> np.ndarray:
    """The outline of a mask, (n, 2) cells, as OpenCV's outer contours run."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(contours, key=len)[:, 0], float)


def sharpened_outline(patch: Patch, outline: np.ndarray, zoom: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """An outline, (n, 2) cells, moved to where light is half-way between inside and outside: (n, 2) cells, (n,) contrast.

    Inside and outside are looked up two or three pixels to either side along the normal, so that a shadow on one
    side, pale wood or dark bark each have their own half-way, and a narrow shadow's far edge is not taken for the
    twig's. zoom : cells of the patch a pixel of the picture.
    """
    reach = np.arange(-4.0, 4.25, 0.25) * zoom
    for _turn in range(2):
        normal = _normals(outline, 3)
        u, v = (outline[:, k, None] + normal[:, k, None] * reach for k in range(2))
        seen = cv2.remap(patch.light, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_REPLICATE)
        inside = seen[:, (reach >= -2.3 * zoom) & (reach <= -0.9 * zoom)].mean(axis=1)
        outside = seen[:, (reach <= 2.6 * zoom) & (reach >= 1.4 * zoom)].mean(axis=1)
        step = outside - inside
        contrast = (step**2).sum(axis=1)
        share = np.einsum("nkc,nc->nk", seen, step) - (inside * step).sum(axis=1)[:, None]
        share /= contrast[:, None] + 1e-9
        # shadow deepens towards the twig: outside, just at the edge, is darker than two pixels off
        farther = share[:, reach >= 2.8 * zoom].mean(axis=1)
        at_edge = np.clip(1.0 - DEEPENING * (farther - 1.0), 0.4, 1.0)
        share = share - 0.5 * _running_median(at_edge, 9)[:, None]
        rising = (share[:, :-1] < 0) & (share[:, 1:] >= 0)
        distance = np.where(rising, np.abs(reach[:-1] + 0.125 * zoom), np.inf)
        best = np.argmin(distance, axis=1)
        rows = np.arange(len(outline))
        low, high = share[rows, best], share[rows, best + 1]
        shift = reach[best] - 0.25 * zoom * low / np.maximum(high - low, 1e-9)
        good = np.isfinite(distance.min(axis=1)) & (contrast > 0.003) & (np.abs(shift) < 2 * zoom)
        shift = np.where(good, shift, 0.0)
        shift = _running_median(shift, 5)
        outline = outline + normal * shift[:, None]
    bright = float(np.sqrt((np.percentile(seen[::4], 95, axis=(0, 1)) ** 2).sum()))
    return outline, np.sqrt(contrast) / max(bright, 1e-6)


def _normals(outline: np.ndarray, k: int) -> np.ndarray:
    """Outward normals of a closed outline that runs as OpenCV's outer contours do."""
    along = np.roll(outline, -k, axis=0) - np.roll(outline, k, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    area = np.sum(outline[:, 0] * np.roll(outline[:, 1], -1) - np.roll(outline[:, 0], -1) * outline[:, 1])
    normal *= -np.sign(area)
    return normal / (np.linalg.norm(normal, axis=1, keepdims=True) + 1e-9)


def _running_median(values: np.ndarray, k: int) -> np.ndarray:
    half = k // 2
    padded = np.concatenate([values[-half:], values, values[:half]])
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, k), axis=1)


@dataclass(frozen=True)
class SeenEnd:
    """A severed end as it was seen: its shape, the plane it lies in, the patch and the outline there [mm]."""

    end: End
    facing: Facing
    patch: Patch
    outline: np.ndarray
    per_mm: float
    view: CloseView
    off: np.ndarray  # distance of each point of the outline from the eye's border [mm]
    contrast: float  # of the stem's sides against what lies beside them, 1 = against white paper

    @property
    def pixel(self) -> float:
        """One pixel of the picture, in diameters."""
        return 1.0 / (self.per_mm * self.end.diameter)


def see_end(picture: Picture, plane: Plane, stem: Stem, anywhere: bool = True) -> SeenEnd | None:
    """Draw the outline of one stem's end and read its shape; twice, the second time in the frame of the first.

    anywhere : also where the first time tells that the end lies outside the sheet's plain middle.
    """
    tip_px, back_px = plane.to_px(np.stack([stem.tip, stem.back]))
    diameter = stem.diameter
    paper = _paper(plane)
    seen = None
    for turn in range(3):
        facing = facing_plane(plane, tip_px, back_px, diameter / 2)
        step = facing.to_px(np.array([(0.0, 0.0), (0.0, 1.0)]))
        per_mm = float(np.linalg.norm(step[1] - step[0]))
        patch = take_patch(picture, facing, diameter, per_mm)
        plain = _plain_cells(patch, facing, paper, plane)
        mask = twig_mask(patch, facing, stem.view)
        if mask is None:
            return seen
        coarse = outline_of(mask)
        zoom = max(patch.scale / per_mm, 1.0)
        wide = max(zoom, MAP_CELL * diameter * patch.scale / CLOSE_WIDTH * CLOSE_STRIDE)
        cells = sharpened_outline(patch, coarse, wide)[0] if wide > 1.3 * zoom else coarse
        cells, contrast = sharpened_outline(patch, cells, zoom)
        outline = patch.to_mm(cells)
        lip = _rough_lip(patch, mask, diameter)
        end = find_end(outline, lip, diameter, on_plain=partial(_looks_at, patch, plain))
        if end is None or end.diameter > THICKEST:
            return seen
        on_sides = outline[:, 0] < lip - 0.5 * diameter
        sides = float(np.percentile(contrast[on_sides], 20)) if on_sides.any() else 0.1
        seen = SeenEnd(end, facing, patch, outline, per_mm, stem.view, np.hypot(*(cells - coarse).T) / patch.scale, sides)
        settled = turn > 0 and abs(end.turn) < 0.025 and abs(end.diameter / diameter - 1) < 0.05
        frame = end.to_outline(np.array([(0.0, 0.0), (-3.0, 0.0)]))
        tip_px, back_px = facing.to_px(frame)
        diameter = end.diameter
        if settled or not (anywhere or _in_the_middle(seen, plane, AROUND_MIDDLE + FIRST_LOOK)):
            break
    return seen


def _rough_lip(patch: Patch, mask: np.ndarray, diameter: float) -> float:
    """The lowest x that the middle of the width reaches."""
    h, w = mask.shape
    y = (np.arange(h) - patch.y0) / patch.scale
    rows = mask[np.abs(y) < 0.3 * diameter]
    ends = w - np.argmax(rows[:, ::-1] > 0, axis=1)
    return (float(np.percentile(ends[rows.any(axis=1)], 10)) - patch.x0) / patch.scale


def _plain_cells(patch: Patch, facing: Facing, paper: np.ndarray, plane: Plane) -> np.ndarray:
    """Which cells of a patch look at paper without ink, (h, w) uint8; the stem's lift is neglected."""
    h, w = patch.light.shape[:2]
    corners = np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float32)
    on_sheet_mm = plane.to_mm(facing.to_px(patch.to_mm(corners)))
    H = cv2.getPerspectiveTransform(corners, (on_sheet_mm * COARSE).astype(np.float32))
    return cv2.warpPerspective(paper, H, (w, h), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)


def _looks_at(patch: Patch, cells: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Whether each point, (n, 2) of the facing plane, lies in the mask of the patch's cells."""
    u, v = (xy * patch.scale + (patch.x0, patch.y0)).round().astype(int).T
    h, w = cells.shape
    inside = (u >= 0) & (u < w) & (v >= 0) & (v < h)
    return inside & (cells[v.clip(0, h - 1), u.clip(0, w - 1)] > 0)


def measure_end_on_card(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> Measurement:
    """Measure the severed end that lies in the plain middle of the scale card.

    taps : upright pixels, the severed end first, then a point farther back on the same stem.
    """
    stems = find_stems(picture, plane)
    stems = _tapped(stems, plane, taps) if taps else _whole(stems)
    ends = []
    for stem in stems:
        seen = see_end(picture, plane, stem, anywhere=bool(taps))
        if seen is not None and (taps or _in_the_middle(seen, plane)):
            ends.append(seen)
        if ends and taps:
            break
    if not ends:
        return _nothing("no severed end was found in the card's plain middle: lay the twig's end there, the stem over the "
                        "card's edge, and tap the end")
    if len(ends) > 1:
        return _of_both(ends, plane)
    return _measurement(ends[0], plane)


def looks_for_an_end(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> bool:
    """Whether the photographer is after a severed end on the card and not after a wound beside it.

    taps : upright pixels; the first one tells by where it lies. Without any, wood or bark in the plain middle tells.
    """
    if taps:
        x, y = plane.to_mm(np.array([taps[0]], float))[0]
        width, height = _sheet_size(plane)
        return bool(0 <= x <= width and 0 <= y <= height)
    found = find(picture.bgr, _to_sheet(plane))
    rows, columns = np.nonzero(found.stem > 0.5)
    if len(rows) == 0:
        return False
    on_sheet = plane.to_mm(moved(np.column_stack([columns, rows]).astype(float), found.to_px))
    return sum(_in_plain_middle(place, plane, 0.0) for place in on_sheet) >= LEAST_CELLS_OF_STEM


def _of_both(ends: list[SeenEnd], plane: Plane) -> Measurement:
    """The end of several on the card that looks bitten, with a remark that tells of the others and asks."""
    chosen = _likely_bitten(ends, plane)
    others = ", ".join(_in_words(_measurement(seen, plane)) for seen in ends if seen is not chosen)
    told = f"more than one end lies on the card: the other, {others}, looks less bitten or lies farther out; tap it if it is"
    found = _measurement(chosen, plane)
    return replace(found, remarks=(told, *found.remarks))


def _in_words(found: Measurement) -> str:
    """One end in a few words: its likeliest form and how steep it is."""
    form, slope = found.measured["end_form"], found.measured["seen_slope_deg"]
    assert isinstance(form, Shares) and isinstance(slope, Measured)
    likeliest = max(form.shares, key=lambda name: form.shares[name])
    return f"{likeliest} at {slope.value:.0f} ± {slope.sigma:.0f}°"


def _whole(stems: list[Stem]) -> list[Stem]:
    """The stems without those that are much less likely than the first, and without those that are but a splinter of another
    one's end: thinner, before it, pointing the same way."""
    likely = [stem for stem in stems if stem.score > LESS_LIKELY * stems[0].score]
    return [stem for stem in likely if not any(_splinter_of(stem, other) for other in stems)]


def _splinter_of(stem: Stem, other: Stem) -> bool:
    along = (other.tip - other.back) / np.linalg.norm(other.tip - other.back)
    own = (stem.tip - stem.back) / np.linalg.norm(stem.tip - stem.back)
    ahead = stem.tip - other.tip
    aside = abs(float(along[0] * ahead[1] - along[1] * ahead[0]))
    same_way = float(along @ own) > SAME_WAY and 0 < float(along @ ahead) < SPLINTER * other.diameter
    return same_way and aside < 1.5 * other.diameter and stem.diameter < 0.8 * other.diameter


def _likely_bitten(ends: list[SeenEnd], plane: Plane) -> SeenEnd:
    """Of several ends the one that is not cut square and smooth, as who takes a twig for a sample cuts it; where that does
    not tell, the one nearest to the sheet's middle."""
    square = [abs(seen.end.slope) < np.tan(np.radians(8)) and seen.end.raggedness < 0.03 for seen in ends]
    left = [seen for seen, cut in zip(ends, square, strict=True) if not cut] or ends
    middle = np.array(_sheet_size(plane)) / 2
    return min(left, key=lambda seen: float(np.hypot(*(_tip_on_sheet(seen, plane) - middle))))


def _tip_on_sheet(seen: SeenEnd, plane: Plane) -> np.ndarray:
    tip: np.ndarray = plane.to_mm(seen.facing.to_px(seen.end.to_outline(np.array([[seen.end.offset, 0.0]]))))[0]
    return tip


def _in_the_middle(seen: SeenEnd, plane: Plane, around: float = AROUND_MIDDLE) -> bool:
    """Whether the end lies in the sheet's plain middle: what only reaches in from the edge is a finger or a leaf."""
    off = np.abs(_tip_on_sheet(seen, plane) - np.array(_sheet_size(plane)) / 2)
    return bool(np.all(off <= np.array(PLAIN_MIDDLE) / 2 + around))


def _nothing(reason: str) -> Measurement:
    names = ("seen_slope_deg", "true_slope_deg", "end_diameter_mm", "raggedness", "longest_fibre", "end_form")
    return Measurement(not_measured=dict.fromkeys(names, reason))


def _tapped(stems: list[Stem], plane: Plane, taps: Sequence[Point]) -> list[Stem]:
    """The stem whose end was tapped; where none was found there, one made of the two taps."""
    at = plane.to_mm(np.array(taps, float))
    near = [stem for stem in stems if np.hypot(*(stem.tip - at[0])) < max(6.0, 2.5 * stem.diameter)]
    return sorted(near, key=lambda stem: float(np.hypot(*(stem.tip - at[0]))))


def _measurement(seen: SeenEnd, plane: Plane) -> Measurement:
    """The signs of one end with their uncertainty.

    The laws of the standard uncertainties, in one pixel per diameter, the chance of a clean end, raggedness and the
    sides' own roughness, were fitted to errors in simulated pictures, a third of each form, and widened until 93 % lay
    within two: the slope's in 1797 (seeds 60000 to 61799; of 599 others, 70000 to 70599, 92 % lay there), the
    diameter's in 900 (60000 to 60899, drawn before torn ends were as various as now). The fibres' law is older (400
    pictures, from 10000). A torn end's slope says little, and its thinnest fibres are not seen.
    """
    end, pixel = seen.end, seen.pixel
    form = _form(seen)
    slope = float(np.degrees(np.arctan(abs(end.slope))))
    clean = form.shares["clean"]
    coarse = max(pixel / 0.04, 1.0)  # blur takes more of a thin twig than the pixels' count tells
    grain = 134.0 * pixel**0.77 * (end.raggedness + 0.02) ** 0.144 * coarse ** (0.594 * clean) * np.exp(-2.04 * clean)
    grain = float(np.clip(grain, 0.3, 40.0))
    pale = 1 / (1 + (seen.contrast / HARDLY_SEEN) ** 2)
    # a bulging outline leans when the axis is set off to one side, by half a pixel and a hundredth of the diameter
    leaning = HALF_ELLIPSE_LEANS * min(max(end.bulge, 0.0), 1.5) * (0.01 + 0.5 * pixel) / (1 + end.slope**2)
    uneven = UNEVEN_SLOPE["half"] * form.shares["half"] + UNEVEN_SLOPE["torn"] * form.shares["torn"]
    slope_sigma = float(np.linalg.norm([grain, np.degrees(leaning), uneven, PALE_SLOPE * pale]))
    crooked = max(end.sides.left_rms, end.sides.right_rms) / end.diameter + 0.002
    doubt = DOUBTFUL * max(seen.view.doubt - NO_DOUBT, 0.0)
    by_edge = 3.49 * pixel**0.718 * crooked**0.667 * coarse**0.482
    parts = [by_edge, PALE_WIDTH * pale, _apart(seen), doubt, end.diameter_doubt, plane.print_scale_sigma]
    relative = float(np.linalg.norm(parts))
    fibre_sigma = min(4.6 * pixel**0.525 * float(np.exp(-4.07 * clean)), 1.0)
    measured: dict[str, Sign] = {
        "seen_slope_deg": Measured(slope, slope_sigma),
        "true_slope_deg": _true_slope(seen, slope, slope_sigma),
        "end_diameter_mm": Measured(end.diameter, end.diameter * relative),
        "raggedness": Measured(end.raggedness, 0.2 * end.raggedness + 0.3 * pixel + 0.005),
        "longest_fibre": Measured(end.longest_fibre, fibre_sigma + 0.02),
        "end_form": form,
    }
    reasons = {}
    if clean < max(form.shares["half"], form.shares["torn"]):
        del measured["true_slope_deg"]
        reasons["true_slope_deg"] = "the end is not surely clean, so it has no one slope; photograph a clean cut"
    if form.shares["half"] > 0.3:
        part = clean_part(end)
        if part.share > 0.25:
            steep = float(np.degrees(np.arctan(abs(part.slope))))
            measured["clean_part_slope_deg"] = Measured(steep, slope_sigma / part.share**1.5)
    cells = seen.outline * seen.patch.scale + (seen.patch.x0, seen.patch.y0)
    near = cells[seen.outline[:, 0] > -3 * end.diameter]
    told = remarks(seen.patch.light, near, seen.patch.scale / seen.per_mm, pixel, plane.view_angle_deg)
    if isinstance(measured.get("true_slope_deg"), Bounded):
        told += ("the true slope is known as an interval only: roll the twig until its pale wood face shows",)
    if end.swelling:
        told += (end.swelling,)
    return Measurement(measured, reasons, _shapes(seen), told)


def _apart(seen: SeenEnd) -> float:
    """What the eye's own, coarse reading of the width adds to the uncertainty of the diameter, relative: nothing as long as
    both agree as closely as the eye reads."""
    ends = seen.facing.to_px(seen.end.to_outline(np.array([(seen.end.lip - 1.0, -0.5), (seen.end.lip - 1.0, 0.5)])))
    off = abs(np.log(seen.view.end.width / float(np.hypot(*(ends[1] - ends[0])))))
    return min(0.5 * float(np.sqrt(max(off**2 - EYE_WIDTH**2, 0.0))), MOST_APART)


def _form(seen: SeenEnd) -> Shares:
    """Probabilities of the forms: the geometric mean of what outline and light tell and of what the eye tells."""
    by_shape = end_form(seen.end, light_at(seen)).shares
    joint = {form: float(np.sqrt(by_shape[form] * share)) for form, share in zip(FORMS, seen.view.forms, strict=True)}
    return Shares({form: share / sum(joint.values()) for form, share in joint.items()})


def _true_slope(seen: SeenEnd, slope: float, sigma: float) -> Sign:
    lean = seen.facing.lean
    shear = -lean / float(np.sqrt(1 - lean**2))
    return true_slope(slope, sigma, seen.end.bulge, seen.pixel, face_tone(seen), shear, face_length(seen))


def _shapes(seen: SeenEnd) -> dict[str, np.ndarray]:
    end = seen.end
    half = end.middle
    y = end.y[half][[0, -1]]
    lines = {
        "axis": np.array([(-4.0, 0.0), (1.0, 0.0)]),
        "face_line": np.stack([end.offset + end.slope * y, y], axis=1),
        "diameter_line": np.array([(end.lip - 1.0, -0.5), (end.lip - 1.0, 0.5)]),
    }
    shapes = {name: seen.facing.to_px(end.to_outline(points)) for name, points in lines.items()}
    shapes["outline"] = seen.facing.to_px(seen.outline)
    return shapes


def light_at(seen: SeenEnd) -> Look:
    """Linear light, (n, 3), at points, (n, 2), of the end's own frame."""
    patch = seen.patch

    def look(points: np.ndarray) -> np.ndarray:
        cells = seen.end.to_outline(points) * patch.scale + (patch.x0, patch.y0)
        columns, rows = cells.T.astype(np.float32)[:, None]
        return np.asarray(cv2.remap(patch.light, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0])

    return look


def face_tone(seen: SeenEnd) -> float:
    """By how much the strip just inside the end is lighter than the bark below it, as logarithm of a ratio.

    A wood face that is seen is paler than bark; where the cut faces away, the strip is bark too.
    """
    end, look = seen.end, light_at(seen)
    strip = max(end.bulge, 1.2 * seen.pixel)
    y = np.linspace(-0.3, 0.3, 15)
    edge, dome = np.interp(y, end.y, end.x), 2 * np.sqrt(0.25 - y**2)
    tones = []
    for near, far in ((0.15 * strip, 0.85 * strip), (strip + 0.15, strip + 0.6)):
        x = edge[None, :] - np.linspace(near, far, 9)[:, None] * dome
        light = look(np.stack([x.ravel(), np.tile(y, 9)], axis=1))
        tones.append(np.log(np.median(light, axis=0) + 0.01))
    return float((tones[0] - tones[1]).mean())


def face_length(seen: SeenEnd) -> tuple[float, float] | None:
    """Length of the pale wood face along the axis through its middle, and the spread of its readings, in diameters.

    On each of some lines along the axis the border between face and bark is where two even tones explain the light
    best; a face is an ellipse, so that every line tells the length through the middle. None where the lines disagree,
    as with torn wood, or where a picture is too coarse.
    """
    end, start = seen.end, 0.5 * seen.pixel
    if seen.pixel > COARSEST_FACE:
        return None
    y = np.linspace(-0.3, 0.3, 13)
    behind = np.linspace(start, LONGEST_FACE, 90)
    x = np.interp(y, end.y, end.x)[:, None] - behind
    tone = np.log(light_at(seen)(np.stack([x.ravel(), np.repeat(y, len(behind))], axis=1)) + 0.01)
    total = np.cumsum(tone.reshape(len(y), len(behind), 3), axis=1)
    count = np.arange(1, len(behind) + 1)[:, None]
    before = (total / count)[:, 1:-8]
    after = ((total[:, -1:] - total)[:, 1:-8]) / (len(behind) - count[1:-8])
    apart = before - after
    gain = (apart**2).sum(axis=2) * (count * (len(behind) - count))[1:-8, 0]  # how much two tones explain over one
    gain = np.where(apart.mean(axis=2) > 0.15, gain, 0.0)
    found = gain.max(axis=1) > 0
    if found.sum() < 9:
        return None
    length = (behind[1 + gain.argmax(axis=1)] / (2 * np.sqrt(0.25 - y**2)))[found]
    middle = float(np.median(length))
    spread = 1.4826 * float(np.median(np.abs(length - middle)))
    return None if spread > FACE_LINES_AGREE else (middle, spread)
