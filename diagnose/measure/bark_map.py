"""Where beside the card does the eye see a stem, and where on it bare wood?

The map is coarse, a cell is about two millimetres: where exactly sides and wood lie is told by edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import cv2
import numpy as np

from diagnose.eye.pieces import CLASSES, scaling
from diagnose.eye.see import find
from diagnose.measure.card_view import MARGIN, Line, View
from diagnose.measure.geometry import smoothed

# scales at which the finder sees the card's surroundings, then the patch's [px/mm], and how many pixels of these, rows and
# columns, multiples of 32
GLANCE, CLOSER = (1.7, (320, 448)), (2.4, (256, 320))
SPOT = 6.0  # over which bare wood is added up to find where most is [mm]
MIDDLE = (0.25, 0.75)  # of a strip's width, where bare wood is looked for: bark beside it blurs the map
NARROW = 8  # of ACROSS places side by side, over which a patch that is bare over fewer than half of them is looked for
BARE = 0.5  # share of wood in what is seen of the stem from which on it is bare
# how far along and across a stem its sides are read on the map [mm]: beyond the card too, which may hide one beside it
ALONG, ASIDE = 115.0, 60.0
EACH = 1.5  # so far apart along it it is read [mm]
LEAST_ALONG = 12.0  # of a side that must be seen [mm]
OPEN = 0.9  # share of a place that must be open for a side to be seen there
STRAIGHT_ON = 0.9  # cosine of the angle by which a side may leave the axis
LEAST_STEM = 0.25  # mean probability of a stem along an axis
TAP_REACH = 25.0  # from a tap to the middle of the patch it is on [mm]
LEAST_WOOD = 0.05  # of bare wood about a spot, 0 to 1
SPOTS, SPOTS_APART = 3, 25.0  # that are looked at, and how far apart [mm]
GAP, LEAST_RUN = 8.0, 4.0  # of bare wood along a strip [mm]
ACROSS = 24  # places across a strip that are read


class Run(NamedTuple):
    """Bare wood along a strip.

    Parameters
    ----------
    first, last, share
        Its first and last place [view px], and the mean share of wood in what is seen there [no unit].
    """

    first: float
    last: float
    share: float


@dataclass(frozen=True, eq=False)
class BarkMap:
    """Probabilities on a view's pixels.

    Parameters
    ----------
    stem, wood, free
        (h, w) of bark or wood, and of wood, 0 to 1 [no unit]; (h, w) 1 where the view is open, else 0 [no unit].
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

    def spots(self, tap: np.ndarray | None = None) -> list[np.ndarray]:
        """Where most bare wood on a stem is seen, (2,) each, most first, at most SPOTS; the tap last [view px].

        Parameters
        ----------
        tap
            (2,) place within TAP_REACH of which they are looked for; None to look everywhere [view px].
        """
        spread = smoothed(self.stem * self.wood * self.free, SPOT * self.scale)
        if tap is not None:
            column, row = np.round(tap).astype(int).tolist()
            spread *= cv2.circle(np.zeros_like(spread), (column, row), round(TAP_REACH * self.scale), 1.0, -1)
        found: list[np.ndarray] = []
        for _ in range(SPOTS):
            row, column = np.unravel_index(int(spread.argmax()), spread.shape)
            if spread[row, column] <= LEAST_WOOD:
                break
            found.append(np.array([column, row], float))
            cv2.circle(spread, (int(column), int(row)), round(SPOTS_APART * self.scale), 0.0, -1)
        return found if tap is None else [*found, tap]

    def sides(self, spot: np.ndarray) -> tuple[Line, Line] | None:
        """The two sides of the stem that runs through a place, low coordinate first, where the map falls to one half.

        None where that is not seen on both sides, within ALONG; what the card or the picture's edge cuts off is no side.

        Parameters
        ----------
        spot
            (2,) the place [view px].
        """
        axis, middle = self._direction(spot), spot.astype(float)
        pair: list[Line] = []
        for _ in range(3):  # the middle and the direction settle where both sides say they are
            sides = [] if axis is None else [self._side(middle, axis, sign) for sign in (-1, 1)]
            pair = [side for side in sides if side is not None]
            if axis is None or len(pair) < 2:
                return None
            normal = np.array([-axis[1], axis[0]])
            leans = np.array([(side.along @ normal) / (side.along @ axis) for side in pair])
            offs = np.array([(side.middle - middle) @ (normal - axis * by) for side, by in zip(pair, leans, strict=True)])
            middle = middle + normal * offs.mean()
            axis = (axis + normal * leans.mean()) / np.hypot(1.0, leans.mean())
        run = int(abs(axis[1]) > abs(axis[0]))
        low, high = sorted(pair, key=lambda line: float(line.at(run, spot[run])[1 - run]))
        return low, high

    def _side(self, middle: np.ndarray, axis: np.ndarray, sign: int) -> Line | None:
        """The side to the left (-1) or right (1) of an axis, through the places where the map falls to one half."""
        normal = sign * np.array([-axis[1], axis[0]])
        along = np.arange(-ALONG, ALONG, EACH) * self.scale
        outward = np.arange(0, ASIDE * self.scale + 1)
        stem, _, free = self.at(middle + along[:, None, None] * axis + outward[None, :, None] * normal)
        first = (stem < 0.5).argmax(axis=1)
        rows = np.arange(len(along))
        seen = (first > 0) & (np.minimum(free[rows, first], free[rows, first - 1]) > OPEN)
        if seen.sum() * EACH < LEAST_ALONG:
            return None
        before, after = stem[rows, first - 1], stem[rows, first]
        across = outward[first] - (0.5 - after) / np.maximum(before - after, 1e-3)
        points = np.column_stack([along[seen], across[seen]]).astype(np.float32)
        way_along, way_out, start_along, start_out = cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
        if abs(way_along) < STRAIGHT_ON:
            return None
        way = (axis * way_along + normal * way_out) * np.sign(way_along)
        return Line(middle + axis * start_along + normal * start_out, way)

    def _direction(self, spot: np.ndarray) -> np.ndarray | None:
        """Unit vector (2,) along which most stem is seen on either side of a place; None where hardly any is."""
        angles = np.radians(np.arange(0, 180, 3))
        ways = np.column_stack([np.cos(angles), np.sin(angles)])
        stem, _, free = self.at(spot + np.arange(-ALONG, ALONG + 1, EACH)[None, :, None] * self.scale * ways[:, None])
        seen = (stem * (0.5 + 0.5 * free)).mean(axis=1)  # what the card hides may go on
        return ways[seen.argmax()] if seen.max() > LEAST_STEM else None

    def patch(self, pair: tuple[Line, Line]) -> Run | None:
        """The run with most bare wood along a strip, short gaps closed.

        Over the whole width or, where that shows none, over a narrow part of it; None where none is as long as LEAST_RUN.

        Parameters
        ----------
        pair
            The strip's two sides, low coordinate first [view px].
        """
        run = pair[0].run
        low, high = (line.at(run, np.arange(0, self.stem.shape[1 - run], 1.0))[:, None] for line in pair)
        shown = self.at(low + np.linspace(*MIDDLE, ACROSS)[None, :, None] * (high - low))
        return self._run(shown, ACROSS) or self._run(shown, NARROW)

    def _run(self, strip: Sequence[np.ndarray], across: int) -> Run | None:
        """The same from what a strip shows, (length, ACROSS) each, over so many places side by side, where most is seen."""
        stem, wood, free = strip
        of_wood, of_stem = (np.lib.stride_tricks.sliding_window_view(shown * free, across, axis=1).mean(axis=2)
                            for shown in (wood, stem))  # fmt: skip
        bare = (of_wood / np.maximum(of_stem, 0.3)).max(axis=1)
        gap = 2 * round(GAP * self.scale / 2) + 1
        there = cv2.morphologyEx((bare > BARE).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((gap, 1))).ravel()
        runs = np.flatnonzero(np.diff(np.concatenate([[0], there, [0]]))).reshape(-1, 2)
        first, end = max(runs, key=lambda run: float(bare[run[0] : run[1]].sum()), default=(0, 0))
        if end - first < LEAST_RUN * self.scale:
            return None
        return Run(float(first), float(end - 1), float(bare[first:end].mean()))


def bark_map(view: View, tap: np.ndarray | None = None) -> BarkMap:
    """What the eye sees round the card, on the pixels of a view: at a glance, and closer where most bare wood is seen.

    Parameters
    ----------
    view, tap
        The card's surroundings laid flat [no unit]; (2,) place on the patch, near which it is looked at closely; None
        where nobody tapped [view px].
    """
    stem, wood, _ = _seen(view, np.array(view.open.shape[::-1]) / 2, *GLANCE)
    glance = BarkMap(stem, wood, view.open.astype(np.float32), view.scale)
    spots = glance.spots(tap)
    if not spots:
        return glance
    near_stem, near_wood, there = _seen(view, spots[0], *CLOSER)
    seen = there > 0.99
    return BarkMap(np.where(seen, near_stem, stem), np.where(seen, near_wood, wood), glance.free, view.scale)


def _seen(view: View, centre: np.ndarray, scale: float, size: tuple[int, int]) -> Sequence[np.ndarray]:
    """Probability of a stem, of wood, and 1 where it was seen at all, (h, w) each on a view's pixels.

    centre : (2,) of what the finder sees [view px]. scale : at which it sees the card's plane [px/mm].
    """
    corner = view.to_mm(centre) - np.array(size[::-1]) / scale / 2
    found = find(view.picture, view.plane.H @ scaling(1 / scale, *corner), flat=True, size=size)
    to_cells = np.linalg.inv(found.to_px) @ view.plane.H @ scaling(1 / view.scale, -MARGIN, -MARGIN)
    wood = np.ascontiguousarray(found.shares[..., CLASSES.index("wood")])
    all_three = cv2.merge([found.stem, wood, np.ones_like(wood)])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.split(cv2.warpPerspective(all_three, to_cells, view.open.shape[::-1], flags=flags))
