"""What does a survey say, all of it, as one object?

The page, the report and the machine-readable output show this object's figures and work out none themselves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace

import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from diagnose.cannot_use import CannotUse
from diagnose.survey.attribution import culprits_of, share_browsed_by
from diagnose.survey.boundary import Ground
from diagnose.survey.change import Change, changed
from diagnose.survey.compare import bootstrap_of_plots, difference, effectiveness, likeness_of_groups
from diagnose.survey.decide import ACT, WAIT, Decision
from diagnose.survey.density import mean_height, stocking, tallest_trees, trees_per_ha
from diagnose.survey.estimate import Estimate, nothing
from diagnose.survey.follows import by_part, decisions, pooled_line
from diagnose.survey.frame import checked, in_visits, of_sampled, plot_totals, protected_trees, words_of, words_of_any
from diagnose.survey.given import a_level
from diagnose.survey.lasting import Cost, Survival, cost_per_tree_saved
from diagnose.survey.plan import chosen_in
from diagnose.survey.position import on_one_grid, onto
from diagnose.survey.proportion import plots_visited, share_browsed
from diagnose.survey.stopping import StoppingRule
from diagnose.survey.target import Target, band, band_source, caution, country_named
from diagnose.survey.where import Clustering, RateMap, clustering, distance_to_edge, rate_by_distance, rate_map

_HEIGHTS = ("under", "50 to", "over ", "not t")  # classes of height as they begin, from low to high
_EDGE_M = 25.0  # plots nearer than this to the boundary are "near the edge"; our choice
SEVERITY_WORDS = {1: "1 none", 2: "2 laterals only, under half", 3: "3 leader, or half of the laterals",
                  4: "4 leader and half of the laterals", 5: "5 hedged or dead back"}

MAPPED_PLOTS = 8  # of known place that a map takes; our choice


@dataclass(frozen=True)
class Survey:
    """Every figure of one visit (to one site or several), with what was not covered.

    Parameters
    ----------
    sites, visits
        Plantings, and days as YYYY-MM-DD [no unit].
    trees, plots, empty_plots, unreached_plots, undecided_trees
        That were looked at, held no tree, could not be reached or not be told [trees, plots].
    decisions, asked, by_part, beside
        What follows, own targets first; what to give where no target is known, else empty; what follows in each part of the
        ground; what the planned tally carries and was not used [no unit].
    unprotected, if_yes, if_no
        The headline's share browsed, and the same with trees that could not be told counted as browsed, and as not [share].
    by_species, by_height, by_culprit, by_stratum, by_edge, by_protection
        Unprotected trees by group, but `by_protection` all trees, "none" for unprotected [share].
    stem_damage, severity, guards
        Of trees; severity is our own scale [share].
    heights
        Mean, and of the tallest [cm].
    saved, saved_redrawn, effectiveness
        Unprotected less protected; the same by redrawing whole plots, where asked for; share of the damage that protection
        prevents [share].
    density, unbrowsed_density, stocking
        Trees [trees/ha], and plots with one [share].
    compared, bands
        With the visit before [share]; of the official scale that is known, for each species.
    plot_rows, map, area
        One row a plot with its position [m], browsed and trees; the smoothed share; the planting [m].
    clustering, towards_edge
        Whether near plots are alike; rank correlation with the distance to the edge, and its p-value [no unit].
    methods, not_covered, caution, refused
        In words; rows of the tally that were not taken [no unit].
    lasting, cost
        How long barriers last, by kind [year]; of one tree saved, in the money that the cost of a tree's protection was
        given in.
    """

    sites: tuple[str, ...]
    visits: tuple[str, ...]
    trees: int
    plots: int
    empty_plots: int
    unreached_plots: int
    undecided_trees: int
    decisions: tuple[Decision, ...]
    asked: str
    unprotected: Estimate
    if_yes: Estimate | None
    if_no: Estimate | None
    by_species: dict[str, Estimate]
    by_height: dict[str, Estimate]
    by_culprit: dict[str, Estimate]
    by_protection: dict[str, Estimate]
    by_stratum: dict[str, Estimate]
    by_edge: dict[str, Estimate]
    stem_damage: dict[str, Estimate]
    severity: dict[str, Estimate]
    guards: dict[str, Estimate]
    heights: dict[str, Estimate]
    saved: Estimate | None
    effectiveness: Estimate | None
    density: Estimate | None
    unbrowsed_density: Estimate | None
    stocking: Estimate | None
    compared: Change | None
    bands: tuple[str, ...]
    plot_rows: pd.DataFrame
    map: RateMap | None
    clustering: Clustering | None
    towards_edge: tuple[float, float] | None
    methods: str
    not_covered: tuple[str, ...]
    caution: str
    refused: tuple[str, ...] = ()
    area: BaseGeometry | None = field(default=None, repr=False)
    lasting: Mapping[str, Survival] = field(default_factory=dict)
    cost: Cost | None = None
    saved_redrawn: Estimate | None = None
    by_part: Mapping[str, tuple[Decision, ...]] = field(default_factory=dict)
    beside: tuple[str, ...] = ()

    @property
    def change(self) -> Estimate | None:
        """Share browsed now less before."""
        return None if self.compared is None else self.compared.difference

    @property
    def answer(self) -> str:
        """The one sentence of page one: what follows, or what to give so that something can."""
        if not self.decisions:
            return self.asked
        whole = self.decisions[0]
        parts = [f"In part {part} though: {one.sentence}" for part, made in self.by_part.items() for one in made
                 if one.target == whole.target and one.verdict == ACT != whole.verdict]
        rows = "1 row was" if len(self.refused) == 1 else f"{len(self.refused)} rows were"
        mend = [f"{rows} refused: mend and take in again."] if self.refused and whole.verdict == WAIT else []
        return " ".join([whole.sentence, *mend, *parts])

    @property
    def headline(self) -> str:
        """How much was browsed, in one sentence."""
        told = ["How many unprotected leaders were browsed is not known" if self.unprotected.value is None else
                f"{self.unprotected.words()} of unprotected leaders were browsed"]
        named = {key: one.value or 0.0 for key, one in self.by_culprit.items() if key != "unknown"}
        if any(named.values()):
            leading = max(named, key=lambda key: named[key])
            told.append(f"by {leading.replace('_', ' ')} {self.by_culprit[leading].words()}")
        kinds = [k for k in self.by_protection if k != "none"]
        told += [f"inside {kind} {self.by_protection[kind].words()}" for kind in kinds[:2]]
        return "; ".join(told) + "."

    def groups(self) -> dict[str, dict[str, Estimate]]:
        """Every estimate by the name of its group, in reading order; groups of one carry their own name."""
        single = ("unprotected", "if_yes", "if_no", "saved", "saved_redrawn", "effectiveness", "density",
                  "unbrowsed_density", "stocking", "change")
        told = {name: {"": one} for name in single if (one := getattr(self, name)) is not None}
        if self.compared is not None:
            told |= {"before": {"": self.compared.before}, "now_on_the_same_plots": {"": self.compared.now}}
        return told | {name: getattr(self, name) for name in (
            "by_species", "by_height", "by_culprit", "by_protection", "by_stratum", "by_edge", "stem_damage", "severity",
            "guards", "heights")}

    def long(self) -> pd.DataFrame:
        """Every estimate as a row: columns group, of, value, low, high, level, unit, trees, plots, method, note."""
        rows = [{"group": group, "of": name, **{key: one.as_json()[key] for key in (
            "value", "low", "high", "level", "unit", "trees", "plots", "method", "note")}}
            for group, members in self.groups().items() for name, one in members.items()]
        for number, found in enumerate(self.decisions, 1):
            unit = found.estimate.unit
            rows.append({"group": f"decision_{number}", "of": found.target.wanted, "value": found.estimate.value,
                         "low": found.low, "high": found.high, "level": found.target.sureness, "unit": unit,
                         "trees": found.estimate.trees, "plots": found.estimate.plots, "method": found.verdict,
                         "note": found.sentence})
        rows += [{"group": f"part_{part}", "of": one.target.wanted, "value": one.estimate.value, "low": one.low,
                  "high": one.high, "level": one.target.sureness, "unit": one.estimate.unit, "trees": one.estimate.trees,
                  "plots": one.estimate.plots, "method": one.verdict, "note": one.sentence}
                 for part, told in self.by_part.items() for one in told]
        return pd.DataFrame(rows)

    def as_json(self) -> dict:
        """For machines: the same records, without the map's grid."""
        many = {"by_species", "by_height", "by_culprit", "by_protection", "by_stratum", "by_edge", "stem_damage", "severity",
                "guards", "heights"}
        told = {group: {key: one.as_json() for key, one in members.items()} if group in many else members[""].as_json()
                for group, members in self.groups().items()}
        absent = {name: None for name in ("if_yes", "if_no", "saved", "saved_redrawn", "effectiveness", "density",
                                          "unbrowsed_density", "stocking", "change") if name not in told}
        counts = {name: getattr(self, name)
                  for name in ("trees", "plots", "empty_plots", "unreached_plots", "undecided_trees")}
        return {"sites": list(self.sites), "visits": list(self.visits), "answer": self.answer,
                "decisions": [one.as_json() for one in self.decisions], "asked": self.asked, **counts,
                "by_part": {part: [one.as_json() for one in told] for part, told in self.by_part.items()},
                "headline": self.headline, **told, **absent, "bands": list(self.bands), "refused": list(self.refused),
                "smallest_change_seen": None if self.compared is None else self.compared.smallest,
                "clustering": None if self.clustering is None else {
                    "statistic": None if math.isnan(self.clustering.statistic) else self.clustering.statistic,
                    "p_value": self.clustering.p_value, "method": self.clustering.method},
                "lasting": {kind: one.as_json() for kind, one in self.lasting.items()},
                "cost_per_tree_saved": None if self.cost is None else {
                    name: None if math.isinf(value) else value for name, value in asdict(self.cost).items()},
                "methods": self.methods, "not_covered": list(self.not_covered), "caution": self.caution}


def summarise(trees: pd.DataFrame, before: pd.DataFrame | None = None, targets: Sequence[Target] = (), country: str = "",
              rule: StoppingRule | None = None, area: BaseGeometry | Ground | None = None, level: float = 0.95,
              plots_in_all: int | None = None, lasting: Mapping[str, Survival] | None = None,
              cost_per_tree: float | None = None, refused: Sequence[str] = (), redraw: int = 0,
              progress: Callable[[float], None] | None = None) -> Survey:
    """Every figure of a survey, and what follows from it.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame of one visit, or of several of which the last is told and the one before compared; columns and their
        units: frame.py [each in its own unit].
    before : pandas.DataFrame or None
        The frame of an earlier visit [no unit].
    targets : sequence of Target
        Own targets; they come first. Those that the planned tally carries where none are given, and likewise its stopping
        rule [no unit].
    country : str
        Whose published targets hold, empty for none [no unit].
    rule : StoppingRule or None
        Chosen before the first plot; one look and one addition where nobody chose [no unit].
    area : geometry or Ground or None
        The planting: in the frame's metres, or a place on earth that positions with a named grid are joined to [m].
    level : float
        Of the two-sided intervals, no unit.
    plots_in_all : int or None
        Plots that the ground would hold [no unit].
    lasting : mapping of Survival
        Curves of barriers, see lasting.py [year].
    cost_per_tree : float or None
        Of the protection of one tree [any currency].
    refused : sequence of str
        A line for each row of the tally that was not taken [no unit].
    redraw : int
        How often to redraw the plots for the difference that protection makes [no unit].
    progress : function or None
        Called with the share done, 0 to 1 [no unit].

    Returns
    -------
    Survey

    Raises
    ------
    CannotUse
        Where the table cannot be a survey.
    """
    a_level(level)
    frame, every_visit, before = _visits(trees, before)
    frame, epsg, placing = on_one_grid(frame)
    area = onto(area, epsg)
    reached = of_sampled(frame)
    real = reached[reached["tree"].notna()]
    if "alive" in real.columns:
        real = real[real["alive"].fillna(1) != 0]
    if real.empty and not (targets or chosen_in(frame)[0]):
        raise CannotUse("The table has no living tree on a plot that was reached: there is nothing to estimate.")
    protected = protected_trees(real)
    free = real[~protected]
    unprotected = _overall(free, level, plots_in_all)
    undecided = int(free["browsed"].isna().sum())
    bounds = [_overall(free.assign(browsed=free["browsed"].fillna(either)), level, plots_in_all) if undecided else None
              for either in (1, 0)]
    by_protection = {}
    if protected.any():
        kinds = words_of(real, "protection").where(protected, "none")
        by_protection = _groups(real.assign(_kind=kinds), "_kind", level)
    shut = _overall(real[protected], level, None) if protected.any() else None
    by_species = _groups(free, "species", level)
    rows = _plot_rows(frame, free)
    drawn, alike, edge = _where(rows, area)
    visited = plots_visited(frame)
    dense = _density(reached, real, level)
    saved = _saved(free, real[protected], unprotected, shut)
    figures = Survey(
        sites=tuple(sorted(map(str, frame["site"].dropna().unique()))),
        visits=tuple(sorted(map(str, frame["day"].dropna().unique()))) if "day" in frame.columns else (),
        trees=len(real), plots=visited, empty_plots=visited - real.groupby(["site", "plot"]).ngroups,
        unreached_plots=frame.groupby(["site", "plot"]).ngroups - visited, undecided_trees=undecided,
        decisions=(), asked="",
        unprotected=unprotected, if_yes=bounds[0], if_no=bounds[1], by_species=by_species,
        by_height=dict(sorted(_groups(free, "height_class", level).items(), key=_by_height)),
        by_culprit=share_browsed_by(free, level, 0.0, plots_in_all) if culprits_of(free) else {},
        by_protection=by_protection,
        by_stratum=_groups(free, "stratum", level) if words_of_any(free, "stratum") else {},
        by_edge=_by_edge(free, rows, area, level),
        stem_damage=_shares_of(real, "stem_damage", level), severity=_severity(free, level),
        guards=_shares_of(real[protected], "protection_state", level), heights=_heights(real, level),
        saved=saved,
        effectiveness=effectiveness(shut, unprotected, plots_visited(real)) if shut is not None else None,
        density=dense[0], unbrowsed_density=dense[1], stocking=dense[2],
        compared=_compared(before, free, level), bands=(),
        plot_rows=rows, map=drawn, clustering=alike, towards_edge=edge, methods=_methods(unprotected, level),
        not_covered=(*_refused_line(refused), *pooled_line(frame), *placing, *_not_covered(frame, real, undecided, shut)),
        caution=caution(), refused=tuple(map(str, refused)), area=area,
        lasting=lasting or {},
        saved_redrawn=_redrawn(real, protected, redraw, level, progress) if redraw and saved is not None else None,
        cost=None if cost_per_tree is None or saved is None else cost_per_tree_saved(cost_per_tree, saved))
    return _held(figures, frame, every_visit, targets, country, rule, plots_in_all)


def held_against(survey: Survey, trees: pd.DataFrame, targets: Sequence[Target] = (), country: str = "",
                 rule: StoppingRule | None = None, plots_in_all: int | None = None) -> Survey:
    """The same survey, held against other targets: no other figure of it is worked out again.

    Parameters
    ----------
    survey : Survey
        As `summarise` made it of these trees [no unit].
    trees : pandas.DataFrame
        As `summarise` takes them, all visits in one [each in its own unit].
    targets, country, rule, plots_in_all : object
        As `summarise` takes them [no unit].
    """
    frame, every_visit, _ = _visits(trees, None)
    return _held(survey, frame, every_visit, targets, country, rule, plots_in_all)


def _held(survey: Survey, frame: pd.DataFrame, every_visit: pd.DataFrame, targets: Sequence[Target], country: str,
          rule: StoppingRule | None, plots_in_all: int | None) -> Survey:
    planned, its_rule, beside = chosen_in(frame)
    if planned and targets and planned[0] not in targets:
        beside = (f"The tally was planned for {planned[0].wanted}; another target was chosen after that.", *beside)
    rule = rule or its_rule
    found, asked = decisions(frame, every_visit, targets or planned, country, rule, plots_in_all)
    return replace(survey, decisions=found, asked=asked, by_part=by_part(frame, every_visit, found, rule),
                   bands=_bands(survey.by_species, country), beside=beside)


def _visits(trees: pd.DataFrame,
            before: pd.DataFrame | None) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame | None]:
    """The last visit, all of them, and the one before the last."""
    frame = every_visit = in_visits(checked(trees))
    if "visit" in frame.columns and before is None and frame.groupby("site")["visit"].nunique().max() > 1:
        last = frame.groupby("site")["visit"].transform("max")
        before, frame = frame[frame["visit"] != last], frame[frame["visit"] == last]
        before = before[before["visit"] == before.groupby("site")["visit"].transform("max")]
    elif before is not None:
        every_visit = pd.concat([in_visits(before), frame], ignore_index=True)
    return frame, every_visit, before


def _by_height(member: tuple[str, Estimate]) -> int:
    return next((place for place, begins in enumerate(_HEIGHTS) if member[0].startswith(begins)), len(_HEIGHTS))


def _refused_line(refused: Sequence[str]) -> tuple[str, ...]:
    if not refused:
        return ()
    if len(refused) == 1:
        return (f"1 row of the tally was refused and is in no figure: {refused[0]}",)
    return (f"{len(refused)} rows of the tally were refused and are in no figure; the first: {refused[0]}",)


def _bands(by_species: dict[str, Estimate], country: str) -> tuple[str, ...]:
    if country_named(country) != "Austria":
        return ()
    return tuple(f"{name}: {' or '.join(found)} ({one.words()}; {band_source()})"
                 for name, one in by_species.items() if (found := band(one)))


def _shares_of(trees: pd.DataFrame, name: str, level: float) -> dict[str, Estimate]:
    """Share of trees of each kind named in a column; nothing where it was not filled in for any."""
    if trees.empty or not words_of_any(trees, name):
        return {}
    told = words_of(trees, name)
    return {str(kind): share_browsed(trees.assign(_is=(told == kind).astype(float)), value="_is", level=level)[()]
            for kind in sorted(told[told != ""].unique())}


def _severity(free: pd.DataFrame, level: float) -> dict[str, Estimate]:
    if "severity" not in free.columns or free["severity"].isna().all():
        return {}
    known = free[free["severity"].notna()]
    return {SEVERITY_WORDS[int(step)]: share_browsed(known.assign(_is=(known["severity"] == step).astype(float)),
                                                     value="_is", level=level)[()]
            for step in sorted(known["severity"].unique())}


def _heights(real: pd.DataFrame, level: float) -> dict[str, Estimate]:
    if "height_cm" not in real.columns or real["height_cm"].isna().all():
        return {}
    tall = real[real["height_cm"].notna()]
    plots = [rows["height_cm"].to_numpy(float) for _, rows in tall.groupby(["site", "plot"], observed=True)]
    return {"mean height": mean_height(plots, level), "ten tallest of each plot": tallest_trees(plots, 10, level)}


def _by_edge(free: pd.DataFrame, rows: pd.DataFrame, area: BaseGeometry | None, level: float) -> dict[str, Estimate]:
    """Share browsed near the boundary and farther in, where positions and boundary are known."""
    known = rows[rows["x"].notna() & rows["y"].notna()]
    if area is None or known.empty:
        return {}
    near = distance_to_edge(known[["x", "y"]].to_numpy(float), area) < _EDGE_M
    where = {True: f"within {_EDGE_M:g} m of the edge", False: "farther in"}
    names = pd.Series([where[bool(one)] for one in near], index=pd.MultiIndex.from_frame(known[["site", "plot"]]))
    keys = pd.MultiIndex.from_frame(free[["site", "plot"]])
    return _groups(free.assign(_edge=names.reindex(keys).to_numpy()).dropna(subset=["_edge"]), "_edge", level)


def _overall(frame: pd.DataFrame, level: float, plots_in_all: int | None) -> Estimate:
    if frame.empty:
        return nothing("no such trees", level=level)
    return share_browsed(frame, level=level, plots_in_all=plots_in_all)[()]


def _groups(frame: pd.DataFrame, name: str, level: float) -> dict[str, Estimate]:
    if name not in frame.columns or frame.empty:
        return {}
    named = frame.assign(_group=words_of(frame, name).replace("", "not told"))
    return {str(key[0]): one for key, one in share_browsed(named, ["_group"], level=level).items()}


def _plot_rows(frame: pd.DataFrame, free: pd.DataFrame) -> pd.DataFrame:
    totals = plot_totals(free).rename(columns={"sum": "browsed", "count": "trees"})
    if not {"x", "y"} <= set(frame.columns):
        return totals.assign(x=np.nan, y=np.nan)
    places = frame.groupby(["site", "plot"], observed=True)[["x", "y"]].first().reset_index()
    return places.merge(totals, on=["site", "plot"], how="left").fillna({"browsed": 0.0, "trees": 0})


def _where(rows: pd.DataFrame,
           area: BaseGeometry | None) -> tuple[RateMap | None, Clustering | None, tuple[float, float] | None]:
    known = rows[rows["x"].notna() & rows["y"].notna() & (rows["trees"] > 0)]
    if len(known) < MAPPED_PLOTS or known["site"].nunique() > 1:
        return None, None, None
    place, rate = known[["x", "y"]].to_numpy(float), (known["browsed"] / known["trees"]).to_numpy(float)
    edge = None
    if area is not None:
        with suppress(CannotUse):  # plots that are all browsed alike show no course
            edge = rate_by_distance(distance_to_edge(place, area), rate)
    return rate_map(place, known["browsed"], known["trees"], area=area), clustering(place, rate), edge


def _saved(free: pd.DataFrame, shut: pd.DataFrame, one: Estimate, other: Estimate | None) -> Estimate | None:
    if other is None:
        return None
    both = plot_totals(free).merge(plot_totals(shut), on=["site", "plot"], how="outer", suffixes=("1", "2")).fillna(0)
    return difference(one, other, alike=likeness_of_groups(both["sum1"], both["count1"], both["sum2"], both["count2"]),
                      plots=len(both))


def _redrawn(real: pd.DataFrame, protected: pd.Series, draws: int, level: float,
             progress: Callable[[float], None] | None) -> Estimate:
    try:
        return bootstrap_of_plots(real.assign(_protected=protected.astype(int)), "_protected", draws, level,
                                  progress=progress)
    except CannotUse as wrong:
        return nothing(str(wrong), level=level)


def _density(reached: pd.DataFrame, real: pd.DataFrame,
             level: float) -> tuple[Estimate | None, Estimate | None, Estimate | None]:
    if "plot_area_m2" not in reached.columns or reached["plot_area_m2"].isna().all():
        return None, None, None
    keys = ["site", "plot"]
    areas = reached.groupby(keys, observed=True)["plot_area_m2"].first().dropna()
    counts = real.groupby(keys, observed=True).size().reindex(areas.index, fill_value=0)
    whole = real[real["browsed"] == 0].groupby(keys, observed=True).size().reindex(areas.index, fill_value=0)
    stocked = stocking(counts, float(areas.iloc[0]), level) if areas.nunique() == 1 else None
    return trees_per_ha(counts, areas, level), trees_per_ha(whole, areas, level), stocked


def _compared(before: pd.DataFrame | None, free: pd.DataFrame, level: float) -> Change | None:
    if before is None or before.empty:
        return None
    earlier = of_sampled(checked(before))
    earlier = earlier[~protected_trees(earlier)]
    try:
        return changed(earlier, free, level)
    except CannotUse as wrong:
        none = nothing(str(wrong), level=level)
        return Change(none, none, none, None)


def _methods(estimate: Estimate, level: float) -> str:
    # few plots that hold the same share show no design effect at all: it would stand for trees without end
    effect = "" if estimate.design_effect is None or estimate.design_effect < 0.05 else (
        f" The design effect of the headline is {estimate.design_effect:.1f}: the plots told as much as "
        f"{estimate.trees / estimate.design_effect:.0f} trees drawn one by one.")
    return (f"Shares are ratios of totals with plots as clusters (linearised variance; {level:.0%} limits on the logit "
            "scale, t with degrees of freedom from the residuals' tails). Where none or all were browsed a one-sided bound "
            "with an assumed design effect stands instead. A doubtful culprit counts by its probabilities, and what is not "
            "known of each wound is in the interval. Differences join the limits of both groups (square and add), with the "
            f"likeness of trees in the same plots kept. Protected trees are kept out of the headline.{effect}")


def _not_covered(frame: pd.DataFrame, real: pd.DataFrame, undecided: int, shut: Estimate | None) -> tuple[str, ...]:
    told = []
    unreached = frame.groupby(["site", "plot"]).ngroups - plots_visited(frame)
    if unreached:
        told.append(f"Plots that were not reached: {unreached}. They are no zeros and are left out.")
    if undecided:
        trees = "1 tree is" if undecided == 1 else f"{undecided} trees are"
        told.append(f"{trees} left out, whose leader could not be told; the two bounds count them either way.")
    dead = of_sampled(frame)
    if "alive" in dead.columns and (dead["alive"] == 0).any():
        told.append(f"{int((dead['alive'] == 0).sum())} dead trees are left out.")
    if "plot_area_m2" not in real.columns or real["plot_area_m2"].isna().all():
        told.append("Trees per hectare: the plots' areas were not written down.")
    if not culprits_of(real):
        told.append("Culprits: no wound has a verdict.")
    if shut is not None:
        told.append("Protection was not given by chance unless the notes say so: the difference is no proof of its effect.")
    if not {"x", "y"} <= set(frame.columns):
        told.append("Where: the plots have no positions.")
    told.append("Harm: height growth, mortality and how hard each tree is bitten are not judged here.")
    return tuple(told)


