"""Two crews on the same trees."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.survey.proportion import clustered
from diagnose.survey.quality import agreement, kappa, linear_weights, many_crews, true_share


def test_kappa_and_its_error_are_those_of_statsmodels() -> None:
    cohens = pytest.importorskip("statsmodels.stats.inter_rater").cohens_kappa
    rng = np.random.default_rng(0)
    for classes in (2, 3, 5):
        table = rng.integers(1, 30, (classes, classes)) + 40 * np.eye(classes, dtype=int)
        told = cohens(table)
        assert kappa(table) == pytest.approx((told.kappa, told.std_kappa))
        told = cohens(table, wt="linear")
        assert kappa(table, linear_weights(classes)) == pytest.approx((told.kappa, told.std_kappa))


def test_kappa_of_several_crews_is_that_of_statsmodels() -> None:
    fleiss = pytest.importorskip("statsmodels.stats.inter_rater").fleiss_kappa
    counts = np.random.default_rng(1).multinomial(6, [0.2, 0.5, 0.3], 30)
    assert many_crews(counts) == pytest.approx(fleiss(counts))
    with pytest.raises(CannotUse, match="same number"):
        many_crews([[1, 2], [1, 1]])


def test_too_few_pairs_show_counts_only() -> None:
    few, rare = agreement([[20, 2], [3, 15]]), agreement([[200, 2], [3, 5]])
    for found in (few, rare):
        assert found.kappa is None and "counts only" in found.note and 0 < found.agree < 1
    assert agreement([[40, 2], [3, 35]]).kappa is not None


def test_where_every_judgement_is_of_one_class_kappa_is_refused_and_the_counts_still_stand() -> None:
    for make in (lambda: kappa([[0, 0], [0, 7]]), lambda: kappa([[9, 0, 0], [0, 0, 0], [0, 0, 0]], linear_weights(3)),
                 lambda: many_crews([[0, 3], [0, 3]])):
        with pytest.raises(CannotUse, match="one class"):
            make()
    found = agreement([[60, 0], [0, 0]], few_too=True)
    assert found.kappa is None and found.kappa_interval is None and found.agree == 1 and "one class" in found.note


def test_the_corrected_share_covers_the_truth() -> None:
    rng, hits, runs = np.random.default_rng(2), 0, 400
    for _ in range(runs):
        m = np.full(25, 10)
        truly = rng.binomial(m, rng.beta(3, 7, 25))
        seen = rng.binomial(truly, 0.85) + rng.binomial(m - truly, 0.05)
        se, sp = rng.binomial(80, 0.85) / 80, rng.binomial(80, 0.95) / 80
        found = true_share(clustered(seen, m), se, sp, 80, 80)
        hits += found.low <= 0.3 <= found.high
    assert 0.92 <= hits / runs <= 0.985


def test_a_crew_that_tells_nothing_cannot_be_corrected() -> None:
    with pytest.raises(CannotUse, match="tells nothing"):
        true_share(clustered([1, 2, 3], [5, 5, 5]), 0.5, 0.5)
