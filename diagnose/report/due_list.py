"""How does the upkeep get onto paper: the list for the walk, with its map and what is ahead?

The answer stands first: what is due, where, by when. Equal works are one line with their count.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import date
from io import BytesIO
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd

from diagnose.report.bark_drawing import draw_bark
from diagnose.report.barrier_drawing import POINT, Drawing
from diagnose.report.lettering import BOLD, FONT, load_fonts, marked
from diagnose.report.paper import with_page_numbers
from diagnose.report.upkeep_map import MARGIN_MM, draw_map
from diagnose.upkeep.due import Item
from diagnose.upkeep.fence import line_of
from diagnose.upkeep.forecast import WORKS, by_row, due_months, forecast_lines, forecast_of_plan
from diagnose.upkeep.growth import grown_from
from diagnose.upkeep.rounds import Job, answer, jobs
from diagnose.upkeep.standing import Register
from diagnose.upkeep.walk import row_of

_WIDTH = 96
HEADINGS = {
    "alarm": "ALARM: act today", "overdue": "Overdue", "soon": "Now, or before the coming season",
    "may come off": "May come off: try it", "season": "The season's work",
}
AHEAD_SHOWN = 5  # lines of what is ahead that the list ends with; all are asked for by themselves; our choice
_SIGNS = {"ALARM": "triangle", "overdue": "square", "coming up": "open square", "may come off": "cross",
          "nothing due": "small"}
_SIGN_OF = dict(zip(HEADINGS, _SIGNS, strict=True))
_MAP_HIGH = (200.0, 390.0)  # least and most [pt]


def due_as_text(items: Sequence[Item], on: date, register: Register | None = None) -> str:
    """The list as lines of text.

    Parameters
    ----------
    items : sequence of Item
        Of due.due [no unit].
    on : date
        The day [no unit].
    register : Register or None
        That they are of: then what is ahead stands at the end [no unit].

    Returns
    -------
    str
    """
    blocks = ["\n".join(textwrap.wrap(answer(items, on), _WIDTH))]
    for kind, some in _by_class(items):
        lines = [HEADINGS[kind]]
        for job in some:
            lines += textwrap.wrap(_sentence(job), _WIDTH, initial_indent="  ", subsequent_indent="    ")
        for caution in cautions([item for job in some for item in job.items]):
            lines += textwrap.wrap(f"take care: {caution}", _WIDTH, initial_indent="  ", subsequent_indent="    ")
        blocks.append("\n".join(lines))
    if register is not None and len(register):
        blocks.append(ahead_as_text(register, on, AHEAD_SHOWN))
    return "\n\n".join(blocks)


def ahead_as_text(register: Register, on: date, most: int = 1000) -> str:
    """The forecasts as lines of text, and how many barriers are due in each month.

    Parameters
    ----------
    register : Register
        The barriers that stand [no unit].
    on : date
        The day [no unit].
    most : int
        So many lines at most [no unit].

    Returns
    -------
    str
    """
    told, lines = forecast_lines(register, on), ["Ahead"]
    for one in told[:most]:
        lines += textwrap.wrap(_forecast_sentence(one), _WIDTH, initial_indent="  ", subsequent_indent="    ")
    if len(told) > most:
        lines.append(f"  and {len(told) - most} more: diagnose upkeep forecast")
    grown = "; ".join(dict.fromkeys(part for one in told for part in one["grown"].split("; ")))
    lines += textwrap.wrap(f"Rates: {grown}.", _WIDTH, initial_indent="  ", subsequent_indent="    ")
    months = due_months(register, on, 12)
    if len(months):
        most_at_once = int(months["count"].max())
        lines += ["", "Due months"] + [
            f"  {row.month:%b %Y}  {row.work:<17}{row.count_:>5}  {'#' * max(1, round(30 * row.count_ / most_at_once))}"
            for row in months.rename(columns={"count": "count_"}).sort_values(["month", "work"]).itertuples()]
    return "\n".join(lines)


def planned_as_text(plan: Any, planted_on: date, species: str = "") -> str:
    """What is ahead of the barriers of a plan, as lines of text.

    Parameters
    ----------
    plan : Plan or mapping
        The plan whose upkeep is told [no unit].
    planted_on : date
        The day of planting [no unit].
    species : str
        Of the seedlings, or empty [no unit].

    Returns
    -------
    str
        Empty where nothing closes round a stem.

    Raises
    ------
    CannotUse
        For what is no plan.
    """
    told = forecast_of_plan(plan, planted_on, species)
    lines = [f"Afterwards, planted in {planted_on:%B %Y} ({grown_from(species)}):"] if told else []
    for name, one in told:
        lines += textwrap.wrap(f"{name}: {one.words}", _WIDTH, initial_indent="  ", subsequent_indent="    ")
    return "\n".join(lines)


def _forecast_sentence(one: dict[str, Any]) -> str:
    where = f" at {one['site']}" if one["site"] else ""
    many = f"{one['count']} x {one['name']}" if one["count"] > 1 else one["name"]
    return f"{many}{where} ({by_row(one['labels'], 6)}): {one['words']}."


def _by_class(items: Sequence[Item]) -> list[tuple[str, list[Job]]]:
    return [(kind, list(some)) for kind, some in groupby(jobs(items), key=lambda job: job.kind)]


def _sentence(job: Job) -> str:
    head = " ".join(part for part in (job.site, "" if job.many else job.where) if part)
    many = f": {job.many}" if job.many > 1 else ""
    where = f" - {job.where}" if job.many else ""
    by = f" Act by {job.act_by}." if job.act_by else ""
    return f"{head + ': ' if head else ''}{job.what.rstrip('.')}{many}{where} ({job.why}).{by}"


def cautions(items: Sequence[Item]) -> list[str]:
    """Every caution of the items once, in their order; not one that another says too.

    Parameters
    ----------
    items : sequence of Item
        What is due [no unit].

    Returns
    -------
    list of str
    """
    told = list(dict.fromkeys(item.caution for item in items if item.caution))
    return [one for one in told if not any(one != other and one in other for other in told)]


def due_pdf(items: Sequence[Item], on: date, site: str = "", paper: str = "A4", register: Register | None = None) -> bytes:
    """The list with boxes to tick and room to write, its map and what is ahead, black on white.

    Parameters
    ----------
    items : sequence of Item
        Of due.due [no unit].
    on : date
        The day [no unit].
    site : str
        For the heading [no unit].
    paper : {'A4', 'Letter'}
        "A4" or "Letter" [no unit].
    register : Register or None
        That they are of: then the map, the forecasts and the due months stand there too [no unit].

    Returns
    -------
    bytes
    """
    from reportlab.lib import colors, pagesizes
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import KeepTogether, Paragraph, SimpleDocTemplate, Table

    load_fonts()
    title = ParagraphStyle("title", fontName=BOLD, fontSize=14, leading=19)
    first = ParagraphStyle("first", fontName=BOLD, fontSize=11, leading=14.5, spaceAfter=4)
    head = ParagraphStyle("head", fontName=BOLD, fontSize=11, leading=15, spaceBefore=9, spaceAfter=3)
    small = ParagraphStyle("small", fontName=FONT, fontSize=8.5, leading=11)
    care = ParagraphStyle("care", parent=small, leftIndent=8, firstLineIndent=-8, spaceBefore=3)
    size = pagesizes.A4 if paper == "A4" else pagesizes.letter
    edge = MARGIN_MM * POINT
    room = size[0] - 2 * edge - 12  # a frame's own padding on both sides
    flow: list[Any] = [Paragraph(marked(f"What is due at the barriers{': ' + site if site else ''}"), title),
                       Paragraph(marked(answer(items, on)), first)]
    for kind, some in _by_class(items):
        rows: list[list[Any]] = [[Paragraph(f"<b>{name}</b>", small) for name in (
            "what, and why", "where (tick what is done)", "found, done, by whom")]]
        for job in some:
            by = f" <b>Act by {job.act_by}.</b>" if job.act_by else ""
            many = f"{job.many} x " if job.many > 1 else ""
            told = f"<b>{many}{marked(job.what.rstrip('.'))}</b> ({marked(job.why)}).{by}"
            rows.append([Paragraph(told, small), Paragraph(_boxes(job), small), ""])
        table = Table(rows, colWidths=[0.4 * room, 0.36 * room, 0.24 * room], repeatRows=1)
        table.setStyle(_ruled(colors))
        heading = Paragraph(marked(f"{HEADINGS[kind]} ({sum(max(job.many, 1) for job in some)})"), head)
        flow += [KeepTogether([heading, table])] if len(some) < 6 else [heading, table]
        flow += [Paragraph(f"<b>Take care.</b> {marked(caution)}", care)
                 for caution in cautions([item for job in some for item in job.items])]
        if any("bark that you judge" in job.what for job in some):
            drawing = draw_bark()
            flow.append(KeepTogether([Paragraph(drawing.title, head), _drawn(drawing)]))
    if register is not None and len(register):
        flow += _map_and_ahead(items, on, register, room, head, small)
    out = BytesIO()
    with_page_numbers(SimpleDocTemplate(out, pagesize=size, title="Due list", author="", leftMargin=edge, rightMargin=edge,
                                        topMargin=edge, bottomMargin=edge), flow)
    return out.getvalue()


def _ruled(colors: Any) -> list[tuple[Any, ...]]:
    """Every cell in a box, the heading on grey."""
    return [("GRID", (0, 0), (-1, -1), 0.4, colors.grey), ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("BACKGROUND", (0, 0), (-1, 0), colors.Color(0.9, 0.9, 0.9)),
            ("LEFTPADDING", (0, 0), (-1, -1), 4), ("RIGHTPADDING", (0, 0), (-1, -1), 4)]


def _boxes(job: Job) -> str:
    """A box to tick for each barrier, row by row; a place where one is known and few are asked for."""
    if not job.many:
        return " ".join(part for part in (marked(job.site), marked(job.where)) if part)
    rows: dict[str, list[str]] = {}
    for item in job.items:
        row, own = row_of(item.label)
        rows.setdefault(row, []).append(f"\u25a1\u00a0{marked(own)}")
    lines = [f"{f'<b>{marked(row)}</b>: ' if row and row not in boxes[0] else ''}{'  '.join(boxes)}"
             for row, boxes in rows.items()]
    one = job.items[0]
    if job.many == 1 and one.lat is not None and one.lon is not None:
        lines.append(f"{one.lat:.5f}, {one.lon:.5f}" + ("" if one.error_m is None else f" \u00b1{one.error_m:.0f} m"))
    return "<br/>".join([f"<b>{marked(job.site)}</b>"] * bool(job.site) + lines)


def _map_and_ahead(items: Sequence[Item], on: date, register: Register, room: float, head: Any, small: Any) -> list[Any]:
    from reportlab.platypus import KeepTogether, Paragraph, Spacer

    flow: list[Any] = []
    rows = register.rows
    placed = rows[rows["lat"].notna() & rows["lon"].notna()]
    for site in sorted(set(placed["site"])):
        here = placed[placed["site"] == site]
        flow.append(KeepTogether([Paragraph(marked(f"Map{': ' + site if site else ''}"), head), _map(items, here, room)]))
    unplaced = len(rows) - len(placed)
    if unplaced:
        flow.append(Paragraph(f"{unplaced} without a place are not on the map.", small))
    months = due_months(register, on, 12)
    if len(months):
        flow.append(KeepTogether([Paragraph("How many are due in which month", head), _bars(months, room)]))
    told = forecast_lines(register, on)
    flow += [Paragraph("Ahead", head), _ahead(told, room, small)] if told else []
    grown = "; ".join(dict.fromkeys(part for one in told for part in one["grown"].split("; ")))
    flow += [Spacer(1, 6), Paragraph(marked(f"Rates: {grown}."), small)]
    return flow


def _ahead(told: Sequence[dict[str, Any]], room: float, small: Any) -> Any:
    """What is ahead of each kind of barrier, a row each, what to do last."""
    from reportlab.lib import colors
    from reportlab.platypus import Paragraph, Table

    rows = [["barriers", "the tree is", "cuts in", "what to do"]]
    for one in told:
        outlook = one["told"]
        many = f"{one['count']} x {one['name']}" if one["count"] > 1 else one["name"]
        where = f"{one['site']}, {by_row(one['labels'], 12)}" if one["site"] else by_row(one["labels"], 12)
        reach, cuts, advice = ((outlook.reach, outlook.cuts.removeprefix("cuts in "), outlook.advice) if outlook.known else
                               ("", "", outlook.words))
        rows.append([f"<b>{marked(many)}</b><br/>{marked(where)}", marked(reach), marked(cuts), f"<b>{marked(advice)}</b>"])
    rows[0] = [f"<b>{name}</b>" for name in rows[0]]
    widths = [share * room for share in (0.32, 0.24, 0.2, 0.24)]
    table = Table([[Paragraph(cell, small) for cell in row] for row in rows], colWidths=widths, repeatRows=1)
    table.setStyle(_ruled(colors))
    return table


def _map(items: Sequence[Item], here: pd.DataFrame, room: float) -> Any:
    """A planting's barriers, each by what presses most at it; only those with something due are named."""
    worst: dict[str, str] = {}
    for item in items:
        worst.setdefault(item.barrier, _SIGN_OF[item.kind])
    kinds = [worst.get(own, "nothing due") for own in here["id"]]
    names = [(label or plant or own[:8]) if kind != "nothing due" else "" for label, plant, own, kind in zip(
        here["label"], here["plant"], here["id"], kinds, strict=True)]
    lines = [line_of(_figures(told)) for told in here["figures"]]
    north, east = (float(np.ptp(here[name])) for name in ("lat", "lon"))
    shape = north / max(east * math.cos(math.radians(float(here["lat"].mean()))), 1e-9)
    high = min(max(room * shape, _MAP_HIGH[0]), _MAP_HIGH[1])

    def draw(canvas: Any) -> None:
        draw_map(canvas, (0, 30, room, high), here["lat"].to_numpy(float), here["lon"].to_numpy(float),
                 here["error_m"].to_numpy(float), kinds, _SIGNS, names, lines)

    return _flowable(room, high, draw)


def _figures(told: Any) -> dict[str, Any]:
    import json

    return json.loads(told) if isinstance(told, str) else dict(told or {})


def _bars(months: pd.DataFrame, room: float) -> Any:
    """A bar for each month that has work; the works by their shade, and named by a letter."""
    shades = dict(zip(WORKS, (0.85, 0.5, 0.0), strict=True))
    by_month = [(month, dict(zip(some["work"], some["count"], strict=True))) for month, some in months.groupby("month")]
    high, most = 90.0, max(sum(counts.values()) for _, counts in by_month)
    wide = min(46.0, room / len(by_month))

    def draw(canvas: Any) -> None:
        canvas.setLineWidth(0.6)
        for place, (month, counts) in enumerate(by_month):
            at = 24.0
            for work in WORKS:
                if not (count := counts.get(work)):
                    continue
                tall = (high - 12) * count / most
                canvas.setFillGray(shades[work])
                canvas.rect(place * wide + 3, at, wide - 6, tall, fill=1)
                at += tall
            canvas.setFillGray(0)
            canvas.setFont(FONT, 7)
            canvas.drawCentredString((place + 0.5) * wide, at + 2, str(sum(counts.values())))
            canvas.drawCentredString((place + 0.5) * wide, 15, f"{month:%b %y}" if wide > 24 else f"{month:%m}")
        x = 0.0
        for work in WORKS:
            canvas.setFillGray(shades[work])
            canvas.rect(x, 0, 8, 8, fill=1)
            canvas.setFillGray(0)
            canvas.drawString(x + 11, 1.5, work)
            x += 90

    return _flowable(room, high + 26, draw)


def _flowable(wide: float, high: float, draw: Any) -> Any:
    from reportlab.platypus import Flowable

    class Drawn(Flowable):
        def __init__(self) -> None:
            super().__init__()
            self.width, self.height = wide, high

        def draw(self) -> None:
            draw(self.canv)

    return Drawn()


def _drawn(drawing: Drawing) -> Any:
    return _flowable(drawing.width * POINT, drawing.height * POINT, lambda canvas: drawing.put_on(canvas, 0, 0))
