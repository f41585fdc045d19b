"""How is it drawn and told how long barriers last?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from diagnose.report.lettering import marked
from diagnose.report.paper import FAINT, GRID, INK, WIDTH, lettered, ruled_table, svg
from diagnose.survey.lasting import Survival

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing
    from reportlab.lib.styles import ParagraphStyle


def lasting_drawing(curve: Survival) -> Drawing:
    """Share still whole against age: the curve as a step line, its limits as thin ones, a tick where one was last seen.

    Parameters
    ----------
    curve
        Share still whole, by age [year].
    """
    from reportlab.graphics.shapes import Drawing, Line, PolyLine, String
    from reportlab.lib.colors import HexColor

    high, left, right, foot = 80.0, 40.0, 10.0, 20.0
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
    drawing.add(String(left, high + foot + 6, f"{curve.kind}: share still whole", fontSize=8, fillColor=HexColor(INK)))
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
            KeepTogether(ruled_table(lines, [88, 44, 40, 82, 78, 78, 70], repeatRows=1)),
            KeepTogether(Paragraph(marked(LASTING_WORDS), styles["words"]))]


def lasting_pictures(lasting: Mapping[str, Survival]) -> list[str]:
    """The curves of barriers as SVG in HTML, as on paper.

    Parameters
    ----------
    lasting
        The curve of each kind [no unit].
    """
    return [svg(lasting_drawing(one), f"share of {kind} still whole") for kind, one in lasting.items()]
