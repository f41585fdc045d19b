"""Is everything that the log names still there, unchanged, and is anything there that it does not name?"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

from sqlalchemy import exists, select, text

from diagnose.fieldlog.originals import digest_of, kept, path_of
from diagnose.fieldlog.store import ORIGINALS, Log
from diagnose.fieldlog.tables import KINDS, History, Original, Photo


@dataclass(frozen=True)
class Verified:
    """What was found. missing, changed : digests of photos. orphaned : files or digests that no row names (a photo
    whose saving was cut off; harmless). without_history : ids of records. damaged : what the database says of itself.
    """

    photos: int = 0
    missing: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    orphaned: list[str] = field(default_factory=list)
    without_history: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        """Is nothing lost or changed?"""
        return not (self.missing or self.changed or self.without_history or self.damaged)

    def __str__(self) -> str:
        """One line a finding, with what to do."""
        lines = [f"{self.photos} photos looked at: " + ("nothing lost, nothing changed" if self.good else "see below")]
        lines += [f"missing: {each[:12]}; copy it back from a backup or from the camera and save it again"
                  for each in self.missing]
        lines += [f"changed since it was saved: {each[:12]}; copy it back from a backup" for each in self.changed]
        lines += [f"no history: {each[:8]}" for each in self.without_history]
        lines += [f"database: {each}; use the newest backup" for each in self.damaged]
        lines += [f"left over from a save that was cut off (may be deleted): {each}" for each in self.orphaned]
        return "\n".join(lines)


def verify(log: Log) -> Verified:
    """Reads every original and compares it with its digest; asks the database whether it is whole."""
    found = Verified(*_photos(log), [], _damage(log))
    with log.reading() as session:
        for table in KINDS.values():
            lonely = select(table.id).where(~exists().where(History.record == table.id))
            found.without_history.extend(session.scalars(lonely))
    return found


def _photos(log: Log) -> tuple[int, list[str], list[str], list[str]]:
    with log.reading() as session:
        named = set(session.scalars(select(Photo.sha256)))
    if log.folder is None:
        return (len(named), *_in_database(log, named))
    folder = log.folder / ORIGINALS
    places = {digest: path_of(folder, digest) for digest in named}
    missing = sorted(digest for digest, place in places.items() if not place.is_file())
    changed = sorted(
        digest for digest, place in places.items() if place.is_file() and digest_of(place) != digest
    )
    whole = set(places.values())
    return len(named), missing, changed, [str(place) for place in kept(folder) if place not in whole]


def _in_database(log: Log, named: set[str]) -> tuple[list[str], list[str], list[str]]:
    with log.reading() as session:
        there = set(session.scalars(select(Original.sha256)))
        changed = []
        for digest in sorted(there & named):
            data = session.scalar(select(Original.data).where(Original.sha256 == digest))
            if data is None or hashlib.sha256(data).hexdigest() != digest:
                changed.append(digest)
    return sorted(named - there), changed, sorted(there - named)


def _damage(log: Log) -> list[str]:
    if log.folder is None:
        return []
    with log.reading() as session:
        said = [str(line) for line in session.execute(text("pragma integrity_check(20)")).scalars()]
        loose = session.execute(text("pragma foreign_key_check")).fetchall()
    return [line for line in said if line != "ok"] + [f"a row of {row[0]} points at nothing" for row in loose]
