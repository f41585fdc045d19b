"""Where beside the card does the eye see a stem, and where on it bare wood?

The map is coarse, a cell is about two millimetres: it says which of the straight edges are a stem's sides and between which
heights wood is bare; where exactly they lie is told by the edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from diagnose.eye.pieces import CLASSES, FINDER_SIZE
from diagnose.eye.see import find
from diagnose.measure.card_view import MARGIN, Line, View, apart
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

GLANCE, CLOSER = 1.7, 3.2  # scales at which the finder sees the card's surroundings, then the patch's [px/mm]
SPOT = 6.0  # over which bare wood is added up to find where most is [mm]
BESIDE = 0.6  # of a strip's width, on either side, where no stem may be seen
LEAST_BESIDE = 4.0  # of it [mm]
MIDDLE = (0.25, 0.75)  # of a strip's width, where bare wood is looked for: bark beside it blurs the map
NARROW = 8  # of ACROSS places side by side, over which a patch that is bare over fewer than half of them is looked for
BARE = 0.5  # share of wood in what is seen of the stem from which on it is bare
# how far along and across a stem its sides are read on the map [mm]: beyond the card too, which may hide one beside it
ALONG, ASIDE = 115.0, 60.0
LEAST_ALONG = 12.0  # of a side that must be seen [mm]
MAP_STRENGTH = 2.5  # of a side that the map alone has shown, as `Line` counts it
OPEN = 0.9  # share of a place that must be open for a side to be seen there
STRAIGHT_ON = 0.9  # cosine of the angle by which a side may leave the axis
LEAST_STEM = 0.25  # mean probability of a stem along an axis
TAP_REACH = 25.0  # from a tap to the middle of the patch it is on [mm]
LEAST_WOOD = 0.05  # of bare wood about a spot, 0 to 1
GAP, LEAST_RUN = 8.0, 4.0  # of bare wood along a strip [mm]
ACROSS = 24  # places across a strip that are read


@dataclass(frozen=True, eq=False)
class BarkMap:
    """Probabilities on a view's pixels.

    Parameters
    ----------
    stem, wood
        (h, w) of bark or wood, and of wood, 0 to 1 [no unit].
    free
        (h, w) 1 where the view is open, else 0 [no unit].
    scale
        Of the view [px/mm].
    """

    stem: np.ndarray
    wood: np.ndarray
    free: np.ndarray
    scale: float

    @cached_property
    def _all(self) -> np.ndarray:
        return cv2.merge([self.stem, self.wood, self.free])

    def at(self, places: np.ndarray) -> Sequence[np.ndarray]:
        """Stem, wood and free at places of the view, (h, w) each; 0 outside of it.

        Parameters
        ----------
        places
            (h, w, 2) [view px].
        """
        return cv2.split(cv2.remap(self._all, places.astype(np.float32), None, cv2.INTER_LINEAR))

    def _strip(self, pair: tuple[Line, Line], low: float, high: float) -> Sequence[np.ndarray]:
        """stem, wood and free (length, ACROSS), between shares `low` and `high` of the way from one line to the other."""
        run = pair[0].run
        along = np.arange(0, self.stem.shape[1 - run], 1.0)
        one, two = (line.at(run, along)[:, None] for line in pair)
        share = np.linspace(low, high, ACROSS)[None, :, None]
        return self.at(one + share * (two - one))

    def wood_at(self, mm: np.ndarray) -> np.ndarray:
        """Probability of wood at places of the card's plane, (h, w).

        Parameters
        ----------
        mm
            (h, w, 2) places [mm].
        """
        return self.at((mm + MARGIN) * self.scale)[1]

    def spot(self, tap: np.ndarray | None = None) -> np.ndarray | None:
        """Where most bare wood on a stem is seen, (2,) [view px]; None where next to none is.

        Parameters
        ----------
        tap
            (2,) place within TAP_REACH of which it is looked for; it is the place itself where no wood is seen there. None
            to look everywhere [view px].
        """
        found = _most_bare(self.stem * self.wood * self.free, self.scale, tap)
        return tap if found is None else found

    def sides(self, spot: np.ndarray) -> tuple[Line, Line] | None:
        """The two sides of the stem that runs through a place, as straight lines, low coordinate first [view px].

        Where the map falls to one half across the stem, within ALONG of the spot; None where that is not seen on both sides.
        What the card or the picture's edge cuts off is no side.

        Parameters
        ----------
        spot
            (2,) the place [view px].
        """
        axis, middle = self._direction(spot), spot.astype(float)
        if axis is None:
            return None
        pair: list[Line] = []
        for _ in range(3):  # the middle and the direction settle where both sides say they are
            sides = [self._side(middle, axis, sign) for sign in (-1, 1)]
            if sides[0] is None or sides[1] is None:
                return None
            pair = [side for side in sides if side is not None]
            normal = np.array([-axis[1], axis[0]])
            lean = float(np.mean([(side.along @ normal) / (side.along @ axis) for side in pair]))
            offset = float(np.mean([(side.middle - middle) @ normal - (side.middle - middle) @ axis
                                    * (side.along @ normal) / (side.along @ axis) for side in pair]))
            middle = middle + normal * offset
            axis = (axis + normal * lean) / np.hypot(1.0, lean)
        run = int(abs(axis[1]) > abs(axis[0]))
        low, high = sorted(pair, key=lambda line: float(line.at(run, spot[run])[1 - run]))
        return low, high

    def _side(self, middle: np.ndarray, axis: np.ndarray, sign: int) -> Line | None:
        """The side to the left (-1) or right (1) of an axis, through the places where the map falls to one half."""
        normal = sign * np.array([-axis[1], axis[0]])
        along = np.arange(-ALONG * self.scale, ALONG * self.scale)
        outward = np.arange(0, ASIDE * self.scale + 1, 0.5)
        stem, _, free = self.at(middle + along[:, None, None] * axis + outward[None, :, None] * normal)
        first = (stem < 0.5).argmax(axis=1)
        rows = np.arange(len(along))
        seen = (first > 0) & (np.minimum(free[rows, first], free[rows, first - 1]) > OPEN)
        if seen.sum() < LEAST_ALONG * self.scale:
            return None
        before, after = stem[rows, first - 1], stem[rows, first]
        across = outward[first] - 0.5 * (0.5 - after) / np.maximum(before - after, 1e-3)
        points = np.column_stack([along[seen], across[seen]]).astype(np.float32)
        way_along, way_out, start_along, start_out = cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
        if abs(way_along) < STRAIGHT_ON:
            return None
        way = (axis * way_along + normal * way_out) * np.sign(way_along)
        return Line(middle + axis * start_along + normal * start_out, way, MAP_STRENGTH)

    def _direction(self, spot: np.ndarray) -> np.ndarray | None:
        """Unit vector (2,) along which most stem is seen on either side of a place; None where hardly any is."""
        angles = np.radians(np.arange(0, 180, 2))
        ways = np.column_stack([np.cos(angles), np.sin(angles)])
        stem, _, free = self.at(spot + np.arange(-ALONG, ALONG + 1, 1.0)[None, :, None] * self.scale * ways[:, None])
        seen = (stem * (0.5 + 0.5 * free)).mean(axis=1)  # what the card hides may go on
        return ways[seen.argmax()] if seen.max() > LEAST_STEM else None

    def bare(self, pair: tuple[Line, Line], across: int = ACROSS) -> np.ndarray:
        """Share of bare wood at each place along a strip, (length,), 0 to 1; 0 where nothing is open.

        Parameters
        ----------
        pair
            The strip's two sides, low coordinate first [view px].
        across
            Over how many of the ACROSS places side by side it is taken, where most is seen [no unit].
        """
        stem, wood, free = self._strip(pair, *MIDDLE)
        bare, of_stem = (np.lib.stride_tricks.sliding_window_view(shown * free, across, axis=1).mean(axis=2)
                         for shown in (wood, stem))
        return np.asarray((bare / np.maximum(of_stem, 0.3)).max(axis=1))

    def patch(self, pair: tuple[Line, Line]) -> tuple[float, float, float] | None:
        """Where along a strip wood is bare: first and last place along the running coordinate [px], and the mean share.

        The run with most bare wood, short gaps closed, over the whole width or, where that shows none, over a narrow part of
        it; None where none is as long as LEAST_RUN.

        Parameters
        ----------
        pair
            The strip's two sides, low coordinate first [view px].
        """
        return self._run(self.bare(pair)) or self._run(self.bare(pair, NARROW))

    def _run(self, bare: np.ndarray) -> tuple[float, float, float] | None:
        """First and last place [px] and the mean of the run with most bare wood; bare : share along a strip, (length,)."""
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

        Parameters
        ----------
        pair
            The strip's two sides, low coordinate first [view px].
        rows
            From where to where along the running view coordinate it is asked for [view px].
        """
        beside = max(BESIDE, LEAST_BESIDE * self.scale / max(apart(pair, float(np.mean(rows))), 1.0))
        part = slice(max(int(rows[0]), 0), int(rows[1]) + 1)
        inside = [shown[part] for shown in self._strip(pair, 0.0, 1.0)]
        out = [[shown[part] for shown in self._strip(pair, low, low + beside)] for low in (-beside, 1.0)]
        within = float((inside[0] * inside[2]).sum())
        off = sum(float((one[0] * one[2]).sum()) * beside for one in out)
        return within / max(float(inside[2].sum()) + off, 1.0)


def bark_map(picture: Picture, plane: Plane, view: View, tap: np.ndarray | None = None) -> BarkMap:
    """What the eye sees round the card, on the pixels of a view: at a glance, and closer where most bare wood is seen.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    view
        The card's surroundings laid flat [no unit].
    tap
        (2,) place on the patch, near which it is looked at closely; None where nobody tapped [view px].
    """
    height, width = view.open.shape
    free = view.open.astype(np.float32)
    stem, wood, _ = _seen(picture, plane, view, np.array([width, height]) / 2, GLANCE)
    closer = BarkMap(stem, wood, free, view.scale).spot(tap)
    if closer is None:
        return BarkMap(stem, wood, free, view.scale)
    near_stem, near_wood, there = _seen(picture, plane, view, closer, CLOSER)
    return BarkMap(np.where(there, near_stem, stem), np.where(there, near_wood, wood), free, view.scale)


def _most_bare(bare: np.ndarray, scale: float, tap: np.ndarray | None) -> np.ndarray | None:
    """Where most of a map (h, w) lies together, (2,) [px]; None where next to nothing does. tap : within TAP_REACH of it."""
    spread = cv2.GaussianBlur(bare, (0, 0), SPOT * scale)
    if tap is not None:
        y, x = np.indices(spread.shape)
        spread = np.where(np.hypot(x - tap[0], y - tap[1]) < TAP_REACH * scale, spread, 0)
    row, column = np.unravel_index(int(spread.argmax()), spread.shape)
    return np.array([column, row], float) if spread[row, column] > LEAST_WOOD else None


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
    found = find(picture, plane.H @ flat, flat=True)
    from_view = np.array([[1 / view.scale, 0, -MARGIN], [0, 1 / view.scale, -MARGIN], [0, 0, 1]])
    to_cells = np.linalg.inv(found.to_px) @ plane.H @ from_view
    both = np.dstack([found.stem, found.shares[..., CLASSES.index("wood")], np.ones(found.stem.shape)])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(both.astype(np.float32), to_cells, view.open.shape[::-1], flags=flags)
    return laid[..., 0], laid[..., 1], laid[..., 2] > 0.99
