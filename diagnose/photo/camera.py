"""From where, and through what lens, was a sheet of known marks photographed, and how does the sheet curl?

One least-squares fit tells it all at once: pose, focal length, distortion, principal point, curl, and by how
much dark edges creep. What the marks cannot tell is held by what is known beforehand of phones and paper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

K1_SIGMA = 0.03  # distortion left by phones that correct it already; from memory
CENTRE_SIGMA = 0.007  # of the principal point about the picture's middle, in diagonals; from memory
CURL_SIGMA = 0.0015  # of a sheet's curvature [1/mm]: a radius of 0.7 m lifts a card's short sides by 4 mm
CREEP_SIGMA = 0.5  # by which dark edges may creep into the dark on white [px]
CORNER_SIGMA = 0.15  # of a refined corner [px]: twice what it is on rendered pictures, for dirt and wear
ROUGH_SIGMA = 1.0  # of a corner that could not be refined [px]
SHEET_SIGMA = 0.05  # by which print and paper depart from the model [mm]
CROPPED_CENTRE_SIGMA = 0.25  # the same, in diagonals, where the picture is a part of a larger one


@dataclass(frozen=True)
class Camera:
    """Pinhole camera with one radial term, in the pose that saw the plane.

    Several cameras at once have more dimensions, equal ones, before those that are told here.

    Parameters
    ----------
    K
        (3, 3) intrinsics [px].
    k1
        Radial distortion, x' = x (1 + k1 r^2) [no unit].
    R, t
        (3, 3) and (3,) from plane coordinates (x right, y down on the sheet, z out of the sheet's back, so that a thing
        lying on the sheet has negative z) to camera coordinates [mm].
    """

    K: np.ndarray
    k1: float | np.ndarray
    R: np.ndarray
    t: np.ndarray

    @property
    def centre_mm(self) -> np.ndarray:
        """The camera's place, (3,), in plane coordinates [mm]."""
        return -self.R.T @ self.t

    def project(self, xyz_mm: np.ndarray) -> np.ndarray:
        """Where places of the plane's space appear, (..., n, 2) [px].

        Parameters
        ----------
        xyz_mm
            Plane coordinates, (..., n, 3) [mm].
        """
        seen = xyz_mm @ np.swapaxes(self.R, -1, -2) + self.t[..., None, :]
        flat = seen[..., :2] / seen[..., 2:]
        flat = flat * (1 + np.asarray(self.k1)[..., None, None] * (flat**2).sum(axis=-1, keepdims=True))
        return flat @ np.swapaxes(self.K[..., :2, :2], -1, -2) + self.K[..., None, :2, 2]

    def view_angle_deg(self, xy_mm: tuple[float, float]) -> float:
        """Angle at a place on the sheet between straight up and the way to the camera [degree].

        Parameters
        ----------
        xy_mm
            The place on the sheet [mm].
        """
        toward = self.centre_mm - (*xy_mm, 0.0)
        return float(np.degrees(np.arccos(np.clip(-toward[2] / np.linalg.norm(toward), -1, 1))))


def on_sheet(
    mm_xy: np.ndarray, curl: np.ndarray, centre_mm: tuple[float, float], lift_mm: float | np.ndarray = 0.0
) -> np.ndarray:
    """Places on a curled sheet as plane coordinates, (n, 3) or (..., n, 3) [mm].

    z = p'Mp/2 with p from the centre; the paper keeps its length, which pulls p inwards by Mp (p'Mp)/6 (the
    circle's next term: exact to third order where the sheet curls one way).

    Parameters
    ----------
    mm_xy
        Places along the paper, (n, 2) [mm].
    curl
        Second derivatives of the sheet's height about its centre, (..., 2, 2) [1/mm].
    centre_mm
        About which the sheet curls [mm].
    lift_mm
        How far the places are lifted off the sheet, one for all or (n,) [mm].

    References
    ----------
    .. [1] Our own.
    """
    p = mm_xy - centre_mm
    slope = p @ curl
    rise = (slope * p).sum(axis=-1, keepdims=True)
    surface = np.concatenate([centre_mm + p - slope * rise / 6, rise / 2], axis=-1)
    if not np.any(lift_mm):
        return surface
    normal = np.concatenate([-slope, np.ones_like(rise)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return surface - normal * np.reshape(lift_mm, (-1, 1))


@dataclass(frozen=True)
class Marks:
    """Corners of printed squares: where they lie on the sheet and where they were found.

    Parameters
    ----------
    mm, px
        (4 n, 2) on the sheet, and in the picture, the squares' corners in order [mm, upright px].
    sharp
        (4 n,) refined or not [no unit].
    centre_mm
        About which the sheet curls [mm].
    per_mm
        Pixels a millimetre, roughly [px/mm].
    """

    mm: np.ndarray
    px: np.ndarray
    sharp: np.ndarray
    centre_mm: tuple[float, float]
    per_mm: float


@dataclass(frozen=True)
class Fit:
    """What the marks say.

    Parameters
    ----------
    camera
        That saw the sheet [no unit].
    curl
        (2, 2) second derivatives of the sheet's z [1/mm].
    creep_px
        By how much dark edges look moved into the dark [px].
    focal_sigma, scale_sigma
        Relative standard uncertainties of the focal length and of lengths in the sheet's middle [no unit].
    residual_px
        RMS along one axis over the trusted corners [px].
    trusted
        (4 n,) bool [no unit].
    """

    camera: Camera
    curl: np.ndarray
    creep_px: float
    focal_sigma: float
    scale_sigma: float
    residual_px: float
    trusted: np.ndarray


# The parameters of a fit, in this order, and for each a step small enough to take its derivative.
TURN, SHIFT, FOCAL, K1, CURL, CREEP, CENTRE = slice(0, 3), slice(3, 6), 6, 7, slice(8, 11), 11, slice(12, 14)
SAME_SLOPES = 0.1  # squared length of a way, in sigmas, within which the model is as good as straight: 0.002 px
STEPS = np.array([1e-5] * 3 + [1e-3] * 3 + [1e-5, 1e-5] + [1e-7] * 3 + [1e-3] + [1e-6] * 2)


def fit_sheet(
    marks: Marks, size: tuple[int, int], focal_px: float, focal_sigma: float, cropped: bool = False
) -> Fit:
    """Fit camera and sheet to the marks found in a picture.

    Parameters
    ----------
    marks
        The printed squares that were found [no unit].
    size
        Width and height of the picture [px].
    focal_px
        What is known of the focal length [px].
    focal_sigma
        Standard uncertainty of it, relative [no unit].
    cropped
        Whether the picture may be a part of a larger one, so that its middle and its focal length say little of the
        lens [no unit].
    """
    middle, diagonal = (np.array(size) - 1) / 2, float(np.hypot(*size))
    prior = np.full(len(STEPS), np.inf)
    prior[FOCAL] = focal_sigma
    prior[K1], prior[CREEP] = K1_SIGMA, CREEP_SIGMA
    prior[CURL] = CURL_SIGMA if len(marks.px) >= 16 else 1e-6  # three markers cannot tell a curl from a tilt
    prior[CENTRE] = CROPPED_CENTRE_SIGMA if cropped else CENTRE_SIGMA
    sigma = np.where(marks.sharp, np.hypot(CORNER_SIGMA, SHEET_SIGMA * marks.per_mm), ROUGH_SIGMA)
    inward = _inward(marks.px.reshape(-1, 4, 2)).reshape(-1, 2)

    def camera(p: np.ndarray) -> Camera:
        K = np.zeros((*p.shape[:-1], 3, 3))
        K[..., 0, 0] = K[..., 1, 1] = focal_px * np.exp(np.clip(p[..., FOCAL], -3, 3))
        K[..., :2, 2] = middle + p[..., CENTRE] * diagonal
        K[..., 2, 2] = 1.0
        turns = [cv2.Rodrigues(turn)[0] for turn in p[..., TURN].reshape(-1, 3)]
        return Camera(K, p[..., K1], np.reshape(turns, K.shape), p[..., SHIFT])

    def seen(p: np.ndarray, mm: np.ndarray) -> np.ndarray:
        return camera(p).project(on_sheet(mm, _curl(p), marks.centre_mm))

    def modelled(p: np.ndarray) -> np.ndarray:
        return seen(p, marks.mm) + p[..., CREEP, None, None] * inward

    R, t = _pose(cv2.findHomography(marks.mm, marks.px, 0)[0], focal_px, middle)
    start = np.zeros(len(STEPS))
    start[TURN], start[SHIFT] = cv2.Rodrigues(R)[0].ravel(), t
    p, covariance, weight = _least_squares(modelled, marks.px, sigma, start, prior)
    residual = marks.px - modelled(p)
    trusted = weight > 0.5
    return Fit(
        camera=camera(p),
        curl=_curl(p),
        creep_px=float(p[CREEP]),
        focal_sigma=float(np.sqrt(covariance[FOCAL, FOCAL])),
        scale_sigma=_scale_sigma(seen, p, covariance, marks.centre_mm),
        residual_px=float(np.sqrt((residual[trusted] ** 2).mean())) if trusted.any() else np.inf,
        trusted=trusted,
    )


def _curl(p: np.ndarray) -> np.ndarray:
    return p[..., CURL][..., [[0, 1], [1, 2]]]


def _scale_sigma(
    seen: Callable[[np.ndarray, np.ndarray], np.ndarray],
    p: np.ndarray,
    covariance: np.ndarray,
    centre_mm: tuple[float, float],
) -> float:
    """Relative standard uncertainty of lengths about the sheet's middle, from the parameters' covariance."""
    cross = np.array([(-5.0, 0.0), (5.0, 0.0), (0.0, -5.0), (0.0, 5.0)]) + centre_mm

    def log_scale(p: np.ndarray) -> np.ndarray:
        left, right, top, bottom = np.moveaxis(seen(p, cross), -2, 0)
        by_x, by_y = right - left, bottom - top
        return 0.5 * np.log(np.abs(by_x[..., 0] * by_y[..., 1] - by_x[..., 1] * by_y[..., 0]))

    slope = (log_scale(p + np.diag(STEPS)) - log_scale(p)) / STEPS
    return float(np.sqrt(max(slope @ covariance @ slope, 0.0)))


def _pose(H: np.ndarray, focal: float, middle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rotation and translation from a homography and a focal length.

    References: Z. Zhang, A flexible new technique for camera calibration, IEEE Trans. Pattern Analysis and
    Machine Intelligence 22 (2000), section 3.1.
    """
    B = H.copy()
    B[:2] = (B[:2] - middle[:, None] * B[2]) / focal
    B = B * (np.sign(B[2, 2]) or 1.0) / np.sqrt(np.linalg.norm(B[:, 0]) * np.linalg.norm(B[:, 1]))
    U, _, Vt = np.linalg.svd(np.stack([B[:, 0], B[:, 1], np.cross(B[:, 0], B[:, 1])], axis=1))
    return U @ np.diag([1, 1, np.linalg.det(U @ Vt)]) @ Vt, B[:, 2]


def _inward(quads: np.ndarray) -> np.ndarray:
    """How squares' corners move, (n, 4, 2), when each side moves inwards by one pixel."""
    along = np.roll(quads, -1, axis=1) - quads
    along /= np.linalg.norm(along, axis=2, keepdims=True)
    out = np.stack([along[..., 1], -along[..., 0]], axis=2)
    both = np.stack([np.roll(out, 1, axis=1), out], axis=2)  # normals of the two sides that meet in a corner
    return np.linalg.solve(both, -np.ones((*both.shape[:2], 2, 1)))[..., 0]


def _least_squares(
    model: Callable[[np.ndarray], np.ndarray],
    px: np.ndarray,
    sigma: np.ndarray,
    start: np.ndarray,
    prior: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Robust damped Gauss-Newton: parameters, their covariance, and each corner's weight, 0 to 1.

    model : (..., parameters) to (..., n, 2) pixels. prior : standard deviation of each parameter about zero
    (infinite: none). Corners far off count little (Cauchy weights); "far" is first 50 sigma, so that a curled
    sheet is seen as a whole, and at last 3.
    """
    inverse = 1.0 / prior
    p, damping = start.copy(), 1e-3

    def miss_of(p: np.ndarray) -> np.ndarray:
        return (px - model(p)) / sigma[:, None]

    def cost(p: np.ndarray, miss: np.ndarray, weight: np.ndarray) -> float:
        return float((weight[:, None] * miss**2).sum() + ((p * inverse) ** 2).sum())

    weight, normal = np.ones(len(px)), np.eye(len(p))
    jacobian, moved = np.zeros((px.size, len(p))), np.inf
    miss = miss_of(p)
    for turn in range(40):
        far = max(3.0, 50.0 * 0.6**turn)
        weight = 1.0 / (1.0 + (miss**2).sum(axis=1) / far**2)
        if moved > SAME_SLOPES:
            by_step = (miss - miss_of(p + np.diag(STEPS))).reshape(len(STEPS), -1)
            jacobian, moved = by_step.T / STEPS, 0.0
        weighted = np.repeat(weight, 2)[:, None] * jacobian
        normal = jacobian.T @ weighted + np.diag(inverse**2)
        gradient = weighted.T @ miss.ravel() - inverse**2 * p
        before = cost(p, miss, weight)
        for _ in range(6):
            move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
            ahead = miss_of(p + move)
            if cost(p + move, ahead, weight) <= before:
                damping = max(damping / 10, 1e-9)
                break
            damping *= 10
        else:
            break
        p, miss, step_size = p + move, ahead, float(move @ normal @ move)
        moved += step_size
        if far == 3.0 and step_size < 1e-4:
            break
    return p, np.linalg.inv(normal), weight
