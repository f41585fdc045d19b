"""How do a spreadsheet's rows, or a folder of photos, become observations?"""

from __future__ import annotations

import codecs
import json
import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import select

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.exchange import NESTED, unharmed
from diagnose.fieldlog.log import Log, Saved
from diagnose.fieldlog.query import FIELDS
from diagnose.fieldlog.rows import insert_rows, whole_row
from diagnose.fieldlog.tables import Observation
from diagnose.progress import Progress, silent
from diagnose.signs import parse_signs, signs_as_json
from diagnose.texts import MOST_OF_A_CELL, from_json, rows, rows_of

PICTURES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".avif")
SIGN = "sign."  # a column `sign.droppings` holds one sign
_NOT_SET = {"saved_at", "photo", "disputed"}
_SETTABLE = tuple(name for name in FIELDS if name not in _NOT_SET)
_AT_ONCE = 2_000
_ROWS = uuid.UUID("6f0f3c1e-7d0b-5a53-9b0e-1f6b8d1c2a44")  # whose ids are made of what rows tell; drawn once
Row = tuple[int, bool, dict[str, Any]]  # its line, whether it brought an id, and the whole observation
_YES, _NO = {"true", "yes", "1", "t"}, {"false", "no", "0", "f", ""}


@dataclass
class Loaded:
    """What came in.

    Parameters
    ----------
    saved, already
        New observations, and rows and photos that were in the log [no unit].
    refused
        Line or file, and why [no unit].
    ignored, note
        Columns that are no fields, and how the file was read [no unit].
    """

    saved: int = 0
    already: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)
    note: str = ""

    def __str__(self) -> str:
        lines = [f"{self.saved} saved, {self.already} already there, {len(self.refused)} refused"]
        lines += [self.note] if self.note else []
        lines += [f"ignored columns: {', '.join(self.ignored)}"] if self.ignored else []
        return "\n".join(lines + [f"{where}: {why}" for where, why in self.refused])


def is_there(place: str | Path) -> Path:
    """The file or folder, if there is one.

    Parameters
    ----------
    place
        Path that was given [no unit].

    Raises
    ------
    CannotUse
        Where there is none.
    """
    if not Path(place).exists():
        raise CannotUse(f"{place} is not there; check its name")
    return Path(place)


def import_csv(
    log: Log, place: str | Path, mapping: Mapping[str, str] | None = None, by: str = "", dry_run: bool = False,
) -> Loaded:
    """Saves a CSV file's good rows in one transaction and reports the refused ones, a line each.

    A row without an id is known by what stands in it: the same file, or one to which rows were added, may be taken in again.

    Parameters
    ----------
    log
        That is written to [no unit].
    place
        The file [no unit].
    mapping
        Column -> field of an observation, or `sign.NAME`; columns named like fields need none [no unit].
    by
        Initials of who imports [no unit].
    dry_run
        Whether it is only said what would happen [no unit].

    Raises
    ------
    CannotUse
        For a file that is no CSV; nothing is saved then.
    """
    source = Path(place)
    encoding, note = _encoding(source)
    loaded = Loaded(note=note)
    try:
        with source.open(encoding=encoding, errors="replace", newline="") as file:
            came = _rows(file, source.name, mapping or {}, by, loaded)
            if dry_run:
                with log.reading() as session:
                    for some in _in_parts(came):
                        loaded.saved += len(_new(session, some, loaded))
                loaded.note = f"{loaded.note} nothing was saved: this was a trial".strip()
            else:
                with log.writing() as session:
                    for some in _in_parts(came):
                        loaded.saved += insert_rows(session, _new(session, some, loaded))
    except OSError as problem:
        raise CannotUse(f"{source.name} cannot be read as CSV ({problem}); save it again as CSV in UTF-8") from None
    return loaded


def _in_parts(rows: Iterator[Row]) -> Iterator[list[Row]]:
    while some := list(islice(rows, _AT_ONCE)):
        yield some


def _rows(file: Any, name: str, mapping: Mapping[str, str], by: str,
          loaded: Loaded) -> Iterator[Row]:
    first = file.readline(MOST_OF_A_CELL)
    if not first.strip():
        raise CannotUse(f"{name} is empty; its first line must name the columns")
    between = max(",;\t", key=first.count)
    header = [each.strip() for _, cells in rows(first, name, between) for each in cells]
    fields = [_field(each, mapping, loaded) for each in header]
    if unknown := set(mapping) - set(header):
        raise CannotUse(f"{name} has no column '{sorted(unknown)[0]}'; its columns are {', '.join(header)}")
    twice = {each for each in fields if each and fields.count(each) > 1}
    if twice or not any(fields):
        why = f"two columns are {sorted(twice)[0]}" if twice else "no column is a field of an observation"
        raise CannotUse(f"{why}; say which is which (on the command: --column COLUMN=FIELD). Fields are "
                        f"{', '.join(_SETTABLE)}")
    readers = [(each, _reader(each, comma=between == ";")) for each in fields]
    alike: Counter[str] = Counter()
    latest = (datetime.now() + timedelta(days=1)).isoformat()  # a day for places whose date is ahead of this computer's
    for number, cells in rows_of(file, name, between):
        if not any(cells):
            continue
        line = number + 1
        try:
            if len(cells) != len(fields):
                raise CannotUse(f"{len(cells)} cells where the first line has {len(fields)}")
            values = _values(readers, cells, by)
            row = whole_row({"id": _by_content(readers, cells, alike), **values})
            if (row["lat"] is None) != (row["lon"] is None):
                raise CannotUse("lat and lon belong together; give both or neither")
            if (row["taken_at"] or "") > latest:
                raise CannotUse(f"{row['taken_at']} is still to come; write the day on which it was seen")
            yield line, "id" in values, row
        except CannotUse as problem:
            loaded.refused.append((f"line {line}", str(problem)))


def _field(column: str, mapping: Mapping[str, str], loaded: Loaded) -> str:
    wanted = mapping.get(column, column)
    if wanted in _SETTABLE or wanted.startswith(SIGN):
        return wanted
    if column in mapping:
        raise CannotUse(f"an observation has no field '{wanted}'; its fields are {', '.join(_SETTABLE)}")
    loaded.ignored.append(column)
    return ""


Reader = Callable[[str], Any]


def _reader(name: str, comma: bool) -> Reader:
    """What turns a cell of a column into the value of its field."""
    if name in NESTED:
        return _object
    if name in ("lat", "lon", "error_m") and comma:
        return lambda cell: cell.replace(",", ".")
    return _yes_no if name in ("taken_local", "deleted") else unharmed


def _values(fields: list[tuple[str, Reader]], cells: list[str], by: str) -> dict[str, Any]:
    values: dict[str, Any] = {"by": by} if by else {}
    signs: dict[str, Any] = {}
    for (name, read), cell in zip(fields, cells, strict=True):
        if not name or cell == "":
            continue
        if name.startswith(SIGN):
            signs[name[len(SIGN):]] = cell
        else:
            values[name] = read(cell)
    if signs:
        values["signs"] = {**values.get("signs", {}), **signs_as_json(parse_signs(signs))}
    return values


def _by_content(fields: list[tuple[str, Reader]], cells: list[str], alike: Counter[str]) -> str:
    """An id made of what a row tells and of how many that tell the same stand before it in its file."""
    told = json.dumps(sorted((name, cell.strip()) for (name, _), cell in zip(fields, cells, strict=True)
                             if name not in ("", "by") and cell.strip()))
    alike[told] += 1
    return str(uuid.uuid5(_ROWS, f"{told}{alike[told]}"))


def _object(cell: str) -> dict[str, Any]:
    value = from_json(cell, f"'{cell[:30]}'")
    if not isinstance(value, dict):
        raise CannotUse(f"'{cell[:30]}' is no JSON object")
    return value


def _yes_no(cell: str) -> bool:
    word = cell.strip().lower()
    if word not in _YES | _NO:
        raise CannotUse(f"'{cell}' is neither yes nor no")
    return word in _YES


def _new(session: Any, some: list[Row], loaded: Loaded) -> list[dict[str, Any]]:
    """The rows whose ids are not in the log yet, nor twice among these; one that brought its own id is refused then."""
    known = set(session.scalars(select(Observation.id).where(Observation.id.in_([row["id"] for _, _, row in some]))))
    new = []
    for line, brought, row in some:
        if row["id"] in known:
            if brought:
                loaded.refused.append((f"line {line}", f"observation {row['id'][:8]} is in the log already"))
            else:
                loaded.already += 1
            continue
        known.add(row["id"])
        new.append(row)
    return new


def _encoding(source: Path) -> tuple[str, str]:
    """How the file's letters are coded: by its mark, else UTF-8, else Windows' western code, which is said."""
    try:
        with source.open("rb") as file:
            start = file.read(4)
            if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                return "utf-16", ""
            file.seek(0)
            decoder = codecs.getincrementaldecoder("utf-8")()
            while piece := file.read(1 << 20):
                decoder.decode(piece)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return "cp1252", "not UTF-8: read as Windows western letters (cp1252); check accents."
    except OSError as problem:
        raise CannotUse(f"{source} cannot be read ({problem.strerror})") from None
    return "utf-8-sig", ""


def import_photos(
    log: Log,
    folder: str | Path,
    site: str = "",
    by: str = "",
    save: Callable[[Path], Saved] | None = None,
    progress: Progress = silent,
) -> Loaded:
    """Every picture of a folder, and of those in it, becomes an observation with the place and time in its file.

    Each photo is saved on its own: an import that was broken off is simply started again.

    Parameters
    ----------
    log
        That is written to [no unit].
    folder
        Of the pictures [no unit].
    site
        Name of the planting [no unit].
    by
        Initials of who imports [no unit].
    save
        Saves one file where it is to be diagnosed too; without it only place and time are taken [no unit].
    progress
        Called with how many of how many are done [no unit].

    Raises
    ------
    CannotUse
        Where there is no such folder.
    """
    source = Path(folder)
    if not source.is_dir():
        raise CannotUse(f"{source} is no folder; give the folder that holds the photos")
    files = sorted(each for each in source.rglob("*") if each.suffix.lower() in PICTURES and each.is_file())
    loaded = Loaded(note="" if files else f"no pictures ({', '.join(PICTURES)}) in {source}")
    for number, file in enumerate(files, 1):
        try:
            saved = save(file) if save is not None else save_photo(log, file, site=site, by=by)
            loaded.saved, loaded.already = loaded.saved + saved.new, loaded.already + (not saved.new)
        except CannotUse as problem:
            loaded.refused.append((str(file.relative_to(source)), str(problem)))
        progress(number, len(files))
    return loaded


def save_photo(log: Log, file: Path, **fields: Any) -> Saved:
    """Saves one picture with the place and time in its file.

    Parameters
    ----------
    log
        That is written to [no unit].
    file
        Of the picture [no unit].
    **fields
        Columns of Observation (site, by, note), each in its unit.

    Raises
    ------
    CannotUse
        For no picture.
    """
    from diagnose.photo.picture import read_picture

    picture = read_picture(file)
    taken = picture.taken
    return log.save_observation(
        picture.data, picture.name, **fields, lat=taken.lat, lon=taken.lon, error_m=taken.error_m,
        taken_at=None if taken.time is None else taken.time.isoformat(),
        taken_local=taken.time is not None and taken.time_is_local,
    )
