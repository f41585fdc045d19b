"""How do a plan's alternatives look side by side: what each costs over the years, its work, and the trees left alive?"""

from __future__ import annotations

import altair as alt
import pandas as pd

from diagnose.protect.plan import Plan
from diagnose.report.kinds_figures import BARRIERS, LOSSES, alive_in_words, costs_in_words, labelled
from diagnose.screens.plain_map import legend_of

_ROW = 36  # [px]; of two lines of lettering
_LETTER, _LEAST_BAR = 7.8, 24  # width of a bold letter, with the room before it, and of the longest bar at least [px]
_COLOURS = ["#2A8576", "#B0702A"]
_NAMES_PX = 120  # that names take beside the bars
_SPLIT = "split(datum.label, '\\n')"
# the first line is what is set at the bar's middle: of two lines its foot stands there
_NAMES = alt.Axis(labelLimit=160, labelOverlap=False, labelFlush=False, labelFontSize=12, labelExpr=_SPLIT, labelBaseline={
    "condition": {"test": f"length({_SPLIT}) > 1", "value": "bottom"}, "value": "middle"})


def costs_of(plan: Plan, figures: pd.DataFrame) -> alt.LayerChart:
    """Bars of what each kind costs over the years, barriers and lost trees apart, the total and the work at the end.

    Parameters
    ----------
    plan
        Whose kinds are compared [no unit].
    figures
        Of it, as `kinds_figures` returns them, each in its own unit.
    """
    rows = labelled(figures)
    parts = rows.melt(["kind", "total"], [BARRIERS, LOSSES], "part", "money")
    y = alt.Y("kind:N", sort=rows["kind"].tolist(), title=None, axis=_NAMES)
    words_px = _LETTER * max(map(len, rows["words"]), default=0)  # at the end of the longest bar
    most = f"{float(rows['total'].max() or 1)} * width / max(width - {words_px:.0f}, {_LEAST_BAR})"
    far = alt.Scale(domainMin=0, domainMax=alt.ExprRef(most), nice=False)
    bars = alt.Chart(parts).mark_bar(height=14).encode(
        y, alt.X("money:Q", title=None, axis=None, scale=far),
        alt.Color("part:N", title=None, scale=alt.Scale(domain=[BARRIERS, LOSSES], range=_COLOURS),
                  legend=legend_of([BARRIERS, LOSSES], left=_NAMES_PX)[0]),
        order=alt.Order("part:N"), tooltip=["kind:N", "part:N", alt.Tooltip("money:Q", format=",.0f")])
    ends = alt.Chart(rows).mark_text(align="left", dx=4, fontSize=12, color="#7C8783", fontWeight="bold").encode(
        y, alt.X("total:Q", scale=far, axis=None), text="words:N")
    return alt.layer(bars, ends).properties(
        height=alt.Step(_ROW), width="container", description=costs_in_words(figures, plan.place.years),
    ).configure_view(strokeWidth=0)


def alive_of(plan: Plan, figures: pd.DataFrame) -> alt.LayerChart:
    """Trees alive at the end of each kind: the range from 10 to 90 %, what it surely leaves, and what is wanted.

    Parameters
    ----------
    plan
        Whose kinds are compared [no unit].
    figures
        Of it, as `kinds_figures` returns them, each in its own unit.
    """
    rows, wanted = labelled(figures), plan.place.target_trees
    y = alt.Y("kind:N", sort=rows["kind"].tolist(), title=None, axis=_NAMES)
    room_px = 6 + 3.5 * len(f"{plan.place.trees:,}")  # half a dot, half the last label
    scale = alt.Scale(domain=[0, plan.place.trees], nice=False, padding=room_px)
    base = alt.Chart(rows).encode(y, tooltip=["kind:N", alt.Tooltip("surely:Q", format=".0f"),
                                              alt.Tooltip("low:Q", format=".0f"), alt.Tooltip("high:Q", format=".0f")])
    across = base.mark_rule(strokeWidth=3, color=_COLOURS[0]).encode(
        alt.X("low:Q", title=f"trees of {plan.place.trees:,}", scale=scale, axis=alt.Axis(tickCount=5, labelBound=True)),
        x2="high:Q")
    dots = base.mark_point(filled=True, size=110, opacity=1, color=_COLOURS[1]).encode(alt.X("surely:Q", scale=scale))
    line = alt.Chart(pd.DataFrame({"wanted": [wanted]})).mark_rule(
        strokeDash=[5, 4], strokeWidth=2, color="#7C8783").encode(alt.X("wanted:Q", scale=scale))
    return alt.layer(line, across, dots).properties(
        height=alt.Step(_ROW), width="container", description=alive_in_words(figures, plan.place.years, wanted),
    ).configure_view(strokeWidth=0)
