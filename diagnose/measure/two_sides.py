"""Where do two straight, parallel, sharp edges run beside a line in a picture, and where do they stop?

The strip of the picture round the line is laid into the frame of a camera that looks straight at it. Marks on the bark
make such pairs inside a stem's own, an unsharp background hardly ever one outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, overload

import cv2
import numpy as np

from diagnose.measure.smooth import median
from diagnose.photo.picture import Picture

SHEARS = np.arange(-12, 13) * 0.01
BLURS = 1.3  # rows that the steepest line may climb within one of the columns put together
MOST_EDGES = 48  # of a strip
SEGMENTS = 9  # of an edge's length; the middle one of their steps counts


class Edges(NamedTuple):
    """Straight edges along a strip, (n,) each, the strongest first.

    row : at mid-length. lean : rows a row's length along. strength : of the step in colour, in noise units.
    """

    row: np.ndarray
    lean: np.ndarray
    strength: np.ndarray


@dataclass(frozen=True)
class Line:
    """y = y0 + lean x."""

    lean: float
    y0: float

    @overload
    def __call__(self, x: float) -> float: ...
    @overload
    def __call__(self, x: np.ndarray) -> np.ndarray: ...
    def __call__(self, x: float | np.ndarray) -> float | np.ndarray:
        return self.y0 + self.lean * x


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
    turn = np.array([-ray[1], ray[0], 0.0])  # the viewing axis crossed with the ray
    sine = float(np.hypot(*ray[:2]))
    R = np.eye(3) if sine < 1e-9 else cv2.Rodrigues(turn / sine * np.arcsin(min(sine, 1.0)))[0]
    own = np.array([[focal.value, 0, 0], [0, focal.value, 0], [0, 0, 1]])
    return Gaze(K @ R @ np.linalg.inv(own), float(ray[2]))


def turned(gaze: Gaze, tip: np.ndarray, back: np.ndarray) -> np.ndarray:
    """(3, 3) from a frame with x outwards along the stem, y across, 0 at the tip, to upright pixels."""
    a, b = gaze.from_px(np.stack([tip, back]))
    along = (a - b) / np.linalg.norm(a - b)
    return gaze.H @ np.array([[along[0], -along[1], a[0]], [along[1], along[0], a[1]], [0, 0, 1.0]])


def sample(
    picture: Picture, to_px: np.ndarray, x: tuple[float, float], y: tuple[float, float], scale: float, stretch: float = 1.0
) -> np.ndarray:
    """The picture over a rectangle of a frame: scale cells a unit across, scale * stretch along; uint8.

    Where the cells are larger than pixels a shrunk picture is looked at, so that nothing aliases.
    """
    size = (max(int((x[1] - x[0]) * scale * stretch), 2), max(int((y[1] - y[0]) * scale), 2))
    factor = max(1, int(1 / scale))
    factor -= factor % (1 if factor < 4 else 2 if factor < 8 else 4)  # mostly by whole pictures that many share
    halved = next(two for two in (8, 4, 2, 1) if factor % two == 0)
    left_over = factor // halved
    image = picture.smaller(halved)
    to_image = shrinking(halved) @ to_px
    corners = np.array([(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])])
    px = cv2.perspectiveTransform(corners[None], to_image)[0]
    whole = np.array(image.shape[1::-1])
    x0, y0 = np.clip(np.floor(px.min(axis=0)).astype(int) - 3, 0, whole - 2)
    x1, y1 = np.clip(np.ceil(px.max(axis=0)).astype(int) + 4, (x0 + 2, y0 + 2), whole)
    part = image[y0:y1, x0:x1]
    to_part = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]]) @ to_image
    if left_over > 1 and min(part.shape[:2]) >= 2 * left_over:
        few = (part.shape[1] // left_over, part.shape[0] // left_over)
        part = cv2.resize(part[: few[1] * left_over, : few[0] * left_over], few, interpolation=cv2.INTER_AREA)
        to_part = shrinking(left_over) @ to_part
    cells = np.array([[1 / (scale * stretch), 0, x[0]], [0, 1 / scale, y[0]], [0, 0, 1]])
    way = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_LINEAR
    return cv2.warpPerspective(
        part, to_part @ cells, size, flags=way | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def shrinking(factor: int) -> np.ndarray:
    """(3, 3) from a picture's pixels to those of a copy `factor` times smaller."""
    return np.array([[1 / factor, 0, 0.5 / factor - 0.5], [0, 1 / factor, 0.5 / factor - 0.5], [0, 0, 1]])


def lab_of(bgr: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of an uint8 picture, float32: L 0 to 100."""
    return cv2.cvtColor(bgr.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)


def inside(tip: np.ndarray, back: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """`back`, drawn nearer to the tip until it lies in the picture."""
    share = 1.0
    for k in range(2):
        step = back[k] - tip[k]
        for edge in (2.0, size[k] - 3.0):
            if (back[k] - edge) * np.sign(step) > 0 and (edge - tip[k]) * step > 0:
                share = min(share, float((edge - tip[k]) / step))
    return tip + share * (back - tip)


def straight_edges(lab: np.ndarray, stretch: float) -> Edges:
    """Straight edges along a strip of CIE L*a*b*, (h, w, 3), whose columns are 1 / stretch rows long."""
    h, w = lab.shape[:2]
    smooth = cv2.GaussianBlur(lab, (0, 0), sigmaX=2.0, sigmaY=1.2)
    rise = np.zeros_like(smooth)
    rise[1:-1] = (smooth[2:] - smooth[:-2]) / 2
    # columns are put together, to `few`, as far as the steepest line does not blur by it
    few = SEGMENTS * int(np.ceil(w * SHEARS[-1] / stretch / SEGMENTS / BLURS))
    if few < w:
        rise = cv2.resize(rise[:, : w // SEGMENTS * SEGMENTS], (few, h), interpolation=cv2.INTER_AREA)
    level = cv2.remap(rise, *_sheared(h, w, stretch, rise.shape[1]), cv2.INTER_LINEAR)
    parts = cv2.resize(level, (SEGMENTS, len(level)), interpolation=cv2.INTER_AREA)
    steps = _middle_of_nine(np.ascontiguousarray(parts.transpose(1, 0, 2))).reshape(len(SHEARS), h, 3)
    strength = np.sqrt(np.einsum("ijk,ijk->ij", steps, steps))
    noise = median(strength.ravel()) + 0.02
    peaks = (strength == cv2.dilate(strength, np.ones((3, 7), np.uint8))) & (strength > 2.5 * noise)
    peaks[:, :2] = peaks[:, -2:] = False
    lean, row = np.nonzero(peaks)
    strongest = np.argsort(-strength[lean, row], kind="stable")[:MOST_EDGES]
    lean, row = lean[strongest], row[strongest]
    return Edges(row.astype(float), SHEARS[lean], strength[lean, row] / noise)


# The median of nine by comparing pairs (J. L. Smith in Xcell 23, 1996, cited from memory; the test tries all cases)
NINE = (
    (1, 2), (4, 5), (7, 8), (0, 1), (3, 4), (6, 7), (1, 2), (4, 5), (7, 8), (0, 3), (5, 8), (4, 7), (3, 6), (1, 4),
    (2, 5), (4, 7), (4, 2), (6, 4), (4, 2),
)  # fmt: skip


def _middle_of_nine(values: np.ndarray) -> np.ndarray:
    """The median of nine arrays, (9, h, w) to (h, w); many times as fast as sorting."""
    own = list(values)
    for low, high in NINE:
        own[low], own[high] = cv2.min(own[low], own[high]), cv2.max(own[low], own[high])
    return own[4]


@lru_cache(maxsize=64)
def _sheared(h: int, w: int, stretch: float, few: int) -> tuple[np.ndarray, np.ndarray]:
    """Where lines y = y0 + lean x lie in a strip of `few` columns that stand for w: OpenCV's maps, (shears h, few).

    x in units of rows, from the strip's middle; columns are 1 / stretch rows long.
    """
    column = np.arange(few, dtype=np.float32)
    x = ((column + 0.5) * (w / few) - w / 2) / stretch
    rows = np.arange(h)[None, :, None] + SHEARS[:, None, None] * x
    columns = np.broadcast_to(column, rows.shape)
    maps = cv2.convertMaps(*(each.reshape(-1, few).astype(np.float32) for each in (columns, rows)), cv2.CV_16SC2)
    return maps[0], maps[1]


def pair_score(strength: np.ndarray, lean: np.ndarray, gap: np.ndarray) -> np.ndarray:
    """How well each two edges go together as the sides of a stem, (n, n).

    Marks on the bark make pairs inside the true one, an unsharp background hardly ever one outside: hence the gap.
    """
    plain = strength / (strength + 11)
    parallel = np.exp(-0.5 * ((lean[None, :] - lean[:, None]) / 0.015) ** 2)
    return plain[None, :] * plain[:, None] * parallel * gap**1.6


@dataclass(frozen=True)
class Lip:
    """Where one side of the stem ends: log odds, over the patch's columns, that it ends there."""

    odds: np.ndarray
    plain: bool


def lip_of(lab: np.ndarray, rows: np.ndarray, x: np.ndarray, cell: float, start: float, outwards: int) -> Lip:
    """Where along its line a side's edge stops, by the edge alone.

    rows : (w,) the line's row in each column of the strip. x : (w,) the columns' places [diameters]; the edge is there
    before `start`. cell : rows a diameter. outwards : -1 or 1, in which direction the stem's outside lies.
    """
    rise = np.zeros_like(lab)
    rise[1:-1] = (lab[2:] - lab[:-2]) / 2
    rise = cv2.GaussianBlur(rise, (0, 0), sigmaX=0.04 * cell, sigmaY=0.7)
    # on the line, and what a place without the edge shows: as many rows farther out, twice
    shifts = np.concatenate([np.arange(-2, 3), outwards * np.arange(7, 17)])
    at = rows.astype(np.float32) + shifts[:, None].astype(np.float32)
    columns = np.broadcast_to(np.arange(len(x), dtype=np.float32), at.shape)
    seen = cv2.remap(rise, columns, at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    here, *beside = np.sqrt(np.einsum("ijk,ijk->ij", seen, seen)).reshape(3, 5, -1).max(axis=1)
    empty = np.minimum(*beside)
    stem = x < start
    usual = median(empty) + 0.2
    ratio = np.log((here + 0.2) / usual)
    on = median(ratio[stem])
    spread = 1.4826 * median(np.abs(ratio[stem] - on)) + 0.15
    idle = np.log((empty + 0.2) / usual)
    off = median(idle)
    noise = 1.4826 * median(np.abs(idle - off)) + 0.3
    odds = -0.5 * ((np.minimum(ratio, on) - on) / spread) ** 2 - np.log(spread)
    odds += 0.5 * ((np.maximum(ratio, off) - off) / noise) ** 2 + np.log(noise)
    odds = np.clip(odds, -2, 2) / (0.2 * cell)  # neighbouring columns tell the same
    total = np.cumsum(odds)
    total -= total.max()
    return Lip(total, on - off > 1.5 * (spread + noise) / 2)
