"""Is everything that the log names still there, unchanged, and is anything there that it does not name?"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import exists, select

from diagnose.fieldlog.originals import digest_of, is_whole_name, kept, path_of
from diagnose.fieldlog.place import DATABASE, ORIGINALS, damage_of, is_lost
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.tables import KINDS, History, Original, Photo
from diagnose.progress import Progress, counted, silent


@dataclass(frozen=True)
class Verified:
    """What was found.

    Parameters
    ----------
    photos
        That were looked at [photos].
    missing, changed
        Digests of photos [no unit].
    orphaned, unnamed
        Pieces of files that a cut-off save left behind; whole originals, by file or digest, that no record names [no unit].
    without_history, damaged
        Ids of records; what the database says of itself [no unit].
    """

    photos: int = 0
    missing: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    orphaned: list[str] = field(default_factory=list)
    without_history: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    unnamed: list[str] = field(default_factory=list)

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
        lines += [f"database: {each}" for each in self.damaged]
        lines += ["the database is damaged: put the newest backup back with diagnose restore BACKUP; without one make what "
                  "the photos tell anew with diagnose rebuild. Either keeps the damaged file beside it"] * bool(self.damaged)
        lines += [f"a photo that no record names: {each}; keep it, diagnose rebuild takes it in" for each in self.unnamed]
        lines += [f"left over from a save that was cut off (may be deleted): {each}" for each in self.orphaned]
        return "\n".join(lines)


def verify_at(where: str | Path, progress: Progress = silent) -> Verified:
    """The same of the log at a place, also where its database is too damaged to be opened.

    Then its originals are compared with the digests that they are named by.

    Parameters
    ----------
    where
        Folder or address of the log [no unit].
    progress
        Called with how many of how many are done [no unit].

    Raises
    ------
    CannotUse
        Where there is no log, or where its database was lost.
    """
    if "://" not in str(where):
        place = Path(where).expanduser()
        if not is_lost(place) and (place / DATABASE).exists() and (damaged := damage_of(place / DATABASE)):
            whole = [each for each in kept(place / ORIGINALS) if is_whole_name(each)]
            changed = [each.name for each in counted(whole, progress) if digest_of(each) != each.name]
            return Verified(len(whole), changed=changed, damaged=damaged)
    return verify(open_log(where, make=False), progress)


def verify(log: Log, progress: Progress = silent) -> Verified:
    """Reads every original and compares it with its digest; asks the database whether it is whole.

    Parameters
    ----------
    log
        That is read [no unit].
    progress
        Called with how many of how many are done [no unit].
    """
    found = _photos(log, progress)
    if log.folder is not None:
        found.damaged.extend(damage_of(log.folder / DATABASE))
    with log.reading() as session:
        for table in KINDS.values():
            lonely = select(table.id).where(~exists().where(History.record == table.id))
            found.without_history.extend(session.scalars(lonely))
    return found


def _photos(log: Log, progress: Progress) -> Verified:
    with log.reading() as session:
        named = set(session.scalars(select(Photo.sha256)))
    if log.folder is None:
        missing, changed, unnamed = _in_database(log, named, progress)
        return Verified(len(named), missing, changed, unnamed=unnamed)
    folder = log.folder / ORIGINALS
    places = {digest: path_of(folder, digest) for digest in named}
    missing = sorted(digest for digest, place in places.items() if not place.is_file())
    changed = sorted(
        digest for digest, place in counted(places.items(), progress) if place.is_file() and digest_of(place) != digest
    )
    by_record = set(places.values())
    others = [place for place in kept(folder) if place not in by_record]
    return Verified(len(named), missing, changed, orphaned=[str(each) for each in others if not is_whole_name(each)],
                    unnamed=[str(each) for each in others if is_whole_name(each)])


def _in_database(log: Log, named: set[str], progress: Progress) -> tuple[list[str], list[str], list[str]]:
    with log.reading() as session:
        there = set(session.scalars(select(Original.sha256)))
        changed = []
        for digest in counted(sorted(there & named), progress):
            data = session.scalar(select(Original.data).where(Original.sha256 == digest))
            if data is None or hashlib.sha256(data).hexdigest() != digest:
                changed.append(digest)
    return sorted(named - there), changed, sorted(there - named)
