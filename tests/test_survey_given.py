"""Every estimator of the survey room gives low <= value <= high, or refuses in one line: never nonsense."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.cannot_use import CannotUse
from diagnose.survey import change, clumped, compare, decide, density, design, lasting, proportion, quality, ratio, stopping
from diagnose.survey.attribution import share_browsed_by
from diagnose.survey.estimate import Estimate, Interval
from diagnose.survey.given import a_level
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
