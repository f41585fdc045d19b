"""How long barriers last."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.survey.estimate import Estimate
from diagnose.survey.lasting import cost_per_tree_saved, survival, survival_by_kind


def test_curves_and_errors_are_those_of_statsmodels() -> None:
    right = pytest.importorskip("statsmodels.duration.survfunc").SurvfuncRight
    rng = np.random.default_rng(0)
    years, failed = np.round(rng.exponential(3, 60), 1), rng.binomial(1, 0.6, 60)
    told, found = right(years, failed), survival(years, failed)
    mine = [found.at(time) for time in told.surv_times]
    assert [one.value for one in mine] == pytest.approx(list(told.surv_prob))
    # statsmodels gives Greenwood's error; the log(-log) limits follow from it
    for one, share, sigma in zip(mine, told.surv_prob, told.surv_prob_se, strict=True):
        if 0 < share < 1:
            spread = 1.959964 * sigma / (share * abs(math.log(share)))
            limits = sorted((share ** math.exp(spread), share ** math.exp(-spread)))
            assert (one.low, one.high) == pytest.approx(limits, rel=1e-5)


def test_a_standing_barrier_is_watched_until_today_and_a_removed_one_until_then() -> None:
    barriers = pd.DataFrame({"kind": ["cage"] * 3, "built": ["2020-01-01"] * 3, "failed": ["2021-01-01", None, None],
                             "removed": [None, "2022-01-01", None]})
    found = survival_by_kind(barriers, "2024-01-01")["cage"]
    assert found.failed == (1, 0, 0) and found.times == pytest.approx((1, 2, 4), abs=0.01)
    assert found.at(1.5).value == pytest.approx(2 / 3) and found.at(5).value is None
    assert found.median() is None


def test_dates_the_wrong_way_round_are_told() -> None:
    with pytest.raises(CannotUse, match="before it was built"):
        survival([-1, 2], [1, 0])


def test_a_tree_saved_costs_more_than_a_tree_protected() -> None:
    saved = Estimate(0.4, 0.25, 0.5, 0.95, "", 100, 20)
    found = cost_per_tree_saved(6, saved)
    assert (found.low, found.value, found.high) == pytest.approx((12, 15, 24))
    assert cost_per_tree_saved(6, Estimate(0.1, -0.1, 0.3, 0.95, "", 9, 3)).high == math.inf
    assert cost_per_tree_saved(6, Estimate(-0.1, -0.2, 0.1, 0.95, "", 9, 3)) is None
