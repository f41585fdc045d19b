"""Shares browsed: against independent libraries, at the edges, and what the intervals cover."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.survey import coverage
from diagnose.survey.frame import plot_totals
from diagnose.survey.proportion import (
    browsing_index,
    by_likeness,
    clopper_pearson,
    clustered,
    independent,
    jeffreys,
    likeness,
    logit_limits,
    plots_visited,
    share_browsed,
    wilson,
)
from diagnose.survey.ratio import ratio_of_totals


def plantings(count: int = 20) -> list[tuple[np.ndarray, np.ndarray]]:
    rng = np.random.default_rng(3)
    return [coverage.planting(rng, int(rng.integers(5, 50)), rng.uniform(0.1, 0.9), 0.1, 0.8, 8) for _ in range(count)]


def test_limits_of_independent_trees_are_those_of_scipy_and_statsmodels() -> None:
    confint = pytest.importorskip("statsmodels.stats.proportion").proportion_confint
    for n in (1, 7, 40):
        for x in range(n + 1):
            for level in (0.8, 0.95):
                test = stats.binomtest(x, n)
                for found, name in ((wilson(x, n, level), "wilson"), (wilson(x, n, level, True), "wilsoncc"),
                                    (clopper_pearson(x, n, level), "exact")):
                    told = test.proportion_ci(level, name)
                    assert (found.low, found.high) == pytest.approx((told.low, told.high), abs=1e-9), (x, n, name)
                if 0 < x < n:
                    found = jeffreys(x, n, level)
                    assert (found.low, found.high) == pytest.approx(confint(x, n, 1 - level, "jeffreys"), abs=1e-9)


def test_the_cluster_error_is_that_of_cluster_robust_regression() -> None:
    """Regression of 0/1 on a constant, clusters by plot: statsmodels, with its n/(n-1)."""
    sm = pytest.importorskip("statsmodels.api")
    for y, m in plantings():
        trees = np.concatenate([np.r_[np.ones(b), np.zeros(n - b)] for b, n in zip(y, m, strict=True)])
        plots = np.repeat(np.arange(len(m)), m)
        fit = sm.OLS(trees, np.ones(len(trees))).fit(cov_type="cluster", cov_kwds={"groups": plots, "use_correction": True})
        found = clustered(y, m)
        assert found.value == pytest.approx(fit.params[0])
        assert found.sigma == pytest.approx(fit.bse[0], rel=1e-6)


def test_the_cluster_error_is_that_of_a_survey_library() -> None:
    """samplics: its fpc argument is 1 - n/N."""
    estimation = pytest.importorskip("samplics.estimation")
    from samplics.utils.types import PopParam

    for y, m in plantings(5):
        trees = np.concatenate([np.r_[np.ones(b), np.zeros(n - b)] for b, n in zip(y, m, strict=True)])
        plots = np.repeat(np.arange(len(m)), m)
        told = estimation.TaylorEstimator(PopParam.mean)
        told.estimate(y=trees, samp_weight=np.ones(len(trees)), psu=plots, fpc=1 - len(m) / 200)
        found = clustered(y, m, plots_in_all=200)
        straight = ratio_of_totals(y, m, drawn_share=len(m) / 200)
        assert (found.value, found.sigma) == pytest.approx((told.point_est, told.stderror), rel=1e-6)
        assert straight.limits == pytest.approx((told.lower_ci, told.upper_ci), rel=1e-6)


def test_none_and_all_browsed_get_a_bound_and_say_what_it_assumes() -> None:
    none, every = clustered([0] * 10, [5] * 10), clustered([5] * 10, [5] * 10)
    assert (none.value, none.low) == (0, 0) and 3 / 50 < none.high < 0.2 and "assumed" in none.note
    assert (every.low, every.high) == pytest.approx((1 - none.high, 1))


def test_one_plot_gives_an_estimate_without_an_interval_and_no_trees_give_none() -> None:
    one = clustered([3], [10])
    assert one.value == 0.3 and one.low is None and "one plot" in one.note
    assert clustered([0, 0], [0, 0]).value is None
    assert clustered([], []).value is None


def test_plots_without_trees_say_nothing_of_the_share() -> None:
    bare, padded = clustered([1, 4, 2], [5, 6, 5]), clustered([1, 4, 2, 0], [5, 6, 5, 0])
    assert (padded.value, padded.low, padded.high, padded.plots) == (bare.value, bare.low, bare.high, 3)


def test_limits_mirror_when_browsed_and_unbrowsed_change_places() -> None:
    for y, m in plantings(8):
        if y.sum() >= 10 and (m - y).sum() >= 10:
            one, other = clustered(y, m), clustered(m - y, m)
            assert (one.low, one.high) == pytest.approx((1 - other.high, 1 - other.low))


def test_plots_that_are_all_alike_are_no_surer_than_independent_trees() -> None:
    found = clustered([2] * 6, [5] * 6)
    assert found.low < wilson(12, 30).low and found.high > wilson(12, 30).high


def test_more_browsed_than_trees_is_refused() -> None:
    with pytest.raises(CannotUse, match="more browsed trees"):
        clustered([6, 1], [5, 5])
    with pytest.raises(CannotUse, match="between 0 and 5"):
        independent(6, 5)


def test_a_stratum_of_one_plot_is_refused_not_taken_as_certain() -> None:
    with pytest.raises(CannotUse, match="one plot"):
        ratio_of_totals([1, 2, 3], [4, 5, 6], strata=["a", "a", "b"])


def test_likeness_is_nought_for_strewn_trees_and_one_for_plots_all_or_none() -> None:
    rng = np.random.default_rng(0)
    y, m = coverage.planting(rng, 3000, 0.3, 0.0, 0.5, 10)
    assert likeness(y, m) == pytest.approx(0, abs=0.02)
    y, m = coverage.planting(rng, 3000, 0.3, 0.2, 0.5, 10)
    assert likeness(y, m) == pytest.approx(0.2, abs=0.02)  # the simulation's own parameter
    assert likeness([5, 0, 5, 0], [5, 5, 5, 5]) == pytest.approx(1)
    assert by_likeness(y, m).low < 0.3 < by_likeness(y, m).high


def test_the_browsing_index_never_is_nought() -> None:
    found = browsing_index(0, 150)
    assert found.value == pytest.approx(1 / 152) and 0 < found.low < found.value < found.high


def test_a_table_of_trees_gives_shares_by_group_and_counts_empty_plots_as_visited() -> None:
    trees = pd.DataFrame({"site": "a", "plot": ["1", "1", "2", "2", "3"], "tree": [1, 2, 1, 2, None],
                          "species": ["oak", "ash", "oak", "oak", None], "browsed": [1, 0, 0, 1, None]})
    found = share_browsed(trees, ["species"])
    assert found[("oak",)].value == pytest.approx(2 / 3) and found[("oak",)].plots == 2
    assert found[("ash",)].value == 0
    assert share_browsed(trees)[()].trees == 4
    assert plots_visited(trees) == 3


CELLS = [(15, 0.3, 0.2, 0.8, 5), (30, 0.05, 0.05, 0.8, 20), (30, 0.9, 0.2, 0.8, 20), (60, 0.1, 0.2, 0.0, 5)]


@pytest.mark.parametrize("cell", CELLS)
def test_the_intervals_cover_what_they_promise(cell: tuple) -> None:
    """Bar 93 to 97 %; 600 runs, so three binomial standard errors of slack. The whole table: `coverage.py`."""
    runs = 600
    found = coverage.covered(np.random.default_rng(11), runs, *cell)
    slack = 3 * np.sqrt(0.95 * 0.05 / runs)
    assert 0.93 - slack <= found["coverage"] <= 0.97 + slack, found


def test_few_plots_with_rare_browsing_still_are_covered() -> None:
    for cell in ((8, 0.02, 0.2, 0.8, 5), (8, 0.1, 0.2, 0.8, 20)):
        assert coverage.covered(np.random.default_rng(5), 600, *cell)["coverage"] >= 0.93 - 3 * np.sqrt(0.95 * 0.05 / 600)


# pandas' own grouping is the judge: keys missing, values missing, empty plots, several keys
def test_plot_totals_are_those_of_a_plain_grouping() -> None:
    rng = np.random.default_rng(5)
    for by in ([], ["species"], ["species", "height_class"]):
        trees = pd.DataFrame({
            "site": rng.choice(["a", "b", None], 400), "plot": rng.integers(0, 30, 400).astype(str),
            "species": rng.choice(["oak", "ash"], 400), "height_class": rng.choice(["low", "high", None], 400),
            "browsed": rng.choice([0.0, 1.0, np.nan], 400)})
        keys = ["site", "plot", *by]
        plain = trees.groupby(keys, sort=False)["browsed"].agg(["sum", "count"]).reset_index()
        pd.testing.assert_frame_equal(plot_totals(trees, by=by), plain, check_dtype=False)
    assert plot_totals(trees[:0]).empty


def test_the_coverage_table_judges_the_limits_that_are_given() -> None:
    rng = np.random.default_rng(8)
    for share in (0.02, 0.3):
        y, m = coverage.planting(rng, 15, share, 0.1, 0.8, 5)
        one = clustered(y, m)
        both = [float(x[0]) for x in logit_limits(y[None].astype(float), m[None].astype(float), 0.025)[:2]]
        if 0 < one.value < 1:
            assert [one.low, one.high] == pytest.approx([min(both[0], one.value), max(both[1], one.value)])
