"""Where beside the card does the eye see a stem, and where on it bare wood?

The map is coarse, a cell is about two millimetres: it says which of the straight edges are a stem's sides and between which
heights wood is bare; where exactly they lie is told by the edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.eye.pieces import CLASSES, FINDER_SIZE
from diagnose.eye.see import find
from diagnose.measure.card_view import MARGIN, Line, View
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

GLANCE, CLOSER = 1.7, 3.2  # scales at which the finder sees the card's surroundings, then the patch's [px/mm]
SPOT = 6.0  # over which bare wood is added up to find where most is [mm]
BESIDE = 0.6  # of a strip's width, on either side, where no stem may be seen
LEAST_BESIDE = 4.0  # of it [mm]
MIDDLE = (0.25, 0.75)  # of a strip's width, where bare wood is looked for: bark beside it blurs the map
BARE = 0.5  # share of wood in what is seen of the stem from which on it is bare
ALONG, ASIDE = 80.0, 60.0  # how far along and across a stem its sides are read on the map [mm]
LEAST_ALONG = 12.0  # of a side that must be seen [mm]
MAP_STRENGTH = 2.5  # of a side that the map alone has shown, as `Line` counts it
LEAST_WOOD = 0.05  # of bare wood about a spot, 0 to 1
GAP, LEAST_RUN = 8.0, 4.0  # of bare wood along a strip [mm]
ACROSS = 24  # places across a strip that are read


@dataclass(frozen=True, eq=False)
class BarkMap:
    """Probabilities on a view's pixels. stem : (h, w) of bark or wood. wood : (h, w) of wood. free : (h, w) 1 where the view
    is open, else 0. scale [px/mm]."""

    stem: np.ndarray
    wood: np.ndarray
    free: np.ndarray
    scale: float

    def _strip(self, pair: tuple[Line, Line], low: float, high: float) -> tuple[np.ndarray, ...]:
        """stem, wood and free (length, ACROSS), between shares `low` and `high` of the way from one line to the other."""
        run = int(abs(pair[0].along[1]) > abs(pair[0].along[0]))
        along = np.arange(0, self.stem.shape[1 - run], 1.0)
        one, two = (line.at(run, along)[:, None] for line in pair)
        share = np.linspace(low, high, ACROSS)[None, :, None]
        at = (one + share * (two - one)).astype(np.float32)
        return tuple(cv2.remap(shown, at, None, cv2.INTER_LINEAR) for shown in (self.stem, self.wood, self.free))

    def wood_at(self, mm: np.ndarray) -> np.ndarray:
        """Probability of wood at places (h, w, 2) of the card's plane [mm], (h, w)."""
        return np.asarray(cv2.remap(self.wood, ((mm + MARGIN) * self.scale).astype(np.float32), None, cv2.INTER_LINEAR))

    def spot(self) -> np.ndarray | None:
        """Where most bare wood on a stem is seen, (2,) [view px]; None where next to none is."""
        spread = cv2.GaussianBlur(self.stem * self.wood * self.free, (0, 0), SPOT * self.scale)
        row, column = np.unravel_index(int(spread.argmax()), spread.shape)
        return np.array([column, row], float) if spread[row, column] > LEAST_WOOD else None

    def sides(self, spot: np.ndarray) -> tuple[Line, Line] | None:
        """The two sides of the stem that runs through a place, as straight lines, low coordinate first.

        spot : (2,) [view px]. Where the map falls to one half across the stem, within ALONG of the spot; None where that is
        not seen on both sides. What the card or the picture's edge cuts off is no side.
        """
        axis = self._direction(spot)
        if axis is None:
            return None
        middle = spot.astype(float)
        fits: list[tuple[np.ndarray, np.ndarray]] = []
        for _ in range(3):
            normal = np.array([-axis[1], axis[0]])
            along = np.arange(-ALONG * self.scale, ALONG * self.scale)
            across = np.arange(-ASIDE * self.scale, ASIDE * self.scale + 1, 0.5)
            at = (middle + along[:, None, None] * axis + across[None, :, None] * normal).astype(np.float32)
            stem, free = (cv2.remap(shown, at, None, cv2.INTER_LINEAR) for shown in (self.stem, self.free))
            fits = []
            for sign in (-1, 1):
                half = across * sign >= 0
                order = np.argsort(across[half] * sign)
                profile, there = stem[:, half][:, order], free[:, half][:, order]
                outward = np.sort(across[half] * sign)
                below = profile < 0.5
                first = below.argmax(axis=1)
                rows = np.arange(len(along))
                good = below.any(axis=1) & (first > 0) & (there[rows, first] > 0.9)
                good &= there[rows, np.maximum(first - 1, 0)] > 0.9
                if good.sum() < LEAST_ALONG * self.scale:
                    return None
                before, after = profile[rows, first - 1], profile[rows, first]
                cross = outward[first] - 0.5 * (0.5 - after) / np.maximum(before - after, 1e-3)
                points = np.column_stack([along[good], sign * cross[good]]).astype(np.float32)
                vx, vy, x0, y0 = cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
                if abs(vx) < 0.9:
                    return None
                fits.append((np.array([vx, vy]) * np.sign(vx), np.array([x0, y0])))
            lean = float(np.mean([way[1] / way[0] for way, _ in fits]))
            offset = float(np.mean([start[1] - start[0] * way[1] / way[0] for way, start in fits]))
            lines = [(axis * way[0] + normal * way[1], middle + axis * start[0] + normal * start[1]) for way, start in fits]
            middle = middle + normal * offset
            axis = (axis + normal * lean) / np.hypot(1.0, lean)
        pair = [Line(start, way / np.linalg.norm(way), MAP_STRENGTH) for way, start in lines]
        run = int(abs(axis[1]) > abs(axis[0]))
        low, high = sorted(pair, key=lambda line: float(line.at(run, spot[run])[1 - run]))
        return low, high

    def _direction(self, spot: np.ndarray) -> np.ndarray | None:
        """Unit vector (2,) along which most stem is seen on either side of a place; None where hardly any is."""
        best, way = 0.0, None
        for angle in np.radians(np.arange(0, 180, 2)):
            axis = np.array([np.cos(angle), np.sin(angle)])
            at = (spot + np.arange(-ALONG, ALONG + 1, 1.0)[:, None] * self.scale * axis).astype(np.float32)[None]
            stem, free = (cv2.remap(shown, at, None, cv2.INTER_LINEAR) for shown in (self.stem, self.free))
            seen = float((stem * (0.5 + 0.5 * free)).mean())
            if seen > best:
                best, way = seen, axis
        return way if best > 0.25 else None

    def bare(self, pair: tuple[Line, Line]) -> np.ndarray:
        """Share of bare wood at each place along a strip, (length,), 0 to 1; 0 where nothing is open."""
        stem, wood, free = self._strip(pair, *MIDDLE)
        return np.asarray((wood * free).sum(axis=1) / np.maximum((stem * free).sum(axis=1), 0.3 * ACROSS))

    def patch(self, pair: tuple[Line, Line]) -> tuple[float, float, float] | None:
        """Where along a strip wood is bare: first and last place along the running coordinate [px], and the mean share.

        The longest run, short gaps closed; None where none is as long as LEAST_RUN.
        """
        bare = self.bare(pair)
        gap = 2 * round(GAP * self.scale / 2) + 1
        there = cv2.morphologyEx((bare > BARE).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((gap, 1))).ravel()
        edges = np.flatnonzero(np.diff(np.concatenate([[0], there, [0]])))
        if not len(edges):
            return None
        runs = edges.reshape(-1, 2)
        first, end = max(runs, key=lambda run: float(bare[run[0] : run[1]].sum()))
        if end - first < LEAST_RUN * self.scale:
            return None
        return float(first), float(end - 1), float(bare[first:end].mean())

    def agreement(self, pair: tuple[Line, Line], rows: tuple[float, float]) -> float:
        """How well a strip between two lines covers the stem that is seen there: common to both over either, 0 to 1.

        rows : from where to where along the running view coordinate it is asked for [px].
        """
        run = int(abs(pair[0].along[1]) > abs(pair[0].along[0]))
        wide = abs(float((pair[1].at(run, np.mean(rows)) - pair[0].at(run, np.mean(rows)))[1 - run]))
        beside = max(BESIDE, LEAST_BESIDE * self.scale / max(wide, 1.0))
        part = slice(max(int(rows[0]), 0), int(rows[1]) + 1)
        inside = [shown[part] for shown in self._strip(pair, 0.0, 1.0)]
        out = [[shown[part] for shown in self._strip(pair, low, low + beside)] for low in (-beside, 1.0)]
        within = float((inside[0] * inside[2]).sum())
        off = sum(float((one[0] * one[2]).sum()) * beside for one in out)
        return within / max(float(inside[2].sum()) + off, 1.0)


def bark_map(picture: Picture, plane: Plane, view: View, tap: np.ndarray | None = None) -> BarkMap:
    """What the eye sees round the card, on the pixels of a view: at a glance, and closer where most bare wood is seen.

    tap : (2,) on the patch [view px], where it is looked for closely instead.
    """
    height, width = view.open.shape
    free = view.open.astype(np.float32)
    stem, wood, _ = _seen(picture, plane, view, np.array([width, height]) / 2, GLANCE)
    if tap is None:
        spread = cv2.GaussianBlur(stem * wood * free, (0, 0), SPOT * view.scale)
        tap = np.array(np.unravel_index(int(spread.argmax()), spread.shape)[::-1], float)
    near_stem, near_wood, there = _seen(picture, plane, view, tap, CLOSER)
    return BarkMap(np.where(there, near_stem, stem), np.where(there, near_wood, wood), free, view.scale)


def _seen(
    picture: Picture, plane: Plane, view: View, centre: np.ndarray, scale: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Probability of a stem, of wood, and whether it was seen at all, (h, w) each on a view's pixels.

    centre : (2,) of what the finder sees [view px]. scale : at which it sees the card's plane [px/mm].
    """
    rows, columns = FINDER_SIZE
    middle = view.to_mm(centre)
    corner = middle - np.array([columns, rows]) / scale / 2
    flat = np.array([[1 / scale, 0, corner[0]], [0, 1 / scale, corner[1]], [0, 0, 1]])
    found = find(picture.bgr, plane.H @ flat, flat=True)
    from_view = np.array([[1 / view.scale, 0, -MARGIN], [0, 1 / view.scale, -MARGIN], [0, 0, 1]])
    to_cells = np.linalg.inv(found.to_px) @ plane.H @ from_view
    both = np.dstack([found.stem, found.shares[..., CLASSES.index("wood")], np.ones(found.stem.shape)])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(both.astype(np.float32), to_cells, view.open.shape[::-1], flags=flags)
    return laid[..., 0], laid[..., 1], laid[..., 2] > 0.99
