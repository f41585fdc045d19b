"""How do a plan's alternatives look side by side: what each costs over the years, its work, and the trees left alive?"""

from __future__ import annotations

from textwrap import fill

import altair as alt
import pandas as pd

from diagnose.protect.kinds import KINDS
from diagnose.protect.plan import Plan

_ROW = 28  # [px]
_LABEL = 20  # letters of a kind's name in one line
_BARRIERS, _LOSSES = "barriers", "trees lost"
_COLOURS = ["#2A8576", "#B0702A"]
_NAMES = alt.Axis(labelLimit=160, labelOverlap=False, labelFontSize=12, labelExpr="split(datum.label, '\\n')")


def _rows(plan: Plan) -> pd.DataFrame:
    return pd.DataFrame([{
        "kind": fill(KINDS[row.kind].split(",")[0].split(":")[0], _LABEL), _BARRIERS: row.option.barriers,
        _LOSSES: row.option.losses, "total": row.option.total, "hours": row.option.hours,
        "low": row.option.alive_range[0], "high": row.option.alive_range[1], "surely": row.option.surely_alive,
    } for row in plan.kinds if row.option is not None]).sort_values("total")


def kinds_figures(plan: Plan) -> pd.DataFrame:
    """What the charts show, a row a kind: money in the plan's currency, hours, and trees alive.

    Parameters
    ----------
    plan
        Whose kinds are compared [no unit].
    """
    rows = _rows(plan)
    return rows.assign(kind=rows["kind"].map(_flat)).rename(columns={
        "total": f"total [{plan.currency}]", "low": "alive, 10 %", "high": "alive, 90 %", "surely": "alive, surely"})


def _flat(kind: str) -> str:
    return " ".join(kind.split())


def costs_of(plan: Plan) -> alt.LayerChart:
    """Bars of what each kind costs over the years, barriers and lost trees apart, the total and the work at the end.

    Parameters
    ----------
    plan
        Whose kinds are compared [no unit].
    """
    rows = _rows(plan)
    parts = rows.melt(["kind", "total"], [_BARRIERS, _LOSSES], "part", "money")
    order = rows["kind"].tolist()
    y = alt.Y("kind:N", sort=order, title=None, axis=_NAMES)
    far = alt.Scale(domain=[0, 1.65 * float(rows["total"].max() or 1)], nice=False)
    bars = alt.Chart(parts).mark_bar(height=14).encode(
        y, alt.X("money:Q", title=None, axis=None, scale=far),
        alt.Color("part:N", title=None, scale=alt.Scale(domain=[_BARRIERS, _LOSSES], range=_COLOURS),
                  legend=alt.Legend(orient="top", labelLimit=200)),
        order=alt.Order("part:N"), tooltip=["kind:N", "part:N", alt.Tooltip("money:Q", format=",.0f")])
    ended = rows.assign(words=[f"{row.total:,.0f}, {row.hours:.0f} h" for row in rows.itertuples()])
    ends = alt.Chart(ended).mark_text(align="left", dx=4, fontSize=12, color="#7C8783", fontWeight="bold").encode(
        y, alt.X("total:Q", scale=far, axis=None), text="words:N")
    told = "; ".join(f"{_flat(row.kind)} {row.total:,.0f}, {row.hours:.0f} hours of work" for row in rows.itertuples())
    return alt.layer(bars, ends).properties(
        height=alt.Step(_ROW), width="container", description=f"Cost over {plan.place.years} years: {told}",
    ).configure_view(strokeWidth=0)


def alive_of(plan: Plan) -> alt.LayerChart:
    """Trees alive at the end of each kind: the range from 10 to 90 %, what it surely leaves, and what is wanted.

    Parameters
    ----------
    plan
        Whose kinds are compared [no unit].
    """
    rows = _rows(plan)
    y = alt.Y("kind:N", sort=rows["kind"].tolist(), title=None, axis=_NAMES)
    scale = alt.Scale(domain=[0, plan.place.trees], nice=False)
    base = alt.Chart(rows).encode(y, tooltip=["kind:N", alt.Tooltip("surely:Q", format=".0f"),
                                              alt.Tooltip("low:Q", format=".0f"), alt.Tooltip("high:Q", format=".0f")])
    across = base.mark_rule(strokeWidth=3, color=_COLOURS[0]).encode(
        alt.X("low:Q", title=None, scale=scale, axis=alt.Axis(tickCount=5)), x2="high:Q")
    dots = base.mark_point(filled=True, size=110, color=_COLOURS[1]).encode(alt.X("surely:Q", scale=scale))
    wanted = alt.Chart(pd.DataFrame({"wanted": [plan.place.target_trees]})).mark_rule(
        strokeDash=[5, 4], strokeWidth=2, color="#7C8783").encode(alt.X("wanted:Q", scale=scale))
    told = "; ".join(f"{_flat(row.kind)} surely {row.surely:.0f}, {row.low:.0f} to {row.high:.0f}"
                     for row in rows.itertuples())
    return alt.layer(wanted, across, dots).properties(
        height=alt.Step(_ROW), width="container",
        description=f"Trees alive after {plan.place.years} years, wanted {plan.place.target_trees:.0f}: {told}",
    ).configure_view(strokeWidth=0)
