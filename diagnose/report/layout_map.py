"""Where are the plots, on one printed page, in the order in which they are walked?"""

from __future__ import annotations

from io import BytesIO

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from diagnose.protect.requirement import cautions_for
from diagnose.report.lettering import BOLD, FONT, load_fonts, settable
from diagnose.survey.boundary import Ground
from diagnose.survey.design import walk_length
from diagnose.survey.plan import Plan

MARGIN, HEAD, LINE, COLUMN = 40.0, 26.0, 12.0, 128.0  # [point]


def layout_pdf(ground: Ground, points: np.ndarray, site: str = "", paper: str = "A4",
               plan: Plan | None = None) -> bytes:
    """Boundary, numbered plots (n, 2) [m] in walking order, scale bar, north, and the plots' coordinates.

    Parameters
    ----------
    ground
        The planting's boundary [m].
    points
        Where plots lie, (n, 2) [m].
    site
        Name of the planting [no unit].
    paper
        "A4" or "Letter" [no unit].
    plan
        Whose target, stopping rule, and what was asked of the layout and where it differs stand below the heading; None for
        none [no unit].
    """
    from reportlab.lib import pagesizes
    from reportlab.lib.colors import HexColor
    from reportlab.lib.utils import simpleSplit
    from reportlab.pdfgen.canvas import Canvas

    load_fonts()
    out = BytesIO()
    wide, high = pagesizes.A4 if paper == "A4" else pagesizes.letter
    canvas = Canvas(out, pagesize=(wide, high))
    canvas.setTitle(f"Plots {site}".strip())
    walk = walk_length(points, range(len(points)))
    told = [
        f"{len(points)} plots on {ground.area_m2 / 10_000:.2f} ha; walk from 1 to {len(points)}: {walk:.0f} m. North is up.",
        # error of phones under leaves: Tomastik et al. 2017, https://doi.org/10.1093/forestry/cpw031
        "A satellite fix under trees is off by 5 to 12 m: go to where it first says so, put the stake there, do not look "
        "for a better spot.", *([] if plan is None else _planned(plan)), *cautions_for(["survey"], short=True)]
    lines = [line for words in told for line in simpleSplit(settable(words), FONT, 9, wide - 2 * MARGIN)]
    west, south, east, north = ground.metres.bounds
    top = high - MARGIN - HEAD - LINE * (len(lines) + 1)
    scale = min((wide - 2 * MARGIN) / (east - west), (top - MARGIN) * 0.6 / (north - south))

    def at(x: float, y: float) -> tuple[float, float]:
        return MARGIN + (x - west) * scale, top - (north - y) * scale

    canvas.setFont(BOLD, 14)
    canvas.drawString(MARGIN, high - MARGIN - 10, settable(f"Plots of {site}") if site else "Plots")
    canvas.setFont(FONT, 9)
    for number, line in enumerate(lines):
        canvas.drawString(MARGIN, high - MARGIN - HEAD - LINE * number, line)
    canvas.setDash(3, 2)
    edge = ground.metres.boundary.buffer(1.0)  # a line that two parts share is drawn, the outer one but once [m]
    for _, whole in ground.strata:
        inner = whole.boundary.difference(edge)
        for part in getattr(inner, "geoms", [inner]):
            if not part.is_empty:
                _line(canvas, [at(x, y) for x, y in part.coords])
    canvas.setDash()
    for part in getattr(ground.metres, "geoms", [ground.metres]):
        for ring in (part.exterior, *part.interiors):
            _line(canvas, [at(x, y) for x, y in ring.coords])
    canvas.setStrokeColor(HexColor("#aaaaaa"))
    _line(canvas, [at(float(x), float(y)) for x, y in points])
    canvas.setStrokeColor(HexColor("#222222"))
    for number, (x, y) in enumerate(points, 1):
        place = at(float(x), float(y))
        canvas.setFillColor(HexColor("#ffffff"))
        canvas.circle(*place, 7, fill=1)
        canvas.setFillColor(HexColor("#222222"))
        canvas.setFont(BOLD, 7)
        canvas.drawCentredString(place[0], place[1] - 2.5, str(number))
    for name, whole in ground.strata:
        _named(canvas, settable(name), at(*_middle(whole, points)))
    bottom = top - (north - south) * scale
    metres = next(m for m in (1000, 500, 200, 100, 50, 20, 10, 5, 2, 1, 0) if m * scale <= 120)
    canvas.line(MARGIN, bottom - 14, MARGIN + metres * scale, bottom - 14)
    canvas.setFont(FONT, 8)
    canvas.drawString(MARGIN + metres * scale + 5, bottom - 17, f"{metres} m")
    _coordinates(canvas, ground, points, bottom - 36, high)
    canvas.save()
    return out.getvalue()


def _planned(plan: Plan) -> list[str]:
    target = [] if plan.target is None else [f"Target: {plan.target.words}."]
    return [*target, plan.rule.words, plan.asked.words, *plan.notes]


def _middle(part: BaseGeometry, points: np.ndarray) -> tuple[float, float]:
    """Where in a part of the ground its name lies farthest from every plot and from the edge [m]."""
    west, south, east, north = part.bounds
    places = np.stack(np.meshgrid(np.linspace(west, east, 30), np.linspace(south, north, 30)), axis=-1).reshape(-1, 2)
    to_plot = np.hypot(*(places[:, None] - points[None]).transpose(2, 0, 1)).min(axis=1)
    shapes = shapely.points(places)
    free = np.minimum(to_plot, shapely.distance(shapes, part.boundary)) * shapely.contains(part, shapes)
    x, y = places[int(free.argmax())]
    return float(x), float(y)


def _named(canvas, name: str, place: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    """A name on a white ground, so that no line runs through it."""
    canvas.setFont(FONT, 9)
    wide = canvas.stringWidth(name, FONT, 9)
    canvas.setFillGray(1)
    canvas.rect(place[0] - wide / 2 - 2, place[1] - 4, wide + 4, 11, stroke=0, fill=1)
    canvas.setFillGray(0)
    canvas.drawCentredString(place[0], place[1] - 1.5, name)


def _coordinates(canvas, ground: Ground, points: np.ndarray, top: float, high: float) -> None:  # type: ignore[no-untyped-def]
    """Plots' coordinates in columns, on further pages where one does not hold them."""
    x, y = MARGIN, top
    canvas.setFont(FONT, 8)
    for number, point in enumerate(points, 1):
        if y < MARGIN:
            x, y = x + COLUMN, top
        if x + COLUMN > canvas._pagesize[0]:
            canvas.showPage()
            canvas.setFont(FONT, 8)
            top = high - MARGIN
            x, y = MARGIN, top
        lat, lon = ground.degrees(float(point[0]), float(point[1]))
        canvas.drawString(x, y, f"{number:>3}   {lat:.5f}, {lon:.5f}")
        y -= 11


def _line(canvas, corners: list[tuple[float, float]]) -> None:  # type: ignore[no-untyped-def]
    path = canvas.beginPath()
    path.moveTo(*corners[0])
    for corner in corners[1:]:
        path.lineTo(*corner)
    canvas.drawPath(path)
