"""Is there a log in a folder, is its database whole, and may it be written?"""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import tempfile
import weakref
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Engine, create_engine
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from diagnose.cannot_use import CannotSave, CannotUse
from diagnose.fieldlog import originals

DATABASE = "log.sqlite"
ORIGINALS = "originals"
_TOLD = (100, 30, 10, 5, 4, 3, 2, 1)  # findings of SQLite's integrity check that are asked for at most
_ENCODER = json.JSONEncoder(allow_nan=False, separators=(",", ":"))
# what SQLite says of a database that it could read only if it might write beside it, depending on who forbids it
_NOT_IN_PLACE = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
_BESIDE = ("-wal", "-shm")  # what SQLite keeps beside a database that is in use


def is_lost(folder: Path) -> str:
    """Why the folder's database must not be taken for that of a new log, empty where it may.

    Looked at without opening it: SQLite throws the write-ahead log of an emptied database away.

    Parameters
    ----------
    folder
        Of the log [no unit].
    """
    file = folder / DATABASE
    if file.exists():
        return "is empty" if file.stat().st_size == 0 else ""
    waiting = file.with_name(f"{DATABASE}-wal")
    left = (has_originals(folder) or (waiting.exists() and waiting.stat().st_size > 0)
            or any(folder.glob(f"{file.stem}.*-*")))  # a copy from before an upgrade, or a damaged one that was set aside
    return "is gone" if left else ""


def has_originals(folder: Path) -> bool:
    """Does the folder keep any photograph?

    Parameters
    ----------
    folder
        Of the log [no unit].
    """
    return any(each.is_dir() and any(each.iterdir()) for each in _below(folder / ORIGINALS))


def _below(folder: Path) -> Iterator[Path]:
    return folder.iterdir() if folder.is_dir() else iter(())


def lost(folder: Path, why: str) -> CannotUse:
    """What a person is told whose database was lost.

    Parameters
    ----------
    folder
        Of the log [no unit].
    why
        What `is_lost` found [no unit].
    """
    photos = sum(originals.is_whole_name(each) for each in originals.kept(folder / ORIGINALS))
    there = f", but {photos} photos of it are there" if photos else ""
    return CannotUse(
        f"the database of the log in {folder} {why}{there}; nothing was started. Put a backup back with: diagnose restore "
        f"BACKUP --log {folder}; without one: diagnose rebuild --log {folder}")


def no_log(folder: Path) -> CannotUse:
    """What a person is told who wants to read a log where there is none.

    Parameters
    ----------
    folder
        Of the log [no unit].
    """
    return CannotUse(f"there is no log in {folder}; check the name, or give the log's folder with --log (saving makes one)")


def may_write(file: Path) -> bool:
    """Can the database be written, or only be read? SQLite needs room beside it too.

    Parameters
    ----------
    file
        Of the database [no unit].
    """
    return all(os.access(each, os.W_OK) for each in (file.parent, file))


def engine_of(file: Path, **options: str) -> Engine:
    """A SQLite database by its path, whatever signs are in it.

    Parameters
    ----------
    file
        Of the database [no unit].
    **options
        Of SQLite's own addresses, e.g. mode=ro [no unit].
    """
    name = f"file:{quote(str(file))}" if options else str(file)
    address = URL.create("sqlite", database=name, query={**options, "uri": "true"} if options else {})
    return create_engine(address, connect_args={"timeout": 15}, json_serializer=as_json)


def as_json(value: Any) -> str:
    """A nested field as it is stored.

    Parameters
    ----------
    value
        Of a nested field [no unit].
    """
    return _ENCODER.encode(value) if value else "[]" if isinstance(value, list | tuple) else "{}"


def read_only_engine(file: Path, copied: bool = False) -> Engine:
    """A database that cannot be written where it lies.

    What SQLite cannot read in place (a write-ahead log that nobody may move into the database) is read from a copy, which
    goes when the engine does.

    Parameters
    ----------
    file
        Of the database [no unit].
    copied
        Whether a copy is read in any case, which may then be written [no unit].

    Raises
    ------
    CannotUse
        Where it may not even be read.
    """
    if not os.access(file, os.R_OK):
        raise CannotUse(f"{file} may not be read by whoever runs this; ask its owner for the right to read the folder")
    for options in () if copied else ({"mode": "ro"}, {"mode": "ro", "immutable": "1"}):
        if "immutable" in options and _size(file, "-wal"):
            continue  # it would be read without what waits beside it
        engine = engine_of(file, **options)
        try:
            with engine.connect() as connection:
                connection.exec_driver_sql("select count(*) from sqlite_master")
            return engine
        except OperationalError as problem:
            engine.dispose()
            if getattr(problem.orig, "sqlite_errorcode", 0) & 0xFF not in _NOT_IN_PLACE:
                raise
    place = Path(tempfile.mkdtemp(prefix="browse-log-"))
    for ending in ("", "-wal"):
        if file.with_name(file.name + ending).exists():
            shutil.copyfile(file.with_name(file.name + ending), place / (DATABASE + ending))
    engine = engine_of(place / DATABASE)
    weakref.finalize(engine, shutil.rmtree, place, ignore_errors=True)
    return engine


def _size(file: Path, ending: str) -> int:
    beside = file.with_name(file.name + ending)
    return beside.stat().st_size if beside.exists() else 0


@contextmanager
def reading(file: Path) -> Iterator[sqlite3.Connection]:
    """The driver's own connection to a database that is there; nothing is made.

    Parameters
    ----------
    file
        Of the database [no unit].
    """
    if may_write(file):
        with closing(sqlite3.connect(f"file:{quote(str(file))}?mode=rw", uri=True, timeout=15)) as opened:
            yield opened
    else:
        with closing(read_only_engine(file).raw_connection()) as opened:
            yield opened.driver_connection  # type: ignore[misc]


def is_bare(file: Path) -> bool:
    """Is it a database without tables?

    Parameters
    ----------
    file
        Of the database [no unit].
    """
    try:
        with reading(file) as opened:
            return not opened.execute("select count(*) from sqlite_master").fetchone()[0]
    except (sqlite3.Error, SQLAlchemyError):
        return False  # whoever opens it to use it is told


def is_whole(folder: Path) -> bool:
    """Has the folder a log whose database is neither lost nor damaged?

    Parameters
    ----------
    folder
        Of the log [no unit].
    """
    file = folder / DATABASE
    return file.exists() and not is_lost(folder) and not is_bare(file) and not damage_of(file)


def damage_of(file: Path) -> list[str]:
    """What SQLite's integrity check finds in a database, a line a finding, with the page; empty where it is whole.

    The check finds broken pages and indexes; a changed letter inside a text it cannot find.

    Parameters
    ----------
    file
        Of the database [no unit].
    """
    try:
        with reading(file) as opened:
            return _findings(opened)
    except (sqlite3.Error, SQLAlchemyError) as problem:
        return [str(problem).splitlines()[0]]


def _findings(connection: sqlite3.Connection) -> list[str]:
    for most in _TOLD:
        try:
            found = connection.execute(f"pragma integrity_check({most})").fetchall()
        except sqlite3.Error as problem:
            why = str(problem)
            continue  # it named broken pages, went on and stumbled over one: asked for fewer, it ends with those
        said = [line for (text,) in found for line in text.splitlines() if line != "ok" and not line.startswith("***")]
        if said:
            return [_with_table(connection, line) for line in said]
        loose = connection.execute("pragma foreign_key_check").fetchall()
        return [f"a row of {table} points at nothing" for (table, *_) in loose]
    return [f"page 1 or the list of tables cannot be read ({why})"]


def _with_table(connection: sqlite3.Connection, line: str) -> str:
    """SQLite names a table or index by its first page; people by its name."""
    first = re.match(r"(?:On tree page|Tree|Page) (\d+)", line)
    named = None
    if first:
        with suppress(sqlite3.Error):
            asked = "select name from sqlite_master where rootpage = ?"
            named = connection.execute(asked, (int(first[1]),)).fetchone()
    return f"{named[0]}: {line}" if named else line


@contextmanager
def part_of(target: Path) -> Iterator[Path]:
    """A name beside the target's, which the file takes at the end, synced, unless something failed.

    Parameters
    ----------
    target
        The file's name at the end [no unit].
    """
    handle, name = tempfile.mkstemp(prefix=".part-", suffix=target.suffix, dir=target.parent)
    os.close(handle)
    part = Path(name)
    try:
        yield part
        with part.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(part, target)
        originals.flush_folder(target.parent)
    finally:
        for ending in ("", *_BESIDE, "-journal"):
            part.with_name(part.name + ending).unlink(missing_ok=True)


def copy_database(connection: sqlite3.Connection, part: Path) -> None:
    """Copies a database whole, also while others write in it (SQLite's online backup).

    Parameters
    ----------
    connection
        To the database that is copied [no unit].
    part
        File of the copy [no unit].

    Raises
    ------
    CannotSave
        Where its disk is full or cannot be written.
    """
    with closing(sqlite3.connect(part)) as copy:
        try:
            connection.backup(copy)
        except sqlite3.OperationalError as problem:
            raise CannotSave(f"{part.parent} cannot take the copy ({problem}); free some space there") from None


def set_aside(folder: Path) -> Path | None:
    """Renames a damaged database and what lies beside it; returns its new name. Nothing is thrown away.

    The database goes first: what waits in its write-ahead log must never meet another database.

    Parameters
    ----------
    folder
        Of the log [no unit].
    """
    file = folder / DATABASE
    aside = file.with_name(f"{file.stem}.damaged-{stamp()}{file.suffix}")
    for ending in ("", *_BESIDE):
        old = file.with_name(file.name + ending)
        if old.exists():
            old.rename(aside.with_name(aside.name + ending))
    originals.flush_folder(folder)
    return aside if aside.exists() else None


def stamp() -> str:
    """The moment in UTC, as it stands in names of files."""
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
