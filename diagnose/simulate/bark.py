"""What does a gnawed patch of known shape look like on a stem with the scale card held beside it?

Simple pictures with exact truth: each pixel's ray meets the card, the bark, the wood a bark's thickness below it, the
cut edge between them, or a blurred background. Lengths in mm; light linear until the picture is written. Nothing
here is fitted to any photograph.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from PIL import Image

from diagnose.photo.layouts import CARD
from diagnose.photo.markers import GAMMA, marker_picture
from diagnose.signs import FRAY
from diagnose.simulate.twig import BARKS, WOOD

RIMS = {"green": (0.42, 0.50, 0.14), "brown": (0.45, 0.26, 0.12)}  # cut bark, red green blue; from memory
BACKGROUNDS = ((0.10, 0.16, 0.06), (0.22, 0.13, 0.07), (0.12, 0.10, 0.08))  # leaves, litter, earth; from memory
MODULE_PX = 8


@dataclass(frozen=True)
class BarkSetting:
    """All that one simulated picture depends on.

    Parameters
    ----------
    seed, bark, rim, ground
        Of textures and noise; names of the bark's look and of its rim's; number of the ground [no unit].
    diameter, bark_share, front
        Of the stem [mm], the bark's thickness to the stem's radius, and the stem behind the card's plane [mm].
    along, side, lean, gap
        The card's side that lies along the stem, on which side the stem stands, its lean to that side [degree], and the gap
        between [mm].
    patch, height, share, turned
        Is there one; its height [mm], share of the circumference, 1 for a ring, and how far round the stem its middle lies
        from the camera [degree].
    squareness, ragged
        Of the outline's superellipse, and how ragged it is, relative [no unit].
    spacing, jitter, direction, depth
        Of the grooves, None for smooth wood [mm]; relative; [degree]; to their spacing.
    tilt, swing, turn
        Of the view from straight before the card, towards which side, and of the camera about its axis [degree].
    distance, focal_35mm
        Of the camera, and the focal length that a 35 mm camera would have [mm].
    size, blur_px
        Width and height of the picture, and its blur [px].
    sun_from, sun
        Direction in plane coordinates, and share of the light that comes from there [no unit].
    noise, jpeg
        Standard deviation of the light where it is white, and the file's quality, 0 to 100 [no unit].
    """

    seed: int = 0
    diameter: float = 24.0
    bark: str = "brown"
    bark_share: float = 0.07
    rim: str = "green"
    along: str = "x"
    side: int = -1
    lean: float = 1.0
    gap: float = 1.5
    front: float = 0.0
    patch: bool = True
    height: float = 45.0
    share: float = 0.3
    turned: float = 0.0
    squareness: float = 3.0
    ragged: float = 0.03
    spacing: float | None = 2.0
    jitter: float = 0.1
    direction: float = 30.0
    depth: float = 0.25
    tilt: float = 10.0
    swing: float = 40.0
    turn: float = 0.0
    distance: float = 240.0
    size: tuple[int, int] = (1600, 1200)
    focal_35mm: float = 27.0
    sun_from: tuple[float, float, float] = (-0.5, -0.4, -0.75)
    sun: float = 0.5
    ground: int = 0
    blur_px: float = 0.7
    noise: float = 0.008
    jpeg: int = 88


@dataclass(frozen=True)
class Truth:
    """What was drawn. None: nothing of that kind is there.

    Parameters
    ----------
    stem_diameter, spacing
        Of the stem, and of the grooves [mm].
    patch_height, patch_width
        Of what the camera sees of the patch, by the definitions of `measure_patch` [mm].
    lower, upper
        Its edges along the stem from beside the card's middle [mm].
    share
        Of the circumference without bark [share].
    direction
        Of the grooves [degree].
    bare
        (h, w) uint8 mask of the patch in the picture [no unit].
    """

    stem_diameter: float
    patch_height: float | None
    patch_width: float | None
    lower: float | None
    upper: float | None
    share: float | None
    spacing: float | None
    direction: float | None
    bare: np.ndarray


def any_setting(seed: int) -> BarkSetting:
    """A setting drawn from the whole range that people photograph.

    Parameters
    ----------
    seed
        Of the random draw [no unit].
    """
    rng = np.random.default_rng(seed)
    diameter = float(np.exp(rng.uniform(np.log(12), np.log(58))))
    ring = rng.random() < 0.15
    share = 1.0 if ring else float(rng.uniform(0.18, 0.5))
    sun = rng.normal(size=3)
    sun[2] = -abs(sun[2]) - 0.8
    return BarkSetting(
        seed=seed,
        diameter=diameter,
        bark=str(rng.choice(list(BARKS))),
        bark_share=float(rng.uniform(0.05, 0.11)),
        rim=str(rng.choice(list(RIMS))),
        along="x" if rng.random() < 0.7 else "y",
        side=int(rng.choice([-1, 1])),
        lean=float(rng.normal(0, 2)),
        gap=float(rng.uniform(0.5, 6)),
        front=float(rng.normal(0, 2)),
        height=float(rng.uniform(25, 70)),
        share=share,
        turned=float(rng.uniform(-25, 25)),
        squareness=float(rng.uniform(2.2, 5)),
        ragged=float(rng.uniform(0.01, 0.05)),
        spacing=float(min(np.exp(rng.uniform(np.log(1.1), np.log(4))), 0.22 * diameter)),
        jitter=float(rng.uniform(0.03, 0.13)),
        direction=float(rng.uniform(-90, 90)),
        depth=float(rng.uniform(0.12, 0.3)),
        tilt=float(abs(rng.normal(0, 10))),
        swing=float(rng.uniform(0, 360)),
        turn=float(rng.normal(0, 6)),
        distance=float(rng.uniform(215, 270)),
        sun_from=(float(sun[0]), float(sun[1]), float(sun[2])),
        sun=float(rng.uniform(0.1, 0.65)),
        ground=int(rng.integers(len(BACKGROUNDS))),
        blur_px=float(rng.uniform(0.5, 1.0)),
        noise=float(rng.uniform(0.003, 0.012)),
        jpeg=int(rng.integers(78, 95)),
    )


def picture_of(setting: BarkSetting) -> tuple[bytes, Truth]:
    """A JPEG's bytes, with its focal length in EXIF, and the truth.

    Parameters
    ----------
    setting
        Of the scene [no unit].
    """
    rng = np.random.default_rng(setting.seed + 7)
    K, R, t = _camera(setting)
    width, height = setting.size
    eye = -R.T @ t
    foot, axis = _stem(setting)
    if (R @ axis)[1] > 0:  # up the picture
        axis = -axis
    toward = eye - foot - ((eye - foot) @ axis) * axis
    toward /= np.linalg.norm(toward)
    across = np.cross(axis, toward)
    # what of each pixel's ray goes along a direction is a sum of its column's part and its row's
    by_column, by_row = (np.arange(width) - K[0, 2]) / K[0, 0], (np.arange(height) - K[1, 2]) / K[1, 1]

    def rays(way: np.ndarray) -> np.ndarray:
        right, down, ahead = R @ way
        return (right * by_column + (down * by_row + ahead)[:, None]).ravel()

    ray = np.stack([rays(way) for way in (toward, across, axis)])
    radius, wood_radius = setting.diameter / 2, setting.diameter / 2 * (1 - setting.bark_share)

    scene = _background(setting, rng, width, height).reshape(-1, 3)
    before = np.stack([toward, across, axis]) @ (eye - foot)
    outer, up, turn = _meet(before, ray, radius)
    outline = _Outline(setting, rng)
    bare = outer.copy()
    bare[outer] = outline.holds(up[outer], turn[outer], radius)
    inner, deep_up, deep_turn = _meet(before, ray, wood_radius, bare)
    wood = inner.copy()
    wood[wood] = outline.holds(deep_up[wood], deep_turn[wood], radius)
    rim = inner & ~wood
    bark = outer & ~bare
    light = np.array(setting.sun_from) / np.linalg.norm(setting.sun_from)

    def shade(turns: np.ndarray, tip_turn: np.ndarray | float = 0.0, tip_up: np.ndarray | float = 0.0) -> np.ndarray:
        normal = (
            np.cos(turns)[:, None] * toward
            + np.sin(turns)[:, None] * across
            + np.reshape(tip_turn, (-1, 1)) * (np.cos(turns)[:, None] * across - np.sin(turns)[:, None] * toward)
            + np.reshape(tip_up, (-1, 1)) * axis
        )
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        sky = 0.65 + 0.35 * (normal @ toward)
        return (1 - setting.sun) * sky + setting.sun * 1.3 * np.clip(normal @ light, 0, None)

    streak = _streaks(rng, up[bark], turn[bark] * radius, 0.35)
    scene[bark] = np.array(BARKS[setting.bark]) * (shade(turn[bark]) * streak)[:, None]
    tip_turn, tip_up = _groove_slopes(setting, rng, deep_up[wood], deep_turn[wood] * radius)
    grain = _streaks(rng, deep_up[wood], deep_turn[wood] * wood_radius, 0.12)
    scene[wood] = np.array(WOOD) * (shade(deep_turn[wood], tip_turn, tip_up) * grain)[:, None]
    scene[rim] = np.array(RIMS[setting.rim]) * (shade(deep_turn[rim]) * rng.uniform(0.8, 1.1, rim.sum()))[:, None]

    x, y, away = (rays(way) for way in np.eye(3))
    scale = -eye[2] / away
    x, y = eye[0] + x * scale, eye[1] + y * scale
    covers = (x > 0) & (y > 0) & (x < CARD.size_mm[0]) & (y < CARD.size_mm[1])
    sheet = _sheet()
    at = (np.column_stack([x[covers], y[covers]]) * sheet.shape[1] / CARD.size_mm[0] - 0.5).astype(np.float32)
    printed = _looked_up(sheet, at)
    scene[covers] = printed[:, None] * ((1 - setting.sun) + setting.sun * 1.3 * max(float(-light[2]), 0.0))
    return _developed(scene.reshape(height, width, 3), setting, rng), _truth(
        setting, up, turn, (wood | rim) & ~covers, radius, (height, width), axis, foot
    )


def _camera(setting: BarkSetting) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Intrinsics and pose: plane coordinates [mm] to camera, as of `photo.plane.Camera`."""
    width, height = setting.size
    focal = setting.focal_35mm * float(np.hypot(width, height)) / 43.267
    K = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    tilt, swing = np.radians(setting.tilt), np.radians(setting.swing)
    middle = np.array([CARD.size_mm[0] / 2, CARD.size_mm[1] / 2, 0.0])
    middle[1 if setting.along == "x" else 0] += setting.side * 25  # the stem in the picture's middle third
    ahead = np.array([np.sin(tilt) * np.cos(swing), np.sin(tilt) * np.sin(swing), np.cos(tilt)])
    eye = middle - setting.distance * ahead
    # people hold the camera so that the stem stands upright or lies along the picture's longer side
    upright = np.radians(setting.turn + (90 if setting.along == "y" else 0))
    right = np.array([np.cos(upright), np.sin(upright), 0.0])
    right -= (right @ ahead) * ahead
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(ahead, right), ahead])
    return K, R, -R @ eye


def _stem(setting: BarkSetting) -> tuple[np.ndarray, np.ndarray]:
    """A point of the stem's axis beside the card's middle, and the axis's direction."""
    lean = np.radians(setting.lean)
    radius = setting.diameter / 2
    run = 0 if setting.along == "x" else 1
    axis, foot = np.zeros(3), np.zeros(3)
    axis[run], axis[1 - run] = np.cos(lean), np.sin(lean)
    half = CARD.size_mm[1 - run] / 2
    foot[run] = CARD.size_mm[run] / 2
    # a leaning stem would run behind the card's corner: it is moved off by so much
    off = half + setting.gap + radius + abs(np.tan(lean)) * CARD.size_mm[run] / 2
    foot[1 - run] = half + setting.side * off
    foot[2] = setting.front + radius
    return foot, axis


def _meet(
    eye: np.ndarray, ray: np.ndarray, radius: float, among: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Which rays meet the cylinder, and where: up the axis [mm] and round it [radian]; nan for those that do not.

    eye, ray : (3,) and (3, n), towards the eye, across and up the axis, from a point of it. among : (n,) the rays that are
    asked about, else all of them.
    """
    toward, across, rise = ray if among is None else ray[:, among]
    a, b = toward**2 + across**2, eye[0] * toward + eye[1] * across
    root = b**2 - a * (eye[0] ** 2 + eye[1] ** 2 - radius**2)
    meets = root > 0
    hit = np.zeros(ray.shape[1], bool)
    hit[slice(None) if among is None else among] = meets
    reach = (-b[meets] - np.sqrt(root[meets])) / a[meets]
    up, turn = np.full(ray.shape[1], np.nan), np.full(ray.shape[1], np.nan)
    up[hit] = eye[2] + rise[meets] * reach
    turn[hit] = np.arctan2(eye[1] + across[meets] * reach, eye[0] + toward[meets] * reach)
    return hit, up, turn


_TURN = np.linspace(-np.pi, np.pi, 10_001)  # [radian]; the outline between two of them is right to a thousandth of a pixel


class _Outline:
    """The patch's ragged superellipse, on the bark's surface."""

    def __init__(self, setting: BarkSetting, rng: np.random.Generator) -> None:
        self.setting = setting
        waves = np.arange(6, 60)
        self.waves, self.phase = waves, rng.uniform(0, 2 * np.pi, len(waves))
        size = rng.normal(size=len(waves)) / np.sqrt(waves)
        self.size = setting.ragged * size / np.sqrt((size**2).sum() / 2)
        self.edge = 1 + self.size @ np.cos(waves[:, None] * _TURN + self.phase[:, None])

    def holds(self, up: np.ndarray, turn: np.ndarray, radius: float) -> np.ndarray:
        s = self.setting
        if not s.patch:
            return np.zeros(len(up), bool)
        tall = up / (s.height / 2)
        wide = (np.remainder(turn - np.radians(s.turned) + np.pi, 2 * np.pi) - np.pi) / (np.pi * s.share)
        angle = np.arctan2(tall, turn if s.share == 1 else wide)
        edge = np.interp(angle, _TURN, self.edge)
        if s.share == 1:
            return np.abs(tall) < edge
        return np.abs(tall) ** s.squareness + np.abs(wide) ** s.squareness < edge**s.squareness


def true_share(setting: BarkSetting) -> float:
    """Share of the circumference without bark at the patch's widest height, from the outline's own geometry.

    Parameters
    ----------
    setting
        Of the scene [no unit].
    """
    rng = np.random.default_rng(setting.seed + 7)
    _background(setting, rng, *setting.size)  # what is drawn before the outline takes its random numbers first
    outline = _Outline(setting, rng)
    up, turn = np.meshgrid(np.linspace(-0.6, 0.6, 121) * setting.height, np.linspace(-np.pi, np.pi, 1440, endpoint=False))
    bare = outline.holds(up.ravel(), turn.ravel(), setting.diameter / 2).reshape(up.shape)
    return float(bare.mean(axis=0).max())


def _streaks(rng: np.random.Generator, up: np.ndarray, round_mm: np.ndarray, depth: float) -> np.ndarray:
    """Fibres along the stem: a factor about 1."""
    noise: Any = rng.normal(size=(600, 900)).astype(np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), sigmaX=1.2, sigmaY=9.0)
    noise = noise / noise.std()
    at = np.column_stack([(round_mm / 0.25 + 450) % 899, (up / 0.5 + 300) % 599]).astype(np.float32)
    if not len(at):
        return np.ones(0)
    return np.exp(depth * _looked_up(noise, at))


def _looked_up(image: np.ndarray, at: np.ndarray) -> np.ndarray:
    """An image's values at places (n, 2), bilinear; in pieces, since a picture's side is limited to 32767."""
    pieces: list[Any] = [at[k : k + 30000, None, :] for k in range(0, len(at), 30000)]
    return np.concatenate([cv2.remap(image, piece, None, cv2.INTER_LINEAR).ravel() for piece in pieces])


def _groove_slopes(
    setting: BarkSetting, rng: np.random.Generator, up: np.ndarray, round_mm: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Slopes of the wood's surface round the stem and up it, from the grooves."""
    if setting.spacing is None:
        return np.zeros(len(up)), np.zeros(len(up))
    angle = np.radians(setting.direction)
    # grooves run along (up cos, left sin); their centres are counted square to that
    place = round_mm * np.cos(angle) + up * np.sin(angle)
    steps = setting.spacing * (1 + setting.jitter * rng.normal(size=400))
    centres = np.cumsum(np.maximum(steps, 0.3 * setting.spacing))
    centres -= centres[200] + rng.uniform(0, setting.spacing)
    phase = np.interp(place, centres, np.arange(400)) % 1.0
    steep = setting.depth * 2 * np.pi * (np.sin(2 * np.pi * phase) + 0.35 * np.sin(4 * np.pi * phase)) / 2
    return -steep * np.cos(angle), -steep * np.sin(angle)


def _sheet() -> np.ndarray:
    """The printed card as reflectance, float32."""
    side = int(MODULE_PX * 6)
    per_mm = side / CARD.side_mm
    width, height = (round(edge * per_mm) for edge in CARD.size_mm)
    sheet = np.full((height, width), 0.88, np.float32)
    for marker, centre in CARD.markers.items():
        fine = marker_picture(marker, MODULE_PX).astype(np.float32) / 255
        left, top = (round(value * per_mm - side / 2) for value in centre)
        sheet[top : top + side, left : left + side] = 0.05 + 0.83 * fine
    return sheet


def _background(setting: BarkSetting, rng: np.random.Generator, width: int, height: int) -> np.ndarray:
    """Something out of focus, with other stems in it."""
    base = np.array(BACKGROUNDS[setting.ground])
    coarse: Any = rng.normal(size=(height // 8, width // 8, 3)).astype(np.float32) * 0.5
    coarse = cv2.resize(cv2.GaussianBlur(coarse, (0, 0), 2.0), (width, height), interpolation=cv2.INTER_CUBIC)
    scene = base.astype(np.float32) * np.exp(2.0 * coarse)
    for _ in range(rng.integers(0, 3)):
        colour = np.array(BARKS[str(rng.choice(list(BARKS)))]) * rng.uniform(0.5, 1.0)
        left = rng.uniform(0, width)
        thick = rng.uniform(15, 90)
        lean = rng.normal(0, 40)
        quad = np.array([[left, 0], [left + thick, 0], [left + thick + lean, height], [left + lean, height]])
        cv2.fillPoly(scene, [quad.astype(np.int32)], colour.tolist())
    return cv2.GaussianBlur(scene, (0, 0), 5.0)


def _developed(scene: np.ndarray, setting: BarkSetting, rng: np.random.Generator) -> bytes:
    rgb = cv2.GaussianBlur(scene, (0, 0), setting.blur_px) * np.float32(0.9)
    noise = rng.normal(size=rgb.shape).astype(np.float32)
    rgb += noise * (np.float32(setting.noise) * np.sqrt(np.clip(rgb, 0.02, 1)))
    image = (np.clip(rgb, 0, 1) ** np.float32(1 / GAMMA) * 255 + 0.5).astype(np.uint8)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = round(setting.focal_35mm)
    out = io.BytesIO()
    Image.fromarray(image).save(out, "JPEG", quality=setting.jpeg, exif=exif)
    return out.getvalue()


def _truth(
    setting: BarkSetting,
    up: np.ndarray,
    turn: np.ndarray,
    seen: np.ndarray,
    radius: float,
    shape: tuple[int, int],
    axis: np.ndarray,
    foot: np.ndarray,
) -> Truth:
    if not setting.patch or seen.sum() < 10:
        return Truth(setting.diameter, None, None, None, None, None, None, None, np.zeros(shape, np.uint8))
    cell = 0.25
    level = np.floor(up[seen] / cell).astype(int)
    place = np.floor(turn[seen] * radius / cell).astype(int)
    grid = np.zeros((np.ptp(level) + 1, np.ptp(place) + 1), np.uint8)
    grid[level - level.min(), place - place.min()] = 1
    widths = cv2.morphologyEx(grid, cv2.MORPH_CLOSE, np.ones((3, 3))).sum(axis=1)
    wide = np.flatnonzero(widths >= FRAY * widths.max())
    lower, upper = (level.min() + wide[0]) * cell, (level.min() + wide[-1] + 1) * cell
    middle = np.array([CARD.size_mm[0] / 2, CARD.size_mm[1] / 2, 0.0])
    beside = float((middle - foot) @ axis)
    return Truth(
        stem_diameter=setting.diameter,
        patch_height=float(upper - lower),
        patch_width=float(np.ptp(radius * np.sin(turn[seen]))),
        lower=float(lower) - beside,
        upper=float(upper) - beside,
        share=setting.share,
        spacing=setting.spacing,
        direction=setting.direction if setting.spacing is not None else None,
        bare=seen.reshape(shape).astype(np.uint8),
    )
