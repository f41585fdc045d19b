"""Which stem beside the scale card carries a bare patch, and where along it is the patch?

The eye's map tells on which stem bare wood is seen, and about where its sides run; edges there tell where exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from diagnose.measure.bark_map import BarkMap
from diagnose.measure.bark_sides import agreed, seen_closely
from diagnose.measure.card_view import Line, View, apart
from diagnose.measure.stem import Stem, fit_stem

NONE: Any = None  # where OpenCV takes nothing but its stubs do not say so
THICKEST = 110.0  # stem that a card of 150 x 100 mm is held beside [mm]
THICKEST_UNTAPPED = 90.0  # a table's planks may look like thicker trunks: those need a tap [mm]
LEAST_SIDE = 40.0  # along a side, from its first to its last place [mm]; spent test pictures
PLAINLY_BARE, BARE_WHERE_TAPPED = 0.6, 0.45  # mean share of wood in a run on the map, at least, to be a patch
WOOD_RED = (-0.04, 0.46)  # ln(red / green) of bare wood against the card's white, fresh to weathered; own readings
WOOD_BLUE = (0.20, 1.05)  # ln(green / blue) of the same
WOOD_DARKEST = -2.9  # ln(green), in the stem's own shadow
LEAST_AREA = 15.0  # of what looks bare [mm2]
ENOUGH_CELLS = 1500  # to tell colours by
LEAST_STRIP = 40.0  # length of a strip, for its colours to tell [mm]
COLUMNS = 30  # across a strip
NEAR_TAP = 6.0  # how far from the tap a patch may lie [mm]
NEAR_BARE = 2.0  # about a place where wood is bare, within which its colour is told [mm]
AS_WIDE = (0.75, 1.35)  # a stem as fitted, in widths of the strip


@dataclass(frozen=True, eq=False)
class Candidate:
    """A strip between two lines of a view that looks like a stem with a bare patch.

    Parameters
    ----------
    pair, centre
        Its sides, low coordinate first, and (2,) a place on the patch, the tap if any [view px].
    rows, wide
        First and last of the patch along the running coordinate by its colours, where they show it, and the same with where
        the eye's map plainly shows bare wood [view px].
    width
        How wide it is [mm].
    """

    pair: tuple[Line, Line]
    centre: np.ndarray
    rows: tuple[float, float]
    wide: tuple[float, float]
    width: float


@dataclass(frozen=True)
class _Part:
    """What looks bare of a strip: its first and last place along it, and its middle, (2,) [view px]."""

    first: float
    last: float
    centre: np.ndarray


def stems_with_patch(view: View, seen: BarkMap, tap: np.ndarray | None = None) -> Iterator[tuple[Stem, Candidate]]:
    """Stems beside the card that seem to carry a bare patch, each with the strip it was found on, the likeliest first.

    Parameters
    ----------
    view, seen, tap
        The card's surroundings, what the map shows there, and (2,) the place that was tapped, if any [view px].
    """
    thickest = THICKEST_UNTAPPED if tap is None else THICKEST
    for spot in seen.spots(tap):
        one = _at_spot(view, seen, spot, tap)
        if one is None:
            continue
        stem = fit_stem(view, one.pair, near=one.centre, skip=one.wide)
        if stem is not None:
            stem = agreed(stem, one.pair, view, float(one.centre[one.pair[0].run]))
        if stem is not None and not stem.eye_wider:
            stem = seen_closely(stem, view, *levels(stem, view, one, one.wide))
        if stem is None or min(np.ptp(stem.place(side)[0]) for side in stem.sides_px) < LEAST_SIDE:
            continue
        if AS_WIDE[0] < 2 * stem.radius / one.width < AS_WIDE[1] and 2 * stem.radius <= thickest:
            yield stem, one


def levels(stem: Stem, view: View, candidate: Candidate, rows: tuple[float, float]) -> np.ndarray:
    """Where along a stem two places of a candidate's strip lie, (2,), the lower one first [mm].

    Parameters
    ----------
    stem, view, candidate, rows
        The stem, the card's surroundings, the strip on which it was found, and the places along it [view px].
    """
    ends = np.array([candidate.centre, candidate.centre])
    ends[:, candidate.pair[0].run] = rows
    return np.sort(stem.place(view.to_px(ends))[0])


def _at_spot(view: View, seen: BarkMap, spot: np.ndarray, tap: np.ndarray | None) -> Candidate | None:
    """The stem that the eye's map shows at one place of the view, (2,), with its bare patch; None where it shows none."""
    pair = seen.sides(spot)
    if pair is None:
        return None
    run, there, parts = pair[0].run, seen.patch(pair), _bare_parts(view, pair, spot)
    nearest = min(parts, key=lambda part: max(part.first - spot[run], spot[run] - part.last), default=None)
    if there is not None and there.share >= (PLAINLY_BARE if tap is None else BARE_WHERE_TAPPED):
        beside = [part for part in parts if part.first < there.last and part.last > there.first]
        wide = (min([there.first, *(part.first for part in beside)]), max([there.last, *(part.last for part in beside)]))
    elif nearest is not None:
        wide = nearest.first, nearest.last
    else:
        return None
    if tap is not None and not _near(tap, pair, wide, NEAR_TAP * view.scale):
        return None
    rows, centre = (wide, spot) if nearest is None else ((nearest.first, nearest.last), nearest.centre)
    return Candidate(pair, centre if tap is None else tap, rows, wide, apart(pair, float(centre[run])) / view.scale)


def _near(place: np.ndarray, pair: tuple[Line, Line], rows: tuple[float, float], reach: float) -> bool:
    """Whether a place lies on a strip between two rows, or no farther than `reach` from there."""
    run = pair[0].run
    low, high = (float(line.at(run, place[run])[1 - run]) for line in pair)
    spans = ((place[run], *rows), (place[1 - run], low, high))
    return all(first - reach <= at <= last + reach for at, first, last in spans)


def _bare_parts(view: View, pair: tuple[Line, Line], spot: np.ndarray) -> list[_Part]:
    """Parts of a strip that have the colours of bare wood, none that reaches the strip's ends."""
    run = pair[0].run
    along = np.arange(0, view.open.shape[1 - run], 1.0)
    low, high = (line.at(run, along)[:, None] for line in pair)
    share = (np.arange(COLUMNS)[None, :, None] + 0.5) / COLUMNS
    grid: Any = (low + share * (high - low)).astype(np.float32)
    bgr = cv2.remap(view.bgr, grid, NONE, cv2.INTER_LINEAR)
    light = view.log_light(cv2.GaussianBlur(bgr, (0, 0), sigmaX=0.6, sigmaY=1.2))
    free = cv2.remap(view.open.astype(np.uint8), grid, NONE, cv2.INTER_NEAREST) > 0
    rows = np.flatnonzero(free.mean(axis=1) > 0.3)
    if len(rows) < LEAST_STRIP * view.scale:
        return []
    seen = slice(rows[0], rows[-1] + 1)
    colour = np.dstack([light[..., 2] - light[..., 1], light[..., 1] - light[..., 0], 0.35 * light[..., 1]])[seen]
    free, grid = free[seen], grid[seen]
    near = np.linalg.norm(grid - spot, axis=2) < NEAR_BARE * view.scale
    bare = _bare_of(colour, free, max(int(8 * view.scale), int(0.12 * len(free))), near)
    if bare is None:
        return []
    _, _, stats, centres = cv2.connectedComponentsWithStats(bare)
    cell = float(np.linalg.norm(high - low, axis=2).mean()) / COLUMNS / view.scale**2  # [mm2]
    parts = []
    for (_, top, _, tall, cells), (column, row) in zip(stats[1:], np.round(centres[1:]).astype(int), strict=True):
        if cells * cell >= LEAST_AREA and top > 0 and top + tall < len(bare):
            parts.append(_Part(float(grid[top, 0, run]), float(grid[top + tall - 1, 0, run]), grid[row, column]))
    return parts


def _bare_of(colour: np.ndarray, free: np.ndarray, end: int, near: np.ndarray) -> np.ndarray | None:
    """Where a strip's colours (h, w, 3) look like bare wood, uint8; its bark's colour is known by the strip's ends.

    near : (h, w) cells about a place where wood is bare; what has their colour is bare too, unless the ends have it.
    """
    sample: Any = colour[free].astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 10, 0.01)
    cv2.setRNGSeed(1)
    _, _, centres = cv2.kmeans(sample[:: max(1, len(sample) // ENOUGH_CELLS)], 4, NONE, stop, 2, cv2.KMEANS_PP_CENTERS)
    labels = np.full(free.shape, -1)
    labels[free] = np.argmin((centres**2).sum(axis=1) - 2 * sample @ centres.T, axis=1)
    at_ends = np.concatenate([labels[:end], labels[-end:]])
    counts = np.array([(at_ends == k).sum() for k in range(4)], float)
    if counts.sum() < 20:
        return None
    bark = counts / counts.sum() > 0.08
    wood = [k for k in range(4) if not bark[k] and _looks_like_wood(centres[k], centres[bark])]
    if (near & free).any():
        own = int(np.bincount(labels[near & free]).argmax())
        wood = [k for k in range(4) if not bark[k] and (k in wood or k == own)]
    if not wood:
        return None
    return cv2.morphologyEx(np.isin(labels, wood).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5)))


def _looks_like_wood(colour: np.ndarray, bark: np.ndarray) -> bool:
    """Whether a mean colour (red/green, green/blue, 0.35 green; all ln) could be bare wood on such bark (n, 3)."""
    red, blue, green = (float(value) for value in colour)
    in_box = WOOD_RED[0] < red < WOOD_RED[1] and WOOD_BLUE[0] < blue < WOOD_BLUE[1] and green / 0.35 > WOOD_DARKEST
    return in_box and float(np.linalg.norm(bark - colour, axis=1).min()) > 0.15


