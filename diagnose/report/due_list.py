"""How does the upkeep get onto paper: the list for the walk, and the map of metal for saw and mower crews?"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import date
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from diagnose.upkeep.due import CLASSES, Item

_WIDTH = 96
HEADINGS = {
    "alarm": "ALARM: act today", "overdue": "Overdue", "soon": "Now, or before the coming season",
    "may come off": "May come off: try it", "season": "The season's work",
}
POINT = 72 / 25.4  # points a mm
MARGIN_MM = 16.0
_METRES_PER_DEGREE = 111_320.0  # of latitude, mean; good to 0.6 %, enough for a printed map
_SHAPES = {"standing": "square", "left behind": "cross", "embedded": "circle"}
METAL_CAUTIONS = (
    "Walk the line and look before a vehicle, a mower or a saw comes near. What is not on this map may be there too.",
    "Never cut at the height of old wire, ties or staples. Wear eye, ear, hand and leg protection; leave felling of "
    "stems with metal in them to somebody trained for it.",
)


def due_as_text(items: Sequence[Item], on: date) -> str:
    """The list as lines of text."""
    if not items:
        return f"Nothing is due on {on}."
    blocks = [f"Due on {on:%d %B %Y}"]
    for kind, some in _by_class(items):
        lines = [HEADINGS[kind]]
        for item in some:
            head = " ".join(part for part in (item.barrier[:8], item.site, item.label) if part)
            told = f"{head}: {_sentence(item)}" if head else _sentence(item)
            lines += textwrap.wrap(told, _WIDTH, initial_indent="  ", subsequent_indent="    ")
        for caution in cautions(some):
            lines += textwrap.wrap(f"take care: {caution}", _WIDTH, initial_indent="  ", subsequent_indent="    ")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def _by_class(items: Sequence[Item]) -> list[tuple[str, list[Item]]]:
    classes = [(kind, [item for item in items if item.kind == kind]) for kind in CLASSES]
    return [(kind, some) for kind, some in classes if some]


def _sentence(item: Item) -> str:
    by = f" Act by {item.act_by}." if item.act_by else ""
    return f"{item.what.rstrip('.')} ({item.why}).{by}"


def cautions(items: Sequence[Item]) -> list[str]:
    """Every caution of the items once, in their order."""
    return list(dict.fromkeys(item.caution for item in items if item.caution))


def due_pdf(items: Sequence[Item], on: date, site: str = "", paper: str = "A4") -> bytes:
    """The list in walking order with boxes to tick and room to write, black on white."""
    from reportlab.lib import colors, pagesizes
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import KeepTogether, Paragraph, SimpleDocTemplate, Table

    title = ParagraphStyle("title", fontName="Helvetica-Bold", fontSize=14, leading=19)
    head = ParagraphStyle("head", fontName="Helvetica-Bold", fontSize=11, leading=15, spaceBefore=9, spaceAfter=3)
    small = ParagraphStyle("small", fontName="Helvetica", fontSize=8.5, leading=10.5)
    care = ParagraphStyle("care", parent=small, leftIndent=8, firstLineIndent=-8, spaceBefore=3)
    size = pagesizes.A4 if paper == "A4" else pagesizes.letter
    edge = MARGIN_MM * POINT
    room = size[0] - 2 * edge
    flow: list[Any] = [Paragraph(escape(f"Due on {on:%d %B %Y}{': ' + site if site else ''}"), title)]
    if not items:
        flow.append(Paragraph("Nothing is due.", small))
    for kind, some in _by_class(items):
        rows: list[list[Any]] = [["", *(Paragraph(f"<b>{name}</b>", small) for name in (
            "where", "what, and why", "found, done, by whom"))]]
        for item in some:
            where = "<br/>".join(escape(part) for part in (item.site, item.label, _position(item)) if part)
            by = f" <b>Act by {item.act_by}.</b>" if item.act_by else ""
            told = f"<b>{escape(item.what.rstrip('.'))}.</b> {escape(item.why)}.{by}"
            rows.append(["", Paragraph(where, small), Paragraph(told, small), ""])
        table = Table(rows, colWidths=[16, 0.24 * room, 0.5 * room, 0.26 * room - 16], repeatRows=1)
        table.setStyle([("GRID", (0, 0), (-1, -1), 0.4, colors.grey), ("VALIGN", (0, 0), (-1, -1), "TOP"),
                        ("BOX", (0, 1), (0, -1), 0.9, colors.black),
                        ("BACKGROUND", (0, 0), (-1, 0), colors.Color(0.9, 0.9, 0.9)),
                        ("LEFTPADDING", (0, 0), (-1, -1), 4), ("RIGHTPADDING", (0, 0), (-1, -1), 4)])
        heading = Paragraph(escape(f"{HEADINGS[kind]} ({len(some)})"), head)
        flow += [KeepTogether([heading, table])] if len(some) < 6 else [heading, table]
        flow += [Paragraph(f"<b>Take care.</b> {escape(caution)}", care) for caution in cautions(some)]
    out = BytesIO()
    SimpleDocTemplate(out, pagesize=size, title="Due list", author="", leftMargin=edge, rightMargin=edge, topMargin=edge,
                      bottomMargin=edge).build(flow)
    return out.getvalue()


def _position(item: Item) -> str:
    if item.lat is None or item.lon is None:
        return ""
    good = "" if item.error_m is None else f" ±{item.error_m:.0f} m"
    return f"{item.lat:.5f}, {item.lon:.5f}{good}"


def metal_pdf(rows: pd.DataFrame, site: str = "", paper: str = "A4") -> bytes:
    """One page: where metal stands, was left or is grown in, each with the circle that its position error draws; the
    list follows on further pages. rows : of metal.metal."""
    from reportlab.lib import pagesizes
    from reportlab.pdfgen.canvas import Canvas

    out = BytesIO()
    wide, high = pagesizes.A4 if paper == "A4" else pagesizes.letter
    canvas = Canvas(out, pagesize=(wide, high))
    canvas.setTitle("Metal on the ground")
    edge = MARGIN_MM * POINT
    canvas.setFont("Helvetica-Bold", 14)
    canvas.drawString(edge, high - edge - 8, f"Metal on the ground{': ' + site if site else ''}")
    canvas.setFont("Helvetica", 9)
    top = high - edge - 24
    for line in (part for caution in METAL_CAUTIONS for part in textwrap.wrap(caution, 108)):
        canvas.drawString(edge, top, line)
        top -= 11
    placed = rows[rows["lat"].notna() & rows["lon"].notna()] if len(rows) else rows
    bottom = _map(canvas, placed, edge, top - 8, wide - edge, 0.42 * high) if len(placed) else top
    _list(canvas, rows, edge, bottom - 18, wide, high)
    canvas.save()
    return out.getvalue()


def _map(canvas: Any, placed: pd.DataFrame, left: float, top: float, right: float, bottom: float) -> float:
    """Draws the map into its frame; returns where it ends."""
    lat, lon = placed["lat"].to_numpy(float), placed["lon"].to_numpy(float)
    error = placed["error_m"].astype(float).fillna(10.0).to_numpy()
    north = (lat - lat.mean()) * _METRES_PER_DEGREE
    east = (lon - lon.mean()) * _METRES_PER_DEGREE * math.cos(math.radians(float(lat.mean())))
    half_e, half_n = float((np.abs(east) + error).max()) * 1.08 + 5, float((np.abs(north) + error).max()) * 1.08 + 5
    scale = min((right - left) / (2 * half_e), (top - bottom) / (2 * half_n))
    middle = ((left + right) / 2, (top + bottom) / 2)
    canvas.setLineWidth(0.8)
    canvas.rect(left, bottom, right - left, top - bottom)
    for number, row in enumerate(placed.itertuples(), 1):
        x, y = middle[0] + east[number - 1] * scale, middle[1] + north[number - 1] * scale
        canvas.setDash(2, 2)
        canvas.setLineWidth(0.5)
        canvas.circle(x, y, error[number - 1] * scale)
        canvas.setDash()
        _mark(canvas, _SHAPES[row.state], x, y)
        canvas.setFont("Helvetica-Bold", 7.5)
        canvas.drawString(x + 5, y + 4, str(number))
    metres = next(m for m in (2000, 1000, 500, 200, 100, 50, 20, 10, 5, 2, 1) if m * scale <= 0.3 * (right - left))
    canvas.setLineWidth(1.6)
    canvas.line(left + 8, bottom + 8, left + 8 + metres * scale, bottom + 8)
    canvas.setFont("Helvetica", 8)
    canvas.drawString(left + 12 + metres * scale, bottom + 5.5,
                      f"{metres} m; north is up; dashed: how well the place is known")
    x = left
    for state, shape in _SHAPES.items():
        _mark(canvas, shape, x + 5, bottom - 11)
        canvas.drawString(x + 13, bottom - 14, state)
        x += 90
    return bottom - 18


def _mark(canvas: Any, shape: str, x: float, y: float) -> None:
    canvas.setLineWidth(1.4)
    if shape == "square":
        canvas.rect(x - 3, y - 3, 6, 6, fill=1)
    elif shape == "circle":
        canvas.circle(x, y, 3.5, fill=0)
        canvas.circle(x, y, 1, fill=1)
    else:
        canvas.line(x - 3.5, y - 3.5, x + 3.5, y + 3.5)
        canvas.line(x - 3.5, y + 3.5, x + 3.5, y - 3.5)


def _list(canvas: Any, rows: pd.DataFrame, left: float, y: float, wide: float, high: float) -> None:
    """Numbered as on the map; those without a place come last, without a number."""
    edge = MARGIN_MM * POINT
    if rows.empty:
        canvas.drawString(left, y, "No metal is in the register.")
        return
    number = 0
    for row in pd.concat([rows[rows["lat"].notna()], rows[rows["lat"].isna()]]).itertuples():
        if row.lat == row.lat and row.lat is not None:
            number += 1
            place = f"{number}. {row.lat:.5f}, {row.lon:.5f}" + ("" if pd.isna(row.error_m) else f" ±{row.error_m:.0f} m")
        else:
            place = "no place known"
        parts = (row.state, row.form, row.material, row.left_behind, row.site, row.label or row.plant, row.note)
        told = "; ".join(part for part in parts if part)
        for part_number, part in enumerate(textwrap.wrap(f"{place}: {told}", 112)):
            if y < edge:
                canvas.showPage()
                y = high - edge - 8
            canvas.setFont("Helvetica", 8)
            canvas.drawString(left + (0 if part_number == 0 else 10), y, part)
            y -= 10.5
