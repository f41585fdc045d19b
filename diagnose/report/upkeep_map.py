"""How is a planting's map drawn on paper in black: marks with their names, fences as lines, the error of each place?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.fieldlog.store import METRES_PER_DEGREE
from diagnose.report.lettering import BOLD, FONT, settable
from diagnose.upkeep.fence import UNNOTED_ERROR_M, FenceLine

MARGIN_MM = 16.0
MOST_NAMED = 250  # more names than so many hide each other; our choice


def draw_map(canvas: Any, frame: tuple[float, float, float, float], lat: np.ndarray, lon: np.ndarray, error_m: np.ndarray,
             kinds: Sequence[str], signs: Mapping[str, str], names: Sequence[str],
             lines: Sequence[FenceLine | None]) -> float:
    """Draws a map into its frame.

    Parameters
    ----------
    canvas : reportlab canvas
        Of reportlab, drawn on [no unit].
    frame : (float, float, float, float)
        Left, bottom, right, top [pt].
    lat, lon : (n,) arrays
        [degree]
    error_m : (n,) array
        [m]; NaN where nobody noted it.
    kinds : (n,) sequence of str
        Keys of `signs` [no unit].
    signs : mapping
        Kind -> square, open square, small, cross, ring, triangle or dot; also the order of the legend [no unit].
    names : (n,) sequence of str
        Drawn beside the marks [no unit].
    lines : (n,) sequence of FenceLine or None
        Of the fences; their marks are drawn along the line [no unit].

    Returns
    -------
    float
        Where the legend ends [pt].
    """
    left, bottom, right, top = frame
    error = np.where(np.isnan(error_m), UNNOTED_ERROR_M, error_m)
    lat0, lon0 = float(lat.mean()), float(lon.mean())
    narrow = math.cos(math.radians(lat0))

    def metres(at_lat: np.ndarray, at_lon: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (at_lon - lon0) * METRES_PER_DEGREE * narrow, (at_lat - lat0) * METRES_PER_DEGREE

    east, north = metres(lat, lon)
    drawn = [(metres(*np.array([(y, x) for x, y in line.line]).T), line, off)
             for line, off in zip(lines, error, strict=True) if line is not None]
    all_east = np.concatenate([east - error, east + error, *(e for (e, _), _, _ in drawn)])
    all_north = np.concatenate([north - error, north + error, *(n for (_, n), _, _ in drawn)])
    west, south = float(all_east.min()) - 5, float(all_north.min()) - 5
    span_e, span_n = float(all_east.max()) + 5 - west, float(all_north.max()) + 5 - south
    scale = min((right - left) / span_e, (top - bottom - 22) / span_n)  # the scale bar's strip stays free
    x0 = (left + right - span_e * scale) / 2
    y0 = bottom + 22 + (top - bottom - 22 - span_n * scale) / 2
    canvas.setLineWidth(0.8)
    canvas.rect(left, bottom, right - left, top - bottom)
    x, y = x0 + (east - west) * scale, y0 + (north - south) * scale
    canvas.setDash(2, 2)
    canvas.setLineWidth(0.4)
    canvas.setStrokeGray(0.35)
    standing_alone = [line is None for line in lines]
    for at_x, at_y, radius, alone in zip(x, y, error * scale, standing_alone, strict=True):
        if alone:
            canvas.circle(at_x, at_y, radius)
    canvas.setDash()
    canvas.setStrokeGray(0)
    for (e, n), line, _ in drawn:
        _fence(canvas, x0 + (e - west) * scale, y0 + (n - south) * scale)
        for places, letter in ((line.gates, "G"), (line.braces, "")):
            for place_lon, place_lat in places:
                at_e, at_n = metres(np.array(place_lat), np.array(place_lon))
                at_x, at_y = float(x0 + (at_e - west) * scale), float(y0 + (at_n - south) * scale)
                canvas.setLineWidth(0.9)
                canvas.setFillGray(1)
                canvas.rect(at_x - 3, at_y - 3, 6, 6, fill=1)
                canvas.setFillGray(0)
                canvas.setFont(BOLD, 6)
                canvas.drawCentredString(at_x, at_y - 2.1, letter or "+")
    for kind, at_x, at_y, alone in zip(kinds, x, y, standing_alone, strict=True):
        if alone:
            mark(canvas, signs[kind], at_x, at_y)
    if len(lat) <= MOST_NAMED:
        _names(canvas, x, y, names)
    else:
        canvas.setFont(BOLD, 8)
        canvas.drawRightString(right - 6, bottom + 5.5, "too many to name here: load the GPX file into a receiver")
    length = next(m for m in (20_000, 10_000, 5000, 2000, 1000, 500, 200, 100, 50, 20, 10, 5, 2, 1, 0)
                  if m * scale <= 0.3 * (right - left))
    canvas.setLineWidth(1.6)
    canvas.line(left + 8, bottom + 8, left + 8 + length * scale, bottom + 8)
    canvas.setFont(FONT, 8)
    canvas.drawString(left + 12 + length * scale, bottom + 5.5, f"{length} m; north is up; dashed: how well the place is "
                      f"known ({UNNOTED_ERROR_M:.0f} m where nobody noted it)")
    return _legend(canvas, [kind for kind in signs if kind in kinds], signs, bool(drawn), left, right, bottom - 11)


def _legend(canvas: Any, kinds: Sequence[str], signs: Mapping[str, str], fences: bool, left: float, right: float,
            at_y: float) -> float:
    """Draws what the signs mean; returns where it ends [pt]."""
    at = left
    for kind in [*kinds, *(["fence; G a gate, + a brace"] if fences else [])]:
        wide = canvas.stringWidth(kind, FONT, 8) + 28
        if at + wide > right:
            at, at_y = left, at_y - 11
        if kind in signs:
            mark(canvas, signs[kind], at + 5, at_y)
        else:
            _fence(canvas, np.array([at, at + 12]), np.array([at_y, at_y]))
        canvas.drawString(at + 15, at_y - 3, kind)
        at += wide
    return at_y - 7


def _fence(canvas: Any, x: np.ndarray, y: np.ndarray) -> None:
    """A line with a stroke across it now and then, as fences stand on maps."""
    canvas.setLineWidth(1.4)
    path = canvas.beginPath()
    path.moveTo(float(x[0]), float(y[0]))
    for at_x, at_y in zip(x[1:].tolist(), y[1:].tolist(), strict=True):
        path.lineTo(at_x, at_y)
    canvas.drawPath(path)
    steps = np.hypot(np.diff(x), np.diff(y))
    along = np.concatenate([[0.0], np.cumsum(steps)])
    canvas.setLineWidth(0.7)
    for at in np.arange(7.0, along[-1], 14.0):
        part = int(np.searchsorted(along, at, side="right")) - 1
        if steps[part] == 0:
            continue
        dx, dy = (x[part + 1] - x[part]) / steps[part], (y[part + 1] - y[part]) / steps[part]
        px, py = float(x[part] + dx * (at - along[part])), float(y[part] + dy * (at - along[part]))
        canvas.line(px - 2.2 * dy, py + 2.2 * dx, px + 2.2 * dy, py - 2.2 * dx)


def _names(canvas: Any, x: np.ndarray, y: np.ndarray, names: Sequence[str]) -> None:
    """Each mark's name beside it, on the side where it covers least."""
    canvas.setFont(BOLD, 7)
    taken = np.column_stack([x - 3, y - 3, x + 3, y + 3])  # left, low, right, high
    for name, at_x, at_y in zip(map(settable, names), x, y, strict=True):
        wide = canvas.stringWidth(name, BOLD, 7)
        corners = np.array([(5, -2.5), (-wide - 5, -2.5), (-wide / 2, 5), (-wide / 2, -9.5), (4, 3.5),
                            (-wide - 4, -8)])
        low = corners + (at_x, at_y)
        high = low + (wide, 5)
        across = np.minimum(high[:, None, 0], taken[:, 2]) - np.maximum(low[:, None, 0], taken[:, 0])
        up = np.minimum(high[:, None, 1], taken[:, 3]) - np.maximum(low[:, None, 1], taken[:, 1])
        best = int(np.argmin((across.clip(0) * up.clip(0)).sum(axis=1)))
        taken = np.vstack([taken, [*low[best], *high[best]]])
        for halo in (True, False):  # white round the letters, so that circles and marks do not run through them
            text = canvas.beginText(*low[best].tolist())
            text.setTextRenderMode(2 if halo else 0)
            canvas.setStrokeGray(1 if halo else 0)
            canvas.setFillGray(1 if halo else 0)
            canvas.setLineWidth(1.6)
            text.textOut(name)
            text.setTextRenderMode(0)
            canvas.drawText(text)
        canvas.setStrokeGray(0)


def mark(canvas: Any, sign: str, x: float, y: float) -> None:
    """Draws one mark.

    Parameters
    ----------
    canvas : reportlab canvas
        Of reportlab, drawn on [no unit].
    sign : str
        square, open square, small, cross, ring, triangle or dot [no unit].
    x, y : float
        Its middle [pt].
    """
    canvas.setLineWidth(1.2)
    if sign == "square":
        canvas.rect(x - 2.5, y - 2.5, 5, 5, fill=1)
    elif sign == "open square":
        canvas.rect(x - 2.2, y - 2.2, 4.4, 4.4, fill=0)
    elif sign == "small":
        canvas.setLineWidth(0.8)
        canvas.circle(x, y, 1.6, fill=0)
    elif sign == "cross":
        canvas.line(x - 3, y - 3, x + 3, y + 3)
        canvas.line(x - 3, y + 3, x + 3, y - 3)
    elif sign == "triangle":
        path = canvas.beginPath()
        path.moveTo(x - 3.4, y - 2.6)
        path.lineTo(x + 3.4, y - 2.6)
        path.lineTo(x, y + 3.6)
        path.close()
        canvas.drawPath(path, fill=1)
    elif sign == "ring":
        canvas.circle(x, y, 3.6, fill=0)
        canvas.circle(x, y, 1, fill=1)
    else:
        canvas.circle(x, y, 2.2, fill=1)
