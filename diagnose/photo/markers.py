"""Which printed markers does a picture show, and where exactly are their corners?

Markers are detected on a reduced picture, which is many times faster and reads them as well. Their sides are
then fitted as straight lines on the full picture, looking only at narrow bands across each side, and the
corners are where the lines meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import cv2
import numpy as np

from diagnose.photo.layouts import MODULES_A_SIDE, Layout
from diagnose.photo.picture import Picture

LEAST_SIDE_PX = 9.0  # below this the modules are smaller than the blur of a sharp picture
DARKER, DARKEST = 5.0, (8.0, 21.0)  # threshold below the surroundings' mean: times the grain, and its range [grey levels]
SQUARE = 0.6  # least share of the longest side that a square's shortest has in a picture, as at 50 degrees from above it
GROUPS, STEPS = 24, 21  # samples along a side and across it
GAMMA = 2.2  # close to sRGB's curve (IEC 61966-2-1); edges are symmetric in light, not in pixel values
LIGHT = ((np.arange(256) / 255.0) ** GAMMA).astype(np.float32)  # pixel value -> light, 0 to 1


@dataclass(frozen=True)
class Marker:
    """One marker found.

    Parameters
    ----------
    id
        Its number in the dictionary [no unit].
    corners_px
        (4, 2) in the order of `Layout.corners_mm` [upright px].
    sharp
        (4,) was the corner refined on the full picture? [no unit]
    """

    id: int
    corners_px: np.ndarray
    sharp: np.ndarray

    @property
    def side_px(self) -> float:
        """Mean length of the sides [px]."""
        return float(np.linalg.norm(self.corners_px - np.roll(self.corners_px, -1, axis=0), axis=1).mean())


@cache
def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


@cache
def _detector(darker: int, thorough: bool) -> cv2.aruco.ArucoDetector:
    """One threshold window is quick and enough for a card that fills the picture; three find small ones.

    darker : how much darker than their surroundings' mean the markers' black must be [grey levels].
    """
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshConstant = darker
    settings.adaptiveThreshWinSizeMin = 5 if thorough else 9
    settings.adaptiveThreshWinSizeMax = 25 if thorough else 9
    settings.adaptiveThreshWinSizeStep = 10
    settings.minMarkerPerimeterRate = 0.02
    return cv2.aruco.ArucoDetector(_dictionary(), settings)


def marker_picture(marker: int, module_px: int) -> np.ndarray:
    """The marker as printed, square, uint8.

    Parameters
    ----------
    marker
        Its id in the dictionary [no unit].
    module_px
        Side of a module [px].
    """
    return cv2.aruco.generateImageMarker(_dictionary(), marker, MODULES_A_SIDE * module_px)


def detect(picture: Picture, layout: Layout, factor: int, thorough: bool = True) -> list[Marker]:
    """The layout's markers on the picture reduced: full pixels, unrefined; ids may repeat.

    Most pictures show no marker, which a quick look tells: of 79 staffs at 0.3 to 1.5 of their size, under grain and with
    as little as 0.3 of their contrast, whose markers a thorough look at the same threshold for all reads, two or more of
    them, it overlooked 4; finer copies of the picture come after it.

    Parameters
    ----------
    picture
        That is searched [no unit].
    layout
        Whose markers are looked for [no unit].
    factor
        By which the picture is reduced first: 1, 2, 4 or 8 [no unit].
    thorough
        Whether several thresholds are tried, which takes longer [no unit].
    """
    found = _seen(picture, factor, thorough=False).read
    if thorough and any(id_ in layout.markers for id_, _ in found):
        found = _seen(picture, factor, thorough=True).read
    return [
        Marker(id_, (quad.reshape(4, 2).astype(float) + 0.5) * factor - 0.5, np.zeros(4, bool))
        for id_, quad in found
        if id_ in layout.markers
    ]


def hinted(picture: Picture, factor: int) -> bool:
    """Could a finer copy than the one reduced so show markers? Only where this one shows one, or a square.

    Of 37 drawn staffs at up to five times the usual distance whose markers, two or more, the full picture of 8 megapixels
    shows at a quick look, under grain and with as little as 0.3 of their contrast, it overlooked 3.

    Parameters
    ----------
    picture
        That is searched [no unit].
    factor
        By which the picture was reduced: 1, 2, 4 or 8 [no unit].
    """
    seen = _seen(picture, factor, thorough=False)
    return bool(seen.read) or any(_square(quad.reshape(4, 2)) for quad in seen.unread)


def _square(quad: np.ndarray) -> bool:
    sides = np.linalg.norm(quad - np.roll(quad, -1, axis=0), axis=1)
    return bool(sides.min() > SQUARE * sides.max())


class _Seen(NamedTuple):
    """Ids and corners of the markers that were read, and corners of dark four-cornered things that were not."""

    read: list[tuple[int, np.ndarray]]
    unread: Sequence[np.ndarray]


def _seen(picture: Picture, factor: int, thorough: bool) -> _Seen:
    """All markers of a reduced picture; kept, since cards and staffs have theirs from one dictionary."""
    name = ("markers", factor, thorough)
    if name not in picture.kept:
        grey = cv2.cvtColor(picture.smaller(factor), cv2.COLOR_BGR2GRAY)
        darker = round(float(np.clip(DARKER * _grain(grey), *DARKEST)))
        corners, ids, unread = _detector(darker, thorough).detectMarkers(grey)
        read = [] if ids is None else [(int(id_), quad) for id_, quad in zip(ids.ravel(), corners, strict=True)]
        picture.kept[name] = _Seen(read, unread)
    return picture.kept[name]


def _grain(grey: np.ndarray) -> float:
    """Standard deviation of neighbouring pixels from a straight course along some thirty rows [grey levels]."""
    rows = grey[:: max(1, len(grey) // 30)].astype(np.int16)
    bend = np.abs(rows[:, 2:] - 2 * rows[:, 1:-1] + rows[:, :-2])
    share = np.cumsum(np.bincount(bend.ravel())) / bend.size
    return 1.4826 * float(np.searchsorted(share, 0.5)) / float(np.sqrt(6))


def first_factor(picture: Picture, long_side: int) -> int:
    """The reduction (1, 2, 4, 8) that brings the picture's longer side nearest above a length.

    Parameters
    ----------
    picture
        That is searched [no unit].
    long_side
        That is wanted of the reduced picture [px].
    """
    return next((factor for factor in (8, 4, 2) if max(picture.size) / factor >= 0.9 * long_side), 1)


def refine(picture: Picture, markers: list[Marker]) -> list[Marker]:
    """The markers with their corners where the straight sides meet on the full picture; done twice.

    Parameters
    ----------
    picture
        That is searched [no unit].
    markers
        Found on it, unrefined [no unit].
    """
    for _ in range(2):
        if markers:
            markers = _refined_once(picture.bgr, markers)
    return markers


def _refined_once(bgr: np.ndarray, markers: list[Marker]) -> list[Marker]:
    quads = np.array([marker.corners_px for marker in markers])  # (n, 4, 2)
    start, end = quads, np.roll(quads, -1, axis=1)
    along = end - start
    length = np.linalg.norm(along, axis=2)
    tangent = along / length[..., None]
    normal = np.stack([tangent[..., 1], -tangent[..., 0]], axis=2)  # outwards, the order being clockwise
    depth = np.abs(np.einsum("nki,nki->nk", np.roll(quads, -2, axis=1) - start, normal))
    reach = np.maximum(0.75 * depth / MODULES_A_SIDE, 2.0)  # stays within the black ring and the white margin
    place = np.linspace(0.08, 0.92, GROUPS)
    offset = np.linspace(-1.0, 1.0, STEPS)
    at = (
        start[:, :, None, None]
        + along[:, :, None, None] * place[None, None, :, None, None]
        + normal[:, :, None, None] * (reach[:, :, None, None, None] * offset[:, None])
    )  # (n, 4, GROUPS, STEPS, 2)
    light = _light(bgr, at)
    edge, good = _half_way(light)
    shift, slope, spread, ok = _straight(edge * reach[..., None], good, place - 0.5)
    ok &= spread < np.maximum(0.35, 0.3 * reach)
    # a side is the line through its middle, moved by `shift` outwards and turned by `slope` over its length
    middle = (start + end) / 2 + normal * shift[..., None]
    heading = along + normal * slope[..., None]
    corners, sharp = _meeting(middle, heading, ok)
    moved = np.linalg.norm(corners - quads, axis=2)
    sharp &= moved < np.maximum(3.0, 2.0 * reach)
    return [
        Marker(marker.id, np.where(sharp[i][:, None], corners[i], quads[i]), sharp[i])
        for i, marker in enumerate(markers)
    ]


def _light(bgr: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Linear light, 0 to 1, at the points `at` (..., 2) of the picture, between pixels."""
    x, y = at[..., 0], at[..., 1]
    x0, y0 = np.floor((x.min(), y.min())).astype(int) - 2
    x1, y1 = np.ceil((x.max(), y.max())).astype(int) + 3
    x0, y0 = max(x0, 0), max(y0, 0)
    part = bgr[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]
    flat = (at.reshape(-1, STEPS, 2) - (x0, y0)).astype(np.float32)
    seen = cv2.remap(part, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    grey = seen.astype(np.float32) @ np.array([0.114, 0.587, 0.299], np.float32)
    return cv2.pow(grey / np.float32(255), GAMMA).reshape(at.shape[:-1])


def _half_way(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where each profile crosses half-way between its dark and its bright level, -1 to 1; and whether."""
    quarter = STEPS // 4
    ends = (light[..., :quarter], light[..., -quarter:])
    dark, bright = (np.partition(end, quarter // 2)[..., quarter // 2] for end in ends)  # medians of an odd number
    level = light - ((dark + bright) / 2)[..., None]
    rising = (level[..., :-1] < 0) & (level[..., 1:] >= 0)
    # of several crossings the one nearest the middle is the side: others are dirt or the neighbouring module
    distance = np.where(rising, np.abs(np.arange(STEPS - 1) - (STEPS - 2) / 2), np.inf)
    step = np.argmin(distance, axis=-1)[..., None]
    below = np.take_along_axis(level, step, -1)[..., 0]
    above = np.take_along_axis(level, step + 1, -1)[..., 0]
    share = -below / np.maximum(above - below, 1e-9)
    good = np.isfinite(distance.min(axis=-1)) & (bright - dark > np.maximum(0.3 * bright, 0.004))
    return (step[..., 0] + share) * (2.0 / (STEPS - 1)) - 1.0, good


def _straight(
    edge: np.ndarray, good: np.ndarray, place: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Robust line edge = shift + slope * place: shift, slope, spread [px] a side; and whether it holds."""
    weight = good.astype(float)
    centre = np.where(good, edge, np.nan)
    with np.errstate(all="ignore"):
        shift = np.nan_to_num(_nanmedian(centre))
    slope = np.zeros_like(shift)
    for _ in range(4):
        residual = edge - shift[..., None] - slope[..., None] * place
        spread = 1.4826 * np.nan_to_num(_nanmedian(np.where(good, np.abs(residual), np.nan)), nan=9.0) + 0.02
        weight = np.where(good, 1.0 / (1.0 + (residual / (2.0 * spread[..., None])) ** 2) ** 2, 0.0)
        total = weight.sum(-1) + 1e-9
        mean_place, mean_edge = (weight * place).sum(-1) / total, (weight * edge).sum(-1) / total
        from_mean = place - mean_place[..., None]
        slope = (weight * from_mean * edge).sum(-1) / ((weight * from_mean**2).sum(-1) + 1e-9)
        shift = mean_edge - slope * mean_place
    return shift, slope, spread, (good.sum(-1) >= 0.6 * GROUPS) & (weight.sum(-1) >= 0.3 * GROUPS)


def _nanmedian(values: np.ndarray) -> np.ndarray:
    """Median over the last axis without NaN; NaN where there is nothing."""
    ordered = np.sort(values, axis=-1)  # NaN last
    count = np.isfinite(values).sum(-1)
    low = np.take_along_axis(ordered, np.maximum(count - 1, 0)[..., None] // 2, -1)[..., 0]
    high = np.take_along_axis(ordered, (count // 2).clip(max=values.shape[-1] - 1)[..., None], -1)[..., 0]
    return np.where(count > 0, (low + high) / 2, np.nan)


def _meeting(middle: np.ndarray, heading: np.ndarray, ok: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corner k is where side k-1 meets side k, (n, 4, 2); and whether both sides hold."""
    before, before_heading, before_ok = (np.roll(each, 1, axis=1) for each in (middle, heading, ok))
    cross = heading[..., 0] * before_heading[..., 1] - heading[..., 1] * before_heading[..., 0]
    square = np.abs(cross) > 0.1 * np.linalg.norm(heading, axis=2) * np.linalg.norm(before_heading, axis=2)
    gap = before - middle
    way = (gap[..., 0] * before_heading[..., 1] - gap[..., 1] * before_heading[..., 0]) / np.where(
        square, cross, 1.0
    )
    return middle + heading * way[..., None], ok & before_ok & square


def look_near(bgr: np.ndarray, marker: int, corners_px: np.ndarray) -> tuple[float, np.ndarray]:
    """Best correlation with the marker within one side of a guess, and the corners moved there, (4, 2) [px].

    Parameters
    ----------
    bgr
        Part of the picture, (h, w, 3) uint8 [no unit].
    marker
        Its id in the dictionary [no unit].
    corners_px
        The guess, (4, 2) [px].
    """
    cell, pad = 3, MODULES_A_SIDE
    size = MODULES_A_SIDE * cell
    target = np.array([(0, 0), (size, 0), (size, size), (0, size)], np.float32) + pad * cell - 0.5
    to_square = cv2.getPerspectiveTransform(corners_px.astype(np.float32), target)
    around = cv2.warpPerspective(
        bgr, to_square, (size + 2 * pad * cell,) * 2, borderMode=cv2.BORDER_REPLICATE
    )
    # one white module round the marker belongs to its pattern
    printed = cv2.copyMakeBorder(marker_picture(marker, cell), *(cell,) * 4, cv2.BORDER_CONSTANT, value=255)
    score = cv2.matchTemplate(
        cv2.cvtColor(around, cv2.COLOR_BGR2GRAY), cv2.blur(printed, (cell, cell)), cv2.TM_CCOEFF_NORMED
    )
    _, best, _, (x, y) = cv2.minMaxLoc(np.nan_to_num(score))
    moved = target + np.array((x, y), np.float32) - (pad - 1) * cell
    return best, cv2.perspectiveTransform(moved[None], np.linalg.inv(to_square))[0].astype(float)


def agrees(bgr: np.ndarray, marker: int, corners_px: np.ndarray) -> float:
    """Correlation, -1 to 1, of what stands between these corners with the marker as printed.

    Parameters
    ----------
    bgr
        Part of the picture, (h, w, 3) uint8 [no unit].
    marker
        Its id in the dictionary [no unit].
    corners_px
        (4, 2) [px].
    """
    cell = 4
    size = MODULES_A_SIDE * cell
    target = np.array([(0, 0), (size, 0), (size, size), (0, size)], np.float32) - 0.5
    to_square = cv2.getPerspectiveTransform(corners_px.astype(np.float32), target)
    seen = cv2.cvtColor(cv2.warpPerspective(bgr, to_square, (size, size)), cv2.COLOR_BGR2GRAY).astype(float)
    printed = marker_picture(marker, cell).astype(float)
    return float(np.corrcoef(seen.ravel(), printed.ravel())[0, 1]) if seen.std() > 1 else 0.0
