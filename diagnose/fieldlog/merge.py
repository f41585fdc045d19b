"""How does one crew's log become part of another's, and where do the two disagree?

A pack is a zip file: `photos.jsonl` (a line a photo), the originals, and `records.jsonl` (a line a record, with its
changes). Merging takes the union of records and changes; the state follows from the changes alone, so neither
order nor repetition matters.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from diagnose.archives import DAMAGED, opened, unpacked
from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.changes import Change, resolve
from diagnose.fieldlog.fields import checked, is_id, names
from diagnose.fieldlog.handed_over import FORMAT as PHONES
from diagnose.fieldlog.handed_over import from_phone
from diagnose.fieldlog.history import as_change, changes_of, stand
from diagnose.fieldlog.locked import is_locked, unlock
from diagnose.fieldlog.log import Log
from diagnose.fieldlog.store import open_log
from diagnose.fieldlog.tables import KINDS, History, Photo
from diagnose.progress import Progress, counted, silent
from diagnose.texts import from_json
from diagnose.whole_file import beside

FORMAT = "browse log pack 1"
PHOTO_LIMIT = 150_000_000  # of one packed photo; larger ones are refused [byte]
LINE_LIMIT = 16_000_000  # of one record's line [byte]
MOST_PACKED = 300_000  # entries of a pack
_AT_ONCE = 500
_BYTES_AT_ONCE = 32_000_000  # of records that are held together
_HISTORY = ("id", "kind", "record", "at", "by", "change", "before", "after", "seen")


@dataclass(frozen=True)
class Merged:
    """What merging brought.

    Parameters
    ----------
    records, changes, photos, disputed
        How many were new here, and how many records the crews disagree about [no unit].
    remarks
        What else a person should know, a line each [no unit].
    """

    records: int
    changes: int
    photos: int
    disputed: int
    remarks: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "\n".join([self._counts, *self.remarks])

    @property
    def _counts(self) -> str:
        line = f"{self.records} records, {self.changes} changes and {self.photos} photos were new here"
        return f"{line}; {self.disputed} records are in dispute: list them with diagnose log disputes" if (
            self.disputed) else line


@dataclass(frozen=True)
class Dispute:
    """One field of one record that people changed unseen by each other.

    Parameters
    ----------
    kind, record, field
        Which it is [no unit].
    sides
        Who set it to what, and when [no unit].
    """

    kind: str
    record: str
    field: str
    sides: tuple[Change, ...]


PRIVATE = ("sender",)  # kinds of record that are handed over only when asked for


def pack(log: Log, place: str | Path, senders: bool = False, progress: Progress = silent) -> Path:
    """Writes the whole log into one file for handing over; returns where it lies. Written beside, then renamed.

    Parameters
    ----------
    log
        That is packed [no unit].
    place
        File to write [no unit].
    senders
        Whether names and addresses of who sent something in go along [no unit].
    progress
        Called with how many of how many are done [no unit].
    """
    target = Path(place)
    with (beside(target) as temporary, zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED) as packed,
          log.reading() as session):
        packed.writestr("format", FORMAT)
        _pack_photos(log, session, packed, progress)
        with packed.open("records.jsonl", "w", force_zip64=True) as lines:
            for record in _records(session, without=() if senders else PRIVATE):
                lines.write(json.dumps(record, separators=(",", ":")).encode() + b"\n")
    return target


def merge(log: Log, other: str | Path | Log, progress: Progress = silent,
          passphrase: Callable[[], str] | None = None) -> Merged:
    """Takes in everything of another log, a pack or a phone's file that is not here, in one transaction.

    Parameters
    ----------
    log
        That takes in [no unit].
    other
        An open log, a folder, an address, a pack or a phone's file [no unit].
    progress
        Called with how many photos and records are done, and 0 for an unknown total [no unit].
    passphrase
        Asks for that of a locked file; None where nobody can be asked [no unit].

    Raises
    ------
    CannotUse
        When the other is damaged or no log; nothing is changed then.
    """
    source = other if isinstance(other, Log) else taken_from(other)
    if isinstance(source, Log):
        return _merge_log(log, source, progress)
    if not is_locked(source):
        return _merge_pack(log, source, progress)
    if passphrase is None:
        raise CannotUse(f"{source.name} is locked; give the file that holds its passphrase with --passphrase-file")
    with TemporaryDirectory(prefix="browse-") as folder:
        opened_up = Path(folder) / source.name
        with opened_up.open("wb") as out:
            unlock(source, passphrase(), out)
        return _merge_pack(log, opened_up, progress)


def taken_from(other: str | Path) -> Log | Path:
    """What a merge takes in: another log, opened, or the file of a pack.

    Parameters
    ----------
    other
        Folder, address or file [no unit].

    Raises
    ------
    CannotUse
        For what is neither.
    """
    place = Path(other).expanduser()
    if "://" not in str(other) and place.is_file():
        return place
    if "://" not in str(other) and not place.is_dir():
        raise CannotUse(f"{other} is not there; give a pack, a log folder or a log's address")
    return open_log(other, make=False)


def disputes(log: Log) -> list[Dispute]:
    """Everything that people disagree about, side by side; correcting the field ends it.

    Parameters
    ----------
    log
        That is read [no unit].
    """
    found: list[Dispute] = []
    with log.reading() as session:
        for kind, table in KINDS.items():
            for record in session.scalars(select(table.id).where(table.disputed.is_(True)).order_by(table.id)):
                sides = resolve({}, changes_of(session, record)).disputes
                found += [Dispute(kind, record, field, tuple(each)) for field, each in sorted(sides.items())]
    return found


def _pack_photos(log: Log, session: Session, packed: zipfile.ZipFile, progress: Progress) -> None:
    photos = [_photo(row) for row in session.scalars(select(Photo).order_by(Photo.sha256))]
    packed.writestr("photos.jsonl", "".join(json.dumps(photo) + "\n" for photo in photos))
    for photo in counted(photos, progress):
        name = f"originals/{photo['sha256']}"
        packed.writestr(zipfile.ZipInfo(name), log.original(photo["sha256"]))  # photographs do not shrink: stored


def _photo(row: Photo) -> dict[str, Any]:
    return {"sha256": row.sha256, "name": row.name, "kept_at": row.kept_at, "likeness": row.likeness}


def _records(session: Session, without: tuple[str, ...] = ()) -> Iterator[dict[str, Any]]:
    """Every record with its changes, what is pointed at first."""
    for kind, table in KINDS.items():
        if kind in without:
            continue
        columns = [getattr(table, name) for name in names(kind)]
        last = ""
        while rows := session.execute(
            select(*columns).where(table.id > last).order_by(table.id).limit(_AT_ONCE)
        ).mappings().all():
            last = rows[-1]["id"]
            past = _past(session, [row["id"] for row in rows])
            yield from ({"kind": kind, "row": dict(row), "history": past.get(row["id"], [])} for row in rows)


def _few(records: Iterator[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    while some := list(islice(records, _AT_ONCE)):
        yield some


def _past(session: Session, records: list[str]) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for row in session.scalars(select(History).where(History.record.in_(records)).order_by(History.id)):
        found.setdefault(row.record, []).append({name: getattr(row, name) for name in _HISTORY})
    return found


def _merge_log(log: Log, other: Log, progress: Progress) -> Merged:
    with other.reading() as theirs:
        photos = (_photo(row) for row in theirs.scalars(select(Photo).order_by(Photo.sha256)))
        return _merge(log, photos, other.original, _few(_records(theirs)), progress)


def _merge_pack(log: Log, place: Path, progress: Progress) -> Merged:
    try:
        with opened(place, MOST_PACKED) as packed:
            if "format" not in packed.namelist():
                raise CannotUse(f"{place} is a ZIP, but no pack of a log; give what diagnose log pack wrote")
            sort = unpacked(packed, "format", 100).decode()
            if sort == PHONES:
                return _merge_phone(log, packed, progress)
            if sort != FORMAT:
                raise CannotUse(f"{place} was packed by a newer version; update this tool to take it in")

            def original(digest: str) -> bytes:
                return unpacked(packed, f"originals/{digest}", PHOTO_LIMIT)

            photos = (photo for some in _lines(packed, "photos.jsonl") for photo in some)
            return _merge(log, photos, original, _lines(packed, "records.jsonl"), progress)
    except CannotUse:
        raise
    except (*DAMAGED, TypeError, AttributeError):
        raise CannotUse(f"{place} is no whole pack; pack that log again and copy it anew") from None


def _merge_phone(log: Log, packed: zipfile.ZipFile, progress: Progress) -> Merged:
    """Photos are measured before the log is held."""
    versions = [one for some in _lines(packed, "kept.jsonl") for one in some]
    ids = [str(one["id"]) for one in versions]
    with log.reading() as session:
        known = {found for at in range(0, len(ids), _AT_ONCE)
                 for found in session.scalars(select(History.id).where(History.id.in_(ids[at:at + _AT_ONCE])))}
    found = from_phone(packed, versions, known, progress)

    def original(digest: str) -> bytes:
        return unpacked(packed, found.where[digest], PHOTO_LIMIT)

    merged = _merge(log, found.photos, original, _few(iter(found.records)), silent)
    return replace(merged, remarks=tuple(found.remarks))


def _lines(packed: zipfile.ZipFile, name: str) -> Iterator[list[dict[str, Any]]]:
    """The lines of one entry as what they hold, a few at a time. Nothing in a pack is written to a path that it names."""
    few: list[dict[str, Any]] = []
    held = 0
    with packed.open(name) as file:
        while line := file.readline(LINE_LIMIT + 1):
            if len(line) > LINE_LIMIT:
                raise CannotUse(f"a line of {name} in the pack is larger than {LINE_LIMIT // 10**6} MB; pack it again")
            if few and (len(few) == _AT_ONCE or held + len(line) > _BYTES_AT_ONCE):
                yield few
                few, held = [], 0
            few.append(from_json(line, name))
            held += len(line)
    if few:
        yield few


def _merge(log: Log, photos: Iterable[Mapping[str, Any]], original: Any, records: Iterable[Iterable[Any]],
           progress: Progress) -> Merged:
    """Records : a few at a time."""
    new_photos = new_records = new_changes = done = 0
    with log.writing() as session:
        for photo in photos:
            new_photos += _take_photo(log, session, photo, original)
            progress(done := done + 1, 0)
        for few in records:
            believed = [_believed(each) for each in few]
            counts = _take_records(session, believed)
            progress(done := done + len(believed), 0)
            new_records, new_changes = new_records + counts[0], new_changes + counts[1]
            session.flush()
            session.expunge_all()
        disputed = sum(
            len(session.scalars(select(table.id).where(table.disputed.is_(True))).all()) for table in KINDS.values()
        )
    return Merged(new_records, new_changes, new_photos, disputed)


def _take_photo(log: Log, session: Session, photo: Mapping[str, Any], original: Any) -> int:
    digest, name, kept_at = str(photo["sha256"]), str(photo["name"]), _moment(photo["kept_at"])
    there = session.get(Photo, digest)
    if there is not None:  # two crews may have kept it under two names: the earlier one stands, whoever merges
        there.kept_at, there.name = min((there.kept_at, there.name), (kept_at, name))
        return 0
    likeness = photo.get("likeness")
    log.keep_photo(session, digest, original(digest), name, kept_at, None if likeness is None else str(likeness))
    return 1


def _take_records(session: Session, some: list[tuple[str, dict[str, Any], list[dict[str, Any]]]]) -> tuple[int, int]:
    """Takes in a few records with their changes; how many records and how many changes were new."""
    known = set(session.scalars(select(History.id).where(History.record.in_([row["id"] for _, row, _ in some]))))
    here: dict[tuple[str, str], Any] = {}
    for kind in {kind for kind, _, _ in some}:
        wanted = [row["id"] for one, row, _ in some if one == kind]
        here |= {(kind, row.id): row for row in session.scalars(select(KINDS[kind]).where(KINDS[kind].id.in_(wanted)))}
    records, changes = 0, list[dict[str, Any]]()
    touched: dict[str, Any] = {}
    for kind, row, past in some:
        new = [each for each in past if each["id"] not in known]
        if (kind, row["id"]) not in here:
            here[kind, row["id"]] = KINDS[kind](**row)
            session.add(here[kind, row["id"]])
            records += 1
        elif not new:
            continue
        changes += new
        known |= {each["id"] for each in new}
        touched[row["id"]] = here[kind, row["id"]]
    session.flush()
    if changes:
        session.execute(insert(History), changes)
    past_of: dict[str, list[Change]] = {record: [] for record in touched}
    for change in session.scalars(select(History).where(History.record.in_(list(touched)))):
        past_of[change.record].append(as_change(change))
    for record, standing in touched.items():
        stand(standing, past_of[record])
    return records, len(changes)


def _believed(record: Mapping[str, Any]) -> tuple[str, dict[str, Any], list[dict[str, Any]]]:
    """A record of another log, its values checked like anybody else's."""
    kind, given = str(record["kind"]), record["row"]
    if set(given) != set(names(kind)) or not is_id(str(given["id"])):
        raise CannotUse("the other log holds records of another shape; update both tools and pack it again")
    own = {"id": given["id"], "saved_at": _moment(given["saved_at"]), "disputed": False}
    row = {**checked(kind, {name: value for name, value in given.items() if name not in own}), **own}
    return kind, row, [_believed_change(kind, row["id"], each) for each in record["history"]]


def _believed_change(kind: str, record: str, change: Mapping[str, Any]) -> dict[str, Any]:
    seen = [str(each) for each in change["seen"]]
    if change["record"] != record or change["kind"] != kind or not all(map(is_id, [str(change["id"]), *seen])):
        raise CannotUse("the other log holds a change that belongs to no record; verify that log first")
    return {
        "id": str(change["id"]), "kind": kind, "record": record, "at": _moment(change["at"]),
        "by": str(change["by"]), "change": str(change["change"])[:16], "before": checked(kind, change["before"]),
        "after": checked(kind, change["after"]), "seen": seen,
    }


def _moment(text: Any) -> str:
    return str(datetime.fromisoformat(str(text)).isoformat(timespec="microseconds"))
