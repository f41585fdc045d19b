"""How does a mower or a saw crew see on paper where metal, posts and stakes are, and how far to stay off?"""

from __future__ import annotations

import textwrap
from io import BytesIO
from typing import Any

import pandas as pd

from diagnose.report.barrier_drawing import POINT
from diagnose.report.lettering import BOLD, FONT, load_fonts, settable
from diagnose.report.upkeep_map import MARGIN_MM, draw_map
from diagnose.upkeep.fence import BUFFER_M, line_of
from diagnose.upkeep.metal import sort_of

KINDS = {"metal, standing": "square", "stake or post, perhaps metal": "open square", "wood or plastic": "small",
         "left behind": "cross", "grown into a stem": "ring"}
METAL_CAUTIONS = (
    "Walk the line and look before a vehicle, a mower or a saw comes near. What is not on this map may be there too.",
    "Never cut at the height of old wire, ties or staples. Wear eye, ear, hand and leg protection; leave felling of "
    "stems with metal in them to somebody trained for it.",
)


def metal_pdf(rows: pd.DataFrame, site: str = "", paper: str = "A4", buffer_m: float = BUFFER_M) -> bytes:
    """A page a planting: where metal, posts and stakes stand, were left or are grown in, and the list; fences as lines.

    Parameters
    ----------
    rows : DataFrame
        Of metal.metal.
    site : str
        Of an empty page.
    paper : {'A4', 'Letter'}
    buffer_m : float
        To stay off beyond the error of each place [m].

    Returns
    -------
    bytes
    """
    from reportlab.lib import pagesizes
    from reportlab.pdfgen.canvas import Canvas

    load_fonts()
    out = BytesIO()
    wide, high = pagesizes.A4 if paper == "A4" else pagesizes.letter
    canvas = Canvas(out, pagesize=(wide, high))
    canvas.setTitle("Metal on the ground")
    edge = MARGIN_MM * POINT
    for name in sorted(set(rows["site"])) or [site]:
        here = rows[rows["site"] == name]
        canvas.setFont(BOLD, 14)
        canvas.drawString(edge, high - edge - 8, settable(f"Metal, posts and stakes{': ' + name if name else ''}"))
        canvas.setFont(FONT, 9)
        top = high - edge - 24
        said = (_answer(here, buffer_m), *METAL_CAUTIONS)
        for line in (part for told in said for part in textwrap.wrap(settable(told), 118)):
            canvas.drawString(edge, top, line)
            top -= 11
        placed = here[here["lat"].notna() & here["lon"].notna()]
        lines = [line_of(told) for told in placed["figures"]]
        bottom = top
        if len(placed):
            kinds, numbers = [_sort(row) for row in placed.itertuples()], [str(one) for one in range(1, len(placed) + 1)]
            bottom = draw_map(canvas, (edge, 0.36 * high, wide - edge, top - 4), placed["lat"].to_numpy(float),
                              placed["lon"].to_numpy(float), placed["error_m"].to_numpy(float), kinds, KINDS, numbers, lines)
        _list(canvas, placed, here.drop(placed.index), edge, bottom - 16, wide, high)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _answer(here: pd.DataFrame, buffer_m: float) -> str:
    """The first line: how many of what, and how far off."""
    sorts = [sort_of(one) for one in here["metal"]]
    told = ", ".join(f"{many} {name}" for name in ("metal", "perhaps metal", "no metal") if (many := sorts.count(name)))
    return (f"{len(here)} places: {told or 'nothing is in the register'}. Keep {buffer_m:g} m off, and the error of each "
            "place more (dashed circles; along a fence on both sides).")


def _sort(row: Any) -> str:
    kinds = list(KINDS)
    if row.state != "standing":
        return kinds[3] if row.state == "left behind" else kinds[4]
    return kinds[1] if row.metal is None or row.metal != row.metal else kinds[0] if row.metal else kinds[2]


def _list(canvas: Any, placed: pd.DataFrame, unplaced: pd.DataFrame, left: float, top: float, wide: float,
          high: float) -> None:
    """Two columns, numbered as on the map; those without a place come last, without a number."""
    edge = MARGIN_MM * POINT
    lines = []
    for number, row in enumerate(placed.itertuples(), 1):
        good = "" if pd.isna(row.error_m) else f" ±{row.error_m:.0f} m"
        lines.append(f"{number}. {row.label or row.plant or row.form}: {_left(row)}; {row.lat:.5f}, {row.lon:.5f}{good}")
    lines += [f"No place known. {row.label or row.plant or row.form}: {_left(row)}" for row in unplaced.itertuples()]
    column, y = 0, top
    canvas.setFont(FONT, 7.5)
    for line in lines or ["Nothing is in the register."]:
        for place, part in enumerate(textwrap.wrap(settable(line), 66)):
            if y < edge:
                column, y = column + 1, top
                if column == 2:
                    canvas.showPage()
                    canvas.setFont(FONT, 7.5)
                    column, y, top = 0, high - edge - 8, high - edge - 8
            canvas.drawString(left + column * (wide / 2 - edge) + (8 if place else 0), y, part)
            y -= 9.5


def _left(row: Any) -> str:
    parts = [row.what, row.material, sort_of(None if row.metal != row.metal else row.metal),
             "" if row.state == "standing" else row.state, row.note]
    return "; ".join(dict.fromkeys(part for part in parts if part))
