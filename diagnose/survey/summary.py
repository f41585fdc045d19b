"""What does a survey say, all of it, as one object?

The page, the report and the machine-readable output show this object's figures and work out none themselves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field

import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from diagnose.cannot_use import CannotUse
from diagnose.survey.attribution import culprits_of, share_browsed_by
from diagnose.survey.change import change
from diagnose.survey.compare import bootstrap_of_plots, difference, effectiveness, likeness_of_groups
from diagnose.survey.density import stocking, trees_per_ha
from diagnose.survey.estimate import Estimate, nothing
from diagnose.survey.frame import checked, of_sampled, plot_totals
from diagnose.survey.judging import Judgement, caution, fitting, judge, own_target
from diagnose.survey.lasting import Cost, Survival, cost_per_tree_saved
from diagnose.survey.proportion import plots_visited, share_browsed
from diagnose.survey.where import Clustering, RateMap, clustering, distance_to_edge, rate_by_distance, rate_map


@dataclass(frozen=True)
class Survey:
    """Every figure of one visit (to one site or several), with what was not covered.

    unprotected : the headline. if_yes, if_no : the headline with trees that could not be told counted as browsed, and
    as not. by_* : unprotected trees by group, but by_protection : all trees, "none" for unprotected. saved : unprotected
    less protected; saved_redrawn : the same by redrawing whole plots, where asked for. judgements : by species. plots :
    one row a plot with its position, browsed and trees. lasting : how long barriers last, by kind. cost : of one tree
    saved, in the money that the cost of a tree's protection was given in.
    """

    sites: tuple[str, ...]
    visits: tuple[str, ...]
    trees: int
    plots: int
    empty_plots: int
    unreached_plots: int
    undecided_trees: int
    unprotected: Estimate
    if_yes: Estimate | None
    if_no: Estimate | None
    by_species: dict[str, Estimate]
    by_height: dict[str, Estimate]
    by_culprit: dict[str, Estimate]
    by_protection: dict[str, Estimate]
    saved: Estimate | None
    effectiveness: Estimate | None
    density: Estimate | None
    unbrowsed_density: Estimate | None
    stocking: Estimate | None
    severity: dict[str, int]
    change: Estimate | None
    judgements: tuple[Judgement, ...]
    plot_rows: pd.DataFrame
    map: RateMap | None
    clustering: Clustering | None
    towards_edge: tuple[float, float] | None
    methods: str
    not_covered: tuple[str, ...]
    caution: str
    area: BaseGeometry | None = field(default=None, repr=False)
    lasting: Mapping[str, Survival] = field(default_factory=dict)
    cost: Cost | None = None
    saved_redrawn: Estimate | None = None

    @property
    def headline(self) -> str:
        """The sentence that a season's work ends in."""
        told = [f"{self.unprotected.words()} of unprotected leaders were browsed"]
        named = {key: one.value or 0.0 for key, one in self.by_culprit.items() if key != "unknown"}
        if named:
            leading = max(named, key=lambda key: named[key])
            told.append(f"by {leading.replace('_', ' ')} {self.by_culprit[leading].words()}")
        kinds = [k for k in self.by_protection if k != "none"]
        told += [f"inside {kind} {self.by_protection[kind].words()}" for kind in kinds[:2]]
        return "; ".join(told) + "."

    def as_json(self) -> dict:
        """For machines: the same records, without the map's grid."""
        groups = {name: {key: one.as_json() for key, one in getattr(self, name).items()}
                  for name in ("by_species", "by_height", "by_culprit", "by_protection")}
        single = {name: one.as_json() if (one := getattr(self, name)) is not None else None
                  for name in ("unprotected", "if_yes", "if_no", "saved", "saved_redrawn", "effectiveness", "density",
                               "unbrowsed_density",
                               "stocking", "change")}
        counts = {name: getattr(self, name)
                  for name in ("trees", "plots", "empty_plots", "unreached_plots", "undecided_trees")}
        return {"sites": list(self.sites), "visits": list(self.visits), **counts, "headline": self.headline, **single,
                **groups, "severity": self.severity,
                "judgements": [{"species": one.tolerance.species, "region": one.tolerance.region, "low": one.tolerance.low,
                                "high": one.tolerance.high, "source": one.tolerance.source, "tag": one.tolerance.tag,
                                "verdict": one.verdict, "words": one.words} for one in self.judgements],
                "clustering": None if self.clustering is None else {
                    "statistic": None if math.isnan(self.clustering.statistic) else self.clustering.statistic,
                    "p_value": self.clustering.p_value, "method": self.clustering.method},
                "lasting": {kind: one.as_json() for kind, one in self.lasting.items()},
                "cost_per_tree_saved": None if self.cost is None else {
                    name: None if math.isinf(value) else value for name, value in asdict(self.cost).items()},
                "methods": self.methods, "not_covered": list(self.not_covered), "caution": self.caution}


def summarise(trees: pd.DataFrame, before: pd.DataFrame | None = None, target: float | None = None,
              area: BaseGeometry | None = None, level: float = 0.95, plots_in_all: int | None = None,
              lasting: Mapping[str, Survival] | None = None, cost_per_tree: float | None = None, redraw: int = 0,
              progress: Callable[[float], None] | None = None) -> Survey:
    """Every figure of a survey. Raises CannotUse where the table cannot be a survey.

    trees : survey frame of one visit, see frame.py. before : the frame of an earlier visit. target : own tolerable share.
    area : the planting in the frame's metres, for the map. lasting : curves of barriers, see lasting.py. cost_per_tree :
    of the protection of one tree, in the reader's money. redraw : how often to redraw the plots for the difference that
    protection makes; progress : told the share done, 0 to 1.
    """
    frame = checked(trees)
    if "visit" in frame.columns and before is None and frame.groupby("site")["visit"].nunique().max() > 1:
        last = frame.groupby("site")["visit"].transform("max")
        before, frame = frame[frame["visit"] != last], frame[frame["visit"] == last]
        before = before[before["visit"] == before.groupby("site")["visit"].transform("max")]
    reached = of_sampled(frame)
    real = reached[reached["tree"].notna()]
    if "alive" in real.columns:
        real = real[real["alive"].fillna(1) != 0]
    if real.empty:
        raise CannotUse("The table has no living tree on a plot that was reached: there is nothing to estimate.")
    protected = _protected(real)
    free = real[~protected]
    unprotected = _overall(free, level, plots_in_all)
    undecided = int(free["browsed"].isna().sum())
    bounds = [_overall(free.assign(browsed=free["browsed"].fillna(either)), level, plots_in_all) if undecided else None
              for either in (1, 0)]
    by_protection = {}
    if protected.any():
        kinds = _words(real, "protection").where(protected, "none")
        by_protection = _groups(real.assign(_kind=kinds), "_kind", level)
    shut = _overall(real[protected], level, None) if protected.any() else None
    by_species = _groups(free, "species", level)
    rows = _plot_rows(frame, free)
    drawn, alike, edge = _where(rows, area)
    visited = plots_visited(frame)
    dense = _density(reached, real, level)
    saved = _saved(free, real[protected], unprotected, shut)
    return Survey(
        sites=tuple(sorted(map(str, frame["site"].dropna().unique()))),
        visits=tuple(sorted(map(str, frame["visit"].dropna().unique()))) if "visit" in frame.columns else (),
        trees=len(real), plots=visited, empty_plots=visited - real.groupby(["site", "plot"]).ngroups,
        unreached_plots=frame.groupby(["site", "plot"]).ngroups - visited, undecided_trees=undecided,
        unprotected=unprotected, if_yes=bounds[0], if_no=bounds[1], by_species=by_species,
        by_height=_groups(free, "height_class", level),
        by_culprit=share_browsed_by(free, level, 0.0, plots_in_all) if culprits_of(free) else {},
        by_protection=by_protection,
        saved=saved,
        effectiveness=effectiveness(shut, unprotected, plots_visited(real)) if shut is not None else None,
        density=dense[0], unbrowsed_density=dense[1], stocking=dense[2], severity=_severity(free),
        change=_change(before, free, level), judgements=_judgements(unprotected, by_species, target),
        plot_rows=rows, map=drawn, clustering=alike, towards_edge=edge, methods=_methods(unprotected, level),
        not_covered=_not_covered(frame, real, undecided, shut), caution=caution(), area=area,
        lasting=lasting or {},
        saved_redrawn=_redrawn(real, protected, redraw, level, progress) if redraw and saved is not None else None,
        cost=None if cost_per_tree is None or saved is None else cost_per_tree_saved(cost_per_tree, saved))


def _protected(real: pd.DataFrame) -> pd.Series:
    if "protection" not in real.columns:
        return pd.Series(False, index=real.index)
    return ~_words(real, "protection").isin(["", "none", "0"])


def _words(frame: pd.DataFrame, name: str) -> pd.Series:
    return frame[name].astype(object).where(frame[name].notna(), "").astype(str).str.strip()


def _overall(frame: pd.DataFrame, level: float, plots_in_all: int | None) -> Estimate:
    if frame.empty:
        return nothing("no such trees", level=level)
    return share_browsed(frame, level=level, plots_in_all=plots_in_all)[()]


def _groups(frame: pd.DataFrame, name: str, level: float) -> dict[str, Estimate]:
    if name not in frame.columns or frame.empty:
        return {}
    named = frame.assign(_group=_words(frame, name).replace("", "not told"))
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
    if len(known) < 8 or known["site"].nunique() > 1:
        return None, None, None
    place, rate = known[["x", "y"]].to_numpy(float), (known["browsed"] / known["trees"]).to_numpy(float)
    edge = rate_by_distance(distance_to_edge(place, area), rate) if area is not None else None
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


def _severity(free: pd.DataFrame) -> dict[str, int]:
    if "severity" not in free.columns:
        return {}
    return {str(int(key)): int(count) for key, count in free["severity"].dropna().value_counts().sort_index().items()}


def _change(before: pd.DataFrame | None, free: pd.DataFrame, level: float) -> Estimate | None:
    if before is None or before.empty:
        return None
    earlier = of_sampled(checked(before))
    earlier = earlier[~_protected(earlier)]
    try:
        return change(earlier, free, level)
    except CannotUse as wrong:
        return nothing(str(wrong), level=level)


def _judgements(overall: Estimate, by_species: dict[str, Estimate], target: float | None) -> tuple[Judgement, ...]:
    own = [judge(overall, own_target(target))] if target is not None else []
    return tuple(own + [judge(one, tolerance) for species, one in by_species.items() for tolerance in fitting(species)])


def _methods(estimate: Estimate, level: float) -> str:
    effect = "" if estimate.design_effect is None else (
        f" The design effect of the headline is {estimate.design_effect:.1f}: the plots told as much as "
        f"{estimate.trees / max(estimate.design_effect, 1e-9):.0f} trees drawn one by one.")
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
        told.append(f"{undecided} trees whose leader could not be told are left out; the two bounds count them either way.")
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


