"""What is left of values, or of a mask, when what is finer than a length, or what strays, is taken away?"""

from __future__ import annotations

import cv2
import numpy as np


def median(values: np.ndarray) -> float:
    """The median of a few hundred numbers, as NumPy's but several times as fast.

    Parameters
    ----------
    values
        (n,) without NaN, in any unit.
    """
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    low, high = np.partition(values, (half - 1, half))[half - 1 : half + 1]
    return (float(low) + float(high)) / 2


def smoothed(image: np.ndarray, sigma: float) -> np.ndarray:
    """An image blurred by a Gaussian; where that is wide, on a smaller copy.

    What is smoothed so far needs no finer pixels: the copy keeps four to a sigma.

    Parameters
    ----------
    image
        (h, w) float32, in any unit.
    sigma
        Standard deviation of the blur [px].
    """
    small = max(1, int(sigma / 4))
    if small == 1:
        return cv2.GaussianBlur(image, (0, 0), sigma)
    few = (-(-image.shape[1] // small), -(-image.shape[0] // small))
    reduced = cv2.GaussianBlur(cv2.resize(image, few, interpolation=cv2.INTER_AREA), (0, 0), sigma / small)
    return cv2.resize(reduced, image.shape[::-1], interpolation=cv2.INTER_LINEAR)


def largest(mask: np.ndarray, least: int = 1) -> np.ndarray | None:
    """The largest piece of a mask that hangs together, its holes filled, (h, w) uint8; None where it is too small.

    Parameters
    ----------
    mask
        (h, w) bool or uint8, above 0 inside [no unit].
    least
        Size that it must have [cells].
    """
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    areas = stats[1:, cv2.CC_STAT_AREA]
    if areas.max(initial=0) < least:
        return None
    own = (labels == 1 + int(areas.argmax())).astype(np.uint8)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros_like(own), contours, -1, 1, cv2.FILLED)
