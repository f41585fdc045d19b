"""What does a severed twig of known shape look like where it grew?

Simple pictures with exact truth: the same twig as on the card, before blurred ground, leaves, other stems and shadows,
a coin beside it in some. Lengths in mm, light linear until the picture is written. Fitted to no photograph.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from diagnose.simulate.twig import (
    BARKS,
    Truth,
    TwigSetting,
    _camera,
    _end_shape,
    _exposed,
    _lay_twig,
    _truth,
    any_setting,
    as_jpeg,
)

Box = tuple[slice, slice]  # rows and columns of a part of the picture

GROUNDS = {
    "soil": [(0.30, 0.22, 0.15), (0.20, 0.14, 0.09), (0.42, 0.33, 0.22)],
    "grass": [(0.16, 0.26, 0.06), (0.28, 0.38, 0.12), (0.10, 0.15, 0.05)],
    "litter": [(0.38, 0.20, 0.06), (0.45, 0.32, 0.10), (0.18, 0.12, 0.07), (0.16, 0.22, 0.07)],
    "snow": [(0.75, 0.78, 0.82), (0.62, 0.66, 0.72)],
}  # reflectance, red green blue; from memory, for looks only
CARD_MM, ROUNDED_MM = (85.60, 53.98), 3.18  # ISO/IEC 7810, size ID-1; the rounding from memory
CARDS = [(0.82, 0.82, 0.80), (0.75, 0.70, 0.55), (0.12, 0.20, 0.45), (0.10, 0.35, 0.20), (0.55, 0.10, 0.10),
         (0.06, 0.06, 0.07)]
COINS = [(0.62, 0.60, 0.56), (0.62, 0.45, 0.18), (0.50, 0.27, 0.15)]


@dataclass(frozen=True)
class PlainCard:
    """A card of the size ID-1 beside the twig.

    Parameters
    ----------
    tilt, swing, turn
        How it is turned [degree].
    depth
        Its distance from the camera over the twig's end's [no unit].
    colour, printed
        Red, green and blue, 0 to 1, and is there print on it? [no unit]
    """

    tilt: float = 10.0
    swing: float = 0.0
    turn: float = 0.0
    depth: float = 1.0
    colour: tuple[float, float, float] = (0.8, 0.8, 0.8)
    printed: bool = False


@dataclass(frozen=True)
class Surroundings:
    """All that stands round the twig.

    Parameters
    ----------
    twig
        How it lies and is lit; its record tells each unit.
    ground, stems, leaves
        Name of the ground, and how many other stems and leaves there are [no unit].
    ground_blur, stem_blur
        Of the ground, and of the other stems, from and to [px].
    coin_mm
        Diameter of a coin; None without [mm].
    coin_tilt
        Of the coin from square to the view [degree].
    coin_depth
        Its distance from the camera over the twig's end's [no unit].
    card
        A plain card; None without [no unit].
    """

    twig: TwigSetting
    ground: str = "soil"
    ground_blur: float = 8.0
    stems: int = 2
    stem_blur: tuple[float, float] = (2.5, 9.0)
    leaves: int = 2
    coin_mm: float | None = None
    coin_tilt: float = 10.0
    coin_depth: float = 1.0
    card: PlainCard | None = None


@dataclass(frozen=True)
class FreeTruth:
    """What was drawn.

    Parameters
    ----------
    twig
        Truth about it; its record tells each unit.
    coin_px, coin_long_px
        The coin's middle and long axis; None without a coin [px].
    card_px
        The card's (4, 2) corners, were they sharp; None without a card [px].
    card_px_per_mm
        Its scale, square to the view, in its middle [px/mm].
    """

    twig: Truth
    coin_px: np.ndarray | None
    coin_long_px: float | None
    card_px: np.ndarray | None = None
    card_px_per_mm: float | None = None


def any_surroundings(seed: int, kind: str | None = None, coin: bool | None = None) -> Surroundings:
    """Surroundings drawn at random over the range that the tool is meant for.

    Parameters
    ----------
    seed
        Of the random draw [no unit].
    kind
        Form of the end: clean, half or torn; None for any [no unit].
    coin
        Whether a coin lies there; None for either [no unit].
    """
    rng = np.random.default_rng(seed + 500_000)
    twig = any_setting(seed, kind)
    size = (1600, 1200)
    focal = twig.focal_35mm * float(np.hypot(*size)) / 43.267
    diameter = float(np.exp(rng.uniform(np.log(1.8), np.log(10))))
    wide_px = float(np.exp(rng.uniform(np.log(24), np.log(130))))
    distance = float(np.clip(focal * diameter / wide_px, 70, 500))
    per_px = distance / focal
    heading = float(rng.uniform(-180, 180))
    away = np.array([np.cos(np.radians(heading)), np.sin(np.radians(heading))])
    offset = (away * rng.uniform(-0.05, 0.2) + rng.normal(0, 0.08, 2)) * size[0] * per_px
    twig = replace(
        twig, diameter=diameter, distance=distance, size=size, heading=heading,
        tip=(75.0 + float(offset[0]), 50.0 + float(offset[1])), tilt=float(min(abs(rng.normal(0, 13)), 35)), turn=0.0,
    )  # fmt: skip
    with_coin = bool(rng.random() < 0.4) if coin is None else coin
    return Surroundings(
        twig,
        ground=str(rng.choice(list(GROUNDS), p=[0.35, 0.25, 0.3, 0.1])),
        ground_blur=float(rng.uniform(3.5, 14)),
        stems=int(rng.integers(0, 5)),
        leaves=int(rng.integers(0, 5)),
        coin_mm=float(rng.choice([19.0, 21.0, 24.0, 26.0])) if with_coin else None,
        coin_tilt=float(min(abs(rng.normal(0, 14)), 35)),
        coin_depth=float(1 + rng.normal(0, 0.03)),
    )


def picture_of(around: Surroundings) -> tuple[bytes, FreeTruth]:
    """The picture as the bytes of a JPEG file with its focal length in EXIF, and the truth about it.

    Parameters
    ----------
    around
        The twig and what is round it [no unit].
    """
    setting = around.twig
    rng = np.random.default_rng(setting.seed + 177)
    K, R, t = _camera(setting)
    heading = np.radians(setting.heading)
    along = np.array([np.cos(heading), np.sin(heading), 0.0])
    tip = np.array([*setting.tip, -setting.diameter / 2])
    view = tip + R.T @ t
    distance = float(np.linalg.norm(view))
    view /= distance
    across = np.cross(view, along)
    across /= np.linalg.norm(across)
    lean = float(-view @ along)
    shape = _end_shape(setting, rng, -lean / np.sqrt(1 - lean**2))

    def project(xy: np.ndarray) -> np.ndarray:
        space = tip + xy[:, :1] * along + xy[:, 1:] * across
        camera = space @ R.T + t
        return (camera[:, :2] / camera[:, 2:]) @ K[:2, :2].T + K[:2, 2]

    tip_px = project(np.zeros((1, 2)))[0]
    wide_px = float(np.linalg.norm(project(np.array([(0.0, setting.diameter)]))[0] - tip_px))
    scene = _ground(around, rng)
    for _ in range(around.stems):
        scene = _lay_stem(scene, around, rng, wide_px)
    for _ in range(around.leaves):
        scene = _lay_leaf(scene, around, rng, tip_px, wide_px)
    coin_px = coin_long = None
    if around.coin_mm is not None:
        coin_long = around.coin_mm * float(K[0, 0]) / (distance * around.coin_depth)
        away = rng.uniform(-1, 1) + np.arctan2(*(tip_px - project(np.array([(-1.0, 0.0)]))[0])[::-1])
        coin_px = tip_px + (0.6 * coin_long + 1.2 * wide_px) * np.array([np.cos(away), np.sin(away)])
        scene = _lay_coin(scene, around, rng, coin_px, coin_long)
    card_px = card_scale = None
    if around.card is not None:
        scene, card_px = _lay_card(scene, around.card, rng, tip_px, wide_px, float(K[0, 0]), distance)
        card_scale = float(K[0, 0]) / (distance * around.card.depth)
    length = 12 * setting.diameter + 0.8 * float(np.hypot(*setting.size)) / float(K[0, 0]) * setting.distance
    if setting.kind != "none":
        scene = _lay_twig(scene, setting, rng, shape, length, project, across, along, view)
    told = FreeTruth(_truth(setting, shape, project, length), coin_px, coin_long, card_px, card_scale)
    return as_jpeg(_exposed(scene, setting, rng), setting), told


def with_card(around: Surroundings, seed: int) -> Surroundings:
    """The same with a card of the size ID-1 beside the twig's end instead of a coin, far enough off to be in view whole.

    Parameters
    ----------
    around
        The twig and what is round it [no unit].
    seed
        Of the random draw [no unit].
    """
    rng = np.random.default_rng(seed + 900_000)
    focal = around.twig.focal_35mm * float(np.hypot(*around.twig.size)) / 43.267
    least = focal * CARD_MM[0] / (0.42 * around.twig.size[0])  # the card takes at most so much of the picture
    distance = float(max(around.twig.distance, least) * rng.uniform(1.0, 1.25))
    card = PlainCard(
        tilt=float(min(abs(rng.normal(0, 14)), 35)), swing=float(rng.uniform(0, 360)), turn=float(rng.uniform(0, 360)),
        depth=float(1 + rng.normal(0, 0.03)), colour=CARDS[int(rng.integers(len(CARDS)))], printed=bool(rng.random() < 0.5))
    return replace(around, twig=replace(around.twig, distance=distance, tip=(75.0, 50.0)), coin_mm=None, card=card)


def _lay_card(
    scene: np.ndarray, card: PlainCard, rng: np.random.Generator, tip_px: np.ndarray, wide_px: float, focal: float,
    distance: float
) -> tuple[np.ndarray, np.ndarray]:
    """A plain or printed card with rounded corners, held by a thumb; and where its sharp corners would be, (4, 2) [px]."""
    height, width = scene.shape[:2]
    far = distance * card.depth
    swing = np.radians(card.swing)
    R = cv2.Rodrigues(np.array([np.cos(swing), np.sin(swing), 0.0]) * np.radians(card.tilt))[0]
    R = R @ cv2.Rodrigues(np.array([0, 0, np.radians(card.turn)]))[0]
    reach = 0.5 * float(np.hypot(*CARD_MM)) * focal / far + 1.2 * wide_px
    ways = rng.permutation(np.arange(0, 6.28, 0.26))
    spots = [np.array([np.cos(way), np.sin(way)]) * reach * 0.85 + tip_px for way in ways]
    at = max(spots, key=lambda spot: min(0.0, *(np.array([*spot, width - spot[0], height - spot[1]]) - reach)))
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    K = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    t = far * np.array([*((at - middle) / focal), 1.0])
    H = K @ np.column_stack([R[:, 0], R[:, 1], t])
    half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.array(CARD_MM) / 2
    corners = cv2.perspectiveTransform(half[None], H)[0]
    v, u = np.mgrid[0:height, 0:width].astype(np.float64)
    x, y, w = np.linalg.inv(H) @ np.stack([u.ravel(), v.ravel(), np.ones(u.size)])
    x, y = (x / w).reshape(height, width), (y / w).reshape(height, width)
    over_x, over_y = (np.maximum(np.abs(one) - side / 2 + ROUNDED_MM, 0) for one, side in ((x, CARD_MM[0]), (y, CARD_MM[1])))
    out = np.hypot(over_x, over_y)
    alpha = np.clip((ROUNDED_MM - out) * focal / far + 0.5, 0, 1).astype(np.float32)
    tone = 1 + 0.15 * x / CARD_MM[0] + rng.normal(0, 0.1) * y / CARD_MM[1]
    colour = np.array(card.colour[::-1]) * tone[..., None]
    if card.printed:  # a band, a few lines of letters, a dark patch
        band = np.abs(y - 12) < 6
        letters = (np.abs((y + 14) % 5 - 2) < 0.8) & (np.sin(3.1 * x) + np.sin(1.7 * x + y // 5) > 0) & (x < 8) & (y < 2)
        patch = (np.abs(x - 28) < 8) & (np.abs(y + 12) < 9)
        for part, ink in ((band, (0.45, 0.12, 0.08)), (letters, (0.05, 0.05, 0.05)), (patch, (0.10, 0.25, 0.40))):
            colour = np.where(part[..., None], np.array(ink), colour)
    scene = _over(scene, colour.astype(np.float32), alpha, 0.8)
    thumb = np.zeros((height, width), np.float32)
    way = (at - tip_px) / np.linalg.norm(at - tip_px)  # from the side that faces away from the twig
    grip = at + way * 30 * focal / far
    cv2.line(thumb, tuple(int(q) for q in grip), tuple(int(q) for q in grip + way * 3000), 1.0, int(16 * focal / far))
    skin = np.array((0.30, 0.42, 0.62), np.float32) * np.float32(rng.uniform(0.3, 1.0))
    return _over(scene, np.broadcast_to(skin, scene.shape), thumb, 1.5), corners


def _ground(around: Surroundings, rng: np.random.Generator) -> np.ndarray:
    """Ground of patches of a few colours, out of focus."""
    width, height = around.twig.size
    colours = GROUNDS[around.ground]
    scene = np.zeros((height // 2, width // 2, 3), np.float32) + np.array(colours[0][::-1], np.float32)
    for cell in (60, 24, 10):
        for colour in colours:
            weight = rng.normal(-0.3, 1, (height // cell + 2, width // cell + 2)).astype(np.float32)
            weight = np.clip(cv2.resize(weight, (width // 2, height // 2), interpolation=cv2.INTER_CUBIC), 0, 1)[..., None]
            scene = scene * (1 - weight) + weight * np.array(colour[::-1], np.float32)
    for _ in range(int(rng.integers(0, 60))):
        at = (int(rng.uniform(0, width // 2)), int(rng.uniform(0, height // 2)))
        axes = (int(rng.uniform(4, 30)), int(rng.uniform(3, 14)))
        shade = np.array(GROUNDS["litter"][int(rng.integers(4))][::-1]) * rng.uniform(0.6, 1.6)
        cv2.ellipse(scene, at, axes, float(rng.uniform(0, 180)), 0, 360, shade.tolist(), cv2.FILLED)
    for _ in range(int(rng.integers(0, 3))):  # shadows of stems on the ground
        ends = rng.uniform(-0.2, 1.2, (2, 2)) * (width / 2, height / 2)
        lit = np.ones(scene.shape[:2], np.float32)
        cv2.line(lit, *[tuple(int(v) for v in end) for end in ends], 0.35, int(rng.uniform(6, 40)))
        scene *= lit[..., None]
    scene = cv2.GaussianBlur(scene, (0, 0), around.ground_blur / 2)
    return cv2.resize(scene, (width, height), interpolation=cv2.INTER_LINEAR) * np.float32(rng.uniform(0.7, 1.3))


def _over(scene: np.ndarray, colour: np.ndarray | Callable[[Box], np.ndarray], alpha: np.ndarray, blur: float) -> np.ndarray:
    """The scene with a colour laid over it where alpha is, out of focus; beyond the blur's reach it stays as it is.

    colour : (h, w, 3), or what gives it for a part of the picture.
    """
    if not alpha.any():
        return scene
    reach = int(4 * blur) + 3  # of OpenCV's kernel for floats
    rows, columns = (slice(max(int(there[0]) - 2 * reach, 0), int(there[-1]) + 2 * reach + 1)
                     for there in (np.flatnonzero(alpha.any(axis=axis)) for axis in (1, 0)))
    box = rows, columns
    part, alpha = np.asarray(colour(box) if callable(colour) else colour[box], np.float32), alpha[box]
    layer = cv2.GaussianBlur(cv2.merge([*cv2.split(part * alpha[..., None]), alpha]), (0, 0), blur)
    scene[box] = scene[box] * (1 - layer[..., 3:]) + layer[..., :3]
    return scene


def _lay_stem(scene: np.ndarray, around: Surroundings, rng: np.random.Generator, wide_px: float) -> np.ndarray:
    """Another stem, out of focus, right through the picture or ending in it."""
    height, width = scene.shape[:2]
    start = rng.uniform(0, 1, 2) * (width, height)
    turn = rng.uniform(0, np.pi)
    step = np.array([np.cos(turn), np.sin(turn)])
    thick = wide_px * float(np.exp(rng.normal(0, 0.5)))
    u, v = np.arange(width) - start[0], (np.arange(height) - start[1])[:, None]
    off = ((v * step[0] - u * step[1]) / (thick / 2)).astype(np.float32)
    alpha = (np.abs(off) < 1).astype(np.float32)
    if rng.random() < 0.4:
        alpha *= u * step[0] + v * step[1] > 0
    bark = np.array(BARKS[str(rng.choice(list(BARKS)))][::-1], np.float32) * np.float32(rng.uniform(0.7, 2.0))
    dark = np.float32(0.5 * rng.uniform(-1, 1))

    def shaded(box: Box) -> np.ndarray:
        return bark * np.clip(np.float32(0.9) - dark * np.clip(off[box], -1, 1), 0.2, 1.5)[..., None]

    return _over(scene, shaded, alpha, float(rng.uniform(*around.stem_blur)))


def _lay_leaf(
    scene: np.ndarray, around: Surroundings, rng: np.random.Generator, tip_px: np.ndarray, wide_px: float
) -> np.ndarray:
    """A leaf behind the twig, somewhat out of focus."""
    alpha = np.zeros(scene.shape[:2], np.float32)
    at = tip_px + rng.normal(0, 3.5, 2) * wide_px
    axes = (int(wide_px * rng.uniform(0.8, 2.5)), int(wide_px * rng.uniform(0.4, 1.0)))
    cv2.ellipse(alpha, tuple(int(v) for v in at), axes, float(rng.uniform(0, 180)), 0, 360, 1.0, cv2.FILLED)
    palette = GROUNDS[str(rng.choice(["grass", "litter"]))]
    colour = np.array(palette[int(rng.integers(len(palette)))][::-1], np.float32) * np.float32(rng.uniform(0.7, 1.5))
    grain = rng.normal(1, 0.12, (scene.shape[0] // 8, scene.shape[1] // 8)).astype(np.float32)
    grain = cv2.resize(grain, scene.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    return _over(scene, lambda box: colour * grain[box][..., None], alpha, float(rng.uniform(1.0, 5.0)))


def _lay_coin(
    scene: np.ndarray, around: Surroundings, rng: np.random.Generator, at: np.ndarray, long_px: float
) -> np.ndarray:
    """A coin with a raised rim and a pattern, held by a finger."""
    height, width = scene.shape[:2]
    turn, ratio = rng.uniform(0, np.pi), np.cos(np.radians(around.coin_tilt))
    v, u = np.mgrid[0:height, 0:width].astype(np.float32)
    x = (u - at[0]) * np.cos(turn) + (v - at[1]) * np.sin(turn)
    y = (-(u - at[0]) * np.sin(turn) + (v - at[1]) * np.cos(turn)) / ratio
    r = np.hypot(x, y) / (long_px / 2)
    tone = 1 + 0.25 * (np.abs(r - 0.9) < 0.015) - 0.3 * (np.abs(r - 0.87) < 0.015)
    tone = tone + 0.2 * np.sin(18 * np.arctan2(y, x)) * (np.abs(r - 0.72) < 0.06)
    pattern = cv2.GaussianBlur(rng.normal(0, 1, (height // 4, width // 4)).astype(np.float32), (0, 0), 3)
    pattern = cv2.resize(pattern, (width, height))
    tone = tone + np.where(r < 0.6, 1.2 * np.clip(pattern, -0.2, 0.2), 0) + 0.15 * x / long_px
    colour = np.array(COINS[int(rng.integers(3))][::-1], np.float32) * tone[..., None].astype(np.float32)
    scene = _over(scene, colour, (r < 1).astype(np.float32), 0.7)
    finger = np.zeros((height, width), np.float32)
    grip = at + (0.42 * long_px + 40) * np.array([rng.normal(0, 0.2), 1.0])
    cv2.line(finger, tuple(int(q) for q in grip), (int(grip[0]), height + 200), 1.0, int(max(0.5 * long_px, 60)))
    skin = np.array((0.30, 0.42, 0.62), np.float32) * np.float32(rng.uniform(0.3, 1.0))
    return _over(scene, np.broadcast_to(skin, scene.shape), finger, 1.5)
