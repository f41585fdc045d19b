"""What was decided before the first plot? Target, stopping rule, plots and where they lie, as one record.

The record is written as YAML beside the numbered plots, printed on the sheets, and given back when the survey is worked
out: so the rule cannot be chosen after the result is known.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import yaml
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from diagnose.cannot_use import CannotUse
from diagnose.given import MOST_SEED, a_number, a_share, a_whole, above_nought
from diagnose.survey.boundary import Ground
from diagnose.survey.counted import sample_of
from diagnose.survey.design import (
    MOST_PLOTS,
    allocation,
    balanced,
    design_effect,
    grid,
    inward,
    plots_needed,
    trees_to_see_a_change,
    walk_length,
    walking_order,
)
from diagnose.survey.frame import plot_totals
from diagnose.survey.planning import plots_to_decide
from diagnose.survey.proportion import likeness as within_plots
from diagnose.survey.stopping import ADDITION, StoppingRule
from diagnose.survey.target import PER_HA, Target, from_record
from diagnose.texts import MOST_YAML_BYTES, from_yaml, read_text

WALK_M_AN_HOUR = 2000.0  # through young growth; common practice, no source
MINUTES_A_PLOT = 10.0  # to lay out and tally one; common practice, no source
MOST_LAID = 5000  # plots that are laid out, each with a number and a sheet; our choice
PAIRS_NAMED = 3  # of plots that overlap; our choice


@dataclass(frozen=True)
class Plan:
    """What is printed and kept before the first plot.

    Parameters
    ----------
    site, notes
        Name of the planting; where what was laid out differs from what was asked, and why [no unit].
    plots, plot_m2
        That were laid out, and the size of each [plots, m2].
    rule, target, seed
        When it may be looked at, what is to be decided, and the seed of the random start [no unit].
    strata
        Part of the ground -> plots in it [plots].
    """

    site: str
    plots: int
    plot_m2: float
    rule: StoppingRule
    target: Target | None = None
    strata: Mapping[str, int] = field(default_factory=dict)
    seed: int = 0
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        a_whole(self.plots, "Plots", 1), above_nought(self.plot_m2, "A plot's size")
        a_whole(self.seed, "The seed", most=MOST_SEED)

    def as_yaml(self) -> str:
        """The record as text, to be kept and given back."""
        told: dict[str, Any] = {"site": self.site, "plots": self.plots, "plot_m2": self.plot_m2,
                                "stopping_rule": asdict(self.rule), "seed": self.seed}
        if self.target is not None:
            plain = Target(self.target.kind, self.target.value).as_json()
            told["target"] = {key: value for key, value in self.target.as_json().items()
                              if key in ("kind", "value") or value != plain[key]}
        if self.strata:
            told["strata"] = dict(self.strata)
        told["notes"] = list(self.notes)
        head = "# Plan of a survey, made before the first plot. Give it back: diagnose survey estimate tally.csv --plan\n"
        return head + yaml.safe_dump(told, sort_keys=False, allow_unicode=True, width=110)


def read_plan(path: str | Path) -> Plan:
    """A plan from its file.

    Parameters
    ----------
    path
        YAML, as `Plan.as_yaml` writes it [no unit].

    Raises
    ------
    CannotUse
        For one that is none.
    """
    return plan_of(read_text(path, MOST_YAML_BYTES), Path(path).name)


def plan_of(text: str, name: str = "the plan") -> Plan:
    """A plan from its text.

    Parameters
    ----------
    text
        YAML, as `Plan.as_yaml` writes it [no unit].
    name
        How a refusal names it [no unit].

    Raises
    ------
    CannotUse
        For one that is none.
    """
    told = from_yaml(text, name)
    if not isinstance(told, Mapping) or not {"plots", "plot_m2", "stopping_rule"} <= set(told):
        raise CannotUse(f"{name} is no plan of a survey; make one with: diagnose survey design")
    return _plan(told, name)


def _plan(told: Mapping[str, Any], name: str) -> Plan:
    rule = told["stopping_rule"]
    strata = told.get("strata") or {}
    try:
        made = StoppingRule(str(rule["kind"]), rule.get("planned"))
        if not isinstance(told["plots"], int) or isinstance(told["plots"], bool) or told["plots"] < 2:
            raise CannotUse(f"{told['plots']!r} plots")
        return Plan(str(told.get("site", "")), told["plots"], above_nought(told["plot_m2"], "A plot's size"), made,
                    None if told.get("target") is None else from_record(told["target"], name),
                    {str(part): int(many) for part, many in dict(strata).items()}, int(told.get("seed", 0)),
                    tuple(map(str, told.get("notes") or ())))
    except CannotUse as wrong:
        raise CannotUse(f"{name}: {wrong}") from None
    except (TypeError, KeyError, ValueError, AttributeError):
        raise CannotUse(f"{name} is no plan that can be read; make it anew with: diagnose survey design") from None


@dataclass(frozen=True)
class Known:
    """What is known, or assumed, of the plots before they are seen.

    Parameters
    ----------
    likeness, variation
        Intraclass correlation, and coefficient of variation of trees a plot [no unit].
    trees_a_plot
        Mean trees of a plot [trees].
    words
        Where it is from [no unit].
    """

    likeness: float = 0.1
    variation: float = 0.8
    trees_a_plot: float = 10.0
    words: str = ""

    def __post_init__(self) -> None:
        a_share(self.likeness, "The likeness"), above_nought(self.trees_a_plot, "Trees a plot")
        if not a_number(self.variation, "How plots vary") >= 0:
            raise CannotUse("How plots vary starts at nought.")


def seen_before(trees: pd.DataFrame | None, target: Target | None = None, likeness: float | None = None,
                variation: float | None = None, trees_a_plot: float | None = None) -> Known:
    """How alike and how varied plots are: as given, else from an earlier visit, else assumed.

    Parameters
    ----------
    trees : pandas.DataFrame or None
        Survey frame of an earlier visit [no unit].
    target : Target or None
        Whose trees are counted [no unit].
    likeness, variation, trees_a_plot : float or None
        As given by hand, see Known [no unit, no unit, trees].

    Raises
    ------
    CannotUse
        For what is given and cannot be.
    """
    assumed, told = Known(), []
    alike, vary, many = assumed.likeness, assumed.variation, assumed.trees_a_plot
    if trees is not None:
        totals = plot_totals(trees)
        y, m = totals["sum"].to_numpy(float), totals["count"].to_numpy(float)
        if len(m) > 2 and m.sum() > len(m):
            alike, many = min(0.95, max(0.0, within_plots(y, m))), float(m[m > 0].mean())
        counted = m
        if target is not None and target.kind == PER_HA:
            counted = sample_of(target, trees).first
        if len(counted) > 2 and counted.mean() > 0:
            vary = float(counted.std(ddof=1) / counted.mean())
        told.append(f"{len(m)} plots of the earlier visit: likeness {alike:.2f}, variation {100 * vary:.0f} %, {many:.1f} "
                    "trees a plot.")
    elif likeness is None and variation is None:
        told.append(f"Assumed without an earlier visit: likeness {alike:g}, variation {100 * vary:.0f} %, {many:g} trees a "
                    "plot (common practice, no source).")
    return Known(alike if likeness is None else likeness, max(0.05, vary if variation is None else variation),
                 many if trees_a_plot is None else trees_a_plot, " ".join(told))


def asked_plots(target: Target | None, kind: str, plot_m2: float, known: Known, plots: int | None = None,
                expect: float | None = None, margin: float | None = None,
                change: float | None = None) -> tuple[int | None, str]:
    """How many plots what was asked for needs, and why; None where nothing was asked.

    Parameters
    ----------
    target : Target or None
        To be decided [no unit].
    kind : str
        Stopping rule [no unit].
    plot_m2 : float
        Of a plot [m2].
    known : Known
        How alike and how varied plots are; its record tells each unit.
    plots : int or None
        So many, whatever is needed [no unit].
    expect, margin, change : float or None
        Share browsed that is expected, plus or minus how much it is to be known, smallest change to see; no unit.

    Raises
    ------
    CannotUse
        Where margin or change come without the expected share.
    """
    if (margin is not None or change is not None) and expect is None:
        raise CannotUse("Say what share browsed is expected (--expect), to know how many plots a margin or a change needs.")
    if plots is not None:
        a_whole(plots, "Plots", 1, MOST_PLOTS)
    needs: list[tuple[int, str]] = []
    if target is not None:
        found = plots_to_decide(target, plot_m2, known.variation, known.trees_a_plot, known.likeness,
                                rule=StoppingRule(kind))
        needs.append((found.plots, found.reason + "."))
    if expect is not None and margin is not None:
        size = plots_needed(expect, margin, known.trees_a_plot, known.likeness)
        needs.append((size.plots, f"{size.plots} plots for {size.reason}."))
    if expect is not None and change is not None:
        effect = design_effect(known.trees_a_plot, known.likeness)
        trees = trees_to_see_a_change(expect, max(0.0, expect - change) if expect >= change else expect + change, effect)
        number = math.ceil(trees / known.trees_a_plot)
        needs.append((number, f"{number} plots at each of two visits, drawn apart, see a change of {100 * change:.3g} "
                      "points in 80 % of surveys; on the same plots fewer would do."))
    if plots is not None:
        said = " ".join(why for _, why in needs)
        short = [number for number, _ in needs if number > plots]
        fewer = f" {plots} are fewer: it decides less often." if short else ""
        return plots, f"{plots} plots as asked for. {said}{fewer}".strip()
    return (None, "") if not needs else (max(number for number, _ in needs), " ".join(why for _, why in needs))


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
        notes.append(f"{len(points)} plots of {plot_m2:g} m2 cover more than the ground itself: count every tree instead.")
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


def size_of(radius_m: float | None = None, transect: tuple[float, float] | None = None) -> float:
    """Area of a plot: a circle, or a strip [m2].

    Parameters
    ----------
    radius_m
        Of a circle [m].
    transect
        Length and width of a strip [m].

    Raises
    ------
    CannotUse
        For neither, both, or a size that is none.
    """
    if (radius_m is None) == (transect is None):
        raise CannotUse("Give the plot's radius, or the length and width of a transect: one of the two.")
    if radius_m is not None:
        return math.pi * above_nought(radius_m, "The radius") ** 2
    assert transect is not None
    return above_nought(transect[0], "The transect's length") * above_nought(transect[1], "The transect's width")


def made(site: str, layout: Layout, plot_m2: float, target: Target | None, kind: str = ADDITION, seed: int = 0,
         notes: tuple[str, ...] = ()) -> Plan:
    """The plan of a layout: its first look falls at the number of plots that were laid out.

    Parameters
    ----------
    site
        Name of the planting [no unit].
    layout
        Plots as they were laid out [m].
    plot_m2
        Size of a plot [m2].
    target
        What is to be decided, or None [no unit].
    kind
        Stopping rule, one of stopping.RULES [no unit].
    seed
        Of the random start [no unit].
    notes
        What is to be told before the layout's own notes [no unit].
    """
    more = []
    if target is not None and target.plot_m2 and target.kind != PER_HA and abs(plot_m2 / target.plot_m2 - 1) > 0.05:
        more.append(f"The target is of plots of {target.plot_m2:.4g} m2, these are of {plot_m2:.4g}: it cannot be decided.")
    strata = {name: layout.parts.count(name) for name in dict.fromkeys(layout.parts)}
    return Plan(site, len(layout.points), round(plot_m2, 2), StoppingRule(kind, len(layout.points)), target, strata, seed,
                (*notes, *layout.notes, *more))
