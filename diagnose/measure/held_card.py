"""How high above the ground is the wound, by a scale card that is held upright beside it?

Height is counted along the card's plane, in the direction that a level camera sees run up the picture, from the card's lower
edge, whose height is told, or from the stem's foot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.measure.geometry import Point, rays
from diagnose.measure.height import ROLL, no_height, tap_sigma, told_height
from diagnose.measure.record import Measurement
from diagnose.photo.plane import Camera, Plane
from diagnose.signs import Measured

# Standard uncertainties of what the picture does not tell; our choices, no source.
EDGE_MM = 8.0  # of the height of the card's lower edge, measured by a person on rough ground
DEPTH_MM = 30.0  # of the stem before or behind the card's plane
STEM_DEPTH_MM = 10.0  # of the wound before or behind the stem's foot
LEAN = 0.05  # of the card out of the upright, towards the camera or away, as a tangent (3 degrees)
FAR = 0.015  # of the way from the card's middle, since the card's small tilt errors are carried so far, relative
MOST_ASKEW = 25.0  # of the card's sides from the upright [degree]


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
    camera = plane.camera
    if camera is None or plane.layout is None:
        return no_height("the height by a card needs the printed scale card, held upright beside the wound")
    up, tap = _upright(plane), tap_sigma(size)
    edge, askew = _lower_edge(plane, up)
    if askew > MOST_ASKEW:
        return no_height(
            f"the card is held {askew:.0f} degrees askew: hold the phone level and one side of the card upright"
        )
    at = _spot(plane, camera, wound, up, tap)
    if card_at_mm is not None:
        value = card_at_mm + float((at.mm - edge) @ up)
        aside, parts = _across(at.mm - edge, up), [
            EDGE_MM, at.tap_mm, DEPTH_MM * at.steep, LEAN * at.above * at.steep, FAR * abs(at.above),
        ]  # fmt: skip
    elif foot is not None:  # what wound and foot share falls out of their difference
        ground = _spot(plane, camera, foot, up, tap)
        value = at.above - ground.above
        aside, parts = _across(at.mm - ground.mm, up), [
            at.tap_mm, ground.tap_mm, DEPTH_MM * (at.steep - ground.steep), STEM_DEPTH_MM * at.steep,
            STEM_DEPTH_MM * ground.steep, LEAN * (at.above * at.steep - ground.above * ground.steep), FAR * value,
        ]  # fmt: skip
    else:
        return no_height("say how high the card's lower edge stands above the ground, or where the stem's foot is")
    parts += [ROLL * aside, plane.print_scale_sigma * value]
    height = Measured(value, float(np.linalg.norm(parts)))
    foot_px = plane.to_px((at.mm - value * up)[None])[0] if foot is None else np.array(foot, float)
    shapes = {"tip": np.array([wound], float), "staff_line": np.array([wound, foot_px])}
    return told_height(height, "hold the card nearer to the wound", shapes)


def _upright(plane: Plane) -> np.ndarray:
    """The upright direction on the sheet, (2,): the one that a level camera sees without any turn to the side."""
    assert plane.camera is not None
    R = plane.camera.R
    up = np.array([-R[0, 1], R[0, 0]])
    up /= np.linalg.norm(up)
    return -up if R[1, :2] @ up > 0 else up


def _lower_edge(plane: Plane, up: np.ndarray) -> tuple[np.ndarray, float]:
    """The middle of the card's lower edge [mm], and by how much the card's sides are turned from upright [degree]."""
    half = plane.sheet_mm / 2
    ways = np.array([(1, 0), (-1, 0), (0, 1), (0, -1)], float)
    down = ways[int(np.argmax(ways @ -up))]
    askew = float(np.degrees(np.arccos(np.clip(down @ -up, -1, 1))))
    return half + down * half, askew


@dataclass(frozen=True)
class _Spot:
    """A place on the card's plane.

    mm : (2,) on the sheet. above : the card's middle [mm]. steep : of its ray against the card's normal, upwards, as a
    tangent. tap_mm : what a tap there leaves unsure [mm].
    """

    mm: np.ndarray
    above: float
    steep: float
    tap_mm: float


def _spot(plane: Plane, camera: Camera, px: Point, up: np.ndarray, tap: float) -> _Spot:
    """Where a pixel's ray meets the card's flat plane: a curl is not carried beyond the card."""
    eye, ray = camera.centre_mm, rays(camera, np.array([px], float))[0]
    mm = (eye - ray * eye[2] / ray[2])[:2]
    per_mm = plane.px_per_mm((float(mm[0]), float(mm[1])))
    return _Spot(mm, float((mm - plane.centre_mm) @ up), float(ray[:2] @ up / ray[2]), tap / per_mm)


def _across(way: np.ndarray, up: np.ndarray) -> float:
    return abs(float(way[0] * up[1] - way[1] * up[0]))
