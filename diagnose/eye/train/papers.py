"""How does the printed scale card look, and how does a sheet of it lie before the camera?"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from diagnose.eye.train.surfaces import Rng, clouds

SIZE_MM = (150.0, 100.0)
SIDE_MM = 14.0
CENTRES_MM = {
    10: (12.0, 12.0), 11: (75.0, 12.0), 12: (138.0, 12.0), 13: (138.0, 50.0),
    14: (138.0, 88.0), 15: (75.0, 88.0), 16: (12.0, 88.0), 17: (12.0, 50.0),
}  # fmt: skip
_FINE = 10  # printed pixels a millimetre


@lru_cache(maxsize=1)
def _print() -> np.ndarray:
    """(1000, 1500) uint8: the print on white, ten pixels a millimetre."""
    sheet = np.full((int(SIZE_MM[1] * _FINE), int(SIZE_MM[0] * _FINE)), 255, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    side = int(SIDE_MM * _FINE)
    for number, (x, y) in CENTRES_MM.items():
        x0, y0 = int(x * _FINE) - side // 2, int(y * _FINE) - side // 2
        sheet[y0 : y0 + side, x0 : x0 + side] = cv2.aruco.generateImageMarker(dictionary, number, side)
    for mm in range(5, 146):
        tick = 3.5 if mm % 10 == 0 else 2.5 if mm % 5 == 0 else 1.5
        sheet[int((100 - tick) * _FINE) :, mm * _FINE - 1 : mm * _FINE + 1] = 0
    for patch, grey in enumerate((60, 110, 160, 210)):
        x0 = 98 * _FINE + patch * 7 * _FINE
        sheet[895:945, x0 : x0 + 50] = grey
    return sheet


@lru_cache(maxsize=8)
def _shrunk(fine: float) -> np.ndarray:
    return cv2.resize(_print(), None, fx=fine / _FINE, fy=fine / _FINE, interpolation=cv2.INTER_AREA)


def held_before(rng: Rng, long_side: float, steep: float = 1.0) -> tuple[np.ndarray, tuple[int, int]]:
    """How a card lies before the camera, drawn.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    long_side
        About how long the card is in the picture [px].
    steep
        Factor on the drawn tilt [no unit].

    Returns
    -------
    H, size : numpy.ndarray (3, 3), (int, int)
        From the card's millimetres to pixels, and the picture's rows and columns [px].
    """
    tilt = np.radians(rng.choice([rng.uniform(0, 12), rng.uniform(8, 32), rng.uniform(25, 55)])) * steep
    about, roll = rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi)
    if rng.random() < 0.5:
        roll = rng.choice([0, np.pi / 2, np.pi, -np.pi / 2]) + rng.normal(0, 0.25)
    flat = cv2.Rodrigues(np.array([0, 0, roll]))[0]
    lean = cv2.Rodrigues(tilt * np.array([np.cos(about), np.sin(about), 0]))[0]
    corners = np.array([[0, 0], [SIZE_MM[0], 0], SIZE_MM, [0, SIZE_MM[1]]])
    space = np.column_stack([corners - np.array(SIZE_MM) / 2, np.zeros(4)]) @ (lean @ flat).T
    far = rng.uniform(220, 600)
    seen = space[:, :2] / (1 + space[:, 2:] / far)
    sides = np.hypot(*(seen - np.roll(seen, 1, axis=0)).T)
    seen *= long_side / sides.max()
    low, high = seen.min(0), seen.max(0)
    room = (high - low) * rng.uniform(1.04, 1.5, 2) + 20
    landscape = rng.random() < 0.6
    ratio = (4 / 3 if landscape else 3 / 4) if rng.random() < 0.8 else room[0] / room[1]
    w = max(room[0], room[1] * ratio)
    w, h = min(w, 1.35 * long_side + 60), min(max(room[1], w / ratio), 1.35 * long_side + 60)
    spare = np.array([w, h]) - (high - low)
    at = spare * rng.uniform(0.1, 0.9, 2) - low + rng.normal(0, 0.03, 2) * long_side * (rng.random() < 0.2)
    H = cv2.getPerspectiveTransform(np.float32(corners), np.float32(seen + at))
    return H, (int(h), int(w))


def moved(H: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Places of the card in the picture, (n, 2) [px].

    Parameters
    ----------
    H
        (3, 3) from the card's millimetres to pixels [px per mm].
    points
        (n, 2) places of the card [mm].
    """
    return cv2.perspectiveTransform(np.float64(points).reshape(-1, 1, 2), H).reshape(-1, 2)


def sheet_layer(rng: Rng, H: np.ndarray, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """The sheet in the picture: its colour (h, w, 3) uint8 [0 to 255], and its cover (h, w) uint8 [0 to 255].

    Parameters
    ----------
    rng
        Of the draws [no unit].
    H
        (3, 3) from the card's millimetres to pixels [px per mm].
    size
        Rows and columns of the picture [px].
    """
    h, w = size
    corners = moved(H, np.array([[0, 0], [150, 0], [150, 100], [0, 100]]))
    area = cv2.contourArea(np.float32(corners))
    fine = float(np.clip(np.round(np.sqrt(area / 15000) * 1.1 * 2) / 2, 2.5, _FINE))
    sheet = _shrunk(fine)
    S = np.diag([sheet.shape[1] / SIZE_MM[0], sheet.shape[0] / SIZE_MM[1], 1.0])
    half = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    toner = cv2.warpPerspective(
        sheet, H @ np.linalg.inv(half @ S), (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=255
    )
    cover = np.zeros((h, w), np.uint8)
    cv2.fillConvexPoly(cover, np.int32(np.round(corners * 256)), 255, cv2.LINE_AA, 8)
    paper = np.float32(rng.uniform(0.8, 1.0) * 255 * (1 - rng.uniform(0, 0.08, 3) * (rng.random() < 0.5)))
    if rng.random() < 0.1:
        paper = paper * np.float32(rng.uniform(0.7, 1.0, 3))
    ink = float(rng.choice([rng.uniform(0.05, 0.25), rng.uniform(0.2, 0.45)]))
    tone = cv2.convertScaleAbs((np.float32(255 * ink) + np.float32(1 - ink) * toner) * _wear(rng, h, w, H), alpha=0.8)
    shades = np.clip(np.arange(256)[:, None] / 0.8 / 255 * paper, 0, 255).astype(np.uint8)
    return cv2.LUT(cv2.merge([tone, tone, tone]), shades[None]), cover


def _wear(rng: Rng, h: int, w: int, H: np.ndarray) -> np.ndarray:
    """(h, w) tone of creases, waves, dirt and uneven light over the sheet."""
    small = (max(2, h // 3), max(2, w // 3))
    tone = 1 + np.float32(rng.choice([0.005, 0.02, 0.05], p=[0.5, 0.35, 0.15])) * clouds(
        rng, *small, (0.5 * small[0],) * 2, 2
    )
    y, x = np.float32(np.mgrid[0 : small[0], 0 : small[1]])
    for _ in range(int(rng.choice([0, 0, 1, 3, 8]))):
        turn = rng.uniform(0, np.pi)
        far = (x - rng.uniform(0, small[1])) * np.cos(turn) + (y - rng.uniform(0, small[0])) * np.sin(turn)
        far = far + 1.5 * clouds(rng, *small, (60, 60), 1)
        width = rng.uniform(0.7, 3)
        tone += rng.uniform(-0.12, 0.12) * np.exp(-((far / width) ** 2)) + rng.uniform(-0.06, 0.06) * np.tanh(
            far / (3 * width)
        )
    tone *= 1 + rng.normal(0, 0.12) * (x / small[1] - 0.5) + rng.normal(0, 0.12) * (y / small[0] - 0.5)
    if rng.random() < 0.2:
        tone -= rng.uniform(0.05, 0.25) * np.clip(clouds(rng, *small, (30, 30), 4) - rng.uniform(0.8, 1.8), 0, 1)
    whole = cv2.resize(np.float32(tone), (w, h), interpolation=cv2.INTER_LINEAR)
    for _ in range(int(rng.choice([0, 3, 15, 50]))):  # crumbs of soil
        at = moved(H, rng.uniform((0, 0), SIZE_MM)[None])[0]
        radius = max(0.6, rng.exponential(0.0015) * w)
        axes = (radius * 2, radius * rng.uniform(0.8, 2))
        cv2.ellipse(whole, (tuple(map(float, at)), axes, rng.uniform(0, 180)), float(rng.uniform(0.1, 0.7)), -1)
    return whole
