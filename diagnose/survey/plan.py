"""What was decided before the first plot? Target, stopping rule, plots and where they lie, as one record.

The record is written as YAML beside the numbered plots, printed on the sheets, and given back when the survey is worked
out: so the rule cannot be chosen after the result is known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import yaml

from diagnose.cannot_use import CannotUse
from diagnose.given import MOST_SEED, a_number, a_share, a_whole, above_nought
from diagnose.survey.boundary import Ground
from diagnose.survey.choosing import chosen_target
from diagnose.survey.counted import sample_of
from diagnose.survey.design import MOST_PLOTS, design_effect, plots_needed, trees_to_see_a_change
from diagnose.survey.frame import plot_totals, words_of
from diagnose.survey.layout import Layout
from diagnose.survey.planning import plots_to_decide
from diagnose.survey.proportion import likeness as within_plots
from diagnose.survey.stopping import ADDITION, StoppingRule
from diagnose.survey.target import PER_HA, Target, from_record
from diagnose.texts import MOST_YAML_BYTES, from_yaml, read_text

ENOUGH_TO_VARY = 10  # plots that may say that plots vary less than is assumed; our choice, see `seen_before`


@dataclass(frozen=True)
class Asked:
    """How the plots were asked to lie, as somebody else needs it to lay them out again.

    Parameters
    ----------
    plots
        That were asked for, None where a spacing was given [plots].
    edge_m, spacing_m
        Strip along the edge that is left out, side of a square grid or None [m].
    grid
        A square grid, else spread evenly? [no unit]
    parts_by
        Property of the boundary that names its parts; empty for none [no unit].
    hours
        To walk and tally, None where it does not matter [h].
    """

    plots: int | None = None
    edge_m: float = 0.0
    spacing_m: float | None = None
    grid: bool = False
    parts_by: str = ""
    hours: float | None = None

    def __post_init__(self) -> None:
        if self.plots is not None:
            a_whole(self.plots, "Plots", 1, MOST_PLOTS)
        if not a_number(self.edge_m, "The strip along the edge") >= 0:
            raise CannotUse("The strip along the edge starts at nought.")
        for value, name in ((self.spacing_m, "The spacing"), (self.hours, "The hours")):
            if value is not None:
                above_nought(value, name)

    @property
    def words(self) -> str:
        """What was asked of the layout, in one line."""
        many = "" if self.plots is None else f"{self.plots} plots "
        how = (f"on a square grid of {self.spacing_m:g} m" if self.spacing_m is not None else
               "on a square grid" if self.grid else "spread evenly")
        told = [many + how, f"{self.edge_m:g} m of the edge left out" if self.edge_m else "up to the edge",
                f"parts by '{self.parts_by}'" if self.parts_by else "",
                "" if self.hours is None else f"within {self.hours:g} hours"]
        return f"Asked of the layout: {', '.join(part for part in told if part)}."


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
    asked
        How the plots were asked to lie; its record tells each unit.
    """

    site: str
    plots: int
    plot_m2: float
    rule: StoppingRule
    target: Target | None = None
    strata: Mapping[str, int] = field(default_factory=dict)
    seed: int = 0
    notes: tuple[str, ...] = ()
    asked: Asked = field(default_factory=Asked)

    def __post_init__(self) -> None:
        a_whole(self.plots, "Plots", 1), above_nought(self.plot_m2, "A plot's size")
        a_whole(self.seed, "The seed", most=MOST_SEED)

    def as_yaml(self) -> str:
        """The record as text, to be kept and given back."""
        told: dict[str, Any] = {"site": self.site, "plots": self.plots, "plot_m2": self.plot_m2,
                                "stopping_rule": asdict(self.rule), "seed": self.seed}
        if self.target is not None:
            told["target"] = self.target.own_fields()
        if self.asked != Asked():
            told["asked"] = {name: value for name, value in asdict(self.asked).items() if value}
        if self.strata:
            told["strata"] = dict(self.strata)
        told["notes"] = list(self.notes)
        head = "# Plan of a survey, made before the first plot. Give it back: diagnose survey estimate tally.csv --plan\n"
        return head + yaml.safe_dump(told, sort_keys=False, allow_unicode=True, width=110)

    @property
    def in_tally(self) -> str:
        """What goes along in each row of the planned tally, for whoever has the tally alone; `chosen_in` reads it again."""
        target = "no target" if self.target is None else self.target.short
        return f"{target}; {self.rule.kind}; {self.rule.planned} plots"


def chosen_in(trees: pd.DataFrame) -> tuple[tuple[Target, ...], StoppingRule | None, tuple[str, ...]]:
    """Target and stopping rule that a planned tally carries along.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame of one visit [no unit].

    Returns
    -------
    targets, rule, notes
        At most one target; no rule where the tally was not planned; what could not be used, in words [no unit].
    """
    told = [one for one in words_of(trees, "plan").unique() if one] if "plan" in trees.columns else []
    if len(told) != 1:
        return (), None, (f"The tally carries {len(told)} plans, none is used: give the one that holds.",) if told else ()
    try:
        target, kind, plots = told[0].rsplit("; ", 2)
        rule = StoppingRule(kind, None if plots == "None plots" else int(plots.removesuffix(" plots")))
        return () if target == "no target" else (chosen_target(target),), rule, ()
    except (ValueError, CannotUse):
        return (), None, (f"The tally's plan cannot be read and is not used: {told[0]}",)


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
                    tuple(map(str, told.get("notes") or ())), Asked(**(told.get("asked") or {})))
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

    A visit of fewer than ten plots may raise what is assumed and not lower it: from three plots, the standard deviation
    of a normal variate is known to a factor of two below and six above (95 %, chi-square), from ten to 0.7 and 1.8.

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
        few = ""
        if len(m) < ENOUGH_TO_VARY:
            alike, vary = max(alike, assumed.likeness), max(vary, assumed.variation)
            few = " So few plots tell little of it: no less is taken than is assumed without them."
        told.append(f"{len(m)} plots of the earlier visit: likeness {alike:.2f}, variation {100 * vary:.0f} %, {many:.1f} "
                    f"trees a plot.{few}")
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


def planned_plots(plan: Plan, ground: Ground, layout: Layout) -> list[dict[str, Any]]:
    """The plots as rows of a tally to be filled: field of TALLY -> what is known of it, in the field's unit.

    Parameters
    ----------
    plan
        Made of that layout [no unit].
    ground
        Whose place on earth is known [m].
    layout
        Plots as they were laid out [m].

    Raises
    ------
    CannotUse
        For ground whose place on earth is not known.
    """
    parts = layout.parts or ("",) * len(layout.points)
    places = [ground.degrees(*map(float, point)) for point in layout.points]
    return [{"site": plan.site, "plot": str(number), "plot_area_m2": plan.plot_m2, "stratum": part, "x": f"{lon:.6f}",
             "y": f"{lat:.6f}", "crs": "EPSG:4326", "plan": plan.in_tally}
            for number, (part, (lat, lon)) in enumerate(zip(parts, places, strict=True), 1)]


def made(site: str, layout: Layout, plot_m2: float, target: Target | None, kind: str = ADDITION, seed: int = 0,
         notes: tuple[str, ...] = (), asked: Asked | None = None) -> Plan:
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
    asked
        How the plots were asked to lie; None where nobody says [no unit].
    """
    more = []
    if target is not None and target.plot_m2 and target.kind != PER_HA and abs(plot_m2 / target.plot_m2 - 1) > 0.05:
        more.append(f"The target is of plots of {target.plot_m2:.4g} m², these are of {plot_m2:.4g}: it cannot be decided.")
    strata = {name: layout.parts.count(name) for name in dict.fromkeys(layout.parts)}
    return Plan(site, len(layout.points), round(plot_m2, 2), StoppingRule(kind, len(layout.points)), target, strata, seed,
                (*notes, *layout.notes, *more), Asked() if asked is None else asked)
