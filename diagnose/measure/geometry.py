"""Where do places of a stem's, a camera's or a sheet's own frame lie in the picture, and which colours are there?"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from diagnose.eye.pieces import moved, scaling
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Camera

NODES = 6  # cells of a strip between those whose place is worked out
Point = tuple[float, float]
Places = Callable[[np.ndarray], np.ndarray]  # (n, 2) points of a frame -> (n, 2), upright pixels of the picture


def facing(picture: Picture, tip: np.ndarray, back: np.ndarray) -> np.ndarray:
    """(3, 3) to upright pixels from a frame with x outwards along a stem, y across, 0 at its tip [px].

    The frame is that of a camera turned to look straight at the tip, so that it is free of the lens's stretching; only
    shifted there where the focal length is not known.

    Parameters
    ----------
    picture, tip, back
        Whose focal length is used; (2,) the stem's end, and a point farther back on it [upright px].
    """
    focal, H = picture.focal_px, scaling(1, *tip)
    if focal is not None and focal.sigma <= 0.2 * focal.value:
        K = scaling(focal.value, *(np.array(picture.size) - 1) / 2)
        ray = np.linalg.solve(K, np.array([*tip, 1.0]))
        right = np.cross((0.0, 1.0, 0.0), ray)
        axes = np.column_stack([right, np.cross(ray, right), ray])
        H = K @ axes / np.linalg.norm(axes, axis=0) @ np.linalg.inv(scaling(focal.value, 0, 0))
    a, b = moved(np.stack([tip, back]), np.linalg.inv(H))
    x, y = (a - b) / np.linalg.norm(a - b)
    return H @ np.array([[x, -y, a[0]], [y, x, a[1]], [0, 0, 1.0]])


def rays(camera: Camera, px: np.ndarray) -> np.ndarray:
    """Directions of the rays through pixels, unit vectors (n, 3) in the plane's coordinates.

    Parameters
    ----------
    camera, px
        How it stands, with its lens, and the pixels, (n, 2) [upright px].
    """
    seen = (np.asarray(px, float) - camera.K[:2, 2]) / np.diag(camera.K)[:2]
    flat = seen
    for _ in range(6):  # fixed point of x' = x (1 + k1 r^2); k1 r^2 is a few per cent
        flat = seen / (1 + camera.k1 * (flat**2).sum(axis=1, keepdims=True))
    ray = np.column_stack([flat, np.ones(len(flat))]) @ camera.R
    return ray / np.linalg.norm(ray, axis=1, keepdims=True)


def sampled(bgr: np.ndarray, px: np.ndarray) -> np.ndarray:
    """Colours at places of a picture, bilinear, (h, w, 3) uint8; 0 outside of it.

    Parameters
    ----------
    bgr, px
        (H, W, 3) uint8 blue, green, red [0 to 255]; (h, w, 2) places [px].
    """
    low = np.maximum(np.floor(px.min(axis=(0, 1))).astype(int) - 2, 0)
    high = np.maximum(np.ceil(px.max(axis=(0, 1))).astype(int) + 3, low + 1)
    part = bgr[low[1] : high[1], low[0] : high[0]]
    return cv2.remap(part, (px - low).astype(np.float32), None, cv2.INTER_LINEAR)


def laid_between(place: Callable[[np.ndarray, np.ndarray], np.ndarray], one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """What `place` makes of each pair of evenly spaced values, (n, m, 2).

    Worked out for one in NODES of either and laid straight between: perspective and a stem's roundness bend far less
    than a pixel there.

    Parameters
    ----------
    place, one, other
        Makes two arrays of values, (i, j) each, into (i, j, 2) places; (n,) and (m,) evenly spaced values, in any unit.
    """
    (first, by_first), (second, by_second) = (_nodes(len(values)) for values in (one, other))
    nodes = place(*np.meshgrid(one[first], other[second], indexing="ij"))
    return np.stack([by_first @ nodes[..., k].astype(np.float32) @ by_second.T for k in (0, 1)], axis=2)


def _nodes(many: int) -> tuple[np.ndarray, np.ndarray]:
    """Which of so many values are nodes, and what each counts for all of them, (many, nodes): straight between."""
    nodes = np.unique(np.append(np.arange(0, many, NODES), many - 1))
    shares = [np.interp(np.arange(many), nodes, one) for one in np.eye(len(nodes), dtype=np.float32)]
    return nodes, np.stack(shares, axis=1).astype(np.float32)


def robust_line(points: np.ndarray, outwards: int = 0) -> tuple[np.ndarray, float]:
    """Offset and slope, (2,), of the line y = offset + slope x through most points, and how far those stray from it.

    Parameters
    ----------
    points, outwards
        (n, 2) x and y, in any unit; 1 or -1 where what strays to greater or to smaller y is to count less, as buds do, else
        0 [no unit].

    References
    ----------
    .. [1] Iterated biweights (Mosteller & Tukey 1977, Data Analysis and Regression, from memory), begun with the line
       through two of the points that lies nearest to most; more wary of one side: our own.
    """
    points = points[points[:, 0].argsort()]
    x, y = points.T
    one, other = np.linspace(0, len(x) - 1, 12).astype(int)[np.array(np.triu_indices(12, 4))]
    slopes = (y[other] - y[one]) / np.maximum(x[other] - x[one], 1e-9)
    lines = np.stack([y[one] - slopes * x[one], slopes], axis=1)
    line = lines[np.median(np.abs(y - lines @ [np.ones_like(x), x]), axis=1).argmin()]
    floor, close = 1e-4 * np.ptp(x), np.ones(len(x), bool)
    for _ in range(6):
        stray = y - line[0] - line[1] * x
        spread = 1.4826 * float(np.median(np.abs(stray[close])))
        scale = np.where(stray * outwards > 0, 2.5, 4.0) * max(spread, floor)
        weight = np.clip(1 - (stray / scale) ** 2, 0, None) ** 2
        close = weight > 0
        middle = weight @ points / weight.sum()
        along = weight * (x - middle[0])
        slope = along @ (y - middle[1]) / (along @ (x - middle[0]))
        line = np.array([middle[1] - slope * middle[0], slope])
    return line, spread


def largest(mask: np.ndarray, least: int = 1) -> np.ndarray | None:
    """The largest piece of a mask that hangs together, its holes filled, (h, w) uint8; None where it is too small.

    Parameters
    ----------
    mask, least
        (h, w), above 0 inside [no unit], and the size that the piece must have [cells].
    """
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    areas = stats[1:, cv2.CC_STAT_AREA]
    if areas.max(initial=0) < least:
        return None
    own = (labels == 1 + int(areas.argmax())).astype(np.uint8)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(own), contours, -1, 1, cv2.FILLED)


def smoothed(image: np.ndarray, sigma: float) -> np.ndarray:
    """An image blurred by a Gaussian; where that is wide, on a copy that keeps four pixels to a sigma.

    Parameters
    ----------
    image, sigma
        (h, w) float32 [no unit], and the Gaussian's standard deviation [px].
    """
    small = max(1, int(sigma / 4))
    few = (-(-image.shape[1] // small), -(-image.shape[0] // small))
    reduced = cv2.GaussianBlur(cv2.resize(image, few, interpolation=cv2.INTER_AREA), (0, 0), sigma / small)
    return cv2.resize(reduced, image.shape[::-1], interpolation=cv2.INTER_LINEAR)
