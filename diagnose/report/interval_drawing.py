"""How are estimates drawn with their intervals, one below the other?"""

from __future__ import annotations

import math
from textwrap import wrap
from typing import TYPE_CHECKING

from diagnose.report.paper import FAINT, GRID, INK, WIDTH
from diagnose.survey.estimate import Estimate

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing

ROW, NAME = 18.0, 130.0
LETTERS = 28  # of a name in one line beside its bar


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
