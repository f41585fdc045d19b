"""Doubtful culprits: what counts, what adds up, and what the interval knows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from diagnose.survey.attribution import share_browsed_by, with_shares
from diagnose.survey.proportion import share_browsed, wilson


def planting(rng: np.random.Generator, plots: int = 20, trees: int = 10, share: float = 0.4) -> pd.DataFrame:
    plot = np.repeat(np.arange(plots), trees)
    browsed = rng.binomial(1, share, len(plot))
    return pd.DataFrame({"site": "a", "plot": plot, "tree": np.arange(len(plot)), "browsed": browsed})


def test_a_wound_70_percent_deer_counts_as_seven_tenths_of_a_tree() -> None:
    trees = planting(np.random.default_rng(0))
    found = share_browsed_by(with_shares(trees, [{"deer": 0.7, "rabbit": 0.3} if b else None for b in trees["browsed"]]))
    browsed = share_browsed(trees)[()].value
    assert found["deer"].value == pytest.approx(0.7 * browsed)
    assert sum(one.value for one in found.values()) == pytest.approx(browsed)
    assert "unknown" not in found


def test_equally_doubtful_wounds_are_not_certain() -> None:
    """Every tree browsed and every verdict 0.7: no plot differs, yet nobody knows how many of 100 the deer bit."""
    trees = planting(np.random.default_rng(0), 20, 5, 1.0)
    found = share_browsed_by(with_shares(trees, [{"deer": 0.7, "rabbit": 0.3}] * 100))["deer"]
    seen = wilson(70, 100)
    assert found.sigma == pytest.approx(np.sqrt(0.7 * 0.3 / 100))
    assert found.high - found.low == pytest.approx(seen.high - seen.low, rel=0.15)


def test_the_interval_covers_the_culprits_true_share() -> None:
    """Animals drawn from the verdicts' own probabilities; the truth is the share of trees that deer bit."""
    rng, covered = np.random.default_rng(1), 0
    for _ in range(150):
        trees = planting(rng, 20, 8, 0.5)
        sure = rng.beta(0.7, 0.3, len(trees))
        truth = rng.binomial(1, sure) * trees["browsed"]
        shares = [{"deer": s, "rabbit": 1 - s} if b else None for s, b in zip(sure, trees["browsed"], strict=True)]
        found = share_browsed_by(with_shares(trees, shares))["deer"]
        covered += found.low <= truth.mean() <= found.high
    assert covered / 150 >= 0.93


def test_browsed_trees_without_a_verdict_count_as_unknown() -> None:
    trees = planting(np.random.default_rng(0))
    verdicts = [{"deer": 1.0} if i % 2 and b else None for i, b in enumerate(trees["browsed"])]
    found = share_browsed_by(with_shares(trees, verdicts))
    assert found["unknown"].value + found["deer"].value == pytest.approx(trees["browsed"].mean())


def test_a_common_doubt_of_the_verdicts_widens_the_interval() -> None:
    trees = planting(np.random.default_rng(0))
    shares = with_shares(trees, [{"deer": 1.0}] * len(trees))
    plain, doubtful = share_browsed_by(shares)["deer"], share_browsed_by(shares, doubt=0.2)["deer"]
    assert doubtful.low < plain.low and doubtful.high > plain.high
