"""How is the database spoken to, so that what was acknowledged is kept, and what goes wrong is one clear line?"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event
from sqlalchemy.exc import DatabaseError, OperationalError

from diagnose.cannot_use import CannotSave, CannotUse
from diagnose.fieldlog.place import engine_of


def tuned(file: Path) -> Engine:
    """The database in a file, kept as logs are kept.

    Parameters
    ----------
    file
        Of SQLite; made where it is not there [no unit].
    """
    engine = engine_of(file)
    event.listen(engine, "connect", durable)
    event.listen(engine, "connect", roomy)
    event.listen(engine, "begin", _begin)
    return engine


def durable(connection: Any, _record: Any = None) -> None:
    """Every commit is on the disk before it is acknowledged (SQLite: WAL with full syncing).

    Parameters
    ----------
    connection
        Of the driver, just opened [no unit].
    """
    connection.isolation_level = None  # transactions begin where we say, not where the driver thinks
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")


def roomy(connection: Any, _record: Any = None) -> None:
    """Room for the indexes' pages [64 MB]: random ids touch them all, and a small cache writes them again and again.

    Parameters
    ----------
    connection
        Of the driver, just opened [no unit].
    """
    connection.execute("PRAGMA cache_size=-65536")


def _begin(connection: Any) -> None:
    """A writer takes the lock at once: two that had both read first would otherwise refuse each other."""
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


@contextmanager
def clear_line(where: str) -> Iterator[None]:
    """What the database cannot do inside it is said in one line that names the log.

    Parameters
    ----------
    where
        The log, as it is named to a person [no unit].

    Raises
    ------
    CannotSave
        Where another program holds the log, or the disk is full or cannot be written.
    CannotUse
        Where it is no log, or is damaged.
    """
    try:
        yield
    except OperationalError as problem:
        why = " ".join(str(problem.orig).split())
        if "locked" in why:
            raise CannotSave(f"another program holds the log in {where}; close it and try again") from None
        if "full" in why:
            raise CannotSave(f"the disk of {where} is full; free some space and save again") from None
        raise CannotSave(f"the log in {where} cannot be used ({why}); check that it can be written") from None
    except DatabaseError as problem:
        why = " ".join(str(problem.orig).split())
        if "UNIQUE" in why or "duplicate key" in why:
            raise CannotUse("a record with this id is in the log already; nothing was saved") from None
        raise CannotUse(f"{where} is no log, or is damaged ({why}); choose another, or use its backup") from None
