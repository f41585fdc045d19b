"""What is left of values when what is finer than a length, or what strays, is smoothed away?"""

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
