"""How does the share of each verdict over time look?"""

from __future__ import annotations

import altair as alt
import pandas as pd

from diagnose.report.over_time import how_many, most_often_first, shares_in_words
from diagnose.screens.plain_map import COLOURS, legend_of

_MOST_NUMBERED = 5  # bars above which "n = 263" has room on a phone


def over_time(shares: pd.DataFrame) -> alt.LayerChart:
    """A bar for each month or year, parted by verdict; above it, where they are few, out of how many observations it is.

    Parameters
    ----------
    shares
        As `report.over_time.shares_over_time` returns them [no unit].
    """
    order = most_often_first(shares)
    legend, legend_px = legend_of(order, beside=1, left=40)
    x = alt.X("when:O", title=None, axis=alt.Axis(labelAngle=0, labelOverlap=True), scale=alt.Scale(paddingOuter=0.5))
    bars = alt.Chart(shares).mark_bar(stroke="#FFF", strokeWidth=0.5).encode(
        x, alt.Y("share:Q", title=None, stack="zero", scale=alt.Scale(domain=[0, 1.1]),
                 axis=alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1])),
        alt.Color("verdict:N", title=None, sort=order, scale=alt.Scale(
            domain=order, range=[COLOURS[at % len(COLOURS)] for at in range(len(order))]),
            legend=legend),
        tooltip=["when:O", "verdict:N", "count:Q", "of:Q", alt.Tooltip("share:Q", format=".0%")])
    told = how_many(shares)
    many = alt.Chart(told if len(told) <= _MOST_NUMBERED else told[:0]).mark_text(
        dy=-10, color="#7C8783", fontSize=12, fontWeight="bold").encode(x, alt.Y(datum=1), text="words:N")
    return alt.layer(bars, many).properties(height=220 + legend_px, width="container", description=shares_in_words(shares)
                                            ).configure_view(strokeWidth=0)
