"""Where do a card held upright beside a stem, a wound and the stem's foot fall in the picture of a known camera?

Geometry only, with noisy corners and taps: exact truth for heights by the card. The ranges in `random_setting` are
those of a person who holds the card beside a wound and photographs both; they were set before the uncertainty in
`held_card` was and are not fitted to any photograph.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.photo.camera import Marks, fit_sheet
from diagnose.photo.layouts import CARD
from diagnose.photo.plane import Plane

SIZE = (1512, 2016)


@dataclass(frozen=True)
class HeldCardSetting:
    """All that one simulated view depends on.

    World: x right, y up, z towards the camera; origin on the ground below the card's middle.

    Parameters
    ----------
    seed, quarter
        Of the noise, and turns of the card by 90 degrees [no unit].
    card_at, told_at
        Height of the lower edge's middle above the ground, as it is, and as it was measured [mm].
    lean, askew, face
        Of the card towards the camera, to the side, and by which it is turned away about the upright [degree].
    distance, camera_height, focal_35mm
        Of the camera, and the focal length that a 35 mm camera would have [mm].
    pitch, roll
        Of the camera, downwards and to the side [degree].
    foot, wound
        (3,) of the stem [mm].
    corner_noise, tap_noise
        Standard deviations [px].
    """

    seed: int = 0
    card_at: float = 300.0
    told_at: float = 300.0
    quarter: int = 0
    lean: float = 0.0
    askew: float = 0.0
    face: float = 0.0
    distance: float = 600.0
    camera_height: float = 700.0
    pitch: float = 30.0
    roll: float = 0.0
    focal_35mm: float = 27.0
    foot: tuple[float, float, float] = (110.0, 0.0, 0.0)
    wound: tuple[float, float, float] = (110.0, 400.0, 0.0)
    corner_noise: float = 0.15
    tap_noise: float = 3.0


@dataclass(frozen=True)
class SimulatedCard:
    """What the picture gives, and the truth.

    Parameters
    ----------
    plane
        The card's [no unit].
    wound_px, foot_px, size
        Taps, and width and height of the picture [px].
    height_mm
        True height of the wound above the stem's foot [mm].
    """

    plane: Plane
    wound_px: tuple[float, float]
    foot_px: tuple[float, float]
    height_mm: float
    size: tuple[int, int] = SIZE


def random_setting(seed: int) -> HeldCardSetting:
    """One setting of the fixed range: a wound up to 0.4 m above or below the card, seen from 0.35 to 1.5 m.

    Parameters
    ----------
    seed
        Of the random draw [no unit].
    """
    random = np.random.default_rng(seed)
    card_at = float(random.choice([0.0, random.uniform(0, 1200)]))
    wound = max(5.0, card_at + 50 + random.uniform(-400, 400))
    side, depth, ground = random.choice([-1, 1]) * random.uniform(60, 150), random.normal(0, 25), random.normal(0, 6)
    distance, camera_height = random.uniform(350, 1500), random.uniform(300, 1600)
    aim = (card_at + 50 + wound) / 2
    camera_height = float(np.clip(camera_height, aim - 0.5 * distance, aim + distance))
    return HeldCardSetting(
        seed=seed, card_at=card_at, told_at=card_at + random.normal(0, 5) if card_at else 0.0,
        quarter=int(random.integers(4)), lean=random.normal(0, 3), askew=random.normal(0, 4), face=random.normal(0, 12),
        distance=distance, camera_height=camera_height,
        pitch=float(np.degrees(np.arctan2(camera_height - aim, distance))) + random.normal(0, 2),
        roll=random.normal(0, 1.2), focal_35mm=random.uniform(25.5, 28.5),
        foot=(side + random.normal(0, 10), ground, depth + random.normal(0, 10)), wound=(side, wound, depth),
        corner_noise=random.uniform(0.05, 0.3),
    )  # fmt: skip


def simulate_held_card(setting: HeldCardSetting) -> SimulatedCard | None:
    """The card's plane as its markers in view give it, and the taps; None where under three markers are in view.

    Parameters
    ----------
    setting
        Of the scene [no unit].
    """
    random = np.random.default_rng([setting.seed, 3])
    (width, height), focal = SIZE, setting.focal_35mm * float(np.hypot(*SIZE)) / 43.267
    middle = ((width - 1) / 2, (height - 1) / 2)
    level = np.diag([1.0, -1.0, -1.0])  # looking along -z: camera x right, y down
    turn = _about(2, setting.roll) @ _about(0, setting.pitch) @ level
    centre = np.array([0.0, setting.camera_height, setting.distance])

    def seen(points: np.ndarray) -> np.ndarray:
        camera = (np.atleast_2d(points) - centre) @ turn.T
        return camera[:, :2] / camera[:, 2:] * focal + middle

    sheet = np.array(CARD.size_mm)
    half = sheet / 2 if setting.quarter % 2 == 0 else sheet[::-1] / 2
    hang = _about(1, setting.face) @ _about(0, setting.lean) @ _about(2, setting.askew)
    quarter = np.round(_about(2, 90.0 * setting.quarter))

    def world(mm: np.ndarray) -> np.ndarray:
        flat = np.column_stack([mm - sheet / 2, np.zeros(len(mm))]) * (1, -1, 1)
        return flat @ quarter.T @ hang.T + hang @ (0, half[1], 0) + (0, setting.card_at, 0)

    mm, px = [], []
    for marker in CARD.markers:
        corners = CARD.corners_mm(marker)
        at = seen(world(corners))
        if (at > 1).all() and (at < (width - 2, height - 2)).all():
            mm.append(corners)
            px.append(at + random.normal(0, setting.corner_noise, at.shape))
    if len(mm) < 3:
        return None
    marks = Marks(
        np.vstack(mm), np.vstack(px), np.ones(4 * len(mm), bool), (float(sheet[0] / 2), float(sheet[1] / 2)),
        float(np.linalg.norm(px[0][1] - px[0][0])) / CARD.side_mm,
    )  # fmt: skip
    fit = fit_sheet(marks, SIZE, round(setting.focal_35mm) * float(np.hypot(*SIZE)) / 43.267, 0.03)
    plane = Plane(
        "card", cv2.findHomography(marks.mm, marks.px, 0)[0], len(mm), fit.residual_px,
        fit.camera.view_angle_deg(marks.centre_mm), camera=fit.camera, layout=CARD, curl=fit.curl,
        centre_mm=marks.centre_mm, scale_sigma=fit.scale_sigma,
    )  # fmt: skip
    wound, foot = seen(np.array([setting.wound, setting.foot])) + random.normal(0, setting.tap_noise, (2, 2))
    height = setting.wound[1] - setting.foot[1]
    return SimulatedCard(plane, (float(wound[0]), float(wound[1])), (float(foot[0]), float(foot[1])), height)


def _about(axis: int, angle: float) -> np.ndarray:
    return cv2.Rodrigues(np.eye(3)[axis] * np.radians(angle))[0]
