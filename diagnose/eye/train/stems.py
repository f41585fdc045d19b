"""How does a stem look from its body to its severed end, and which of its pixels are bark and which are bare wood?

A stem is drawn lying along a canvas finer than the picture, from tables over the position across it (v from -1 to 1 from
side to side), then turned, shrunk and laid into the picture. Fingers, rods and leaf stalks are drawn by the same hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from diagnose.eye.train.material import Material
from diagnose.eye.train.shown import ShownEnd
from diagnose.eye.train.skins import worn
from diagnose.eye.train.surfaces import Rng, along, bark_tile, clouds, recolour, skin_colour, wood_colour, wood_grain

_N = 256  # entries of a table over v
_V = np.linspace(-1, 1, _N, dtype=np.float32)
_C = np.sqrt(1 - _V**2)


@dataclass(frozen=True)
class Light:
    """From where light comes.

    Parameters
    ----------
    to
        (3,) unit vector to the light (right, down, to the viewer) [no unit].
    ambient
        Share that comes from all around, 0 to 1 [no unit].
    """

    to: np.ndarray
    ambient: float


@dataclass(frozen=True)
class Cut:
    """How a stem ends, as tables over the position across it.

    Parameters
    ----------
    rim, wood
        Where its outline ends, and where bare wood begins, along the stem [radii].
    face
        Slope and opening of a flat face; None without one [no unit].
    flat
        Where across the wood seen is that face [no unit].
    fibres, strips
        Thin (v, length, sway, thickness) beyond the rim, and torn bark (v, width, length, sway) [radii].
    form
        Of FORMS, or None where nothing severed it [no unit].
    """

    rim: np.ndarray
    wood: np.ndarray
    face: tuple[float, float] | None = None
    flat: np.ndarray | None = None
    fibres: tuple[tuple[float, float, float, float], ...] = ()
    strips: tuple[tuple[float, float, float, float], ...] = ()
    form: str | None = None


@dataclass(frozen=True)
class Layer:
    """Something to lay into a picture.

    Parameters
    ----------
    x, y
        Its upper left corner [px].
    bgr
        (h, w, 3) uint8 blue, green, red [0 to 255].
    alpha, wood
        (h, w) uint8 cover, and the wood's share of it [0 to 255].
    ends, axis
        Severed ends on it, and (n, 3) axis x, y and radius, from start to end [px].
    """

    x: int
    y: int
    bgr: np.ndarray
    alpha: np.ndarray
    wood: np.ndarray
    ends: tuple[ShownEnd, ...] = ()
    axis: np.ndarray | None = None  # (n, 3) axis x, y and radius in the picture [px], from start to end


def severed(rng: Rng, form: str) -> Cut:
    """A severed end.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    form
        Of FORMS [no unit].

    Returns
    -------
    Cut
        Lengths in radii of the stem.
    """
    slope = float(
        rng.choice([-1, 1]) * np.tan(np.radians(rng.choice([rng.uniform(0, 12), rng.uniform(5, 50), rng.uniform(35, 65)])))
    )
    opening = float(rng.choice([rng.normal(0, 0.12), rng.uniform(-1, 1), rng.uniform(0, 1.3)]))
    rough = rng.choice([0.01, 0.03, 0.06]) * along(rng, _N, rng.uniform(12, 80), 3)
    middle = slope * _V + rough
    rim = middle + abs(opening) * _C
    wood = middle - opening * _C if opening > 0 else np.full(_N, 99, np.float32)
    flat = np.ones(_N, bool)
    if form == "clean":
        if opening <= 0 and rng.random() < 0.4:  # a pale line where the wood stands a little out of the bark
            wood = rim - rng.uniform(0.02, 0.15)
        return Cut(rim, wood, (slope, opening), flat, form=form)
    if form == "half":
        share = rng.uniform(0.25, 0.75)
        torn = 1 - 2 * share < _V
        length = rng.choice([-1, 1], p=[0.25, 0.75]) * rng.uniform(0.35, 2.2)
        ragged = length * (0.6 + 0.4 * rng.random()) * np.clip((_V - (1 - 2 * share)) / rng.uniform(0.1, 0.7), 0, 1)
        ragged = ragged + rng.uniform(0.05, 0.3) * along(rng, _N, rng.uniform(8, 40), 4)
        rim = np.where(torn, np.maximum(rim + ragged, -2.5), rim)
        bared = rng.uniform(0.1, 1.8) * np.clip(1 + 0.6 * along(rng, _N, 60, 3), 0, 3)
        wood = np.where(torn, rim - bared - max(0.0, length) * rng.uniform(0.2, 1.1), wood)
        flat = ~torn
        if rng.random() < 0.5:
            rim, wood, flat, middle = rim[::-1], wood[::-1], flat[::-1], middle[::-1]
            slope = -slope
        face = (slope, opening)
    else:
        reach = float(rng.choice([rng.uniform(0.25, 0.8), rng.uniform(0.6, 2.2)]))
        spikes = np.abs(along(rng, _N, rng.uniform(14, 70), 3, 0.7)) ** rng.uniform(0.7, 1.6)
        rim = reach * (spikes + 0.5 * along(rng, _N, 100, 2) + 0.15 * along(rng, _N, 6, 2)) + 0.6 * slope * _V
        rim = np.clip(rim - rim.mean(), -2.2, 3.2)
        bared = rng.uniform(0.1, 2.2) * np.clip(0.7 + 0.7 * along(rng, _N, rng.uniform(25, 90), 3), 0.02, 3)
        wood = rim - bared
        face = None
    fibres = tuple(
        (rng.uniform(-0.95, 0.95), rng.uniform(0.2, 1.6), rng.normal(0, 0.4), rng.uniform(0.008, 0.06))
        for _ in range(int(rng.choice([0, 3, 10, 25])))
    )
    strips = tuple(
        (rng.choice([-1, 1]) * rng.uniform(0.4, 0.9), rng.uniform(0.15, 0.5), rng.uniform(0.4, 2.2), rng.normal(0, 0.8))
        for _ in range(int(rng.choice([0, 0, 1, 2])))
    )
    return Cut(np.float32(rim), np.float32(wood), face, flat, fibres, strips, form)


def rounded(rng: Rng, length: float = 1.0) -> Cut:
    """A finger's tip, a bud or a twig's living point: an outline that closes without wood.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    length
        How far it stands out [radii].
    """
    return Cut(np.float32(length * _C ** rng.uniform(0.8, 1.2)), np.full(_N, 99, np.float32))


def draw(
    rng: Rng,
    material: Material,
    start: np.ndarray,
    end: np.ndarray,
    width: float,
    light: Light,
    size: tuple[int, int],
    near: Cut | None = None,
    far: Cut | None = None,
    look: str = "bark",
    lively: bool = True,
    colour: np.ndarray | None = None,
    coarse: bool = False,
) -> Layer | None:
    """A stem in a picture; None where it is not seen.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    material
        Real pictures that may be used [no unit].
    start, end
        (2,) x and y of its ends [px].
    width
        At its end [px].
    light
        From where, and how much from all around [no unit].
    size
        Rows and columns of the picture [px].
    near, far
        How it is severed at `end` and at `start`; None where it goes on [radii].
    look
        bark, rod or finger [no unit].
    lively
        Does it bend, taper, swell and bear buds? [no unit]
    colour
        (3,) its blue, green, red [0 to 255]; drawn where None.
    coarse
        Drawn in haste, for what stands behind? [no unit]
    """
    start, end, width = np.float64(start), np.float64(end), float(width)
    span = float(np.hypot(*(end - start)))
    if span < 4:
        return None
    fine = float(np.clip(110 / width, 1.25, 1.4 if coarse else 2.1))
    fine = min(fine, max(1.0, np.sqrt((0.4e6 if coarse else 0.8e6) / (span * (2 * width + 0.15 * span)))))
    length, D = span * fine, width * fine
    R = D / 2
    left, right = (0 if cut is None else int(R * _reach(cut)) + 4 for cut in (far, near))
    n = int(length) + left + right
    x = np.arange(n, dtype=np.float32)
    xs, xe = float(left), left + length
    real = None
    plants = [one for one in material.stems if one.plant == (look == "bark")]
    if look != "finger" and plants and rng.random() < (0.3 if look == "bark" else 0.5):
        real = plants[rng.integers(len(plants))]
    middle, radius, at_real = _shape(rng, x, xs, xe, D, look, lively, real)
    room = int(np.abs(middle).max() + radius.max() + (1.2 * D if near or far else 3) + (0.4 * D if lively else 0)) + 3
    m = 2 * room
    V = (np.arange(m, dtype=np.float32)[:, None] - room - middle) / radius
    index = np.clip((V + 1) * (_N / 2 - 0.5), 0, _N - 1).astype(np.uint8)
    alpha = np.clip((1 - np.abs(V)) * radius + 0.5, 0, 1)
    if real is not None:
        strip = real.strip if rng.random() < 0.5 else real.strip[::-1]
        rows = np.interp(_V, (-0.97, 0.97), (0, strip.shape[0] - 1)).astype(np.float32)
        bgr = cv2.remap(strip, at_real[None].repeat(m, 0), rows.take(index), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        if colour is not None or rng.random() < 0.5:
            bgr = recolour(rng, bgr, colour)
        shade = 1 + 0.25 * rng.uniform(-1, 1) * _V
        gloss = np.zeros(_N, np.float32)
    else:
        steps = max(8, int(n / max(1.0, R / 24)))
        tile = _tile(rng, material, steps, D * steps / n, look, colour)
        rows = np.float32(np.arcsin(_V) / np.pi * 96 + 96)
        bgr = cv2.remap(
            np.clip(tile, 0, 255).astype(np.uint8),
            (x * (steps / n))[None].repeat(m, 0),
            rows.take(index),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
        shade, gloss = _shading(rng, start, end, light)
    dim = cv2.LUT(index, np.clip(170 * shade, 0, 255).astype(np.uint8))
    bgr = cv2.multiply(bgr, cv2.merge([dim, dim, dim]), scale=1 / 170)
    if gloss.any():
        shine = np.uint8(np.clip(gloss.take(index) * (0.7 + 0.3 * along(rng, n, 0.7 * D, 3)).clip(0, 2), 0, 255))
        bgr = cv2.add(bgr, cv2.merge([shine, shine, shine]))
    wood = np.zeros((m, n), np.float32)
    canvas = [bgr, alpha, wood]
    if lively and look == "bark" and width > 6:
        _buds(rng, canvas, x, middle + room, radius, D, xs, xe)
    shown = []
    turn = (end - start) / span
    M = np.array([[turn[0], -turn[1]], [turn[1], turn[0]]]) / fine
    M = np.column_stack([M, start - M @ (xs, room)])
    for cut, at_x, way in ((near, xe, 1), (far, xs, -1)):
        if cut is None:
            continue
        _sever(rng, canvas, cut, at_x, way, middle, room, radius, V, index, material, look)
        if cut.form is not None:
            shown.append(_shown(cut, at_x, way, middle + room, radius, M, fine))
    pick = np.linspace(0, n - 1, 40).astype(int)
    axis = np.column_stack([M @ np.vstack([x[pick], (middle + room)[pick], np.ones(40)])]).T
    axis = np.column_stack([axis, radius[pick] / fine])
    return _laid(bgr, cv2.merge([np.uint8(part * 255 + 0.5) for part in (alpha, wood)]), M, fine, size, tuple(shown), axis)


def _reach(cut: Cut) -> float:
    longest = max([0.0] + [fibre[1] for fibre in cut.fibres] + [strip[2] for strip in cut.strips])
    return max(0.3, float(cut.rim.max())) + longest


def _shape(rng, x, xs, xe, D, look, lively, real):
    """The axis' offset, the radius and, for a real stem, the column of its strip, each over the canvas' columns."""
    R, n = D / 2, len(x)
    below = np.clip((xe - x) / D, 0, None)  # widths below the end
    if real is not None:
        first = rng.uniform(0, max(0.0, real.length - below[0]))
        fold = np.abs((first + below) % (2 * real.length) - real.length)
        column = np.float32(fold / real.length * (real.strip.shape[1] - 1))
        steps = np.arange(len(real.half))
        half = np.interp(column, steps, real.half)
        middle = np.interp(column, steps, real.middle) * D * (1.0 if real.plant else 0.0)
        radius = np.float32(R * half / half[np.argmin(np.abs(x - xe))])
        radius = np.clip(radius, 0.6 * R, 2.2 * R)
    else:
        column = None
        middle = np.zeros(n, np.float32)
        taper = (
            0.0
            if look == "rod"
            else float(rng.choice([0, rng.uniform(0, 0.02), rng.uniform(0, 0.06), rng.uniform(-0.015, 0)]))
        )
        radius = R * np.clip(1 + taper * below, 0.5, 1.9)
    t = np.clip((x - xs) / (xe - xs), 0, 1)
    if lively and look == "bark":
        middle = middle + (xe - xs) * float(rng.choice([0, rng.normal(0, 0.03), rng.normal(0, 0.08)])) * 4 * t * (1 - t)
        middle = middle + D * float(rng.choice([0, 0.04, 0.12])) * along(rng, n, rng.uniform(3, 14) * D, 2)
        if real is None:
            radius = radius * (1 + float(rng.choice([0.0, 0.01, 0.04])) * along(rng, n, rng.uniform(0.5, 3) * D, 3))
            for _ in range(int(rng.choice([0, 0, 1, 2, 4]))):  # nodes
                node, height = rng.uniform(xs, xe), rng.uniform(0.05, 0.45)
                radius = radius + R * height * np.exp(-(((x - node) / (rng.uniform(0.2, 0.7) * D)) ** 2))
    elif look == "finger":
        middle = middle + (xe - xs) * rng.normal(0, 0.04) * 4 * t * (1 - t)
        for knuckle in (1.4, 2.9):
            radius = radius * (1 + 0.08 * np.exp(-(((below - knuckle) / 0.4) ** 2)))
    ends = np.interp((xs, xe), x, middle)
    return np.float32(middle - np.interp(x, (xs, xe), ends)), np.float32(radius), column


def _tile(rng, material, steps, width, look, colour):
    if look == "bark":
        tile = bark_tile(rng, steps, material, width)
        return worn(rng, tile, width) if colour is None else recolour(rng, tile, colour, 0.8)
    base = (skin_colour(rng) if look == "finger" else np.float32(rng.uniform(10, 255, 3))) if colour is None else colour
    tone = 1 + (0.06 if look == "finger" else 0.02) * clouds(rng, 192, steps, (40, 0.6 * width), 4)
    if look == "finger":
        for knuckle in (1.4, 2.9):
            crease = np.exp(-((((np.arange(steps) - steps) / width + knuckle) / 0.06) ** 2))
            tone = tone * (1 - 0.15 * crease * (1 + 0.5 * along(rng, steps, 0.1 * width, 1)))
    elif rng.random() < 0.3:
        tone = tone * (1 + 0.3 * np.sign(np.sin(np.arange(steps) * 2 * np.pi / (width * rng.uniform(0.1, 1)))))
    return np.float32(base * tone[..., None])


def _shading(rng, start, end, light):
    """Brightness and gloss over v."""
    turn = (end - start) / np.hypot(*(end - start))
    across = float(light.to[1] * turn[0] - light.to[0] * turn[1])
    lambert = np.clip(_V * across + _C * max(float(light.to[2]), 0.05), 0, None)
    lambert = lambert / max(0.3, float(lambert.max()))
    shade = (light.ambient + (1 - light.ambient) * lambert) * (1 - rng.uniform(0, 0.35) * (1 - _C) ** 2)
    gloss = np.zeros(_N, np.float32)
    if rng.random() < 0.3:
        gloss = rng.uniform(15, 110) * np.exp(-(((_V - 0.6 * across) / rng.uniform(0.08, 0.3)) ** 2))
    if rng.random() < 0.1:  # the background's light creeps round the sides
        gloss = gloss + rng.uniform(30, 120) * np.abs(_V) ** 6
    return shade, np.float32(gloss)


def _buds(rng, canvas, x, middle, radius, D, xs, xe):
    bgr, alpha, _ = canvas
    D = D * min(1.0, 90 * D / max(1.0, D * D))  # a thick stem's buds are no thicker for it
    for _ in range(int(rng.choice([0, 0, 1, 2, 5]))):
        at = int(rng.uniform(xs, max(xs + 1, xe - 0.5 * D)))
        side = rng.choice([-1, 1])
        out = rng.choice([rng.uniform(0.75, 0.95), rng.uniform(0, 0.8)])
        foot = np.array([at, middle[at] + side * out * radius[at]])
        long, half = D * rng.uniform(0.2, 0.7), D * rng.uniform(0.07, 0.2)
        tilt = side * rng.uniform(0.1, 1.1) * (0.3 + 0.7 * (out > 0.75))
        t = np.linspace(0, 1, 9)
        shape = np.column_stack([t * long, half * np.sin(np.pi * t**0.7)])
        shape = np.vstack([shape, (shape * (1, -1))[::-1]])
        c, s = np.cos(tilt), np.sin(tilt)
        points = [np.int32((foot + shape @ np.array([[c, s], [-s, c]])) * 16)]
        y0 = int(np.clip(middle[at], 0, bgr.shape[0] - 1))
        colour = np.clip(bgr[y0, at] * rng.uniform(0.5, 1.4), 0, 255) * rng.uniform(0.85, 1.15, 3)
        cv2.fillPoly(bgr, points, colour.tolist(), cv2.LINE_8, 4)
        cv2.fillPoly(alpha, points, 1.0, cv2.LINE_8, 4)


def _sever(rng, canvas, cut, at, way, middle, room, radius, V, index, material, look):
    """End the canvas' stem at column `at`; way 1 where it ends to the right, -1 to the left."""
    bgr, alpha, wood = canvas
    m, n = alpha.shape
    spot = int(np.clip(at, 0, n - 1))
    R = float(radius[int(np.clip(at - way * radius[spot], 0, n - 1))])
    deep = R * (4.6 + abs(cut.face[0]) + abs(cut.face[1]) if cut.face else 5.5)
    a, b = (max(0, int(at - deep)), n) if way > 0 else (0, min(n, int(at + deep)))
    if b - a < 2:
        return
    x = np.arange(a, b, dtype=np.float32)
    ix = index[:, a:b]
    u = (x - np.float32(at)) * np.float32(way / R)  # radii beyond the end
    rim, bare = np.float32(cut.rim).take(ix), np.float32(cut.wood).take(ix)
    inside = np.clip((rim - u) * R + 0.5, 0, 1)
    alpha[:, a:b] *= inside
    share = np.clip((u - bare) * R + 0.5, 0, 1)
    if cut.form is not None:
        tone = np.float32(1 - 0.3 * np.abs(_V) ** 3) * np.float32(rng.uniform(0.75, 1.2))
        grain = wood_grain(rng, m, b - a, 2 * R, material)
        if cut.form != "clean":
            gaps = np.clip(1 + rng.uniform(0.1, 0.35) * clouds(rng, m, b - a, (0.3 * R, 2.5 * R), 3, 0.8), 0.25, 1.4)
            grain *= (gaps * tone.take(ix))[..., None]
        if cut.face is not None and cut.flat is not None and cut.face[1] > 0.02:
            face = _face(rng, V[:, a:b], u, cut.face, R, grain.reshape(-1, 3).mean(0))
            grain = np.where(cut.flat.take(ix)[..., None], face, grain)
        line = np.exp(-(((u - bare) * R / max(1.0, 0.05 * R)) ** 2)) * rng.uniform(0, 0.5)
        zone = bgr[:, a:b] * (1 - share[..., None]) + grain * share[..., None]
        bgr[:, a:b] = np.clip(zone * (1 - line[..., None]), 0, 255)
        wood[:, a:b] = np.maximum(wood[:, a:b], share)
        _loose(rng, canvas, cut, at, way, middle + room, R, grain.reshape(-1, 3).mean(0))
    elif look == "finger" and rng.random() < 0.5:
        nail = ((V[:, a:b] / 0.62) ** 2 + ((u - 0.35) / 0.55) ** 2) < 1
        bgr[:, a:b][nail] = np.uint8(bgr[:, a:b][nail] * 0.8 + 45)


def _face(rng, V, u, face, R, base):
    """A flat cut seen at `face` (slope, opening): rings, rays, pith and a rim of bark."""
    slope, opening = face
    q = (u - slope * V) / max(opening, 0.08)
    rho = np.sqrt(V * V + q * q)
    fresh = np.float32(wood_colour(rng))
    base = base if rng.random() < 0.5 else fresh
    tone = 1 + rng.uniform(0, 0.08) * np.sin(rho * rng.uniform(8, 45) + rng.uniform(0, 6))
    if rng.random() < 0.4:
        tone += rng.uniform(0.02, 0.08) * np.sin(np.arctan2(q, V) * int(rng.uniform(12, 50)))
    if rng.random() < 0.4:  # grooves of teeth or of a blade
        way = rng.uniform(0, np.pi)
        tone += rng.uniform(0.04, 0.2) * np.sin((V * np.cos(way) + q * np.sin(way)) * rng.uniform(8, 40))
    tone += 0.05 * clouds(rng, rho.shape[0], rho.shape[1], (0.5 * R, 0.5 * R), 3)
    colour = base * (tone * rng.uniform(0.7, 1.25))[..., None]
    if rng.random() < 0.6:
        pith = np.clip((rng.uniform(0.06, 0.3) - rho) * R / 1.5, 0, 1)[..., None]
        colour = colour * (1 - pith) + pith * base * rng.choice([0.45, 0.75, 1.2])
    if rng.random() < 0.7:
        edge = np.clip((rho - rng.uniform(0.82, 0.96)) * R / 1.5, 0, 1)[..., None]
        rind = base * np.float32(rng.choice([[0.7, 0.95, 0.75], [0.45, 0.55, 0.65], [0.9, 1.05, 0.95]], axis=0))
        colour = colour * (1 - edge) + edge * rind
    return np.float32(colour)


def _loose(rng, canvas, cut, at, way, middle, R, base):
    """Fibres of wood and strips of bark that stand out beyond a torn rim."""
    bgr, alpha, wood = canvas
    n = len(middle)
    foot_y = middle[int(np.clip(at - way * R, 0, n - 1))]
    for v, width, long, sway in cut.strips:
        root = float(cut.rim[int((v + 1) * 127)]) - 0.4
        t = np.linspace(0, 1, 8)
        spine_x = at + way * R * (root + (long + 0.4) * t)
        spine_y = foot_y + R * (v + sway * t**2)
        half = R * width * 0.5 * (1 - 0.7 * t)
        points = [
            np.int32(
                np.vstack([np.column_stack([spine_x, spine_y - half]), np.column_stack([spine_x, spine_y + half])[::-1]])
                * 16
            )
        ]
        x0 = int(np.clip(at - way * 3 * R, 0, n - 1))
        colour = bgr[int(np.clip(middle[x0], 0, bgr.shape[0] - 1)), x0] * rng.uniform(0.5, 1.3)
        cv2.fillPoly(bgr, points, colour.tolist(), cv2.LINE_8, 4)
        cv2.fillPoly(alpha, points, 1.0, cv2.LINE_8, 4)
        cv2.fillPoly(wood, points, 0.0, cv2.LINE_8, 4)
    for v, long, sway, thick in cut.fibres:
        root = float(cut.rim[int((v + 1) * 127)]) - rng.uniform(0.1, 0.8)
        t = np.linspace(0, 1, 6)
        spine = np.column_stack([at + way * R * (root + long * t), foot_y + R * (v + sway * t**2)])
        line, weight = [np.int32(spine * 16)], max(1, round(2 * thick * R))
        colour = np.clip(base * rng.uniform(0.6, 1.3), 0, 255)
        cv2.polylines(bgr, line, False, colour.tolist(), weight + 2, cv2.LINE_8, 4)
        cv2.polylines(alpha, line, False, 1.0, weight, cv2.LINE_8, 4)
        cv2.polylines(wood, line, False, 1.0, weight + 2, cv2.LINE_8, 4)


def _shown(cut, at, way, middle, radius, M, fine):
    n = len(middle)
    R = float(radius[int(np.clip(at - way * radius[int(np.clip(at, 0, n - 1))], 0, n - 1))])
    inner = slice(26, 230)
    shift = 0.0 if cut.face is not None else float((0.5 * (cut.rim + np.maximum(cut.wood, cut.rim - 0.6)))[inner].mean())
    column = at + way * R * shift
    step = 1.0 * R
    ys = np.interp([column, column - way * step], np.arange(n), middle)
    place = M @ (column, ys[0], 1)
    way_out = M[:, :2] @ (way * step, ys[0] - ys[1])
    below = float(np.interp(column - way * 2 * R, np.arange(n), radius))
    return ShownEnd(place, way_out / np.hypot(*way_out), 2 * below / fine, cut.form)


def _laid(bgr, both, M, fine, size, ends, axis):
    """Turn and shrink a canvas into the part of the picture it covers."""
    h, w = size
    m, n = bgr.shape[:2]
    corners = M @ np.array([[0, n, n, 0], [0, 0, m, m], [1, 1, 1, 1]])
    x0, y0 = np.maximum(0, np.floor(corners.min(1)).astype(int) - 2)
    x1, y1 = np.minimum((w, h), np.ceil(corners.max(1)).astype(int) + 3)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    if fine > 1.1:
        blur = 0.42 * np.sqrt(fine**2 - 1)
        bgr, both = cv2.GaussianBlur(bgr, (5, 5), blur), cv2.GaussianBlur(both, (5, 5), blur)
    shift = M.copy()
    shift[:, 2] -= x0, y0
    to = (int(x1 - x0), int(y1 - y0))
    bgr = cv2.warpAffine(bgr, shift, to, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    both = cv2.warpAffine(both, shift, to, flags=cv2.INTER_LINEAR)
    return Layer(int(x0), int(y0), bgr, both[..., 0], both[..., 1], ends, axis)


def dimmed(layer: Layer, gain: np.ndarray | float) -> Layer:
    """The same under another light.

    Parameters
    ----------
    layer
        The thing [no unit].
    gain
        Factor on its colour, one or an array that goes with it [no unit].
    """
    return replace(layer, bgr=np.clip(layer.bgr * np.float32(gain), 0, 255).astype(np.uint8))
