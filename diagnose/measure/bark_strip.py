"""Which strip beside the scale card is a stem with a bare patch, and where on it is the patch?

The eye's map tells on which stem bare wood is seen, and about where its sides run; straight edges tell where exactly. Where
the map shows none, strips between straight edges are searched for a patch of wood's colours.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np

from diagnose.measure.bark_map import BarkMap
from diagnose.measure.bark_sides import agreed, settled
from diagnose.measure.card_view import (
    LEVEL,
    UPRIGHT,
    WIDTHS,
    Line,
    View,
    apart,
    likelier_first,
    likely_pairs,
    straight_edges,
)
from diagnose.measure.stem import Stem, fit_stem

NONE: Any = None  # where OpenCV takes nothing but its stubs do not say so
WOOD_RED = (-0.04, 0.46)  # ln(red / green) of bare wood against the card's white, fresh to weathered; own readings
WOOD_BLUE = (0.20, 1.05)  # ln(green / blue) of the same
WOOD_DARKEST = -2.9  # ln(green), in the stem's own shadow
LEAST_AREA = 15.0  # of a patch [mm2]
LARGE_ENOUGH, PLAIN_ENOUGH = 200.0, 0.6  # area [mm2] and contrast of a patch beyond which it is no likelier
BEST_PATCH = 0.5 * float(np.log(LARGE_ENOUGH)) + float(np.log(PLAIN_ENOUGH))  # what they add to a score, at most
MOST_PAIRS = 9  # of lines that are looked between for a patch
TRIED = 6  # candidates that are looked at closely
ENOUGH_CELLS = 1500  # to tell colours by
ROWS_ENOUGH = 50  # of a column, to tell its colour by
COLUMNS, BEYOND = 20, 3  # across a strip, and beside it on either side
NEAR_TAP = 6.0  # how far from the tap a patch may lie [mm]
NEAR_BARE = 2.0  # about a place where wood is bare, within which its colour is told [mm]
THICKEST_UNTAPPED = 90.0  # a table's planks may look like thicker trunks: those need a tap [mm]
LEAST_SIDE = 40.0  # along a side, from its first to its last place [mm]; spent test pictures
PLAINLY_BARE, BARE_WHERE_TAPPED = 0.6, 0.45  # mean share of bare wood in a run of it that colours do not show
AGREED = 3.0  # what full agreement with the map adds to a score
FAR_BELOW = 2.5  # of scores: where the likeliest stem has no patch, one so much unlikelier has none either
SURE, SURE_WHERE_TAPPED = 3.9, 3.4  # least score, agreement in it; chosen on calibration renderings and drawn pictures


@dataclass(frozen=True, eq=False)
class Candidate:
    """A strip between two lines of a view that looks like a stem with a bare patch.

    Parameters
    ----------
    pair, centre
        Its sides, low coordinate first, and (2,) the patch's middle [view px].
    rows, wide
        First and last of the patch along the running coordinate, and the same with where else the eye's map shows bare wood
        [view px].
    score, width
        Higher is likelier [no unit]; how wide it is [mm].
    """

    pair: tuple[Line, Line]
    score: float
    centre: np.ndarray
    rows: tuple[float, float]
    wide: tuple[float, float]
    width: float


def candidates(
    view: View, lines: list[Line], tap: np.ndarray | None = None, bare_at: np.ndarray | None = None
) -> list[Candidate]:
    """Strips that carry a bare patch, likeliest first, at most TRIED.

    Parameters
    ----------
    view, lines, tap, bare_at
        The card's surroundings, straight edges there, (2,) the place that was tapped, if any, and (2,) a place where wood is
        bare, if one is known [view px].
    """
    found: list[Candidate] = []
    pairs = sorted(likely_pairs(view, lines), key=lambda pair: -_of_sides(pair))
    for pair in pairs[:MOST_PAIRS] if tap is None else pairs:
        if len(found) == TRIED and _of_sides(pair) + BEST_PATCH < found[-1].score:
            break
        one = _candidate(view, pair, tap, bare_at)
        if one is not None:
            found = sorted([*found, one], key=lambda one: -one.score)[:TRIED]
    return found


def _of_sides(pair: tuple[Line, Line]) -> float:
    """What the strength of its sides adds to a candidate's score."""
    return 0.6 * float(np.log(pair[0].strength) + np.log(pair[1].strength))


def _candidate(
    view: View, pair: tuple[Line, Line], tap: np.ndarray | None, bare_at: np.ndarray | None
) -> Candidate | None:
    """The strip between two lines with the likeliest of the patches that it shows; None where it shows none."""
    run = pair[0].run
    along = np.arange(0, view.open.shape[1 - run], 1.0)
    low, high = (line.at(run, along).astype(np.float32) for line in pair)
    share = ((np.arange(-BEYOND, COLUMNS + BEYOND) + 0.5) / COLUMNS).astype(np.float32)
    grid: Any = cv2.merge([low[:, k, None] + share * (high - low)[:, k, None] for k in (0, 1)])
    bgr = cv2.remap(view.bgr, grid, NONE, cv2.INTER_LINEAR)
    light = view.log_light(cv2.GaussianBlur(bgr, (0, 0), sigmaX=0.6, sigmaY=1.2))
    free = cv2.remap(view.open.astype(np.uint8), grid, NONE, cv2.INTER_NEAREST) > 0
    rows = np.flatnonzero(free[:, BEYOND:-BEYOND].mean(axis=1) > 0.3)
    if len(rows) < 40 * view.scale:
        return None
    seen = slice(rows[0], rows[-1] + 1)
    colour = np.dstack([light[..., 2] - light[..., 1], light[..., 1] - light[..., 0], 0.35 * light[..., 1]])[seen]
    free, grid = free[seen], grid[seen]
    near = None if bare_at is None else np.linalg.norm(grid - bare_at, axis=2) < NEAR_BARE * view.scale
    told = _bare_of(colour, free, max(int(8 * view.scale), int(0.12 * len(free))), near)
    if told is None:
        return None
    bare, bark_colour = told
    count, parts, stats, _ = cv2.connectedComponentsWithStats(bare)
    width = float(np.linalg.norm(high - low, axis=1).mean()) / view.scale
    best: Candidate | None = None
    for part in range(1, count):
        mask, area = parts == part, stats[part, cv2.CC_STAT_AREA] * width / COLUMNS / view.scale
        top, tall = stats[part, cv2.CC_STAT_TOP], stats[part, cv2.CC_STAT_HEIGHT]
        if area < LEAST_AREA or top == 0 or top + tall == len(free):
            continue
        if tap is not None and np.linalg.norm(grid[mask] - tap, axis=1).min() / view.scale > NEAR_TAP:
            continue
        contrast = float(np.linalg.norm(np.median(colour[mask], axis=0) - bark_colour))
        of_patch = 0.5 * np.log(min(area, LARGE_ENOUGH)) + np.log(min(contrast, PLAIN_ENOUGH))
        score = float(_of_sides(pair) + of_patch - _faults(colour, free, mask, slice(top, top + tall)))
        if best is None or score > best.score:
            span = (float(grid[top, 0, run]), float(grid[top + tall - 1, 0, run]))
            best = Candidate(pair, score, grid[mask].mean(axis=0), span, span, width)
    return best


def _bare_of(
    colour: np.ndarray, free: np.ndarray, end: int, near: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray] | None:
    """Where a strip's colours (h, w, 3) look like bare wood, uint8, and its bark's colour, known by the strip's ends.

    near : (h, w) cells about a place where wood is bare; what has their colour is bare too, unless the ends have it.
    """
    inner = free.copy()
    inner[:, :BEYOND] = inner[:, -BEYOND:] = False
    sample: Any = colour[inner].astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 10, 0.01)
    cv2.setRNGSeed(1)
    _, _, centres = cv2.kmeans(sample[:: max(1, len(sample) // ENOUGH_CELLS)], 4, NONE, stop, 2, cv2.KMEANS_PP_CENTERS)
    labels = np.full(free.shape, -1)
    labels[inner] = np.argmin((centres**2).sum(axis=1) - 2 * sample @ centres.T, axis=1)
    at_ends = np.concatenate([labels[:end], labels[-end:]])
    counts = np.array([(at_ends == k).sum() for k in range(4)], float)
    if counts.sum() < 20:
        return None
    bark = counts / counts.sum() > 0.08
    wood = [k for k in range(4) if not bark[k] and _looks_like_wood(centres[k], centres[bark])]
    if near is not None and (near & inner).any():
        own = int(np.bincount(labels[near & inner]).argmax())
        wood = [k for k in range(4) if not bark[k] and (k in wood or k == own)]
    if not wood:
        return None
    bare = cv2.morphologyEx(np.isin(labels, wood).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5)))
    return bare, np.where(bark, counts, 0) @ centres / counts[bark].sum()


def _faults(colour: np.ndarray, free: np.ndarray, mask: np.ndarray, band: slice) -> float:
    """What is taken off a score: for a patch that goes on beyond the strip, whose side that is not, and for mixed bark."""
    leak = 0.0
    for beyond, inside, edge in ((1, 4, slice(3, 6)), (-2, -5, slice(-6, -3))):
        step = np.linalg.norm(colour[band, beyond] - colour[band, inside], axis=1)
        same = (step < 0.15) & free[band, beyond] & free[band, inside]
        leak += float((same & mask[band, edge].any(axis=1)).mean())
    plain = free & ~cv2.dilate(mask.astype(np.uint8), np.ones((9, 5))).astype(bool)
    rows_of = [(k, np.flatnonzero(plain[:, k])) for k in range(BEYOND, plain.shape[1] - BEYOND)]
    columns = [_middle(colour[at[:: max(1, len(at) // ROWS_ENOUGH)], k, :2]) for k, at in rows_of if len(at) > 12]
    mixed = float(np.std(np.array(columns), axis=0).max()) if len(columns) > 3 else 1.0
    return 4 * leak + 6 * mixed


def _middle(values: np.ndarray) -> np.ndarray:
    """The median of each column, (n, m) to (m,), of an even number of values the upper one; four times as fast."""
    return np.partition(values, len(values) // 2, axis=0)[len(values) // 2]


def _looks_like_wood(colour: np.ndarray, bark: np.ndarray) -> bool:
    """Whether a mean colour (red/green, green/blue, 0.35 green; all ln) could be bare wood on such bark (n, 3)."""
    red, blue, green = (float(value) for value in colour)
    in_box = WOOD_RED[0] < red < WOOD_RED[1] and WOOD_BLUE[0] < blue < WOOD_BLUE[1] and green / 0.35 > WOOD_DARKEST
    return in_box and float(np.linalg.norm(bark - colour, axis=1).min()) > 0.15


def stems_with_patch(view: View, seen: BarkMap, tap: np.ndarray | None = None) -> Iterator[tuple[Stem, Candidate]]:
    """Stems beside the card that seem to carry a bare patch, each with the strip it was found on, the likeliest first.

    Parameters
    ----------
    view, seen, tap
        The card's surroundings, what the map shows there, and (2,) the place that was tapped, if any [view px].
    """
    spot = seen.spot(tap)
    sure = SURE if tap is None else SURE_WHERE_TAPPED
    at_spots = (_at_spot(view, seen, place, tap) for place in (spot, tap) if place is not None)
    likely = [one for one in at_spots if one is not None and one.score >= sure]
    yield from _fitted(view, seen, likely, tap)
    for turned_by in [_turned_by(likely[0].pair)] if likely else likelier_first(view):
        lines = straight_edges(view, turned_by)
        there = [_with_map(one, seen) for one in candidates(view, lines, tap, spot if tap is None else tap)]
        likely = sorted([*likely, *there], key=lambda one: -one.score)[:TRIED]
    yield from _fitted(view, seen, [one for one in likely if one.score >= max(sure, likely[0].score - FAR_BELOW)], tap)


def _fitted(
    view: View, seen: BarkMap, likely: list[Candidate], tap: np.ndarray | None
) -> Iterator[tuple[Stem, Candidate]]:
    """Stems fitted to the strips of candidates, in their order, where edges and the eye back them."""
    thickest = THICKEST_UNTAPPED if tap is None else WIDTHS[1]
    for one in likely:
        fit = partial(fit_stem, view, near=one.centre, skip=one.wide)
        stem, run = fit(one.pair), one.pair[0].run
        if stem is not None:
            by_map = agreed(stem, fit, view, seen, run, float(one.centre[run]))
            stem = settled(stem, by_map, view, partial(levels, view=view, candidate=one, rows=one.wide))
        if stem is None or min(np.ptp(stem.place(side)[0]) for side in stem.sides_px) < LEAST_SIDE:
            continue
        if 0.75 < 2 * stem.radius / one.width < 1.35 and 2 * stem.radius <= thickest:
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


def _turned_by(pair: tuple[Line, Line]) -> range:
    return UPRIGHT if pair[0].run else LEVEL


def _at_spot(view: View, seen: BarkMap, spot: np.ndarray, tap: np.ndarray | None) -> Candidate | None:
    """The stem that the eye's map shows at one place of the view, (2,), with its bare patch; None where it shows none."""
    pair = seen.sides(spot)
    if pair is None:
        return None
    candidate = _candidate(view, pair, tap, spot if tap is None else tap)
    if candidate is None:
        there = seen.patch(pair)
        if there is None or there[2] < (PLAINLY_BARE if tap is None else BARE_WHERE_TAPPED):
            return None
        middle = (there[0] + there[1]) / 2
        centre = np.mean([line.at(pair[0].run, middle) for line in pair], axis=0) if tap is None else tap
        width = apart(pair, middle) / view.scale
        candidate = Candidate(pair, _of_sides(pair) + BEST_PATCH, centre, there[:2], there[:2], width)
    return _with_map(candidate, seen)


def _with_map(one: Candidate, seen: BarkMap) -> Candidate:
    """A candidate with what the eye's map says of its sides, and of where else on it wood is bare."""
    score = one.score + AGREED * seen.agreement(one.pair, one.rows)
    there = seen.patch(one.pair)
    rows = one.rows
    if there is not None and there[1] > rows[0] and there[0] < rows[1]:
        rows = (min(there[0], rows[0]), max(there[1], rows[1]))
    return replace(one, wide=rows, score=score)
