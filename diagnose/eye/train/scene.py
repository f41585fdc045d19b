"""How do things laid over one another become one picture with its truth: cover, shadow, depth of field?

Light adds up in proportion to the square of what a screen shows (a gamma of two, near enough to a camera's).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from diagnose.eye.train.shown import CLASSES, UNKNOWN, ShownEnd
from diagnose.eye.train.stems import Layer, Light
from diagnose.eye.train.surfaces import Rng

CLASS = {name: index for index, name in enumerate(CLASSES)}
_LINEAR = (np.arange(256, dtype=np.float32) / 255) ** 2


@dataclass
class Scene:
    """What was laid over one another so far.

    Parameters
    ----------
    linear
        (h, w, 3) float32 light, 0 to 1 [no unit].
    labels, owner
        (h, w) uint8, index of CLASSES, and number of the thing on top [no unit].
    light
        From where, and how much from all around [no unit].
    all_ends
        Is there surely no other end? [no unit]
    ends
        Of what was laid, each with its thing's number and the pixels of it seen there [px].
    things
        How many were laid [no unit].
    source
        The maker and its kinds [no unit].
    """

    linear: np.ndarray
    labels: np.ndarray
    light: Light
    all_ends: bool = True
    owner: np.ndarray = field(default_factory=lambda: np.zeros((1, 1), np.uint8))
    ends: list[tuple[ShownEnd, int, int]] = field(default_factory=list)
    things: int = 0
    source: dict[str, str] = field(default_factory=dict)

    @property
    def size(self) -> tuple[int, int]:
        """Height and width [pixel]."""
        return self.labels.shape[0], self.labels.shape[1]


def begun(rng: Rng, ground: np.ndarray, label: int, sure: bool) -> Scene:
    """A scene that shows nothing but a ground, in a drawn light.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    ground
        (h, w, 3) blue, green, red [0 to 255].
    label
        Of the ground, an index of CLASSES [no unit].
    sure
        Is surely no severed end in it? [no unit]
    """
    turn, height = rng.uniform(0, 2 * np.pi), rng.uniform(0.15, 1.4)
    to = np.array([np.cos(turn) * np.cos(height), np.sin(turn) * np.cos(height), np.sin(height)])
    light = Light(to, float(rng.choice([rng.uniform(0.2, 0.5), rng.uniform(0.45, 0.95)])))
    linear = np.clip(ground, 0, 255).astype(np.uint8)
    labels = np.full(ground.shape[:2], label, np.uint8)
    return Scene(cv2.LUT(linear, _LINEAR), labels, light, sure, np.zeros(ground.shape[:2], np.uint8))


def blurred(picture: np.ndarray, blur: float) -> np.ndarray:
    """A picture or cover out of focus, of the same shape and unit.

    Parameters
    ----------
    picture
        (h, w) or (h, w, channels), in any unit.
    blur
        Standard deviation [px].
    """
    if blur < 0.3:
        return picture
    if blur < 4:
        reach = 2 * int(np.ceil(2.5 * blur)) + 1
        return cv2.GaussianBlur(picture, (reach, reach), blur, borderType=cv2.BORDER_REPLICATE)
    h, w = picture.shape[:2]
    small = cv2.resize(picture, (max(2, int(2 * w / blur)), max(2, int(2 * h / blur))), interpolation=cv2.INTER_AREA)
    return cv2.resize(
        cv2.GaussianBlur(small, (0, 0), 2.0, borderType=cv2.BORDER_REPLICATE), (w, h), interpolation=cv2.INTER_LINEAR
    )


def lay(scene: Scene, layer: Layer | None, label: str, blur: float = 0.0, gain: float = 1.0) -> None:
    """Lay a thing over the scene; its bare wood becomes wood, the rest of it `label`.

    Parameters
    ----------
    scene
        That it is laid over, in place [no unit].
    layer
        The thing; None for nothing [no unit].
    label
        Its name among CLASSES [no unit].
    blur
        Of focus, a standard deviation [px].
    gain
        Factor on its light [no unit].
    """
    if layer is None:
        return
    h, w = layer.alpha.shape
    bgr, alpha = blurred(layer.bgr, blur), blurred(layer.alpha, blur)
    part = np.s_[layer.y : layer.y + h, layer.x : layer.x + w]
    cover = (alpha * np.float32(1 / 255))[..., None]
    under = scene.linear[part]
    under += cover * (cv2.LUT(bgr, _LINEAR * np.float32(gain)) - under)
    mask = layer.alpha > 127
    scene.things += 1
    number = min(scene.things, 255)
    labels = scene.labels[part]
    labels[mask] = CLASS[label]
    labels[mask & (layer.wood > 127)] = CLASS["wood"]
    scene.owner[part][mask] = number
    for end in layer.ends:
        if not _within(scene, end, -0.6):
            continue
        scene.ends.append((end, number, int(np.count_nonzero(_near(scene, end) & (scene.owner == number)))))


def outline(scene: Scene, points: np.ndarray, bgr: np.ndarray, label: str, blur: float = 0.0) -> None:
    """Lay a flat thing over the scene.

    Parameters
    ----------
    scene
        That it is laid over, in place [no unit].
    points
        (n, 2) its outline [px].
    bgr
        (3,) its colour, or, over the whole picture, (h, w, 3) [0 to 255].
    label
        Its name among CLASSES [no unit].
    blur
        Of focus, a standard deviation [px].
    """
    h, w = scene.size
    x0, y0 = np.clip(np.floor(points.min(0)).astype(int) - 8, 0, (w, h))
    x1, y1 = np.clip(np.ceil(points.max(0)).astype(int) + 9, 0, (w, h))
    if x1 - x0 < 2 or y1 - y0 < 2:
        return
    alpha = np.zeros((y1 - y0, x1 - x0), np.uint8)
    cv2.fillPoly(alpha, [np.int32((points - (x0, y0)) * 16)], 255, cv2.LINE_AA, 4)
    colour = np.empty((*alpha.shape, 3), np.uint8)
    colour[:] = np.clip(bgr if bgr.ndim == 1 else bgr[y0:y1, x0:x1], 0, 255)
    lay(scene, Layer(int(x0), int(y0), colour, alpha, np.zeros_like(alpha)), label, blur)


def _within(scene: Scene, end: ShownEnd, margin: float) -> bool:
    h, w = scene.size
    room = margin * end.width
    return bool(room <= end.at[0] < w - room and room <= end.at[1] < h - room)


def _near(scene: Scene, end: ShownEnd) -> np.ndarray:
    disc = np.zeros(scene.size, np.uint8)
    centre = end.at - 0.3 * end.width * end.outward
    cv2.circle(disc, (round(centre[0]), round(centre[1])), max(2, round(0.8 * end.width)), 1, -1)
    return disc > 0


def shadow_of(layer: Layer, scene: Scene, reach: float, soft: float, lift: float = 0.0) -> np.ndarray:
    """Where a thing keeps the light off what lies behind it, (h, w) uint8; 255 is wholly.

    Parameters
    ----------
    layer
        The thing [no unit].
    scene
        With its light [no unit].
    reach
        How far its shadow runs out from under it [px].
    soft
        Its blur, a standard deviation [px].
    lift
        How far from the thing it starts [px].
    """
    away = -scene.light.to[:2] / max(1e-6, float(np.hypot(*scene.light.to[:2])))
    h, w = scene.size
    whole = np.zeros((h, w), np.uint8)
    steps = int(np.clip(abs(reach) / 3, 1, 7)) + 1
    for t in np.linspace(0, 1, steps):
        dx, dy = (round(float(v)) for v in away * (lift + t * reach))
        x0, y0 = max(0, layer.x + dx), max(0, layer.y + dy)
        x1, y1 = min(w, layer.x + dx + layer.alpha.shape[1]), min(h, layer.y + dy + layer.alpha.shape[0])
        if x1 > x0 and y1 > y0:
            cut = layer.alpha[y0 - layer.y - dy : y1 - layer.y - dy, x0 - layer.x - dx : x1 - layer.x - dx]
            np.maximum(whole[y0:y1, x0:x1], cut, out=whole[y0:y1, x0:x1])
    return blurred(whole, soft)


def darken(scene: Scene, shadow: np.ndarray, depth: float, tint: np.ndarray | None = None) -> None:
    """Take light where a shadow lies; card that loses over a quarter becomes shadow.

    Parameters
    ----------
    scene
        That is darkened, in place [no unit].
    shadow
        (h, w) uint8, 255 where it is full [no unit].
    depth
        Share of the light that a full shadow takes, 0 to 1 [no unit].
    tint
        (3,) how much of blue, green and red is taken, compared with the most; None for alike [no unit].
    """
    x, y, w, h = cv2.boundingRect(shadow)
    if w < 1 or h < 1:
        return
    part = np.s_[y : y + h, x : x + w]
    shadow = shadow[part]
    taken = np.ones(3) if tint is None else tint
    left = np.float32(1 - depth / 255 * np.arange(256)[:, None] * taken)
    light = scene.linear[part]
    light *= cv2.LUT(cv2.merge([shadow, shadow, shadow]), left[None])
    labels = scene.labels[part]
    labels[(shadow > 0.25 * 255 / max(depth, 1e-3)) & (labels == CLASS["card"])] = CLASS["shadow"]


def seen_ends(scene: Scene) -> tuple[tuple[ShownEnd, ...], bool]:
    """The severed ends that nothing laid later hides, and whether there surely are no others.

    Parameters
    ----------
    scene
        With all that was laid [no unit].
    """
    seen, sure = [], scene.all_ends
    for end, number, before in scene.ends:
        if not _within(scene, end, 0.25):
            sure = False
            continue
        left = np.count_nonzero(_near(scene, end) & (scene.owner == number))
        if before and left > 0.7 * before:
            seen.append(end)
        elif left > 0.1 * before:
            sure = False
    return tuple(seen), sure


def forget(scene: Scene, around: np.ndarray, reach: int) -> None:
    """Make ground unknown but for a band about something, where it is not that.

    Parameters
    ----------
    scene
        That is changed, in place [no unit].
    around
        (h, w) bool, the thing [no unit].
    reach
        Twice the width of the band [px].
    """
    close = cv2.dilate(np.uint8(around), np.ones((reach, reach), np.uint8))
    scene.labels[(scene.labels == CLASS["rest"]) & (close == 0) & (scene.owner == 0)] = UNKNOWN


def developed(rng: Rng, scene: Scene) -> np.ndarray:
    """The scene as a phone would show it, (h, w, 3) uint8 [0 to 255].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    scene
        With all that was laid [no unit].
    """
    linear = scene.linear
    h, w = scene.size
    blur = float(rng.choice([rng.uniform(0.3, 0.8), rng.uniform(0.6, 1.6), rng.uniform(1.2, 2.8)], p=[0.55, 0.33, 0.12]))
    if rng.random() < 0.15:
        reach, turn = int(rng.integers(3, 10)), rng.uniform(0, np.pi)
        kernel = np.zeros((reach, reach), np.float32)
        mid, way = (reach - 1) / 2, np.array([np.cos(turn), np.sin(turn)])
        ends = [tuple(round(v) for v in mid + s * mid * way) for s in (-1, 1)]
        cv2.line(kernel, ends[0], ends[1], 1.0, 1)
        linear = cv2.filter2D(linear, -1, kernel / kernel.sum())
    reach = 2 * int(np.ceil(2.5 * blur)) + 1
    linear = cv2.GaussianBlur(linear, (reach, reach), blur)
    level = float(np.percentile(linear[::8, ::8], 90)) + 1e-4
    gain = float(np.clip(rng.choice([0.55, 0.8, 1.15]) * np.exp(rng.normal(0, 0.3)) / level, 0.35, 4.0))
    gains = gain * np.exp(rng.normal(0, 0.09, 3))
    shown = cv2.sqrt(cv2.multiply(linear, (*map(float, gains), 0.0)))
    if rng.random() < 0.4:
        y, x = np.float32(np.linspace(-1, 1, h))[:, None], np.float32(np.linspace(-1, 1, w))
        shown *= (1 - np.float32(rng.uniform(0.02, 0.2)) * (x * x + y * y) / 2)[..., None]
    grain = np.float32(np.exp(rng.uniform(-7, -3.2)))  # under a square root the noise of light is everywhere the same
    tile = rng.standard_normal((128, 160, 3), np.float32) * grain
    for y0 in range(0, h, 128):
        for x0 in range(0, w, 160):
            block = shown[y0 : y0 + 128, x0 : x0 + 160]
            block += tile[: block.shape[0], : block.shape[1]]
    if rng.random() < 0.5:
        blotches = rng.standard_normal((h // 4 + 2, w // 4 + 2, 3), np.float32) * (grain * np.float32(rng.uniform(0.2, 0.8)))
        shown += cv2.resize(blotches, (w, h), interpolation=cv2.INTER_LINEAR)
    levels = np.linspace(0, 1, 256) ** rng.uniform(0.87, 1.18)
    bend = rng.uniform(-0.15, 0.5)
    levels = (1 - bend) * levels + bend * levels * levels * (3 - 2 * levels)
    levels = rng.choice([0.0, rng.uniform(0, 0.1)]) + levels * rng.uniform(0.93, 1.0)
    bgr = cv2.LUT(cv2.convertScaleAbs(shown, alpha=255), np.clip(levels * 255, 0, 255).astype(np.uint8))
    if rng.random() < 0.6:
        amount = rng.uniform(0.2, 1.6)
        bgr = cv2.addWeighted(bgr, 1 + amount, cv2.GaussianBlur(bgr, (0, 0), rng.uniform(0.7, 2.0)), -amount, 0)
    if rng.random() < 0.3:
        grey = cv2.cvtColor(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR)
        share = rng.uniform(-0.3, 0.6)
        bgr = cv2.addWeighted(bgr, 1 - share, grey, share, 0)
    _, packed = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 96))])
    return cv2.imdecode(packed, cv2.IMREAD_COLOR)
