"""How many pixels is a millimetre, where a plain card of a wallet's size is held beside the twig?

Blank and membership cards are all of the size ID-1, 85.60 x 53.98 mm, with rounded corners. Its four sides are followed,
without the corners; where they cross are the corners of the sharp rectangle. The scale holds at the card's own distance, as
that of a coin.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.photo.picture import DIAGONAL_35MM, Picture
from diagnose.photo.plane import DEFAULT_F35, Plane
from diagnose.photo.scale import HELD_BESIDE, Point

LONG_MM, SHORT_MM = 85.60, 53.98  # ISO/IEC 7810, size ID-1; the rounded corners are not followed
LOOK_AT = 800  # longer side of the reduced picture that cards are looked for in [px]; this and what follows is our choice
MOST_LINES, MOST_TRIED = 40, 60
LEAST_SHARE = 0.004  # of the picture that the card covers
LEAST_SIDE_PX = 60  # of the card's short side
SEEN_SIDE = 0.55  # least share of each side that must be followed
SEEN_ALL = 0.75  # and of all sides together
STEP = 4.0  # least change across a side, of lightness or colour [L*a*b*, a pixel]
ODD_SHAPE = 0.04  # relative: how far the sides' ratio, or the corner's cosine, may be from the card's
STEEPEST = 50.0  # from which a card is seen too flat [degree]
Line = tuple[np.ndarray, np.ndarray]  # a point and the direction
BESIDE = 2.5  # of its own lengths that a card held beside a twig may lie from it


def find_plain_card(picture: Picture, near: Point | None = None) -> Plane:
    """The plane of a plain card of the size ID-1 (as most membership cards), its middle the origin.

    Parameters
    ----------
    picture
        That is searched [no unit].
    near
        A place that it lies beside; None for anywhere [upright px].

    Raises
    ------
    CannotUse
        Where no such card is seen whole enough.

    References
    ----------
    .. [1] ISO/IEC 7810, Identification cards, physical characteristics: size ID-1.
    .. [2] R. Hartley and A. Zisserman, Multiple View Geometry, 2nd ed., 8.8: a rectangle's sides under a known focal length.
    """
    lab = cv2.GaussianBlur(cv2.cvtColor(picture.bgr.astype(np.float32) / 255, cv2.COLOR_BGR2LAB), (0, 0), 1.0)
    best: tuple[float, Plane] | None = None
    tried: list[np.ndarray] = []
    for corners in _four_cornered(picture):
        if any(_same(corners, other) for other in tried):
            continue
        tried.append(corners)
        found = _followed(lab, corners)
        plane = None if found is None else _plane_of(picture, *found)
        if found is None or plane is None:
            continue
        size = float(np.sqrt(cv2.contourArea(found[0].astype(np.float32))))
        away = 0.0 if near is None else float(np.hypot(*(found[0].mean(axis=0) - near))) / (1.26 * size)
        rank = found[1] + 0.3 * float(np.log(size)) - 0.1 * away
        if away < BESIDE and (best is None or rank > best[0]):
            best = (rank, plane)
    if best is None:
        raise CannotUse("no plain card was found: hold it beside the twig, all four sides in view, facing the camera, "
                        "before a ground that is darker or lighter; or mark a known length")
    return best[1]


def _four_cornered(picture: Picture) -> Iterator[np.ndarray]:
    """(4, 2) corners of what four straight edges go round [upright px], the best followed first."""
    factor = 1
    while max(picture.size) / factor > 1.5 * LOOK_AT and factor < 8:
        factor *= 2
    small = picture.smaller(factor)
    lines = _straight_edges(small)
    least = LEAST_SIDE_PX / factor
    pairs = [(one, other) for one, other in combinations(range(len(lines)), 2)
             if abs(_cross(lines[one].way, lines[other].way)) < 0.35 and _apart(lines[one], lines[other]) > least]
    ways = np.array([lines[one].way for one, _ in pairs]).reshape(-1, 2)
    found: list[tuple[float, np.ndarray]] = []
    for (first, second), way in zip(combinations(range(len(pairs)), 2), _crossways(ways), strict=True):
        if way:
            told = _corners([lines[k] for k in (*pairs[first], *pairs[second])], small.shape[:2])
            if told is not None:
                found.append(told)
    found.sort(key=lambda one: -one[0])
    for _, corners in found[:MOST_TRIED]:
        yield (corners + 0.5) * factor - 0.5


def _crossways(ways: np.ndarray) -> np.ndarray:
    """For each two of (n, 2) directions, whether they stand somewhat square to each other."""
    one, other = np.triu_indices(len(ways), 1)
    return np.abs((ways[one] * ways[other]).sum(axis=1)) < 0.5


@dataclass
class _Edge:
    """A straight edge: a point and its direction [px]; and its pieces, from and to along it [px]."""

    at: np.ndarray
    way: np.ndarray
    pieces: list[tuple[float, float]]

    def seen(self, start: np.ndarray, end: np.ndarray) -> float:
        """Which share of the way between two points on it the pieces cover."""
        low, high = sorted(((start - self.at) @ self.way, (end - self.at) @ self.way))
        steps, pieces = np.linspace(low, high, 40), np.array(self.pieces)
        return float(((steps >= pieces[:, :1] - 2) & (steps <= pieces[:, 1:] + 2)).any(axis=0).mean())


def _straight_edges(small: np.ndarray) -> list[_Edge]:
    """The longest straight edges of lightness and colour, pieces of one line together."""
    lab = cv2.cvtColor(small, cv2.COLOR_BGR2LAB)
    pieces: list[np.ndarray] = []
    for channel, gain in zip(cv2.split(lab), (1.0, 2.5, 2.5), strict=True):
        wide = np.clip((channel.astype(np.float32) - channel.mean()) * gain + 128, 0, 255).astype(np.uint8)
        seen = cv2.createLineSegmentDetector().detect(cv2.GaussianBlur(wide, (0, 0), 1.0))[0]
        pieces += [] if seen is None else list(seen.reshape(-1, 2, 2).astype(float))
    least = 0.03 * max(small.shape[:2])
    pieces = [one for one in pieces if np.linalg.norm(one[1] - one[0]) > least]
    pieces.sort(key=lambda one: -float(np.linalg.norm(one[1] - one[0])))
    lines: list[_Edge] = []
    for start, end in pieces[:400]:
        way = (end - start) / np.linalg.norm(end - start)
        for line in lines:
            if abs(_cross(line.way, way)) < 0.06 and max(abs(_cross(line.way, each - line.at)) for each in (start, end)) < 3:
                low, high = sorted(((start - line.at) @ line.way, (end - line.at) @ line.way))
                line.pieces.append((low, high))
                break
        else:
            lines.append(_Edge(start, way, [(0.0, float(np.linalg.norm(end - start)))]))
    lines.sort(key=lambda line: -sum(high - low for low, high in line.pieces))
    return lines[:MOST_LINES]


def _apart(one: _Edge, other: _Edge) -> float:
    low, high = other.pieces[0]
    return float(abs(_cross(one.way, other.at + other.way * (low + high) / 2 - one.at)))


def _corners(edges: list[_Edge], shape: tuple[int, ...]) -> tuple[float, np.ndarray] | None:
    """How well four edges go round something of about a card's shape, and its corners in order; None where they do not."""
    one, across, left, right = edges
    sides = [one, left, across, right]
    crossed = [_crossing((each.at, each.way), (after.at, after.way))
               for each, after in zip(sides, (*sides[1:], one), strict=True)]
    if any(each is None for each in crossed):
        return None
    corners = np.array([crossed[3], *crossed[:3]])  # the first side runs from the first corner to the second
    beyond = 0.02 * max(shape)
    if (corners < -beyond).any() or (corners > np.array(shape[1::-1]) + beyond).any():
        return None
    lengths = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    long, short = sorted((lengths[0] + lengths[2], lengths[1] + lengths[3]))[::-1]
    area = cv2.contourArea(corners.astype(np.float32))
    if not 1.0 < long / max(short, 1) < 2.6 or lengths.min() < 20 or area < LEAST_SHARE * shape[0] * shape[1]:
        return None
    seen = [each.seen(corners[k], corners[(k + 1) % 4]) for k, each in enumerate(sides)]
    return (float(np.mean(seen)), corners) if min(seen) > 0.3 and np.mean(seen) > 0.5 else None


def _same(one: np.ndarray, other: np.ndarray) -> bool:
    near = np.linalg.norm(one[:, None] - other[None], axis=2).min(axis=1)
    return bool(near.max() < 0.01 * np.linalg.norm(one[0] - one[2]))


def _followed(lab: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, float, float] | None:
    """The corners of the sharp rectangle, in order round it, the share of its sides that was seen, the residual [px]."""
    for reach in (0.025, 0.015):
        lines, seen, off = [], [], []
        size = float(np.linalg.norm(corners[0] - corners[2]))
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            line = _side(lab, start, end, max(reach * size, 3.0))
            if line is None:
                return None
            lines.append(line[0])
            seen.append(line[1])
            off.append(line[2])
        crossed = [_crossing(lines[k - 1], lines[k]) for k in range(4)]
        if any(one is None for one in crossed):
            return None
        corners = np.array(crossed)
    if min(seen) < SEEN_SIDE or np.mean(seen) < SEEN_ALL or not cv2.isContourConvex(corners.astype(np.float32)):
        return None
    return corners, float(np.mean(seen)), float(np.mean(off))


def _side(lab: np.ndarray, start: np.ndarray, end: np.ndarray, reach: float) -> tuple[Line, float, float] | None:
    """A side's line (point, direction), the share of it that lies on an edge, and how far off that edge is [px]."""
    length = float(np.linalg.norm(end - start))
    if length < LEAST_SIDE_PX:
        return None
    along = (end - start) / length
    normal = np.array([-along[1], along[0]])
    at = np.linspace(0.12, 0.88, int(np.clip(length / 3, 24, 160))) * length
    steps = np.arange(-reach, reach + 0.5, 0.5)
    where = start + at[:, None, None] * along + steps[None, :, None] * normal
    values = cv2.remap(lab, where[..., 0].astype(np.float32), where[..., 1].astype(np.float32), cv2.INTER_LINEAR,
                       borderMode=cv2.BORDER_REPLICATE)
    change = np.linalg.norm(values[:, 4:] - values[:, :-4], axis=2) / 2
    middle = steps[2:-2]
    best = change.argmax(axis=1)
    strong = change[np.arange(len(at)), best] > STEP
    if strong.mean() < SEEN_SIDE:
        return None
    part = np.clip(best[:, None] + np.arange(-2, 3), 0, change.shape[1] - 1)
    weight = np.take_along_axis(change, part, axis=1) ** 2
    off = (weight * middle[part]).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    x, y = at[strong], off[strong]
    good = np.ones(len(x), bool)
    for _ in range(6):  # a least-squares line, the worst left out, begun with the middle of slopes
        if good.sum() < 0.5 * len(x):
            return None
        slope, shift = np.polyfit(x[good], y[good], 1)
        rest = np.abs(y - slope * x - shift)
        limit = max(3 * 1.4826 * float(np.median(rest[good])), 0.75)
        if (now := rest < limit).sum() == good.sum():
            break
        good = now
    seen = good.sum() / len(at)
    direction = along + slope * normal
    line = start + shift * normal, direction / np.linalg.norm(direction)
    return line, float(seen), float(np.sqrt(np.mean(rest[good] ** 2)))


def _cross(one: np.ndarray, other: np.ndarray) -> float:
    return float(one[0] * other[1] - one[1] * other[0])


def _crossing(one: Line, other: Line) -> np.ndarray | None:
    turn = _cross(one[1], other[1])
    if abs(turn) < 0.2:
        return None
    return one[0] + _cross(other[0] - one[0], other[1]) / turn * one[1]


def _plane_of(picture: Picture, corners: np.ndarray, seen: float, residual: float) -> Plane | None:
    """The card's plane about its middle, as seen from far enough off; None where it has not the card's shape."""
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    if sides[0] + sides[2] < sides[1] + sides[3]:
        corners = np.roll(corners, -1, axis=0)
    half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (LONG_MM / 2, SHORT_MM / 2)
    H = cv2.getPerspectiveTransform(half.astype(np.float32), corners.astype(np.float32))
    told = picture.focal_px
    focal = DEFAULT_F35 * float(np.hypot(*picture.size)) / DIAGONAL_35MM if told is None else told.value
    middle = (np.array(picture.size) - 1) / 2
    rays = np.diag([1 / focal, 1 / focal, 1]) @ np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1]]) @ H
    along, across = rays[:, 0], rays[:, 1]
    ratio = float(np.log(np.linalg.norm(along) / np.linalg.norm(across)))
    square = float(along @ across / np.linalg.norm(along) / np.linalg.norm(across))
    normal = np.cross(along, across)
    tilt = float(np.degrees(np.arccos(min(abs(normal[2]) / np.linalg.norm(normal), 1.0))))
    if abs(ratio) > ODD_SHAPE or abs(square) > ODD_SHAPE or tilt > STEEPEST:
        return None
    at = H[:2, 2] / H[2, 2]
    flat = np.eye(3)
    flat[:2, :2] = (H[:2, :2] - np.outer(at, H[2, :2])) / H[2, 2]
    flat[:2, 2] = at
    edge = np.hypot(residual, 0.5) / sides.min()
    sigma = float(np.sqrt(HELD_BESIDE**2 + edge**2 + (ratio / 2) ** 2))
    return Plane("plain card", flat, 0, residual, tilt, scale_sigma=sigma)
