"""The printed map of a layout."""

from __future__ import annotations

import re

import numpy as np
from shapely import box

from diagnose.report.layout_map import layout_pdf
from diagnose.survey.boundary import from_degrees
from diagnose.survey.design import grid, walking_order
from tests.conftest import words_of


def test_every_plot_stands_on_the_map_with_its_coordinates() -> None:
    ground = from_degrees(box(8.0, 47.0, 8.005, 47.004))
    points = grid(ground.metres, 130, np.random.default_rng(0))
    points = points[walking_order(points)]
    page = words_of(layout_pdf(ground, points, "Invented Wood"))
    for number, (x, y) in enumerate(points, 1):
        lat, lon = ground.degrees(x, y)
        assert re.search(rf"\b{number} +{lat:.5f}, {lon:.5f}", page)
