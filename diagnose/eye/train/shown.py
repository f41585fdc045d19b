"""What does one training picture show, and where?

Every source of training pictures (drawn, rendered, pasted together) says the same thing of its pictures: what each
pixel is, and which severed ends there are. Samples are cut from that alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from diagnose.eye.pieces import CLASSES, FORMS

__all__ = ["CLASSES", "FORMS", "UNKNOWN", "Shown", "ShownEnd"]

UNKNOWN = 255  # a pixel of which nothing is known takes no part in training


@dataclass(frozen=True)
class ShownEnd:
    """One severed end.

    Parameters
    ----------
    at, width
        (2,) middle of the severed face's rim, and the stem's width one diameter below it [px].
    outward
        (2,) unit vector along the axis, away from the stem [no unit].
    form
        Of FORMS, or None where it is not known [no unit].
    slope
        Angle of the end's outermost edge to square across, over the middle 80 % of the width, positive where the edge
        reaches farther out on the side to which `outward` turns clockwise on the screen; None where it is not known [rad].
    """

    at: np.ndarray
    outward: np.ndarray
    width: float
    form: str | None
    slope: float | None = None


@dataclass(frozen=True)
class Shown:
    """One picture with its truth.

    Parameters
    ----------
    bgr
        (h, w, 3) uint8 blue, green, red [0 to 255].
    labels
        (h, w) uint8, index of CLASSES or UNKNOWN [no unit].
    ends
        The severed ends in it [px].
    all_ends
        Is there surely no other? [no unit]
    alike
        What may be taken for an end and is none, such as a shadow's end or a fingertip [px].
    sheet
        (3, 3) from the scale card's millimetres to pixels, None where no card is seen [px per mm].
    source
        The maker and its kinds (ground, light, bark), by which pictures are kept apart [no unit].
    """

    bgr: np.ndarray
    labels: np.ndarray
    ends: tuple[ShownEnd, ...] = ()
    all_ends: bool = True
    alike: tuple[ShownEnd, ...] = ()
    sheet: np.ndarray | None = None
    source: dict[str, str] = field(default_factory=dict)
