"""What does a camera see that is turned to look straight at one point of a picture?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.photo.picture import Picture


@dataclass(frozen=True)
class Gaze:
    """A camera that looks straight at one point of the picture: what it sees is free of the lens's stretching.

    Parameters
    ----------
    H
        (3, 3) from its pixels, with (0, 0) at that point, to upright pixels of the picture [px].
    """

    H: np.ndarray

    def to_px(self, xy: np.ndarray) -> np.ndarray:
        """Points of the turned camera in the picture, (n, 2) [upright px].

        Parameters
        ----------
        xy
            (n, 2) or (2,), from the point that it looks at [px].
        """
        return cv2.perspectiveTransform(np.atleast_2d(np.asarray(xy, float))[None], self.H)[0]

    def from_px(self, px: np.ndarray) -> np.ndarray:
        """Points of the picture in the turned camera, (n, 2), from the point that it looks at [px].

        Parameters
        ----------
        px
            (n, 2) or (2,) [upright px].
        """
        return cv2.perspectiveTransform(np.atleast_2d(np.asarray(px, float))[None], np.linalg.inv(self.H))[0]


def gaze_at(picture: Picture, point: np.ndarray) -> Gaze:
    """The camera turned towards a point; only shifted there where the focal length is not known.

    Parameters
    ----------
    picture
        Whose focal length is used where it is known [no unit].
    point
        (2,) that it turns towards [upright px].
    """
    focal = picture.focal_px
    if focal is None or focal.sigma > 0.2 * focal.value:
        return Gaze(np.array([[1, 0, point[0]], [0, 1, point[1]], [0, 0, 1.0]]))
    width, height = picture.size
    K = np.array([[focal.value, 0, (width - 1) / 2], [0, focal.value, (height - 1) / 2], [0, 0, 1]])
    ray = np.linalg.solve(K, np.array([*point, 1.0]))
    ray /= np.linalg.norm(ray)
    turn = np.array([-ray[1], ray[0], 0.0])  # the viewing axis crossed with the ray
    sine = float(np.hypot(*ray[:2]))
    R = np.eye(3) if sine < 1e-9 else cv2.Rodrigues(turn / sine * np.arcsin(min(sine, 1.0)))[0]
    own = np.array([[focal.value, 0, 0], [0, focal.value, 0], [0, 0, 1]])
    return Gaze(K @ R @ np.linalg.inv(own))


def turned(gaze: Gaze, tip: np.ndarray, back: np.ndarray) -> np.ndarray:
    """(3, 3) from a frame with x outwards along the stem, y across, 0 at the tip, to upright pixels.

    Parameters
    ----------
    gaze
        The turned camera [no unit].
    tip, back
        (2,) the stem's end, and a point farther back on it [upright px].
    """
    a, b = gaze.from_px(np.stack([tip, back]))
    along = (a - b) / np.linalg.norm(a - b)
    return gaze.H @ np.array([[along[0], -along[1], a[0]], [along[1], along[0], a[1]], [0, 0, 1.0]])


def shrinking(factor: int) -> np.ndarray:
    """(3, 3) from a picture's pixels to those of a copy `factor` times smaller.

    Parameters
    ----------
    factor
        How many times smaller the copy is [no unit].
    """
    return np.array([[1 / factor, 0, 0.5 / factor - 0.5], [0, 1 / factor, 0.5 / factor - 0.5], [0, 0, 1]])


def lab_of(bgr: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of an uint8 picture, float32: L 0 to 100.

    Parameters
    ----------
    bgr
        (h, w, 3) uint8 blue, green, red [0 to 255].
    """
    return cv2.cvtColor(bgr.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)
