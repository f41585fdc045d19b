"""How is a survey's map drawn: smoothed share browsed, plots, and how sure it is?"""

from __future__ import annotations

import math
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np

from diagnose.report.paper import FAINT, INK, WIDTH, svg
from diagnose.survey.summary import MAPPED_PLOTS, Survey

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing
    from shapely.geometry.base import BaseGeometry

_TONE = 0.02  # share browsed from which a tone differs from the next: not seen on a scale of ten steps
_SCREEN = 340.0  # of a map on a screen, a phone's at least [point]
LOW_RATE, HIGH_RATE = (255, 247, 224), (140, 45, 4)  # pale to dark, so that it prints in grey as well
UNSURE = 0.15  # a map cell with a larger standard error is drawn with a dot, not filled


def map_drawing(survey: Survey, wide: float = WIDTH) -> Drawing | None:
    """Smoothed share browsed, plots as circles sized by their trees; cells too unsure carry a dot instead of a colour.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    wide
        Width of the drawing [point].
    """
    from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, Rect, String
    from reportlab.lib.colors import Color, HexColor

    drawn = survey.map
    if drawn is None:
        return None
    west, east, south, north = drawn.x[0], drawn.x[-1], drawn.y[0], drawn.y[-1]
    cell = float(drawn.x[1] - drawn.x[0])
    scale = min((wide - 110) / (east - west + cell), 330 / (north - south + cell))
    height = (north - south + cell) * scale + 26
    drawing = Drawing(wide, height)

    def at(x: float, y: float) -> tuple[float, float]:
        return 6 + (x - west + cell / 2) * scale, 20 + (y - south + cell / 2) * scale

    def colour(rate: float) -> Color:
        part = [(a + (b - a) * min(1.0, max(0.0, rate))) / 255 for a, b in zip(LOW_RATE, HIGH_RATE, strict=True)]
        return Color(*part)

    unsure = np.isfinite(drawn.rate) & (drawn.sigma > UNSURE)
    tones = np.where(np.isfinite(drawn.rate) & ~unsure, np.round(drawn.rate / _TONE), -1)
    for row, line in enumerate(tones):
        # neighbours that look alike are one piece: a cell each makes half a megabyte
        for tone, some in groupby(enumerate(line), key=itemgetter(1)):
            columns = [column for column, _ in some]
            if tone < 0:
                continue
            first, last = (float(drawn.x[column]) for column in (columns[0], columns[-1]))
            for ring in _strip(first, last, float(drawn.y[row]), cell + 0.4 / scale, survey.area):
                drawing.add(Polygon([c for east_m, north_m in ring for c in at(east_m, north_m)],
                                    fillColor=colour(tone * _TONE), strokeColor=None))
    for row, column in np.argwhere(unsure):
        if row % 2 == 0 and column % 2 == 0:
            drawing.add(Circle(*at(drawn.x[column], drawn.y[row]), 0.7, fillColor=HexColor(FAINT), strokeColor=None))
    if survey.area is not None:
        for part in getattr(survey.area, "geoms", [survey.area]):
            corners = [c for x, y in part.exterior.coords for c in at(x, y)]
            drawing.add(Polygon(corners, fillColor=None, strokeColor=HexColor(INK), strokeWidth=0.8))
    most = max(1.0, float(survey.plot_rows["trees"].max()))
    for plot in survey.plot_rows.itertuples():
        if plot.x == plot.x and plot.trees > 0:
            radius = 1.5 + 4 * math.sqrt(plot.trees / most)
            drawing.add(Circle(*at(plot.x, plot.y), radius, fillColor=colour(plot.browsed / plot.trees),
                               strokeColor=HexColor(INK), strokeWidth=0.6))
    left = wide - 90
    drawing.add(String(left, height - 12, "share browsed", fontSize=10, fillColor=HexColor(INK)))
    for step in range(11):
        y = height - 28 - 10 * step
        drawing.add(Rect(left, y, 14, 10, fillColor=colour(1 - step / 10), strokeColor=None))
        if step % 5 == 0:
            drawing.add(String(left + 20, y + 2, f"{100 - 10 * step} %", fontSize=9, fillColor=HexColor(INK)))
    drawing.add(Circle(left + 7, height - 150, 0.9, fillColor=HexColor(FAINT), strokeColor=None))
    drawing.add(String(left + 20, height - 152, "too unsure", fontSize=9, fillColor=HexColor(INK)))
    drawing.add(Circle(left + 7, height - 166, 4, fillColor=None, strokeColor=HexColor(INK), strokeWidth=0.6))
    drawing.add(String(left + 20, height - 168, "plot", fontSize=9, fillColor=HexColor(INK)))
    metres = _round_length(0.3 * (east - west))
    drawing.add(Line(6, 8, 6 + metres * scale, 8, strokeColor=HexColor(INK), strokeWidth=1.2))
    drawing.add(String(10 + metres * scale, 5, f"{metres:g} m; north is up", fontSize=9, fillColor=HexColor(INK)))
    return drawing


def _strip(west: float, east: float, y: float, side: float, area: BaseGeometry | None) -> list[list[tuple[float, float]]]:
    """Corners of what of a row of a map's cells, from the west's middle to the east's, lies on the planting.

    side : with a hair of overlap against white lines [m].
    """
    import shapely

    half = side / 2
    strip = shapely.box(west - half, y - half, east + half, y + half)
    parts = shapely.get_parts(strip if area is None else strip.intersection(area))
    return [list(part.exterior.coords)[:-1] for part in parts if part.geom_type == "Polygon"]


def _round_length(metres: float) -> float:
    base = 10 ** math.floor(math.log10(max(metres, 1e-9)))
    return next(k * base for k in (5, 2, 1) if k * base <= metres * (1 + 1e-9))


def map_picture(survey: Survey) -> str:
    """The map as SVG in HTML, narrow enough for its lettering to be read on a phone; empty without one.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    drawn = map_drawing(survey, _SCREEN)
    return "" if drawn is None else svg(drawn, "map of damage")


def map_words(survey: Survey) -> str:
    """What the map is, whether damage clusters, and how it goes with the distance to the edge; or why there is no map.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    if survey.map is None:
        rows = survey.plot_rows
        if rows["site"].nunique() > 1:
            return "No map is drawn of several plantings at once: choose one."
        placed = int((rows["x"].notna() & rows["y"].notna() & (rows["trees"] > 0)).sum())
        return (f"No map: it takes {MAPPED_PLOTS} plots with trees and coordinates; of the {len(rows)} plots here, "
                f"{placed or 'none'} {'has' if placed < 2 else 'have'} both. Coordinates stand in the tally's columns x, y "
                "and crs.")
    told = [f"Smoothed over {survey.map.bandwidth_m:.0f} m; dotted where the standard error exceeds {UNSURE:.0%}, white "
            "where too few plots stand near."]
    if survey.clustering is not None and survey.clustering.draws:
        found = survey.clustering
        verb = "resemble" if found.p_value < 0.05 and found.statistic > found.expected else "are not seen to resemble"
        told.append(f"Neighbouring plots {verb} each other ({found.method}: {found.statistic:.2f}, p = {found.p_value:.3f} "
                    f"from {found.draws} permutations).")
    if survey.towards_edge is not None:
        told.append(f"Rank correlation with the distance to the boundary: {survey.towards_edge[0]:.2f} "
                    f"(p = {survey.towards_edge[1]:.3f}).")
    return " ".join(told)
