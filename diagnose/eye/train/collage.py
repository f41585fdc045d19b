"""What training pictures can be pasted together from real grounds, textures and stems, and from drawn ones?

Four makers, each giving a `Shown` from a random generator and the `Material` of one split: a severed stem where it grew,
a stem on the scale card, a thick stem gnawed or whole, and pictures of nothing of the sort.
"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.eye.train.material import Material, load
from diagnose.eye.train.papers import held_before, moved, sheet_layer
from diagnose.eye.train.scene import (
    CLASS,
    Scene,
    begun,
    blurred,
    darken,
    developed,
    forget,
    lay,
    seen_ends,
    shadow_of,
)
from diagnose.eye.train.shown import FORMS, Shown
from diagnose.eye.train.stems import Layer, dimmed, draw, rounded, severed
from diagnose.eye.train.surfaces import (
    Rng,
    bark_colour,
    ground,
    hsv,
)
from diagnose.eye.train.things import (
    cast_shadow,
    crossing,
    dapple,
    lay_blade,
    lay_board,
    lay_branch,
    lay_face,
    lay_fingers,
    lay_hand,
    lay_leaf,
    lay_rod,
    lay_wire,
    lay_writing,
    out_of,
    sky,
    somebodys_shadow,
    strew_leaves,
    way_of,
)
from diagnose.eye.train.wounds import gnawed

__all__ = ["Material", "bark", "free", "load", "nothing", "on_card"]


def _size(rng: Rng, low: int = 480, high: int = 1000) -> tuple[int, int]:
    """(h, w) of a picture."""
    long_side = int(rng.uniform(low, high))
    short = int(long_side * rng.choice([0.75, 0.75, 2 / 3, 9 / 16, 1.0]))
    return (short, long_side) if rng.random() < 0.55 else (long_side, short)


def _behind(rng: Rng, material: Material, size: tuple[int, int], blur: float, shows: str) -> Scene:
    """A scene of ground alone, to become a picture that `shows` what its maker is named for."""
    bgr, kind, sure, bare = ground(rng, *size, material)
    scene = begun(rng, blurred(bgr, blur), CLASS["rest"], sure or blur > 6)
    scene.source = {
        "maker": "collage",
        "shows": shows,
        "split": material.split,
        "ground": kind,
        "bare": "yes" if bare or blur > 6 else "no",
    }
    return scene


def _finished(rng: Rng, scene: Scene, sheet: np.ndarray | None = None) -> Shown:
    if scene.source.pop("bare") == "no":
        sides = np.isin(scene.labels, [CLASS["bark"], CLASS["wood"]])
        forget(scene, sides, 2 * (min(scene.size) // 40) + 1)
    ends, sure = seen_ends(scene)
    return Shown(developed(rng, scene), scene.labels, ends, sure, sheet=sheet, source=scene.source)


def _form(rng: Rng) -> str:
    return str(rng.choice(FORMS, p=[0.45, 0.2, 0.35]))


def free(rng: Rng, material: Material) -> Shown:
    """A severed stem where it grew, or (one in five) a picture without one.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    material
        Real pictures that may be used [no unit].
    """
    size = h, w = _size(rng)
    blur = float(rng.choice([0, rng.uniform(0.5, 4), rng.uniform(3, 20)]))
    scene = _behind(rng, material, size, blur, "free")
    if rng.random() < 0.15:
        dapple(rng, scene)
    width = float(np.exp(rng.uniform(np.log(8), np.log(140))))
    for _ in range(int(rng.choice([0, 1, 2, 4, 7]))):
        layer = crossing(rng, material, scene, width * float(np.exp(rng.normal(-0.4, 0.6))))
        if layer is not None:
            lay(
                scene,
                dimmed(layer, rng.uniform(0.6, 1.1)),
                "plant",
                float(rng.uniform(0, 1.2) * blur) if rng.random() < 0.7 else 0.0,
            )
    for _ in range(int(rng.choice([0, 0, 3, 12]))):
        lay_blade(rng, scene, rng.uniform((0, 0), (w, h)), rng.uniform(0.1, 0.5) * h, float(rng.uniform(0, 1) * blur))
    if rng.random() < 0.8:
        _severed_stem(rng, material, scene, width)
    for _ in range(int(rng.choice([0, 0, 0, 1, 3]))):
        at = rng.uniform((0, 0), (w, h))
        near_blur = float(rng.choice([0, rng.uniform(0, 5)]))
        if rng.random() < 0.5:
            lay_blade(rng, scene, at, rng.uniform(0.1, 0.5) * h, near_blur)
        else:
            lay_leaf(rng, scene, at, rng.uniform(0.05, 0.2) * h, near_blur)
    return _finished(rng, scene)


def _severed_stem(rng: Rng, material: Material, scene: Scene, width: float) -> None:
    h, w = scene.size
    width = min(width, 0.3 * min(h, w))
    end = rng.uniform(0.12, 0.88, 2) * (w, h)
    way = way_of(rng.normal(-np.pi / 2, 0.9) if rng.random() < 0.6 else rng.uniform(0, 2 * np.pi))
    start = out_of(scene.size, end, -way, 1.5 * width + 10)
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
        darken(scene, shadow, rng.uniform(0.2, 0.8), sky(rng))
    if rng.random() < 0.22:
        _fork(rng, material, scene, layer, width, focus, gain)
    leaves = [layer.axis[rng.integers(8, 34)] for _ in range(int(rng.choice([0, 0, 0, 1, 3])))]
    for x, y, _ in leaves[::2]:
        lay_leaf(rng, scene, np.array([x, y]), width * rng.uniform(1.5, 5), focus)
    lay(scene, layer, "bark", focus, gain)
    for x, y, _ in leaves[1::2]:
        lay_leaf(rng, scene, np.array([x, y]), width * rng.uniform(1.5, 5), focus)
    if rng.random() < 0.15:
        spot = layer.axis[rng.integers(5, 26)]
        if np.hypot(*(spot[:2] - end)) > 2.2 * width:
            thick = float(np.clip(width * rng.uniform(0.8, 4), 35, 170))
            side = way_of(np.arctan2(way[1], way[0]) + rng.choice([-1, 1]) * rng.uniform(0.8, 2.2))
            lay_fingers(rng, material, scene, spot[:2] + side * 0.4 * thick, side, thick, int(rng.integers(1, 4)))


def _fork(rng: Rng, material: Material, scene: Scene, layer: Layer, width: float, focus: float, gain: float) -> None:
    """A second branch from somewhere on the stem, that runs out of the picture, ends in a bud or is severed too."""
    assert layer.axis is not None
    foot = layer.axis[rng.integers(6, 36)]
    ahead = layer.axis[-1, :2] - layer.axis[0, :2]
    way = way_of(np.arctan2(ahead[1], ahead[0]) + rng.choice([-1, 1]) * rng.uniform(0.4, 1.2))
    thin = max(4.0, width * rng.uniform(0.3, 0.9))
    kind = rng.integers(3 if thin > 7 else 2)
    tip = foot[:2] + way * width * rng.uniform(2.5, 8)
    if kind == 0:
        tip = out_of(scene.size, foot[:2], way, 2 * thin)
    near = (None, rounded(rng, rng.uniform(1, 4)), severed(rng, _form(rng)))[kind]
    lay(scene, draw(rng, material, foot[:2], tip, thin, scene.light, scene.size, near), "bark", focus, gain)


def on_card(rng: Rng, material: Material) -> Shown:
    """Stems that lie on the scale card, or the card alone.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    material
        Real pictures that may be used [no unit].
    """
    H, size = held_before(rng, rng.uniform(500, 1100))
    scene = _behind(rng, material, size, float(rng.choice([0, rng.uniform(0, 4)])), "on_card")
    bgr, cover = sheet_layer(rng, H, size)
    _lay_sheet(rng, scene, bgr, cover)
    for _ in range(int(rng.choice([0, 0, 0, 1, 2]))):
        layer = _over_corner(rng, material, scene, H)
        if layer is not None:
            cast_shadow(rng, scene, layer)
            lay(scene, layer, "plant")
    kind = rng.choice(["leaves", "lies", "none"], p=[0.75, 0.15, 0.1])
    if kind != "none":
        _on_sheet(rng, material, scene, H, bool(kind == "lies"), float(np.percentile(bgr[::9, ::9], 95)))
    for _ in range(int(rng.choice([0, 0, 1, 2, 3]))):
        at = moved(H, _edge(rng, rng.uniform(-12, 6))[0][None])[0]
        scale = _px_per_mm(H, (75, 50))
        if rng.random() < 0.5:
            lay_leaf(rng, scene, at, scale * rng.uniform(15, 45))
        else:
            lay_blade(rng, scene, at, scale * rng.uniform(30, 90), 0.0)
    if rng.random() < 0.3:
        spot, inward = _edge(rng, rng.uniform(3, 22))
        tip, further = moved(H, np.array([spot, spot + inward]))
        came = (further - tip) / np.hypot(*(further - tip))
        lay_fingers(rng, material, scene, tip, came, _px_per_mm(H, spot) * rng.uniform(11, 19), int(rng.integers(1, 4)))
    if rng.random() < 0.3:
        somebodys_shadow(rng, scene)
    return _finished(rng, scene, H)


def _lay_sheet(rng: Rng, scene: Scene, bgr: np.ndarray, cover: np.ndarray) -> None:
    layer = Layer(0, 0, bgr, cover, np.zeros_like(cover))
    if rng.random() < 0.8:
        darken(scene, shadow_of(layer, scene, rng.uniform(1, 25), rng.uniform(1, 10)), rng.uniform(0.2, 0.8), sky(rng))
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
    start, end = (out_of(scene.size, a, s * way, 1.5 * width + 8) for s in (-1, 1))
    return draw(rng, material, start, end, width, scene.light, scene.size)


def _on_sheet(rng: Rng, material: Material, scene: Scene, H: np.ndarray, whole: bool, paper: float) -> None:
    at = np.array([rng.uniform(12, 138), rng.uniform(12, 88)])
    angle = rng.uniform(0, 2 * np.pi)
    if not whole and rng.random() < 0.6:  # more often the shorter way off the sheet
        angle = np.arctan2(*(at - (75, 50))[::-1]) + rng.normal(np.pi, 0.8)
    outward = way_of(angle)
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
        body = out_of(scene.size, end, -way, 1.5 * width + 10)
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
        cast_shadow(rng, scene, layer, width)
    lay(scene, layer, "bark")


def nothing(rng: Rng, material: Material) -> Shown:
    """A picture without any severed end, real or drawn, with things that might be taken for one.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    material
        Real pictures that may be used [no unit].
    """
    size = _h, _w = _size(rng)
    scene = _behind(rng, material, size, float(rng.choice([0, rng.uniform(0, 6)])), "nothing")
    if rng.random() < 0.2:
        dapple(rng, scene)
    things = [lay_rod, lay_wire, lay_writing, lay_face, lay_board, strew_leaves, lay_branch, lay_hand]
    for _ in range(int(rng.choice([0, 1, 2, 4]))):
        things[rng.choice(len(things), p=[0.25, 0.15, 0.12, 0.1, 0.1, 0.12, 0.08, 0.08])](rng, material, scene)
    if rng.random() < 0.15:
        somebodys_shadow(rng, scene)
    return _finished(rng, scene)


def bark(rng: Rng, material: Material) -> Shown:
    """A thick stem, gnawed or whole, with the scale card beside it or partly over it.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    material
        Real pictures that may be used [no unit].
    """
    size = h, w = _size(rng)
    scene = _behind(rng, material, size, float(rng.choice([0, rng.uniform(1, 6), rng.uniform(4, 18)])), "bark")
    width = w * rng.uniform(0.2, 0.45)
    for _ in range(int(rng.choice([0, 1, 3]))):
        layer = crossing(rng, material, scene, width * float(np.exp(rng.uniform(-2.2, 0))))
        if layer is not None:
            lay(scene, dimmed(layer, rng.uniform(0.5, 1.0)), "plant", float(rng.choice([0, rng.uniform(0, 8)])))
    way = way_of(-np.pi / 2 + (rng.normal(0, 0.15) if rng.random() < 0.75 else rng.uniform(-1.6, 1.6)))
    middle = np.array([rng.uniform(0.25, 0.75) * w, rng.uniform(0.35, 0.65) * h])
    start, end = (out_of(size, middle, s * way, 0.8 * width + 10) for s in (-1, 1))
    stem = draw(rng, material, start, end, width, scene.light, size)
    if stem is not None:
        for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.25, 0.55, 0.13, 0.07]))):
            stem = gnawed(rng, stem, scene.light, material)
        if rng.random() < 0.4:
            darken(
                scene,
                shadow_of(stem, scene, 0.2 * width, rng.uniform(3, 25), rng.choice([0, 0.5 * width])),
                rng.uniform(0.2, 0.7),
            )
        lay(scene, stem, "bark")
    sheet = None
    if rng.random() < 0.75:
        sheet = _card_beside(rng, material, scene, middle, way, width)
    if rng.random() < 0.2:
        lay_hand(rng, material, scene)
    for _ in range(int(rng.choice([0, 0, 1, 3]))):
        at, blur = rng.uniform((0, 0), (w, h)), float(rng.choice([0, rng.uniform(0, 5)]))
        lay_blade(rng, scene, at, rng.uniform(0.1, 0.6) * h, blur)
    if rng.random() < 0.25:
        dapple(rng, scene)
    return _finished(rng, scene, sheet)


def _card_beside(
    rng: Rng, material: Material, scene: Scene, middle: np.ndarray, way: np.ndarray, width: float
) -> np.ndarray | None:
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
        lay_fingers(rng, material, scene, tip, -side, scale * rng.uniform(11, 20), int(rng.integers(1, 4)))
    if rng.random() < 0.25:
        somebodys_shadow(rng, scene)
    return H
