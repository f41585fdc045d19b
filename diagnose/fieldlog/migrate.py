"""How does a log that an older version wrote become one that this version can use?"""

from __future__ import annotations

import os
import sqlite3
import uuid
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy import Connection, Engine, inspect, text

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.originals import flush_folder
from diagnose.fieldlog.place import copy_database, part_of, stamp
from diagnose.fieldlog.tables import Base

# of the tables, oldest first; each but the first has a step in migrations/versions
SHAPES = ("0001", "0002", "0003", "0004", "0005", "0006", "0007")
_MIGRATIONS = Path(__file__).parent / "migrations"


def make_or_upgrade(engine: Engine, where: str, file: Path | None) -> None:
    """Makes the tables of an empty database, or brings older ones to the present shape.

    Parameters
    ----------
    engine
        The database [no unit].
    where
        The log, as it is named to a person [no unit].
    file
        Of an embedded log, copied beside itself before an upgrade; None for no copy [no unit].

    Raises
    ------
    CannotUse
        For a newer log.
    """
    shape = shape_of(engine)
    if shape == SHAPES[-1]:
        return
    if shape == "":
        with engine.execution_options(writing=True).begin() as connection:
            _make(connection)
        return
    if shape not in SHAPES:
        raise CannotUse(f"the log in {where} was written by a newer version; update this tool to open it")
    if file is not None:
        back_up(file, shape)
    with engine.execution_options(writing=True).begin() as connection:
        upgrade(connection)


def make_whole(file: Path, opened: Callable[[Path], Engine]) -> None:
    """Makes a new database under another name and only then gives it its own.

    So a database without tables is never one that was just begun. Where the disk knows no hard links nothing is made;
    make_or_upgrade does it then.

    Parameters
    ----------
    file
        Of the new database [no unit].
    opened
        Gives the engine of a file [no unit].
    """
    with TemporaryDirectory(prefix=".part-", dir=file.parent) as folder:
        fresh = Path(folder) / file.name
        engine = opened(fresh)
        make_or_upgrade(engine, str(file.parent), None)
        engine.dispose()  # closing moves what waits in the write-ahead log into the file
        with suppress(OSError):  # it is there already: another program was quicker
            os.link(fresh, file)
    flush_folder(file.parent)


def shape_of(engine: Engine) -> str:
    """Which shape the database's tables have, empty where there are none.

    Parameters
    ----------
    engine
        The database [no unit].
    """
    with engine.execution_options(writing=False).connect() as connection:
        return _shape(connection)


def back_up(file: Path, shape: str) -> Path:
    """Copies the database whole, also while it is in use; returns where the copy lies.

    Parameters
    ----------
    file
        Of the database [no unit].
    shape
        That it has; it becomes part of the copy's name [no unit].
    """
    place = file.with_name(f"{file.stem}.before-{shape}-{stamp()}{file.suffix}")
    with closing(sqlite3.connect(file)) as old, part_of(place) as part:
        copy_database(old, part)
    return place


def upgrade(connection: Connection, to: str = "head") -> None:
    """Runs the steps up to a shape inside the connection's transaction.

    Parameters
    ----------
    connection
        In a transaction [no unit].
    to
        The shape that is wanted [no unit].
    """
    from alembic import command

    settings = _settings(connection)
    if _shape(connection) == SHAPES[0] and not inspect(connection).has_table("alembic_version"):
        command.stamp(settings, SHAPES[0])
    command.upgrade(settings, to)


def _settings(connection: Connection) -> Any:
    from alembic.config import Config

    settings = Config()
    settings.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    settings.attributes["connection"] = connection
    return settings


def _shape(connection: Connection) -> str:
    """Which shape the tables have, empty where there are none. Logs of the first shape carry no mark."""
    tables = inspect(connection)
    if tables.has_table("alembic_version"):
        return str(connection.execute(text("select version_num from alembic_version")).scalar_one_or_none() or "")
    return SHAPES[0] if tables.has_table("observation") else ""


def _make(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text("select pg_advisory_xact_lock(7022)"))
    if _shape(connection):  # another program made them meanwhile
        return
    Base.metadata.create_all(connection)
    connection.execute(text("create table alembic_version (version_num varchar(32) not null primary key)"))
    connection.execute(text("insert into alembic_version values (:shape)"), {"shape": SHAPES[-1]})
    connection.execute(text("insert into about (id, salt) values (1, :salt)"), {"salt": str(uuid.uuid4())})
