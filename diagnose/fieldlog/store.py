"""How is an observation saved, found again, corrected and never lost?

The log is a folder with one SQLite file and the untouched originals, or a PostgreSQL database that holds both. A
photo's bytes are on the disk before the row that names them; a row is there whole or not at all.
"""

from __future__ import annotations

import hashlib
import json
import math
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from sqlalchemy import ColumnElement, Engine, Select, Text, and_, cast, create_engine, event, insert, or_, select, text
from sqlalchemy.exc import DatabaseError, OperationalError, SQLAlchemyError
from sqlalchemy.orm import Session

from diagnose.cannot_use import CannotSave, CannotUse
from diagnose.fieldlog import originals
from diagnose.fieldlog.changes import Change, in_order, latest, settle
from diagnose.fieldlog.fields import checked, is_id, names
from diagnose.fieldlog.likeness import likeness
from diagnose.fieldlog.migrate import SHAPES, make_or_upgrade, make_whole, shape_of
from diagnose.fieldlog.place import (
    DATABASE,
    ORIGINALS,
    as_json,
    engine_of,
    has_originals,
    is_bare,
    is_lost,
    lost,
    may_write,
    no_log,
    read_only_engine,
)
from diagnose.fieldlog.tables import KINDS, About, Base, History, Observation, Original, Photo, Picture

FIELDS = names("observation")
EARTH_M = 6_371_008.8  # mean radius of GRS 80, Moritz 2000, J. Geodesy 74 [m]
NESTED = ("signs", "verdict", "barrier")
_YES_NO = ("taken_local", "deleted", "disputed")
_AT_ONCE = 2_000  # rows written or read together, so that memory does not grow with the log


@dataclass(frozen=True)
class Saved:
    """What saving did: the observation's id, whether it is new, and one line for the person."""

    id: str
    new: bool
    message: str


class Seen(NamedTuple):
    """What a map shows of an observation. lat, lon [degree]; error_m [m]."""

    id: str
    lat: float
    lon: float
    error_m: float | None
    taken_at: str | None
    leading: str | None
    site: str
    plant: str


@dataclass(frozen=True)
class Log:
    """An open log. where : what was opened, for messages. folder : of the originals, None where a server keeps them.

    read_only : it lies where nothing can be written.
    """

    where: str
    folder: Path | None
    engine: Engine
    read_only: bool = False

    def identity(self) -> uuid.UUID:
        """What tells this log from every other one, and stays the same in its backups. It tells nothing else."""
        with self.reading() as session:
            return uuid.uuid5(uuid.UUID(session.scalars(select(About.salt)).one()), "identity of the log")

    def save_observation(self, photo: bytes | None = None, photo_name: str = "", seen_as: str | None = None,
                         **fields: Any) -> Saved:
        """Saves one observation in one transaction; the photo's bytes are kept first.

        fields : columns of Observation. seen_as : the photo's likeness, where it is known already. A photo that is in
        the log already is not saved twice: the observation that has it is returned with a message. Raises CannotUse
        when nothing could be saved, in one line.
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

        A row may bring its own id, where it has one that the log would make itself.
        """
        count = 0
        supply = iter(rows)
        with self.writing() as session:
            while some := [whole_row(row) for row in islice(supply, _AT_ONCE)]:
                count += insert_rows(session, some)
        return count

    def save(self, kind: str, photo: bytes | None = None, photo_name: str = "", **fields: Any) -> str:
        """Saves a site, visit, plot, plant, barrier or check in one transaction; returns its id.

        photo : of a barrier or a check; its bytes are kept first.
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
        """Keeps a photo that belongs to no record yet; returns its SHA-256 and its likeness (None for no picture)."""
        seen_as, digest = likeness(photo), self._keep_file(photo)
        with self.writing() as session:
            self._one_writer(session)
            self._keep_row(session, digest, photo, photo_name, seen_as)
        return digest, seen_as

    def save_many(self, kind: str, rows: Iterable[Mapping[str, Any]]) -> list[str]:
        """Saves many records of one kind, without photos, in one transaction: all or none. Returns their ids."""
        fixed = frozenset({"photo", "observation"})
        with self.writing() as session:
            return [self._add(session, kind, checked(kind, row, fixed)) for row in rows]

    def add_photo(self, start_of_id: str, photo: bytes, photo_name: str = "", role: str = "context",
                  by: str = "") -> str:
        """Adds a further photo to an observation; returns the id of its row."""
        values = checked("picture", {"role": role, "by": by})
        seen_as, digest = likeness(photo), self._keep_file(photo)
        with self.writing() as session:
            one = self.find(session, start_of_id)
            self._one_writer(session)
            self._keep_row(session, digest, photo, photo_name, seen_as)
            return self._add(session, "picture", {**values, "observation": one.id, "photo": digest})

    def observations(
        self,
        site: str | None = None,
        leading: str | None = None,
        since: str | None = None,
        until: str | None = None,
        box: tuple[float, float, float, float] | None = None,
        deleted: bool = False,
        near: tuple[float, float, float] | None = None,
        columns: tuple[str, ...] = FIELDS,
        newest: int | None = None,
    ) -> pd.DataFrame:
        """The observations, newest first, a column a field.

        since, until : days as ISO 8601 writes them, both included; else CannotUse. box : south, north, west, east
        [degree]; west above east crosses the 180th meridian. near : latitude, longitude [degree] and how far away at
        most [m]. deleted : marked ones too. columns : only these fields. newest : at most so many, the latest saved.
        """
        query = _query(columns, site, leading, since, until, box, deleted, near, newest)
        with self.reading() as session:
            found = _frame(session.connection().execute(query).fetchall(), columns)
        return found if near is None else _near(found, *near).reset_index(drop=True)

    def parts(
        self,
        at_once: int = _AT_ONCE,
        site: str | None = None,
        leading: str | None = None,
        since: str | None = None,
        until: str | None = None,
        box: tuple[float, float, float, float] | None = None,
        deleted: bool = False,
        near: tuple[float, float, float] | None = None,
        columns: tuple[str, ...] = FIELDS,
        newest: int | None = None,
        as_text: bool = False,
    ) -> Iterator[pd.DataFrame]:
        """The same observations in frames of at most so many rows, so that memory does not grow with the log.

        There is always a first frame, though it may be without rows. as_text : nested fields as the JSON that is stored;
        it costs half as much.
        """
        query = _query(columns, site, leading, since, until, box, deleted, near, newest)
        none = True
        with self.reading() as session:
            answer = session.connection().execute(query.execution_options(yield_per=at_once))
            for some in answer.partitions():
                found = _frame(some, columns, as_text)
                found = found if near is None else _near(found, *near)
                if len(found):
                    none = False
                    yield found
        if none:
            yield pd.DataFrame(columns=list(columns))

    def told(self, field: str) -> list[str]:
        """The values that a field of the observations has, in alphabetical order; empty ones left out."""
        if field not in FIELDS:
            raise CannotUse(f"an observation has no field '{field}'")
        column = getattr(Observation, field)
        with self.reading() as session:
            found = session.scalars(select(column).where(Observation.deleted.is_(False)).distinct()).all()
        return sorted(filter(None, found))

    def window(self, south: float, north: float, west: float, east: float) -> list[Seen]:
        """What a map shows of a box [degree]; west above east crosses the 180th meridian.

        The statement goes to the driver as it is, so that a map moves as fast as the database can.
        """
        parts = [(west, east)] if west <= east else [(west, 180.0), (-180.0, east)]
        asked = _window(self.engine.dialect.name)
        with _clear_line(self.where), closing(self.engine.raw_connection()) as connection:
            cursor = connection.cursor()
            found: list[Any] = []
            try:
                for left, right in parts:
                    found += cursor.execute(asked, (south, north, left, right)).fetchall()
            except self.engine.dialect.loaded_dbapi.Error as problem:
                raise OperationalError(asked, None, problem) from problem
        return list(map(Seen._make, found))

    def records(self, kind: str, deleted: bool = False, **equal: Any) -> pd.DataFrame:
        """Records of a kind (site, visit, plot, plant, barrier, picture, observation), a column a field.

        equal : fields and the values they must have. A text that is missing is None, a number that is missing NaN.
        """
        columns, table = names(kind), KINDS[kind]
        if unknown := set(equal) - set(columns):
            raise CannotUse(f"a {kind} has no field '{sorted(unknown)[0]}'")
        query = select(*(getattr(table, name) for name in columns)).order_by(table.saved_at, table.id)
        query = query.where(*(getattr(table, name) == value for name, value in equal.items()))
        if not deleted:
            query = query.where(table.deleted.is_(False))
        with self.reading() as session:
            return _frame(session.execute(query).fetchall(), columns, as_text=True)  # the nested ones are read already

    def observation(self, start_of_id: str) -> dict[str, Any]:
        """One whole observation, its photos and history; the first characters of its id are enough."""
        found = self.record("observation", start_of_id)
        with self.reading() as session:
            more = session.scalars(
                select(Picture).where(Picture.observation == found["id"], Picture.deleted.is_(False))
            ).all()
            found["pictures"] = [{"photo": each.photo, "role": each.role} for each in more]
        return found

    def record(self, kind: str, start_of_id: str) -> dict[str, Any]:
        """One record of a kind with its history, oldest change first, and what people disagree about."""
        with self.reading() as session:
            row = self.find(session, start_of_id, kind)
            found = {name: getattr(row, name) for name in names(kind)}
            past = changes_of(session, row.id)
        found["history"] = [
            {"at": each.at, "by": each.by, "change": each.change, "before": each.before, "after": each.after}
            for each in in_order(past)
        ]
        found["disputes"] = {
            field: [{"at": side.at, "by": side.by, "value": side.after.get(field, side.after)} for side in sides]
            for field, sides in settle(found, past).disputes.items()
        }
        return found

    def correct(self, start_of_id: str, by: str = "", kind: str = "observation", **fields: Any) -> str:
        """Changes fields of a record and keeps what stood there before; returns its id.

        Writing a disputed field settles its dispute. Raises CannotUse for a field that cannot be changed.
        """
        values = checked(kind, fields, frozenset({"photo", "catalogue", "observation"}))
        with self.writing() as session:
            row = self.find(session, start_of_id, kind)
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
        """Marks a record as deleted; its bytes and history stay."""
        return self.correct(start_of_id, by, kind, deleted=True)

    def restore(self, start_of_id: str, by: str = "", kind: str = "observation") -> str:
        """Takes the mark of deletion away again."""
        return self.correct(start_of_id, by, kind, deleted=False)

    def original(self, digest: str) -> bytes:
        """The untouched bytes of a kept photo. Raises CannotUse when they are gone."""
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
        """Keeps a photo that came from another log, with the name and time that it has there."""
        if hashlib.sha256(data).hexdigest() != digest:
            raise CannotUse(f"the photo {digest[:12]} of the other log is damaged; verify that log first")
        self._keep_file(data)
        self._keep_row(session, digest, data, name, seen_as, kept_at)

    def find(self, session: Session, start_of_id: str, kind: str = "observation") -> Any:
        """The row whose id starts so. Raises CannotUse when there is none or more than one."""
        names(kind)
        table = KINDS[kind]
        found = session.scalars(
            select(table).where(table.id.startswith(start_of_id, autoescape=True)).limit(2)
        ).all()
        if not start_of_id or len(found) != 1:
            which = f"no {kind}" if not found else f"more than one {kind}"
            raise CannotUse(f"{which} has an id that starts with '{start_of_id}'; list them with: diagnose log")
        return found[0]

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
        session.add(History(**_saved(kind, row)))
        return str(row["id"])

    def _one_writer(self, session: Session) -> None:
        """Nobody else adds a photo until this transaction ends (SQLite has one writer anyway)."""
        if self.folder is None:
            session.execute(text("select pg_advisory_xact_lock(7021)"))

    def _lock(self, session: Session, row: Any) -> None:
        if self.folder is None:
            session.refresh(row, with_for_update=True)

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that sees one state of the log."""
        with _clear_line(self.where), Session(self.engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A session whose changes are all kept, synced to the disk, or none."""
        self._must_be_writable()
        writer = self.engine.execution_options(writing=True)
        with _clear_line(self.where), Session(writer) as session, session.begin():
            yield session


def open_log(where: str | Path, make: bool = True) -> Log:
    """Opens the log in a folder or at a SQLAlchemy URL.

    make : whether one is made where there is none. An older log is upgraded after a backup; one on a disk that cannot be
    written is opened for reading. Raises CannotUse in one line: for a newer log, for a database that was lost beside its
    photos, for one that is damaged, and for none where none may be made.
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
    with _clear_line(str(place)):
        return _open_folder(place) if may_write(place / DATABASE) else _open_to_read(place)


def _begin_log(place: Path) -> None:
    try:
        place.mkdir(parents=True, exist_ok=True)
        make_whole(place / DATABASE, _tuned)
    except OSError as problem:
        why = problem.strerror
        raise CannotUse(f"{place} cannot be made a log folder ({why}); choose another with --log") from None


def begin_at(folder: Path, file: Path) -> Log:
    """A new log whose database lies in a file of its own until it is complete."""
    engine = _tuned(file)
    with _clear_line(str(folder)):
        make_or_upgrade(engine, str(folder), None)
    return Log(str(folder), folder, engine)


def _tuned(file: Path) -> Engine:
    """The database in a file, kept as logs are kept."""
    engine = engine_of(file)
    event.listen(engine, "connect", _durable)
    event.listen(engine, "connect", _roomy)
    event.listen(engine, "begin", _begin)
    return engine


def _open_folder(place: Path) -> Log:
    engine = _tuned(place / DATABASE)
    make_or_upgrade(engine, str(place), place / DATABASE)
    return Log(str(place), place, engine)


def _open_to_read(place: Path) -> Log:
    engine = read_only_engine(place / DATABASE)
    if shape_of(engine) != SHAPES[-1]:  # an older one is upgraded in a copy
        engine = read_only_engine(place / DATABASE, copied=True)
        make_or_upgrade(engine, str(place), None)
    event.listen(engine, "connect", _roomy)
    return Log(str(place), place, engine, read_only=True)


def _open_server(url: str, make: bool) -> Log:
    try:
        engine = create_engine(url, pool_pre_ping=True, json_serializer=as_json)
    except ModuleNotFoundError:
        raise CannotUse('a log on a server needs its driver: pip install "browse-diagnose[server]"') from None
    except SQLAlchemyError:
        raise CannotUse("this is no address of a log; write postgresql+psycopg://user@host/name") from None
    where = engine.url.render_as_string(hide_password=True)
    if engine.dialect.name != "postgresql":
        raise CannotUse(f"{where} is no PostgreSQL address; for SQLite give a folder instead")
    with _clear_line(where):
        if not make and shape_of(engine) == "":
            raise CannotUse(f"there is no log in {where}; check the database's name (saving makes a new log there)")
        make_or_upgrade(engine, where, None)
    return Log(where, None, engine)


def changes_of(session: Session, record: str) -> list[Change]:
    """Every change of one record, in no order."""
    found = session.scalars(select(History).where(History.record == record))
    return [as_change(row) for row in found]


def as_change(row: Any) -> Change:
    """A history row as a change."""
    return Change(row.id, row.at, row.by, row.change, row.before, row.after, tuple(row.seen))


def stand(row: Any, changes: list[Change]) -> None:
    """Writes into the row what stands after the changes."""
    settled = settle({}, changes)
    for field, value in settled.values.items():
        setattr(row, field, value)
    row.disputed = bool(settled.disputes)


def _query(
    columns: tuple[str, ...], site: str | None, leading: str | None, since: str | None, until: str | None,
    box: tuple[float, float, float, float] | None, deleted: bool, near: tuple[float, float, float] | None,
    newest: int | None,
) -> Select[Any]:
    if near is not None and not {"lat", "lon"} <= set(columns):
        raise CannotUse("what lies near a point needs the columns lat and lon")
    asked = _conditions(site, leading, since, until, box, deleted, near)
    wanted = [cast(getattr(Observation, name), Text) if name in NESTED else getattr(Observation, name) for name in columns]
    return select(*wanted).where(*asked).order_by(Observation.saved_at.desc(), Observation.id).limit(newest)


def _frame(rows: Sequence[Any], columns: tuple[str, ...], as_text: bool = False) -> pd.DataFrame:
    """Rows as a frame, built column by column; a missing text is None: pandas' own text columns make it NaN, which is true
    and no text. as_text : nested fields as they were read."""
    if not rows:
        return pd.DataFrame(columns=list(columns))
    told = dict(zip(columns, zip(*rows, strict=True), strict=True))
    found = {}
    for name, values in told.items():
        if name in NESTED:
            found[name] = pd.Series(values if as_text else list(map(_nested, values)), dtype=object)
        elif name in _YES_NO:
            found[name] = pd.Series(np.array(values, dtype=bool))
        else:
            texts = isinstance(next((value for value in values if value is not None), None), str)
            found[name] = pd.Series(values, dtype=object if texts else None)
    return pd.DataFrame(found)


def _nested(text: str) -> Any:
    return {} if text == "{}" else json.loads(text)


def _near(found: pd.DataFrame, lat: float, lon: float, far_m: float) -> pd.DataFrame:
    return found[distance_m(lat, lon, found["lat"], found["lon"]) <= far_m]


METRES_PER_DEGREE = 111_320.0  # of latitude, mean; good to 0.6 %: enough to look at places, not to measure land


def distance_m(lat: float, lon: float, lats: pd.Series, lons: pd.Series) -> pd.Series:
    """Great-circle distances [m] from one point to others [degree], by the haversine formula."""
    radian = math.pi / 180
    half = ((lats - lat) * radian / 2).map(math.sin) ** 2
    across = ((lons - lon) * radian / 2).map(math.sin) ** 2
    share = half + math.cos(lat * radian) * (lats * radian).map(math.cos) * across
    return 2 * EARTH_M * share.clip(0, 1).pow(0.5).map(math.asin)


def now() -> str:
    """This moment in UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


@cache
def _window(dialect: str) -> str:
    mark, no = ("%s", "false") if dialect == "postgresql" else ("?", "0")
    fields = ", ".join(f'"{name}"' for name in Seen._fields)
    return (f"select {fields} from observation where lat between {mark} and {mark} "
            f"and lon between {mark} and {mark} and deleted = {no}")


def _conditions(
    site: str | None, leading: str | None, since: str | None, until: str | None,
    box: tuple[float, float, float, float] | None, deleted: bool, near: tuple[float, float, float] | None,
) -> list[ColumnElement[bool]]:
    asked: list[ColumnElement[bool]] = []
    if not deleted:
        asked.append(Observation.deleted.is_(False))
    if site is not None:
        asked.append(Observation.site == site)
    if leading is not None:
        asked.append(Observation.leading == leading)
    if since is not None:
        asked.append(Observation.taken_at >= _a_day(since))
    if until is not None:
        asked.append(Observation.taken_at <= f"{_a_day(until)}T23:59:59.999999")
    if box is not None:
        asked.append(_inside(*box))
    if near is not None:
        asked.append(_inside(*_box_about(*near)))
    return asked


def _a_day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise CannotUse(f"'{text}' is no day; write YYYY-MM-DD") from None


def _inside(south: float, north: float, west: float, east: float) -> ColumnElement[bool]:
    lon = Observation.lon
    between = lon.between(west, east) if west <= east else or_(lon >= west, lon <= east)
    return and_(Observation.lat.between(south, north), between)


def _box_about(lat: float, lon: float, far_m: float) -> tuple[float, float, float, float]:
    """A box that holds every point at most so far away: south, north, west, east [degree]."""
    if not (-90 <= lat <= 90 and -180 <= lon <= 180 and far_m >= 0):
        raise CannotUse("near needs latitude,longitude,metres, as in 46.81,-71.21,500")
    high = math.degrees(far_m / EARTH_M)
    south, north = lat - high, lat + high
    if south <= -90 or north >= 90 or far_m / EARTH_M >= math.pi / 2:
        return max(south, -90.0), min(north, 90.0), -180.0, 180.0
    wide = math.degrees(math.asin(min(1.0, math.sin(far_m / EARTH_M) / math.cos(math.radians(lat))))) + 1e-9
    if wide >= 179:
        return south, north, -180.0, 180.0
    return south, north, (lon - wide + 180) % 360 - 180, (lon + wide + 180) % 360 - 180


_INTO = {name: insert(Base.metadata.tables[name]) for name in ("observation", "history")}
_DEFAULTS: dict[str, Any] = {
    column.key: None if column.default is None else {} if callable(column.default.arg) else column.default.arg
    for column in Observation.__table__.columns
}


def whole_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """An observation, checked, with every column, so that many are written by one statement."""
    own = row.get("id")
    if own is not None and not is_id(str(own)):
        raise CannotUse(f"'{own}' is no id as logs make them; leave the id out")
    values = checked("observation", {name: value for name, value in row.items() if name != "id"}, frozenset({"photo"}))
    return {**_DEFAULTS, "saved_at": now(), **values, "id": own or str(uuid.uuid4())}


def insert_rows(session: Session, rows: list[dict[str, Any]]) -> int:
    """Writes whole observations and the beginning of their history; returns how many."""
    if rows:
        connection = session.connection()  # the tables themselves: the mapping of objects costs more than the writing
        connection.execute(_INTO["observation"], rows)
        connection.execute(_INTO["history"], [_saved("observation", row) for row in rows])
    return len(rows)


def _saved(kind: str, row: Mapping[str, Any]) -> dict[str, Any]:
    """The history row of a new record, under its id: it is the first change and there is no other first one.

    What the record was saved with stands in the record until it is changed.
    """
    return {"id": row["id"], "kind": kind, "record": row["id"], "at": row["saved_at"],
            "by": row.get("by", ""), "change": "saved", "before": {}, "after": {}, "seen": []}


def _durable(connection: Any, _record: Any) -> None:
    """Every commit is on the disk before it is acknowledged (SQLite: WAL with full syncing)."""
    connection.isolation_level = None  # transactions begin where we say, not where the driver thinks
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _roomy(connection: Any, _record: Any) -> None:
    """Room for the indexes' pages [64 MB]: random ids touch them all, and a small cache writes them again and again."""
    connection.execute("PRAGMA cache_size=-65536")


def _begin(connection: Any) -> None:
    """A writer takes the lock at once: two that had both read first would otherwise refuse each other."""
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


@contextmanager
def _clear_line(where: str) -> Iterator[None]:
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
