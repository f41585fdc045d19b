"""How does what is ahead of the barriers look: the work of each month to come, and the range of each forecast?"""

from __future__ import annotations

import json
from textwrap import fill

import altair as alt
import pandas as pd

from diagnose.report.forecast_ranges import SAFE, TIGHT, ranges_in_words
from diagnose.screens.plain_map import legend_of
from diagnose.upkeep.forecast import WORKS

_LABEL = 18  # letters of a line, as many as leave half a phone's width to the chart
_YEAR = 36  # width of a year's lettering [px]
_ROW = 40  # [px]; of two lines of lettering and two ranges
_COLOURS = {SAFE: "#2A8576", TIGHT: "#B0702A"}


def months_of(months: pd.DataFrame) -> alt.Chart:
    """A bar for each month with work, the works by colour and by their names in the legend.

    Parameters
    ----------
    months
        As `due_months` returns them [barriers].
    """
    shown = months.assign(month=[f"{month:%b %Y}" for month in months["month"]])
    order = [f"{month:%b %Y}" for month in sorted(set(months["month"]))]
    in_turn = months.sort_values("month")
    words = "; ".join(f"{month:%b %Y}: {work} {many}" for month, work, many in zip(
        in_turn["month"], in_turn["work"], in_turn["count"], strict=True))
    return alt.Chart(shown).mark_bar(height={"band": 0.7}).encode(
        alt.Y("month:O", title=None, sort=order), alt.X("count:Q", title="barriers", axis=alt.Axis(tickMinStep=1)),
        alt.Color("work:N", title=None, scale=alt.Scale(domain=list(WORKS), range=["#7C8783", "#2A8576", "#B0702A"]),
                  legend=legend_of(WORKS, left=70)[0]),
        tooltip=["month", "work", "count"]).properties(
            height=alt.Step(26), width="container", description=f"What falls due, month by month: {words}")


def ranges_of(ranges: pd.DataFrame) -> alt.LayerChart:
    """A dot and its range for when plants are out of reach, another for when barriers cut in, a row each group of barriers.

    Parameters
    ----------
    ranges
        As `forecast_ranges` returns them, at least one row [day].
    """
    days = {name: pd.to_datetime(ranges[name]) for name in ("early", "likely", "late")}
    labels = {str(group): fill(name, _LABEL).split("\n")
              for group, name in zip(ranges["group"], ranges["name"], strict=True)}
    axis = alt.Axis(labelLimit=160, labelOverlap=False, labelExpr=f"({json.dumps(labels)})[datum.value]")
    base = alt.Chart(ranges.assign(**days)).encode(
        alt.Y("group:O", title=None, axis=axis), alt.YOffset("what:N", sort=list(_COLOURS)),
        alt.Color("what:N", title=None, scale=alt.Scale(domain=list(_COLOURS), range=list(_COLOURS.values())),
                  legend=legend_of(list(_COLOURS), left=120)[0]),
        tooltip=["name:N", "what:N", *(alt.Tooltip(f"{name}:T", format="%b %Y") for name in days)])
    along = alt.Axis(format="%Y", tickCount=5, grid=True, labelOverlap=True, labelBound=True)
    scale = alt.Scale(padding=_YEAR / 2, nice=False)
    across = base.mark_rule(strokeWidth=3).encode(alt.X("early:T", title=None, axis=along, scale=scale), x2="late:T")
    dots = base.mark_point(filled=True, size=110, opacity=1).encode(alt.X("likely:T"))
    return alt.layer(across, dots).properties(height=alt.Step(_ROW, **{"for": "position"}), width="container",
                                              description=ranges_in_words(ranges)).configure_view(strokeWidth=0)
