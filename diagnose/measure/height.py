"""How high above the ground is the wound, by the height staff that stands beside the plant?

One least-squares fit: the markers tell the camera's pose, the taps on which rays wound and foot lie, and what no picture
tells (the staff's lean, the plant's place before or behind it, the ground) enters as a prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import approx_fprime, least_squares

from diagnose.eye.pieces import scaling
from diagnose.measure.geometry import Point
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture
from diagnose.photo.plane import DEFAULT_F35, DEFAULT_F35_SIGMA, DIAGONAL_35MM, Plane, StaffMarkers, StaffView
from diagnose.signs import Measured

LEAST_MARKERS = 3

# Standard uncertainties of what the picture does not tell; our choices, no source.
LEAN = 0.042  # of the staff, as a tangent, to the side and towards the camera (2.4 degrees)
ROLL = 0.022  # of a picture held upright by hand, as a tangent (1.3 degrees)
FOOT_DEPTH_MM = 40.0  # of the stem's foot before or behind the staff's foot
TIP_DEPTH_MM = 35.0  # of the wound before or behind the stem's foot
GROUND_MM = 6.0  # roughness of the ground between staff and stem
SLOPE = 0.03  # of the ground, as a tangent, over the way from staff to stem
OTHER_GROUND_MM = 150.0  # of a foot that the staff's own ground cannot explain
TAP_PX = 3.0  # of a tap, at a picture diagonal of 2520 px
SHARP_PX, ROUGH_PX = 0.25, 1.0  # of a refined corner and of one that was not
TAPE_MM = 0.5  # of the corners on staff pages taped to a stake
K1 = 0.02  # of the distortion that phones leave
PRINT_SCALE = 0.003  # of a page printed at "actual size" whose check bar was looked at; common practice
UNSURE_MM = 100.0  # with a larger uncertainty nothing is stated
UNSURE_SHARE = 0.25  # the same, of the height
LOOKING_DOWN = (0.2, 0.15)  # of the camera's tilt, as a tangent: mean and sigma, before a plant lower than the eyes
BY_MARKS_MM = 60.0  # of the plant before or behind two marks of a known length
NEAREST_MARKS_PX = 10.0  # two marks nearer to each other tell no scale
MOST_ASIDE = 0.4  # of the way up, by which two marks may lie aside of each other (22 degrees); our choice
BESIDE_MM = 700.0  # a plant farther to the side of the staff does not stand beside it; our choice


@dataclass(frozen=True)
class Height:
    """Height above the ground at the stem's foot.

    Parameters
    ----------
    height, aside_mm
        Of the wound, and how far it lies to the right of the staff's line [mm].
    foot_px, line_px
        (2,) the stem's foot, level with the staff's where it was not tapped; (21, 2) the staff's centre line [upright px].
    surface, above_surface
        Of a tapped surface of snow or grass above the staff's foot, and of the wound above that; None without [mm].
    """

    height: Measured
    aside_mm: float
    foot_px: np.ndarray
    line_px: np.ndarray
    surface: Measured | None = None
    above_surface: Measured | None = None


def staff_plane(staff: StaffMarkers) -> Plane | None:
    """The plane of the staff: x right of its centre line, y height above its foot [mm], to upright pixels.

    None where fewer than LEAST_MARKERS were found.

    Parameters
    ----------
    staff
        The staff's markers as found: corners [upright px], heights [mm].
    """
    mm, px = _corners_mm(staff), np.vstack(list(staff.corners_px))
    H = cv2.findHomography(mm, px, cv2.RANSAC, 3.0)[0] if len(staff.ids) >= LEAST_MARKERS else None
    if H is None:
        return None
    miss = np.linalg.norm(cv2.perspectiveTransform(mm[None], H)[0] - px, axis=1)
    return Plane("staff", H, len(staff.ids), float(np.sqrt(np.mean(miss**2))), 0.0)


def measure_height(
    picture: Picture, staff: StaffMarkers, taps: Sequence[Point] = (), snow_mm: float | None = None
) -> Measurement:
    """Height of the wound above the ground at the stem's foot.

    Without a tap nothing is measured: a tip is 1 to 5 pixels wide where the whole staff is in the picture, and a browsed one
    cannot be told from a whole one, nor from a stem that leaves or the staff cover.

    Parameters
    ----------
    picture, staff
        That is measured [no unit], and the staff's markers as found in it: corners [upright px], heights [mm].
    taps, snow_mm
        The wound first, then the stem's foot (level with the staff's foot where not given) [upright px]; depth of the snow
        when the wound was made, or None: a remark tells it, the height is above the ground [mm].
    """
    if len(staff.ids) < 2:
        return no_height("only one of the staff's markers was read; show at least three of them: go closer")
    if not taps:
        return no_height("the staff was found, but which tip was browsed cannot be told from so far: tap the wound, then "
                         "the stem's foot")
    found = fit_height(StaffView(staff, picture.size, *_focal(picture)), *taps[:2])
    if found.above_surface is not None and found.above_surface.value < -2 * found.above_surface.sigma:
        return no_height("the second tap lies above the first: tap the wound first, then the stem's foot")
    shapes = {"tip": np.array([taps[0]], float), "staff_line": found.line_px, "foot": found.foot_px[None]}
    what_to_do = "stand the staff at the stem, go closer and show at least three of its markers"
    told = told_height(found.height, what_to_do, shapes, _remarks(found, staff, taps, snow_mm))
    if told.measured and abs(found.aside_mm) > BESIDE_MM:
        return no_height(f"the tap lies {abs(found.aside_mm) / 1000:.1f} m to the side of the staff: tap the wound on the "
                         "plant that the staff stands at")
    return told


def _focal(picture: Picture) -> tuple[float, float]:
    """The focal length [px] and its relative uncertainty, a common phone's where the picture does not tell it."""
    focal = picture.focal_px
    if focal is None:
        return DEFAULT_F35 * float(np.hypot(*picture.size)) / DIAGONAL_35MM, DEFAULT_F35_SIGMA
    return focal.value, focal.sigma / focal.value


def told_height(
    height: Measured, what_to_do: str, shapes: dict[str, np.ndarray], remarks: tuple[str, ...] = ()
) -> Measurement:
    """A wound's height, or why it is not stated: it lies below the ground, or it is too unsure.

    Parameters
    ----------
    height, what_to_do, shapes, remarks
        With its standard uncertainty [mm]; what is told where that is too large; as in `Measurement` [upright px].
    """
    if height.value < -2 * height.sigma:
        return no_height("the wound would lie below the ground: tap the wound first, then the stem's foot")
    if height.sigma > max(UNSURE_MM, UNSURE_SHARE * height.value):
        return no_height(f"the height would be unsure by {height.sigma:.0f} mm: {what_to_do}")
    return Measurement({"wound_height_mm": height}, {}, shapes, remarks)


def no_height(reason: str) -> Measurement:
    """A measurement without the wound's height.

    Parameters
    ----------
    reason
        Why there is none, and what to do [no unit].
    """
    return Measurement(not_measured={"wound_height_mm": reason})


def _remarks(found: Height, staff: StaffMarkers, taps: Sequence[Point], snow_mm: float | None) -> tuple[str, ...]:
    remarks = []
    if len(staff.ids) < LEAST_MARKERS:
        remarks.append("only two of the staff's markers were read: show more of them for a surer height")
    if len(taps) < 2:
        remarks.append("the ground at the stem was taken as level with the staff's foot: tap the stem's foot too")
    if found.surface is not None and found.above_surface is not None:
        remarks.append(f"the second tap lies about {found.surface.value:.0f} mm above the staff's foot and was taken for "
                       f"the snow's or grass's surface: the wound is {found.above_surface.value:.0f} mm (sigma "
                       f"{found.above_surface.sigma:.0f}) above that")
    elif snow_mm:
        height = found.height.value - snow_mm
        remarks.append(f"the height is above the ground; above the {snow_mm:.0f} mm of snow it is {height:.0f} mm")
    return tuple(remarks)


def fit_height(scene: StaffView, tip: Point, foot: Point | None = None) -> Height:
    """Height of the tapped wound above the ground at the stem's foot, from a scene with at least two markers.

    A second tap far above the ground that the staff stands on is taken for the surface of snow or grass: the height is then
    above the ground level with the staff's foot. One far below it is the ground all the same. Least squares, with priors on
    what the picture does not tell (our own choice) and Cauchy's loss for corners that stand far off.

    Parameters
    ----------
    scene, tip, foot
        The staff's markers, the picture's size and focal length; the wound, and the stem's foot, None where not tapped [px].
    """
    if foot is None:
        return _fit(scene, tip, None, GROUND_MM)[0]
    found, ground = _fit(scene, tip, foot, OTHER_GROUND_MM)
    likely = 3 * float(np.hypot(ground.sigma, GROUND_MM))
    if ground.value > likely:
        level, _ = _fit(scene, tip, None, GROUND_MM)
        return replace(level, foot_px=np.array(foot), surface=ground, above_surface=found.height)
    return found if ground.value < -likely else _fit(scene, tip, foot, GROUND_MM)[0]


# The parameters of the fit in this order; points are in the staff's frame: x right, y up along it, z towards the camera.
TURN, SHIFT, FOCAL, BEND, TILT, TIP, FOOT = (
    slice(0, 3), slice(3, 6), 6, 7, slice(8, 10), slice(10, 13), slice(13, 16),
)  # fmt: skip
SCALES = np.array([0.01] * 3 + [10.0] * 3 + [0.03, 0.02, 0.04, 0.04] + [20.0] * 6)


def _fit(scene: StaffView, tip: Point, foot: Point | None, ground_mm: float) -> tuple[Height, Measured]:
    """The least-squares fit, and how high the stem's foot lies above the staff's [mm]."""
    mm = np.hstack([_corners_mm(scene.staff), np.zeros((4 * len(scene.staff.ids), 1))])
    px = np.vstack(list(scene.staff.corners_px))
    middle = (np.array(scene.size) - 1) / 2
    per_mm = float(np.linalg.norm(px[1::4] - px[0::4], axis=1).mean()) / scene.staff.side_mm
    corner = np.hypot(np.where(scene.staff.sharp.ravel(), SHARP_PX, ROUGH_PX), TAPE_MM * per_mm)
    tap = tap_sigma(scene.size)
    tapped = np.array([tip, foot if foot is not None else tip], float)

    def seen(p: np.ndarray, points: np.ndarray) -> np.ndarray:
        K = scaling(scene.focal_px * np.exp(p[FOCAL]), *middle)
        return cv2.projectPoints(points, p[TURN], p[SHIFT], K, np.array([p[BEND], 0, 0, 0]))[0][:, 0]

    def misses(q: np.ndarray) -> np.ndarray:
        p = q * SCALES
        up, ahead = _vertical(p)
        rays = (seen(p, np.array([p[TIP], p[FOOT]])) - tapped) / tap
        if foot is None:
            rays[1] = 0.0
        apart = float(np.hypot(p[FOOT][0], p[FOOT][2]))
        priors = [
            p[FOCAL] / scene.focal_sigma, p[BEND] / K1, p[TILT][0] / LEAN, p[TILT][1] / LEAN,
            cv2.Rodrigues(p[TURN])[0][0] @ up / ROLL, (p[FOOT] @ ahead) / FOOT_DEPTH_MM,
            (p[TIP] - p[FOOT]) @ ahead / TIP_DEPTH_MM, (p[FOOT] @ up) / np.hypot(ground_mm, SLOPE * apart),
            0.0 if foot is not None else (p[FOOT][0] - p[TIP][0]) / 100.0,
        ]  # fmt: skip
        return np.concatenate([((seen(p, mm) - px) / corner[:, None]).ravel(), rays.ravel(), priors])

    start = _start(scene, mm, px, tapped)
    best = least_squares(misses, start / SCALES, loss="cauchy", f_scale=3.0, max_nfev=60)
    p = best.x * SCALES
    covariance = np.linalg.pinv(best.jac.T @ best.jac) * np.outer(SCALES, SCALES)

    def heights(p: np.ndarray) -> np.ndarray:
        """Of the wound above the stem's foot, and of that above the staff's."""
        return np.array([p[TIP] - p[FOOT], p[FOOT]]) @ _vertical(p)[0]

    slope = approx_fprime(p, heights, 1e-3 * SCALES)
    sigma, ground_sigma = np.sqrt(np.maximum(np.einsum("hi,ij,hj->h", slope, covariance, slope), 0.0)).tolist()
    value, ground = heights(p).tolist()
    line = seen(p, np.array([(0.0, y, 0.0) for y in np.arange(0, 2001, 100)]))
    foot_px = seen(p, p[FOOT][None])[0] if foot is None else np.array(foot, float)
    height = Measured(value, float(np.hypot(sigma, PRINT_SCALE * value)))
    return Height(height, float(p[TIP][0]), foot_px, line), Measured(ground, ground_sigma)


def _vertical(p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The upright direction and the level one towards the camera, in the staff's frame."""
    up = np.array([p[TILT][0], 1.0, p[TILT][1]])
    up /= np.linalg.norm(up)
    ahead = np.array([0.0, 0.0, 1.0]) - up[2] * up
    return up, ahead / np.linalg.norm(ahead)


def _start(scene: StaffView, mm: np.ndarray, px: np.ndarray, tapped: np.ndarray) -> np.ndarray:
    """Where the fit starts: the markers' pose, and the taps in the staff's plane."""
    K = scaling(scene.focal_px, *(np.array(scene.size) - 1) / 2)
    _, turn, shift = cv2.solvePnP(mm, px, K, None, flags=cv2.SOLVEPNP_IPPE)
    R = cv2.Rodrigues(turn)[0]
    start = np.zeros(len(SCALES))
    start[TURN], start[SHIFT] = turn.ravel(), shift.ravel()
    H = K @ np.stack([R[:, 0], R[:, 1], shift.ravel()], axis=1)
    points = cv2.perspectiveTransform(tapped[None], np.linalg.inv(H))[0]
    start[TIP], start[FOOT] = (*points[0], 0.0), (*points[1], 0.0)
    return start


def measure_height_by_marks(
    picture: Picture, known_mm: float, ends: tuple[Point, Point], wound: Point, foot: Point
) -> Measurement:
    """Height of the wound above the stem's foot by the two ends of an upright thing of known length.

    Not measured where the ends do not stand one above the other, or lie too near. Two marks cannot tell the camera's tilt p:
    seen from the distance D, a height h above the lower mark reads wrong by about tan(p) h (h - L) / D, with L the known
    length. What the usual tilt makes of that is taken off; the rest, the plant's place before or behind the marks, and the
    taps' error are stated.

    Parameters
    ----------
    picture, known_mm, ends, wound, foot
        That is measured; length of the thing [mm]; its two ends in either order, the wound, the stem's foot [upright px].

    References
    ----------
    .. [1] Our own, from the pinhole camera to first order in the tilt.
    """
    high, low = np.array(sorted(ends, key=lambda end: end[1]))
    mark = high - low
    length = float(np.hypot(*mark))
    if length < NEAREST_MARKS_PX or abs(mark[0]) > -MOST_ASIDE * mark[1]:
        return no_height("mark the lower and the upper end of something upright, farther apart in the picture")
    per_px = known_mm / length
    distance = _focal(picture)[0] * per_px
    top, bottom = (float(np.subtract(end, low) @ mark) / length * per_px for end in (wound, foot))
    value = top - bottom
    tilt = (top * (top - known_mm) - bottom * (bottom - known_mm)) / distance
    pixels = tap_sigma(picture.size) * per_px * np.sqrt(2 + 2 * (value / known_mm) ** 2)
    sigma = float(np.linalg.norm([pixels, LOOKING_DOWN[1] * tilt, BY_MARKS_MM / distance * value]))
    shapes = {"tip": np.array([wound], float), "foot": np.array([foot], float), "staff_line": np.array([low, high])}
    remark = "two marks cannot undo the camera's tilt: stand the height staff at the plant for a surer height"
    what_to_do = "mark a longer thing of known length beside the plant, or use the height staff"
    return told_height(Measured(value - LOOKING_DOWN[0] * tilt, sigma), what_to_do, shapes, (remark,))


def tap_sigma(size: tuple[int, int]) -> float:
    """Standard uncertainty of a tap on a picture [px].

    Parameters
    ----------
    size
        Width and height of the picture [px].
    """
    return TAP_PX * float(np.hypot(*size)) / 2520.0


def _corners_mm(staff: StaffMarkers) -> np.ndarray:
    half = staff.side_mm / 2
    square = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
    return np.vstack([square + (0.0, height) for height in staff.heights_mm])
