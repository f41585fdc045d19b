"""How does the tally get onto paper? The same fields as on screen, and how to tell each, on one landscape sheet."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO

from diagnose.protect.requirement import cautions_for
from diagnose.report.lettering import BOLD, FONT, fitted, load_fonts
from diagnose.survey.plan import Plan
from diagnose.survey.tally import ASKED

ROWS = 22
# written once, at the head of the sheet; in its second line
ONCE = ("site", "visit", "plot", "plot_area_m2", "reached")
TWICE = ("stratum", "x", "y", "crs")
WIDE = {"species": 1.7, "note": 2.2, "protection": 1.5}


def tally_sheet_pdf(site: str = "", plots: tuple[str, ...] = (), paper: str = "A4", plan: Plan | None = None,
                    parts: tuple[str, ...] = (), degrees: tuple[tuple[float, float], ...] = ()) -> bytes:
    """A sheet for each plot named, or one blank sheet.

    Parameters
    ----------
    site
        Name of the planting [no unit].
    plots
        Names of the plots, one sheet each [no unit].
    paper
        "A4" or "Letter" [no unit].
    plan
        Whose stopping rule and target are printed on every sheet; None for neither [no unit].
    parts
        Stratum of each plot [no unit].
    degrees
        Latitude and longitude of each plot, empty where they are not known [degree].
    """
    from reportlab.lib import pagesizes
    from reportlab.pdfgen.canvas import Canvas

    load_fonts()
    out = BytesIO()
    size = pagesizes.landscape(pagesizes.A4 if paper == "A4" else pagesizes.letter)
    canvas = Canvas(out, pagesize=size)
    canvas.setTitle("Tally sheet")
    many = max(1, len(plots))
    for plot, part, where in zip(plots or ("",), parts or ("",) * many, degrees or (None,) * many, strict=True):
        told = {"site": site, "plot": plot, "stratum": part, "plot_area_m2": "" if plan is None else f"{plan.plot_m2:g}"}
        if where is not None:
            told |= {"x": f"{where[1]:.5f}", "y": f"{where[0]:.5f}", "crs": "EPSG:4326"}
        _sheet(canvas, size, told, plan)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _sheet(canvas, size: tuple[float, float], told: Mapping[str, str],  # type: ignore[no-untyped-def]
           plan: Plan | None) -> None:
    wide, high = size
    left, right, top = 30.0, wide - 30, high - 34
    for names, y, type_size in ((ONCE, top, 12), (TWICE, top - 19, 9)):
        canvas.setFont(BOLD, type_size)
        x = left
        for field in (field for field in ASKED if field.name in names):
            canvas.setFont(BOLD, type_size)
            canvas.drawString(x, y, f"{field.title}:")
            start = x + canvas.stringWidth(f"{field.title}: ", BOLD, type_size)
            x += (right - left) / (len(names) if names == ONCE else 8)
            fitted(canvas, told.get(field.name, ""), BOLD, type_size, start, y, x - 10 - start)
            canvas.line(start, y - 3, x - 10, y - 3)
    canvas.setFont(BOLD, 9)
    for words, x, line in (("Sheet:", right - 110, 32.0), ("of", right - 42, 12.0)):  # for more trees than lines
        canvas.drawString(x, top - 19, words)
        canvas.line(x + line, top - 22, x + line + 30, top - 22)
    if plan is not None:
        wanted = "" if plan.target is None else f" Target: {plan.target.where}, {plan.target.what}."
        fitted(canvas, f"{plan.rule.words}{wanted}", FONT, 8, left, top - 34, right - left)
    columns = [field for field in ASKED if field.name not in (*ONCE, *TWICE)]
    shares = [WIDE.get(field.name, 1.0) for field in columns]
    edges = [left]
    for share in shares:
        edges.append(edges[-1] + (right - left) * share / sum(shares))
    head, foot, lines = top - 40, 162.0, ROWS
    height = (head - 26 - foot) / lines
    canvas.setLineWidth(0.5)
    for edge in edges:
        canvas.line(edge, head, edge, foot)
    for line in range(lines + 1):
        canvas.line(left, head - 26 - line * height, right, head - 26 - line * height)
    canvas.line(left, head, right, head)
    canvas.setFont(BOLD, 7)
    for field, edge, following in zip(columns, edges[:-1], edges[1:], strict=True):
        for number, part in enumerate(_broken(field.title, following - edge - 5, canvas)):
            canvas.drawString(edge + 3, head - 10 - 9 * number, part)
    canvas.setFont(FONT, 8)
    notes = [f"{field.title}: {field.tell}." if field.tell else
             f"{field.title}: {', '.join(choice for choice in field.choices if choice)}; empty when none or not known."
             for field in ASKED if field.tell or (field.choices and field.name != "alive")]
    notes += ["1 is yes, 0 is no, empty is not known: do not guess.",
              "A plot without trees: leave the table empty and keep the sheet.",
              "Where plots overlap, a tree that stands on two counts on both."]
    half = (len(notes) + 1) // 2
    for number, note in enumerate(notes):
        canvas.drawString(left + (right - left) * 0.58 * (number // half), foot - 14 - 10 * (number % half), note)
    for number, words in enumerate(cautions_for(["survey"], short=True)):
        canvas.drawString(left, foot - 19 - 10 * (half + number), words)


def _broken(words: str, width: float, canvas) -> list[str]:  # type: ignore[no-untyped-def]
    lines = [""]
    for word in words.split():
        tried = f"{lines[-1]} {word}".strip()
        if lines[-1] and canvas.stringWidth(tried, BOLD, 7) > width:
            lines.append(word)
        else:
            lines[-1] = tried
    return lines
