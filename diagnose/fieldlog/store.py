"""How is an observation saved, found again, corrected and never lost?

The log is a folder with one SQLite file and the untouched originals. A photo's bytes are on the disk before the
row that names them; a row is there whole or not at all.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Engine, create_engine, event, select
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.orm import Session

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog import originals
from diagnose.fieldlog.tables import SHAPE, About, Base, History, Observation, Photo

DATABASE = "log.sqlite"
ORIGINALS = "originals"
_FIXED = {"id", "saved_at", "photo", "catalogue"}
FIELDS = tuple(column.key for column in Observation.__table__.columns)


@dataclass(frozen=True)
class Saved:
    """What saving did: the observation's id, whether it is new, and one line for the person."""

    id: str
    new: bool
    message: str


@dataclass(frozen=True)
class Log:
    """An open log. folder : holds the database and the originals."""

    folder: Path
    engine: Engine

    def save_observation(self, photo: bytes | None = None, photo_name: str = "", **fields: Any) -> Saved:
        """Saves one observation in one transaction; the photo's bytes are kept first.

        fields : columns of Observation. A photo that is in the log already is not saved twice: the observation
        that has it is returned with a message. Raises CannotUse when nothing could be saved, in one line.
        """
        unknown = set(fields) - set(FIELDS) | set(fields) & {"id", "saved_at", "photo"}
        if unknown:
            raise CannotUse(f"an observation has no field '{sorted(unknown)[0]}'")
        digest = originals.keep(self.folder / ORIGINALS, photo) if photo is not None else None
        with self._writing() as session:
            if digest is not None:
                there = session.scalars(
                    select(Observation).where(Observation.photo == digest, Observation.deleted.is_(False))
                ).first()
                if there is not None:
                    return Saved(there.id, False, f"This photo is in the log already, as observation {there.id[:8]}; "
                                                  "nothing was added.")
                if session.get(Photo, digest) is None:
                    session.add(Photo(sha256=digest, name=photo_name, size=len(photo or b""), kept_at=_now()))
                    session.flush()
            row = Observation(id=str(uuid.uuid4()), saved_at=_now(), photo=digest, **fields)
            session.add(row)
            session.flush()
            session.add(_history(row.id, "saved", str(fields.get("by", "")), {}))
            return Saved(row.id, True, f"Saved as observation {row.id[:8]}.")

    def observations(
        self,
        site: str | None = None,
        leading: str | None = None,
        since: str | None = None,
        until: str | None = None,
        box: tuple[float, float, float, float] | None = None,
        deleted: bool = False,
    ) -> pd.DataFrame:
        """The observations, newest first, a column a field.

        since, until : ISO dates, both included. box : south, north, west, east [degree]. deleted : marked ones too.
        """
        query = select(Observation).order_by(Observation.saved_at.desc())
        if not deleted:
            query = query.where(Observation.deleted.is_(False))
        if site is not None:
            query = query.where(Observation.site == site)
        if leading is not None:
            query = query.where(Observation.leading == leading)
        if since is not None:
            query = query.where(Observation.taken_at >= since)
        if until is not None:
            query = query.where(Observation.taken_at <= f"{until}T23:59:59.999999")
        if box is not None:
            south, north, west, east = box
            query = query.where(Observation.lat.between(south, north), Observation.lon.between(west, east))
        with self._reading() as session:
            rows = [{name: getattr(row, name) for name in FIELDS} for row in session.scalars(query)]
        return pd.DataFrame(rows, columns=list(FIELDS))

    def observation(self, start_of_id: str) -> dict[str, Any]:
        """One whole observation with its history; the first characters of its id are enough."""
        with self._reading() as session:
            row = self._one(session, start_of_id)
            found = {name: getattr(row, name) for name in FIELDS}
            past = session.scalars(select(History).where(History.observation == row.id).order_by(History.at))
            found["history"] = [
                {"at": change.at, "by": change.by, "change": change.change, "before": change.before} for change in past
            ]
        return found

    def correct(self, start_of_id: str, by: str = "", **fields: Any) -> str:
        """Changes fields of an observation and keeps what stood there before; returns its id."""
        unknown = set(fields) - set(FIELDS) | set(fields) & _FIXED
        if unknown:
            raise CannotUse(f"'{sorted(unknown)[0]}' of an observation cannot be changed")
        with self._writing() as session:
            row = self._one(session, start_of_id)
            before = {name: getattr(row, name) for name in fields}
            for name, value in fields.items():
                setattr(row, name, value)
            session.add(_history(row.id, "deleted" if fields.get("deleted") else "corrected", by, before))
            return row.id

    def delete(self, start_of_id: str, by: str = "") -> str:
        """Marks an observation as deleted; its bytes and history stay."""
        return self.correct(start_of_id, by, deleted=True)

    def original(self, digest: str) -> bytes:
        """The untouched bytes of a kept photo. Raises CannotUse when they are gone."""
        try:
            return originals.path_of(self.folder / ORIGINALS, digest).read_bytes()
        except OSError:
            raise CannotUse(f"the original {digest[:12]} is missing from {self.folder / ORIGINALS}") from None

    def _one(self, session: Session, start_of_id: str) -> Observation:
        found = session.scalars(
            select(Observation).where(Observation.id.startswith(start_of_id, autoescape=True)).limit(2)
        ).all()
        if not start_of_id or len(found) != 1:
            which = "no observation" if not found else "more than one observation"
            raise CannotUse(f"{which} has an id that starts with '{start_of_id}'; list them with: diagnose log")
        return found[0]

    @contextmanager
    def _reading(self) -> Iterator[Session]:
        with _clear_line(self.folder), Session(self.engine) as session:
            yield session

    @contextmanager
    def _writing(self) -> Iterator[Session]:
        with _clear_line(self.folder), Session(self.engine) as session, session.begin():
            yield session


def open_log(folder: str | Path) -> Log:
    """Opens the log in this folder, making it where there is none. Raises CannotUse in one line."""
    place = Path(folder).expanduser()
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        why = problem.strerror
        raise CannotUse(f"{place} cannot be made a log folder ({why}); choose another with --log") from None
    engine = create_engine(f"sqlite:///{place / DATABASE}", connect_args={"timeout": 15})
    event.listen(engine, "connect", _durable)
    with _clear_line(place):
        Base.metadata.create_all(engine)
        with Session(engine) as session, session.begin():
            about = session.get(About, 1)
            if about is None:
                session.add(About(id=1, shape=SHAPE))
            elif about.shape > SHAPE:
                raise CannotUse(f"the log in {place} was written by a newer version; update this tool to open it")
    return Log(place, engine)


def _durable(connection: Any, _record: Any) -> None:
    """Every commit is on the disk before it is acknowledged (SQLite: WAL with full syncing)."""
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")


@contextmanager
def _clear_line(folder: Path) -> Iterator[None]:
    try:
        yield
    except OperationalError as problem:
        why = str(problem.orig)
        if "locked" in why:
            raise CannotUse(f"another program holds the log in {folder}; close it and try again") from None
        if "full" in why:
            raise CannotUse(f"the disk of {folder} is full; free some space and save again") from None
        raise CannotUse(f"the log in {folder} cannot be used ({why}); check that it can be written") from None
    except DatabaseError as problem:
        raise CannotUse(f"{folder / DATABASE} is no log ({problem.orig}); choose another folder") from None


def _history(observation: str, change: str, by: str, before: Mapping[str, Any]) -> History:
    return History(id=str(uuid.uuid4()), observation=observation, at=_now(), by=by, change=change, before=dict(before))


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="microseconds")
