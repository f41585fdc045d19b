"""How do the kinds of protection look side by side: what each costs over the years, and the trees that it leaves alive?"""

from __future__ import annotations

from diagnose.protect.plan import Plan
from diagnose.report.barrier_drawing import HEAVY, PLAIN, TEXT_MM, THIN, Drawing, Stroke, Words
from diagnose.report.kinds_figures import short_name

WIDTH_MM, ROW_MM, LABEL_MM, GAP_MM, TOP_MM = 170.0, 6.5, 52.0, 8.0, 8.0
BAR_MM = 3.0  # thickness of a bar


def draw_kinds(plan: Plan) -> Drawing:
    """Bars of cost over the years on the left, marks of trees alive (10 to 90 %, and surely) on the right.

    The target is a line.
    Drawn in strokes alone, so that it prints without colour and becomes SVG and PDF alike; its scale is none.

    Parameters
    ----------
    plan
        The plan whose kinds are drawn [no unit].
    """
    rows = [row for row in plan.kinds if row.option is not None]
    half = (WIDTH_MM - LABEL_MM - GAP_MM) / 2
    most = max((row.option.total for row in rows if row.option), default=1.0) or 1.0
    left, right = LABEL_MM, LABEL_MM + half + GAP_MM
    strokes: list[Stroke] = []
    words = [Words(left, TOP_MM - 3, "cost over the years", "start"),
             Words(right, TOP_MM - 3, "trees alive at the end: 10 to 90 %, tick: surely; dashed: wanted", "start")]
    for number, row in enumerate(rows):
        assert row.option is not None
        y = TOP_MM + (number + 0.5) * ROW_MM
        words.append(Words(left - 2, y + 0.9, short_name(row.kind) + (" *" if row.reaches else ""), "end"))
        long = 0.72 * half * row.option.total / most
        lines = 7 if row.reaches else 2  # plans that do all that is wanted are filled
        for line in range(lines):
            offset = BAR_MM * (line / (lines - 1) - 0.5)
            strokes.append(Stroke(left, y + offset, left + long, y + offset, PLAIN))
        strokes.append(Stroke(left + long, y - BAR_MM / 2, left + long, y + BAR_MM / 2, PLAIN))
        words.append(Words(left + long + 1, y + 0.9, f"{row.option.total:,.0f}", "start"))
        low, high = (right + half * one / plan.place.trees for one in row.option.alive_range)
        sure = right + half * row.option.surely_alive / plan.place.trees
        strokes += [Stroke(low, y, high, y, HEAVY), Stroke(sure, y - 1.6, sure, y + 1.6, HEAVY)]
    foot = TOP_MM + len(rows) * ROW_MM
    wanted = right + half * plan.place.target_trees / plan.place.trees
    strokes += [Stroke(left, TOP_MM, left, foot, THIN), Stroke(right, TOP_MM, right, foot, THIN),
                Stroke(right + half, TOP_MM, right + half, foot, THIN),
                Stroke(wanted, TOP_MM, wanted, foot, PLAIN, dash=True)]
    words += [Words(right, foot + 3.5, "0"), Words(right + half, foot + 3.5, f"{plan.place.trees}"),
              Words(left, foot + 7, "* keeps out, leaves alive and costs no more than was asked "
                                    "for", "start", size=0.9 * TEXT_MM)]
    return Drawing("The kinds side by side", 1, WIDTH_MM, foot + 9, tuple(strokes), tuple(words), ())
