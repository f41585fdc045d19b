"""How is a log opened, made where there is none, or found to be lost?"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from sqlalchemy import create_engine, event
from sqlalchemy.exc import SQLAlchemyError

from diagnose.cannot_use import CannotUse
from diagnose.extras import lacking
from diagnose.fieldlog.engines import clear_line, roomy, tuned
from diagnose.fieldlog.log import Log as Log
from diagnose.fieldlog.log import Saved as Saved
from diagnose.fieldlog.migrate import SHAPES, make_or_upgrade, make_whole, shape_of
from diagnose.fieldlog.place import (
    DATABASE,
    as_json,
    has_originals,
    is_bare,
    is_lost,
    lost,
    may_write,
    no_log,
    read_only_engine,
)
from diagnose.fieldlog.place import ORIGINALS as ORIGINALS
from diagnose.fieldlog.query import METRES_PER_DEGREE as METRES_PER_DEGREE
from diagnose.fieldlog.query import Query as Query


def open_log(where: str | Path, make: bool = True) -> Log:
    """Opens the log in a folder or at a SQLAlchemy URL.

    An older log is upgraded after a backup; one on a disk that cannot be written is opened for reading.

    Parameters
    ----------
    where
        Folder, or SQLAlchemy URL of a PostgreSQL database [no unit].
    make
        Whether one is made where there is none [no unit].

    Raises
    ------
    CannotUse
        In one line: for a newer log, for a database that was lost beside its photos, for one that is damaged, and for none
        where none may be made.
    """
    if "://" in str(where):
        return _open_server(str(where), make)
    place = Path(where).expanduser()
    if why := is_lost(place):
        raise lost(place, why)
    if not (place / DATABASE).exists():
        if not make:
            raise no_log(place)
        _begin_log(place)
    elif is_bare(place / DATABASE):
        if has_originals(place):
            raise lost(place, "holds nothing")
        if not make:
            raise no_log(place)
    with clear_line(str(place)):
        return _open_folder(place) if may_write(place / DATABASE) else _open_to_read(place)


@contextmanager
def saving_in(where: str | Path) -> Iterator[Log]:
    """Opens a log to save in; a folder's that was made for it goes again where nothing came to be kept in it.

    So a mistyped name, together with something that is refused, leaves nothing behind.

    Parameters
    ----------
    where
        As `open_log` takes it [no unit].

    Raises
    ------
    CannotUse
        As `open_log` does.
    """
    place = None if "://" in str(where) else Path(where).expanduser()
    if place is None or (place / DATABASE).exists():
        yield open_log(where)
        return
    new = [folder for folder in (place, *place.parents) if not folder.exists()]
    log = open_log(where)
    try:
        yield log
    finally:
        if log.holds_nothing() and not has_originals(place):
            log.engine.dispose()
            _take_away(place / DATABASE, new)


def _take_away(database: Path, folders: list[Path]) -> None:
    """Removes a database without contents, and folders that are empty then, the innermost first."""
    # only who has a database for himself may end its write-ahead log: one that another program opened meanwhile stays
    with suppress(sqlite3.OperationalError), closing(sqlite3.connect(database, timeout=0)) as own:
        if own.execute("pragma journal_mode=delete").fetchone() == ("delete",):
            database.unlink()
    with suppress(OSError):
        for folder in folders:
            folder.rmdir()


def _begin_log(place: Path) -> None:
    try:
        place.mkdir(parents=True, exist_ok=True)
        with clear_line(str(place)):
            make_whole(place / DATABASE, tuned)
    except OSError as problem:
        why = problem.strerror
        raise CannotUse(f"{place} cannot be made a log folder ({why}); choose another with --log") from None


def begin_at(folder: Path, file: Path) -> Log:
    """A new log whose database lies in a file of its own until it is complete.

    Parameters
    ----------
    folder
        Of the log [no unit].
    file
        Of the database meanwhile [no unit].
    """
    engine = tuned(file)
    with clear_line(str(folder)):
        make_or_upgrade(engine, str(folder), None)
    return Log(str(folder), folder, engine)


def _open_folder(place: Path) -> Log:
    engine = tuned(place / DATABASE)
    make_or_upgrade(engine, str(place), place / DATABASE)
    return Log(str(place), place, engine)


def _open_to_read(place: Path) -> Log:
    engine = read_only_engine(place / DATABASE)
    if shape_of(engine) != SHAPES[-1]:  # an older one is upgraded in a copy
        engine = read_only_engine(place / DATABASE, copied=True)
        make_or_upgrade(engine, str(place), None)
    event.listen(engine, "connect", roomy)
    return Log(str(place), place, engine, read_only=True)


def _open_server(url: str, make: bool) -> Log:
    try:
        engine = create_engine(url, pool_pre_ping=True, json_serializer=as_json)
    except ModuleNotFoundError:
        raise lacking("server", "a log on a server") from None
    except SQLAlchemyError:
        raise CannotUse("this is no address of a log; write postgresql+psycopg://user@host/name") from None
    where = engine.url.render_as_string(hide_password=True)
    if engine.dialect.name != "postgresql":
        raise CannotUse(f"{where} is no PostgreSQL address; for SQLite give a folder instead")
    with clear_line(where):
        if not make and shape_of(engine) == "":
            raise CannotUse(f"there is no log in {where}; check the database's name (saving makes a new log there)")
        make_or_upgrade(engine, where, None)
    return Log(where, None, engine)
