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
Ellipse = tuple[Point, tuple[float, float], float]
RAYS = 120
LOOK_AT = 900  # longer side of the reduced picture that coins are looked for in [px]
FLATTEST = 0.6  # an ellipse flatter than this, short axis over long, is not taken for a coin
LEAST_APART = 2.0  # the ring within the rim differs from the ring without by this, over its own unevenness
LEAST_SCORE = 1.65  # of the rim's followed edge; patterns of leaves and cards reach 1.5
BESIDE = 3.0  # of its own diameters that a coin held beside a twig may lie from it
NEAR, LARGE = 0.1, 0.3  # what a diameter's distance costs, and what e times the size is worth, in shares of the rim seen
MUCH_LARGER = 1.2  # a plainer round thing this many times as large whose rim is lost may be the coin
SEEN_RIM = 0.8  # least share of the rim that must be seen


def known_length(mm: float, from_xy: Point, to_xy: Point) -> Plane:
    """The scale from two points of the picture, square to the view.

    Parameters
    ----------
    mm
        Between the points [mm].
    from_xy
        One end [upright px].
    to_xy
        The other end [upright px].

    Raises
    ------
    CannotUse
        Where the points coincide.
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
    """The plane of a round coin of known diameter, its middle the origin.

    Of several round things the plain, near and large one is taken: a piece of leaf between others may be as round as a coin.

    Parameters
    ----------
    picture
        That is searched [no unit].
    diameter_mm
        Of the coin [mm].
    near
        A place that it lies beside; None for anywhere [upright px].

    Raises
    ------
    CannotUse
        Where no coin is seen, or only a smaller round thing than one whose rim cannot be followed.
    """
    if diameter_mm <= 0:
        raise CannotUse("a coin's diameter must be a number of millimetres above 0")
    best: tuple[float, Ellipse, float] | None = None
    unsure = unsure_before = 0.0  # diameter of the largest thing so far whose rim cannot be followed; when best was found
    for centre, radius in _round_things(picture):
        rim = _rim(picture, centre, radius)
        if rim is None:
            unsure = max(unsure, 2 * radius)
            continue
        ellipse, share, residual = rim
        long = ellipse[1][0]
        away = 0.0 if near is None else float(np.hypot(ellipse[0][0] - near[0], ellipse[0][1] - near[1])) / long
        rank = share - NEAR * away + LARGE * float(np.log(long))
        if away < BESIDE and (best is None or rank > best[0]):
            best, unsure_before = (rank, ellipse, residual), unsure
    if best is None or unsure_before > MUCH_LARGER * best[1][1][0]:
        raise CannotUse("no coin was found: hold it beside the twig, whole and facing the camera, or mark a known length")
    return _plane_of(best[1], best[2], diameter_mm)


def _round_things(picture: Picture) -> list[tuple[np.ndarray, float]]:
    """Round things, (centre, radius) [upright px], the roundest first."""
    factor = 1
    while max(picture.size) / (2 * factor) >= LOOK_AT and factor < 8:
        factor *= 2
    grey = cv2.GaussianBlur(cv2.cvtColor(picture.smaller(factor), cv2.COLOR_BGR2GRAY), (0, 0), 1.5)
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
    return found[:8]


def _rim(picture: Picture, centre: np.ndarray, radius: float) -> tuple[Ellipse, float, float] | None:
    """The ellipse of a coin's rim near a circle, the share of it that was seen, and its residual [px].

    The patterns inside a coin are concentric with its rim: of the ellipses that edges follow the outermost is taken.
    """
    x0, y0 = np.maximum(np.floor(centre - 1.9 * radius).astype(int), 0)
    x1, y1 = np.minimum(np.ceil(centre + 1.9 * radius).astype(int) + 1, picture.size)
    part = picture.bgr[y0:y1, x0:x1]
    if min(part.shape[:2]) < 12:
        return None
    zoom = min(1.0, 90 / radius)
    small = cv2.resize(part, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    coarse, fine = _views(small, 2.0), _views(small, 0.8)
    middle = (centre - (x0, y0) + 0.5) * zoom - 0.5
    size = radius * zoom
    steps = np.array([0.06 * size, 0.06 * size, 0.06, -0.1, 0.5])
    starts = [np.array([*middle, np.log(size * grow), 0.95, 0.0]) for grow in (0.8, 0.9, 1.0, 1.12, 1.25, 1.4, 1.55)]
    starts.sort(key=lambda start: -_following(start, coarse)[0])
    if _following(starts[0], coarse)[0] < 0.5 * LEAST_SCORE:
        return None
    best = _outermost([_climbed(start, steps, coarse) for start in starts[:4]], coarse)
    if _following(best, coarse)[0] < 0.75 * LEAST_SCORE:
        return None
    tilted = [np.array([*best[:3], 0.82, turn]) for turn in np.arange(0, np.pi, np.pi / 4)]
    best = _outermost([best] + [_climbed(start, steps, coarse) for start in tilted], coarse, 0.97)
    for part in (0.25, -0.25):  # anew, lest it stick
        best = _climbed(best, steps * part, fine)
    # a raised rim has an inner edge too, often the plainer one
    wider = [_climbed(best + (0, 0, grow, 0, 0), steps / 8, fine) for grow in (0.04, 0.07)]
    best = _outermost([best, *wider], fine, 0.85)
    score, seen, change, inner = _following(best, fine)
    apart = float(np.median(change))
    uneven = float(np.median(np.linalg.norm(inner - np.median(inner, axis=0), axis=1)))
    u, v = (best[:2] + 0.5) / zoom - 0.5 + (x0, y0)
    long = 2 * float(np.exp(best[2])) / zoom
    ratio = float(min(best[3], 1.0))
    share = float((seen > 1.0).mean())
    if share < SEEN_RIM or ratio < FLATTEST or apart < LEAST_APART * uneven or score < LEAST_SCORE:
        return None
    return ((float(u), float(v)), (long, long * ratio), float(np.degrees(best[4]))), share, 0.5 / zoom


def _views(bgr: np.ndarray, blur: float) -> tuple[np.ndarray, np.ndarray]:
    """Colour, (h, w, 3) L*a*b*, and how it changes in each direction: (h, w, 3) of the tensor's xx, xy, yy."""
    lab = cv2.GaussianBlur(cv2.cvtColor(bgr.astype(np.float32) / 255, cv2.COLOR_BGR2LAB), (0, 0), blur)
    gx, gy = (cv2.Scharr(lab, cv2.CV_32F, *order) / 32 * blur for order in ((1, 0), (0, 1)))
    return lab, np.stack([(gx * gx).sum(axis=2), (gx * gy).sum(axis=2), (gy * gy).sum(axis=2)], axis=2)


INSIDE, OUTSIDE = np.array([0.86, 0.90, 0.94, 0.975]), np.array([1.025, 1.06, 1.10, 1.14])
_RINGS = np.concatenate([INSIDE, OUTSIDE])[None, :, None]
_BEARING = np.arange(RAYS) * 2 * np.pi / RAYS
_COS, _SIN = np.cos(_BEARING), np.sin(_BEARING)


def _following(
    shape: np.ndarray, views: tuple[np.ndarray, np.ndarray]
) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
    """How well an ellipse (u, v, log of long half axis, short over long, turn) is a coin's rim.

    Along the rim colour steps, and the ring within has another colour than the ring without: the patterns inside a
    coin have steps, but one colour on both sides. A fifth may be hidden, by the fingers that hold it. Returns the
    score, (RAYS,) of it, (RAYS,) how far apart the two rings' colours are, and (RAYS, 3) the inner ring's colour.
    """
    u, v, size, ratio, turn = shape
    lab, tensor = views
    long = np.exp(size)
    own = np.array([long * _COS, long * ratio * _SIN])
    normal = np.array([ratio * _COS, _SIN])
    normal /= np.sqrt((normal * normal).sum(axis=0))
    R = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    at, (nx, ny) = R @ own, R @ normal
    xx, xy, yy = _at(tensor, at + [[u], [v]]).T
    step = np.sqrt(np.clip(nx * nx * xx + 2 * nx * ny * xy + ny * ny * yy, 0, None))
    ring = (at[:, None, :] * _RINGS).reshape(2, -1) + [[u], [v]]
    rings = _at(lab, ring).reshape(2, len(INSIDE), RAYS, 3).mean(axis=1)
    change = np.linalg.norm(rings[1] - rings[0], axis=1)
    seen = 0.3 * np.minimum(np.log1p(step), 2.5) + 0.7 * np.minimum(np.log1p(change / 3), 2.5)
    flat = max(0.0, FLATTEST - ratio) + max(0.0, ratio - 1.02)
    return float(np.sort(seen)[RAYS // 8 :].mean()) - 20 * flat - 0.3 * (1 - ratio), seen, change, rings[0]


def _at(image: np.ndarray, at: np.ndarray) -> np.ndarray:
    return cv2.remap(image, at[0].astype(np.float32)[None], at[1].astype(np.float32)[None], cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE)[0]


def _outermost(shapes: list[np.ndarray], views: tuple[np.ndarray, np.ndarray], least: float = 0.9) -> np.ndarray:
    """The largest of the ellipses that edges follow nearly as well as the best."""
    scores = [_following(shape, views)[0] for shape in shapes]
    good = [shape for shape, score in zip(shapes, scores, strict=True) if score >= least * max(scores)]
    return max(good, key=lambda shape: 2 * float(shape[2]) + np.log(max(float(shape[3]), 0.1)))


def _climbed(start: np.ndarray, steps: np.ndarray, views: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    from scipy.optimize import minimize

    simplex = np.vstack([start, start + np.diag(steps)])
    climb = minimize(lambda shape: -_following(shape, views)[0], start, method="Nelder-Mead",
                     options={"initial_simplex": simplex, "maxiter": 160, "xatol": 0.01, "fatol": 1e-3})
    return np.asarray(climb.x)


def _plane_of(ellipse: Ellipse, residual: float, diameter_mm: float) -> Plane:
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
    """Pixels a millimetre square to the view, in the middle of a coin or a known length.

    Parameters
    ----------
    plane
        Of a coin or a known length [no unit].
    """
    return float(np.linalg.svd(plane.H[:2, :2], compute_uv=False)[0])
