"""Layouts keep their chances; sizes hold what they promise."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from scipy import stats
from shapely import Point, Polygon, box, contains_xy

from diagnose.cannot_use import CannotUse
from diagnose.survey.boundary import from_degrees
from diagnose.survey.design import (
    as_gpx,
    balanced,
    grid,
    inward,
    pivotal,
    plots_needed,
    scattered,
    trees_needed,
    trees_to_see_a_change,
    walk_length,
    walking_order,
)

AREA = Polygon([(0, 0), (400, 0), (400, 150), (150, 150), (150, 400), (0, 400)])  # an L, so that edges matter


def cells_hit(draw: object, runs: int, plots: int) -> np.ndarray:
    """How often each of the 50 m squares of the area gets a plot; they all have the same area."""
    counts = np.zeros((8, 8))
    for seed in range(runs):
        points = draw(AREA, plots, np.random.default_rng(seed))  # type: ignore[operator]
        np.add.at(counts, (np.minimum(points[:, 0] // 50, 7).astype(int), np.minimum(points[:, 1] // 50, 7).astype(int)), 1)
    middles = (np.arange(8) + 0.5) * 50
    inside = contains_xy(AREA, *np.meshgrid(middles, middles, indexing="ij"))
    return counts[inside]


@pytest.mark.parametrize(("draw", "runs"), [(grid, 1500), (balanced, 120)])
def test_every_part_of_the_area_has_the_same_chance(draw: object, runs: int) -> None:
    plots = 12
    counts = cells_hit(draw, runs, plots)
    expected = runs * plots * 2500 / AREA.area
    # the counts of a square spread no more than Poisson; over 39 squares the largest of |z| stays below 3.6 (p = 0.01)
    assert np.abs(counts - expected).max() < 3.6 * np.sqrt(expected)
    assert counts.mean() == pytest.approx(expected, rel=0.03)


def test_pivotal_draws_keep_unequal_chances() -> None:
    rng = np.random.default_rng(1)
    places, chances = rng.uniform(0, 1, (20, 2)), np.linspace(0.05, 0.95, 20)
    hits = np.zeros(20)
    for _ in range(1500):
        drawn = pivotal(places, chances, rng)
        assert len(drawn) == 10  # the chances add up to ten
        hits[drawn] += 1
    assert np.abs(hits / 1500 - chances).max() < 4 * np.sqrt(0.25 / 1500)


def test_balanced_plots_lie_more_evenly_than_strewn_ones() -> None:
    rng = np.random.default_rng(2)

    def nearest(points: np.ndarray) -> float:
        apart = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
        np.fill_diagonal(apart, np.inf)
        return float(apart.min(axis=1).mean())

    strewn = np.mean([nearest(scattered(AREA, 20, rng)) for _ in range(20)])
    assert np.mean([nearest(balanced(AREA, 20, rng)) for _ in range(20)]) > 1.3 * strewn


def test_the_walk_is_short_and_visits_every_plot_once() -> None:
    points = scattered(AREA, 25, np.random.default_rng(3))
    order = walking_order(points)
    assert sorted(order) == list(range(25))
    assert walk_length(points, order) < 0.6 * walk_length(points, range(25))
    square = np.array([[0, 0], [0, 30], [0, 10], [0, 20]])
    assert list(walking_order(square, (0, -5))) == [0, 2, 3, 1]


def test_the_planned_half_width_is_reached_with_many_and_few_plots() -> None:
    for half_width in (0.05, 0.15):
        size = plots_needed(0.3, half_width, 10, 0.1)
        reach = stats.t.ppf(0.975, size.plots - 1) * np.sqrt(0.3 * 0.7 * size.design_effect / (size.plots * 10))
        assert reach <= half_width * 1.001
        fewer = size.plots - 2
        assert stats.t.ppf(0.975, fewer - 1) * np.sqrt(0.3 * 0.7 * size.design_effect / (fewer * 10)) > half_width


def test_a_small_planting_needs_fewer_plots() -> None:
    assert plots_needed(0.3, 0.05, 10, 0.1, plots_in_all=60).plots < plots_needed(0.3, 0.05, 10, 0.1).plots


def test_the_number_to_see_a_change_gives_its_power() -> None:
    n, rng = trees_to_see_a_change(0.4, 0.25), np.random.default_rng(4)
    a, b = rng.binomial(n, 0.4, 4000) / n, rng.binomial(n, 0.25, 4000) / n
    z = (a - b) / np.sqrt(a * (1 - a) / n + b * (1 - b) / n)
    assert (z > 1.96).mean() == pytest.approx(0.8, abs=0.025)


def test_plots_in_walking_order_become_gpx_waypoints() -> None:
    ground = from_degrees(box(8.0, 47.0, 8.005, 47.004))
    points = grid(ground.metres, 6, np.random.default_rng(0))
    root = ElementTree.fromstring(as_gpx(ground, points, "A & B"))
    marks = [mark for mark in root if mark.tag.endswith("wpt")]
    assert len(marks) == len(points) and marks[0][0].text == "A & B 1"
    for mark in marks:
        assert box(8.0, 47.0, 8.005, 47.004).buffer(1e-6).covers(Point(float(mark.attrib["lon"]), float(mark.attrib["lat"])))


def test_a_strip_wider_than_the_planting_is_refused() -> None:
    ground = from_degrees(box(8.0, 47.0, 8.001, 47.001))
    assert inward(ground, 10).area < ground.area_m2
    with pytest.raises(CannotUse, match="smaller distance"):
        inward(ground, 500)
    with pytest.raises(CannotUse, match=r"0\.05 for 5"):
        trees_needed(30, 5)
