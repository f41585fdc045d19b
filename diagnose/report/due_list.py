"""How does the upkeep get onto paper: the list for the walk, and the map of metal for saw and mower crews?"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import date
from io import BytesIO
from typing import Any

import numpy as np
import pandas as pd

from diagnose.fieldlog.store import METRES_PER_DEGREE
from diagnose.report.bark_drawing import draw_bark
from diagnose.report.barrier_drawing import POINT, Drawing
from diagnose.report.lettering import BOLD, FONT, load_fonts, marked, settable
from diagnose.upkeep.due import CLASSES, Item

_WIDTH = 96
HEADINGS = {
    "alarm": "ALARM: act today", "overdue": "Overdue", "soon": "Now, or before the coming season",
    "may come off": "May come off: try it", "season": "The season's work",
}
MARGIN_MM = 16.0
MOST_NUMBERED = 250  # more numbers than so many hide each other; our choice
UNNOTED_ERROR_M = 15.0  # drawn where nobody noted how well a place is known; our choice
KINDS = ("wire, standing", "stake or post only", "left behind", "grown into a stem")
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

    load_fonts()
    title = ParagraphStyle("title", fontName=BOLD, fontSize=14, leading=19)
    head = ParagraphStyle("head", fontName=BOLD, fontSize=11, leading=15, spaceBefore=9, spaceAfter=3)
    small = ParagraphStyle("small", fontName=FONT, fontSize=8.5, leading=10.5)
    care = ParagraphStyle("care", parent=small, leftIndent=8, firstLineIndent=-8, spaceBefore=3)
    size = pagesizes.A4 if paper == "A4" else pagesizes.letter
    edge = MARGIN_MM * POINT
    room = size[0] - 2 * edge
    flow: list[Any] = [Paragraph(marked(f"Due on {on:%d %B %Y}{': ' + site if site else ''}"), title)]
    if not items:
        flow.append(Paragraph("Nothing is due.", small))
    for kind, some in _by_class(items):
        rows: list[list[Any]] = [["", *(Paragraph(f"<b>{name}</b>", small) for name in (
            "where", "what, and why", "found, done, by whom"))]]
        for item in some:
            where = "<br/>".join(marked(part) for part in (item.site, item.label, _position(item)) if part)
            by = f" <b>Act by {item.act_by}.</b>" if item.act_by else ""
            told = f"<b>{marked(item.what.rstrip('.'))}</b> ({marked(item.why)}).{by}"
            rows.append(["", Paragraph(where, small), Paragraph(told, small), ""])
        table = Table(rows, colWidths=[16, 0.24 * room, 0.5 * room, 0.26 * room - 16], repeatRows=1)
        table.setStyle([("GRID", (0, 0), (-1, -1), 0.4, colors.grey), ("VALIGN", (0, 0), (-1, -1), "TOP"),
                        ("BOX", (0, 1), (0, -1), 0.9, colors.black),
                        ("BACKGROUND", (0, 0), (-1, 0), colors.Color(0.9, 0.9, 0.9)),
                        ("LEFTPADDING", (0, 0), (-1, -1), 4), ("RIGHTPADDING", (0, 0), (-1, -1), 4)])
        heading = Paragraph(marked(f"{HEADINGS[kind]} ({len(some)})"), head)
        flow += [KeepTogether([heading, table])] if len(some) < 6 else [heading, table]
        flow += [Paragraph(f"<b>Take care.</b> {marked(caution)}", care) for caution in cautions(some)]
        if any("bark that you judge" in item.what for item in some):
            drawing = draw_bark()
            flow.append(KeepTogether([Paragraph(drawing.title, head), _drawn(drawing)]))
    out = BytesIO()
    SimpleDocTemplate(out, pagesize=size, title="Due list", author="", leftMargin=edge, rightMargin=edge, topMargin=edge,
                      bottomMargin=edge).build(flow)
    return out.getvalue()


def _drawn(drawing: Drawing) -> Any:
    from reportlab.platypus import Flowable

    class Drawn(Flowable):
        def __init__(self) -> None:
            super().__init__()
            self.width, self.height = drawing.width * POINT, drawing.height * POINT

        def draw(self) -> None:
            drawing.put_on(self.canv, 0, 0)

    return Drawn()


def _position(item: Item) -> str:
    if item.lat is None or item.lon is None:
        return ""
    good = "" if item.error_m is None else f" ±{item.error_m:.0f} m"
    return f"{item.lat:.5f}, {item.lon:.5f}{good}"


def metal_pdf(rows: pd.DataFrame, site: str = "", paper: str = "A4") -> bytes:
    """A page a site: where metal, posts and stakes stand, were left or are grown in, each with the circle that its
    position error draws, and the list; where it is long it goes on overleaf. rows : of metal.metal."""
    from reportlab.lib import pagesizes
    from reportlab.pdfgen.canvas import Canvas

    load_fonts()
    out = BytesIO()
    wide, high = pagesizes.A4 if paper == "A4" else pagesizes.letter
    canvas = Canvas(out, pagesize=(wide, high))
    canvas.setTitle("Metal on the ground")
    edge = MARGIN_MM * POINT
    for name in sorted(set(rows["site"])) or [site]:
        here = rows[rows["site"] == name]
        canvas.setFont(BOLD, 14)
        canvas.drawString(edge, high - edge - 8, settable(f"Metal on the ground{': ' + name if name else ''}"))
        canvas.setFont(FONT, 9)
        top = high - edge - 24
        for line in (part for caution in METAL_CAUTIONS for part in textwrap.wrap(caution, 118)):
            canvas.drawString(edge, top, line)
            top -= 11
        placed = here[here["lat"].notna() & here["lon"].notna()]
        bottom = _map(canvas, placed, edge, top - 4, wide - edge, 0.36 * high) if len(placed) else top
        _list(canvas, placed, here.drop(placed.index), edge, bottom - 16, wide, high)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _map(canvas: Any, placed: pd.DataFrame, left: float, top: float, right: float, bottom: float) -> float:
    """Draws the map into its frame; returns where its legend ends."""
    lat, lon = placed["lat"].to_numpy(float), placed["lon"].to_numpy(float)
    known = placed["error_m"].to_numpy(float)
    error = np.where(np.isnan(known), UNNOTED_ERROR_M, known)
    north = (lat - lat.mean()) * METRES_PER_DEGREE
    east = (lon - lon.mean()) * METRES_PER_DEGREE * math.cos(math.radians(float(lat.mean())))
    west, south = float((east - error).min()) - 5, float((north - error).min()) - 5
    span_e, span_n = float((east + error).max()) + 5 - west, float((north + error).max()) + 5 - south
    scale = min((right - left) / span_e, (top - bottom - 22) / span_n)  # the scale bar's strip stays free
    x = (left + right - span_e * scale) / 2 + (east - west) * scale
    y = bottom + 22 + (top - bottom - 22 - span_n * scale) / 2 + (north - south) * scale
    canvas.setLineWidth(0.8)
    canvas.rect(left, bottom, right - left, top - bottom)
    canvas.setDash(2, 2)
    canvas.setLineWidth(0.4)
    canvas.setStrokeGray(0.35)
    for at_x, at_y, radius in zip(x, y, error * scale, strict=True):
        canvas.circle(at_x, at_y, radius)
    canvas.setDash()
    canvas.setStrokeGray(0)
    kinds = [_sort(row) for row in placed.itertuples()]
    for kind, at_x, at_y in zip(kinds, x, y, strict=True):
        _mark(canvas, kind, at_x, at_y)
    if len(placed) <= MOST_NUMBERED:
        _numbers(canvas, x, y)
    else:
        canvas.setFont(BOLD, 8)
        canvas.drawRightString(right - 6, bottom + 5.5, "too many to number here: load the GPX file into a receiver")
    metres = next(m for m in (20_000, 10_000, 5000, 2000, 1000, 500, 200, 100, 50, 20, 10, 5, 2, 1, 0)
                  if m * scale <= 0.3 * (right - left))
    canvas.setLineWidth(1.6)
    canvas.line(left + 8, bottom + 8, left + 8 + metres * scale, bottom + 8)
    canvas.setFont(FONT, 8)
    canvas.drawString(left + 12 + metres * scale, bottom + 5.5, f"{metres} m; north is up; dashed: how well the place is "
                      f"known ({UNNOTED_ERROR_M:.0f} m where nobody noted it)")
    at = left
    for kind in KINDS:
        _mark(canvas, kind, at + 5, bottom - 11)
        canvas.drawString(at + 13, bottom - 14, kind)
        at += 130
    return bottom - 18


def _sort(row: Any) -> str:
    if row.state == "standing":
        return "stake or post only" if row.what in ("a stake", "stake", "stakes", "post", "posts") else "wire, standing"
    return "left behind" if row.state == "left behind" else "grown into a stem"


def _numbers(canvas: Any, x: np.ndarray, y: np.ndarray) -> None:
    """Each mark's number beside it, on the side where it covers least."""
    canvas.setFont(BOLD, 7)
    taken = np.column_stack([x - 3, y - 3, x + 3, y + 3])  # left, low, right, high
    for number, (at_x, at_y) in enumerate(zip(x, y, strict=True), 1):
        wide = canvas.stringWidth(str(number), BOLD, 7)
        corners = np.array([(4.5, -2.5), (-wide - 4.5, -2.5), (-wide / 2, 4.5), (-wide / 2, -9.5), (4, 3.5),
                            (-wide - 4, -8)])
        low = corners + (at_x, at_y)
        high = low + (wide, 5)
        across = np.minimum(high[:, None, 0], taken[:, 2]) - np.maximum(low[:, None, 0], taken[:, 0])
        up = np.minimum(high[:, None, 1], taken[:, 3]) - np.maximum(low[:, None, 1], taken[:, 1])
        best = int(np.argmin((across.clip(0) * up.clip(0)).sum(axis=1)))
        taken = np.vstack([taken, [*low[best], *high[best]]])
        canvas.drawString(*low[best].tolist(), str(number))


def _mark(canvas: Any, kind: str, x: float, y: float) -> None:
    canvas.setLineWidth(1.2)
    if kind == "wire, standing":
        canvas.rect(x - 2.5, y - 2.5, 5, 5, fill=1)
    elif kind == "stake or post only":
        canvas.rect(x - 2.2, y - 2.2, 4.4, 4.4, fill=0)
    elif kind == "left behind":
        canvas.line(x - 3, y - 3, x + 3, y + 3)
        canvas.line(x - 3, y + 3, x + 3, y - 3)
    else:
        canvas.circle(x, y, 3.6, fill=0)
        canvas.circle(x, y, 1, fill=1)


def _list(canvas: Any, placed: pd.DataFrame, unplaced: pd.DataFrame, left: float, top: float, wide: float,
          high: float) -> None:
    """Two columns, numbered as on the map; those without a place come last, without a number."""
    edge = MARGIN_MM * POINT
    lines = []
    for number, row in enumerate(placed.itertuples(), 1):
        good = "" if pd.isna(row.error_m) else f" ±{row.error_m:.0f} m"
        lines.append(f"{number}. {row.label or row.plant or row.form}: {_left(row)}; {row.lat:.5f}, {row.lon:.5f}{good}")
    lines += [f"No place known. {row.label or row.plant or row.form}: {_left(row)}" for row in unplaced.itertuples()]
    column, y = 0, top
    canvas.setFont(FONT, 7.5)
    for line in lines or ["Nothing is in the register."]:
        for place, part in enumerate(textwrap.wrap(settable(line), 66)):
            if y < edge:
                column, y = column + 1, top
                if column == 2:
                    canvas.showPage()
                    canvas.setFont(FONT, 7.5)
                    column, y, top = 0, high - edge - 8, high - edge - 8
            canvas.drawString(left + column * (wide / 2 - edge) + (8 if place else 0), y, part)
            y -= 9.5


def _left(row: Any) -> str:
    parts = [row.what, row.material, "" if row.state == "standing" else row.state, row.note]
    return "; ".join(dict.fromkeys(part for part in parts if part))
