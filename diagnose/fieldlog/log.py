"""How is an observation saved, found again, corrected and never lost?

The log is a folder with one SQLite file and the untouched originals, or a PostgreSQL database that holds both. A
photo's bytes are on the disk before the row that names them; a row is there whole or not at all.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from diagnose.cannot_use import CannotSave, CannotUse
from diagnose.fieldlog import originals
from diagnose.fieldlog.changes import in_order, latest, resolve
from diagnose.fieldlog.engines import clear_line
from diagnose.fieldlog.fields import checked, names
from diagnose.fieldlog.history import changes_of, row_of, stand
from diagnose.fieldlog.likeness import likeness
from diagnose.fieldlog.place import ORIGINALS
from diagnose.fieldlog.query import EVERY, FIELDS, Placed, Query, frame, statement, window_sql, within_reach
from diagnose.fieldlog.rows import first_change, insert_rows, now, whole_row
from diagnose.fieldlog.tables import KINDS, About, History, Observation, Original, Photo, Picture

_AT_ONCE = 2_000  # rows written or read together, so that memory does not grow with the log


@dataclass(frozen=True)
class Saved:
    """What saving did.

    Parameters
    ----------
    id, new
        The observation's, and is it new? [no unit]
    message
        One line for the person [no unit].
    """

    id: str
    new: bool
    message: str


@dataclass(frozen=True)
class Log:
    """An open log.

    Every method raises CannotUse, in one line, for what is given wrongly, and CannotSave where the database or the disk
    refuses; what was not saved whole is not saved.

    Parameters
    ----------
    where
        What was opened, as it is named to a person [no unit].
    folder, engine
        Of the originals, None where a server keeps them; and the database [no unit].
    read_only
        Whether it lies where nothing can be written [no unit].
    """

    where: str
    folder: Path | None
    engine: Engine
    read_only: bool = False

    def identity(self) -> uuid.UUID:
        """What tells this log from every other one, and stays the same in its backups. It tells nothing else."""
        with self.reading() as session:
            return uuid.uuid5(uuid.UUID(session.scalars(select(About.salt)).one()), "identity of the log")

    def changes(self) -> int:
        """How many changes the log holds; it grows with each, so that what was worked out of it holds while it stays."""
        with self.reading() as session:
            return session.scalars(select(func.count()).select_from(History)).one()

    def save_observation(self, photo: bytes | None = None, photo_name: str = "", seen_as: str | None = None,
                         **fields: Any) -> Saved:
        """Saves one observation in one transaction; the photo's bytes are kept first.

        A photo that is in the log already is not saved twice: the observation that has it is returned with a message.

        Parameters
        ----------
        photo, photo_name
            The file's bytes, None for an observation without one, and its name [no unit].
        seen_as
            The photo's perceptual hash, where it is known already [no unit].
        **fields
            Columns of Observation, each in its unit.
        """
        values = checked("observation", fields, frozenset({"photo"}))
        seen_as = likeness(photo) if photo is not None and seen_as is None else seen_as
        digest = None if photo is None else self._keep_file(photo)
        with self.writing() as session:
            if photo is not None and digest is not None:
                self._one_writer(session)
                there = session.scalars(
                    select(Observation.id).where(Observation.photo == digest, Observation.deleted.is_(False))
                ).first()
                if there is not None:
                    return Saved(there, False, f"This photo is in the log already, as observation {there[:8]}; "
                                               "nothing was added.")
                self._keep_row(session, digest, photo, photo_name, seen_as)
                values["photo"] = digest
            name = self._add(session, "observation", values)
            return Saved(name, True, f"Saved as observation {name[:8]}.")

    def save_observations(self, rows: Iterable[Mapping[str, Any]]) -> int:
        """Saves many observations without photos in one transaction: all or none. Returns how many.

        Parameters
        ----------
        rows
            Columns of Observation, each in its unit. A row may bring its own id, where it has one that the log would
            make itself.
        """
        count = 0
        supply = iter(rows)
        with self.writing() as session:
            while some := [whole_row(row) for row in islice(supply, _AT_ONCE)]:
                count += insert_rows(session, some)
        return count

    def save(self, kind: str, photo: bytes | None = None, photo_name: str = "", **fields: Any) -> str:
        """Saves a record of a kind in one transaction; returns its id.

        Parameters
        ----------
        kind
            Site, visit, plot, plant, barrier, check or another of KINDS [no unit].
        photo, photo_name
            Bytes of a barrier's or a check's photo, which are kept first, and the file's name [no unit].
        **fields
            Columns of the kind's table, each in its unit.

        Raises
        ------
        CannotUse
            For a field that makes no sense, and for a photo of what has none of its own.
        """
        values = checked(kind, fields, frozenset({"photo", "observation"}))
        if photo is None:
            with self.writing() as session:
                return self._add(session, kind, values)
        if "photo" not in names(kind):
            raise CannotUse(f"a {kind} has no photo of its own; add it to an observation")
        seen_as, digest = likeness(photo), self._keep_file(photo)
        with self.writing() as session:
            self._one_writer(session)
            self._keep_row(session, digest, photo, photo_name, seen_as)
            return self._add(session, kind, {**values, "photo": digest})

    def take_photo(self, photo: bytes, photo_name: str = "") -> tuple[str, str | None]:
        """Keeps a photo that belongs to no record yet; returns its SHA-256 and its perceptual hash (None for no picture).

        Parameters
        ----------
        photo, photo_name
            The file's bytes, and its name [no unit].
        """
        seen_as, digest = likeness(photo), self._keep_file(photo)
        with self.writing() as session:
            self._one_writer(session)
            self._keep_row(session, digest, photo, photo_name, seen_as)
        return digest, seen_as

    def save_many(self, kind: str, rows: Iterable[Mapping[str, Any]]) -> list[str]:
        """Saves many records of one kind, without photos, in one transaction: all or none. Returns their ids.

        Parameters
        ----------
        kind
            Of KINDS [no unit].
        rows
            Columns of the kind's table, each in its unit.
        """
        fixed = frozenset({"photo", "observation"})
        with self.writing() as session:
            made = [{"id": str(uuid.uuid4()), "saved_at": now(), **checked(kind, row, fixed)} for row in rows]
            session.add_all(KINDS[kind](**row) for row in made)
            session.flush()  # all at once: one by one took four times as long
            session.add_all(History(**first_change(kind, row)) for row in made)
        return [str(row["id"]) for row in made]

    def add_photo(self, start_of_id: str, photo: bytes, photo_name: str = "", role: str = "context",
                  by: str = "") -> str:
        """Adds a further photo to an observation; returns the id of its row.

        Parameters
        ----------
        start_of_id
            First characters of the observation's id [no unit].
        photo, photo_name
            The file's bytes, and its name [no unit].
        role, by
            What the photo shows, e.g. "context" or "close-up", and the initials of who adds it [no unit].
        """
        values = checked("picture", {"role": role, "by": by})
        seen_as, digest = likeness(photo), self._keep_file(photo)
        with self.writing() as session:
            one = row_of(session, start_of_id)
            self._one_writer(session)
            self._keep_row(session, digest, photo, photo_name, seen_as)
            return self._add(session, "picture", {**values, "observation": one.id, "photo": digest})

    def observations(self, query: Query = EVERY, columns: Sequence[str] = FIELDS, newest: int | None = None) -> pd.DataFrame:
        """The observations that are asked for, newest first, a column a field.

        Parameters
        ----------
        query
            Which ones [no unit].
        columns
            Only these fields, of FIELDS [no unit].
        newest
            At most so many, the latest saved; None for all [no unit].
        """
        with self.reading() as session:
            rows = session.connection().execute(statement(query, columns, newest)).fetchall()
        return within_reach(frame(rows, columns), query).reset_index(drop=True)

    def parts(self, query: Query = EVERY, columns: Sequence[str] = FIELDS, newest: int | None = None,
              at_once: int = _AT_ONCE, as_text: bool = False) -> Iterator[pd.DataFrame]:
        """The same observations in frames of at most so many rows, so that memory does not grow with the log.

        There is always a first frame, though it may be without rows.

        Parameters
        ----------
        query, columns, newest
            As `observations` takes them [no unit].
        at_once
            Rows a frame at most [no unit].
        as_text
            Whether nested fields stay the JSON that is stored; it costs half as much [no unit].
        """
        asked = statement(query, columns, newest).execution_options(yield_per=at_once)
        none = True
        with self.reading() as session:
            for some in session.connection().execute(asked).partitions():
                found = within_reach(frame(some, columns, as_text), query)
                if len(found):
                    none = False
                    yield found
        if none:
            yield pd.DataFrame(columns=list(columns))

    def values_of(self, field: str) -> list[str]:
        """The values that a field of the observations has, in alphabetical order; empty ones left out.

        Parameters
        ----------
        field
            Of FIELDS [no unit].

        Raises
        ------
        CannotUse
            For another field.
        """
        if field not in FIELDS:
            raise CannotUse(f"an observation has no field '{field}'")
        column = getattr(Observation, field)
        with self.reading() as session:
            found = session.scalars(select(column).where(Observation.deleted.is_(False)).distinct()).all()
        return sorted(filter(None, found))

    def window(self, south: float, north: float, west: float, east: float) -> list[Placed]:
        """What a map shows of a box.

        The statement goes to the driver as it is, so that a map moves as fast as the database can.

        Parameters
        ----------
        south, north, west, east
            The box's edges; west above east crosses the 180th meridian [degree].

        Raises
        ------
        CannotUse, CannotSave
            Where the database does not answer: the driver's OperationalError, said in one line by `clear_line`.
        """
        parts = [(west, east)] if west <= east else [(west, 180.0), (-180.0, east)]
        asked = window_sql(self.engine.dialect.name)
        with clear_line(self.where), closing(self.engine.raw_connection()) as connection:
            cursor = connection.cursor()
            found: list[Any] = []
            try:
                for left, right in parts:
                    found += cursor.execute(asked, (south, north, left, right)).fetchall()
            except self.engine.dialect.loaded_dbapi.Error as problem:
                raise OperationalError(asked, None, problem) from problem
        return list(map(Placed._make, found))

    def records(self, kind: str, deleted: bool = False, **equal: Any) -> pd.DataFrame:
        """Records of a kind, a column a field. A text that is missing is None, a number that is missing NaN.

        Parameters
        ----------
        kind
            Of KINDS [no unit].
        deleted
            Whether those marked as deleted are asked for too [no unit].
        **equal
            Fields and the values they must have, each in its unit.

        Raises
        ------
        CannotUse
            For another kind or field.
        """
        columns, table = names(kind), KINDS[kind]
        if unknown := set(equal) - set(columns):
            raise CannotUse(f"a {kind} has no field '{sorted(unknown)[0]}'")
        query = select(*(getattr(table, name) for name in columns)).order_by(table.saved_at, table.id)
        query = query.where(*(getattr(table, name) == value for name, value in equal.items()))
        if not deleted:
            query = query.where(table.deleted.is_(False))
        with self.reading() as session:
            return frame(session.execute(query).fetchall(), columns, as_text=True)  # the nested ones are read already

    def observation(self, start_of_id: str) -> dict[str, Any]:
        """One whole observation, its photos and history.

        Parameters
        ----------
        start_of_id
            First characters of its id [no unit].
        """
        found = self.record("observation", start_of_id)
        with self.reading() as session:
            more = session.scalars(
                select(Picture).where(Picture.observation == found["id"], Picture.deleted.is_(False))
            ).all()
            found["pictures"] = [{"photo": each.photo, "role": each.role} for each in more]
        return found

    def record(self, kind: str, start_of_id: str) -> dict[str, Any]:
        """One record of a kind with its history, oldest change first, and what people disagree about.

        Parameters
        ----------
        kind, start_of_id
            Its kind, of KINDS, and the first characters of its id [no unit].
        """
        with self.reading() as session:
            row = row_of(session, start_of_id, kind)
            found = {name: getattr(row, name) for name in names(kind)}
            past = changes_of(session, row.id)
        found["history"] = [
            {"at": each.at, "by": each.by, "change": each.change, "before": each.before, "after": each.after}
            for each in in_order(past)
        ]
        found["disputes"] = {
            field: [{"at": side.at, "by": side.by, "value": side.after.get(field, side.after)} for side in sides]
            for field, sides in resolve(found, past).disputes.items()
        }
        return found

    def correct(self, start_of_id: str, by: str = "", kind: str = "observation", **fields: Any) -> str:
        """Changes fields of a record and keeps what stood there before; returns its id.

        Writing a disputed field ends its dispute.

        Parameters
        ----------
        start_of_id, kind
            First characters of the record's id, and its kind, of KINDS [no unit].
        by
            Initials of who corrects [no unit].
        **fields
            What is right, each in the field's unit.
        """
        values = checked(kind, fields, frozenset({"photo", "catalogue", "observation"}))
        with self.writing() as session:
            row = row_of(session, start_of_id, kind)
            self._lock(session, row)
            past = changes_of(session, row.id)
            change = "deleted" if fields.get("deleted") else "restored" if "deleted" in fields else "corrected"
            before = {name: getattr(row, name) for name in values}
            session.add(History(id=str(uuid.uuid4()), kind=kind, record=row.id, at=now(), by=by, change=change,
                                before=before, after=values, seen=latest(past)))
            session.flush()
            stand(row, changes_of(session, row.id))
            return row.id

    def delete(self, start_of_id: str, by: str = "", kind: str = "observation") -> str:
        """Marks a record as deleted; its bytes and history stay.

        Parameters
        ----------
        start_of_id, by, kind
            As `correct` takes them [no unit].
        """
        return self.correct(start_of_id, by, kind, deleted=True)

    def restore(self, start_of_id: str, by: str = "", kind: str = "observation") -> str:
        """Takes the mark of deletion away again.

        Parameters
        ----------
        start_of_id, by, kind
            As `correct` takes them [no unit].
        """
        return self.correct(start_of_id, by, kind, deleted=False)

    def original(self, digest: str) -> bytes:
        """The untouched bytes of a kept photo.

        Parameters
        ----------
        digest
            SHA-256 of the bytes, hexadecimal [no unit].

        Raises
        ------
        CannotUse
            Where it is missing.
        """
        if self.folder is None:
            with self.reading() as session:
                found = session.get(Original, digest)
                data = None if found is None else found.data
        else:
            place = originals.path_of(self.folder / ORIGINALS, digest)
            data = place.read_bytes() if place.is_file() else None
        if data is None:
            raise CannotUse(f"the original {digest[:12]} is missing from {self.where}; run: diagnose log verify")
        return data

    def keep_photo(self, session: Session, digest: str, data: bytes, name: str, kept_at: str,
                   seen_as: str | None) -> None:
        """Keeps a photo that came from another log, with the name and time that it has there.

        Parameters
        ----------
        session
            That writes [no unit].
        digest, data
            SHA-256, hexadecimal, and the bytes that must have it [no unit].
        name, kept_at, seen_as
            The file's name, when it was kept (ISO 8601), and its perceptual hash there [no unit].

        Raises
        ------
        CannotUse
            Where the bytes have another SHA-256.
        """
        if hashlib.sha256(data).hexdigest() != digest:
            raise CannotUse(f"the photo {digest[:12]} of the other log is damaged; verify that log first")
        self._keep_file(data)
        self._keep_row(session, digest, data, name, seen_as, kept_at)

    def _must_be_writable(self) -> None:
        if self.read_only:
            raise CannotSave(f"the log in {self.where} can only be read where it lies; nothing was saved. Copy it to a "
                             f"place that can be written: diagnose backup FOLDER --log {self.where}")

    def _keep_file(self, photo: bytes) -> str:
        self._must_be_writable()
        if self.folder is None:
            return hashlib.sha256(photo).hexdigest()
        return originals.keep(self.folder / ORIGINALS, photo)

    def _keep_row(self, session: Session, digest: str, photo: bytes, name: str, seen_as: str | None,
                  kept_at: str | None = None) -> None:
        if session.get(Photo, digest) is not None:
            return
        if self.folder is None and session.get(Original, digest) is None:
            session.add(Original(sha256=digest, data=photo))
        session.add(Photo(sha256=digest, name=name, size=len(photo), kept_at=kept_at or now(), likeness=seen_as))
        session.flush()

    def _add(self, session: Session, kind: str, values: Mapping[str, Any]) -> str:
        row = {"id": str(uuid.uuid4()), "saved_at": now(), **values}
        session.add(KINDS[kind](**row))
        session.flush()
        session.add(History(**first_change(kind, row)))
        return str(row["id"])

    def _one_writer(self, session: Session) -> None:
        """Nobody else adds a photo until this transaction ends (SQLite has one writer anyway)."""
        if self.folder is None:
            session.execute(text("select pg_advisory_xact_lock(7021)"))

    def _lock(self, session: Session, row: Any) -> None:
        if self.folder is None:
            session.refresh(row, with_for_update=True)

    def holds_nothing(self) -> bool:
        """Was nothing ever kept in it, neither a record nor a photo?"""
        with self.reading() as session:
            return not any(session.execute(select(table).limit(1)).first() for table in (History, Photo))

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that sees one state of the log."""
        with clear_line(self.where), Session(self.engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A session whose changes are all kept, synced to the disk, or none."""
        self._must_be_writable()
        writer = self.engine.execution_options(writing=True)
        with clear_line(self.where), Session(writer) as session, session.begin():
            yield session
