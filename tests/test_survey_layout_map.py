"""The printed map of a layout."""

from __future__ import annotations

import numpy as np
from shapely import box

from diagnose.report.layout_map import layout_pdf
from diagnose.survey.boundary import from_degrees
from diagnose.survey.design import grid, walking_order


def test_every_plot_stands_on_the_map_with_its_coordinates() -> None:
    from reportlab import rl_config

    ground = from_degrees(box(8.0, 47.0, 8.005, 47.004))
    points = grid(ground.metres, 130, np.random.default_rng(0))
    points = points[walking_order(points)]
    kept, rl_config.pageCompression = rl_config.pageCompression, 0
    try:
        page = layout_pdf(ground, points, "Invented Wood")
    finally:
        rl_config.pageCompression = kept
    for number, (x, y) in enumerate(points, 1):
        lat, lon = ground.degrees(x, y)
        assert f"{number:>3}   {lat:.5f}, {lon:.5f}".encode() in page.replace(b"\\", b"")
