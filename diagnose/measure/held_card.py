"""How high above the ground is the wound, by a scale card that is held upright beside it?

Height is counted along the card's plane, in the direction that a level camera sees run up the picture, from the card's lower
edge, whose height is told, or from the stem's foot.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from diagnose.measure.geometry import Point, rays
from diagnose.measure.height import ROLL, no_height, tap_sigma, told_height
from diagnose.measure.record import Measurement
from diagnose.photo.plane import Plane
from diagnose.signs import Measured

# Standard uncertainties of what the picture does not tell; our choices, no source.
EDGE_MM = 8.0  # of the height of the card's lower edge, measured by a person on rough ground
DEPTH_MM = 30.0  # of the stem before or behind the card's plane
STEM_DEPTH_MM = 10.0  # of the wound before or behind the stem's foot
LEAN = 0.05  # of the card out of the upright, towards the camera or away, as a tangent (3 degrees)
FAR = 0.015  # of the way that is counted, since the card's small tilt errors are carried so far, relative
MOST_ASKEW = 25.0  # of the card's sides from the upright [degree]


class _Spot(NamedTuple):
    """A place on the card's plane.

    mm : (2,) from the card's middle. steep : of its ray against the card's normal, upwards, as a tangent. sigma : what its
    own tap or measure leaves unsure [mm].
    """

    mm: np.ndarray
    steep: float
    sigma: float


def height_by_card(
    plane: Plane, size: tuple[int, int], wound: Point, card_at_mm: float | None = None, foot: Point | None = None
) -> Measurement:
    """Height of the wound above the ground, in the plane of a card held upright beside the stem [mm].

    The height of the card's lower edge goes before the foot, which stands farther from the card; one of the two is needed.
    Not measured where the card is held askew, or where the height would be too unsure.

    Parameters
    ----------
    plane, size, wound, foot
        The card's, with its layout and camera [no unit]; width and height of the picture; the wound, and the stem's foot,
        None where it was not tapped [upright px].
    card_at_mm
        Height of the card's lower edge above the ground; None where not known [mm].
    """
    if plane.camera is None or plane.layout is None:
        return no_height("the height by a card needs the printed scale card, held upright beside the wound")
    up = _upright(plane)
    side = int(np.abs(up).argmax())  # of the card's, that it stands upright by
    askew = float(np.degrees(np.arccos(min(abs(up[side]), 1.0))))
    if askew > MOST_ASKEW:
        return no_height(f"the card is held {askew:.0f} degrees askew: hold the phone level and one side of the card "
                         "upright")
    at = _spot(plane, wound, size, up)
    if card_at_mm is not None:
        edge = plane.sheet_mm / 2 - plane.centre_mm
        edge[side] -= np.sign(up[side]) * plane.sheet_mm[side] / 2
        low, below = card_at_mm, _Spot(edge, 0.0, EDGE_MM)
    elif foot is not None:
        low, below = 0.0, _spot(plane, foot, size, up)
    else:
        return no_height("say how high the card's lower edge stands above the ground, or where the stem's foot is")
    way = at.mm - below.mm
    value = low + float(way @ up)
    # what both share falls out of their difference
    steeper, leaning = at.steep - below.steep, (at.mm * at.steep - below.mm * below.steep) @ up
    parts = [
        at.sigma, below.sigma, DEPTH_MM * steeper, STEM_DEPTH_MM * at.steep, STEM_DEPTH_MM * below.steep, LEAN * leaning,
        FAR * (way @ up), ROLL * (way[0] * up[1] - way[1] * up[0]), plane.print_scale_sigma * value,
    ]  # fmt: skip
    height = Measured(value, float(np.linalg.norm(parts)))
    foot_px = plane.to_px((at.mm + plane.centre_mm - value * up)[None])[0] if foot is None else np.array(foot, float)
    shapes = {"tip": np.array([wound], float), "staff_line": np.array([wound, foot_px])}
    return told_height(height, "hold the card nearer to the wound", shapes)


def _upright(plane: Plane) -> np.ndarray:
    """The upright direction on the sheet, (2,): the one that a level camera sees without any turn to the side."""
    assert plane.camera is not None
    R = plane.camera.R
    up = np.array([-R[0, 1], R[0, 0]]) / np.hypot(*R[0, :2])
    return -up if R[1, :2] @ up > 0 else up


def _spot(plane: Plane, px: Point, size: tuple[int, int], up: np.ndarray) -> _Spot:
    """Where a tap's ray meets the card's flat plane: a curl is not carried beyond the card."""
    assert plane.camera is not None
    eye, ray = plane.camera.centre_mm, rays(plane.camera, np.array([px], float))[0]
    mm = (eye - ray * eye[2] / ray[2])[:2]
    sigma = tap_sigma(size) / plane.px_per_mm((float(mm[0]), float(mm[1])))
    return _Spot(mm - plane.centre_mm, float(ray[:2] @ up / ray[2]), sigma)
