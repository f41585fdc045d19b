"""Protected against unprotected: against libraries, at the edges, and with plots redrawn."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.survey import coverage
from diagnose.survey.compare import (
    agresti_caffo,
    bootstrap_of_plots,
    difference,
    effectiveness,
    mantel_haenszel,
    mcnemar,
    newcombe,
    paired_newcombe,
    paired_tango,
    ratio_score,
    score,
    wald,
)
from diagnose.survey.proportion import clustered, independent


def tables() -> list[tuple[int, int, int, int]]:
    rng = np.random.default_rng(4)
    sizes = rng.integers(3, 60, (40, 2))
    return [(int(rng.integers(0, n1 + 1)), int(n1), int(rng.integers(0, n2 + 1)), int(n2)) for n1, n2 in sizes]


def test_differences_of_independent_trees_are_those_of_statsmodels() -> None:
    """Its score method is left out: it is known to be wrong for differences."""
    confint = pytest.importorskip("statsmodels.stats.proportion").confint_proportions_2indep
    for table in tables():
        for ours, name in ((wald, "wald"), (agresti_caffo, "agresti-caffo"), (newcombe, "newcomb")):
            found = ours(*table)
            assert (found.low, found.high) == pytest.approx(confint(*table, method=name, compare="diff"), abs=1e-8), table


def test_the_score_limits_are_where_the_score_test_turns() -> None:
    """The restricted likelihood maximised by brute force over a fine grid, not by the cubic."""
    z = stats.norm.ppf(0.975)
    for x1, n1, x2, n2 in tables()[:12]:
        found = score(x1, n1, x2, n2)
        for delta, inside in ((found.low + 0.004, True), (found.high - 0.004, True), (found.low - 0.004, False),
                              (found.high + 0.004, False)):
            if not -0.99 < delta < 0.99:
                continue
            p2 = np.linspace(max(0, -delta), min(1, 1 - delta), 100_001)[1:-1]
            p1 = p2 + delta
            likely = (stats.binom.logpmf(x1, n1, p1) + stats.binom.logpmf(x2, n2, p2)).argmax()
            variance = p1[likely] * (1 - p1[likely]) / n1 + p2[likely] * (1 - p2[likely]) / n2
            assert (abs(x1 / n1 - x2 / n2 - delta) <= z * math.sqrt(variance)) == inside, (x1, n1, x2, n2, delta)


def test_the_score_limits_stand_for_every_small_table() -> None:
    for x1, x2 in itertools.product(range(7), range(5)):
        for corrected in (False, True):
            found = score(x1, 6, x2, 4, corrected=corrected)
            assert -1 <= found.low <= x1 / 6 - x2 / 4 <= found.high <= 1
            turned = score(x2, 4, x1, 6, corrected=corrected)
            assert (turned.low, turned.high) == pytest.approx((-found.high, -found.low), abs=1e-6)


def test_ratio_limits_are_those_of_statsmodels_score() -> None:
    confint = pytest.importorskip("statsmodels.stats.proportion").confint_proportions_2indep
    for x1, n1, x2, n2 in ((7, 30, 14, 28), (3, 40, 20, 45), (15, 60, 18, 50)):
        told = confint(x1, n1, x2, n2, method="score", compare="ratio", correction=False)
        found = ratio_score(x1, n1, x2, n2)
        assert (found.low, found.high) == pytest.approx(told, rel=1e-4)
    assert ratio_score(3, 10, 0, 10).high == math.inf and ratio_score(0, 10, 3, 10).low == 0


def test_pooled_sites_are_those_of_statsmodels() -> None:
    stratified = pytest.importorskip("statsmodels.stats.contingency_tables").StratifiedTable
    rng = np.random.default_rng(2)
    for _ in range(10):
        given = rng.integers(1, 30, (5, 2, 2))
        told, found = stratified(given.transpose(1, 2, 0).astype(float)), mantel_haenszel(given)
        assert found.odds_ratio == pytest.approx(told.oddsratio_pooled)
        assert (found.odds_interval.low, found.odds_interval.high) == pytest.approx(told.oddsratio_pooled_confint())
        if found.test.statistic > 0:  # below half a tree ours stops at nought, as the test of R does
            assert found.test.statistic == pytest.approx(told.test_null_odds(correction=True).statistic)


def test_the_pooled_difference_of_one_site_is_the_plain_difference() -> None:
    found = mantel_haenszel([[[7, 27], [1, 33]]])
    assert found.risk_difference == pytest.approx(7 / 34 - 1 / 34)
    assert found.risk_interval.low == pytest.approx(wald(7, 34, 1, 34).low, abs=0.01)


def test_pooled_differences_cover_the_truth() -> None:
    rng, hits = np.random.default_rng(8), 0
    for _ in range(400):
        sites = []
        for base in (0.1, 0.3, 0.5, 0.6):
            n1, n2 = rng.integers(10, 40, 2)
            a, c = rng.binomial(n1, base + 0.2), rng.binomial(n2, base)
            sites.append([[a, n1 - a], [c, n2 - c]])
        found = mantel_haenszel(sites).risk_interval
        hits += found.low <= 0.2 <= found.high
    assert 0.92 <= hits / 400 <= 0.98


def test_mcnemar_is_that_of_statsmodels() -> None:
    told = pytest.importorskip("statsmodels.stats.contingency_tables").mcnemar
    for corrected in (False, True):
        expected = told([[794, 150], [86, 570]], exact=False, correction=corrected)
        assert mcnemar(150, 86, corrected).statistic == pytest.approx(expected.statistic)


def test_paired_limits_stand_for_every_small_table() -> None:
    for cells in itertools.product(range(4), repeat=4):
        if sum(cells):
            for found in (paired_tango(*cells), paired_newcombe(*cells)):
                assert -1 - 1e-9 <= found.low <= (cells[1] - cells[2]) / sum(cells) + 1e-9
                assert (cells[1] - cells[2]) / sum(cells) - 1e-9 <= found.high <= 1 + 1e-9


def test_cages_without_any_damage_still_leave_an_honest_interval() -> None:
    cages, free = clustered([0] * 15, [4] * 15), clustered([2, 1, 3, 0, 2, 1, 2, 4, 1, 2, 0, 3, 2, 1, 2], [5] * 15)
    found = difference(free, cages)
    assert found.low < found.value < found.high and found.low > 0
    saved = effectiveness(cages, free)
    assert saved.value == 1 and 0 < saved.low < 1 and saved.high == 1


def test_effectiveness_has_the_ratios_score_limits_where_trees_are_independent() -> None:
    found, told = effectiveness(independent(6, 60), independent(25, 60)), ratio_score(6, 60, 25, 60)
    assert (found.low, found.high) == pytest.approx((1 - told.high, 1 - told.low), abs=0.03)


def test_the_clustered_difference_covers_the_truth() -> None:
    rng, hits, runs = np.random.default_rng(6), 0, 400
    for _ in range(runs):
        free = clustered(*coverage.planting(rng, 20, 0.4, 0.1, 0.8, 8))
        caged = clustered(*coverage.planting(rng, 20, 0.06, 0.1, 0.8, 8))
        found = difference(free, caged)
        hits += found.low <= 0.34 <= found.high
    assert 0.92 <= hits / runs <= 0.985


def caged() -> pd.DataFrame:
    rng, rows = np.random.default_rng(9), []
    for site in ("a", "b"):
        for plot in range(30):
            rate = rng.beta(2, 4)
            for tree in range(6):
                shut = plot % 2
                rows.append({"site": site, "plot": plot, "tree": tree, "protected": shut,
                             "browsed": rng.binomial(1, rate * (0.2 if shut else 1))})
    return pd.DataFrame(rows)


def test_redrawn_plots_agree_with_the_linearised_difference_and_show_progress() -> None:
    trees, told = caged(), []
    found = bootstrap_of_plots(trees, draws=1000, progress=told.append)
    groups = trees.groupby(["protected", "site", "plot"])["browsed"].agg(["sum", "count"])
    free, shut = (clustered(groups.loc[k, "sum"], groups.loc[k, "count"]) for k in (0, 1))
    assert found.value == pytest.approx(free.value - shut.value)
    assert found.sigma == pytest.approx(difference(free, shut).sigma, rel=0.12)
    assert told == sorted(told) and told[-1] == 1


def test_a_comparison_without_unprotected_trees_is_refused() -> None:
    with pytest.raises(CannotUse, match="protected and unprotected"):
        bootstrap_of_plots(caged().query("protected == 1"))


def test_protected_and_unprotected_trees_of_the_same_plots_keep_their_likeness() -> None:
    """sigma equals that of the change on the same plots, which keeps the covariance in another way."""
    from diagnose.survey.change import change_on_plots
    from diagnose.survey.compare import likeness_of_groups

    rng = np.random.default_rng(5)
    rate, m1, m2 = rng.beta(2, 3, 30), 1 + rng.poisson(5, 30), 1 + rng.poisson(4, 30)
    y1, y2 = rng.binomial(m1, rate), rng.binomial(m2, 0.5 * rate)
    alike = likeness_of_groups(y1, m1, y2, m2)
    found = difference(clustered(y1, m1), clustered(y2, m2), alike=alike, plots=30)
    assert alike > 0 and found.plots == 30
    assert found.sigma == pytest.approx(change_on_plots(y2, m2, y1, m1).sigma)
