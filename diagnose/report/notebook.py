"""How does a result show itself in a notebook: a photo with its overlay, a verdict as bars, a plan, a survey's charts?"""

from __future__ import annotations

import base64
from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING

from diagnose.culprits.old_names import name_of
from diagnose.figures import figure, percent
from diagnose.report.barrier_drawing import Drawing
from diagnose.report.plain import advice_lines, verdict_lines
from diagnose.signs import vocabulary

if TYPE_CHECKING:
    from diagnose.diagnosis import Diagnosis
    from diagnose.protect.plan import Plan
    from diagnose.survey.summary import Survey

_PX_A_SHARE = 300  # length of a bar that stands for certainty


def show_in_notebooks() -> None:
    """From now on a notebook shows diagnoses, plans and surveys as below, by the method that notebooks ask a result for.

    The rooms that make these records know nothing of paper or pictures; so the method is given to them here.
    """
    from diagnose.diagnosis import Diagnosis
    from diagnose.protect.plan import Plan
    from diagnose.survey.summary import Survey

    for kind, show in ((Diagnosis, diagnosis_html), (Plan, plan_html), (Survey, survey_html)):
        setattr(kind, "_repr_html_", show)  # noqa: B010 - it is no attribute that the classes declare


def diagnosis_html(found: Diagnosis) -> str:
    """The annotated photo, what was measured, the likeliest culprits as bars, and what to do, with its cautions.

    Parameters
    ----------
    found
        Of a photo or of answers [no unit].
    """
    parts = [] if found.picture is None else [_annotated(found)]
    measured = found.measurement.measured
    if measured:
        words = vocabulary()
        parts.append(_table(("measured", "value"), (
            (words[name].label if name in words else name, figure(name, sign)) for name, sign in measured.items())))
    parts.append(f"<p><b>{escape(found.verdict.statement)}</b></p>")
    bars = "".join(
        f"<tr><td>{escape(name_of(key))}</td><td>{percent(share)}</td><td><div style='background:#14594F;height:.8em;"
        f"width:{_PX_A_SHARE * share:.0f}px'></div></td></tr>" for key, share in found.verdict.ranked[:5])
    parts.append(f"<table>{bars}</table>")
    parts.append(_lines(verdict_lines(found)))
    parts.append(_lines(advice_lines(found)))
    return "".join(parts)


def plan_html(plan: Plan) -> str:
    """The kinds of barrier side by side, the chosen one to scale, and the plan in words with what to buy and its cautions.

    Parameters
    ----------
    plan
        Of a planting [no unit].
    """
    from diagnose.report.kinds_drawing import draw_kinds
    from diagnose.report.plan_sheet import drawings, sections

    parts = [_drawing(one) for one in (draw_kinds(plan), *drawings(plan))]
    words = [f"<h4>{escape(heading)}</h4>{_lines(lines)}" for heading, lines in sections(plan)]
    return "".join([words[0], *parts, *words[1:]])


def survey_html(survey: Survey) -> str:
    """The report of a survey: the answer, every estimate with its interval as a chart, and what was not covered.

    Parameters
    ----------
    survey
        That was estimated [no unit].
    """
    from diagnose.report.survey_report import survey_body

    return survey_body(survey)


def _annotated(found: Diagnosis) -> str:
    import cv2

    from diagnose.report.overlay import annotate

    assert found.picture is not None
    shown = annotate(found.picture, found.measurement, found.measurement.px_per_mm(found.plane))
    data = cv2.imencode(".jpg", shown)[1].tobytes()
    return (f'<img alt="{escape(found.picture.name)}, with what was measured" style="max-width:100%;width:640px" '
            f'src="data:image/jpeg;base64,{base64.b64encode(data).decode()}">')


def _drawing(drawing: Drawing) -> str:
    return f"<figure><figcaption>{escape(drawing.title)}</figcaption>{drawing.as_svg()}</figure>"


def _table(heading: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in heading)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><tr>{head}</tr>{body}</table>"


def _lines(lines: Iterable[str]) -> str:
    return f"<pre style='white-space:pre-wrap'>{escape(chr(10).join(lines))}</pre>"
