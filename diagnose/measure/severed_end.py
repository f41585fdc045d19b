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

from diagnose.measure.end_form import Look, end_form
from diagnose.measure.end_shape import End, clean_part, find_end
from diagnose.measure.quality import remarks
from diagnose.measure.record import Measurement
from diagnose.measure.true_slope import true_slope
from diagnose.measure.two_sides import shrinking
from diagnose.photo.markers import LIGHT
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane, on_sheet
from diagnose.signs import Bounded, Measured, Shares, Sign

Point = tuple[float, float]
COARSE = 4.0  # pixels a millimetre on the sheet's coarse map
EVENLY = np.full(3, 1 / 3, np.float32)  # weights of blue, green and red
FIELD_STEP = 4  # pixels between those where the light of bare paper is worked out
INSET = 2.0  # the sheet's edge, left out [mm]
LEAST_PIECE = 5.0  # of what lies on the sheet [mm2]
THICKEST = 14.0  # a stem wider than this is a finger, a leaf or a shadow [mm]
SHORTEST_WHOLE = 3.0  # what lies on the sheet with both its ends and is shorter, in diameters, is dirt or a seed
DARKER_THAN_SHADOW = 1.3  # darkness, warmth counted twice, that no shadow on white paper reaches
DEEPENING = 1.2  # shadow from 2 px off to the edge, as a share of that from 3.4 px to 2 px off
TORN_WIDER = 0.2  # by which the slope of an end that is not clean is less sure than the fitted law: its errors have tails
CLEAN_SURER = 0.55  # by which a clean end's slope is surer than the law that was fitted to ends of every form
IN_SUN = 0.85  # by which sun along one side of the end leans its slope, however many pixels the stem is wide [degree]
HALF_ELLIPSE_LEANS = 2.62  # slope of the line through its middle 80 %, over the offset and its height: by integration
COARSEST_FACE = 0.1  # pixel, in diameters, beyond which the wood face is not measured
LONGEST_FACE = 2.2  # diameters: a slope of 65 degrees, seen face on
FACE_LINES_AGREE = 0.08  # diameters: lines on torn wood differ by more
PLAIN_MIDDLE = (110.0, 60.0)  # of the sheet [mm]
AROUND_MIDDLE = 2.0  # an end may lie this far outside it [mm]
FIRST_LOOK = 1.5  # by which a first look may be off [mm]


@dataclass(frozen=True)
class Stem:
    """A stem found on the sheet: its end, a point farther back, both in plane [mm], and its rough diameter [mm]."""

    tip: np.ndarray
    back: np.ndarray
    diameter: float
    score: float
    whole: bool = False  # both its ends lie on the sheet


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


# --- light -----------------------------------------------------------------------------------------------------


def white_field(light: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """Light of bare white paper, (h, w, 3), from linear light of the same shape and a mask of pixels to try.

    A quadratic in the logarithm, fitted to the brighter side of what is there.
    """
    h, w = light.shape[:2]
    step = max(1, int(np.sqrt(h * w / 2500)))
    v, u = np.mgrid[0:h:step, 0:w:step]
    u, v, on = (u / w - 0.5).ravel(), (v / h - 0.5).ravel(), usable[::step, ::step].ravel() > 0
    basis = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    logs = np.log(light[::step, ::step].reshape(-1, 3) + 0.004)
    brightness = logs @ EVENLY
    on &= brightness > np.percentile(brightness[on], 97) - 0.9
    keep = on & (brightness > np.percentile(brightness[on], 60) - 0.12)
    for terms in (1, 3, 6, 6, 6):
        if keep.sum() < 40:
            break
        own = basis[keep][:, :terms]
        fit = np.linalg.lstsq(own.T @ own, own.T @ logs[keep], rcond=None)[0]
        blue, green, red = (logs - basis[:, :terms] @ fit).T
        grey = (blue + green + red) / 3
        tint = np.maximum(np.maximum(blue, green), red) - np.minimum(np.minimum(blue, green), red)
        spread = max(1.4826 * float(np.median(np.abs(grey[keep]))), 0.01)
        keep = on & (grey > -2.5 * spread) & (grey < 4 * spread) & (tint < 0.1 + 3 * spread)
    # so smooth a field is worked out for one in FIELD_STEP pixels of either side and laid between
    across, down = ((np.arange(-(-side // FIELD_STEP)) * FIELD_STEP + (FIELD_STEP - 1) / 2) / side - 0.5 for side in (w, h))
    one, of_u, of_v, of_uu, of_uv, of_vv = np.pad(fit, ((0, 6 - len(fit)), (0, 0)))
    u, v = across[None, :, None], down[:, None, None]
    few = np.exp(one + of_u * u + of_v * v + of_uu * u * u + of_uv * u * v + of_vv * v * v).astype(np.float32)
    return cv2.resize(few, None, fx=FIELD_STEP, fy=FIELD_STEP, interpolation=cv2.INTER_LINEAR)[:h, :w]


def _colour(light: np.ndarray, white: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Darkness, warmth and greenness of each pixel against white paper, each the logarithm of a ratio."""
    ratio = cv2.log((light + np.float32(0.01)) / (white + np.float32(0.01)))
    b, g, r = cv2.split(ratio)
    return (b + g + r) / 3, r - b, g - (r + b) / 2


# --- the whole sheet, coarsely ---------------------------------------------------------------------------------


def _sheet_map(picture: Picture, plane: Plane) -> np.ndarray:
    """The sheet seen from straight above, COARSE pixels a millimetre, linear light."""
    width, height = _sheet_size(plane)
    fine = plane.px_per_mm((width / 2, height / 2)) / COARSE
    factor = next((factor for factor in (8, 4, 2) if factor <= fine), 1)
    cell_to_mm = np.array([[1 / COARSE, 0, 0.5 / COARSE], [0, 1 / COARSE, 0.5 / COARSE], [0, 0, 1]])
    seen = cv2.warpPerspective(
        picture.smaller(factor), shrinking(factor) @ plane.H @ cell_to_mm, (int(width * COARSE), int(height * COARSE)),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    return cv2.LUT(seen, LIGHT)


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


def _not_paper(light: np.ndarray, paper: np.ndarray) -> np.ndarray:
    """Mask of what is neither paper nor shadow: warmer, greener or much darker than either."""
    white = white_field(light, paper)
    dark, warm, green = _colour(cv2.GaussianBlur(light, (0, 0), 0.7), white)
    coloured = ((warm > 0.2) | (green > 0.15)) & (dark < -0.12)
    beyond_shadow = 2 * np.clip(warm, -0.5, 0.2) - dark
    found = coloured | (beyond_shadow > DARKER_THAN_SHADOW)
    # grey bark may be as pale as a shadow in places: what lies between surer parts of a stem is stem too
    bridged = cv2.morphologyEx(found.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8))
    found |= (bridged > 0) & (beyond_shadow > 0.5 * DARKER_THAN_SHADOW)
    return (found & (paper > 0)).astype(np.uint8)


def find_stems(picture: Picture, plane: Plane) -> list[Stem]:
    """Stems whose end lies in the sheet's plain middle, the likeliest first."""
    light, paper = _sheet_map(picture, plane), _paper(plane)
    found = cv2.morphologyEx(_not_paper(light, paper), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(found, connectivity=8)
    rim = paper & ~cv2.erode(paper, np.ones((5, 5), np.uint8), borderValue=0)
    stems: list[Stem] = []
    for label in range(1, count):
        x, y, wide, high, area = stats[label]
        if area >= LEAST_PIECE * COARSE**2:
            piece = np.s_[max(y - 1, 0) : y + high + 1, max(x - 1, 0) : x + wide + 1]
            stems += _stems_of(labels[piece] == label, rim[piece], np.array([max(x - 1, 0), max(y - 1, 0)]), plane)
    clear = cv2.erode(paper, np.ones((7, 7), np.uint8), borderValue=0)  # a stem may run on over ink: no end there
    stems = [stem for stem in stems if clear[tuple((stem.tip[::-1] * COARSE).astype(int))]]
    return sorted(stems, key=lambda stem: -stem.score)


def _stems_of(own: np.ndarray, rim: np.ndarray, corner: np.ndarray, plane: Plane) -> list[Stem]:
    """The stem that one connected piece is: entering over the rim of the paper, or lying on it with both ends.

    corner : (2,) of the masks `own` and `rim` on the coarse map.
    """
    v, u = np.nonzero(own)
    at = np.stack([u, v], axis=1).astype(float)
    entry = own & (rim > 0)
    if entry.any():
        starts = [np.stack(np.nonzero(entry)[::-1], axis=1).mean(axis=0)]
    else:
        middle = at.mean(axis=0)
        first = at[np.argmax(((at - middle) ** 2).sum(axis=1))]
        second = at[np.argmax(((at - first) ** 2).sum(axis=1))]
        starts = [first, second]
    thickness = cv2.distanceTransform(own.astype(np.uint8), cv2.DIST_L2, 5)
    near = cv2.dilate(thickness, np.ones((9, 9), np.uint8))
    stems = []
    for start in starts:
        far = at[np.argsort(((at - start) ** 2).sum(axis=1))[-max(4, len(at) // 300) :]].mean(axis=0)
        length = float(np.hypot(*(far - start)))
        line = (start + (far - start) * np.linspace(0.15, 0.9, 40)[:, None]).round().astype(int)
        diameter = 2 * float(np.median(near[line[:, 1], line[:, 0]])) - 0.7
        shortest = 1.3 if entry.any() else SHORTEST_WHOLE
        if length < shortest * diameter or diameter < 2 or diameter > THICKEST * COARSE:
            continue
        end, direction = _tip_along(at, far, (far - start) / length, diameter)
        tip, behind = ((place + corner + 0.5) / COARSE for place in (end, end - direction * min(4 * diameter, length)))
        if not _in_plain_middle(tip, plane):
            continue
        stems.append(Stem(tip, behind, diameter / COARSE, length / diameter, not entry.any()))
    return stems


def _tip_along(
    at: np.ndarray, far: np.ndarray, direction: np.ndarray, diameter: float
) -> tuple[np.ndarray, np.ndarray]:
    """The end of the stem that runs towards `far`, and its direction there; forks and buds are left aside."""
    piece = at[((at - far) ** 2).sum(axis=1) < (4.5 * diameter) ** 2]
    centre = far
    for width in (1.2, 0.9, 0.7):
        across = np.array([-direction[1], direction[0]])
        own = piece[np.abs((piece - centre) @ across) < width * diameter]
        if len(own) < 8:
            break
        centre = np.median(own, axis=0)
        found = np.linalg.eigh(np.cov((own - centre).T))[1][:, 1]
        if abs(found @ direction) < 0.7:
            break
        direction = found * np.sign(found @ direction)
    across = np.array([-direction[1], direction[0]])
    own = piece[np.abs((piece - centre) @ across) < 0.7 * diameter]
    if len(own) < 8:
        return far, direction
    return centre + direction * float(np.percentile((own - centre) @ direction, 99)), direction


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


def twig_mask(patch: Patch, diameter: float, plain: np.ndarray, straight: bool) -> np.ndarray | None:
    """Mask of the twig in the patch, to about a pixel.

    plain : mask of the patch's cells over paper without ink. straight : whether the axis is known to run along x.
    """
    light = patch.light
    h, w = light.shape[:2]
    x = (np.arange(w) - patch.x0) / patch.scale / diameter
    y = (np.arange(h) - patch.y0) / patch.scale / diameter
    away = plain.copy()
    away[np.ix_(np.abs(y) < 0.7, x < 0.3)] = 0
    white = white_field(light, away)
    dark, warm, green = _colour(cv2.GaussianBlur(light, (0, 0), 0.6), white)
    core = np.zeros((h, w), bool)
    core[np.ix_(np.abs(y) < 0.3, (x > -4) & (x < -0.6))] = True
    core &= (dark < -0.8) | (warm > 0.2) | (green > 0.15)
    beside = np.zeros((h, w), bool)
    beside[np.ix_((np.abs(y) > 0.6), x < 0.8)] = True
    beside &= plain > 0
    beside &= (warm < 0.12) & (np.abs(green) < 0.1) & (dark > -1.2)
    if core.sum() < 30 or beside.sum() < 30:
        return None
    features = np.stack([dark, warm, green], axis=2)
    # along the straight part bark, noise and shadow differ more plainly when averaged along the axis
    run = int(0.8 * diameter * patch.scale) | 1
    stem = int(patch.x0 - 0.9 * diameter * patch.scale)
    if stem > run:
        features[:, :stem] = cv2.blur(features[:, :stem], (run, 1))
    tell = _telling(features, core, beside)
    dark, warm, green = (features[..., k] for k in range(3))
    found = tell | ((warm > 0.15) & (dark < -0.1)) | ((green > 0.12) & (dark < -0.1))
    found = cv2.morphologyEx(found.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    found[(plain == 0) & (np.abs(y) > 0.55)[:, None]] = 0
    if straight and stem > 2:  # a straight stem has no notches: pale flecks of bark at its sides are bark
        longer = int(1.2 * diameter * patch.scale) | 1
        closed = cv2.morphologyEx(found[:, :stem], cv2.MORPH_CLOSE, np.ones((1, longer), np.uint8))
        found[:, :stem] |= closed & (np.abs(y) < 0.47)[:, None]
    return _own_piece(found, core)


def _telling(features: np.ndarray, core: np.ndarray, beside: np.ndarray) -> np.ndarray:
    """Fisher's linear discriminant between the stem's core and what lies beside it, shadows included."""
    a, b = features[core], features[beside]
    shaded = b[b[:, 0] < -0.3]
    in_sun = int(((b[:, 0] < -0.35) & (b[:, 1] < -0.1)).sum()) >= 15
    deepest, bluest = (-1.1, -0.3) if in_sun else (-0.6, -0.05)
    shadows = np.stack(np.meshgrid(np.linspace(deepest, -0.3, 9), (bluest, bluest / 2, 0.0), (-0.04, 0.02)), axis=-1)
    shadows = shadows.reshape(-1, 3)  # dark, bluish to neutral: what sun and sky leave on white paper
    b = np.concatenate([shaded, np.tile(shadows, (1 + len(shaded) // (2 * len(shadows)), 1))])
    within = np.cov(a.T) + np.cov(b.T) + 0.01 * np.eye(3)
    direction = np.linalg.solve(within, np.median(a, axis=0) - np.median(b, axis=0))
    threshold = 0.5 * (np.median(a @ direction) + np.percentile(b @ direction, 80))
    return (features @ direction > threshold) & (features[..., 0] < -0.35)


def _own_piece(found: np.ndarray, core: np.ndarray) -> np.ndarray | None:
    """The piece that holds most of the core, its holes filled."""
    _, labels = cv2.connectedComponents(found, connectivity=8)
    inside = labels[core & (found > 0)]
    if len(inside) == 0:
        return None
    own = (labels == np.bincount(inside).argmax()).astype(np.uint8)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(own), contours, -1, 1, cv2.FILLED)


def sharpened_outline(patch: Patch, mask: np.ndarray, zoom: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """The mask's outline moved to where light is half-way between inside and outside: (n, 2) cells, (n,) contrast.

    Inside and outside are looked up two or three pixels to either side along the normal, so that a shadow on one
    side, pale wood or dark bark each have their own half-way, and a narrow shadow's far edge is not taken for the
    twig's. zoom : cells of the patch a pixel of the picture.
    """
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=len)[:, 0].astype(float)
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
        mask = twig_mask(patch, diameter, plain, straight=turn > 0)
        if mask is None:
            return seen
        cells, contrast = sharpened_outline(patch, mask, max(patch.scale / per_mm, 1.0))
        outline = patch.to_mm(cells)
        lip = _rough_lip(patch, mask, diameter)
        end = find_end(outline, lip, diameter, on_plain=partial(_looks_at, patch, plain))
        if end is None or end.diameter > THICKEST:
            return seen
        on_sides = outline[:, 0] < lip - 0.5 * diameter
        sides = float(np.percentile(contrast[on_sides], 20)) if on_sides.any() else 0.1
        seen = SeenEnd(end, facing, patch, outline, per_mm, sides)
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
    if taps:
        stems = _tapped(stems, plane, taps)
    ends = []
    for stem in stems:
        seen = see_end(picture, plane, stem, anywhere=bool(taps))
        if seen is not None and (taps or _in_the_middle(seen, plane)):
            ends.append(seen)
        if ends and (taps or not stem.whole):
            break
    if not ends:
        return _nothing("no severed end was found in the card's plain middle: lay the twig's end there, the stem over the "
                        "card's edge, and tap the end")
    if len(ends) > 1:
        return _of_both(ends, plane)
    return _measurement(ends[0], plane)


def looks_for_an_end(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> bool:
    """Whether the photographer is after a severed end on the card and not after a wound beside it.

    taps : upright pixels; the first one tells by where it lies. Without any, what is no paper in the plain middle tells.
    """
    width, height = _sheet_size(plane)
    if taps:
        x, y = plane.to_mm(np.array([taps[0]], float))[0]
        return bool(0 <= x <= width and 0 <= y <= height)
    found = _not_paper(_sheet_map(picture, plane), _paper(plane))
    aside, above = ((side - bare) / 2 for side, bare in zip((width, height), PLAIN_MIDDLE, strict=True))
    middle = np.s_[int(above * COARSE) : int((height - above) * COARSE), int(aside * COARSE) : int((width - aside) * COARSE)]
    return int(found[middle].sum()) >= LEAST_PIECE * COARSE**2


def _in_the_middle(seen: SeenEnd, plane: Plane, around: float = AROUND_MIDDLE) -> bool:
    """Whether the end lies in the sheet's plain middle: what only reaches in from the edge is a finger or a leaf."""
    tip = plane.to_mm(seen.facing.to_px(seen.end.to_outline(np.array([[seen.end.offset, 0.0]]))))[0]
    return bool(np.all(np.abs(tip - np.array(_sheet_size(plane)) / 2) <= np.array(PLAIN_MIDDLE) / 2 + around))


def _nothing(reason: str) -> Measurement:
    names = ("seen_slope_deg", "true_slope_deg", "end_diameter_mm", "raggedness", "longest_fibre", "end_form")
    return Measurement(not_measured=dict.fromkeys(names, reason))


def _tapped(stems: list[Stem], plane: Plane, taps: Sequence[Point]) -> list[Stem]:
    """The stem whose end was tapped; where none was found there, one made of the two taps."""
    at = plane.to_mm(np.array(taps, float))
    near = [stem for stem in stems if np.hypot(*(stem.tip - at[0])) < max(6.0, 2.5 * stem.diameter)]
    if near:
        return sorted(near, key=lambda stem: float(np.hypot(*(stem.tip - at[0]))))
    if len(at) < 2:
        return []
    length = float(np.hypot(*(at[0] - at[1])))
    return [Stem(at[0], at[1], min(max(length / 6, 1.5), THICKEST / 1.5), 0.0)]


def _of_both(ends: list[SeenEnd], plane: Plane) -> Measurement:
    """The end of two on the card that looks bitten, with a remark that tells of the other one and asks; neither where
    both look alike, with a reason that tells of both."""
    chosen = _not_the_collectors_cut(ends)
    if chosen is None:
        both = ", one ".join(_in_words(_measurement(seen, plane)) for seen in ends)
        return _nothing(f"both ends of the twig lie on the card, one {both}: tap the one that was bitten")
    found = _measurement(chosen, plane)
    other = _in_words(_measurement(next(seen for seen in ends if seen is not chosen), plane))
    told = (f"both ends of the twig lie on the card: the other, {other}, looks like the collector's own cut; tap it if "
            "it is the bitten one")
    return replace(found, remarks=(told, *found.remarks))


def _in_words(found: Measurement) -> str:
    """One end in a few words: its likeliest form and how steep it is."""
    form, slope = found.measured["end_form"], found.measured["seen_slope_deg"]
    assert isinstance(form, Shares) and isinstance(slope, Measured)
    likeliest = max(form.shares, key=lambda name: form.shares[name])
    return f"{likeliest} at {slope.value:.0f} ± {slope.sigma:.0f}°"


def _not_the_collectors_cut(ends: list[SeenEnd]) -> SeenEnd | None:
    """Of two ends the one that is not cut square and smooth, as who takes a twig for a sample cuts it."""
    square = [abs(seen.end.slope) < np.tan(np.radians(8)) and seen.end.raggedness < 0.03 for seen in ends]
    left = [seen for seen, cut in zip(ends, square, strict=True) if not cut]
    return left[0] if len(left) == 1 else None


def _measurement(seen: SeenEnd, plane: Plane) -> Measurement:
    """The signs of one end with their uncertainty.

    The laws of the standard uncertainties, in one pixel per diameter, the chance of a clean end, raggedness and the
    sides' own roughness, were fitted to errors in simulated pictures, a third of each form, and widened until 93 % lay
    within two: the slope's in 1797 (seeds 60000 to 61799; of 599 others, 70000 to 70599, 92 % lay there), the
    diameter's in 900 (60000 to 60899, drawn before torn ends were as various as now). CLEAN_SURER and IN_SUN came later,
    from 72 clean ends (300000 to 300047, 330000 to 330023): some 75 and 90 % of them lie within one and two, 82 and 93 %
    before, but of those with many pixels only 81 % within two. The fibres' law is older (400 pictures, from 10000). A
    torn end's slope says little, and its thinnest fibres are not seen.
    """
    end, pixel = seen.end, seen.pixel
    form = end_form(end, light_at(seen))
    slope = float(np.degrees(np.arctan(abs(end.slope))))
    clean = form.shares["clean"]
    coarse = max(pixel / 0.04, 1.0)  # blur takes more of a thin twig than the pixels' count tells
    grain = 134.0 * pixel**0.77 * (end.raggedness + 0.02) ** 0.144 * coarse ** (0.594 * clean) * np.exp(-2.04 * clean)
    grain = float(np.clip(grain * (1 + TORN_WIDER * (1 - clean)) * (1 - CLEAN_SURER * clean), 0.3, 40.0))
    # a bulging outline leans when the axis is set off to one side, by half a pixel and a hundredth of the diameter
    leaning = HALF_ELLIPSE_LEANS * min(max(end.bulge, 0.0), 1.5) * (0.01 + 0.5 * pixel) / (1 + end.slope**2)
    slope_sigma = float(np.linalg.norm([grain, np.degrees(leaning), IN_SUN]))
    crooked = max(end.sides.left_rms, end.sides.right_rms) / end.diameter + 0.002
    relative = float(np.hypot(3.49 * pixel**0.718 * crooked**0.667 * coarse**0.482, plane.print_scale_sigma))
    relative = float(np.hypot(relative, end.diameter_doubt))
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
