"""Maps of damage."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import LineString, box

from diagnose.cannot_use import CannotUse
from diagnose.survey.where import clustering, distance_to_edge, rate_by_distance, rate_map

AREA = box(0, 0, 300, 300)


def plots(rng: np.random.Generator, slope: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    xy = rng.uniform(0, 300, (80, 2))
    m = 1 + rng.poisson(9, 80)
    return xy, rng.binomial(m, 0.5 - slope * (xy[:, 0] / 300 - 0.5)), m


def test_the_edge_takes_nothing_from_an_even_rate() -> None:
    xy, _, m = plots(np.random.default_rng(0), 0)
    found = rate_map(xy, 0.4 * m, m, 40, AREA)
    assert np.nanmax(np.abs(found.rate - 0.4)) < 1e-9


def test_the_map_follows_a_gradient_within_its_own_uncertainty() -> None:
    found = rate_map(*plots(np.random.default_rng(1), 0.6), bandwidth_m=40, area=AREA)
    truth = 0.5 - 0.6 * (np.broadcast_to(found.x, found.rate.shape) / 300 - 0.5)
    assert np.nanmean(np.abs(found.rate - truth) < 2.5 * found.sigma) > 0.85


def test_where_no_plot_stands_the_map_stays_empty() -> None:
    xy = np.random.default_rng(2).uniform(0, 100, (30, 2))
    found = rate_map(xy, np.ones(30), np.full(30, 4), 20, AREA)
    assert np.isnan(found.rate[-1, -1]) and np.isfinite(found.rate[5, 5])


def test_clustered_damage_is_told_from_strewn() -> None:
    rng = np.random.default_rng(3)
    xy, y, m = plots(rng, 0.9)
    assert clustering(xy, y / m).p_value < 0.01
    p_values = [clustering(xy, rng.permutation(y / m), draws=99, seed=seed).p_value for seed in range(100)]
    assert 0.0 <= np.mean(np.array(p_values) <= 0.1) <= 0.2  # a true null is found at about its level


def test_distance_is_to_the_nearest_edge_or_line_of_cover() -> None:
    assert distance_to_edge([[10, 100], [150, 290]], AREA) == pytest.approx([10, 10])
    assert distance_to_edge([[10, 100]], LineString([(0, 0), (300, 0)])) == pytest.approx([100])


def test_damage_that_falls_from_the_edge_is_a_negative_correlation() -> None:
    away = np.arange(40.0)
    rank, p_value = rate_by_distance(away, 1 - away / 50)
    assert rank == pytest.approx(-1) and p_value < 0.001


def test_a_few_plots_show_no_clustering() -> None:
    with pytest.raises(CannotUse, match="eight plots"):
        clustering(np.zeros((5, 2)), np.arange(5))
