"""How does a survey read on paper and in a browser?

Everything shown is taken from one `Survey`; drawings are made once, as vectors, for both forms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from io import BytesIO
from itertools import groupby
from operator import itemgetter
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.report.lettering import BOLD, FONT, load_fonts, marked, settable
from diagnose.survey.estimate import Estimate
from diagnose.survey.lasting import Survival
from diagnose.survey.summary import Survey

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Table
    from shapely.geometry.base import BaseGeometry

WIDTH = 480.0  # of drawings and tables [point]
_TONE = 0.02  # share browsed from which a tone differs from the next: not seen on a scale of ten steps
_SCREEN = 340.0  # of a map on a screen, a phone's at least [point]
ROW, NAME = 18.0, 130.0
LETTERS = 28  # of a name in one line beside its bar
INK, FAINT, GRID = "#222222", "#777777", "#dddddd"
LOW_RATE, HIGH_RATE = (255, 247, 224), (140, 45, 4)  # pale to dark, so that it prints in grey as well
UNSURE = 0.15  # a map cell with a larger standard error is drawn with a dot, not filled

Section = tuple[str, dict[str, Estimate]]


def sections(survey: Survey) -> list[Section]:
    """The tables of estimates, in reading order; empty ones left out.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    whole = {"all unprotected trees": survey.unprotected}
    if survey.if_yes is not None and survey.if_no is not None:
        whole |= {"untold trees as browsed": survey.if_yes, "untold trees as not": survey.if_no}
    named = (("unprotected less protected", survey.saved), ("the same, plots redrawn", survey.saved_redrawn),
             ("damage prevented", survey.effectiveness))
    compared = {name: one for name, one in named if one is not None}
    visits = {}
    if (change := survey.compared) is not None and change.difference.value is not None:
        first, second = change.days if len(change.days) == 2 else ("before", "now")
        visits = {first: change.before, second: change.now, "now less before": change.difference}
    return [(title, rows) for title, rows in (
        ("Leaders browsed", whole), ("Before and after, on the plots of both visits", visits),
        ("By species", survey.by_species),
        ("By height", survey.by_height), ("By part of the ground", survey.by_stratum),
        ("By distance to the edge", survey.by_edge),
        ("By culprit, of all unprotected trees", survey.by_culprit), ("Protected beside unprotected", survey.by_protection),
        ("Comparisons", compared), ("Stem damage, of all trees", survey.stem_damage),
        ("Severity of unprotected trees, our own scale", survey.severity), ("State of guards", survey.guards)) if rows]


def decision_lines(survey: Survey) -> list[str]:
    """What follows for each target after the first, and for each what it was, how it was looked at and what was counted.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    told = []
    for number, one in enumerate(survey.decisions):
        sentence = [] if number == 0 else [one.sentence]
        error = "" if one.error is None else f"Nominal error of this look {100 * one.error:.2g} % on each side."
        told.append(" ".join(part for part in (*sentence, f"Target: {one.target.words}.", one.office, one.rule.words, error,
                                               *one.notes) if part))
    if survey.decisions and survey.asked:
        told.append(survey.asked)
    said = {note for one in survey.decisions for note in one.notes}
    told += [" ".join([f"Part {part}, {one.target.wanted}, {one.estimate.plots} plots: {one.sentence}",
                       *(note for note in one.notes if note not in said)])
             for part, made in survey.by_part.items() for one in made]
    return told


def densities(survey: Survey) -> dict[str, Estimate]:
    """Trees per hectare and stocking, where areas were written down, and heights.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    named = (("trees", survey.density), ("unbrowsed trees", survey.unbrowsed_density), ("stocked plots", survey.stocking))
    return {name: one for name, one in named if one is not None} | survey.heights


def interval_drawing(rows: dict[str, Estimate]) -> Drawing:
    """Estimates as dots with their intervals as lines, one row each, on one scale in percent.

    Parameters
    ----------
    rows
        Estimated share by the name of its line [no unit].
    """
    from reportlab.graphics.shapes import Circle, Drawing, Line, String
    from reportlab.lib.colors import HexColor

    limits = [x for one in rows.values() for x in (one.value, one.low, one.high) if x is not None and math.isfinite(x)]
    least, most = min([0.0, *limits]), max([0.05, *limits])
    least = max(-1.0, math.floor(least * 10) / 10)
    most = min(1.0, math.ceil(most * 10) / 10)
    height = ROW * (len(rows) + 1) + 8
    drawing = Drawing(WIDTH, height)

    def across(share: float) -> float:
        return NAME + (WIDTH - NAME - 20) * (min(max(share, least), most) - least) / (most - least)

    step = next(s for s in (0.02, 0.05, 0.1, 0.2, 0.5) if (most - least) / s <= 8)
    for k in range(math.ceil(least / step - 1e-9), math.floor(most / step + 1e-9) + 1):
        x, tone = across(k * step), FAINT if k == 0 and least < 0 else GRID
        drawing.add(Line(x, ROW, x, height - 4, strokeColor=HexColor(tone), strokeWidth=0.5))
        drawing.add(String(x, 5, f"{100 * k * step:.0f} %", fontSize=7, textAnchor="middle", fillColor=HexColor(FAINT)))
    for number, (name, one) in enumerate(rows.items()):
        y = height - ROW * (number + 0.5) - 4
        lines = wrap(name.replace("_", " "), LETTERS, max_lines=2, placeholder=" …")
        for line, words in enumerate(lines):
            high = y - 3 + 4 * (len(lines) - 1 - 2 * line)
            drawing.add(String(NAME - 8, high, words, fontSize=9 - len(lines), textAnchor="end", fillColor=HexColor(INK)))
        if one.value is None:
            drawing.add(String(NAME + 4, y - 3, one.note or "no estimate", fontSize=7, fillColor=HexColor(FAINT)))
            continue
        if one.low is not None and one.high is not None:
            drawing.add(Line(across(one.low), y, across(one.high), y, strokeColor=HexColor(INK), strokeWidth=1.2))
            for end in (one.low, one.high):
                drawing.add(Line(across(end), y - 3, across(end), y + 3, strokeColor=HexColor(INK), strokeWidth=1.2))
        inside = HexColor("#ffffff" if one.low is None else INK)  # hollow without an interval: no sure figure
        drawing.add(Circle(across(one.value), y, 3, fillColor=inside, strokeColor=HexColor(INK)))
    return drawing


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


def map_picture(survey: Survey) -> str:
    """The map as SVG in HTML, narrow enough for its lettering to be read on a phone; empty without one.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    drawn = map_drawing(survey, _SCREEN)
    return "" if drawn is None else _svg(drawn, "map of damage")


def lasting_pictures(survey: Survey) -> list[str]:
    """The curves of barriers as SVG in HTML, as on paper.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    return [_svg(lasting_drawing(one), f"share of {kind} still whole") for kind, one in survey.lasting.items()]


def change_lines(survey: Survey) -> list[str]:
    """Before and after in words; nothing where there is one visit.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    return [] if survey.compared is None else [f"Change: {survey.compared.words}"]


def map_words(survey: Survey) -> str:
    """What the map is, whether damage clusters, and how it goes with the distance to the edge.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    if survey.map is None:
        return ""
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


def lasting_drawing(curve: Survival) -> Drawing:
    """Share still whole against age: the curve as a step line, its limits as thin ones, a tick where one was last seen.

    Parameters
    ----------
    curve
        Share still whole, by age [year].
    """
    from reportlab.graphics.shapes import Drawing, Line, PolyLine, String
    from reportlab.lib.colors import HexColor

    high, left, right, foot = 96.0, 40.0, 10.0, 20.0
    drawing = Drawing(WIDTH / 2, high + foot + 16)
    oldest = max(1.0, curve.times[-1])
    step = next(each for each in (1, 2, 5, 10, 20) if oldest / each <= 6 or each == 20)

    def at(age: float, share: float) -> tuple[float, float]:
        return left + (WIDTH / 2 - left - right) * age / oldest, foot + high * share

    for share in (0.0, 0.5, 1.0):
        drawing.add(Line(*at(0, share), *at(oldest, share), strokeColor=HexColor(GRID), strokeWidth=0.5))
        drawing.add(String(left - 4, at(0, share)[1] - 2.5, f"{100 * share:.0f} %", fontSize=7, textAnchor="end",
                           fillColor=HexColor(FAINT)))
    for age in range(0, math.floor(oldest) + 1, step):
        drawing.add(String(at(age, 0)[0], foot - 9, f"{age}", fontSize=7, textAnchor="middle", fillColor=HexColor(FAINT)))
    drawing.add(String(at(oldest, 0)[0], 2, "years since it was built", fontSize=7, textAnchor="end",
                       fillColor=HexColor(FAINT)))
    drawing.add(String(left, high + foot + 6, curve.kind, fontSize=8, fillColor=HexColor(INK)))
    for shares, width, tone in ((curve.low, 0.5, FAINT), (curve.high, 0.5, FAINT), (curve.share, 1.4, INK)):
        corners, before = [at(0, 1.0)], 1.0
        for time, share in zip(curve.times, shares, strict=True):
            now = before if math.isnan(share) else share
            corners += [at(time, before), at(time, now)]
            before = now
        drawing.add(PolyLine([x for corner in corners for x in corner], strokeColor=HexColor(tone), strokeWidth=width,
                             fillColor=None))
    for time, share, failed, there, after in zip(curve.times, curve.share, curve.failed, curve.at_risk,
                                                 (*curve.at_risk[1:], 0), strict=True):
        if there - after > failed:
            x, y = at(time, share)
            drawing.add(Line(x, y - 2.5, x, y + 2.5, strokeColor=HexColor(INK), strokeWidth=0.8))
    return drawing


def lasting_rows(lasting: Mapping[str, Survival]) -> list[list[str]]:
    """Kind, barriers watched, failed, share whole after 1, 3 and 5 years, age by which half failed; a heading first.

    Parameters
    ----------
    lasting
        The curve of each kind [no unit].
    """
    rows = [["", "watched", "failed", "whole after 1 year", "after 3 years", "after 5 years", "half failed by"]]
    for kind, curve in lasting.items():
        half = curve.median()
        told = [one.words() if (one := curve.at(age)).value is not None else "not watched so long" for age in (1, 3, 5)]
        rows.append([kind, str(curve.barriers), str(sum(curve.failed)), *told, "fewer failed" if half is None else
                     f"{half:.1f} years"])
    return rows


LASTING_WORDS = (
    "Kaplan-Meier curves of the registered barriers with their limits; a tick marks barriers that were removed or last seen "
    "whole then. A barrier counts as failed from the day it was found damaged, gnawed or missing, which is later than it "
    "happened. One entry of the register counts once, however many pieces it stands for; those not looked at since they "
    "were built tell nothing.")


def paper_styles() -> dict[str, ParagraphStyle]:
    """The letters of a report on paper, by what they are for: top, heading, words, lead, answer, cell and tight."""
    from reportlab.lib import colors
    from reportlab.lib.styles import ParagraphStyle, getSampleStyleSheet

    load_fonts()
    usual = getSampleStyleSheet()
    words = ParagraphStyle("words", parent=usual["BodyText"], fontName=FONT, fontSize=9, leading=12)
    cell = ParagraphStyle("cell", parent=words, fontSize=8, leading=10)
    return {
        "top": ParagraphStyle("top", parent=usual["Title"], fontName=BOLD),
        "heading": ParagraphStyle("heading", parent=usual["Heading3"], fontName=BOLD),
        "words": words, "lead": ParagraphStyle("lead", parent=words, fontSize=12, leading=16, spaceAfter=6),
        "answer": ParagraphStyle("answer", parent=words, fontName=BOLD, fontSize=14, leading=18, spaceBefore=10,
                                 spaceAfter=14, borderWidth=1, borderColor=colors.HexColor(INK), borderPadding=6),
        "cell": cell, "tight": ParagraphStyle("tight", parent=cell, fontSize=7.5, leading=9),
    }


def ruled_table(rows: list[list[Any]], widths: Sequence[float], **letters: Any) -> Table:
    """A table with a line under its heading and thin ones between its rows.

    Parameters
    ----------
    rows
        The heading first: words, or paragraphs [no unit].
    widths
        Of the columns [point].
    **letters
        Further arguments of reportlab's Table [no unit].
    """
    from reportlab.lib import colors
    from reportlab.platypus import Table, TableStyle

    style = TableStyle([("FONT", (0, 0), (-1, -1), FONT, 8), ("VALIGN", (0, 0), (-1, -1), "TOP"),
                        ("LINEBELOW", (0, 0), (-1, 0), 0.6, colors.HexColor(FAINT)),
                        ("LINEBELOW", (0, 1), (-1, -1), 0.25, colors.HexColor(GRID)),
                        ("TOPPADDING", (0, 0), (-1, -1), 2), ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                        ("LEFTPADDING", (0, 0), (-1, -1), 3), ("RIGHTPADDING", (0, 0), (-1, -1), 3)])
    return Table(rows, colWidths=list(widths), style=style, hAlign="LEFT", **letters)


def lasting_story(lasting: Mapping[str, Survival], styles: Mapping[str, ParagraphStyle]) -> list[Any]:
    """How long barriers last, for paper: the heading, a curve of each kind, their table, what they are.

    Parameters
    ----------
    lasting
        The curve of each kind [no unit].
    styles
        As `paper_styles` makes them [no unit].
    """
    from reportlab.platypus import KeepTogether, Paragraph, Table

    drawings = [lettered(lasting_drawing(curve)) for curve in lasting.values()]
    pairs = [[*drawings[n:n + 2], ""][:2] for n in range(0, len(drawings), 2)]
    lines = [[Paragraph(marked(each), styles["tight"]) for each in row] for row in lasting_rows(lasting)]
    first, *others = [Table([pair], colWidths=[WIDTH / 2] * 2) for pair in pairs]
    return [KeepTogether([Paragraph("How long barriers last", styles["heading"]), first]), *others,
            ruled_table(lines, [88, 44, 40, 82, 78, 78, 70], repeatRows=1),
            Paragraph(marked(LASTING_WORDS), styles["words"])]


def cost_words(survey: Survey) -> str:
    """What one tree saved from browsing cost; empty where no cost was given.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    if survey.cost is None:
        return ""
    cost = survey.cost
    most = "no upper limit: it may have saved none" if math.isinf(cost.high) else f"{cost.high:.2f}"
    return (f"Each tree saved from browsing cost {cost.value:.2f} ({cost.low:.2f} to {most}), in the money that the cost of "
            "a tree's protection was given in.")


def survey_pdf(survey: Survey, paper: str = "A4") -> bytes:
    """The report as a PDF.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    paper
        "A4" or "Letter" [no unit].
    """
    from reportlab.platypus import KeepTogether, Paragraph, Spacer

    styles = paper_styles()
    body, cell = styles["words"], styles["cell"]

    def table(rows: dict[str, Estimate]) -> Table:
        names = ["", "estimate (interval)", "trees", "plots", "design effect", "note"]
        return ruled_table([names] + [[Paragraph(marked(cells[0]), cell), *cells[1:5], Paragraph(marked(cells[5]), cell)]
                                      for cells in map(_cells, rows.items())], [128, 118, 36, 36, 58, 104])

    def headed(title: str, *parts: object) -> KeepTogether:
        return KeepTogether([Paragraph(marked(title), styles["heading"]), *parts])

    story: list[Any] = [Paragraph(marked(told), styles[style]) for told, style in (
        (_title(survey), "top"), (survey.answer, "answer"), (survey.headline, "lead"), (_counts(survey), "words"))]
    story += [Paragraph(marked(line), body) for line in (*decision_lines(survey), *change_lines(survey), *survey.bands)]
    story.append(Spacer(0, 6))
    for title, rows in sections(survey):
        story.append(headed(title, lettered(interval_drawing(rows)), table(rows)))
    if densities(survey):
        story.append(headed("Trees on the ground", table(densities(survey))))
    drawn = map_drawing(survey)
    if drawn is not None:
        story.append(headed("Where", lettered(drawn), Paragraph(marked(map_words(survey)), body)))
    if cost_words(survey):
        story.append(headed("What it cost", Paragraph(marked(cost_words(survey)), body)))
    if survey.lasting:
        story += lasting_story(survey.lasting, styles)
    story.append(headed("How this was worked out", Paragraph(marked(survey.methods), body)))
    story.append(headed("What was not covered", *[Paragraph(f"• {marked(line)}", body) for line in survey.not_covered]))
    return numbered_pages(story, _title(survey), paper)


def numbered_pages(story: list[Any], title: str, paper: str) -> bytes:
    """A report's pages as PDF, each with its number at the foot.

    Parameters
    ----------
    story
        What stands on them, as reportlab's flowables [no unit].
    title
        Of the file [no unit].
    paper
        "A4" or "Letter" [no unit].
    """
    from reportlab.lib import pagesizes
    from reportlab.platypus import SimpleDocTemplate

    out = BytesIO()
    size = pagesizes.A4 if paper == "A4" else pagesizes.letter
    margin = (size[0] - WIDTH - 12) / 2
    SimpleDocTemplate(out, pagesize=size, leftMargin=margin, rightMargin=margin, topMargin=48, bottomMargin=48,
                      title=title).build(story, onFirstPage=_numbered, onLaterPages=_numbered)
    return out.getvalue()


def survey_html(survey: Survey) -> str:
    """The report as one self-contained page.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    return (f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(_title(survey))}</title>'
            '<meta name="viewport" content="width=device-width"><style>body{font:16px/1.45 sans-serif;max-width:50em;'
            "margin:2em auto;padding:0 1em;color:#222;background:#fff}table{border-collapse:collapse;font-size:.9em}"
            "td,th{padding:.2em .7em .2em 0;text-align:left;border-bottom:1px solid #ddd;vertical-align:top}"
            ".lead{font-size:1.2em}.answer{font-size:1.4em;font-weight:bold;border:1px solid #222;padding:.4em}"
            "svg{width:100%;height:auto}</style></head><body>" + survey_body(survey) + "</body></html>")


def survey_body(survey: Survey) -> str:
    """What stands on that page, for a place that has its own frame.

    Parameters
    ----------
    survey
        That was estimated [no unit].
    """
    parts = [f"<h1>{escape(_title(survey))}</h1>", f'<p class="answer">{escape(survey.answer)}</p>',
             f'<p class="lead">{escape(survey.headline)}</p>', f"<p>{escape(_counts(survey))}</p>"]
    parts += [f"<p>{escape(line)}</p>" for line in (*decision_lines(survey), *change_lines(survey), *survey.bands)]
    for title, rows in sections(survey):
        parts += [f"<h2>{escape(title)}</h2>", _svg(interval_drawing(rows), title), _html_table(rows)]
    if densities(survey):
        parts += ["<h2>Trees on the ground</h2>", _html_table(densities(survey))]
    drawn = map_drawing(survey)
    if drawn is not None:
        parts += ["<h2>Where</h2>", _svg(drawn, "map of damage"), f"<p>{escape(map_words(survey))}</p>"]
    if cost_words(survey):
        parts.append(f"<h2>What it cost</h2><p>{escape(cost_words(survey))}</p>")
    if survey.lasting:
        parts.append("<h2>How long barriers last</h2>")
        parts += [_svg(lasting_drawing(one), f"share of {kind} still whole") for kind, one in survey.lasting.items()]
        told = ["".join(f"<td>{escape(each)}</td>" for each in row) for row in lasting_rows(survey.lasting)]
        parts.append(f"<table>{''.join(f'<tr>{row}</tr>' for row in told)}</table><p>{escape(LASTING_WORDS)}</p>")
    left_out = "".join(f"<li>{escape(line)}</li>" for line in survey.not_covered)
    parts += [f"<h2>How this was worked out</h2><p>{escape(survey.methods)}</p>",
              f"<h2>What was not covered</h2><ul>{left_out}</ul>"]
    return "\n".join(parts)


def lettered(drawing: Drawing) -> Drawing:
    """The drawing with every word in the letters of the paper's font.

    Parameters
    ----------
    drawing
        Whose words are set anew, in place [no unit].
    """
    from reportlab.graphics.shapes import String

    for shape in drawing.contents:
        if isinstance(shape, String):
            shape.fontName, shape.text = FONT, settable(shape.text)
    return drawing


def _cells(row: tuple[str, Estimate]) -> list[str]:
    name, one = row
    effect = "" if one.design_effect is None else f"{one.design_effect:.1f}"
    return [name.replace("_", " "), one.words(), str(one.trees), str(one.plots), effect, one.note]


def _html_table(rows: dict[str, Estimate]) -> str:
    head = "".join(f"<th>{name}</th>" for name in ("", "estimate (interval)", "trees", "plots", "design effect", "note"))
    lines = ["".join(f"<td>{escape(cell)}</td>" for cell in _cells(row)) for row in rows.items()]
    return f"<table><tr>{head}</tr>" + "".join(f"<tr>{line}</tr>" for line in lines) + "</table>"


def _svg(drawing: Drawing, label: str) -> str:
    from reportlab.graphics import renderSVG

    text = renderSVG.drawToString(drawing)
    own = "clip-" + "".join(letter if letter.isalnum() else "-" for letter in label)  # else all share the first one's clip
    text = text[text.index("<svg"):].replace('id="clip"', f'id="{own}"').replace("url(#clip)", f"url(#{own})")
    return f'<div role="img" aria-label="{escape(label)}">{text}</div>'


def table_text(survey: Survey) -> str:
    """The whole report as plain text: the answer, then every table, for a terminal.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    lines = [survey.answer, survey.headline, _counts(survey), *decision_lines(survey), *change_lines(survey), *survey.bands]
    text = [part for line in lines for part in wrap(line, 110, subsequent_indent="  ")]
    tables = [*sections(survey), *([("On the ground", densities(survey))] if densities(survey) else [])]
    for title, rows in tables:
        text += ["", f"{title}:"]
        wide = max(len(_short(name)) for name in rows)
        told = max(len(one.words()) for one in rows.values())
        for name, one in rows.items():
            count = f"{one.trees:>6} trees {one.plots:>4} plots"
            text.append(f"  {_short(name):<{wide}}  {one.words():<{told}}  {count}  {one.note}".rstrip())
    text += ["", *(part for line in (*survey.not_covered, survey.caution)
                   for part in wrap(f"- {line}", 110, subsequent_indent="  "))]
    return "\n".join(text)


def _title(survey: Survey) -> str:
    return f"Browsing survey: {', '.join(survey.sites)}"


def _counts(survey: Survey) -> str:
    when = f"Visited {', '.join(survey.visits)}. " if survey.visits else ""
    return (f"{when}{survey.trees} living trees on {survey.plots} plots, {survey.empty_plots} of them without trees; "
            f"{survey.unreached_plots} more could not be reached.")


def _short(name: str) -> str:
    words = name.replace("_", " ")
    return words if len(words) <= 30 else words[:28] + "…"


def _round_length(metres: float) -> float:
    base = 10 ** math.floor(math.log10(max(metres, 1e-9)))
    return next(k * base for k in (5, 2, 1) if k * base <= metres * (1 + 1e-9))


def _numbered(canvas: object, document: object) -> None:
    canvas.setFont(FONT, 8)  # type: ignore[attr-defined]
    canvas.drawRightString(document.pagesize[0] - document.rightMargin, 28, f"{document.page}")  # type: ignore[attr-defined]
