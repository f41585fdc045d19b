"""What do bark, wood, leaves, skin and ground look like from near, at random?

All colours are BGR in [0, 255] as a screen shows them; all patterns are float32 about 0 with deviation about 1.
"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.eye.train.material import Material, picture

Rng = np.random.Generator


def clouds(rng: Rng, h: int, w: int, cell: tuple[float, float], octaves: int = 3, fall: float = 0.6) -> np.ndarray:
    """Noise with lumps, (h, w) float32 about 0 with a deviation of about 1; each octave halves them.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    h, w
        Rows and columns [px].
    cell
        Size of the largest lumps, down and to the right [px].
    octaves
        How many sizes of lumps [no unit].
    fall
        By which each octave is weaker than the one before [no unit].
    """
    total, power = np.zeros((h, w), np.float32), 0.0
    for octave in range(octaves):
        rows, columns = (int(np.clip(n * 2**octave / c + 2, 2, n + 1)) for n, c in zip((h, w), cell, strict=True))
        grid = rng.standard_normal((rows, columns), np.float32)
        total += fall**octave * cv2.resize(grid, (w, h), interpolation=cv2.INTER_LINEAR if octave else cv2.INTER_CUBIC)
        power += fall ** (2 * octave)
    return total * np.float32(1.6 / np.sqrt(power))


def along(rng: Rng, n: int, cell: float, octaves: int = 3, fall: float = 0.6) -> np.ndarray:
    """Noise along a line, (n,) float32 about 0 with a deviation of about 1.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    n
        How many steps [no unit].
    cell
        Length of the largest lumps [steps].
    octaves, fall
        As for `clouds` [no unit].
    """
    return clouds(rng, 1, n, (1, cell), octaves, fall)[0]


def hsv(h: float, s: float, v: float) -> np.ndarray:
    """A colour, (3,) blue, green, red [0 to 255].

    Parameters
    ----------
    h
        Hue [degree].
    s, v
        Saturation and value, 0 to 1 [no unit].
    """
    colour = np.float32([[[h % 360, np.clip(s, 0, 1), np.clip(v, 0, 1)]]])
    return cv2.cvtColor(colour, cv2.COLOR_HSV2BGR)[0, 0] * 255


def _one_of(rng: Rng, kinds: list[tuple[float, tuple, tuple, tuple]]) -> np.ndarray:
    weights = np.array([kind[0] for kind in kinds])
    _, *spans = kinds[rng.choice(len(kinds), p=weights / weights.sum())]
    return hsv(*(rng.uniform(*span) for span in spans))


def bark_colour(rng: Rng) -> np.ndarray:
    """(3,) BGR [0 to 255] of some bark: brown, grey, green, red, yellowish, nearly white, nearly black, or any colour.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    """
    return _one_of(
        rng,
        [
            (5, (10, 35), (0.2, 0.6), (0.2, 0.65)),
            (4, (15, 60), (0.02, 0.2), (0.25, 0.75)),
            (4, (55, 110), (0.2, 0.7), (0.25, 0.7)),
            (2, (-12, 12), (0.3, 0.8), (0.2, 0.6)),
            (1.5, (30, 50), (0.3, 0.8), (0.5, 0.85)),
            (3, (20, 70), (0.0, 0.18), (0.75, 1.0)),
            (1, (0, 360), (0.0, 0.4), (0.05, 0.2)),
            (1, (0, 360), (0.0, 0.9), (0.2, 0.9)),
        ],
    )


def wood_colour(rng: Rng) -> np.ndarray:
    """(3,) BGR [0 to 255] of bare wood: fresh and pale, greenish, reddish, weathered grey or brown.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    """
    return _one_of(
        rng,
        [
            (6, (30, 50), (0.1, 0.45), (0.75, 1.0)),
            (2, (55, 85), (0.15, 0.45), (0.7, 0.95)),
            (2, (15, 32), (0.25, 0.6), (0.5, 0.85)),
            (1.5, (20, 50), (0.02, 0.15), (0.4, 0.75)),
            (1, (15, 35), (0.3, 0.6), (0.25, 0.5)),
        ],
    )


def leaf_colour(rng: Rng) -> np.ndarray:
    """(3,) BGR [0 to 255] of a living or dry leaf or blade.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    """
    return _one_of(
        rng,
        [
            (6, (65, 125), (0.35, 0.9), (0.25, 0.8)),
            (2, (15, 45), (0.3, 0.8), (0.3, 0.75)),
            (1, (-10, 15), (0.4, 0.8), (0.3, 0.7)),
            (1, (35, 60), (0.3, 0.7), (0.6, 0.95)),
        ],
    )


def skin_colour(rng: Rng) -> np.ndarray:
    """(3,) BGR [0 to 255] of a hand, sometimes gloved.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    """
    if rng.random() < 0.1:
        return hsv(rng.uniform(0, 360), rng.uniform(0, 0.8), rng.uniform(0.1, 0.9))
    return hsv(rng.uniform(8, 26), rng.uniform(0.25, 0.6), rng.uniform(0.3, 0.95))


def recolour(rng: Rng, bgr: np.ndarray, mean: np.ndarray | None = None, contrast: float | None = None) -> np.ndarray:
    """A texture moved to another mean colour, its pattern kept; of the same type.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    bgr
        (h, w, 3) blue, green, red [0 to 255].
    mean
        (3,) the new mean; drawn bark where None [0 to 255].
    contrast
        Factor on the pattern; drawn where None [no unit].
    """
    old = np.array(cv2.mean(bgr)[:3])
    new = bark_colour(rng) if mean is None else np.float64(mean)
    gain = (contrast if contrast is not None else rng.uniform(0.4, 1.3)) / max(40.0, float(old.mean()))
    grey = rng.uniform(0, 1)
    mix = new[:, None] * gain * ((1 - grey) * np.eye(3) + grey / 3)
    return cv2.transform(bgr, np.column_stack([mix, new - mix @ old]))


def bark_tile(rng: Rng, n: int, material: Material, width: float) -> np.ndarray:
    """Bark unrolled, (192, n, 3) uint8 or float32, once round downwards and along to the right [0 to 255].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    n
        How long it is [px].
    material
        Real textures that may be used [no unit].
    width
        Of the stem [px].
    """
    if material.barks and rng.random() < 0.45:
        real = material.barks[rng.integers(len(material.barks))]
        real = real if rng.random() < 0.3 else cv2.rotate(real, cv2.ROTATE_90_CLOCKWISE)
        h, w = real.shape[:2]
        part = min(h, int(rng.uniform(0.25, 1.0) * h))
        y0 = rng.integers(h - part + 1)
        real = real[y0 : y0 + part]
        scale = 192 / part
        real = cv2.resize(real, (max(8, int(w * scale)), 192), interpolation=cv2.INTER_AREA)
        reps = -(-n // (2 * real.shape[1]))
        tile = np.concatenate([np.concatenate([real, real[:, ::-1]], 1)] * reps, 1)[:, :n]
        return tile if rng.random() < 0.35 else recolour(rng, tile)
    base = bark_colour(rng)
    other = bark_colour(rng) if rng.random() < 0.35 else base * rng.uniform(0.6, 1.4)
    lump = width * rng.uniform(0.15, 3)
    ratio = float(np.exp(rng.uniform(-1.2, 2.2)))  # grain along the stem or rings round it
    tone = clouds(rng, 192, n, (max(6, 60 / ratio), max(3, lump * min(ratio, 3))), 3)
    blend = np.clip(0.5 + 0.35 * clouds(rng, 192, n, (50, 1.5 * width), 2) + rng.uniform(-0.6, 0.3), 0, 1)[..., None]
    tile = base * (1 - blend) + other * blend
    tile = tile * (1 + np.float32(rng.choice([0.02, 0.06, 0.12, 0.2])) * tone[..., None])
    if rng.random() < 0.35:  # lenticels: small pale or dark dashes
        for _ in range(min(250, int(rng.uniform(2, 12) * n / max(width, 6)))):
            x, y = rng.uniform(0, n), rng.uniform(0, 192)
            size = rng.uniform(0.02, 0.09) * width
            colour = np.clip(base * rng.choice([0.5, 1.5]), 0, 255)
            long_way = rng.random() < 0.5
            axes = (max(0.6, size * (1 + 1.5 * long_way)), max(1.0, 60 * size / width * (2.5 - 1.5 * long_way)))
            cv2.ellipse(tile, ((x, y), (2 * axes[0], 2 * axes[1]), 0), tuple(map(float, colour)), -1)
    if rng.random() < 0.25:  # fissures
        crack = np.abs(clouds(rng, 192, n, (20, width * rng.uniform(0.5, 2)), 2))
        tile *= 1 - rng.uniform(0.2, 0.7) * np.float32(np.exp(-((crack / 0.12) ** 2)))[..., None]
    if rng.random() < 0.15:  # lichen
        spots = clouds(rng, 192, n, (25, 0.5 * width), 3) > rng.uniform(1.2, 2)
        tile[spots] = 0.3 * tile[spots] + 0.7 * hsv(rng.uniform(40, 140), rng.uniform(0.05, 0.4), rng.uniform(0.5, 0.9))
    return np.float32(tile)


def wood_grain(rng: Rng, h: int, w: int, width: float, material: Material) -> np.ndarray:
    """Wood laid bare, its fibres to the right, (h, w, 3) float32 [0 to 255].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    h, w
        Rows and columns [px].
    width
        Of the stem [px].
    material
        Real textures that may be used [no unit].
    """
    base = wood_colour(rng)
    streaks = clouds(rng, h, w, (max(1.5, width * rng.uniform(0.04, 0.2)), width * rng.uniform(1.5, 4)), 3, 0.8)
    patch = clouds(rng, h, w, (0.6 * width, 1.2 * width), 2)
    tone = 1 + rng.uniform(0.03, 0.16) * streaks + rng.uniform(0, 0.1) * patch
    wood = base * tone[..., None]
    if material.woods and rng.random() < 0.3:
        real = material.woods[rng.integers(len(material.woods))]
        real = cv2.resize(real, (w, h), interpolation=cv2.INTER_AREA if real.shape[0] > h else cv2.INTER_LINEAR)
        wood = 0.5 * wood + 0.5 * recolour(rng, real, base, 1.0)
    if rng.random() < 0.3:  # stained by sap or weather
        stain = np.clip(0.6 * patch + rng.uniform(-0.5, 0.5), 0, 1)[..., None]
        wood = wood * (1 - stain) + stain * wood * np.float32(bark_colour(rng) / 150).clip(0.2, 1.1)
    return np.float32(wood)


def drawn_ground(rng: Rng, h: int, w: int) -> tuple[np.ndarray, str]:
    """A drawn ground, (h, w, 3) uint8 or float32 [0 to 255], and its kind.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    h, w
        Rows and columns [px].
    """
    kind = str(rng.choice(["plain", "lumps", "stripes", "leaves", "grass", "planks", "pebbles", "bokeh"]))
    base = (
        hsv(rng.uniform(0, 360), rng.uniform(0, 0.25), rng.uniform(0.1, 1))
        if rng.random() < 0.3
        else (leaf_colour(rng) if rng.random() < 0.4 else bark_colour(rng))
    )
    small = (max(2, h // 2), max(2, w // 2))
    slope = np.float32(np.linspace(-1, 1, small[0]))[:, None] * rng.uniform(-0.4, 0.4)
    slope = slope + np.float32(np.linspace(-1, 1, small[1]))[None] * rng.uniform(-0.4, 0.4)
    tone = 1 + slope
    if kind != "plain":
        tone = tone + rng.uniform(0.05, 0.3) * clouds(rng, *small, (rng.uniform(4, 150),) * 2, 4, rng.uniform(0.5, 0.9))
    ground = cv2.resize(np.float32(base * tone[..., None]), (w, h))
    if kind in ("lumps", "pebbles", "leaves", "bokeh"):
        other = leaf_colour(rng) if kind == "leaves" else bark_colour(rng)
        share = clouds(rng, *small, (rng.uniform(20, 120),) * 2, 4, 0.7)
        share = cv2.resize(np.clip(share * rng.uniform(0.5, 3) + 0.3, 0, 1), (w, h))[..., None]
        ground = ground * (1 - share) + share * other
    if kind == "stripes":
        angle, period = rng.uniform(0, np.pi), rng.uniform(6, 120)
        y, x = np.float32(np.mgrid[0 : small[0], 0 : small[1]]) * 2
        phase = (x * np.cos(angle) + y * np.sin(angle)) / period + 0.15 * clouds(rng, *small, (80, 80), 2)
        wave = np.sin(2 * np.pi * phase)
        wave = np.tanh(wave * rng.uniform(0.5, 6))
        ground *= cv2.resize(np.float32(1 + rng.uniform(0.05, 0.4) * wave), (w, h))[..., None]
    elif kind == "planks":
        period = int(rng.uniform(40, 200))
        for y0 in range(-int(rng.integers(period)), h, period):
            ground[max(0, y0) : y0 + period] *= rng.uniform(0.85, 1.15)
            if y0 > 0:
                ground[y0 : y0 + 1 + int(rng.integers(3))] *= rng.uniform(0.3, 0.7)
        ground *= (1 + 0.06 * clouds(rng, h, w, (5, 200), 2))[..., None]
        ground = ground if rng.random() < 0.5 else np.ascontiguousarray(cv2.resize(ground.transpose(1, 0, 2), (w, h)))
    elif kind in ("leaves", "grass", "pebbles", "bokeh"):
        ground = np.clip(ground, 0, 255).astype(np.uint8)
        scatter(rng, ground, kind, base)
    return ground, kind


def scatter(rng: Rng, ground: np.ndarray, kind: str, base: np.ndarray) -> None:
    """Strew leaves, blades, pebbles or blurred spots over a ground, in place.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    ground
        (h, w, 3) uint8, changed in place [0 to 255].
    kind
        leaves, grass, pebbles or bokeh [no unit].
    base
        (3,) colour that things share in part [0 to 255].
    """
    h, w = ground.shape[:2]
    size, alike = rng.uniform(0.02, 0.12) * max(h, w), rng.uniform(0, 0.85)
    for _ in range(int(rng.uniform(60, 260))):
        at = rng.uniform(0, (w, h))
        colour = (leaf_colour(rng) if kind in ("leaves", "grass") else bark_colour(rng)) * rng.uniform(0.5, 1.1)
        colour = alike * base + (1 - alike) * colour
        if kind == "grass":
            points = blade(
                rng, at, rng.normal(-np.pi / 2, 0.7), 3 * size * rng.uniform(0.5, 1.5), size * rng.uniform(0.05, 0.14)
            )
        else:
            long = size * rng.uniform(0.4, 1.3)
            points = (
                leaf_outline(rng, at, rng.uniform(0, 7), long, long * rng.uniform(0.3, 0.5))
                if kind == "leaves"
                else (blob(rng, at, long * (0.5 if kind == "pebbles" else 0.8), 0.15 if kind == "pebbles" else 0.02))
            )
            cv2.fillPoly(ground, [np.int32((points + 0.06 * long) * 16)], (0.35 * colour).tolist(), cv2.LINE_AA, 4)
        cv2.fillPoly(ground, [np.int32(points * 16)], colour.tolist(), cv2.LINE_8, 4)


def blade(rng: Rng, at: np.ndarray, angle: float, length: float, width: float) -> np.ndarray:
    """(n, 2) outline of a bent blade of grass [px].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    at
        (2,) its foot [px].
    angle
        Its direction at the foot [radian].
    length, width
        Of it, the width being half of what is drawn [px].
    """
    t = np.linspace(0, 1, 9)
    heading = angle + rng.normal(0, 0.8) * t**1.5
    spine = at + np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), 0) * length / 9
    side = np.column_stack([-np.sin(heading), np.cos(heading)]) * (width * np.minimum(1, 6 * t + 0.05) * (1 - t**2))[:, None]
    return np.vstack([spine + side, (spine - side)[::-1]])


def leaf_outline(rng: Rng, at: np.ndarray, angle: float, length: float, half: float) -> np.ndarray:
    """(n, 2) outline of a leaf [px].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    at
        (2,) its foot [px].
    angle
        Its direction [radian].
    length, half
        Its length, and half its width [px].
    """
    t = np.linspace(0, 1, 15)
    side = half * np.sin(np.pi * t ** rng.uniform(0.7, 1.3)) * (1 + 0.1 * rng.standard_normal(15))
    shape = np.vstack(
        [np.column_stack([t * length, side]), np.column_stack([t * length, -side * rng.uniform(0.4, 1)])[::-1]]
    )
    c, s = np.cos(angle), np.sin(angle)
    return at + shape @ np.array([[c, s], [-s, c]])


def blob(rng: Rng, at: np.ndarray, radius: float, rough: float) -> np.ndarray:
    """(n, 2) outline of a rounded lump [px].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    at
        (2,) its middle [px].
    radius
        About its half width [px].
    rough
        By how much the radius swings, as a share of it [no unit].
    """
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    r = radius * (1 + rough * np.sin(2 * t + rng.uniform(0, 7)) + rough * np.sin(3 * t + rng.uniform(0, 7)))
    return at + np.column_stack([r * np.cos(t), r * rng.uniform(0.5, 1) * np.sin(t)])


def ground(
    rng: Rng, h: int, w: int, material: Material, real: float = 0.65, sure: bool = False
) -> tuple[np.ndarray, str, bool, bool]:
    """A ground (h, w, 3) [0 to 255], its kind, whether surely no severed end and whether neither plant nor hand is in it.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    h, w
        Rows and columns [px].
    material
        Real pictures that may be used [no unit].
    real
        Share of grounds that are real, where there are any [no unit].
    sure
        Only real ones in which surely no severed end is? [no unit]
    """
    choice = [one for one in material.grounds if one.sure] if sure else material.grounds
    if not choice or rng.random() > real:
        return *drawn_ground(rng, h, w), True, True
    one = choice[rng.integers(len(choice))]
    bgr = picture(one)
    if rng.random() < 0.5:
        bgr = bgr[:, ::-1]
    scale = max(h / bgr.shape[0], w / bgr.shape[1]) * rng.uniform(1.0, 1.5)
    bgr = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    y0, x0 = rng.integers(bgr.shape[0] - h + 1), rng.integers(bgr.shape[1] - w + 1)
    cut = bgr[y0 : y0 + h, x0 : x0 + w]
    if rng.random() < 0.4:
        cut = cv2.multiply(cut, (*(float(v) for v in rng.uniform(0.75, 1.25, 3) * rng.uniform(0.6, 1.2)), 0.0))
    return cut, one.name, one.sure, one.bare
