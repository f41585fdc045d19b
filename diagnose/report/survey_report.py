"""How does a survey read on paper and in a browser?

Everything shown is taken from one `Survey`; drawings are made once, as vectors, for both forms.
"""

from __future__ import annotations

import math
from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from diagnose.report.damage_map import map_drawing, map_words
from diagnose.report.interval_drawing import interval_drawing
from diagnose.report.lasting_drawing import LASTING_WORDS, lasting_pictures, lasting_rows, lasting_story
from diagnose.report.lettering import marked
from diagnose.report.paper import lettered, numbered_pages, paper_styles, ruled_table, svg
from diagnose.survey.estimate import Estimate
from diagnose.survey.summary import Survey

if TYPE_CHECKING:
    from reportlab.platypus import Table

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
    told += survey.beside
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


def change_lines(survey: Survey) -> list[str]:
    """Before and after in words; nothing where there is one visit.

    Parameters
    ----------
    survey
        The survey's figures [no unit].
    """
    return [] if survey.compared is None else [f"Change: {survey.compared.words}"]


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
    story.append(headed("Where", *([] if drawn is None else [lettered(drawn)]), Paragraph(marked(map_words(survey)), body)))
    if cost_words(survey):
        story.append(headed("What it cost", Paragraph(marked(cost_words(survey)), body)))
    if survey.lasting:
        story += lasting_story(survey.lasting, styles)
    story.append(headed("How this was worked out", Paragraph(marked(survey.methods), body)))
    story.append(headed("What was not covered", *[Paragraph(f"• {marked(line)}", body) for line in survey.not_covered]))
    return numbered_pages(story, _title(survey), paper)


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
        parts += [f"<h2>{escape(title)}</h2>", svg(interval_drawing(rows), title), _html_table(rows)]
    if densities(survey):
        parts += ["<h2>Trees on the ground</h2>", _html_table(densities(survey))]
    drawn = map_drawing(survey)
    parts += ["<h2>Where</h2>", "" if drawn is None else svg(drawn, "map of damage"), f"<p>{escape(map_words(survey))}</p>"]
    if cost_words(survey):
        parts.append(f"<h2>What it cost</h2><p>{escape(cost_words(survey))}</p>")
    if survey.lasting:
        parts.append("<h2>How long barriers last</h2>")
        parts += lasting_pictures(survey.lasting)
        told = ["".join(f"<td>{escape(each)}</td>" for each in row) for row in lasting_rows(survey.lasting)]
        parts.append(f"<table>{''.join(f'<tr>{row}</tr>' for row in told)}</table><p>{escape(LASTING_WORDS)}</p>")
    left_out = "".join(f"<li>{escape(line)}</li>" for line in survey.not_covered)
    parts += [f"<h2>How this was worked out</h2><p>{escape(survey.methods)}</p>",
              f"<h2>What was not covered</h2><ul>{left_out}</ul>"]
    return "\n".join(parts)


def _cells(row: tuple[str, Estimate]) -> list[str]:
    name, one = row
    effect = "" if one.design_effect is None else f"{one.design_effect:.1f}"
    return [name.replace("_", " "), one.words(), str(one.trees), str(one.plots), effect, one.note]


def _html_table(rows: dict[str, Estimate]) -> str:
    head = "".join(f"<th>{name}</th>" for name in ("", "estimate (interval)", "trees", "plots", "design effect", "note"))
    lines = ["".join(f"<td>{escape(cell)}</td>" for cell in _cells(row)) for row in rows.items()]
    return f"<table><tr>{head}</tr>" + "".join(f"<tr>{line}</tr>" for line in lines) + "</table>"


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
    told = [f"{when}{survey.trees} living trees on {survey.plots} plots"]
    if survey.empty_plots:
        told.append(f"{survey.empty_plots} of them without trees")
    if survey.unreached_plots:
        told.append(f"{survey.unreached_plots} more could not be reached")
    return f"{', '.join(told)}."


def _short(name: str) -> str:
    words = name.replace("_", " ")
    return words if len(words) <= 30 else words[:28] + "…"
