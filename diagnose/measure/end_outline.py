"""Where exactly does the outline of a stem's end run, once the eye has seen it?

Around the end the picture is laid into a frame of the stem's own. There the eye's coarse map and the colours of what it is
sure of give a mask, to about a pixel, and its border is moved to where the light is half-way between both sides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np

from diagnose.eye.pieces import CLOSE_STRIDE, CLOSE_WIDTH, moved
from diagnose.eye.see import CloseView
from diagnose.measure.end_form import Look
from diagnose.measure.end_shape import End, OnPlain, find_end
from diagnose.measure.rim import without_rim
from diagnose.measure.smooth import largest
from diagnose.photo.markers import LIGHT
from diagnose.photo.picture import Picture

DEEPENING = 1.2  # shadow from 2 px off to the edge, as a share of that from 3.4 px to 2 px off
MAP_ASIDE, MAP_BEHIND = 1.4, (1.5, 2.0, 2.5)  # where the map's width is read, across and below the lip [diameters]
COLOUR_SAYS = 2.0  # the most that colours may say against the eye, as logarithm of odds
COLOURS, COLOUR_FLOOR, LEAST_CELLS = 4, 0.004, 60  # distributions of a part's colours; least variance; least cells
ENOUGH_CELLS = 1200  # to tell a part's colours by
MAP_CELL = 0.5  # of the eye's close map, by which its borders may be off


class Frame(Protocol):
    """A frame of the stem's own: x outwards along its axis, y across, in millimetres or pixels."""

    def to_px(self, xy: np.ndarray) -> np.ndarray:
        """Points of the frame to upright pixels, (n, 2).

        Parameters
        ----------
        xy
            (n, 2) points [mm or px].
        """


@dataclass(frozen=True)
class Outlined:
    """A stem's end as it was outlined.

    Parameters
    ----------
    end, patch
        Its shape, and the linear light round it [no unit].
    outline, off
        (n, 2), and (n,) how far each point lies from the eye's own border [unit of the frame].
    contrast
        Of the sides against what lies beside them, 1 for white paper [no unit].
    """

    end: End
    patch: Patch
    outline: np.ndarray
    off: np.ndarray
    contrast: float


def light_in(found: Outlined) -> Look:
    """What tells the linear light, (n, 3), at points, (n, 2), of the end's own frame.

    Parameters
    ----------
    found
        The end as it was outlined [no unit].

    Returns
    -------
    callable
        From points [diameters] to linear blue, green and red, 0 to 1.
    """
    patch = found.patch

    def look(points: np.ndarray) -> np.ndarray:
        cells = found.end.to_outline(points) * patch.scale + (patch.x0, patch.y0)
        columns, rows = cells.T.astype(np.float32)[:, None]
        return np.asarray(cv2.remap(patch.light, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0])

    return look


def shapes_of(found: Outlined, frame: Frame, slope: float) -> dict[str, np.ndarray]:
    """The lines that the annotated picture shows of an end, (n, 2) upright pixels each, by name.

    Parameters
    ----------
    found
        The end as it was outlined [no unit].
    frame
        In which it was [no unit].
    slope
        Of the end, a signed tangent in its own frame [no unit].
    """
    end = found.end
    y = end.y[end.middle][[0, -1]]
    lines = {
        "axis": np.array([(-4.0, 0.0), (1.0, 0.0)]),
        "face_line": np.stack([end.offset + slope * y, y], axis=1),
        "diameter_line": np.array([(end.lip - 1.0, -0.5), (end.lip - 1.0, 0.5)]),
    }
    shapes = {name: frame.to_px(end.to_outline(points)) for name, points in lines.items()}
    shapes["outline"] = frame.to_px(found.outline)
    return shapes


def widths_by_map(found: Outlined, frame: Frame, view: CloseView) -> tuple[float, float]:
    """The stem's width on the eye's map, in fitted diameters: where the diameter is read, and the most of it behind.

    Parameters
    ----------
    found
        The end as it was outlined [no unit].
    frame
        In which it was [no unit].
    view
        What the eye sees of it closely [no unit].
    """
    y = np.arange(-MAP_ASIDE, MAP_ASIDE + 0.01, 0.02)
    end = found.end

    def wide(back: float) -> float:
        across = end.to_outline(np.column_stack([np.full(len(y), end.lip - back), y]))
        return 0.02 * float(view.stem_at(frame.to_px(across)).sum())

    return wide(1.0), max(wide(back) for back in MAP_BEHIND)


def shadow_by_map(found: Outlined, frame: Frame, view: CloseView) -> tuple[float, float]:
    """Mean probability of shadow on the eye's map: beside the stem, on the side that has more of it, and on the stem.

    Parameters
    ----------
    found
        The end as it was outlined [no unit].
    frame
        In which it was [no unit].
    view
        What the eye sees of it closely [no unit].
    """
    end = found.end
    x = end.lip + np.arange(-2.2, -0.4, 0.1)

    def mean(low: float, high: float) -> float:
        at = np.stack(np.meshgrid(x, np.arange(low, high, 0.05)), axis=-1).reshape(-1, 2)
        return float(view.at(frame.to_px(end.to_outline(at)), "shadow").mean())

    return max(mean(0.45, 0.9), mean(-0.9, -0.45)), mean(-0.45, 0.45)


def outlined(
    picture: Picture, frame: Frame, view: CloseView, width: float, per_unit: float, on_plain: OnPlain | None = None
) -> Outlined | None:
    """The end in one frame; None where the eye's map shows no stem there, or no two sides.

    Parameters
    ----------
    picture
        That is measured [no unit].
    frame
        Of the stem's own [mm or px].
    view
        What the eye sees of the end closely [no unit].
    width
        About the stem's [unit of the frame].
    per_unit
        Pixels of the picture in one of the frame's unit [px].
    on_plain
        Tells of points, (n, 2), of the frame whether the background there is plain paper; None where it is so nowhere or not
        known [no unit].
    """
    patch = take_patch(picture, frame, width, per_unit)
    mask = twig_mask(patch, frame, view)
    if mask is None:
        return None
    coarse = outline_of(mask)
    zoom = max(patch.scale / per_unit, 1.0)
    wide = max(zoom, MAP_CELL * width * patch.scale / CLOSE_WIDTH * CLOSE_STRIDE)
    cells = sharpened_outline(patch, coarse, wide)[0] if wide > 1.3 * zoom else coarse
    cells, contrast = sharpened_outline(patch, cells, zoom)
    outline = patch.to_mm(cells)
    lip = _rough_lip(patch, mask, width)
    end = None if lip is None else find_end(outline, lip, width, on_plain=on_plain)
    if lip is None or end is None:
        return None
    on_sides = outline[:, 0] < lip - 0.5 * width
    sides = float(np.percentile(contrast[on_sides], 20)) if on_sides.any() else 0.1
    return Outlined(end, patch, outline, np.hypot(*(cells - coarse).T) / patch.scale, sides)


@dataclass(frozen=True)
class Patch:
    """Linear light around the end.

    Parameters
    ----------
    light
        (h, w, 3), 0 to 1 [no unit].
    scale, x0, y0
        Column x0 + x * scale, row y0 + y * scale of the frame [cells].
    """

    light: np.ndarray
    scale: float
    x0: float
    y0: float

    def to_mm(self, cells: np.ndarray) -> np.ndarray:
        """Points of the frame, (n, 2) [mm or px].

        Parameters
        ----------
        cells
            (n, 2) columns and rows [cells].
        """
        return (cells - (self.x0, self.y0)) / self.scale


def take_patch(picture: Picture, frame: Frame, diameter: float, per_mm: float) -> Patch:
    """Sample the picture around the end, 5.4 diameters back and 3 ahead, at about its own resolution.

    Parameters
    ----------
    picture
        That is measured [no unit].
    frame
        Of the stem's own [mm or px].
    diameter
        About the stem's [unit of the frame].
    per_mm
        Pixels of the picture in one of the frame's unit [px].
    """
    behind, ahead, aside = 5.4 * diameter, 3.0 * diameter + 1, 1.4 * diameter + 1.5
    scale = min(per_mm, 80 / diameter)
    if per_mm * diameter < 30:
        scale = per_mm * 1.5
    w, h = int((behind + ahead) * scale), int(2 * aside * scale)
    corners = np.array([(-behind, -aside), (ahead, -aside), (ahead, aside), (-behind, aside)])
    px = frame.to_px(corners)
    x0, y0 = np.clip(np.floor(px.min(axis=0)).astype(int) - 3, 0, np.subtract(picture.size, 2))  # it may lie outside
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 4, picture.size)
    part = picture.bgr[y0 : max(y1, y0 + 2), x0 : max(x1, x0 + 2)]
    factor = max(1, min(int(per_mm / scale), *part.shape[:2]))
    if factor > 1:
        part = cv2.resize(part[: part.shape[0] // factor * factor, : part.shape[1] // factor * factor], None,
                          fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    px = (px - (x0, y0) + 0.5) / factor - 0.5
    cells = (corners + (behind, aside)) * scale
    H = cv2.getPerspectiveTransform(cells.astype(np.float32), px.astype(np.float32))
    way = cv2.INTER_CUBIC if scale > per_mm else cv2.INTER_LINEAR
    seen = cv2.warpPerspective(part, H, (w, h), flags=way | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    return Patch(cv2.LUT(seen, LIGHT), scale, behind * scale, aside * scale)


def twig_mask(patch: Patch, frame: Frame, view: CloseView) -> np.ndarray | None:
    """Mask of the twig in the patch, (h, w) uint8, as the eye saw it: where a stem is likelier than all else together.

    Parameters
    ----------
    patch
        Linear light round the end [no unit].
    frame
        In which the patch lies [no unit].
    view
        What the eye sees of the end closely [no unit].

    Returns
    -------
    numpy.ndarray or None
        1 on the twig, else 0; None where no stem is seen, or too few cells of one for an outline.
    """
    h, w = patch.light.shape[:2]
    corners = np.array([(0, 0), (w, 0), (w, h), (0, h)], float)
    px = frame.to_px(patch.to_mm(corners))
    cells = moved(px, np.linalg.inv(view.to_px))
    H = cv2.getPerspectiveTransform(corners.astype(np.float32), cells.astype(np.float32))
    likely = cv2.warpPerspective(view.stem, H, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=0.0)
    within = np.clip(likely, 0.02, 0.98)
    smooth = cv2.GaussianBlur(patch.light, (0, 0), 0.8)
    whole = largest(cv2.log(within / (1 - within)) + by_colour(smooth, likely) > 0, LEAST_CELLS)
    return None if whole is None else largest(without_rim(smooth, whole), LEAST_CELLS)


def by_colour(smooth: np.ndarray, likely: np.ndarray) -> np.ndarray:
    """How much the colours of each cell speak for the stem, (h, w), as the logarithm of odds, at most COLOUR_SAYS [nat].

    What the eye is sure of tells the colours of stem and surroundings, shadows among them, each as some normal
    distributions; the eye's border is coarse, and a shadow that it takes for stem has the colour of another that it does
    not.

    Parameters
    ----------
    smooth
        (h, w, 3) linear light, a little smoothed, 0 to 1 [no unit].
    likely
        (h, w) the eye's probability of stem, 0 to 1 [no unit].

    References
    ----------
    .. [1] Our own.
    """
    on, off = likely > 0.9, likely < 0.1
    sure = [np.flatnonzero(where) for where in (on, off)]
    if min(map(len, sure)) < LEAST_CELLS:
        return np.zeros_like(likely)
    border = np.flatnonzero(cv2.dilate(255 - 255 * (on | off).astype(np.uint8), np.ones((5, 5), np.uint8)))
    light = smooth.reshape(-1, 3)

    def tone(cells: np.ndarray) -> np.ndarray:
        return np.log(light[cells] + np.float32(0.01))

    seen = tone(border)
    odds = [_mixture(seen, tone(own[:: max(1, len(own) // ENOUGH_CELLS)])) for own in sure]
    says = np.zeros(likely.shape, np.float32)
    says.ravel()[border] = np.clip(odds[0] - odds[1], -6, 6)
    return np.clip(cv2.GaussianBlur(says, (0, 0), 1.0), -COLOUR_SAYS, COLOUR_SAYS)


def _mixture(values: np.ndarray, sample: np.ndarray) -> np.ndarray:
    """Logarithm of the density of each value, (n, 3), under COLOURS normal distributions fitted to a sample, (m, 3)."""
    stop = (cv2.TERM_CRITERIA_MAX_ITER, 8, 0.0)
    cv2.setRNGSeed(0)
    _, labels, _ = cv2.kmeans(sample, COLOURS, None, stop, 1, cv2.KMEANS_PP_CENTERS)
    terms = []
    for k in range(COLOURS):
        own = sample[labels[:, 0] == k]
        if len(own) < 8:
            continue
        root = np.linalg.cholesky(np.linalg.inv(np.cov(own.T) + COLOUR_FLOOR * np.eye(3)))
        evened = (values - own.mean(axis=0)) @ np.float32(root)
        share = np.log(len(own) / len(sample)) + np.log(np.diag(root)).sum()
        terms.append(share - 0.5 * np.einsum("ni,ni->n", evened, evened))
    return np.asarray(np.logaddexp.reduce(terms, axis=0))


def outline_of(mask: np.ndarray) -> np.ndarray:
    """The outline of a mask, (n, 2) cells, as OpenCV's outer contours run.

    Parameters
    ----------
    mask
        (h, w) uint8, above 0 on the stem [no unit].
    """
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(contours, key=len)[:, 0], float)


def sharpened_outline(patch: Patch, outline: np.ndarray, zoom: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """An outline moved to the half-maximum crossing of each edge: where light is half-way between inside and outside.

    Inside and outside are looked up two or three pixels to either side along the normal, so that a shadow on one side, pale
    wood or dark bark each have their own half-way, and a narrow shadow's far edge is not taken for the twig's.

    Parameters
    ----------
    patch
        Linear light round the end [no unit].
    outline
        (n, 2) columns and rows, closed [cells].
    zoom
        Cells of the patch a pixel of the picture [cells].

    Returns
    -------
    outline, contrast : numpy.ndarray
        (n, 2) [cells], and (n,) the step across, as a share of the brightest light about.

    References
    ----------
    .. [1] Our own.
    """
    reach = np.arange(-4.0, 4.25, 0.25, np.float32) * np.float32(zoom)
    within, without, beyond = (slice(*np.searchsorted(reach, np.multiply(span, zoom)))
                               for span in ((-2.3, -0.85), (1.4, 2.65), (2.8, 5.0)))  # fmt: skip
    rows = np.arange(len(outline))
    for _turn in range(2):
        normal = _normals(outline, 3)
        u, v = (np.float32(outline[:, k, None]) + np.float32(normal[:, k, None]) * reach for k in (0, 1))
        seen = cv2.remap(patch.light, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        inside, outside = (np.einsum("nkc->nc", seen[:, part]) / np.float32(part.stop - part.start)
                           for part in (within, without))  # fmt: skip
        step = outside - inside
        contrast = (step**2).sum(axis=1)
        share = (seen @ step[..., None])[..., 0] - (inside * step).sum(axis=1)[:, None]
        share /= contrast[:, None] + np.float32(1e-9)
        # shadow deepens towards the twig: outside, just at the edge, is darker than two pixels off
        at_edge = np.clip(1.0 - DEEPENING * (share[:, beyond].mean(axis=1) - 1.0), 0.4, 1.0)
        share -= 0.5 * _running_median(at_edge, 9)[:, None]
        rising = (share[:, :-1] < 0) & (share[:, 1:] >= 0)
        distance = np.where(rising, np.abs(reach[:-1] + 0.125 * zoom), np.inf)
        best = np.argmin(distance, axis=1)
        low, high = share[rows, best], share[rows, best + 1]
        shift = reach[best] - 0.25 * zoom * low / np.maximum(high - low, 1e-9)
        good = np.isfinite(distance[rows, best]) & (contrast > 0.003) & (np.abs(shift) < 2 * zoom)
        outline = outline + normal * _running_median(np.where(good, shift, 0.0), 5)[:, None]
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


def _rough_lip(patch: Patch, mask: np.ndarray, diameter: float) -> float | None:
    """The lowest x that the middle of the width reaches; None where the mask leaves the middle free."""
    h, w = mask.shape
    y = (np.arange(h) - patch.y0) / patch.scale
    rows = mask[np.abs(y) < 0.3 * diameter]
    ends = (w - np.argmax(rows[:, ::-1] > 0, axis=1))[rows.any(axis=1)]
    return (float(np.percentile(ends, 10)) - patch.x0) / patch.scale if len(ends) else None
