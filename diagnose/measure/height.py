"""How high above the ground is the wound, by the height staff that stands beside the plant?

Staff and plant are taken to stand in one plane. The staff's markers give the projective map of that plane, which
undoes every tilt of the camera; how far the plant stands before or behind the staff is not known and widens the
uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane, StaffMarkers
from diagnose.signs import Measured

Point = tuple[float, float]
LEAST_MARKERS = 3
DEPTH_MM = 40.0  # standard uncertainty of the plant's place before or behind the staff; our choice
LEAN = 0.05  # standard uncertainty of the staff's sideways lean, as a tangent (3 degrees); our choice
GROUND_MM = 8.0  # of the ground's height at the stem against that at the staff, where no foot was tapped; our choice
TAP_PX = 3.0  # of a tap, at a picture diagonal of 2520 px; our choice
EYE_MM = 1400.0  # usual height of the camera above the ground; our choice


def staff_plane(staff: StaffMarkers) -> Plane | None:
    """The plane of the staff: x right of its centre line, y height above its foot [mm], to upright pixels.

    None where fewer than LEAST_MARKERS were found.
    """
    if len(staff.ids) < LEAST_MARKERS:
        return None
    mm = _corners_mm(staff)
    px = np.vstack(list(staff.corners_px))
    H, _ = cv2.findHomography(mm, px, cv2.RANSAC, 3.0)
    if H is None:
        return None
    miss = np.linalg.norm(cv2.perspectiveTransform(mm[None], H)[0] - px, axis=1)
    return Plane("staff", H, len(staff.ids), float(np.sqrt(np.mean(miss**2))), 0.0)


def measure_height(
    picture: Picture, staff: StaffMarkers, taps: Sequence[Point] = (), snow_mm: float | None = None
) -> Measurement:
    """Height of the wound above the ground at the stem's foot.

    taps : upright pixels, the wound first, then the stem's foot (level with the staff's foot where not given).
    snow_mm : depth of snow on which the staff's foot does not stand [mm]; told in a remark, the height is above
    the ground. Without a tap nothing is measured.
    """
    plane = staff_plane(staff)
    if plane is None:
        return _nothing(f"only {len(staff.ids)} of the staff's markers were read; at least {LEAST_MARKERS} are needed: "
                        "go closer")
    if not taps:
        return _nothing("the staff was found: tap the wound, then the stem's foot")
    H_back = np.linalg.inv(plane.H)
    points = cv2.perspectiveTransform(np.array([list(taps)[:2]], float), H_back)[0]
    eye_mm, far = _eye(picture, staff)
    aside, top = points[0]
    foot = points[1][1] if len(points) > 1 else 0.0
    # on level ground a foot that seems to lie below or above the staff's stands nearer or farther: wound and foot
    # share that distance, which shrinks or stretches both about the camera's height (similar triangles)
    nearer = eye_mm / (eye_mm - foot) if len(points) > 1 and abs(foot) < 0.5 * eye_mm else 1.0
    above = (top - foot) * nearer
    per_px = float(np.abs(cv2.perspectiveTransform(np.array([[(taps[0][0], taps[0][1] + 1.0)]]), H_back)[0, 0, 1] - top))
    pixel = TAP_PX * float(np.hypot(*picture.size)) / 2520.0
    beyond = max(top - max(staff.heights_mm), min(staff.heights_mm) - top, 0.0)
    parts = [
        pixel * per_px, (0.0 if len(points) > 1 else abs(top - eye_mm) * DEPTH_MM / far), abs(aside) * LEAN, 0.01 * beyond,
        plane.residual_px * per_px, abs(top - foot) * plane.print_scale_sigma,
        2.0 * pixel * per_px if len(points) > 1 else GROUND_MM,
    ]  # fmt: skip
    shapes = {"tip": np.array([taps[0]]), "staff_line": plane.to_px(np.array([(0.0, 0.0), (0.0, max(staff.heights_mm))]))}
    if len(points) > 1:
        shapes["foot"] = np.array([taps[1]])
    remarks = () if not snow_mm else (f"the height is above the ground; {snow_mm:.0f} mm of snow lay there",)
    value = Measured(float(above), float(np.sqrt(np.sum(np.square(parts)))))
    return Measurement({"wound_height_mm": value}, {}, shapes, remarks)


def _eye(picture: Picture, staff: StaffMarkers) -> tuple[float, float]:
    """The camera's height above the staff's foot and its distance from the staff's face [mm], by its pose."""
    focal = picture.focal_px.value if picture.focal_px is not None else 0.7 * float(np.hypot(*picture.size))
    width, height = picture.size
    K = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    mm = np.hstack([_corners_mm(staff), np.zeros((4 * len(staff.ids), 1))])
    found, turn, shift = cv2.solvePnP(mm, np.vstack(list(staff.corners_px)), K, np.zeros(4))
    if not found:
        return EYE_MM, 3 * EYE_MM
    centre = (-cv2.Rodrigues(turn)[0].T @ shift).ravel()
    return float(centre[1]), float(abs(centre[2]))


def _corners_mm(staff: StaffMarkers) -> np.ndarray:
    half = staff.side_mm / 2
    square = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
    return np.vstack([square + (0.0, height) for height in staff.heights_mm])


def _nothing(reason: str) -> Measurement:
    return Measurement(not_measured={"wound_height_mm": reason})
