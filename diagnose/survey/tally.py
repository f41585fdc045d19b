"""What is written down for each tree, and which entries cannot be?"""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
from pyproj import CRS
from pyproj.exceptions import CRSError

from diagnose.cannot_use import CannotUse
from diagnose.survey.frame import severity
from diagnose.texts import once_each, read_text, rows, shown

MOST_TALLY_BYTES = 50_000_000  # a hundred thousand trees; our choice


@dataclass(frozen=True)
class Field:
    """One column of the tally sheet.

    Parameters
    ----------
    name, title
        As the file and the form call it [no unit].
    kind
        word, whole, number, day or choice [no unit].
    tell
        How to tell, as on the form [no unit].
    choices
        That there are, where it is a choice [no unit].
    low, high
        Least and most, in the column's own unit.
    needed
        May it not be empty? [no unit]
    asked
        Does a crew write it, on paper or screen? Else it comes along from the plan [no unit].
    """

    name: str
    title: str
    kind: str
    tell: str = ""
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    needed: bool = False
    asked: bool = True


YES_NO = ("1", "0", "")
KNOWN_BEFORE = ("site", "plot", "plot_area_m2", "stratum", "x", "y", "crs", "plan")  # fields that a plan fills in
TALLY = (
    Field("site", "Site", "word", needed=True),
    Field("visit", "Day", "day", "as 2026-03-31", needed=True),
    Field("plot", "Plot", "word", "name on the stake", needed=True),
    Field("plot_area_m2", "Area m²", "number", "horizontal", low=0.1, high=10_000),
    Field("reached", "Reached", "choice", "0 where the plot could not be reached: say why in the note", YES_NO),
    Field("tree", "Tree", "word", "tag or number; empty for a plot without trees"),
    Field("species", "Species", "word"),
    Field("height_cm", "Height cm", "number", "to the live tip", low=1, high=5000),
    Field("browsed", "Leader bitten", "choice",
          "1 where the newest leader, above the last ring of bud scars, is bitten; empty when you cannot tell", YES_NO),
    Field("browsed_before", "Bitten before", "choice", "1 where a cut lies below that ring, or a side shoot leads", YES_NO),
    Field("laterals_seen", "Laterals seen", "whole", "count up to 10", low=0, high=10),
    Field("laterals_browsed", "of them bitten", "whole", low=0, high=10),
    Field("stem_damage", "Stem", "choice", "", ("", "rubbed", "stripped", "gnawed", "broken")),
    Field("protection", "Protected by", "word", "empty when not"),
    Field("protection_state", "Its state", "choice", "", ("", "whole", "damaged", "down")),
    Field("alive", "Alive", "choice", "", YES_NO),
    Field("note", "Note", "word"),
    Field("free_of_weeds", "Above weeds", "choice", "1 where the tip stands above what competes with it", YES_NO),
    Field("well_spaced", "Counts", "choice", "0 where it stands too near to one already counted", YES_NO),
    Field("stratum", "Part", "word", "part of the ground, as in the plan"),
    Field("x", "X", "number", "position of the plot's centre: easting or longitude"),
    Field("y", "Y", "number", "northing or latitude"),
    Field("crs", "Grid", "word", "the grid of x and y, as EPSG:27700; EPSG:4326 for degrees"),
    Field("plan", "Plan", "word", "target, stopping rule and number of plots, chosen before the first plot", asked=False),
)
ASKED = tuple(field for field in TALLY if field.asked)


@dataclass(frozen=True)
class RefusedRow:
    """A row that was not taken.

    Parameters
    ----------
    line
        In its file [no unit].
    why
        What is wrong [no unit].
    cells
        Column -> what stood there [no unit].
    file
        Its name, empty where there is one [no unit].
    """

    line: int
    why: str
    cells: Mapping[str, str]
    file: str = ""

    def __str__(self) -> str:
        return f"{self.file}: line {self.line}: {self.why}" if self.file else f"line {self.line}: {self.why}"


def to_mend(refused: Sequence[RefusedRow]) -> str:
    """Refused rows as CSV, each with why; mended and given back as a tally, the column `why` is passed over.

    Parameters
    ----------
    refused : sequence of RefusedRow
        What was not taken [no unit].

    Returns
    -------
    str
        The tally's columns and `why`, one row for each that was refused; the header alone where none was.
    """
    out = io.StringIO()
    names = [field.name for field in TALLY]
    more = list(dict.fromkeys(name for row in refused for name in row.cells if name not in names and name != "why"))
    table = csv.writer(out)
    table.writerow([*names, *more, "why"])
    for row in refused:
        table.writerow([*(row.cells.get(name, "") for name in (*names, *more)), row.why])
    return out.getvalue()


def template(planned: Sequence[Mapping[str, Any]] = ()) -> str:
    """An empty tally as CSV: the header, and a row for each planned plot, which counts from when a day stands in it.

    Parameters
    ----------
    planned : sequence of mapping
        Field of TALLY -> what is known of a plot before it is visited, each in the unit told there.
    """
    out = io.StringIO()
    table = csv.DictWriter(out, [field.name for field in TALLY])
    table.writeheader()
    table.writerows(planned)
    return out.getvalue()


def _not_visited(row: Mapping[str, str]) -> bool:
    """A planned plot's row in which nothing was written yet."""
    return not any(_text(cell) for name, cell in row.items() if name not in KNOWN_BEFORE)


def problems(entry: Mapping[str, Any], today: datetime.date | None = None) -> list[str]:
    """One line for everything in an entry that cannot be; an empty list where it can be kept.

    Parameters
    ----------
    entry
        Field of TALLY -> what stands in it, each in the unit told there.
    today
        The day that no visit may lie after; None for the computer's own [no unit].
    """
    found = [line for field in TALLY if (line := _wrong(field, _text(entry.get(field.name))))]
    if found:
        return found
    value = {field.name: _text(entry.get(field.name)) for field in TALLY}
    day = datetime.date.fromisoformat(value["visit"])
    if day > (today or datetime.date.today()):
        found.append(f"Day: {day} is still to come.")
    seen, bitten = value["laterals_seen"], value["laterals_browsed"]
    if bitten and not seen:
        found.append("Laterals: say how many were looked at.")
    elif bitten and float(bitten) > float(seen):
        found.append(f"Laterals: {bitten} of {seen} cannot be bitten.")
    if not value["tree"] and (value["browsed"] or value["species"]):
        found.append("Tree: give it a tag or a number; leave all its fields empty for a plot without trees.")
    if value["tree"] and not value["species"]:
        found.append("Species: a tree needs its species ('unknown' is one).")
    if value["reached"] == "0" and value["tree"]:
        found.append("Reached: a plot that was not reached has no trees to write down.")
    if value["reached"] == "0" and not value["note"]:
        found.append("Note: say why the plot was not reached.")
    if bool(value["x"]) != bool(value["y"]):
        found.append("Position: x and y belong together; give both or neither.")
    if value["crs"] and grid_of(value["crs"]) is None:
        found.append(f"Grid: {value['crs']!r} is no grid that is known; write EPSG and its number, as EPSG:27700.")
    if value["crs"] and not value["x"]:
        found.append("Grid: there is no x and y that it belongs to.")
    if value["alive"] == "0" and value["browsed"] == "1":
        found.append("Alive: a dead tree has no leader bitten this year; leave it empty.")
    return found


def doubts(entry: Mapping[str, Any], before: Mapping[str, Any] | None = None, reach_cm: float = 180) -> list[str]:
    """One line for everything that can be but is unlikely: to be confirmed, not refused.

    Parameters
    ----------
    entry
        Field of TALLY -> what stands in it, each in the unit told there.
    before
        The same tree's entry at the last visit, or None [no unit].
    reach_cm
        Highest bite to be expected [cm].
    """
    found = []
    value = {field.name: _text(entry.get(field.name)) for field in TALLY}
    height = float(value["height_cm"]) if _number(value["height_cm"]) else None
    if height is not None and height > reach_cm and value["browsed"] == "1":
        found.append(f"Leader bitten at {height:g} cm: higher than deer are expected to reach without snow.")
    if value["protection"] and value["protection_state"] == "whole" and value["browsed"] == "1":
        found.append("Bitten inside a whole protection: is it really whole?")
    if before is not None and height is not None:
        old = _text(before.get("height_cm"))
        if _number(old) and height < float(old) - 2 and value["browsed"] != "1" and not value["note"]:
            found.append(f"Height fell from {old} to {height:g} cm: say why in the note.")
    return found


@cache
def grid_of(name: str) -> int | None:
    """EPSG number of a named grid; None where it is not known.

    Parameters
    ----------
    name
        Such as `EPSG:27700`, `27700` or `WGS 84 / UTM zone 32N` [no unit].
    """
    told = name.strip()
    try:
        return CRS.from_user_input(int(told) if told.isdigit() else told).to_epsg()
    except CRSError:
        return None


def read_tally(source: str | Path | io.TextIOBase) -> tuple[pd.DataFrame, list[RefusedRow]]:
    """A filled tally (CSV) as survey frame, and the rows that were left out, each with why.

    Parameters
    ----------
    source : path or text stream
        The table, its first line naming the columns [no unit].

    Returns
    -------
    trees : pandas.DataFrame
        See frame.py.
    refused : list of RefusedRow
        `to_mend` writes them as CSV.

    Raises
    ------
    CannotUse
        For a file that is no tally.
    """
    text = source.read() if isinstance(source, io.TextIOBase) else read_text(source, MOST_TALLY_BYTES)
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    table = list(rows(text, "the table", delimiter))
    names = {field.name for field in TALLY}
    columns = _columns(table[0][1] if table else [])
    kept: list[dict[str, str]] = []
    refused: list[RefusedRow] = []
    taken: set[tuple[str, ...]] = set()
    of_plots: dict[tuple[str, ...], dict[str, str]] = {}
    for number, cells in table[1:]:
        if not any(cells):
            continue
        row = {name: _meant(name, cell, comma=delimiter == ";")
               for name, cell in zip(columns, [*cells, *[""] * (len(columns) - len(cells))], strict=False)}
        if _not_visited(row) and len(cells) <= len(columns):
            continue
        wrong = problems(row) if len(cells) <= len(columns) else ["It has more cells than the first line names."]
        key = tuple(_text(row.get(name)) for name in ("site", "visit", "plot", "tree"))
        if not wrong and key in taken:
            wrong = [f"Tree: {key[3] or 'the empty plot'} of plot {key[2]} stands in the table twice."]
        wrong = wrong or _otherwise_before(row, of_plots.setdefault(key[:3], {}))
        if wrong:
            refused.append(RefusedRow(number, " ".join(wrong), {name: _text(row.get(name)) for name in columns}))
            continue
        taken.add(key)
        kept.append({name: _text(value) for name, value in row.items() if name in names or str(name).startswith("share_")})
    return framed(pd.DataFrame(kept, columns=None if kept else [field.name for field in TALLY])), refused


def _columns(told: Sequence[str]) -> list[str]:
    """The columns that a first line names, whatever its capitals; CannotUse where one is double or misspelt."""
    names = [field.name for field in TALLY]
    columns = [small if (small := name.strip().lower()) in names else name.strip() for name in told]
    if not {"site", "visit", "plot"} <= set(columns):
        raise CannotUse("The table's first line must name the columns; `site`, `visit` and `plot` are needed.")
    once_each(columns, "The table")
    free = [name for name in names if name not in columns]
    for column in columns:
        if column not in names and (near := get_close_matches(column.lower(), free, 1, _MISSPELT)):
            raise CannotUse(f"The table's column {shown(column)!r} is none of a tally; is {near[0]!r} meant? Write it "
                            "so, or give the column a name of its own.")
    return columns


def _otherwise_before(row: Mapping[str, str], before: dict[str, str]) -> list[str]:
    """What an earlier row tells otherwise of the same plot; what this one tells goes into `before`."""
    for field in TALLY:
        if field.name in _OF_A_PLOT and (told := _text(row.get(field.name))):
            there = before.setdefault(field.name, told)
            if there != told and not (_number(there) and _number(told) and float(there) == float(told)):
                return [f"{field.title}: an earlier line has {there} for this plot, this one {told}."]
    return []


def joined(tallies: Sequence[tuple[pd.DataFrame, list[RefusedRow]]]) -> tuple[pd.DataFrame, list[RefusedRow]]:
    """Several tallies as one: what a later one holds mends the rows that an earlier one had to refuse.

    Parameters
    ----------
    tallies : sequence of (pandas.DataFrame, list of RefusedRow)
        As `read_tally` returns them, in the order in which they were written down [no unit].

    Returns
    -------
    trees : pandas.DataFrame
        Of a tree that stands in several, the row of the last.
    refused : list of RefusedRow
        Those of which no later tally holds the tree of that plot.
    """
    left: list[RefusedRow] = []
    for trees, refused in tallies:
        there: set[tuple[str, ...]] = set(zip(trees["site"], trees["plot"], trees["tree"].fillna(""), strict=True))
        there |= set(map(_place, refused))  # refused once more: it stands there with its new reason
        left = [row for row in left if _place(row) not in there] + refused
    trees = pd.concat([each for each, _ in tallies], ignore_index=True)
    return trees.drop_duplicates(["site", "visit", "plot", "tree"], keep="last", ignore_index=True), left


def _place(row: RefusedRow) -> tuple[str, ...]:
    return row.cells.get("site", ""), row.cells.get("plot", ""), row.cells.get("tree", "")


def framed(frame: pd.DataFrame) -> pd.DataFrame:
    """A table of tally cells as survey frame: numbers made numbers, absent columns empty, severity worked out.

    Parameters
    ----------
    frame : pandas.DataFrame
        Cells of a tally by the names of TALLY, each in the unit told there; it is changed in place.
    """
    for name in frame.columns:
        if name in _NUMBERS or name.startswith("share_"):
            frame[name] = pd.to_numeric(frame[name], errors="coerce")
    for field in TALLY:
        if field.name not in frame.columns:
            frame[field.name] = float("nan") if field.name in _NUMBERS else ""
    frame["tree"] = frame["tree"].replace("", None)
    columns = zip(frame["browsed"], frame["laterals_seen"], frame["laterals_browsed"], strict=True)
    frame["severity"] = [severity(leader, seen, bitten) for leader, seen, bitten in columns]
    return frame


def _wrong(field: Field, value: str) -> str:
    if value == "":
        return f"{field.title}: it is missing." if field.needed else ""
    if field.kind == "choice" and value not in field.choices:
        return f"{field.title}: {value!r} is none of {', '.join(choice or 'empty' for choice in field.choices)}."
    if field.kind == "day":
        try:
            datetime.date.fromisoformat(value)
        except ValueError:
            return f"{field.title}: {value!r} is no day; write 2026-03-31."
    if field.kind in ("whole", "number"):
        if not _number(value) or (field.kind == "whole" and float(value) != int(float(value))):
            return f"{field.title}: {value!r} is no {'whole ' if field.kind == 'whole' else ''}number."
        if (field.low is not None and float(value) < field.low) or (field.high is not None and float(value) > field.high):
            return f"{field.title}: {value} is outside {field.low:g} to {field.high:g}."
    return ""


_WHOLE = {field.name for field in TALLY if field.choices == YES_NO or field.kind == "whole"}


_NUMBERS = {field.name for field in TALLY if field.kind in ("whole", "number") or field.choices == YES_NO}
_OF_A_PLOT = {"plot_area_m2", "reached", "stratum"}  # the same in every row of a plot
_MISSPELT = 0.8  # as alike, of 1, are a name and one with a slip in it; our choice
_EMPTY_IS_NONE = {field.name for field in TALLY if field.kind == "choice" and field.choices != YES_NO} | {"protection"}


def _meant(name: str, cell: str, comma: bool) -> str:
    """A cell as crews write it: `none` where the form leaves it empty, and tables that were worked on write 1.0 for 1.

    comma : numbers have a decimal comma, as tables whose cells stand between semicolons write them.
    """
    if comma and (name in _NUMBERS or name.startswith("share_")):
        cell = cell.replace(",", ".")
    if name in _EMPTY_IS_NONE and cell.strip().lower() in ("none", "no", "-"):
        return ""
    head, point, rest = cell.strip().partition(".")
    return head if name in _WHOLE and point and head.isdigit() and not rest.strip("0") else cell


def _number(value: str) -> bool:
    try:
        return abs(float(value)) < float("inf")
    except ValueError:
        return False


def _text(value: Any) -> str:
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, float) and value == int(value):
        return str(int(value))
    return str(value).strip()
