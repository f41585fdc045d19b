"""Where were the observations made? A map on a plain base that needs no network."""

from __future__ import annotations

import math

import altair as alt
import numpy as np
import pandas as pd

from diagnose.fieldlog.store import METRES_PER_DEGREE

_LEAST_SPAN_M = 60.0
_NARROWEST = 1.7  # height over width of the map on a phone
_WIDE_M = 5_000.0  # from here the axes say kilometres
_ROUND_STEPS = 24
# Okabe and Ito's palette, which colour-blind eyes can tell apart (Okabe & Ito 2008, Color Universal Design)
_COLOURS = ["#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#7A7A7A"]
_SHAPES = ["circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "stroke"]


def map_of(places: pd.DataFrame, height: int = 420) -> alt.LayerChart:
    """A chart of the places, each with the circle that its position error draws.

    places : columns lat, lon [degree], error_m [m] (NaN when unknown), culprit, label. Metres east and north of
    the middle stand on the axes; both axes have the same scale.
    """
    lat0, lon0 = float(places["lat"].mean()), float(places["lon"].mean())
    east = (places["lon"] - lon0) * METRES_PER_DEGREE * math.cos(math.radians(lat0))
    north = (places["lat"] - lat0) * METRES_PER_DEGREE
    shown = places.assign(east=east, north=north)
    # a phone's map is narrower than tall: the height shows so much that the whole extent still fits across
    span = max(_LEAST_SPAN_M, 1.15 * float(np.ptp(north)), 1.15 * _NARROWEST * float(np.ptp(east)))
    half = alt.ExprRef(f"{span / 2} * width / height")
    unit = "datum.value + ' m'" if span < _WIDE_M else "datum.value / 1000 + ' km'"
    axis = alt.Axis(tickCount=5, grid=True, labelExpr=unit)
    across = alt.Scale(domainMin=alt.ExprRef(f"-({half.expr})"), domainMax=half, nice=False, zero=False)
    up = alt.Scale(domain=[-span / 2, span / 2], nice=False)
    x = alt.X("east:Q", title="east of the middle", scale=across, axis=axis)
    y = alt.Y("north:Q", title="north of the middle", scale=up, axis=axis)
    colour = alt.Color("culprit:N", title=None, scale=alt.Scale(range=_COLOURS), legend=alt.Legend(orient="top", columns=2))
    points = alt.Chart(shown).mark_point(filled=True, size=130, opacity=0.95, stroke="#fff", strokeWidth=1).encode(
        x, y, colour, alt.Shape("culprit:N", title=None, scale=alt.Scale(range=_SHAPES)),
        tooltip=[alt.Tooltip("label:N", title="plant"), alt.Tooltip("culprit:N"),
                 alt.Tooltip("error_m:Q", title="position good to [m]")])
    circles = alt.Chart(_circles(shown)).mark_line(opacity=0.5, strokeWidth=1.5).encode(
        x, y, colour, detail="place:N", order="step:Q")
    return alt.layer(circles, points).properties(height=height, width="container").configure_view(strokeWidth=0)


def _circles(shown: pd.DataFrame) -> pd.DataFrame:
    turns = np.linspace(0, 2 * math.pi, _ROUND_STEPS + 1)
    known = shown[shown["error_m"].notna()]
    rows = [
        {"place": place, "step": step, "culprit": row.culprit,
         "east": row.east + row.error_m * math.cos(turn), "north": row.north + row.error_m * math.sin(turn)}
        for place, row in enumerate(known.itertuples())
        for step, turn in enumerate(turns)
    ]
    return pd.DataFrame(rows, columns=["place", "step", "culprit", "east", "north"])
