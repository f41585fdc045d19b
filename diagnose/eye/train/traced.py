"""What do barks and grounds look like to a ray tracer that draws training pictures, and what is what in its pictures?

The tracer's own scenes lie outside this package. It takes linear RGB in [0, 1], and tells of each picture which thing each
pixel shows; `rendered.read` takes what comes out.
"""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np

from diagnose.eye.pieces import CLASSES
from diagnose.eye.train.material import Material
from diagnose.eye.train.skins import patterned
from diagnose.eye.train.surfaces import Rng, bark_colour, ground

DIMMED = 0.72  # paper that gives less of the light round it than this lies in shadow; ours
AROUND = 0.4  # of the card's size, over which light is compared; ours
NOISE = 0.0015  # over which light is smoothed, of the picture's width; ours
BLANK, PAPER_WIDE = 240, 150.0  # from which on paper bears no print; the card's width [mm]


def linear(bgr: np.ndarray) -> np.ndarray:
    """Linear RGB in [0, 1] of BGR in [0, 255] as a screen shows it, float32.

    Parameters
    ----------
    bgr
        (..., 3) blue, green, red [0 to 255].

    References
    ----------
    .. [1] IEC 61966-2-1: sRGB.
    """
    shown = np.float32(bgr)[..., ::-1] / 255
    return np.float32(np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4))


def bark(rng: Rng, tile: np.ndarray, relief: np.ndarray, along: float, across: float) -> tuple[np.ndarray, np.ndarray]:
    """A tracer's bark with one or two patterns on it; (h, w, 3) linear RGB, and its relief, (h, w).

    Parameters
    ----------
    rng
        Of the draws [no unit].
    tile, relief
        (h, w, 3) linear RGB of the bark below, rows along the stem [0 to 1]; (h, w) how far it stands out, about -1 to 1
        [no unit].
    along, across
        Pixels per millimetre [px/mm].
    """
    mean = tile.reshape(-1, 3).mean(0)
    for _ in range(int(rng.integers(1, 3))):
        kind = rng.random()
        other = linear(bark_colour(rng)) if kind < 0.6 else np.clip(mean * rng.uniform(1.3, 2.5) + 0.02, 0, 0.85)
        if kind > 0.85:
            other = mean * rng.uniform(0.2, 0.7)
        tile, own = patterned(rng, tile, other, mean * rng.uniform(0.1, 0.5), along, across)
        relief = 0.7 * relief + own
    return np.clip(tile, 0.006, 0.9), np.clip(relief, -2, 2)


def floor(rng: Rng, n: int, material: Material, real: float = 0.4) -> np.ndarray:
    """A ground for a tracer, (n, n, 3) linear RGB.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    n
        Side [px].
    material
        Real pictures that may be used [no unit].
    real
        Share that is real where there are any [no unit].
    """
    small = ground(rng, n // 2, n // 2, material, real, sure=True)[0]
    return np.clip(cv2.resize(linear(small), (n, n), interpolation=cv2.INTER_CUBIC), 0.004, 0.93)


def labels(
    shows: np.ndarray,
    kinds: Mapping[int, str],
    light: np.ndarray,
    wound: np.ndarray | None = None,
    sheet: np.ndarray | None = None,
    paper: np.ndarray | None = None,
) -> np.ndarray:
    """What each pixel of a traced picture is, (h, w) uint8 indices of CLASSES.

    Parameters
    ----------
    shows
        (h, w) number of the thing that each pixel shows, 0 or more [no unit].
    kinds
        Thing -> one of CLASSES; `rest` where a thing is not told [no unit].
    light
        (h, w) linear brightness of the picture [no unit].
    wound
        (n, 2) outline of the wood laid bare on what is bark; None without [px].
    sheet
        (3, 3) from the card's millimetres to the picture's pixels; None without a card [px per mm].
    paper
        (rows, columns) uint8, the card's print, PAPER_WIDE mm wide; None without a card [0 to 255].
    """
    number = {name: k for k, name in enumerate(CLASSES)}
    table = np.zeros(max([int(shows.max()), *kinds]) + 1, np.uint8)
    for thing, kind in kinds.items():
        table[thing] = number[kind]
    found = table[shows]
    if wound is not None:
        inside = cv2.fillPoly(np.zeros(found.shape, np.uint8), [np.int32(np.round(wound))], 1)
        found[(inside > 0) & (found == number["bark"])] = number["wood"]
    if sheet is not None and paper is not None:
        to_mm = PAPER_WIDE / paper.shape[1]
        blank = cv2.warpPerspective(paper, sheet @ np.diag([to_mm, to_mm, 1]), found.shape[::-1], flags=cv2.INTER_LINEAR)
        plain = (found == number["card"]) & (cv2.erode(blank, np.ones((9, 9), np.uint8)) > BLANK)
        found[_dimmed(plain, np.float32(light))] = number["shadow"]
    return found


def _dimmed(plain: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Where plain paper gives much less light than the brightest of it round about."""
    if not plain.any():
        return plain
    lit, size = np.where(plain, light, 0), light.shape[::-1]
    reach = max(8, int(AROUND * np.sqrt(plain.sum()))) // 8 * 2 + 1  # of a copy a quarter as large
    small = cv2.resize(lit, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    most = cv2.blur(cv2.dilate(small, np.ones((reach, reach), np.uint8)), (reach, reach))
    smooth, share = (cv2.GaussianBlur(one, (0, 0), NOISE * size[0]) for one in (lit, np.float32(plain)))
    return plain & (smooth < DIMMED * cv2.resize(most, size, interpolation=cv2.INTER_LINEAR) * share)
