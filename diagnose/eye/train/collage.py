"""What training pictures can be pasted together from real grounds, textures and stems, and from drawn ones?

Four makers, each giving a `Shown` from a random generator and the `Material` of one split: a severed stem where it grew,
a stem on the scale card, a thick stem gnawed or whole, and pictures of nothing of the sort.
"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.eye.train.material import Material, load
from diagnose.eye.train.papers import held_before, moved, sheet_layer
from diagnose.eye.train.scene import CLASS, Scene, begun, blurred, darken, developed, forget, lay, outline, seen_ends, shadow_of
from diagnose.eye.train.shown import FORMS, UNKNOWN, Shown
from diagnose.eye.train.stems import Layer, dimmed, draw, rounded, severed
from diagnose.eye.train.surfaces import (
    Rng,
    bark_colour,
    blade,
    blob,
    clouds,
    drawn_ground,
    ground,
    hsv,
    leaf_colour,
    leaf_outline,
    skin_colour,
)
from diagnose.eye.train.wounds import gnawed

__all__ = ["Material", "bark", "free", "load", "nothing", "on_card"]


def _size(rng: Rng, low: int = 480, high: int = 1000) -> tuple[int, int]:
    """(h, w) of a picture."""
    long_side = int(rng.uniform(low, high))
    short = int(long_side * rng.choice([0.75, 0.75, 2 / 3, 9 / 16, 1.0]))
    return (short, long_side) if rng.random() < 0.55 else (long_side, short)


def _way(angle: float) -> np.ndarray:
    return np.array([np.cos(angle), np.sin(angle)])


def _out_of(size: tuple[int, int], at: np.ndarray, way: np.ndarray, beyond: float) -> np.ndarray:
    """The point on the ray from `at` along `way` that lies `beyond` pixels outside the picture's frame."""
    h, w = size
    far = [((w + beyond if step > 0 else -beyond) - x) / step for x, step, w in zip(at, way, (w, h), strict=True) if abs(step) > 1e-6]
    return at + way * max(4.0, min(t for t in far if t > 0) if any(t > 0 for t in far) else 4.0)


def _behind(rng: Rng, material: Material, size: tuple[int, int], blur: float) -> Scene:
    """A scene of ground alone."""
    bgr, kind, sure, bare = ground(rng, *size, material)
    scene = begun(rng, blurred(bgr, blur), CLASS["rest"], sure or blur > 6)
    scene.source = {"maker": "collage", "split": material.split, "ground": kind, "bare": "yes" if bare or blur > 6 else "no"}
    return scene


def _finished(rng: Rng, scene: Scene, sheet: np.ndarray | None = None) -> Shown:
    if scene.source.pop("bare") == "no":
        forget(scene, scene.owner > 0, 2 * (min(scene.size) // 40) + 1)
    ends, sure = seen_ends(scene)
    return Shown(developed(rng, scene), scene.labels, ends, sure, sheet, scene.source)


def _crossing(rng: Rng, material: Material, scene: Scene, width: float, look: str = "bark", through: np.ndarray | None = None) -> Layer | None:
    """A stem or rod that crosses the whole picture, now and then one that ends in a living tip."""
    h, w = scene.size
    through = rng.uniform((0, 0), (w, h)) if through is None else through
    way = _way(rng.uniform(0, 2 * np.pi))
    tip = look == "bark" and rng.random() < 0.2
    start = _out_of(scene.size, through, -way, 1.5 * width + 10)
    end = through if tip else _out_of(scene.size, through, way, 1.5 * width + 10)
    near = rounded(rng, rng.uniform(1, 3)) if tip else None
    return draw(rng, material, start, end, width, scene.light, scene.size, near, look=look, lively=look == "bark", coarse=True)


def _dappled(rng: Rng, scene: Scene) -> None:
    """Light that falls through leaves, or the soft shadow of somebody."""
    h, w = scene.size
    spots = clouds(rng, h // 4 + 2, w // 4 + 2, (rng.uniform(10, 60),) * 2, 2)
    spots = cv2.resize(cv2.convertScaleAbs(np.clip(spots * rng.uniform(1, 6) + rng.uniform(-1, 1), 0, 1), alpha=255), (w, h))
    darken(scene, spots, rng.uniform(0.2, 0.75), _sky(rng))


def _sky(rng: Rng) -> np.ndarray:
    """How much of blue, green and red a shadow takes, compared with the most."""
    return np.float32([rng.uniform(0.75, 1.0), rng.uniform(0.9, 1.0), 1.0]) if rng.random() < 0.6 else np.ones(3, np.float32)


def _leaf(rng: Rng, scene: Scene, at: np.ndarray, length: float, blur: float = 0.0, label: str = "plant") -> None:
    """A leaf with its midrib, laid down at `at` with a little shadow."""
    angle, half = rng.uniform(0, 2 * np.pi), length * rng.uniform(0.12, 0.4)
    points = leaf_outline(rng, at, angle, length, half)
    h, w = scene.size
    x0, y0 = np.maximum(0, np.floor(points.min(0)).astype(int) - 8)
    x1, y1 = np.minimum((w, h), np.ceil(points.max(0)).astype(int) + 9)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return
    y, x = np.float32(np.mgrid[y0:y1, x0:x1])
    way = _way(angle)
    s = ((x - at[0]) * way[0] + (y - at[1]) * way[1]) / length
    v = (-(x - at[0]) * way[1] + (y - at[1]) * way[0]) / length
    tone = 1 + 0.08 * np.sin((s - np.abs(v) * rng.uniform(0.5, 1.2)) * rng.uniform(25, 60)) + rng.uniform(-1, 1) * v
    tone += rng.uniform(0.2, 0.6) * rng.choice([-1, 1]) * np.exp(-((v * length / max(0.8, 0.015 * length)) ** 2))
    tone += 0.12 * clouds(rng, y1 - y0, x1 - x0, (0.3 * length, 0.3 * length), 3)
    bgr = np.clip(leaf_colour(rng) * tone[..., None], 0, 255).astype(np.uint8)
    alpha = np.zeros(bgr.shape[:2], np.uint8)
    cv2.fillPoly(alpha, [np.int32((points - (x0, y0)) * 16)], 255, cv2.LINE_AA, 4)
    layer = Layer(int(x0), int(y0), bgr, alpha, np.zeros_like(alpha))
    if rng.random() < 0.6:
        darken(scene, shadow_of(layer, scene, rng.uniform(1, 0.1 * length + 2), rng.uniform(0.5, 5)), rng.uniform(0.2, 0.7), _sky(rng))
    lay(scene, layer, label, blur)


def _blade(rng: Rng, scene: Scene, at: np.ndarray, length: float, blur: float) -> None:
    points = blade(rng, at, rng.uniform(0, 2 * np.pi), length, length * rng.uniform(0.01, 0.04))
    outline(scene, points, leaf_colour(rng), "plant", blur)


def _fingers(rng: Rng, material: Material, scene: Scene, tip: np.ndarray, came: np.ndarray, width: float, count: int) -> None:
    """Fingers side by side that come along `came` and end about `tip`."""
    side = np.array([-came[1], came[0]])
    colour = skin_colour(rng)
    for number in range(count):
        at = tip + side * width * (number - (count - 1) / 2) * 1.05 - came * rng.uniform(0, 0.6) * width
        way = came + side * rng.normal(0, 0.08)
        start = _out_of(scene.size, at, -way / np.hypot(*way), 20)
        if np.hypot(*(start - at)) > 9 * width:
            start = at - way * 9 * width
        layer = draw(rng, material, start, at, width * rng.uniform(0.85, 1.1), scene.light, scene.size, rounded(rng, 1.0), look="finger", colour=colour * rng.uniform(0.96, 1.04, 3))
        if layer is None:
            continue
        if rng.random() < 0.8:
            darken(scene, shadow_of(layer, scene, rng.uniform(0.1, 1.0) * width, rng.uniform(0.5, 12)), rng.uniform(0.2, 0.8), _sky(rng))
        lay(scene, layer, "hand")


def _form(rng: Rng) -> str:
    return str(rng.choice(FORMS, p=[0.45, 0.2, 0.35]))


def free(rng: Rng, material: Material) -> Shown:
    """A severed stem where it grew, or (one in five) a picture without one."""
    size = h, w = _size(rng)
    blur = float(rng.choice([0, rng.uniform(0.5, 4), rng.uniform(3, 20)]))
    scene = _behind(rng, material, size, blur)
    if rng.random() < 0.15:
        _dappled(rng, scene)
    width = float(np.exp(rng.uniform(np.log(8), np.log(140))))
    for _ in range(int(rng.choice([0, 1, 2, 4, 7]))):
        layer = _crossing(rng, material, scene, width * float(np.exp(rng.normal(-0.4, 0.6))))
        if layer is not None:
            lay(scene, dimmed(layer, rng.uniform(0.6, 1.1)), "plant", float(rng.uniform(0, 1.2) * blur) if rng.random() < 0.7 else 0.0)
    for _ in range(int(rng.choice([0, 0, 3, 12]))):
        _blade(rng, scene, rng.uniform((0, 0), (w, h)), rng.uniform(0.1, 0.5) * h, float(rng.uniform(0, 1) * blur))
    if rng.random() < 0.8:
        _severed_stem(rng, material, scene, width)
    for _ in range(int(rng.choice([0, 0, 0, 1, 3]))):
        at = rng.uniform((0, 0), (w, h))
        near_blur = float(rng.choice([0, rng.uniform(0, 5)]))
        if rng.random() < 0.5:
            _blade(rng, scene, at, rng.uniform(0.1, 0.5) * h, near_blur)
        else:
            _leaf(rng, scene, at, rng.uniform(0.05, 0.2) * h, near_blur)
    return _finished(rng, scene)


def _severed_stem(rng: Rng, material: Material, scene: Scene, width: float) -> None:
    h, w = scene.size
    width = min(width, 0.3 * min(h, w))
    end = rng.uniform(0.12, 0.88, 2) * (w, h)
    way = _way(rng.normal(-np.pi / 2, 0.9) if rng.random() < 0.6 else rng.uniform(0, 2 * np.pi))
    start = _out_of(scene.size, end, -way, 1.5 * width + 10)
    far = None
    if rng.random() < 0.1:  # a piece that lies there
        piece = end - way * width * rng.uniform(4, 12)
        if np.hypot(*(piece - end)) < np.hypot(*(start - end)):
            start, far = piece, severed(rng, _form(rng)) if rng.random() < 0.6 else rounded(rng, 2)
    focus = min(0.1 * width, float(rng.uniform(0.4, 3))) if rng.random() < 0.2 else 0.0
    gain = float(rng.choice([1.0, rng.uniform(0.25, 0.7)], p=[0.85, 0.15]))
    layer = draw(rng, material, start, end, width, scene.light, scene.size, severed(rng, _form(rng)), far)
    if layer is None or layer.axis is None:
        return
    if rng.random() < 0.35:
        reach = rng.uniform(0.2, 3) * width
        shadow = shadow_of(layer, scene, 0.6 * reach, rng.uniform(0.5, 12), rng.choice([0, reach]))
        darken(scene, shadow, rng.uniform(0.2, 0.8), _sky(rng))
    if rng.random() < 0.22:
        _fork(rng, material, scene, layer, width, focus, gain)
    leaves = [layer.axis[rng.integers(8, 34)] for _ in range(int(rng.choice([0, 0, 0, 1, 3])))]
    for x, y, _ in leaves[::2]:
        _leaf(rng, scene, np.array([x, y]), width * rng.uniform(1.5, 5), focus)
    lay(scene, layer, "bark", focus, gain)
    for x, y, _ in leaves[1::2]:
        _leaf(rng, scene, np.array([x, y]), width * rng.uniform(1.5, 5), focus)
    if rng.random() < 0.15:
        spot = layer.axis[rng.integers(5, 26)]
        if np.hypot(*(spot[:2] - end)) > 2.2 * width:
            thick = float(np.clip(width * rng.uniform(0.8, 4), 35, 170))
            side = _way(np.arctan2(way[1], way[0]) + rng.choice([-1, 1]) * rng.uniform(0.8, 2.2))
            _fingers(rng, material, scene, spot[:2] + side * 0.4 * thick, side, thick, int(rng.integers(1, 4)))


def _fork(rng: Rng, material: Material, scene: Scene, layer: Layer, width: float, focus: float, gain: float) -> None:
    """A second branch from somewhere on the stem, that runs out of the picture, ends in a bud or is severed too."""
    assert layer.axis is not None
    foot = layer.axis[rng.integers(6, 36)]
    ahead = layer.axis[-1, :2] - layer.axis[0, :2]
    way = _way(np.arctan2(ahead[1], ahead[0]) + rng.choice([-1, 1]) * rng.uniform(0.4, 1.2))
    thin = width * rng.uniform(0.3, 0.9)
    kind = rng.integers(3)
    tip = foot[:2] + way * width * rng.uniform(2.5, 8)
    if kind == 0:
        tip = _out_of(scene.size, foot[:2], way, 2 * thin)
    near = (None, rounded(rng, rng.uniform(1, 4)), severed(rng, _form(rng)))[kind]
    lay(scene, draw(rng, material, foot[:2], tip, thin, scene.light, scene.size, near), "bark", focus, gain)


def on_card(rng: Rng, material: Material) -> Shown:
    """Stems that lie on the scale card, or the card alone."""
    H, size = held_before(rng, rng.uniform(500, 1100))
    scene = _behind(rng, material, size, float(rng.choice([0, rng.uniform(0, 4)])))
    bgr, cover = sheet_layer(rng, H, size)
    _lay_sheet(rng, scene, bgr, cover)
    for _ in range(int(rng.choice([0, 0, 0, 1, 2]))):
        layer = _over_corner(rng, material, scene, H)
        if layer is not None:
            _cast(rng, scene, layer)
            lay(scene, layer, "plant")
    kind = rng.choice(["leaves", "lies", "none"], p=[0.75, 0.15, 0.1])
    if kind != "none":
        _on_sheet(rng, material, scene, H, bool(kind == "lies"), float(np.median(bgr[cover > 127])) if (cover > 127).any() else 230.0)
    for _ in range(int(rng.choice([0, 0, 1, 2, 3]))):
        at = moved(H, _edge(rng, rng.uniform(-12, 6))[0][None])[0]
        scale = _px_per_mm(H, (75, 50))
        if rng.random() < 0.5:
            _leaf(rng, scene, at, scale * rng.uniform(15, 45))
        else:
            _blade(rng, scene, at, scale * rng.uniform(30, 90), 0.0)
    if rng.random() < 0.3:
        spot, inward = _edge(rng, rng.uniform(3, 22))
        tip, further = moved(H, np.array([spot, spot + inward]))
        came = (further - tip) / np.hypot(*(further - tip))
        _fingers(rng, material, scene, tip, came, _px_per_mm(H, spot) * rng.uniform(11, 19), int(rng.integers(1, 4)))
    if rng.random() < 0.3:
        _someones_shadow(rng, scene)
    return _finished(rng, scene, H)


def _lay_sheet(rng: Rng, scene: Scene, bgr: np.ndarray, cover: np.ndarray) -> None:
    layer = Layer(0, 0, bgr, cover, np.zeros_like(cover))
    if rng.random() < 0.8:
        darken(scene, shadow_of(layer, scene, rng.uniform(1, 25), rng.uniform(1, 10)), rng.uniform(0.2, 0.8), _sky(rng))
    lay(scene, layer, "card")


def _px_per_mm(H: np.ndarray, at: tuple[float, float] | np.ndarray) -> float:
    a, b, c = moved(H, np.array(at) + np.array([[0, 0], [1, 0], [0, 1]]))
    return float(np.sqrt(abs((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0])))


def _edge(rng: Rng, inside: float) -> tuple[np.ndarray, np.ndarray]:
    """A point `inside` millimetres within a drawn edge of the card, and the way inwards."""
    edge = rng.integers(4)
    x, y = rng.uniform(5, 145), rng.uniform(5, 95)
    at = [(x, inside), (150 - inside, y), (x, 100 - inside), (inside, y)][edge]
    return np.array(at), np.array([(0, 1), (-1, 0), (0, -1), (1, 0)][edge], float)


def _over_corner(rng: Rng, material: Material, scene: Scene, H: np.ndarray) -> Layer | None:
    corner = np.array([(0, 0), (150, 0), (150, 100), (0, 100)])[rng.integers(4)]
    middle = np.array([75, 50]) - corner
    through = corner + middle * rng.uniform(-0.05, 0.3)
    along_it = np.array([middle[0], -middle[1]]) + rng.normal(0, 20, 2)
    a, b = moved(H, np.array([through, through + along_it * 0.3]))
    way, width = (b - a) / np.hypot(*(b - a)), _px_per_mm(H, through) * rng.uniform(1, 6)
    start, end = (_out_of(scene.size, a, s * way, 1.5 * width + 8) for s in (-1, 1))
    return draw(rng, material, start, end, width, scene.light, scene.size)


def _cast(rng: Rng, scene: Scene, layer: Layer, width: float = 10.0) -> None:
    """The shadow of a stem on the paper below it: touching it, or away from it where it is lifted."""
    lift = float(rng.choice([0, 0, rng.uniform(0.1, 2.5)])) * width
    reach = width * float(rng.choice([rng.uniform(0.05, 0.4), rng.uniform(0.2, 1.6)]))
    soft = float(rng.choice([rng.uniform(0.4, 1.2), rng.uniform(1, 5), rng.uniform(0.1, 0.6) * width + 1]))
    darken(scene, shadow_of(layer, scene, reach, soft, lift), rng.uniform(0.1, 0.85), _sky(rng))
    if rng.random() < 0.6:  # the dark line where it touches
        darken(scene, shadow_of(layer, scene, 0.12 * width, 0.12 * width + 0.6), rng.uniform(0.1, 0.5))


def _on_sheet(rng: Rng, material: Material, scene: Scene, H: np.ndarray, whole: bool, paper: float) -> None:
    at = np.array([rng.uniform(12, 138), rng.uniform(12, 88)])
    angle = rng.uniform(0, 2 * np.pi)
    if not whole and rng.random() < 0.6:  # more often the shorter way off the sheet
        angle = np.arctan2(*(at - (75, 50))[::-1]) + rng.normal(np.pi, 0.8)
    outward = _way(angle)
    mm = float(np.exp(rng.uniform(np.log(1.5), np.log(12))))
    far, length = None, 40.0
    if whole:
        length = rng.uniform(4, 14) * mm
        at = np.clip(at, 10, (140, 90))
        back = at - outward * length
        if not (4 < back[0] < 146 and 4 < back[1] < 96):
            at, back = np.array([75, 50]) + outward * length / 2, np.array([75, 50]) - outward * length / 2
        length = float(np.hypot(*(at - back)))
        far = severed(rng, _form(rng)) if rng.random() < 0.85 else rounded(rng, 2)
    end, body, side = moved(H, np.array([at, at - outward * length, at + np.array([-outward[1], outward[0]])]))
    way = (end - body) / np.hypot(*(end - body))
    across = side - end
    width = mm * abs(float(way[0] * across[1] - way[1] * across[0]))
    if not whole:
        body = _out_of(scene.size, end, -way, 1.5 * width + 10)
        if rng.random() < 0.12:
            over = moved(H, (at - outward * rng.uniform(30, 120))[None])[0]
            if np.hypot(*(over - end)) < np.hypot(*(body - end)):
                body, far = over, severed(rng, _form(rng))
    colour = None
    kind = rng.random()
    if kind < 0.2:  # as bright as the paper
        colour = hsv(rng.uniform(15, 70), rng.uniform(0, 0.18), rng.uniform(0.85, 1.08) * paper / 255)
    elif kind < 0.3:
        colour = bark_colour(rng) * 0.4
    layer = draw(rng, material, body, end, width, scene.light, scene.size, severed(rng, _form(rng)), far, colour=colour)
    if layer is None:
        return
    if rng.random() < 0.9:
        _cast(rng, scene, layer, width)
    lay(scene, layer, "bark")


def _someones_shadow(rng: Rng, scene: Scene) -> None:
    """The shadow of a hand, a head or the phone."""
    h, w = scene.size
    shape = np.zeros((h // 2 + 1, w // 2 + 1), np.uint8)
    at, big = rng.uniform((0, 0), (w / 2, h / 2)), rng.uniform(0.1, 0.5) * max(h, w) / 2
    if rng.random() < 0.4:
        box = cv2.boxPoints((tuple(map(float, at)), (2 * big, big), rng.uniform(0, 180)))
        cv2.fillPoly(shape, [np.int32(box)], 255)
    else:
        cv2.fillPoly(shape, [np.int32(blob(rng, at, big, 0.15))], 255)
        for _ in range(int(rng.integers(0, 5))):
            to = at + _way(rng.uniform(0, 7)) * big * rng.uniform(1, 2)
            cv2.line(shape, tuple(map(int, at)), tuple(map(int, to)), 255, max(2, int(0.25 * big)))
    soft = float(rng.choice([rng.uniform(0.7, 3), rng.uniform(3, 25)]))
    shadow = cv2.resize(cv2.GaussianBlur(shape, (0, 0), soft), (w, h), interpolation=cv2.INTER_LINEAR)
    darken(scene, shadow, rng.uniform(0.15, 0.8), _sky(rng))


def nothing(rng: Rng, material: Material) -> Shown:
    """A picture without any severed end, real or drawn, with things that might be taken for one."""
    size = h, w = _size(rng)
    scene = _behind(rng, material, size, float(rng.choice([0, rng.uniform(0, 6)])))
    if rng.random() < 0.2:
        _dappled(rng, scene)
    makers = [_rod, _wire, _writing, _face, _board, _leaves, _branch, _hand]
    for _ in range(int(rng.choice([0, 1, 2, 4]))):
        makers[rng.choice(len(makers), p=[0.25, 0.15, 0.12, 0.1, 0.1, 0.12, 0.08, 0.08])](rng, material, scene)
    if rng.random() < 0.15:
        _someones_shadow(rng, scene)
    return _finished(rng, scene)


def _rod(rng: Rng, material: Material, scene: Scene) -> None:
    """A rod, pencil, pipe or handle that the frame cuts off on both sides."""
    width = float(np.exp(rng.uniform(np.log(6), np.log(120))))
    layer = _crossing(rng, material, scene, width, "rod")
    if layer is not None:
        if rng.random() < 0.5:
            _cast(rng, scene, layer, width)
        lay(scene, layer, "rest", float(rng.choice([0, rng.uniform(0, 3)])))


def _wire(rng: Rng, material: Material, scene: Scene) -> None:
    """A bent wire, cable or hose from frame to frame."""
    h, w = scene.size
    through = rng.uniform((0, 0), (w, h))
    way = _way(rng.uniform(0, 7))
    a, b = (_out_of(scene.size, through, s * way, 60) for s in (-1, 1))
    t = np.linspace(0, 1, 60)[:, None]
    sway = np.sin(t * rng.uniform(2, 9) + rng.uniform(0, 7)) * rng.uniform(0.02, 0.15) * max(h, w) * np.sin(np.pi * t)
    line = [np.int32((a * (1 - t) + b * t + sway * np.array([-way[1], way[0]])) * 16)]
    thick = int(np.exp(rng.uniform(np.log(2), np.log(40))))
    alpha, bgr = np.zeros((h, w), np.uint8), np.zeros((h, w, 3), np.uint8)
    colour = hsv(rng.uniform(0, 360), rng.choice([0, rng.uniform(0.3, 1)]), rng.uniform(0.05, 1))
    cv2.polylines(alpha, line, False, 255, thick, cv2.LINE_AA, 4)
    for share in np.linspace(1, 0.15, 5 if thick > 4 else 1):
        lit = np.clip(colour * (1.1 - 0.55 * share) + rng.uniform(0, 60) * (share < 0.3), 0, 255)
        cv2.polylines(bgr, line, False, lit.tolist(), max(1, int(thick * share) + (2 if share == 1 else 0)), cv2.LINE_8, 4)
    x, y, ww, hh = cv2.boundingRect(alpha)
    if ww and hh:
        part = np.s_[y : y + hh, x : x + ww]
        layer = Layer(x, y, cv2.GaussianBlur(bgr, (0, 0), 0.4 + 0.08 * thick)[part], alpha[part], np.zeros((hh, ww), np.uint8))
        _cast(rng, scene, layer, thick)
        lay(scene, layer, "rest")


def _writing(rng: Rng, material: Material, scene: Scene) -> None:
    """Letters and figures on whatever is there."""
    h, w = scene.size
    alpha = np.zeros((h, w), np.uint8)
    size, x0, y0 = rng.uniform(0.5, 5), int(rng.uniform(-0.1, 0.5) * w), int(rng.uniform(0.05, 0.7) * h)
    for row in range(int(rng.integers(1, 9))):
        words = "".join(rng.choice(list("abcdefghiklmnoprstuvwxyzABEHIKLMTX 0123456789.,-/|"), int(rng.integers(4, 30))))
        font = int(rng.choice([0, 1, 2, 3, 4, 5, 6, 7]))
        cv2.putText(alpha, words, (x0, y0 + int(row * size * 34)), font, size, 255, max(1, int(size * rng.uniform(1, 3))), cv2.LINE_AA)
    bgr = np.empty((h, w, 3), np.uint8)
    bgr[:] = hsv(rng.uniform(0, 360), rng.uniform(0, 1), rng.choice([0.05, rng.uniform(0, 1)]))
    lay(scene, Layer(0, 0, bgr, alpha, np.zeros_like(alpha)), "rest")


def _face(rng: Rng, material: Material, scene: Scene) -> None:
    """Something like a face, of man or beast: a rounded patch with darker spots and a line."""
    h, w = scene.size
    at, big = rng.uniform((0, 0), (w, h)), rng.uniform(0.08, 0.35) * min(h, w)
    colour = skin_colour(rng) if rng.random() < 0.6 else bark_colour(rng)
    soft = 1 + 0.2 * clouds(rng, h // 4 + 1, w // 4 + 1, (0.1 * big + 2,) * 2, 4)
    skin = cv2.resize(np.clip(colour * soft[..., None], 0, 255).astype(np.uint8), (w, h))
    outline(scene, blob(rng, at, 1.35 * big, 0.08), bark_colour(rng), "rest", 1.5)
    outline(scene, blob(rng, at + (0, 0.15 * big), big, 0.05), skin, "rest", 1.0)
    for dx in (-0.38, 0.38):
        outline(scene, blob(rng, at + (dx * big, -0.1 * big), 0.17 * big, 0.1), np.float32([235, 235, 235]), "rest", 0.8)
        outline(scene, blob(rng, at + (dx * big, -0.1 * big), 0.09 * big, 0.1), bark_colour(rng) * 0.3, "rest", 0.8)
    outline(scene, blob(rng, at + (0, 0.25 * big), 0.12 * big, 0.2), colour * 0.75, "rest", 2.0)
    outline(scene, leaf_outline(rng, at + (-0.35 * big, 0.6 * big), 0.0, 0.7 * big, 0.08 * big), colour * 0.5, "rest", 1.0)


def _board(rng: Rng, material: Material, scene: Scene) -> None:
    """A plank, box or sheet with straight sides."""
    h, w = scene.size
    box = cv2.boxPoints(
        (tuple(map(float, rng.uniform((0, 0), (w, h)))), tuple(map(float, rng.uniform(0.05, 0.9, 2) * max(h, w))), rng.uniform(0, 180))
    )
    surface, _ = drawn_ground(rng, h, w)
    shadow = np.zeros((h, w), np.uint8)
    cv2.fillPoly(shadow, [np.int32(box + rng.uniform(-12, 12, 2))], 255)
    darken(scene, cv2.GaussianBlur(shadow, (0, 0), rng.uniform(1, 8)), rng.uniform(0.1, 0.7), _sky(rng))
    outline(scene, np.float64(box), surface, "rest", float(rng.choice([0, rng.uniform(0, 2)])))


def _leaves(rng: Rng, material: Material, scene: Scene) -> None:
    h, w = scene.size
    for _ in range(int(rng.integers(1, 12))):
        _leaf(rng, scene, rng.uniform((0, 0), (w, h)), rng.uniform(0.05, 0.5) * h)


def _branch(rng: Rng, material: Material, scene: Scene) -> None:
    width = float(np.exp(rng.uniform(np.log(6), np.log(120))))
    layer = _crossing(rng, material, scene, width)
    if layer is not None:
        lay(scene, layer, "plant", float(rng.choice([0, rng.uniform(0, 4)])))


def _hand(rng: Rng, material: Material, scene: Scene) -> None:
    h, w = scene.size
    tip = rng.uniform(0.1, 0.9, 2) * (w, h)
    _fingers(rng, material, scene, tip, _way(rng.uniform(0, 7)), rng.uniform(0.05, 0.2) * min(h, w), int(rng.integers(1, 5)))


def bark(rng: Rng, material: Material) -> Shown:
    """A thick stem, gnawed or whole, with the scale card beside it or partly over it."""
    size = h, w = _size(rng)
    scene = _behind(rng, material, size, float(rng.choice([0, rng.uniform(1, 6), rng.uniform(4, 18)])))
    width = w * rng.uniform(0.2, 0.45)
    for _ in range(int(rng.choice([0, 1, 3]))):
        layer = _crossing(rng, material, scene, width * float(np.exp(rng.uniform(-2.2, 0))))
        if layer is not None:
            lay(scene, dimmed(layer, rng.uniform(0.5, 1.0)), "plant", float(rng.choice([0, rng.uniform(0, 8)])))
    way = _way(-np.pi / 2 + (rng.normal(0, 0.15) if rng.random() < 0.75 else rng.uniform(-1.6, 1.6)))
    middle = np.array([rng.uniform(0.25, 0.75) * w, rng.uniform(0.35, 0.65) * h])
    start, end = (_out_of(size, middle, s * way, 0.8 * width + 10) for s in (-1, 1))
    stem = draw(rng, material, start, end, width, scene.light, size)
    if stem is not None:
        for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.25, 0.55, 0.13, 0.07]))):
            stem = gnawed(rng, stem, scene.light, material)
        if rng.random() < 0.4:
            darken(scene, shadow_of(stem, scene, 0.2 * width, rng.uniform(3, 25), rng.choice([0, 0.5 * width])), rng.uniform(0.2, 0.7))
        lay(scene, stem, "bark")
    sheet = None
    if rng.random() < 0.75:
        sheet = _card_beside(rng, material, scene, middle, way, width)
    if rng.random() < 0.2:
        _hand(rng, material, scene)
    for _ in range(int(rng.choice([0, 0, 1, 3]))):
        at, blur = rng.uniform((0, 0), (w, h)), float(rng.choice([0, rng.uniform(0, 5)]))
        _blade(rng, scene, at, rng.uniform(0.1, 0.6) * h, blur)
    if rng.random() < 0.25:
        _dappled(rng, scene)
    return _finished(rng, scene, sheet)


def _card_beside(rng: Rng, material: Material, scene: Scene, middle: np.ndarray, way: np.ndarray, width: float) -> np.ndarray | None:
    """The card held beside the stem or partly over it; its homography, or None where it lies outside the picture."""
    h, w = scene.size
    scale = width / np.exp(rng.uniform(np.log(35), np.log(150)))  # px a millimetre
    scale = float(np.clip(scale, 1.6, 5.0))
    H, _ = held_before(rng, 150 * scale, 0.6)
    corners = moved(H, np.array([[0, 0], [150, 0], [150, 100], [0, 100]]))
    side = np.array([-way[1], way[0]]) * rng.choice([-1, 1])
    half = float(np.abs((corners - corners.mean(0)) @ side).max())
    apart = width / 2 + half * (rng.uniform(0.3, 0.95) if rng.random() < 0.45 else rng.uniform(0.98, 1.25))
    centre = middle + side * apart + way * rng.uniform(-0.25, 0.25) * h
    shift = np.eye(3)
    shift[:2, 2] = centre - corners.mean(0)
    H = shift @ H
    corners = moved(H, np.array([[0, 0], [150, 0], [150, 100], [0, 100]]))
    frame = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    shared, _ = cv2.intersectConvexConvex(np.float32(corners), frame)
    if shared < 0.15 * cv2.contourArea(np.float32(corners)):
        return None
    bgr, cover = sheet_layer(rng, H, scene.size)
    _lay_sheet(rng, scene, bgr, cover)
    if rng.random() < 0.6:
        inside = (corners - middle) @ side
        far = corners[np.argsort(inside)[-2:]].mean(0) + way * rng.uniform(-0.2, 0.2) * half
        tip = far - side * scale * rng.uniform(5, 25)
        _fingers(rng, material, scene, tip, -side, scale * rng.uniform(11, 20), int(rng.integers(1, 4)))
    if rng.random() < 0.25:
        _someones_shadow(rng, scene)
    return H
