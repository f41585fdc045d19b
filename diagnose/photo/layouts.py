"""Where do the markers of the scale card and of the height staff lie, in true millimetres?

The dictionary is OpenCV's predefined DICT_4X4_50; a marker is a square of 6 x 6 modules whose outer ring is
black. Another card or staff is another `Layout`: the same code prints it and finds it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

MODULES_A_SIDE = 6  # 4 coded modules and a black one on either side


@dataclass(frozen=True)
class Layout:
    """A printed sheet with square markers on it. Origin top left, x right, y down.

    Parameters
    ----------
    name
        Of the sheet [no unit].
    size_mm, side_mm
        Width and height, and side of the black squares [mm].
    markers
        Marker id -> its centre [mm].
    bare_mm
        (x0, y0, x1, y1) that stays plain white, or None [mm].
    """

    name: str
    size_mm: tuple[float, float]
    side_mm: float
    markers: Mapping[int, tuple[float, float]]
    bare_mm: tuple[float, float, float, float] | None = None

    def corners_mm(self, marker: int) -> np.ndarray:
        """The marker's corners, (4, 2) [mm], in OpenCV's order: clockwise from the top left.

        Parameters
        ----------
        marker
            Its id [no unit].
        """
        half = self.side_mm / 2
        square = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
        return np.asarray(self.markers[marker], float) + square

    def height_mm(self, marker: int) -> float:
        """Height of the marker's centre above the sheet's lower edge [mm].

        Parameters
        ----------
        marker
            Its id [no unit].
        """
        return self.size_mm[1] - self.markers[marker][1]


CARD = Layout(
    name="card",
    size_mm=(150.0, 100.0),
    side_mm=14.0,
    markers={
        10: (12.0, 12.0),
        11: (75.0, 12.0),
        12: (138.0, 12.0),
        13: (138.0, 50.0),
        14: (138.0, 88.0),
        15: (75.0, 88.0),
        16: (12.0, 88.0),
        17: (12.0, 50.0),
    },
    bare_mm=(20.0, 20.0, 130.0, 80.0),
)

STAFF = Layout(
    name="staff",
    size_mm=(60.0, 2000.0),
    side_mm=50.0,
    markers={20 + step: (30.0, 2000.0 - (100.0 + 250.0 * step)) for step in range(8)},
)
