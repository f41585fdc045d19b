"""Where exactly does the outline of a stem's end run, once the eye has seen it?

In a frame of the stem's own the eye's coarse map and the colours of what it is sure of give a mask, to about a pixel; its
border is moved to where the light is half-way between both sides.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from scipy.ndimage import median_filter

from diagnose.eye.pieces import Shown, cut
from diagnose.eye.see import CloseView
from diagnose.measure.end_shape import MIDDLE, End, find_end
from diagnose.measure.geometry import Places, largest
from diagnose.measure.quality import edge_width
from diagnose.measure.rim import without_rim
from diagnose.photo.markers import LIGHT

DEEPENING = 1.2  # shadow from 2 px off to the edge, as a share of that from 3.4 px to 2 px off
SIDES_OF_BLUR = 0.4, 2.0  # how far behind the lip the sides' blur is read [diameters]
MAP_ASIDE, MAP_BEHIND = 1.4, (1.5, 2.0, 2.5)  # where the map's width is read, across and below the lip [diameters]
COLOUR_SAYS = 2.0  # the most that colours may say against the eye, as logarithm of odds
COLOURS, COLOUR_FLOOR, LEAST_CELLS = 4, 0.004, 60  # distributions of a part's colours; least variance; least cells
ENOUGH_CELLS = 400  # to tell a part's colours by
FINEST = 60  # cells that a stem's width is shown by at most
TURNED, OTHER_WIDTH = 0.04, 0.08  # by which a frame may be off its end [rad; relative]

Frame = Callable[[np.ndarray, np.ndarray, float], tuple[Places, float]]  # tip, back, width -> to_px and lean of `SeenEnd`


@dataclass(frozen=True)
class _Patch:
    """Linear light around the end, (h, w, 3), 0 to 1.

    origin + point * scale : column and row of a point of the frame [cells]. to_px : (3, 3) from cells to the picture [px].
    """

    light: np.ndarray
    scale: float
    origin: tuple[float, float]
    to_px: np.ndarray


@dataclass(frozen=True)
class SeenEnd:
    """A severed end as it was outlined in a frame with x outwards along the stem, y across, in millimetres or pixels.

    Parameters
    ----------
    end, patch, view
        Its shape, the light round it, and what the eye saw of it closely [no unit].
    to_px, per_unit
        Leads points of the frame, (n, 2), to upright pixels [px]; pixels of the picture in one of the frame's unit [px].
    outline, off_border
        (n, 2) [unit of the frame]; median distance between it and the eye's own border, down to two diameters below the end
        [diameters].
    contrast
        Of the sides against what lies beside them, 1 for white paper [no unit].
    lean
        By how much x runs towards the camera, as sine [no unit].
    """

    end: End
    patch: _Patch
    view: CloseView
    to_px: Places
    per_unit: float
    outline: np.ndarray
    off_border: float
    contrast: float
    lean: float

    def places(self, points: np.ndarray) -> np.ndarray:
        """Points of the end's own frame in the picture, (n, 2) [upright px].

        Parameters
        ----------
        points
            (n, 2), x outwards along the axis, y across [diameters].
        """
        return self.to_px(self.end.to_outline(points))

    def look(self, points: np.ndarray) -> np.ndarray:
        """Linear blue, green and red at points of the end's own frame, (h, w, 3), 0 to 1.

        Parameters
        ----------
        points
            (h, w, 2), x outwards along the axis, y across [diameters].
        """
        cells = (self.end.to_outline(points) * self.patch.scale + self.patch.origin).astype(np.float32)
        return np.asarray(cv2.remap(self.patch.light, cells, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    @cached_property
    def blur(self) -> float:
        """Mean width of the edges at the stem's two sides, or of the one that is plain, as `edge_width` tells it [px]."""
        x = self.end.lip - np.linspace(*SIDES_OF_BLUR, 60)
        sides = [self.end.to_outline(np.column_stack([x, np.full_like(x, y)])) for y in (-0.5, 0.5)]
        cells = [edge_width(self.patch.light, side * self.patch.scale + self.patch.origin) for side in sides]
        return float(np.sum(cells)) / max(int(np.count_nonzero(cells)), 1) * self.per_unit / self.patch.scale

    @property
    def pixel(self) -> float:
        """One pixel of the picture [diameters]."""
        return 1.0 / (self.per_unit * self.end.diameter)

    @cached_property
    def width_px(self) -> float:
        """The diameter in the picture, where it is read [px]."""
        one, other = self._diameter_line
        return float(np.linalg.norm(other - one))

    @property
    def _diameter_line(self) -> np.ndarray:
        return self.places(np.array([(self.end.lip - 1.0, -0.5), (self.end.lip - 1.0, 0.5)]))

    @cached_property
    def widths_by_map(self) -> tuple[float, float]:
        """The stem's width on the eye's map: where the diameter is read, and the most of it behind [fitted diameters]."""
        y = np.arange(-MAP_ASIDE, MAP_ASIDE + 0.01, 0.02)
        here, *behind = (0.02 * self.on_map([self.end.lip - back], y).sum() for back in (1.0, *MAP_BEHIND))
        return float(here), float(max(behind))

    @property
    def shadow_by_map(self) -> tuple[float, float]:
        """Mean probability of shadow on the eye's map: beside the stem, on the side that has more of it, and on the stem."""
        x = self.end.lip + np.arange(-2.2, -0.4, 0.1)
        left, on, right = (float(self.on_map(x, np.arange(*y, 0.05), "shadow").mean())
                           for y in ((-0.9, -0.45), (-0.45, 0.45), (0.45, 0.9)))  # fmt: skip
        return max(left, right), on

    def on_map(self, x: Sequence[float] | np.ndarray, y: np.ndarray, name: str = "stem") -> np.ndarray:
        """Probability of a class on the eye's map at all pairs of places along and across, (n,).

        Parameters
        ----------
        x, y, name
            Places along the stem and across it, of the end's own frame [diameters]; "stem", or one of CLASSES [no unit].
        """
        return self.view.at(self.places(np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)), name)

    def shapes(self, slope: float) -> dict[str, np.ndarray]:
        """The lines that the annotated picture shows of the end, (n, 2) upright pixels each, by name.

        Parameters
        ----------
        slope
            Of the end, a signed tangent in its own frame [no unit].
        """
        end = self.end
        y = end.y[np.abs(end.y) <= MIDDLE / 2][[0, -1]]
        return {
            "axis": self.places(np.array([(-4.0, 0.0), (1.0, 0.0)])),
            "face_line": self.places(np.stack([end.offset + slope * y, y], axis=1)),
            "diameter_line": self._diameter_line,
            "outline": self.to_px(self.outline),
        }


def outlined(picture: Shown, frame: Frame, view: CloseView, width: float) -> SeenEnd | None:
    """The end in a frame of its own; None where the eye's map shows no stem there, or no two sides.

    It is outlined a second time, in the frame of the first, where that was not the end's own.

    Parameters
    ----------
    picture, view
        That is measured, and what the eye sees of the end closely [no unit].
    frame, width
        Makes a frame as in `SeenEnd` from (2,) the end and (2,) a point farther back on the stem [upright px], and from
        about the stem's width [unit of the frame].
    """
    tip, back, seen = view.end.at, view.end.at - 3 * view.end.width * view.end.outward, None
    for _ in range(2):
        to_px, lean = frame(tip, back, width)
        found = _outlined_once(picture, to_px, lean, width, view)
        if found is None:
            break
        seen, end = found, found.end
        if abs(end.sides.turn) < TURNED and abs(end.diameter / width - 1) < OTHER_WIDTH:
            break
        tip, back = seen.places(np.array([(0.0, 0.0), (-3.0, 0.0)]))
        width = end.diameter
    return seen


def _outlined_once(picture: Shown, to_px: Places, lean: float, width: float, view: CloseView) -> SeenEnd | None:
    per_unit = float(np.linalg.norm(np.diff(to_px(np.array([(0.0, 0.0), (0.0, 1.0)])), axis=0)))
    patch = _take_patch(picture, to_px, width, per_unit)
    mask = _twig_mask(patch, view)
    if mask is None:
        return None
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    coarse = np.asarray(max(contours, key=len)[:, 0], float)
    cells, contrast = sharpened(patch, coarse, max(patch.scale / per_unit, 1.0))
    outline = (cells - patch.origin) / patch.scale
    end = find_end(outline, -0.4 * width * abs(np.tan(np.clip(view.slope, -1.1, 1.1))), width)
    if end is None:
        return None
    on_sides = outline[:, 0] < end.origin[0] - 0.5 * width
    sides = float(np.percentile(contrast[on_sides], 20)) if on_sides.any() else 0.1
    near = outline[:, 0] > end.origin[0] + (end.lip - 2.0) * end.diameter
    off = float(np.median(np.hypot(*(cells - coarse)[near].T))) / patch.scale / end.diameter
    return SeenEnd(end, patch, view, to_px, per_unit, outline, off, sides, lean)


def _take_patch(picture: Shown, to_px: Places, width: float, per_unit: float) -> _Patch:
    """The picture around the end, 5.4 diameters back and 3 ahead, at about its own resolution."""
    behind, ahead, aside = 5.4 * width, 3.0 * width + 1, 1.4 * width + 1.5
    scale = 1.5 * per_unit if per_unit * width < 30 else min(per_unit, FINEST / width)
    corners = np.array([(-behind, -aside), (ahead, -aside), (ahead, aside), (-behind, aside)])
    cells = (corners + (behind, aside)) * scale
    H = cv2.getPerspectiveTransform(cells.astype(np.float32), to_px(corners).astype(np.float32))
    seen = cut(picture, H, (int(2 * aside * scale), int((behind + ahead) * scale)))
    return _Patch(cv2.LUT(seen, LIGHT), scale, (behind * scale, aside * scale), H)


def _twig_mask(patch: _Patch, view: CloseView) -> np.ndarray | None:
    """Mask of the twig, (h, w) uint8, 1 where a stem is likelier than all else together; None where too little of one is."""
    cells, size = np.linalg.inv(view.to_px) @ patch.to_px, patch.light.shape[1::-1]
    likely = cv2.warpPerspective(view.stem, cells, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=0.0)
    within = np.clip(likely, 0.02, 0.98)
    smooth = cv2.GaussianBlur(patch.light, (0, 0), 0.8)
    whole = largest(cv2.log(within / (1 - within)) + _by_colour(smooth, likely) > 0, LEAST_CELLS)
    return None if whole is None else largest(without_rim(smooth, whole), LEAST_CELLS)


def _by_colour(smooth: np.ndarray, likely: np.ndarray) -> np.ndarray:
    """How much colours (h, w, 3) speak for the stem, (h, w), where the eye is not sure of it: logarithm of odds [nat].

    What the eye is sure of tells the colours of stem and surroundings, each as some normal distributions; its border is
    coarse, and a shadow that it takes for stem has the colour of another that it does not.
    """
    on, off = likely > 0.9, likely < 0.1
    sure = [np.flatnonzero(where) for where in (on, off)]
    if min(map(len, sure)) < LEAST_CELLS:
        return np.zeros_like(likely)
    border = np.flatnonzero(cv2.dilate(255 - 255 * (on | off).astype(np.uint8), np.ones((5, 5), np.uint8)))
    light = smooth.reshape(-1, 3)
    seen, *samples = (np.log(light[cells] + np.float32(0.01))
                      for cells in (border, *(own[:: max(1, len(own) // ENOUGH_CELLS)] for own in sure)))  # fmt: skip
    odds = [_mixture(seen, sample) for sample in samples]
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
        if len(own) >= 8:
            root = np.linalg.cholesky(np.linalg.inv(np.cov(own.T) + COLOUR_FLOOR * np.eye(3)))
            evened = (values - own.mean(axis=0)) @ np.float32(root)
            share = np.log(len(own) / len(sample)) + np.log(np.diag(root)).sum()
            terms.append(share - 0.5 * np.einsum("ni,ni->n", evened, evened))
    return np.asarray(np.logaddexp.reduce(terms, axis=0))


def sharpened(patch: _Patch, outline: np.ndarray, zoom: float) -> tuple[np.ndarray, np.ndarray]:
    """An outline moved to the half-maximum crossing of each edge, where light is half-way between inside and outside.

    Both are looked up two or three pixels to either side along the normal, so that a shadow on one side, pale wood or dark
    bark each have their own half-way, and a narrow shadow's far edge is not taken for the twig's. The step across, (n,), a
    share of the brightest light about, is given too.

    Parameters
    ----------
    patch, outline, zoom
        Linear light round the end, (n, 2) columns and rows, closed, and cells of the patch a pixel of the picture [cells].

    References
    ----------
    .. [1] Our own.
    """
    reach = np.arange(-4.0, 4.25, 0.25, np.float32) * np.float32(zoom)
    within, without, beyond = (slice(*np.searchsorted(reach, np.multiply(span, zoom)))
                               for span in ((-2.3, -0.85), (1.4, 2.65), (2.8, 5.0)))  # fmt: skip
    rows = np.arange(len(outline))
    for _turn in range(2):
        normal = _normals(outline)
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
        share -= 0.5 * median_filter(at_edge, 9, mode="wrap")[:, None]
        rising = (share[:, :-1] < 0) & (share[:, 1:] >= 0)
        distance = np.where(rising, np.abs(reach[:-1] + 0.125 * zoom), np.inf)
        best = np.argmin(distance, axis=1)
        low, high = share[rows, best], share[rows, best + 1]
        shift = reach[best] - 0.25 * zoom * low / np.maximum(high - low, 1e-9)
        good = np.isfinite(distance[rows, best]) & (contrast > 0.003) & (np.abs(shift) < 2 * zoom)
        outline = outline + normal * median_filter(np.where(good, shift, 0.0), 5, mode="wrap")[:, None]
    bright = float(np.sqrt((np.percentile(seen[::4], 95, axis=(0, 1)) ** 2).sum()))
    return outline, np.sqrt(contrast) / max(bright, 1e-6)


def _normals(outline: np.ndarray) -> np.ndarray:
    """Outward normals of an outline that runs as OpenCV's outer contours do."""
    along = np.roll(outline, -3, axis=0) - np.roll(outline, 3, axis=0)
    return along @ np.array([[0, 1], [-1, 0]]) / (np.linalg.norm(along, axis=1, keepdims=True) + 1e-9)
