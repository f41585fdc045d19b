"""The factors on the catalogue's tables are those that explain published descriptions best."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from diagnose.culprits.catalogue import catalogue, choices_of, kinds_of
from diagnose.culprits.check import read_cases
from diagnose.culprits.fit import PULL, Fit, cases, folds
from diagnose.culprits.fitted import logs_of
from diagnose.culprits.verdict import judge
from diagnose.signs import parse_signs

Cases = list[Mapping[str, Any]]


@pytest.fixture(scope="module")
def described() -> Cases:
    return cases()


@pytest.fixture(scope="module")
def every(described: Cases) -> Fit:
    return Fit(described)


def _written(fit: Fit) -> np.ndarray:
    """(size,) logarithms of the factors that `fitted.yaml` holds."""
    return np.concatenate([logs_of(sign, fit.groups, choices_of(sign)).ravel() for sign in fit.told])


def test_no_case_that_judges_the_catalogue_feeds_the_factors(described: Cases) -> None:
    pages = {told["url"] for told in described}
    assert len(pages) > 1000 and not pages & {case.page for case in read_cases()}


def test_the_written_factors_are_the_best_ones_for_the_tables_as_they_are(every: Fit, described: Cases) -> None:
    """No step could gain more, since the loss curves at least as strongly as what draws towards 1.

    After a change of tables or cases run `python -m diagnose.culprits.fit`.
    """
    slope = every.loss(_written(every), np.ones(len(described), bool))[1]
    assert (slope @ slope) / (4 * PULL) < 3.0  # nat, of some 950; rounded and left out where near 1


def test_the_fit_weighs_a_description_as_the_verdict_does(every: Fit, described: Cases) -> None:
    found = every.of_groups(_written(every))
    for row in range(0, len(described), 97):
        told = described[row]
        place = None if told.get("place") is None else (told["place"]["lat"], told["place"]["lon"])
        verdict = judge(parse_signs(told["signs"]), place, told.get("month"), snow_mm=told.get("snow_mm"))
        assert found[row] == pytest.approx([verdict.groups[group] for group in every.groups], abs=0.05)  # see `Fit`


def test_the_slope_of_the_loss_is_that_of_its_differences(described: Cases) -> None:
    few, draw = Fit(described[::20]), np.random.default_rng(1)
    x, counted = draw.normal(0, 0.3, few.size), draw.random(len(described[::20])) < 0.8
    slope = few.loss(x, counted)[1]
    for at in draw.choice(np.flatnonzero(np.abs(slope - 2 * PULL * x) > 1e-3), 20):
        step = np.eye(few.size)[at] * 1e-5
        assert slope[at] == pytest.approx((few.loss(x + step, counted)[0] - few.loss(x - step, counted)[0]) / 2e-5, rel=1e-4)


def test_factors_fitted_on_half_of_the_pages_explain_the_other_half_better(every: Fit, described: Cases) -> None:
    fold = folds(described, 2)
    x = every.fitted(fold == 0)
    before, after = (np.log((every.of_groups(at) * every.named).sum(axis=1)[fold == 1]).mean() for at in (0 * x, x))
    assert after > before + 0.02


def test_a_table_times_its_factors_still_adds_up_to_one_within_each_kind() -> None:
    for sign, table in catalogue().tables.items():
        known = table[~np.isnan(table).any(axis=1)]
        kinds = np.array(kinds_of(sign))
        for kind in set(kinds):
            assert known[:, kinds == kind].sum(axis=1) == pytest.approx(1.0)
        assert np.array_equal(np.isnan(table), np.isnan(catalogue(as_rows_say=True).tables[sign]))
