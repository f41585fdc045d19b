"""Which barriers does a CSV file bring into the register, and which of its lines cannot be used?"""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import checked
from diagnose.given import above_nought, latest_day
from diagnose.texts import MOST_BYTES, once_each, rows
from diagnose.upkeep.before import there_before
from diagnose.upkeep.register import figures_of, fits, in_order
from diagnose.upkeep.rules import trait

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log


@dataclass
class Registered:
    """What a CSV file brought.

    Parameters
    ----------
    saved, already
        How many are new, and how many stood in the register already [barriers].
    refused
        Line of the file, and why [no unit].
    ignored
        Columns that are no fields [no unit].
    """

    saved: int = 0
    already: int = 0
    refused: list[tuple[int, str]] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        before = f" {self.already} were there before," if self.already else ""
        lines = [f"{self.saved} barriers registered,{before} {len(self.refused)} lines refused"]
        lines += [f"ignored columns: {', '.join(self.ignored)}"] if self.ignored else []
        return "\n".join(lines + [f"line {line}: {why}" for line, why in self.refused])


_COLUMNS = ("site", "plant", "label", "form", "material", "species", "built", "removed", "left_behind", "lat", "lon",
            "error_m", "pieces", "inner_mm", "height_mm", "found", "embedded", "note", "by")
_FIGURES = ("culprits", "snow_mm", "vigour")
_STEM = "stem_mm"  # on the day when it went up: the first look at it
COLUMNS = (*_COLUMNS, *_FIGURES, _STEM)  # that a CSV file of barriers may have
_YES, _NO = {"yes", "true", "1", "x"}, {"no", "false", "0", ""}
_NUMBERS = ("lat", "lon", "error_m", "pieces", "inner_mm", "height_mm", "snow_mm", _STEM)


def register_csv(log: Log, place: str | Path, by: str = "") -> Registered:
    """Registers a CSV file's good rows in one transaction, their stems' diameters in another, and reports the others.

    Rows that stand in the register already are passed over: the same file, or a longer one, may be registered again.

    Parameters
    ----------
    log : Log
        The log that keeps them [no unit].
    place : str or Path
        The file: a column a field, each in the unit of the log's field; `culprits` are separated by blanks, `snow_mm` [mm]
        and `vigour` belong to the figures; `stem_mm` is the stem's diameter when it went up [mm].
    by : str
        Initials of who registers, for rows that name nobody [no unit].

    Returns
    -------
    Registered

    Raises
    ------
    CannotUse
        For a file that is no such CSV; then nothing is saved.
    """
    try:
        with Path(place).open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except OSError as problem:
        raise CannotUse(f"{place} cannot be read ({problem.strerror})") from None
    if len(raw) > MOST_BYTES:
        raise CannotUse(f"{place} is larger than {MOST_BYTES / 1e6:g} MB; register it in parts")
    try:
        told = raw.decode("utf-16" if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "utf-8-sig")
    except UnicodeDecodeError:
        told = raw.decode("cp1252", errors="replace")  # Windows' western letters
    first = told.partition("\n")[0]
    between = max(",;\t", key=first.count)
    table = [(line, cells) for line, cells in rows(told, str(place), between) if cells]
    columns = [name.strip() for name in (table[0][1] if table else ())]
    if "form" not in columns:
        raise CannotUse(f"{place} has no column 'form'; its columns may be {', '.join(COLUMNS)}")
    once_each(columns, Path(place).name)
    done, good = Registered(ignored=[name for name in columns if name not in COLUMNS]), []
    for line, cells in table[1:]:
        try:
            if len(cells) != len(columns):
                raise CannotUse("it has more or fewer cells than the first line has columns")
            good.append(_row_and_stem(dict(zip(columns, cells, strict=True)), by, comma=between == ";"))
        except CannotUse as reason:
            done.refused.append((line, str(reason)))
    before = there_before(log, [row for row, _ in good])
    done.already, good = sum(before), [one for one, there in zip(good, before, strict=True) if not there]
    saved = log.save_many("barrier", [row for row, _ in good])
    log.save_many("check", [
        {"barrier": own, "finding": "sound", "day": row.get("built") or date.today().isoformat(), "by": row["by"],
         "stem_diameter_mm": stem} for own, (row, stem) in zip(saved, good, strict=True) if stem is not None])
    done.saved = len(saved)
    return done


def _row_and_stem(cells: Mapping[str, str], by: str, comma: bool) -> tuple[dict[str, Any], float | None]:
    told: dict[str, Any] = {name: value.strip() for name, value in cells.items()}
    trait(told["form"], "closed")
    if comma:
        told |= {name: told[name].replace(",", ".") for name in _NUMBERS if name in told}
    row: dict[str, Any] = {name: told[name] for name in _COLUMNS if told.get(name)}
    row |= {name: _yes(row[name], name) for name in ("found", "embedded") if name in row}
    figures = figures_of(told.get("culprits", "").split(), told.get("vigour", ""), told.get("snow_mm"))
    row = {"by": by, "site": "", **row, "figures": figures}
    stem = above_nought(told[_STEM], "The stem") if told.get(_STEM) else None
    fits(told["form"], row.get("inner_mm"), stem, row.get("built"))
    in_order(row.get("built"), row.get("removed"))
    for name in ("built", "removed"):
        if str(row.get(name) or "") > latest_day().isoformat():
            raise CannotUse(f"{row[name]} in '{name}' is still to come; register it once it is done")
    return checked("barrier", row), stem


def _yes(word: str, name: str) -> bool:
    if word.lower() not in _YES | _NO:
        raise CannotUse(f"'{word}' is neither yes nor no for '{name}'")
    return word.lower() in _YES
