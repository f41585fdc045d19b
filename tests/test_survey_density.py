"""Trees per hectare, stocking, edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import Point, box

from diagnose.cannot_use import CannotUse
from diagnose.survey.density import (
    density_by_distance,
    inside_area,
    nearest_tree,
    radius_on_slope,
    stocking,
    tallest_trees,
    tally_twice,
    trees_per_ha,
)


def test_empty_plots_count_in_density() -> None:
    assert trees_per_ha([4, 0], 50).value == pytest.approx(400)
    none = trees_per_ha([0] * 10, 50)
    assert none.low == 0 and none.high > -math.log(0.05) / 0.05  # strewn by chance, e^-x = 0.05; clumps hide more


def test_plots_that_are_all_alike_give_no_interval_of_no_width() -> None:
    found = trees_per_ha([4, 4, 4], 50)
    assert found.low < 800 < found.high and "least variation" in found.note


def test_density_covers_the_truth() -> None:
    rng, hits = np.random.default_rng(0), 0
    for _ in range(500):
        found = trees_per_ha(rng.poisson(rng.gamma(2, 2, 20)), 20)
        hits += found.low <= 2000 <= found.high
    assert 0.92 <= hits / 500 <= 0.98


def test_stocking_tells_the_plots_size() -> None:
    found = stocking([3, 0, 1, 2] * 5, 4)
    assert found.value == 0.75 and "4 m²" in found.note


def test_a_point_without_a_tree_in_reach_is_no_tree_within_it() -> None:
    assert nearest_tree([0.5, float("nan"), 2.0, 1.0], 1.13).value == 0.5


def test_distances_to_the_third_tree_give_the_density_of_strewn_trees() -> None:
    rng = np.random.default_rng(1)
    third = np.sqrt(rng.gamma(3, 1, 4000) / (math.pi * 0.2))  # Poisson points, 0.2 a square metre
    assert density_by_distance(third, 3).value == pytest.approx(2000, rel=0.05)
    with pytest.raises(CannotUse, match="second or third"):
        density_by_distance(third, 1)


def test_only_the_tallest_are_averaged() -> None:
    found = tallest_trees([[10, 50, 60], [40, 20]], tallest=2)
    assert found.value == pytest.approx((55 + 30) / 2)


def test_a_plot_on_the_edge_sees_half_and_in_the_corner_a_quarter() -> None:
    area = box(0, 0, 100, 100)
    whole = math.pi * 5**2
    for place, share in (((50, 50), 1), ((0, 50), 0.5), ((100, 100), 0.25)):
        assert inside_area(*place, 5, area) == pytest.approx(share * whole, rel=1e-3)


def test_counting_twice_at_the_edge_makes_up_for_what_is_not_seen() -> None:
    """Trees of a round planting, centres drawn within 4 m of each: on average each is to be counted once."""
    rng, area, seen, made_good, draws = np.random.default_rng(2), Point(0, 0).buffer(30, quad_segs=64), 0, 0, 6000
    for _ in range(draws):
        (far, way), (off, turn) = rng.uniform(0, 1, (2, 2))
        tree = 29.99 * math.sqrt(far) * np.array([math.cos(way * 6.2832), math.sin(way * 6.2832)])
        centre = tree + 4 * math.sqrt(off) * np.array([math.cos(turn * 6.2832), math.sin(turn * 6.2832)])
        if area.covers(Point(*centre)):
            seen += 1
            made_good += 2 if tally_twice(tuple(centre), tuple(tree), area) else 1
    assert seen / draws < 0.96
    assert made_good / draws == pytest.approx(1, abs=0.015)


def test_a_circle_along_the_slope_keeps_its_horizontal_area() -> None:
    along = radius_on_slope(5, 60)
    cosine = math.cos(math.atan(0.6))
    assert math.pi * along * along * cosine == pytest.approx(math.pi * 25)
