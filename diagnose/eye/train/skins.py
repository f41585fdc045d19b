"""What barks does a stem wear that are not of one colour: bands, patches, stripes, nets, spots, a green side, scars, peel?

A bark is unrolled: rows run along the stem, columns once round it, so that the last joins the first. Colours are BGR or RGB,
in [0, 255] or [0, 1], as the caller has them: they are only mixed. Patterns and sizes are of our own choice.
"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.eye.train.surfaces import Rng, bark_colour, clouds

PATTERNS = ("bands", "patches", "stripes", "net", "spots", "side", "scars", "peel")
WORN = 0.35  # share of drawn barks that bear a pattern
THICK = (2, 60)  # of stems [mm]


def _round(rng: Rng, h: int, w: int, cell: tuple[float, float], octaves: int = 3) -> np.ndarray:
    """As `clouds`, but its last column joins its first."""
    over = max(2, w // 4)
    wide = clouds(rng, h, w + over, cell, octaves)
    share = np.linspace(0, 1, over, dtype=np.float32)
    joined = wide[:, :w].copy()
    joined[:, :over] = np.sqrt(share) * wide[:, :over] + np.sqrt(1 - share) * wide[:, w:]
    return joined


def _step(value: np.ndarray, low: float, high: float) -> np.ndarray:
    t = np.clip((value - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def _spots(rng: Rng, h: int, w: int, number: int, along: tuple[float, float], across: tuple[float, float]) -> np.ndarray:
    """Ellipses, (h, w) float32 0 to 1; along, across : bounds of their half axes [px]."""
    cover = np.zeros((h, w), np.float32)
    for _ in range(number):
        x, y = rng.integers(w), rng.integers(h)
        axes = max(1, round(rng.uniform(*across))), max(1, round(rng.uniform(*along)))
        strength = float(rng.uniform(0.4, 1))
        for shift in (0, w) if x < axes[0] else (0, -w) if x > w - axes[0] else (0,):
            cv2.ellipse(cover, (int(x + shift), int(y)), axes, 0, 0, 360, strength, -1, cv2.LINE_AA)
    return cover


def patterned(
    rng: Rng, tile: np.ndarray, other: np.ndarray, dark: np.ndarray, along: float, across: float, kind: str | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """A bark with a pattern of another colour on it, and how far the pattern stands out, about -1 to 1.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    tile
        (h, w, 3) the bark below it, float32; not changed [0 to 255, or 0 to 1].
    other, dark
        (3,) the pattern's colour, and that of cracks and scars [as the tile].
    along, across
        Pixels per millimetre, along the stem and round it [px/mm].
    kind
        Of PATTERNS; drawn where None [no unit].

    Returns
    -------
    tile, relief : numpy.ndarray
        (h, w, 3) and (h, w) float32.

    Raises
    ------
    ValueError
        For another kind.
    """
    kind = str(rng.choice(PATTERNS)) if kind is None else kind
    h, w = tile.shape[:2]
    scale = float(np.exp(rng.uniform(-0.7, 0.7)))  # of the whole pattern
    a, c = max(along * scale, 0.3), max(across * scale, 0.3)
    size = h * w / (along * across)  # [mm2]
    colour, least = other, float(rng.uniform(-0.6, 0.9))
    relief = np.zeros((h, w), np.float32)
    if kind == "bands":
        cover = _step(_round(rng, h, w, (9 * a, 60 * c), 2), least, least + 0.5)
        dashes = _spots(rng, h, w, min(700, int(0.1 * size)), (0.08 * a, 0.25 * a), (0.4 * c, 2.5 * c))
        tile, relief = _mixed(tile, dark, 0.8 * dashes), 0.5 * dashes
    elif kind == "patches":
        cover = _step(_round(rng, h, w, (10 * a, 7 * c)), least, least + rng.uniform(0.1, 0.8))
        relief = 0.4 * cover
    elif kind == "stripes":
        cover = _step(_round(rng, h, w, (45 * a, 1.2 * c), 2), max(least, 0.2), max(least, 0.2) + 0.4)
    elif kind == "net":
        cover = 1 - _step(np.abs(_round(rng, h, w, (4 * a, 3 * c), 2)), 0.02, rng.uniform(0.1, 0.3))
        colour, relief = dark, -0.9 * cover
    elif kind == "spots":
        number = min(500, int(rng.uniform(0.01, 0.15) * size))
        cover = _spots(rng, h, w, number, (0.15 * a, 1.2 * a), (0.15 * c, 1.2 * c))
        relief = float(rng.choice([0, 0.8])) * cover
    elif kind == "side":
        turn = np.cos(2 * np.pi * (np.arange(w) / w - rng.random()))[None]
        cover = _step(turn + 0.35 * _round(rng, h, w, (12 * a, 6 * c)), rng.uniform(-0.3, 0.3), rng.uniform(0.4, 0.9))
    elif kind == "scars":
        cover = np.zeros((h, w), np.float32)
        y = rng.uniform(0, 15) * a
        while y < h:
            wave = y + 0.6 * a * _round(rng, 2, w, (2, 10 * c), 2)[0]
            ring = np.abs(np.arange(h)[:, None] - wave[None]) / max(1.0, rng.uniform(0.2, 0.6) * a)
            cover = np.maximum(cover, np.exp(-(ring**2)))
            y += rng.uniform(4, 30) * a
        colour, relief = (dark if rng.random() < 0.6 else other), 0.5 * cover
    elif kind == "peel":
        flakes = _round(rng, h, w, (16 * a, 2.5 * c))
        cover = _step(flakes, least, least + 0.12)
        edge = np.exp(-(((flakes - least) / 0.12) ** 2))
        tile, relief = _mixed(tile, dark, 0.7 * edge), 0.6 * edge - 0.4 * cover
    else:
        raise ValueError(f"{kind} is no pattern; one of {', '.join(PATTERNS)}")
    return _mixed(tile, colour, rng.uniform(0.5, 1.0) * cover), np.float32(relief)


def worn(rng: Rng, tile: np.ndarray, width: float) -> np.ndarray:
    """A drawn stem's bark, some of them with a pattern on it.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    tile
        (n, steps, 3) unrolled downwards, along the stem to the right, as `surfaces.bark_tile` gives it [0 to 255].
    width
        Of the stem [px].
    """
    if rng.random() > WORN:
        return tile
    thick = float(np.exp(rng.uniform(*np.log(THICK))))
    long = tile.transpose(1, 0, 2).astype(np.float32)
    mean = long.reshape(-1, 3).mean(0)
    other = bark_colour(rng) if rng.random() < 0.7 else np.clip(mean * rng.uniform(0.4, 1.8), 0, 255)
    long, _ = patterned(rng, long, other, mean * rng.uniform(0.2, 0.6), width / thick, long.shape[1] / (np.pi * thick))
    return np.ascontiguousarray(long.transpose(1, 0, 2))


def _mixed(tile: np.ndarray, colour: np.ndarray, share: np.ndarray) -> np.ndarray:
    """The tile turned to a colour by a share of each pixel; some of the tile's own light and dark stays."""
    share = np.float32(np.clip(share, 0, 1))[..., None]
    tone = np.clip(tile.mean(2, keepdims=True) / max(float(tile.mean()), 1e-6), 0.5, 1.6)
    return np.float32(tile * (1 - share) + np.float32(colour) * (0.6 + 0.4 * tone) * share)
