"""Where do a staff's markers, a wound and a stem's foot fall in the picture of a known camera?

Mostly geometry, with noisy corners and taps: exact truth for the height's error and for its stated uncertainty. A
plain picture of the staff can be drawn too, so that its markers are found and not given. The
ranges in `random_setting` are those of a person photographing a seedling beside a staff; they were set before the
uncertainty in `height` was and are not fitted to any photograph.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from PIL import Image

from diagnose.photo.layouts import STAFF
from diagnose.photo.markers import GAMMA, marker_picture
from diagnose.photo.plane import StaffMarkers, StaffView


@dataclass(frozen=True)
class StaffSetting:
    """All that one simulated view depends on.

    World: x right, y up, z towards the camera; origin at the staff's foot.

    Parameters
    ----------
    seed, k1
        Of the noise, and radial distortion [no unit].
    distance, camera_height, focal_35mm
        Of the camera, and the focal length that a 35 mm camera would have [mm].
    pitch, roll, yaw
        Of the camera, downwards, to the side and about the upright [degree].
    size, least_side
        Width and height of the picture, and the side under which markers are not read [px].
    lean
        Of the staff to the right and towards the camera [degree].
    foot, tip
        (3,) of the stem and of its wound [mm].
    hidden_below
        Snow or grass about the staff, above its foot [mm].
    corner_noise, tap_noise
        Standard deviations [px].
    print_scale
        True length of a printed millimetre [mm].
    """

    seed: int = 0
    distance: float = 2500.0
    camera_height: float = 1400.0
    pitch: float = 18.0
    roll: float = 0.5
    yaw: float = 0.0
    focal_35mm: float = 27.0
    k1: float = 0.0
    size: tuple[int, int] = (1512, 2016)
    lean: tuple[float, float] = (0.0, 0.0)
    foot: tuple[float, float, float] = (80.0, 0.0, 0.0)
    tip: tuple[float, float, float] = (80.0, 700.0, 0.0)
    hidden_below: float = 0.0
    corner_noise: float = 0.15
    tap_noise: float = 3.0
    print_scale: float = 1.0
    least_side: float = 14.0


@dataclass(frozen=True)
class SimulatedStaff:
    """What the picture gives, and the truth.

    Parameters
    ----------
    scene
        The staff's markers as seen [px].
    tip_px, foot_px
        Taps [px].
    height_mm
        True height of the wound above the stem's foot [mm].
    """

    scene: StaffView
    tip_px: tuple[float, float]
    foot_px: tuple[float, float]
    height_mm: float


def random_setting(seed: int) -> StaffSetting:
    """One setting of the fixed range: 1.6 to 4 m away, staff leaning up to 5 degrees, stem 40 to 130 mm beside.

    Parameters
    ----------
    seed
        Of the random draw [no unit].
    """
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
    return StaffSetting(
        seed=seed, distance=distance, camera_height=camera_height,
        pitch=float(np.degrees(np.arctan2(camera_height - aim, distance))) + random.normal(0, 2),
        roll=random.normal(0, 1.2), yaw=random.normal(0, 3), focal_35mm=random.uniform(25.5, 28.5),
        k1=random.normal(0, 0.015), lean=(lean * np.cos(towards), lean * np.sin(towards)), foot=(side, ground, depth),
        tip=(side + reach[0], ground + height, depth + reach[1]),
        hidden_below=float(random.choice([0, 0, 0, 200, 500])), corner_noise=random.uniform(0.05, 0.4),
        print_scale=random.normal(1, 0.003),
    )  # fmt: skip


def simulate_staff(setting: StaffSetting) -> SimulatedStaff:
    """The markers in view and the taps, each with its noise.

    Parameters
    ----------
    setting
        Of the scene [no unit].
    """
    random = np.random.default_rng([setting.seed, 1])
    width, height = setting.size
    seen, right, up = _camera(setting)
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
    return SimulatedStaff(
        StaffView(staff, setting.size, known_focal, 0.03), (float(tip[0]), float(tip[1])), (float(foot[0]), float(foot[1])),
        setting.tip[1] - setting.foot[1],
    )  # fmt: skip


def on_staff(setting: StaffSetting, heights_mm: Sequence[float]) -> np.ndarray:
    """Where places on the staff's centre line are seen, (n, 2) [px].

    Parameters
    ----------
    setting
        Of the scene [no unit].
    heights_mm
        Along the staff from its foot [mm].
    """
    seen, _, up = _camera(setting)
    return seen(np.outer(heights_mm, up))


def draw_staff(setting: StaffSetting) -> bytes:
    """A JPEG with its focal length in EXIF: the staff before trunks and rough ground; distortion is left out.

    Below `hidden_below` the staff is covered by the ground's colour. The wound itself is not drawn: taps stand for it.

    Parameters
    ----------
    setting
        Of the scene [no unit].
    """
    random = np.random.default_rng([setting.seed, 2])
    seen, right, up = _camera(replace(setting, k1=0.0))
    width, height = setting.size
    sheet = _sheet()
    wide, tall = (side * setting.print_scale for side in STAFF.size_mm)
    mm = np.array([(-wide / 2, tall), (wide / 2, tall), (wide / 2, setting.hidden_below), (-wide / 2, setting.hidden_below)])
    bottom = sheet.shape[0] * (1 - setting.hidden_below / tall) - 0.5
    from_px = np.array([(-0.5, -0.5), (sheet.shape[1] - 0.5, -0.5), (sheet.shape[1] - 0.5, bottom), (-0.5, bottom)])
    px = (seen(mm[:, :1] * right + mm[:, 1:] * up) + 0.5) * FINER - 0.5
    H = cv2.getPerspectiveTransform(from_px.astype(np.float32), px.astype(np.float32))
    size = (width * FINER, height * FINER)
    sheet = sheet[: round(bottom + 0.5)]
    light = cv2.warpPerspective(sheet, H, size, flags=cv2.INTER_LINEAR)
    there = cv2.warpPerspective(np.full_like(sheet, 255), H, size, flags=cv2.INTER_LINEAR)
    light, there = (
        cv2.resize(each, (width, height), interpolation=cv2.INTER_AREA) / np.float32(255) for each in (light, there)
    )
    image = (0.1 + 0.75 * light) * there + _ground(random, setting.size) * (1 - there)
    image = cv2.GaussianBlur(image, (0, 0), random.uniform(0.5, 1.0))
    image = 255 * np.clip(image, 0, 1) ** (1 / GAMMA) + random.normal(0, 2.5, image.shape)
    out, exif = io.BytesIO(), Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = round(setting.focal_35mm)
    grey = np.clip(image, 0, 255).astype(np.uint8)
    Image.fromarray(np.stack([grey] * 3, axis=-1)).save(out, "JPEG", quality=88, exif=exif)
    return out.getvalue()


FINER = 3  # samples a pixel, along each side
SHEET_PX = 1.2  # of the drawn sheet, a millimetre: 10 a module


def _sheet() -> np.ndarray:
    """The printed strip, uint8, from its top."""
    wide, tall = (round(side * SHEET_PX) for side in STAFF.size_mm)
    sheet = np.full((tall, wide), 255, np.uint8)
    for marker, (x, y) in STAFF.markers.items():
        picture = marker_picture(marker, 10)
        left, top = (round((middle - STAFF.side_mm / 2) * SHEET_PX) for middle in (x, y))
        sheet[top : top + picture.shape[0], left : left + picture.shape[1]] = picture
    return sheet


def _ground(random: np.random.Generator, size: tuple[int, int]) -> np.ndarray:
    """Trunks above, rough ground below, (h, w) float32 light."""
    width, height = size
    coarse = cv2.resize(random.uniform(0.05, 0.45, (height // 12, width // 12)).astype(np.float32), size)
    fine = random.uniform(-0.08, 0.08, (height, width)).astype(np.float32)
    image = np.clip(coarse + fine, 0, 1)
    for _ in range(25):
        x, thick = random.uniform(0, width), random.uniform(4, 40)
        image[: height // 2, int(x) : int(x + thick)] = random.uniform(0.03, 0.2)
    return image


def _camera(setting: StaffSetting) -> tuple[Callable[[np.ndarray], np.ndarray], np.ndarray, np.ndarray]:
    """World points [mm] to pixels, and the staff's right and up in the world."""
    width, height = setting.size
    focal = setting.focal_35mm * float(np.hypot(width, height)) / 43.267
    pitch, roll, yaw = np.radians([setting.pitch, setting.roll, setting.yaw])
    level = np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]])  # looking along -z: camera x right, y down
    R = _about(2, roll) @ _about(0, pitch) @ _about(1, yaw) @ level
    centre = np.array([0.0, setting.camera_height, setting.distance])

    def seen(points: np.ndarray) -> np.ndarray:
        camera = (np.atleast_2d(points) - centre) @ R.T
        flat = camera[:, :2] / camera[:, 2:]
        flat = flat * (1 + setting.k1 * (flat**2).sum(axis=1, keepdims=True))
        return flat * focal + ((width - 1) / 2, (height - 1) / 2)

    aside, towards = np.tan(np.radians(setting.lean))
    up = np.array([aside, 1.0, towards]) / np.sqrt(1 + aside**2 + towards**2)
    right = np.cross(up, (0, 0, 1.0))
    return seen, right / np.linalg.norm(right), up


def _about(axis: int, angle: float) -> np.ndarray:
    return cv2.Rodrigues(np.eye(3)[axis] * angle)[0]
