"""Change between visits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.survey.change import change, change_on_plots, transitions, trend_on_plots
from diagnose.survey.compare import difference
from diagnose.survey.proportion import clustered


def visits(rng: np.random.Generator, rates: tuple[float, ...], plots: int = 25, trees: int = 8) -> list[pd.DataFrame]:
    shift, frames = rng.normal(0, 0.8, plots), []
    for year, rate in enumerate(rates):
        each = 1 / (1 + np.exp(-(np.log(rate / (1 - rate)) + shift)))
        plot = np.repeat(np.arange(plots), trees)
        frames.append(pd.DataFrame({"site": "a", "plot": plot, "tree": np.tile(np.arange(trees), plots), "alive": 1,
                                    "visit": f"{2020 + year}-03-31", "height_cm": 60.0 + 40 * year,
                                    "browsed": rng.binomial(1, np.repeat(each, trees))}))
    return frames


def test_the_same_plots_twice_tell_a_change_more_surely_than_two_sets() -> None:
    first, second = visits(np.random.default_rng(1), (0.5, 0.3))
    found = change(first, second)
    one, two = (frame.groupby("plot")["browsed"].agg(["sum", "count"]) for frame in (first, second))
    apart = difference(clustered(two["sum"], two["count"]), clustered(one["sum"], one["count"]))
    assert found.value == pytest.approx(apart.value)
    assert found.sigma < apart.sigma


def test_with_one_tree_a_plot_the_error_is_that_of_paired_differences() -> None:
    a, b = np.array([1, 1, 0, 1, 0, 0, 1, 1]), np.array([0, 1, 0, 0, 0, 1, 0, 1])
    found = change_on_plots(a, np.ones(8), b, np.ones(8))
    assert found.sigma == pytest.approx((b - a).std(ddof=1) / np.sqrt(8))  # the paired t-test's standard error


def test_the_change_covers_the_truth() -> None:
    rng, hits, runs = np.random.default_rng(2), 0, 300
    for _ in range(runs):
        m = 1 + rng.poisson(6, 25)
        rate = rng.beta(3, 4, 25)
        found = change_on_plots(rng.binomial(m, rate), m, rng.binomial(m, 0.6 * rate), m)
        hits += found.low <= -0.4 * 3 / 7 <= found.high
    assert 0.91 <= hits / runs <= 0.985


def test_visits_without_a_common_plot_are_refused() -> None:
    first, second = visits(np.random.default_rng(1), (0.5, 0.3))
    with pytest.raises(CannotUse, match="share no plot"):
        change(first, second.assign(site="b"))


def test_trees_that_died_or_grew_out_of_reach_are_shown_as_such() -> None:
    first, second = visits(np.random.default_rng(1), (0.5, 0.3))
    second.loc[0, "alive"], second.loc[1, ["browsed", "height_cm"]] = 0, [0, 210.0]
    table = transitions(first, second, reach_cm=150)
    assert table["dead"].sum() == 1 and table["escaped"].sum() == 1
    assert table.to_numpy().sum() == len(first) and table.attrs["left_out"] == 0


def test_a_trend_over_years_is_found_and_covers_none_where_there_is_none() -> None:
    rng = np.random.default_rng(3)
    falling = trend_on_plots(pd.concat(visits(rng, (0.6, 0.5, 0.4, 0.3))))
    assert falling.high < 0 and falling.value == pytest.approx(-0.09, abs=0.04)
    hits = 0
    for _ in range(60):
        level = trend_on_plots(pd.concat(visits(rng, (0.4, 0.4, 0.4), 20, 6)))
        hits += level.low <= 0 <= level.high
    assert hits >= 52


def test_two_visits_make_no_trend() -> None:
    assert trend_on_plots(pd.concat(visits(np.random.default_rng(1), (0.5, 0.3)))).value is None
