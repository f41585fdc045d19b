"""What else lies, hangs or is held in a picture: leaves, blades, fingers, rods, wires, writing, boards, shadows?"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.eye.train.material import Material
from diagnose.eye.train.scene import Scene, darken, lay, outline, shadow_of
from diagnose.eye.train.stems import Layer, draw, rounded
from diagnose.eye.train.surfaces import (
    Rng,
    bark_colour,
    blade,
    blob,
    clouds,
    drawn_ground,
    hsv,
    leaf_colour,
    leaf_outline,
    skin_colour,
)


def way_of(angle: float) -> np.ndarray:
    """The unit vector of a direction, (2,).

    Parameters
    ----------
    angle
        From right towards down [radian].
    """
    return np.array([np.cos(angle), np.sin(angle)])


def out_of(size: tuple[int, int], at: np.ndarray, way: np.ndarray, beyond: float) -> np.ndarray:
    """The point on a ray that lies outside the picture's frame, (2,) [px].

    Parameters
    ----------
    size
        Rows and columns of the picture [px].
    at
        (2,) where the ray begins [px].
    way
        (2,) its unit vector [no unit].
    beyond
        How far outside the frame [px].
    """
    h, w = size
    far = [
        ((w + beyond if step > 0 else -beyond) - x) / step
        for x, step, w in zip(at, way, (w, h), strict=True)
        if abs(step) > 1e-6
    ]
    return at + way * max(4.0, min(t for t in far if t > 0) if any(t > 0 for t in far) else 4.0)


def sky(rng: Rng) -> np.ndarray:
    """(3,) how much of blue, green and red a shadow takes, over the most [share].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    """
    return np.float32([rng.uniform(0.75, 1.0), rng.uniform(0.9, 1.0), 1.0]) if rng.random() < 0.6 else np.ones(3, np.float32)


def dapple(rng: Rng, scene: Scene) -> None:
    """Light that falls through leaves, or the soft shadow of somebody.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    scene
        That is darkened, in place [no unit].
    """
    h, w = scene.size
    spots = clouds(rng, h // 4 + 2, w // 4 + 2, (rng.uniform(10, 60),) * 2, 2)
    spots = cv2.resize(cv2.convertScaleAbs(np.clip(spots * rng.uniform(1, 6) + rng.uniform(-1, 1), 0, 1), alpha=255), (w, h))
    darken(scene, spots, rng.uniform(0.2, 0.75), sky(rng))


def somebodys_shadow(rng: Rng, scene: Scene) -> None:
    """The shadow of a hand, a head or the phone.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    scene
        That is darkened, in place [no unit].
    """
    h, w = scene.size
    shape = np.zeros((h // 2 + 1, w // 2 + 1), np.uint8)
    at, big = rng.uniform((0, 0), (w / 2, h / 2)), rng.uniform(0.1, 0.5) * max(h, w) / 2
    if rng.random() < 0.4:
        box = cv2.boxPoints((tuple(map(float, at)), (2 * big, big), rng.uniform(0, 180)))
        cv2.fillPoly(shape, [np.int32(box)], 255)
    else:
        cv2.fillPoly(shape, [np.int32(blob(rng, at, big, 0.15))], 255)
        for _ in range(int(rng.integers(0, 5))):
            to = at + way_of(rng.uniform(0, 7)) * big * rng.uniform(1, 2)
            cv2.line(shape, tuple(map(int, at)), tuple(map(int, to)), 255, max(2, int(0.25 * big)))
    soft = float(rng.choice([rng.uniform(0.7, 3), rng.uniform(3, 25)]))
    shadow = cv2.resize(cv2.GaussianBlur(shape, (0, 0), soft), (w, h), interpolation=cv2.INTER_LINEAR)
    darken(scene, shadow, rng.uniform(0.15, 0.8), sky(rng))


def lay_leaf(rng: Rng, scene: Scene, at: np.ndarray, length: float, blur: float = 0.0, label: str = "plant") -> None:
    """A leaf with its midrib, laid down with a little shadow.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    scene
        That it is laid over, in place [no unit].
    at
        (2,) its foot [px].
    length
        Of it [px].
    blur
        Of focus, a standard deviation [px].
    label
        Its name among CLASSES [no unit].
    """
    angle, half = rng.uniform(0, 2 * np.pi), length * rng.uniform(0.12, 0.4)
    points = leaf_outline(rng, at, angle, length, half)
    h, w = scene.size
    x0, y0 = np.maximum(0, np.floor(points.min(0)).astype(int) - 8)
    x1, y1 = np.minimum((w, h), np.ceil(points.max(0)).astype(int) + 9)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return
    y, x = np.float32(np.mgrid[y0:y1, x0:x1])
    way = way_of(angle)
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
        darken(
            scene,
            shadow_of(layer, scene, rng.uniform(1, 0.1 * length + 2), rng.uniform(0.5, 5)),
            rng.uniform(0.2, 0.7),
            sky(rng),
        )
    lay(scene, layer, label, blur)


def lay_blade(rng: Rng, scene: Scene, at: np.ndarray, length: float, blur: float) -> None:
    """A blade of grass.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    scene
        That it is laid over, in place [no unit].
    at
        (2,) its foot [px].
    length
        Of it [px].
    blur
        Of focus, a standard deviation [px].
    """
    points = blade(rng, at, rng.uniform(0, 2 * np.pi), length, length * rng.uniform(0.01, 0.04))
    outline(scene, points, leaf_colour(rng), "plant", blur)


def lay_fingers(
    rng: Rng, material: Material, scene: Scene, tip: np.ndarray, came: np.ndarray, width: float, count: int
) -> None:
    """Fingers side by side.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    material
        Real pictures that may be used [no unit].
    scene
        That they are laid over, in place [no unit].
    tip
        (2,) about where they end [px].
    came
        (2,) unit vector along which they come [no unit].
    width
        Of one [px].
    count
        How many [no unit].
    """
    side = np.array([-came[1], came[0]])
    colour = skin_colour(rng)
    for number in range(count):
        at = tip + side * width * (number - (count - 1) / 2) * 1.05 - came * rng.uniform(0, 0.6) * width
        way = came + side * rng.normal(0, 0.08)
        start = out_of(scene.size, at, -way / np.hypot(*way), 20)
        if np.hypot(*(start - at)) > 9 * width:
            start = at - way * 9 * width
        layer = draw(
            rng,
            material,
            start,
            at,
            width * rng.uniform(0.85, 1.1),
            scene.light,
            scene.size,
            rounded(rng, 1.0),
            look="finger",
            colour=colour * rng.uniform(0.96, 1.04, 3),
        )
        if layer is None:
            continue
        if rng.random() < 0.8:
            darken(
                scene,
                shadow_of(layer, scene, rng.uniform(0.1, 1.0) * width, rng.uniform(0.5, 12)),
                rng.uniform(0.2, 0.8),
                sky(rng),
            )
        lay(scene, layer, "hand")


def crossing(
    rng: Rng, material: Material, scene: Scene, width: float, look: str = "bark", through: np.ndarray | None = None
) -> Layer | None:
    """A stem or rod that crosses the whole picture, now and then one that ends in a living tip; None where it is not seen.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    material
        Real pictures that may be used [no unit].
    scene
        That it is drawn for; it is not laid yet [no unit].
    width
        Of it [px].
    look
        bark or rod [no unit].
    through
        (2,) a point that it crosses; drawn where None [px].
    """
    h, w = scene.size
    through = rng.uniform((0, 0), (w, h)) if through is None else through
    way = way_of(rng.uniform(0, 2 * np.pi))
    tip = look == "bark" and rng.random() < 0.2
    start = out_of(scene.size, through, -way, 1.5 * width + 10)
    end = through if tip else out_of(scene.size, through, way, 1.5 * width + 10)
    near = rounded(rng, rng.uniform(1, 3)) if tip else None
    return draw(
        rng, material, start, end, width, scene.light, scene.size, near, look=look, lively=look == "bark", coarse=True
    )


def cast_shadow(rng: Rng, scene: Scene, layer: Layer, width: float = 10.0) -> None:
    """The shadow of a stem on the paper below it: touching it, or away from it where it is lifted.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    scene
        That is darkened, in place [no unit].
    layer
        The stem [no unit].
    width
        Of it [px].
    """
    lift = float(rng.choice([0, 0, rng.uniform(0.1, 2.5)])) * width
    reach = width * float(rng.choice([rng.uniform(0.05, 0.4), rng.uniform(0.2, 1.6)]))
    soft = float(rng.choice([rng.uniform(0.4, 1.2), rng.uniform(1, 5), rng.uniform(0.1, 0.6) * width + 1]))
    darken(scene, shadow_of(layer, scene, reach, soft, lift), rng.uniform(0.1, 0.85), sky(rng))
    if rng.random() < 0.6:  # the dark line where it touches
        darken(scene, shadow_of(layer, scene, 0.12 * width, 0.12 * width + 0.6), rng.uniform(0.1, 0.5))


def lay_rod(rng: Rng, material: Material, scene: Scene) -> None:
    """A rod, pencil, pipe or handle that the frame cuts off on both sides.

    Parameters
    ----------
    rng, material, scene
        Of the draws, real pictures that may be used, and what it is laid over, in place [no unit].
    """
    width = float(np.exp(rng.uniform(np.log(6), np.log(120))))
    layer = crossing(rng, material, scene, width, "rod")
    if layer is not None:
        if rng.random() < 0.5:
            cast_shadow(rng, scene, layer, width)
        lay(scene, layer, "rest", float(rng.choice([0, rng.uniform(0, 3)])))


def lay_wire(rng: Rng, material: Material, scene: Scene) -> None:
    """A bent wire, cable or hose from frame to frame.

    Parameters
    ----------
    rng, material, scene
        As for `lay_rod`; no real picture is used [no unit].
    """
    h, w = scene.size
    through = rng.uniform((0, 0), (w, h))
    way = way_of(rng.uniform(0, 7))
    a, b = (out_of(scene.size, through, s * way, 60) for s in (-1, 1))
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
        layer = Layer(
            x, y, cv2.GaussianBlur(bgr, (0, 0), 0.4 + 0.08 * thick)[part], alpha[part], np.zeros((hh, ww), np.uint8)
        )
        cast_shadow(rng, scene, layer, thick)
        lay(scene, layer, "rest")


def lay_writing(rng: Rng, material: Material, scene: Scene) -> None:
    """Letters and figures on whatever is there.

    Parameters
    ----------
    rng, material, scene
        As for `lay_rod`; no real picture is used [no unit].
    """
    h, w = scene.size
    alpha = np.zeros((h, w), np.uint8)
    size, x0, y0 = rng.uniform(0.5, 5), int(rng.uniform(-0.1, 0.5) * w), int(rng.uniform(0.05, 0.7) * h)
    for row in range(int(rng.integers(1, 9))):
        words = "".join(rng.choice(list("abcdefghiklmnoprstuvwxyzABEHIKLMTX 0123456789.,-/|"), int(rng.integers(4, 30))))
        font = int(rng.choice([0, 1, 2, 3, 4, 5, 6, 7]))
        cv2.putText(
            alpha,
            words,
            (x0, y0 + int(row * size * 34)),
            font,
            size,
            255,
            max(1, int(size * rng.uniform(1, 3))),
            cv2.LINE_AA,
        )
    bgr = np.empty((h, w, 3), np.uint8)
    bgr[:] = hsv(rng.uniform(0, 360), rng.uniform(0, 1), rng.choice([0.05, rng.uniform(0, 1)]))
    lay(scene, Layer(0, 0, bgr, alpha, np.zeros_like(alpha)), "rest")


def lay_face(rng: Rng, material: Material, scene: Scene) -> None:
    """Something like a face, of man or beast: a rounded patch with darker spots and a line.

    Parameters
    ----------
    rng, material, scene
        As for `lay_rod`; no real picture is used [no unit].
    """
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


def lay_board(rng: Rng, material: Material, scene: Scene) -> None:
    """A plank, box or sheet with straight sides.

    Parameters
    ----------
    rng, material, scene
        As for `lay_rod`; no real picture is used [no unit].
    """
    h, w = scene.size
    box = cv2.boxPoints(
        (
            tuple(map(float, rng.uniform((0, 0), (w, h)))),
            tuple(map(float, rng.uniform(0.05, 0.9, 2) * max(h, w))),
            rng.uniform(0, 180),
        )
    )
    surface, _ = drawn_ground(rng, h, w)
    shadow = np.zeros((h, w), np.uint8)
    cv2.fillPoly(shadow, [np.int32(box + rng.uniform(-12, 12, 2))], 255)
    darken(scene, cv2.GaussianBlur(shadow, (0, 0), rng.uniform(1, 8)), rng.uniform(0.1, 0.7), sky(rng))
    outline(scene, np.float64(box), surface, "rest", float(rng.choice([0, rng.uniform(0, 2)])))


def strew_leaves(rng: Rng, material: Material, scene: Scene) -> None:
    """Up to eleven leaves, anywhere.

    Parameters
    ----------
    rng, material, scene
        As for `lay_rod`; no real picture is used [no unit].
    """
    h, w = scene.size
    for _ in range(int(rng.integers(1, 12))):
        lay_leaf(rng, scene, rng.uniform((0, 0), (w, h)), rng.uniform(0.05, 0.5) * h)


def lay_branch(rng: Rng, material: Material, scene: Scene) -> None:
    """A living branch that crosses the picture.

    Parameters
    ----------
    rng, material, scene
        As for `lay_rod` [no unit].
    """
    width = float(np.exp(rng.uniform(np.log(6), np.log(120))))
    layer = crossing(rng, material, scene, width)
    if layer is not None:
        lay(scene, layer, "plant", float(rng.choice([0, rng.uniform(0, 4)])))


def lay_hand(rng: Rng, material: Material, scene: Scene) -> None:
    """One to four fingers, anywhere.

    Parameters
    ----------
    rng, material, scene
        As for `lay_rod` [no unit].
    """
    h, w = scene.size
    tip = rng.uniform(0.1, 0.9, 2) * (w, h)
    lay_fingers(
        rng, material, scene, tip, way_of(rng.uniform(0, 7)), rng.uniform(0.05, 0.2) * min(h, w), int(rng.integers(1, 5))
    )
