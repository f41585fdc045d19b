"""How does a mower or a saw crew see on paper where metal, posts and stakes are, and how far to stay off?"""

from __future__ import annotations

import textwrap
from io import BytesIO
from typing import Any

import pandas as pd

from diagnose.report.barrier_drawing import POINT
from diagnose.report.lettering import BOLD, FONT, load_fonts, settable
from diagnose.report.paper import page_number
from diagnose.report.upkeep_map import MARGIN_MM, draw_map
from diagnose.upkeep.fence import BUFFER_M, line_of
from diagnose.upkeep.forecast import by_row
from diagnose.upkeep.metal import sort_of
from diagnose.upkeep.rules import known_form, trait
from diagnose.upkeep.walk import row_of

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
        Of metal.metal [no unit].
    site : str
        Of an empty page [no unit].
    paper : {'A4', 'Letter'}
        "A4" or "Letter" [no unit].
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
        said = (f"{_answer(here, buffer_m)} Dashed circles show it, along a fence lines on both sides.", *METAL_CAUTIONS)
        for line in (part for told in said for part in textwrap.wrap(settable(told), 118)):
            canvas.drawString(edge, top, line)
            top -= 11
        placed = here[here["lat"].notna() & here["lon"].notna()]
        lines = [line_of(told) for told in placed["figures"]]
        bottom, groups = top, _groups(here)
        names = _named([some for some in groups if not pd.isna(some[0].lat)])
        if len(placed):
            kinds = [_sort(row) for row in placed.itertuples()]
            bottom = draw_map(canvas, (edge, 0.36 * high, wide - edge, top - 4), placed["lat"].to_numpy(float),
                              placed["lon"].to_numpy(float), placed["error_m"].to_numpy(float), kinds, KINDS,
                              [names.get(own, "") for own in placed["id"]], lines)
        _list(canvas, groups, edge, bottom - 16, wide, high)
        page_number(canvas, canvas.getPageNumber(), wide - edge)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _answer(here: pd.DataFrame, buffer_m: float) -> str:
    """The first line: how many of what, and how far off."""
    sorts = [sort_of(one) for one in here["metal"]]
    told = ", ".join(f"{many} {name}" for name in ("metal", "perhaps metal", "no metal") if (many := sorts.count(name)))
    return (f"{len(here)} places: {told or 'nothing is in the register'}. Keep {buffer_m:g} m off, and the error of each "
            "place more.")


def _sort(row: Any) -> str:
    kinds = list(KINDS)
    if row.state != "standing":
        return kinds[3] if row.state == "left behind" else kinds[4]
    return kinds[1] if row.metal is None or row.metal != row.metal else kinds[0] if row.metal else kinds[2]


def _groups(here: pd.DataFrame) -> list[list[Any]]:
    """Rows that are alike together: guards of one kind in one row of the planting; what lies or is grown in by itself."""
    groups: dict[Any, list[Any]] = {}
    for row in here.itertuples():
        alone = row.state != "standing" or trait(known_form(row.form), "line")
        key = row.id if alone else (row_of(row.label or row.plant)[0], row.form, row.material, row.what, pd.isna(row.lat))
        groups.setdefault(key, []).append(row)
    return sorted(groups.values(), key=lambda some: (pd.isna(some[0].lat), some[0].state == "standing"))


def _named(groups: list[list[Any]]) -> dict[str, str]:
    """Id -> number on the map: the northernmost of each group bears it, where the others cover it least."""
    return {max(some, key=lambda row: row.lat).id: str(number) for number, some in enumerate(groups, 1)}


def _list(canvas: Any, groups: list[list[Any]], left: float, top: float, wide: float, high: float) -> None:
    """Two columns, numbered as on the map; those without a place say so."""
    edge = MARGIN_MM * POINT
    column, y = 0, top
    canvas.setFont(FONT, 8)
    for number, some in enumerate(groups, 1):
        lines = textwrap.wrap(settable(f"{number}. {_told(some)}"), 62)
        if y - 10 * (len(lines) - 1) < edge:  # whole in one column
            column, y = column + 1, top
            if column == 2:
                page_number(canvas, canvas.getPageNumber(), wide - edge)
                canvas.showPage()
                canvas.setFont(FONT, 8)
                column, y, top = 0, high - edge - 8, high - edge - 8
        for place, part in enumerate(lines):
            canvas.drawString(left + column * (wide / 2 - edge) + (8 if place else 0), y, part)
            y -= 10
    if not groups:
        canvas.drawString(left, y, "Nothing is in the register.")


def metal_lines(here: pd.DataFrame, buffer_m: float = BUFFER_M) -> list[str]:
    """The same list as lines: how many of what in the first one, then each group of equal things, those left behind first.

    Parameters
    ----------
    here : DataFrame
        Of metal.metal [no unit].
    buffer_m : float
        To stay off beyond the error of each place [m].

    Returns
    -------
    list of str
    """
    several = here["site"].nunique() > 1
    groups = [(f"{site}: " if several and site else "", some) for site in sorted(set(here["site"]))
              for some in _groups(here[here["site"] == site])]
    return [_answer(here, buffer_m), *(site + _told(some) for site, some in groups)]


def _told(some: list[Any]) -> str:
    """What stands or lies there, and where."""
    labels = by_row([row.label or row.plant or row.form for row in some], 40)
    many = f"{len(some)} \u00d7 {some[0].form} ({labels})" if len(some) > 1 else labels
    where = "no place known" if pd.isna(some[0].lat) else "" if len(some) > 1 else _where(some[0])
    return "; ".join(part for part in (many, _left(some[0]), where) if part)


def _where(row: Any) -> str:
    good = "" if pd.isna(row.error_m) else f" \u00b1{row.error_m:.0f}\u00a0m"
    long = f"{row.pieces:.0f} m long, " if trait(known_form(row.form), "line") and not pd.isna(row.pieces) else ""
    return f"{long}{row.lat:.5f}, {row.lon:.5f}{good}"


def _left(row: Any) -> str:
    parts = [row.what, row.material, sort_of(row.metal),
             "" if row.state == "standing" else row.state, row.note]
    return "; ".join(dict.fromkeys(part for part in parts if part))
