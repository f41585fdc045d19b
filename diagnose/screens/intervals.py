"""How do estimates look on a page: a dot and its interval, never a bare bar?"""

from __future__ import annotations

import math
from textwrap import fill

import altair as alt
import pandas as pd

from diagnose.survey.estimate import Estimate

_ROW, _LINE = 26, 12  # a row, and what each further line of its lettering adds [px]
_LABEL = 18  # letters of a line, as many as leave half a phone's width to the chart

_PADDING = {"left": 0, "top": 5, "bottom": 5, "right": 12}  # the last figure of the scale would be cut off at its edge [px]


def interval_figures(rows: dict[str, Estimate]) -> pd.DataFrame:
    """The shares that can be drawn, a row each: value, low and high [share], and the same in words.

    Parameters
    ----------
    rows
        Name -> estimate [share].
    """
    return pd.DataFrame([
        {"name": name.replace("_", " "), "value": one.value, "low": one.low, "high": one.high, "words": one.words()}
        for name, one in rows.items() if one.value is not None and one.unit == "share"
    ])


def intervals_of(told: pd.DataFrame, title: str) -> alt.LayerChart:
    """A chart of shares with their intervals, one row each on one scale in percent.

    Parameters
    ----------
    told
        As `interval_figures` returns them, at least one row [share].
    title
        Of the chart [no unit].
    """
    least = min(0.0, math.floor(10 * float(told[["value", "low"]].min().min())) / 10)
    most = max(0.1, math.ceil(10 * float(told[["value", "high"]].max().max())) / 10)
    rows = told.assign(name=[fill(name, _LABEL) for name in told["name"]])
    axis = alt.Axis(labelLimit=160, labelOverlap=False, labelFlush=False, labelExpr="split(datum.label, '\\n')")
    base = alt.Chart(rows).encode(
        y=alt.Y("name:N", sort=None, title=None, axis=axis),
        tooltip=[alt.Tooltip("name:N", title=title), alt.Tooltip("words:N", title="estimate (interval)")])
    scale = alt.Scale(domain=[least, min(most, 1.0)], nice=False)
    across = base.mark_rule(strokeWidth=3, color="#2A8576").encode(
        x=alt.X("low:Q", title=None, scale=scale, axis=alt.Axis(format="%", tickCount=5, labelFlush=True)), x2="high:Q")
    dots = base.mark_point(filled=True, size=110, opacity=1, color="#B0702A").encode(x=alt.X("value:Q", scale=scale))
    high = _ROW + _LINE * max(name.count("\n") for name in rows["name"])
    words = "; ".join(f"{row.name} {row.words}" for row in told.itertuples(index=False))
    return alt.layer(across, dots).properties(height=alt.Step(high), width="container", padding=_PADDING,
                                              description=f"{title}: {words}").configure_view(strokeWidth=0)
