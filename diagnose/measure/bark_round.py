"""How much of the bark round a stem is gone, when it was photographed from several sides?

One view only bounds the share. Views whose turns are known are laid round the stem; where several see the same place the
squarest one is believed, and what none sees well stays an interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.signs import Bounded, Measured

WELL_SEEN_DEG = 62.0  # from a view's middle round the stem, in which bare and bark are told apart surely; ours
TURN_SIGMA_DEG = 8.0  # of a told turn, for people who step round a stem by eye; our choice, no source
STEEPEST = 0.3  # cosine to which a border's foreshortening is followed
DRAWS = 300  # of turns and borders, for the interval
LEAST_ALL_ROUND = 3  # views, to see every side of a stem
LEAST_WIDTH = 0.06  # of a joined interval
NARROW = 0.2  # an interval up to this wide is told as a value with its sigma

Turns = Sequence[float] | Literal["all-round"] | None
Arcs = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class SeenRound:
    """What one view saw at the patch's widest height, round the stem, 0 to the camera, counterclockwise from above.

    Parameters
    ----------
    bare, also, seen
        Arcs without bark; that look bare too, apart from the patch; that are seen well, bare or not [degree].
    border_deg
        Standard uncertainty of a border that faces the camera [degree].
    alone
        The share of the circumference without bark that this view allows [share].
    """

    bare: Arcs
    also: Arcs
    seen: Arcs
    border_deg: float
    alone: Bounded


def share_round(views: Sequence[SeenRound], turns: Turns = None) -> Measured | Bounded:
    """Share of the circumference without bark, from views of one patch.

    Every view's own bounds hold in any case: it is at least the largest that any view shows, and at most the least of what
    they allow; all-round also at most the sum of what they show. A patch that winds round the stem is rated too high.

    Parameters
    ----------
    views
        What each view saw, one or more; its record tells each unit.
    turns
        How far round the stem the camera stood for each view, counterclockwise from above [degree]; "all-round" where the
        views are known to show every side, but not which; None where nothing is known of that.

    Returns
    -------
    Measured or Bounded
        [share]; an interval unless it is narrow.

    Raises
    ------
    ValueError
        For no view, or where each view has not its turn.

    References
    ----------
    .. [1] Our own.
    """
    if not views:
        raise ValueError("at least one view is needed")
    different = sorted(set(views), key=repr)  # the same photo twice says nothing new; their order does not matter
    seen = max(view.alone.low for view in views)
    low, high = seen, min(view.alone.high for view in views)
    level = min(view.alone.level for view in views)
    if turns == "all-round" and len(different) >= LEAST_ALL_ROUND:
        high = min(high, _most_shown(different))
    elif turns is not None and not isinstance(turns, str):
        if len(turns) != len(views):
            raise ValueError(f"{len(views)} views need as many turns, not {len(turns)}")
        placed = sorted({(float(turn) % 360, view) for turn, view in zip(turns, views, strict=True)}, key=repr)
        if len(placed) > 1:
            low, high = max(low, _laid_round(_apart(placed))[0]), min(high, _laid_round(placed)[1])
    if low > high + LEAST_WIDTH:  # the views do not agree: all that they span
        return Bounded(high, low, level)
    if len(different) > 1 and high - low < LEAST_WIDTH:  # bounds that barely meet are no surer for it
        low = max((low + high - LEAST_WIDTH) / 2, seen)
        high = min(low + LEAST_WIDTH, 1.0)
    if len(different) > 1 and high - low <= NARROW:
        return Measured((low + high) / 2, (high - low) / 4)
    return Bounded(low, high, level)


def read_turns(text: str) -> Turns:
    """Turns as a person writes them; None for nothing.

    Parameters
    ----------
    text
        Such as "0, 120, 240" [degree] or "all-round".

    Raises
    ------
    CannotUse
        For what tells no turns.
    """
    words = text.strip().lower().replace(" ", "-" if "round" in text else "")
    if not words:
        return None
    if words in ("all-round", "round", "all"):
        return "all-round"
    try:
        turns = [float(word) for word in words.replace(";", ",").split(",")]
    except ValueError:
        turns = [np.nan]
    if not np.isfinite(turns).all() or np.abs(turns).max() > 720:
        raise CannotUse(f"'{text}' tells no turns; write degrees counterclockwise from above, e.g. 0,120,240, or all-round")
    return turns


def views_disagree(views: Sequence[SeenRound]) -> bool:
    """Whether one view shows more bare than another one allows.

    Parameters
    ----------
    views
        What each view saw, one or more [no unit].
    """
    return max(view.alone.low for view in views) > min(view.alone.high for view in views)


def arcs_of(turn_deg: np.ndarray, there: np.ndarray) -> Arcs:
    """The arcs in which something holds [degree].

    Parameters
    ----------
    turn_deg, there
        (n,) rising, evenly spaced turns round the stem [degree]; (n,) bool, does it hold there?
    """
    half = float(turn_deg[1] - turn_deg[0]) / 2 if len(turn_deg) > 1 else 0.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], there, [0]])))
    return tuple((float(turn_deg[a] - half), float(turn_deg[b - 1] + half)) for a, b in edges.reshape(-1, 2))


def _most_shown(views: Sequence[SeenRound]) -> float:
    """The most that views show bare together, as a share of the circumference: two sigma more than their arcs."""
    arcs = [(view, arc) for view in views for arc in view.bare + view.also]
    borders = [_border_sigma(view, np.array(arc)) for view, arc in arcs]
    return float(sum(b - a for _, (a, b) in arcs) + 2 * np.sqrt(np.sum(np.square(borders)))) / 360


def _border_sigma(view: SeenRound, edge_deg: np.ndarray) -> np.ndarray:
    return view.border_deg / np.maximum(np.cos(np.radians(edge_deg)), STEEPEST)


def _apart(placed: Sequence[tuple[float, SeenRound]]) -> list[tuple[float, SeenRound]]:
    """Views whose turns differ surely, those that show most first.

    One side told several times at turns that are off would be laid side by side and made wider.
    """
    kept: list[tuple[float, SeenRound]] = []
    for turn, view in sorted(placed, key=lambda one: -one[1].alone.low):
        if all(abs((turn - other + 180) % 360 - 180) > 2 * np.sqrt(2) * TURN_SIGMA_DEG for other, _ in kept):
            kept.append((turn, view))
    return kept


def _laid_round(placed: Sequence[tuple[float, SeenRound]]) -> tuple[float, float]:
    """Bounds of the share from views at turns [degree], both drawn again and again within their uncertainty."""
    random = np.random.default_rng(1)
    place = np.arange(0, 360, 0.5)
    squarest = np.full((DRAWS, len(place)), np.inf)
    bare = np.zeros((DRAWS, len(place)), bool)
    for turn, view in placed:
        stood = turn + random.normal(0, TURN_SIGMA_DEG, (DRAWS, 1))
        here = (place - stood + 180) % 360 - 180
        seen = np.zeros(here.shape, bool)
        for a, b in view.seen:
            seen |= (here >= a) & (here <= b)
        own = np.zeros(here.shape, bool)
        for arc in view.bare:
            edges = np.array(arc) + random.normal(0, 1, (DRAWS, 2)) * _border_sigma(view, np.array(arc))
            own |= (here >= edges[:, :1]) & (here <= edges[:, 1:])
        better = seen & (np.abs(here) < squarest)
        bare[better], squarest[better] = own[better], np.abs(here)[better]
    shown = (bare & np.isfinite(squarest)).mean(axis=1)
    unseen = (~np.isfinite(squarest)).mean(axis=1)
    return float(np.quantile(shown, 0.025)), float(np.quantile(shown + unseen, 0.975))
