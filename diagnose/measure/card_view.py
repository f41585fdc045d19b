"""What lies round the scale card, seen flat on its plane?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from diagnose.eye.pieces import cut, scaling
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

CARD_EDGE = 0.7  # beyond the card, where its own edge would be taken for bark [mm]
MARGIN = 90.0  # how far beyond the card stems are looked for [mm]
VIEW_SCALE = 1.6  # of the coarse view on the card's plane [px/mm]
FLAT, STANDS_OUT, ABOUT = 0.05, 0.005, 9.0  # of bare paper: tone about a place [nat], share that may differ, how far [mm]
CARD_RIM = 1.3  # round the card, where its own edge would be found [mm]


@dataclass(frozen=True, eq=False)
class View:
    """The card's surroundings as seen flat on the card's plane.

    Parameters
    ----------
    picture, plane, bgr
        The picture, and the card's plane in it [no unit]; (h, w, 3) uint8 blue, green, red [0 to 255].
    open, scale
        (h, w) bool, in the picture and not on the card [no unit]; of the view [px/mm].
    """

    picture: Picture
    plane: Plane
    bgr: np.ndarray
    open: np.ndarray
    scale: float

    def to_mm(self, xy: np.ndarray) -> np.ndarray:
        """Places of the view on the card's plane, of the same shape [mm].

        Parameters
        ----------
        xy
            (..., 2) [view px].
        """
        return np.asarray(xy, float) / self.scale - MARGIN

    def to_px(self, xy: np.ndarray) -> np.ndarray:
        """Places of the view in the picture, (n, 2) [upright px].

        Parameters
        ----------
        xy
            (n, 2) [view px].
        """
        return self.plane.to_px(self.to_mm(xy))

    def from_px(self, px: np.ndarray) -> np.ndarray:
        """Places of the picture on the view, (n, 2) [view px].

        Parameters
        ----------
        px
            (n, 2) [upright px].
        """
        return (self.plane.to_mm(np.asarray(px, float)) + MARGIN) * self.scale

    @cached_property
    def _white(self) -> np.ndarray:
        """Linear blue, green, red of the card's white, (3,), the median of its plain middle; ones where it is not seen."""
        width, height = self.plane.sheet_mm / self.plane.print_scale
        x, y = np.meshgrid(np.linspace(0.2, 0.8, 25) * width, np.linspace(0.25, 0.75, 15) * height)
        at = np.round(self.plane.to_px(np.column_stack([x.ravel(), y.ravel()]))).astype(int)
        column, row = at[((at >= 0) & (at < self.picture.size)).all(axis=1)].T
        if len(column) < 10:
            return np.ones(3)
        return np.maximum(np.median(_linear(self.picture.bgr[row, column]), axis=0), 0.02)

    def log_light(self, bgr: np.ndarray) -> np.ndarray:
        """Natural logarithm of light against the card's white, of the same shape [nat]; black is kept finite.

        Parameters
        ----------
        bgr
            Pixel values, (..., 3) blue, green, red [0 to 255].
        """
        few = bgr.dtype == np.uint8  # then each of the 256 values is worked out once
        values = np.arange(256, dtype=np.float32).reshape(1, 256, 1) if few else bgr
        light = np.log(_linear(values) / np.float32(self._white) + np.float32(0.004))
        return cv2.LUT(bgr, light) if few else light


def _linear(values: np.ndarray) -> np.ndarray:
    """Pixel values 0 to 255 as light, 0 to 1 (power 2.2, near enough to every phone's tone curve)."""
    return (np.asarray(values, np.float32) / 255) ** 2.2


@dataclass(frozen=True, eq=False)
class Line:
    """A straight edge in a view.

    Parameters
    ----------
    middle, along
        (2,) a point of it, and (2,) the unit vector along it [view px].
    """

    middle: np.ndarray
    along: np.ndarray

    @property
    def run(self) -> int:
        """The coordinate that it mostly runs along, x (0) or y (1)."""
        return int(abs(self.along[1]) > abs(self.along[0]))

    def at(self, coordinate: int, value: float | np.ndarray) -> np.ndarray:
        """The point of the line at a value of one coordinate: (2,), or (n, 2) for (n,) values [view px].

        Parameters
        ----------
        coordinate, value
            Which one, x (0) or y (1), and its value, one or (n,) [view px].
        """
        way = (np.asarray(value, float)[..., None] - self.middle[coordinate]) / self.along[coordinate]
        return np.asarray(self.middle + self.along * way)


def apart(pair: tuple[Line, Line], value: float) -> float:
    """How far two lines lie from one another, square to the first [view px].

    Parameters
    ----------
    pair, value
        The two lines, and the coordinate that the first mostly runs along, where it is asked for [view px].
    """
    one, two = (line.at(pair[0].run, value) for line in pair)
    return abs(float((two - one) @ (-pair[0].along[1], pair[0].along[0])))


def view_of_card(picture: Picture, plane: Plane) -> View:
    """The picture round the card, drawn on the card's plane.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    """
    width, height = plane.sheet_mm
    size = (int((height + 2 * MARGIN) * VIEW_SCALE), int((width + 2 * MARGIN) * VIEW_SCALE))
    to_px = plane.H @ scaling(1 / VIEW_SCALE, -MARGIN, -MARGIN)
    bgr = cut(picture, to_px, size)
    there = cut(np.ones(picture.bgr.shape[:2], np.uint8), to_px, size, nearest=True)
    free = cv2.erode(there, np.ones((7, 7)), borderType=cv2.BORDER_CONSTANT, borderValue=0.0) > 0
    low, right, bottom = ((MARGIN + edge) * VIEW_SCALE for edge in (-CARD_RIM, width + CARD_RIM, height + CARD_RIM))
    free[int(low) : int(bottom) + 1, int(low) : int(right) + 1] = False
    return View(picture, plane, bgr, free, VIEW_SCALE)


def bare_paper(picture: Picture, plane: Plane, box_mm: tuple[float, float, float, float]) -> bool:
    """Whether nothing lies on a plain part of the card: no more than STANDS_OUT of it differs from the paper about it.

    In 138 rendered pictures of twigs on the card at least 0.11 nat did, in 46 of 86 of gnawed bark beside it less than FLAT.

    Parameters
    ----------
    picture, plane, box_mm
        That is measured, and the card's plane in it [no unit]; left, top, right and bottom of the part, as printed [mm].
    """
    left, top, right, bottom = np.array(box_mm) * plane.print_scale
    size = (int((bottom - top) * VIEW_SCALE), int((right - left) * VIEW_SCALE))
    bgr = cut(picture, plane.H @ scaling(1 / VIEW_SCALE, left, top), size)
    tone = cv2.log(cv2.GaussianBlur(bgr, (0, 0), 1.0).astype(np.float32) + 8)
    off = np.abs(tone - cv2.GaussianBlur(tone, (0, 0), ABOUT * VIEW_SCALE)).max(axis=2)
    return float(np.quantile(off, 1 - STANDS_OUT)) < FLAT
