"""What is left of a picture when all that is finer than a length is smoothed away?"""

from __future__ import annotations

import cv2
import numpy as np


def smoothed(image: np.ndarray, sigma: float) -> np.ndarray:
    """An image (h, w), float32, blurred by a Gaussian of `sigma` [px]; where that is wide, on a smaller copy.

    What is smoothed so far needs no finer pixels: the copy keeps four to a sigma.
    """
    small = max(1, int(sigma / 4))
    if small == 1:
        return cv2.GaussianBlur(image, (0, 0), sigma)
    few = (-(-image.shape[1] // small), -(-image.shape[0] // small))
    reduced = cv2.GaussianBlur(cv2.resize(image, few, interpolation=cv2.INTER_AREA), (0, 0), sigma / small)
    return cv2.resize(reduced, image.shape[::-1], interpolation=cv2.INTER_LINEAR)
