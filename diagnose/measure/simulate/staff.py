"""Where do a staff's markers, a wound and a stem's foot fall in the picture of a known camera?

Geometry only, with noisy corners and taps: exact truth for the height's error and for its stated uncertainty. The
ranges in `random_setting` are those of a person photographing a seedling beside a staff; they were set before the
uncertainty in `height` was and are not fitted to any photograph.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.height import Scene
from diagnose.photo.layouts import STAFF
from diagnose.photo.plane import StaffMarkers


@dataclass(frozen=True)
class Setting:
    """All that one simulated view depends on: lengths [mm], angles [degree], noise [px].

    World: x right, y up, z towards the camera; origin at the staff's foot. lean : of the staff to the right and
    towards the camera. foot, tip : of the stem and of its wound.
    """

    seed: int = 0
    distance: float = 2500.0
    camera_height: float = 1400.0
    pitch: float = 18.0  # downwards
    roll: float = 0.5
    yaw: float = 0.0
    focal_35mm: float = 27.0
    k1: float = 0.0
    size: tuple[int, int] = (1512, 2016)
    lean: tuple[float, float] = (0.0, 0.0)
    foot: tuple[float, float, float] = (80.0, 0.0, 0.0)
    tip: tuple[float, float, float] = (80.0, 700.0, 0.0)
    hidden_below: float = 0.0  # snow or grass about the staff [mm above its foot]
    corner_noise: float = 0.15
    tap_noise: float = 3.0
    print_scale: float = 1.0  # true length of a printed millimetre
    least_side: float = 14.0  # smaller markers are not read [px]


@dataclass(frozen=True)
class View:
    """What the picture gives (scene, taps) and the truth: height of the wound above the stem's foot [mm]."""

    scene: Scene
    tip_px: tuple[float, float]
    foot_px: tuple[float, float]
    height_mm: float


def random_setting(seed: int) -> Setting:
    """One setting of the fixed range: 1.6 to 4 m away, staff leaning up to 5 degrees, stem 40 to 130 mm beside."""
    random = np.random.default_rng(seed)
    lean, towards = 5 * np.sqrt(random.uniform()), random.uniform(0, 2 * np.pi)
    side = random.choice([-1, 1]) * random.uniform(40, 130)
    depth = random.uniform(-70, 70)
    height = random.uniform(120, 1500)
    reach = random.normal(0, 35, 2)
    ground = random.normal(0, 6)
    distance = random.uniform(1600, 4000)
    camera_height = random.uniform(800, 1700)
    aim = random.uniform(500, 900)
    return Setting(
        seed=seed, distance=distance, camera_height=camera_height,
        pitch=float(np.degrees(np.arctan2(camera_height - aim, distance))) + random.normal(0, 2),
        roll=random.normal(0, 1.2), yaw=random.normal(0, 3), focal_35mm=random.uniform(25.5, 28.5),
        k1=random.normal(0, 0.015), lean=(lean * np.cos(towards), lean * np.sin(towards)), foot=(side, ground, depth),
        tip=(side + reach[0], ground + height, depth + reach[1]),
        hidden_below=float(random.choice([0, 0, 0, 200, 500])), corner_noise=random.uniform(0.05, 0.4),
        print_scale=random.normal(1, 0.003),
    )  # fmt: skip


def simulate_staff(setting: Setting) -> View:
    """The markers in view and the taps, each with its noise."""
    random = np.random.default_rng([setting.seed, 1])
    width, height = setting.size
    focal = setting.focal_35mm * float(np.hypot(width, height)) / 43.267
    pitch, roll, yaw = np.radians([setting.pitch, setting.roll, setting.yaw])
    level = np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]])  # looking along -z: camera x right, y down
    R = _about(2, roll) @ _about(0, -pitch) @ _about(1, yaw) @ level
    centre = np.array([0.0, setting.camera_height, setting.distance])

    def seen(points: np.ndarray) -> np.ndarray:
        camera = (np.atleast_2d(points) - centre) @ R.T
        flat = camera[:, :2] / camera[:, 2:]
        flat = flat * (1 + setting.k1 * (flat**2).sum(axis=1, keepdims=True))
        return flat * focal + ((width - 1) / 2, (height - 1) / 2)

    aside, towards = np.tan(np.radians(setting.lean))
    up = np.array([aside, 1.0, towards]) / np.sqrt(1 + aside**2 + towards**2)
    right = np.cross(up, (0, 0, 1.0))
    right /= np.linalg.norm(right)
    half = STAFF.side_mm / 2
    square = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
    ids, corners = [], []
    for marker in STAFF.markers:
        mm = (square + (0.0, STAFF.height_mm(marker))) * setting.print_scale
        px = seen(mm[:, :1] * right + mm[:, 1:] * up)
        inside = (px > 1).all() and (px < (width - 2, height - 2)).all()
        side = float(np.sqrt(abs(cv2.contourArea(px.astype(np.float32)))))
        if inside and side >= setting.least_side and mm[:, 1].min() > setting.hidden_below:
            ids.append(marker)
            corners.append(px + random.normal(0, setting.corner_noise, px.shape))
    staff = StaffMarkers(
        np.array(ids), np.array(corners).reshape(-1, 4, 2), np.array([STAFF.height_mm(each) for each in ids]),
        STAFF.side_mm, np.ones((len(ids), 4), bool),
    )  # fmt: skip
    known_focal = round(setting.focal_35mm) * float(np.hypot(width, height)) / 43.267
    noise = random.normal(0, setting.tap_noise, (2, 2))
    tip, foot = seen(np.array([setting.tip, setting.foot])) + noise
    return View(
        Scene(staff, setting.size, known_focal, 0.03), (float(tip[0]), float(tip[1])), (float(foot[0]), float(foot[1])),
        setting.tip[1] - setting.foot[1],
    )  # fmt: skip


def _about(axis: int, angle: float) -> np.ndarray:
    return cv2.Rodrigues(np.eye(3)[axis] * angle)[0]
