"""Where is it? A map on a metric grid that needs no network: places, plots, fences, the boundary, north and a scale."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from textwrap import fill
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from diagnose.fieldlog.store import METRES_PER_DEGREE
from diagnose.places.coasts import coasts
from diagnose.report.underlay import Underlay

_LEAST_SPAN_M = 60.0
_OVERVIEW_M = 200_000.0  # from which on coasts and borders are drawn: off by a kilometre, they would be false on less
_FINE = 600  # such a part of the map is a pixel
_MOST_ROUND = 300  # places whose circle of error is drawn; more of them hide the map
_LEAST_ROUND = 1 / 60  # of the map's height: a smaller circle lies under its mark
_PHONE, _LETTER, _BESIDE_MARK = 340, 6.5, 8  # a phone's map, a letter of a plot's name, and its way from the mark [px]
_MOST_NAMED = 200
_LEGEND_ROW, _LEGEND_LETTER, _LEGEND_MARK = 20, 6.8, 26  # height of a row, width of a letter and of the mark before it [px]
_LEGEND_MORE = 14  # height of each further line [px]
_LEGEND_LINE = 19  # letters of a line, of which two stand side by side on a phone
_PICKED = "picked"  # name of the map's selection
# Okabe and Ito's palette, which colour-blind eyes can tell apart (Okabe & Ito 2008, Color Universal Design)
COLOURS = ["#0072B2", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#D55E00", "#7A7A7A"]
_SHAPES = ["circle", "square", "diamond", "cross", "triangle-down", "triangle-left", "stroke"]
_WARNS = [("#D00000", "triangle-up"), ("#E69F00", "diamond")]  # colour and shape of what warns, the worst first
_GROUND = "#9A6B2F"  # lines of one's own map, calmer than what is drawn on it
_INK = "#17201D"  # on a picture, over white
_GREY = "#7C8783"  # told apart from a light ground and from a dark one

Line = tuple[str, list[tuple[float, float]]]


def legend_of(names: Sequence[str], beside: int = 2, left: int = 0, **more: Any) -> tuple[alt.Legend, int]:
    """A legend above a chart, in as many columns as the width holds, and its height on a phone [px].

    Parameters
    ----------
    names
        That it tells; long ones stand in several lines [no unit].
    beside
        How many a phone shows side by side [columns].
    left
        What names of rows take of the width, beside which it stands [px].
    **more
        Further arguments of `altair.Legend` [no unit].
    """
    lines = [fill(name, _LEGEND_LINE).split("\n") for name in names]
    wide = _LEGEND_MARK + _LEGEND_LETTER * max((len(line) for name in lines for line in name), default=0)
    labels = dict(zip(names, lines, strict=True))
    # the marks' white rim would hide the symbol
    legend = alt.Legend(orient="top", columns=alt.ExprRef(f"max(1, floor((width - {left}) / {wide:.0f}))"), labelLimit=0,
                        labelFontSize=12, rowPadding=4, symbolSize=110, symbolStrokeColor="transparent",
                        labelExpr=f"({json.dumps(labels)})[datum.label]", **more)
    high = _LEGEND_ROW + _LEGEND_MORE * (max(map(len, lines), default=1) - 1)  # each row is as high as the highest
    return legend, high * -(-len(lines) // beside)


def map_of(places: pd.DataFrame, height: int = 420, alarms: Sequence[str] = (), fences: Iterable[Line] = (),
           boundary: Mapping[str, Any] | None = None, plots: pd.DataFrame | None = None, told: str = "",
           under: Underlay | None = None) -> alt.LayerChart:
    """A chart of the places, each with the circle that its position error draws, on a grid of round metres, north up.

    Parameters
    ----------
    places
        Columns lat, lon [degree], error_m [m] (NaN when unknown), culprit (what it is drawn as), label; id where a
        picked place is to be known.
    height
        Of the map [px].
    alarms
        What stands for an alarm in culprit, the worst first: drawn in warning colours, larger, above all others [no unit].
    fences
        What each is drawn as, and its line as longitudes and latitudes [degree].
    boundary
        GeoJSON of the planting's area, or None [degree].
    plots
        Columns name, lat, lon [degree], or None.
    told
        What the map shows, for who cannot see it; the counts of what is drawn are added [no unit].
    under
        A picture or lines that lie under all of it, or None [degree].
    """
    lines = list(fences)
    rings = [ring for shape in _shapes(boundary) for ring in shape]
    named = pd.DataFrame(columns=["name", "lat", "lon"]) if plots is None else plots.dropna(subset=["lat", "lon"])
    corners = [one for _, line in lines for one in line] + [(x, y) for ring in rings for x, y, *_ in ring]
    lon = np.concatenate([places["lon"], named["lon"], [x for x, *_ in corners]]).astype(float)
    lat = np.concatenate([places["lat"], named["lat"], [y for _, y, *_ in corners]]).astype(float)
    lon0, lat0 = (lon.min() + lon.max()) / 2, (lat.min() + lat.max()) / 2
    shrink = METRES_PER_DEGREE * math.cos(math.radians(lat0))

    def metres(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(east=(frame["lon"].astype(float) - lon0) * shrink,
                            north=(frame["lat"].astype(float) - lat0) * METRES_PER_DEGREE)

    def drawn(paths: Iterable[tuple[str, Iterable[Any]]]) -> pd.DataFrame:
        rows = [{"what": what, "path": number, "step": step, "lon": one[0], "lat": one[1]}
                for number, (what, path) in enumerate(paths) for step, one in enumerate(path)]
        return metres(pd.DataFrame(rows, columns=["what", "path", "step", "lon", "lat"]))

    # what fits is known only where the map is drawn: a phone's is higher than wide, a desk's wider than high
    high, wide = 1.15 * METRES_PER_DEGREE * float(np.ptp(lat)), 1.15 * shrink * float(np.ptp(lon))
    span = max(_LEAST_SPAN_M, high, wide)
    half = f"max({max(_LEAST_SPAN_M, high)}, {wide} * height / width) / 2"
    across = f"{half} * width / height"

    def between(expr: str) -> alt.Scale:
        return alt.Scale(domainMin=alt.ExprRef(f"-({expr})"), domainMax=alt.ExprRef(expr), nice=False, zero=False)

    x = alt.X("east:Q", axis=None, scale=between(across))
    y = alt.Y("north:Q", axis=None, scale=between(half))
    shown = metres(places)
    kinds = list(dict.fromkeys([*shown["culprit"].value_counts().index, *(what for what, _ in lines)]))
    warns = {kind: _WARNS[min(at, len(_WARNS) - 1)] for at, kind in enumerate(alarms) if kind in kinds}
    calm = [kind for kind in kinds if kind not in warns]
    order = [*warns, *calm]
    palette = [colour for colour in COLOURS if colour not in dict(warns.values())]
    scale = alt.Scale(domain=order, range=[*(colour for colour, _ in warns.values()),
                                           *(palette[at % len(palette)] for at in range(len(calm)))])
    forms = alt.Scale(domain=order, range=[*(form for _, form in warns.values()),
                                           *(_SHAPES[at % len(_SHAPES)] for at in range(len(calm)))])
    legend, legend_px = legend_of(order, symbolOpacity=1)
    colour = alt.Color("culprit:N", title=None, scale=scale, legend=legend)
    layers: list[alt.Chart] = _grid(span, x, y)
    names: list[alt.Chart] = []
    if under is not None and under.picture:
        west, south, east, north = under.box
        corner = metres(pd.DataFrame({"lon": [west, east], "lat": [north, south]}))
        wide, high = np.ptp(corner["east"]), np.ptp(corner["north"])
        layers = [alt.Chart(corner.head(1)).mark_image(
            url=under.as_url(), aspect=False, align="left", baseline="top", clip=True, aria=False,
            width=alt.ExprRef(f"{wide} * height / (2 * {half})"), height=alt.ExprRef(f"{high} * height / (2 * {half})"),
        ).encode(x, y), *layers]
    if span >= _OVERVIEW_M:
        box = _box(lon0, lat0, 2 * span)
        pixel = 2.0 ** round(math.log2((box[3] - box[1]) / 2 / _FINE))
        layers.append(alt.Chart(drawn(("coast", line) for line in coasts(box, pixel))).mark_line(
            color=_GREY, strokeWidth=1, clip=True, aria=False).encode(x, y, detail="path:N", order="step:Q"))
    if under is not None and under.lines:
        layers.append(alt.Chart(drawn(("ground", line) for line in under.lines)).mark_line(
            color=_GROUND, strokeWidth=1.5, clip=True, aria=False).encode(x, y, detail="path:N", order="step:Q"))
    on_picture = under is not None and bool(under.picture)
    if rings:
        outline = alt.Chart(drawn(("boundary", ring) for ring in rings)).encode(x, y, detail="path:N", order="step:Q")
        layers += [outline.mark_line(color="#FFF", strokeWidth=5, aria=False)] * on_picture
        layers.append(outline.mark_line(color=_INK if on_picture else _GREY, strokeWidth=2, strokeDash=[7, 4]))
    if len(named):
        base = alt.Chart(metres(named)).encode(x, y, tooltip=[alt.Tooltip("name:N", title="plot")])
        layers.append(base.mark_point(shape="square", size=90, filled=False, color=_GREY, strokeWidth=1.5))
        if _apart(metres(named)) * _PHONE / span > _BESIDE_MARK + _LETTER * named["name"].str.len().max():  # none collide
            # over the marks that lie round a plot, on a rim of white
            rims = [("#FFF", 4), (_INK, 0)] if len(shown) or on_picture else [(_GREY, 0)]
            names = [base.mark_text(dx=_BESIDE_MARK, dy=-_BESIDE_MARK, align="left", fontSize=11, color=colour,
                                    stroke=colour, strokeWidth=rim).encode(text="name:N") for colour, rim in rims]
    if len(shown) <= _MOST_ROUND and (shown["error_m"] > _LEAST_ROUND * span).any():
        # a symbol's size is the square of its width [px]; a circle drawn as a line takes 25 rows a place
        across_px = f"(datum.error_m > {_LEAST_ROUND * span} ? datum.error_m : 0) * height / ({half})"
        layers.append(alt.Chart(shown).mark_point(shape="circle", filled=False, opacity=0.5, strokeWidth=1.5, clip=True,
                                                  aria=False, size=alt.ExprRef(f"pow({across_px}, 2)")).encode(x, y, colour))
    if lines:
        layers.append(alt.Chart(drawn(lines)).mark_line(strokeWidth=4, strokeCap="round").encode(
            x, y, alt.Color("what:N", title=None, scale=scale, legend=legend), detail="path:N", order="step:Q"))
    warning = shown["culprit"].isin(list(warns))
    worst_last = shown[warning].sort_values("culprit", key=lambda kind: kind.map(order.index), ascending=False)
    # a layer of nothing would be a picture without words
    marks = [alt.Chart(some).mark_point(filled=True, opacity=0.95, stroke="#fff", strokeWidth=1, size=size).encode(
        x, y, colour, alt.Shape("culprit:N", title=None, scale=forms, legend=legend),
        tooltip=[alt.Tooltip("label:N", title="plant"), alt.Tooltip("culprit:N"),
                 alt.Tooltip("error_m:Q", title="position good to [m]")])
        for some, size in ((shown[~warning], 110), (worst_last, 260)) if len(some)]
    if "id" in shown and marks:
        marks[0] = marks[0].add_params(alt.selection_point(name=_PICKED, fields=["id"], on="click", clear="dblclick"))
    counts = ", ".join(f"{count} {kind}" for kind, count in shown["culprit"].value_counts().items())
    return alt.layer(*layers, *marks, *names, *_north_and_scale(_step(span), f"2 * {half}", on_picture)).properties(
        height=height + legend_px, width="container",
        description=f"{told or 'Map'}: {counts}").configure_view(strokeWidth=0)


def picked(state: Any) -> str | None:
    """The id of the place that was clicked on a map; None when none was.

    Parameters
    ----------
    state
        Of the chart, as Streamlit tells it [no unit].
    """
    chosen = state.get("selection", {}).get(_PICKED) if state else None
    return str(chosen[0]["id"]) if chosen else None


def corners_of(boundary: Mapping[str, Any] | None) -> list[tuple[float, float]]:
    """Longitude and latitude of every corner of a boundary [degree]; empty where there is none.

    Parameters
    ----------
    boundary
        GeoJSON, or None [degree].
    """
    return [(float(x), float(y)) for shape in _shapes(boundary) for ring in shape for x, y, *_ in ring]


def _shapes(boundary: Mapping[str, Any] | None) -> list[list[list[list[float]]]]:
    """The polygons of a GeoJSON geometry, feature or collection, each as its rings."""
    told: Any = boundary or {}
    if told.get("type") == "FeatureCollection":
        return [shape for one in told["features"] for shape in _shapes(one)]
    if told.get("type") == "Feature":
        return _shapes(told["geometry"])
    if told.get("type") == "MultiPolygon":
        return list(told["coordinates"])
    return [told["coordinates"]] if told.get("type") == "Polygon" else []


def _box(lon: float, lat: float, span: float) -> tuple[float, float, float, float]:
    """What the widest screen shows round a place: west, south, east, north [degree]; span : of the map [m]."""
    high = span / METRES_PER_DEGREE
    wide = high / max(math.cos(math.radians(lat)), 0.1)
    return lon - wide, lat - high, lon + wide, lat + high


def _step(span: float) -> float:
    """A round length of which a map so high [m] shows some six."""
    tens = 10.0 ** math.floor(math.log10(span / 6))
    return float(min((tens * many for many in (1, 2, 5, 10)), key=lambda step: abs(span / step - 6)))


def _grid(span: float, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """Lines every round step, as far as the widest screen shows."""
    step = _step(span)
    at = step * np.arange(-math.ceil(2 * span / step), math.ceil(2 * span / step) + 1)
    return [alt.Chart(pd.DataFrame({name: at})).mark_rule(
                clip=True, color=_GREY, opacity=0.35, strokeWidth=1, aria=False).encode(along)
            for name, along in (("east", x), ("north", y))]


def _north_and_scale(step: float, span: str, on_picture: bool) -> list[alt.Chart]:
    """A scale bar as long as the grid's step [m], and where north is.

    span : the map's height [m] as an expression. on_picture : does a picture lie under it?
    """
    one = alt.Chart(pd.DataFrame({"": [0]}))
    words = f"{step:g} m" if step < 1000 else f"{step / 1000:g} km"
    drawn = []
    # on a picture each is drawn twice, in white below, so that it stands out from any ground
    for colour, more in ([("#FFF", 4)] if on_picture else []) + [(_INK if on_picture else _GREY, 0)]:
        bar = one.mark_rule(color=colour, strokeWidth=4 + more, aria=False).encode(
            x=alt.value(8), x2=alt.value(alt.ExprRef(f"8 + {step} * height / ({span})")),
            y=alt.value(alt.ExprRef("height - 8")))
        length = one.mark_text(color=colour, align="left", fontSize=12, fontWeight="bold", x=8, aria=False, stroke=colour,
                               strokeWidth=more, y=alt.ExprRef("height - 18")).encode(text=alt.value(words))
        north = one.mark_text(color=colour, align="right", fontSize=14, fontWeight="bold", x=alt.ExprRef("width - 6"),
                              aria=False, stroke=colour, strokeWidth=more, y=14).encode(text=alt.value("N \u2191"))
        drawn += [bar, length, north]
    return drawn


def _apart(plots: pd.DataFrame) -> float:
    """How near the two nearest plots lie to each other [m]; 0 for more than are named."""
    if len(plots) > _MOST_NAMED:
        return 0.0
    at = plots[["east", "north"]].to_numpy(float)
    far = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    return float(far[~np.eye(len(at), dtype=bool)].min(initial=np.inf))
