"""How many pixels is a millimetre, where only a coin or a known length lies in the picture?

A coin's rim is seen as an ellipse, whose long axis is its diameter whichever way it is tilted; its short axis tells by
how much. Both scales hold at the coin's, or the length's, own distance from the camera: what stands nearer looks larger,
and that enters the scale's uncertainty.
"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.photo.picture import CannotUse, Picture
from diagnose.photo.plane import Plane

Point = tuple[float, float]
HELD_BESIDE = 0.05  # relative: a thing held beside a twig is nearer or farther by this; judged from arm's-length use
TAP_SHARE = 0.004  # a finger's standard error, as a share of the picture's diagonal
RAYS = 144
LOOK_AT = 900  # longer side of the reduced picture that coins are looked for in [px]
ROUNDEST = 0.55  # an ellipse flatter than this, short axis over long, is not taken for a coin
SEEN_RIM = 0.55  # least share of the rim that must be seen


def known_length(mm: float, from_xy: Point, to_xy: Point) -> Plane:
    """The scale from two points of the picture [upright px] that are `mm` apart [mm], square to the view.

    Raises CannotUse where the points coincide.
    """
    start, end = np.array(from_xy, float), np.array(to_xy, float)
    length = float(np.linalg.norm(end - start))
    if mm <= 0 or length < 4:
        raise CannotUse("the known length is too short in the picture: mark two points farther apart")
    x = (end - start) / mm
    H = np.array([[x[0], -x[1], start[0]], [x[1], x[0], start[1]], [0, 0, 1.0]])
    marking = np.sqrt(2) * max(1.0, 0.001 * length) / length  # marked to about a pixel, or a thousandth
    return Plane("known", H, 0, 0.0, 0.0, scale_sigma=float(np.hypot(marking, HELD_BESIDE)))


def find_coin(picture: Picture, diameter_mm: float, near: Point | None = None) -> Plane:
    """The plane of a round coin of known diameter [mm], its middle the origin.

    near : [upright px] a place it lies close to; of several coins the one nearest to it is taken.
    Raises CannotUse where no coin is seen.
    """
    if diameter_mm <= 0:
        raise CannotUse("a coin's diameter must be a number of millimetres above 0")
    best: tuple[float, tuple[Point, tuple[float, float], float], float] | None = None
    for centre, radius in _round_things(picture):
        rim = _rim(picture, centre, radius)
        if rim is None:
            continue
        ellipse, share, residual = rim
        away = 0.0 if near is None else float(np.hypot(ellipse[0][0] - near[0], ellipse[0][1] - near[1]))
        rank = share - 0.5 * away / float(np.hypot(*picture.size))
        if best is None or rank > best[0]:
            best = (rank, ellipse, residual)
    if best is None:
        raise CannotUse("no coin was found: hold it beside the twig, whole and facing the camera, or mark a known length")
    return _plane_of(best[1], best[2], diameter_mm)


def _round_things(picture: Picture) -> list[tuple[np.ndarray, float]]:
    """Round things, (centre, radius) [upright px], the roundest first."""
    factor = 1
    while max(picture.size) / (2 * factor) >= LOOK_AT and factor < 8:
        factor *= 2
    small, factor = picture.reduced(factor)
    grey = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), (0, 0), 1.5)
    side = min(grey.shape)
    found: list[tuple[np.ndarray, float]] = []
    for strict in (0.8, 0.6, 0.4):
        circles = cv2.HoughCircles(grey, cv2.HOUGH_GRADIENT_ALT, 2, side / 20, param1=120, param2=strict,
                                   minRadius=int(side * 0.015), maxRadius=int(side * 0.35))
        if circles is None:
            continue
        for u, v, r in circles.reshape(-1, circles.shape[-1])[:, :3]:
            centre = (np.array([u, v]) + 0.5) * factor - 0.5
            if all(np.linalg.norm(centre - c) > 0.3 * q or abs(r * factor / q - 1) > 0.2 for c, q in found):
                found.append((centre, float(r * factor)))
        if len(found) >= 6:
            break
    return found[:12]


def _rim(
    picture: Picture, centre: np.ndarray, radius: float
) -> tuple[tuple[Point, tuple[float, float], float], float, float] | None:
    """The ellipse of a coin's rim near a circle, the share of it that was seen, and its residual [px]."""
    bearing = np.arange(RAYS) * 2 * np.pi / RAYS
    step = max(radius / 90, 0.5)
    reach = np.arange(0.6 * radius, 1.5 * radius, step)
    at = centre + reach[None, :, None] * np.stack([np.cos(bearing), np.sin(bearing)], axis=1)[:, None]
    x0, y0 = np.maximum(np.floor(at.min(axis=(0, 1))).astype(int) - 2, 0)
    x1, y1 = np.minimum(np.ceil(at.max(axis=(0, 1))).astype(int) + 3, picture.size)
    part = picture.bgr[y0:y1, x0:x1]
    if min(part.shape[:2]) < 8:
        return None
    lab = cv2.cvtColor(part.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)
    lab = cv2.GaussianBlur(lab, (0, 0), max(0.6 * step, 0.8))
    seen = cv2.remap(lab, (at[..., 0] - x0).astype(np.float32), (at[..., 1] - y0).astype(np.float32), cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE)
    rise = np.linalg.norm(seen[:, 2:] - seen[:, :-2], axis=2)
    ray, place = np.nonzero((rise[:, 1:-1] > rise[:, :-2]) & (rise[:, 1:-1] >= rise[:, 2:]) & (rise[:, 1:-1] > 4.0))
    if len(np.unique(ray)) < SEEN_RIM * RAYS:
        return None
    before, peak, after = (rise[ray, place + k] for k in range(3))
    bend = before - 2 * peak + after
    sub = np.where(np.abs(bend) > 1e-6, 0.5 * (before - after) / np.where(np.abs(bend) > 1e-6, bend, 1), 0)
    distance = reach[0] + (place + 2 + np.clip(sub, -0.5, 0.5)) * step
    points = centre + distance[:, None] * np.stack([np.cos(bearing[ray]), np.sin(bearing[ray])], axis=1)
    return _likeliest_ellipse(points, ray, peak, radius)


def _likeliest_ellipse(
    points: np.ndarray, ray: np.ndarray, peak: np.ndarray, radius: float
) -> tuple[tuple[Point, tuple[float, float], float], float, float] | None:
    """The outermost of the well supported ellipses through edge points, by random sampling and a last fit."""
    rng = np.random.default_rng(0)
    near = max(0.012 * radius, 0.8)
    weight = np.minimum(peak / 12, 1)
    tried = []
    sectors = ray * 6 // RAYS
    by_sector = [np.flatnonzero(sectors == k) for k in range(6)]
    by_sector = [own for own in by_sector if len(own)]
    if len(by_sector) < 5:
        return None
    for _ in range(250):
        some = np.array([rng.choice(own, p=weight[own] / weight[own].sum()) for own in by_sector])
        ellipse = cv2.fitEllipseDirect(points[some].astype(np.float32))
        if not _like_a_coin(ellipse, radius):
            continue
        tried.append((len(np.unique(ray[np.abs(_off(points, ellipse)) < near])), max(ellipse[1]), ellipse))
    if not tried:
        return None
    most = max(count for count, _, _ in tried)
    ellipse = max((each for each in tried if each[0] >= 0.88 * most), key=lambda each: (each[1], each[0]))[2]
    for _ in range(4):
        on = np.abs(_off(points, ellipse)) < near
        if on.sum() < 12:
            return None
        ellipse = cv2.fitEllipseDirect(points[on].astype(np.float32))
        if not _like_a_coin(ellipse, radius):
            return None
    off = _off(points, ellipse)
    on = np.abs(off) < near
    share = len(np.unique(ray[on])) / RAYS
    return (ellipse, share, float(np.sqrt((off[on] ** 2).mean()))) if share >= SEEN_RIM else None


def _like_a_coin(ellipse, radius: float) -> bool:
    (_, axes, _) = ellipse
    return bool(np.isfinite(axes).all() and min(axes) > ROUNDEST * max(axes) and 1.2 * radius < max(axes) < 2.9 * radius)


def _off(points: np.ndarray, ellipse) -> np.ndarray:
    """About how far points lie outside an ellipse [px]."""
    (u, v), (first, second), turn = ellipse
    cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    own = (points - (u, v)) @ np.array([[cos, -sin], [sin, cos]]) / (first / 2, second / 2)
    length = np.linalg.norm(own, axis=1)
    return (length - 1) * np.linalg.norm(points - (u, v), axis=1) / np.maximum(length, 1e-9)


def _plane_of(ellipse, residual: float, diameter_mm: float) -> Plane:
    """The coin's own plane, seen from far enough off for its ellipse to be the shadow of its circle."""
    (u, v), axes, turn = ellipse
    angle = np.radians(turn)
    directions = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    M = directions @ np.diag(axes) @ directions.T / diameter_mm
    H = np.eye(3)
    H[:2, :2], H[:2, 2] = M, (u, v)
    tilt = float(np.degrees(np.arccos(min(axes) / max(axes))))
    rim = max(residual, 0.5) / max(axes)
    return Plane("coin", H, 0, residual, tilt, scale_sigma=float(np.hypot(HELD_BESIDE, rim)))


def px_per_mm(plane: Plane) -> float:
    """Pixels a millimetre square to the view, in the middle of a coin or a known length."""
    return float(np.linalg.svd(plane.H[:2, :2], compute_uv=False)[0])
