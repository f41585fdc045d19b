"""Every estimator of the survey room gives low <= value <= high, or refuses in one line: never nonsense."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box

from diagnose.cannot_use import CannotUse
from diagnose.survey import (
    boundary,
    change,
    clumped,
    compare,
    coverage,
    decide,
    density,
    design,
    forests,
    frame,
    lasting,
    layout,
    plan,
    planning,
    proportion,
    quality,
    ratio,
    stopping,
    where,
)
from diagnose.survey.attribution import share_browsed_by, with_shares
from diagnose.survey.boundary import Ground
from diagnose.survey.estimate import Estimate, Interval, nothing
from diagnose.survey.given import a_level, of_all_plots
from diagnose.survey.target import BROWSED, PER_HA, STOCKED, Target

ODD = st.sampled_from([float("nan"), float("inf"), -1.0, 0.0, 0.5, 1.0, 2.0, 95.0, 1e9, 1e-12])
COUNT = st.one_of(st.integers(0, 40), ODD)
LEVEL = st.one_of(st.sampled_from([0.5, 0.8, 0.95, 0.999]), ODD)
PLOTS = st.integers(0, 8).flatmap(lambda n: st.tuples(*[st.lists(COUNT, min_size=n, max_size=n)] * 4))


def sound(found: object) -> None:
    """Nothing in a result is nonsense."""
    if isinstance(found, Estimate):
        told = [x for x in (found.low, found.value, found.high) if x is not None]
        assert not any(math.isnan(x) for x in told)
        assert all(a <= b + 1e-6 * max(1, abs(a)) for a, b in pairwise(told)), found
    elif isinstance(found, Interval):
        assert found.low <= found.high + 1e-9
    elif isinstance(found, compare.Test):
        assert found.statistic >= -1e-9 and 0 <= found.p_value <= 1
    elif isinstance(found, float):
        assert not math.isnan(found)
    elif isinstance(found, dict | tuple | list):
        for one in found.values() if isinstance(found, dict) else found:
            sound(one)


def told_or_refused(make: Callable[[], Any]) -> None:
    try:
        found = make()
    except CannotUse as reason:
        assert "\n" not in str(reason) and len(str(reason)) > 10
        return
    sound(found)


def of_counts(x: Any, n: Any, x2: Any, n2: Any, level: Any) -> Iterable[Callable[[], Any]]:
    for one in (proportion.wilson, proportion.clopper_pearson, proportion.jeffreys, proportion.mid_p):
        yield lambda one=one: one(x, n, level)
    yield lambda: proportion.wilson(x, n, level, corrected=True)
    yield lambda: proportion.independent(x, n, level)
    yield lambda: proportion.none_seen_bound(n, level)
    yield lambda: proportion.browsing_index(x, n, level)
    for two in (compare.wald, compare.agresti_caffo, compare.newcombe, compare.score, compare.ratio_score,
                compare.paired_newcombe, compare.paired_tango):
        yield lambda two=two: two(x, n, x2, n2, level)
    yield lambda: compare.mcnemar(x, x2)
    yield lambda: compare.homogeneity([x, x2], [n, n2])
    yield lambda: change.trend_of_independent([x, x2], [n, n2])
    yield lambda: design.trees_to_see_a_change(x, x2, 1.0, 0.8, level)
    yield lambda: design.plots_needed(x, x2, n, 0.1, level=level).plots
    yield lambda: design.design_effect(n, x)
    yield lambda: a_level(level)


@settings(max_examples=150, deadline=None)
@given(COUNT, COUNT, COUNT, COUNT, LEVEL)
def test_counts_of_trees_give_limits_round_their_value_or_are_refused(x: Any, n: Any, x2: Any, n2: Any, level: Any) -> None:
    for make in of_counts(x, n, x2, n2, level):
        told_or_refused(make)


def of_plots(y: list, m: list, y2: list, m2: list, level: Any) -> Iterable[Callable[[], Any]]:
    yield lambda: proportion.clustered(y, m, level)
    yield lambda: proportion.likeness(y, m)
    yield lambda: proportion.by_likeness(y, m, level=level)
    yield lambda: compare.likeness_of_groups(y, m, y2, m2)
    yield lambda: compare.rao_scott([y, y2], [m, m2])
    yield lambda: compare.difference(proportion.clustered(y, m, level), proportion.clustered(y2, m2, level))
    yield lambda: compare.effectiveness(proportion.clustered(y, m, level), proportion.clustered(y2, m2, level))
    yield lambda: change.change_on_plots(y, m, y2, m2, level)
    yield lambda: ratio.ratio_of_totals(y, m, level=level).value
    yield lambda: density.trees_per_ha(y, m, level)
    yield lambda: density.stocking(y, 50.0, level)
    yield lambda: density.nearest_tree(y, 2.0, level)
    yield lambda: density.density_by_distance(y, 3, level)
    yield lambda: density.tallest_trees([y, m], 3, level)
    yield lambda: density.mean_height([y, m], level)
    yield lambda: lasting.survival(m, [int(one == 1) for one in y], level=level)
    yield lambda: quality.kappa([y[:2], m[:2]])
    for kind, value in ((PER_HA, 1100.0), (STOCKED, 0.7), (BROWSED, 0.2)):
        yield lambda kind=kind, value=value: decide.decide(Target(kind, value), y, m).estimate


@settings(max_examples=40, deadline=None)
@given(PLOTS, LEVEL)
def test_counts_of_plots_give_limits_round_their_value_or_are_refused(plots: tuple, level: Any) -> None:
    for make in of_plots(*plots, level):
        told_or_refused(make)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 4), st.sampled_from([0, 1, None]), st.floats(0, 1)), max_size=12), LEVEL)
def test_tables_of_trees_give_limits_round_their_value_or_are_refused(rows: list, level: Any) -> None:
    trees = pd.DataFrame([{"site": "s", "plot": str(plot), "tree": str(at), "browsed": browsed, "share_deer": deer}
                          for at, (plot, browsed, deer) in enumerate(rows)],
                         columns=["site", "plot", "tree", "browsed", "share_deer"]).astype({"browsed": float})
    told_or_refused(lambda: proportion.share_browsed(trees, level=level))
    told_or_refused(lambda: share_browsed_by(trees, level))


@pytest.mark.parametrize("make", [
    lambda: proportion.clustered([1, float("nan"), 2], [3, 4, 5]), lambda: proportion.clustered([1, 2], [3, 4], level=95),
    lambda: proportion.clustered([1, 2, 3], [3, 4]), lambda: density.trees_per_ha([1, 2], [50, 0]),
    lambda: Estimate(0.5, 0.6, 0.7, 0.95, "x", 1, 1), lambda: Interval(0.3, 0.2), lambda: stopping.StoppingRule("now"),
    lambda: stopping.StoppingRule(planned=1), lambda: clumped.bounds([1, 2], [1, 1], float("nan")),
    lambda: Target("trees", 3), lambda: Target(PER_HA, float("nan"))])
def test_nonsense_is_refused_where_it_is_made(make: Callable[[], Any]) -> None:
    with pytest.raises(CannotUse):
        make()


NAN, RNG = float("nan"), np.random.default_rng(1)
SOME = Estimate(0.5, 0.4, 0.6, 0.95, "x", 10, 4, sigma=0.05)
WOOD = Ground(box(0, 0, 100, 100), 32632)
TREES = pd.DataFrame({"site": "s", "plot": ["1", "2"], "tree": ["1", "1"], "browsed": [1.0, 0.0]})
REFUSED = {
    "a place beyond the poles has no zone": lambda: boundary.utm_of(9.0, 91.0),
    "each tree has a verdict or none": lambda: with_shares(TREES, [None]),
    "bounds take an area for every plot": lambda: clumped.bounds([1, 2, 3], [1, 1], 0.05),
    "draws of a bootstrap are counted": lambda: compare.bootstrap_of_plots(TREES, draws=-1),
    "plots of a comparison are counted": lambda: compare.difference(SOME, SOME, plots=NAN),  # type: ignore[arg-type]
    "each group has browsed trees and trees": lambda: compare.rao_scott([], [[3, 4]]),
    "the error of no run is none": lambda: coverage.binomial_error(0.5, 0),
    "a survey of no plot is not drawn": lambda: coverage.planting(RNG, -1, 0.3, 0.1, 0.0, 8),
    "one plot tells of no further ones": lambda: decide.plots_more(
        Target(PER_HA, 1100.0), np.array([5.0]), np.array([50.0]), stopping.StoppingRule()),
    "each plot has its count and its area": lambda: density.trees_per_ha([1, 2, 3], [50, 50]),
    "a slope is a number": lambda: density.on_slope(1100.0, NAN),
    "a plot has an area": lambda: density.plot_radius(-1.0),
    "a plot has a radius": lambda: density.inside_area(0, 0, NAN, WOOD.metres),
    "tallest trees are counted": lambda: density.tallest_trees([[40.0, 50.0]], NAN),  # type: ignore[arg-type]
    "a tree has an east and a north": lambda: density.tally_twice((0, 0), (1,), WOOD.metres),  # type: ignore[arg-type]
    "a fix has an error": lambda: density.within_fix(4.0, 0.0),
    "sizes of parts are numbers": lambda: design.allocation(6, [1.0, NAN]),
    "a spread is a number": lambda: design.design_effect(10.0, 0.1, NAN),
    "a grid has a spacing": lambda: design.grid(WOOD.metres, 6, RNG, NAN),
    "a grid of a hair's width is not laid": lambda: design.grid(WOOD.metres, 6, RNG, 1e-6),
    "a strip along the edge has a width": lambda: design.inward(WOOD, NAN),
    "points in ground without area are not strewn for ever": lambda: design.scattered(box(0, 0, 0, 10), 3, RNG),
    "all trees are counted": lambda: design.trees_needed(0.3, 0.1, of_all=NAN),  # type: ignore[arg-type]
    "a power lies below one": lambda: design.trees_to_see_a_change(0.3, 0.5, power=1.0),
    "a walk goes from plot to plot": lambda: design.walk_length(np.zeros((3, 2)), [0, 7]),
    "a walk starts at a place": lambda: design.walking_order(np.zeros((4, 2)), ()),  # type: ignore[arg-type]
    "plots of an estimate are counted": lambda: nothing("no plot", NAN),  # type: ignore[arg-type]
    "a forest has trees": lambda: forests.gamma_clumps(RNG, math.inf, 0.5, (2, 3)),
    "a forest fits into memory": lambda: forests.rows(RNG, 5.0, 0.0, (10**9, 4)),
    "a share browsed lies below one": lambda: forests.browsed_trees(RNG, NAN, 0.1, np.full(3, 8.0)),
    "a column that is not there is named": lambda: frame.plot_totals(TREES, "browsd"),
    "words of a column that is not there are none": lambda: frame.words_of(TREES, "specis"),
    "plots that were visited are counted": lambda: of_all_plots(NAN, 40),  # type: ignore[arg-type]
    "curves are drawn by what the table has": lambda: lasting.lasting_of(pd.DataFrame({"kind": []}), "part"),
    "the seed of a plan is whole": lambda: layout.lay_out(WOOD, 6, seed=0.5),  # type: ignore[arg-type]
    "a plan has plots": lambda: plan.Plan("s", 0, 50.0, stopping.StoppingRule()),
    "trees a plot are a number": lambda: plan.seen_before(None, trees_a_plot=NAN),
    "plots that are asked for are counted": lambda: plan.asked_plots(None, "one look", 50.0, plan.Known(), plots=-3),
    "the seed of a planning is whole": lambda: planning.plots_to_decide(Target(PER_HA, 1100.0), seed=-1),
    "a variance starts at nought": lambda: proportion.clustered([1, 2], [4, 5], unsure=-1.0),
    "classes are counted": lambda: quality.linear_weights(-1),
    "an error of looks lies below a half": lambda: stopping.error_of_looks(NAN, 3),
    "a drift is a number": lambda: stopping.chance_to_cross([2.0], drift=NAN),
    "a map takes trees for every plot": lambda: where.rate_map(np.eye(3, 2), [1, 1], [2, 2]),
    "clustering takes whole draws": lambda: where.clustering(np.zeros((8, 2)), np.arange(8), draws=0),
    "plots that are browsed alike have no course": lambda: where.rate_by_distance([1.0, 2, 3], [0.5, 0.5, 0.5]),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_none_is_refused_in_one_line(what: str) -> None:
    with pytest.raises(CannotUse) as told:
        REFUSED[what]()
    assert "\n" not in str(told.value)


def test_a_share_of_nought_and_plots_that_are_all_or_none_are_drawn() -> None:
    assert forests.browsed_trees(RNG, 0.0, 0.3, np.full(5, 8.0)).tolist() == [0.0] * 5
    assert set(forests.browsed_trees(RNG, 0.5, 1.0, np.full(40, 8.0)).tolist()) == {0.0, 8.0}
