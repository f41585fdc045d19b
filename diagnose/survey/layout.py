"""Where do the plots of a survey lie, in which order are they walked, and which of them lie too near together?"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from diagnose.cannot_use import CannotUse
from diagnose.given import MOST_SEED, a_number, a_whole, above_nought
from diagnose.survey.boundary import Ground
from diagnose.survey.design import allocation, balanced, grid, inward, walk_length, walking_order

WALK_M_AN_HOUR = 2000.0  # through young growth; common practice, no source
MINUTES_A_PLOT = 10.0  # to lay out and tally one; common practice, no source
MOST_LAID = 5000  # plots that are laid out, each with a number and a sheet; our choice
PAIRS_NAMED = 3  # of plots that overlap; our choice


@dataclass(frozen=True)
class Layout:
    """Numbered plots on the ground.

    Parameters
    ----------
    points, parts
        (n, 2) in walking order [m], and the stratum of each, empty without strata.
    walk_m, hours, apart_m
        From the first to the last, to walk and tally, and between the two nearest centres, nought for one plot [m, h, m].
    notes
        Where it differs from what was asked [no unit].
    """

    points: np.ndarray
    parts: tuple[str, ...]
    walk_m: float
    hours: float
    apart_m: float
    notes: tuple[str, ...]


def lay_out(ground: Ground, plots: int | None = None, spacing_m: float | None = None, buffer_m: float = 0.0, seed: int = 0,
            even: bool = True, plot_m2: float = 50.0, hours: float | None = None, across_m: float | None = None) -> Layout:
    """Plots with a random start, numbered in walking order.

    Parameters
    ----------
    ground : Ground
        With its strata, where plots are shared out by area [no unit].
    plots : int or None
        How many [no unit]; or else
    spacing_m : float or None
        Side of a square grid [m].
    buffer_m : float
        Strip along the edge that is left out [m].
    seed : int
        Of the random start [no unit].
    even : bool
        Exactly so many plots, spread evenly (local pivotal method); else a square grid [no unit].
    plot_m2 : float
        Size of a plot [m2], to see whether so many fit.
    hours : float or None
        That there are, to walk and to tally [h].
    across_m : float or None
        Greatest width of a plot, to see whether plots overlap [m]; None for the diameter of a circle of its size.

    Returns
    -------
    Layout

    Raises
    ------
    CannotUse
        Where neither or both of plots and spacing are given, where nothing is left inside the buffer, where no plot falls,
        for more than MOST_LAID plots.
    """
    if (plots is None) == (spacing_m is None):
        raise CannotUse("Say how many plots, or how far apart: one of the two.")
    if plots is not None:
        a_whole(plots, "Plots", 1, MOST_LAID)
    a_number(buffer_m, "The strip along the edge"), above_nought(plot_m2, "A plot's size")
    rng = np.random.default_rng(a_whole(seed, "The seed", most=MOST_SEED))
    area = inward(ground, buffer_m) if buffer_m else ground.metres
    left_out = (ground.area_m2 - area.area) / 1e4
    notes = [f"{left_out:.2f} ha within {buffer_m:g} m of the edge are left out; trees there are no part of what is "
             "estimated."] if buffer_m else []
    if spacing_m is not None:
        wanted = area.area / above_nought(spacing_m, "The spacing") ** 2
        if wanted > MOST_LAID:
            raise CannotUse(f"A grid of {spacing_m:g} m is {wanted:,.0f} plots here, more than {MOST_LAID:,}: take a wider "
                            "one.")
        points = grid(area, max(1, round(wanted)), rng, spacing_m)
        parts = tuple(_part_of(ground, point) for point in points)
        if round(wanted) != len(points):
            notes.append(f"A grid of {spacing_m:g} m is expected to hold {wanted:.0f} plots here; this random start holds "
                         f"{len(points)}.")
    else:
        assert plots is not None
        points, parts = _in_parts(ground, area, plots, rng, even)
        if len(points) != plots:
            notes.append(f"{plots} plots were asked for; the square grid with this random start holds {len(points)}. "
                         "Spread evenly, it would be exactly as many.")
    if not len(points):
        raise CannotUse("No plot falls into this ground: take another random start or more plots.")
    if plot_m2 * len(points) > area.area:
        notes.append(f"{len(points)} plots of {plot_m2:g} m² cover more than the ground itself: count every tree instead.")
    order = walking_order(points)
    points, parts = points[order], tuple(parts[int(i)] for i in order)
    near = cKDTree(points)
    apart = float(near.query(points, 2)[0][:, 1].min()) if len(points) > 1 else 0.0
    notes += _overlaps(near, apart, 2 * math.sqrt(plot_m2 / math.pi) if across_m is None
                       else above_nought(across_m, "A plot's width"))
    walk = walk_length(points, range(len(points)))
    needed = walk / WALK_M_AN_HOUR + len(points) * MINUTES_A_PLOT / 60
    if hours is not None and needed > hours:
        fit = max(1, math.floor(hours / needed * len(points)))
        notes.append(f"{len(points)} plots take about {needed:.1f} hours, {hours:g} were given: about {fit} plots fit. "
                     "Fewer plots decide less often; looking earlier than planned spoils the sureness.")
    return Layout(points, parts if ground.strata else (), walk, needed, apart, tuple(notes))


def _in_parts(ground: Ground, area: BaseGeometry, plots: int, rng: np.random.Generator,
              even: bool) -> tuple[np.ndarray, tuple[str, ...]]:
    draw = balanced if even else grid
    if not ground.strata:
        return draw(area, plots, rng), ("",) * plots
    inside = [(name, part.intersection(area)) for name, part in ground.strata]
    inside = [(name, part) for name, part in inside if part.area > 0]
    shares = allocation(plots, [part.area for _, part in inside])
    found = [(name, draw(part, many, rng)) for (name, part), many in zip(inside, shares, strict=True) if many]
    return (np.vstack([points for _, points in found]),
            tuple(name for name, points in found for _ in range(len(points))))


def _overlaps(near: cKDTree, apart_m: float, across_m: float) -> list[str]:
    """Which plots lie nearer together than they are wide, and what to do there: what stands on two belongs to both."""
    pairs = near.query_pairs(across_m, output_type="ndarray")
    if not len(pairs):
        return []
    between = np.hypot(*(near.data[pairs[:, 0]] - near.data[pairs[:, 1]]).T)
    nearest = pairs[np.argsort(between, kind="stable")][:PAIRS_NAMED] + 1
    named = ", ".join(f"{first} and {second}" for first, second in nearest) + ", ..." * (len(pairs) > PAIRS_NAMED)
    return [f"{len(pairs)} pair{'s' if len(pairs) > 1 else ''} of plots may overlap (plots {named}): centres are down to "
            f"{apart_m:.1f} m apart, a plot is {across_m:.1f} m across. Count a tree that stands on two plots on both, "
            "or take fewer or smaller plots."]


def _part_of(ground: Ground, point: np.ndarray) -> str:
    from shapely import Point

    return next((name for name, part in ground.strata if part.covers(Point(point))), "")


def start_of(site: str, plots: int | None, turn: int = 0) -> int:
    """A random start that anybody can draw again: the same for the same planting, number of plots and turn.

    Parameters
    ----------
    site
        Name of the planting [no unit].
    plots
        Plots that are asked for, or None [no unit].
    turn
        0 for the first start, 1 for another, and so on [no unit].

    Returns
    -------
    int
        A seed, 0 to 2^32 - 1.
    """
    return int(hashlib.sha256(f"{site} {plots} {turn}".encode()).hexdigest()[:8], 16)
