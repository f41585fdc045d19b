"""How is a log copied so that it can be put back, and how is it put back?

A backup is a log folder itself: it can be listed, merged from and verified. Making it again brings it up to date.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import make_url

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog import originals
from diagnose.fieldlog.place import DATABASE, ORIGINALS, copy_database, damage_of, is_whole, part_of, reading, set_aside
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.tables import KINDS
from diagnose.progress import Progress, counted, silent


@dataclass(frozen=True)
class Copied:
    """What was copied from where to where.

    Parameters
    ----------
    source, target, aside
        Folders; what the database that was replaced is called now, None where none was [no unit].
    records, photos, unnamed
        How many; photos there that no record names [records, photos, photos].
    bad
        Photos that are missing or changed at the source, by digest [no unit].
    """

    source: Path
    target: Path
    records: int
    photos: int
    bad: tuple[str, ...] = ()
    unnamed: int = 0
    aside: Path | None = None

    def __str__(self) -> str:
        """What was done, and what is worth knowing, a line each."""
        lines = [f"{self.records} records and {self.photos} photos of {self.source} are in {self.target}"]
        lines += [f"missing or changed in {self.source}, so not copied: {each[:12]}; run diagnose log verify"
                  for each in self.bad]
        lines += [f"the damaged database is kept as {self.aside.name}"] if self.aside else []
        lines += [f"{self.unnamed} photos are named by no record, as they came later; take them in with: "
                  f"diagnose rebuild --log {self.target}"] if self.unnamed else []
        return "\n".join(lines)


def back_up(log: Log, folder: str | Path, progress: Progress = silent) -> Copied:
    """Copies the log into a folder, also while others write in it; what is there already is not copied again.

    The database takes its place at the end, so that the folder holds the earlier backup whole or the new one.

    Parameters
    ----------
    log
        That is copied [no unit].
    folder
        Where the copy lies, or shall lie [no unit].
    progress
        Called with how many of how many are done [no unit].

    Raises
    ------
    CannotUse
        For a folder that holds another log, or records that this one lacks; for a damaged database; and for a log on a
        server, with the command that backs it up.
    """
    if log.folder is None:
        raise CannotUse("this log lives on a server; back it up with: pg_dump --format=custom --file=browse-log.dump "
                        f"'{_for_postgresql(log.where)}'")
    source, target = log.folder.resolve(), Path(folder).expanduser()
    if target.resolve().is_relative_to(source) or source.is_relative_to(target.resolve()):
        raise CannotUse(f"{target} is the log's own folder or belongs to it; give another folder, best on another disk")
    target = _ready(target)
    with part_of(target / DATABASE) as part:
        with closing(log.engine.raw_connection()) as connection:
            copy_database(connection.driver_connection, part)  # type: ignore[arg-type]
        if damage := damage_of(part):
            raise CannotUse(f"the database of {source} is damaged ({damage[0]}), so it was not put over a backup; "
                            "run diagnose log verify")
        if (target / DATABASE).exists():
            _must_go_on_from(target / DATABASE, part, target)
        photos, bad = _copy_originals(source / ORIGINALS, target / ORIGINALS, progress)
        records, named = _counts(part)
    there = {each.name for each in originals.kept(target / ORIGINALS)}
    return Copied(source, target, records, photos, tuple(sorted(bad | named - there)))


def restore(backup: str | Path, where: str | Path, progress: Progress = silent) -> Copied:
    """Puts a backup, or the copy that was made before an upgrade, into the place of a log that was lost or damaged.

    The damaged database and every photo of the place are kept.

    Parameters
    ----------
    backup
        Folder of the backup, or the file that was made before an upgrade [no unit].
    where
        Folder of the log [no unit].
    progress
        Called with how many of how many are done [no unit].

    Raises
    ------
    CannotUse
        Where a whole log lies there, and where the backup is none or damaged.
    """
    if "://" in str(where):
        raise CannotUse("a log on a server is put back with: pg_restore --clean --if-exists --dbname="
                        f"'{_for_postgresql(str(where))}' browse-log.dump")
    source, target = Path(backup).expanduser(), Path(where).expanduser()
    file = source if source.is_file() else source / DATABASE
    if not file.is_file() or file.stat().st_size == 0:
        raise CannotUse(f"{backup} holds no backup; give the folder that diagnose backup wrote")
    if damage := damage_of(file):
        raise CannotUse(f"the backup in {backup} is damaged itself ({damage[0]}); take an older one")
    if is_whole(target):
        raise CannotUse(f"the log in {target} is whole; nothing was put over it. Give an empty folder with --log, or bring "
                        f"in what the backup holds with: diagnose log merge {backup} --log {target}")
    target = _ready(target)
    photos, bad = _copy_originals(file.parent / ORIGINALS, target / ORIGINALS, progress)
    with part_of(target / DATABASE) as part:
        with reading(file) as connection:
            copy_database(connection, part)
        records, named = _counts(part)
        aside = set_aside(target)
    open_log(target)  # an older one is brought to the present shape
    there = {each.name for each in originals.kept(target / ORIGINALS) if originals.is_whole_name(each)}
    return Copied(source, target, records, photos, tuple(sorted(bad | named - there)), len(there - named), aside)


def _ready(target: Path) -> Path:
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise CannotUse(f"{target} cannot be made a folder ({problem.strerror}); choose another") from None
    return target


def _copy_originals(source: Path, target: Path, progress: Progress) -> tuple[int, set[str]]:
    """How many whole originals are at the target now, and the digests of those that are changed at the source."""
    changed = set()
    for each in counted(list(originals.kept(source)), progress):
        if not originals.is_whole_name(each):
            continue
        place = originals.path_of(target, each.name)
        if place.exists() and place.stat().st_size == each.stat().st_size:
            continue
        data = each.read_bytes()
        if originals.digest(data) != each.name:
            changed.add(each.name)
            continue
        originals.keep(target, data)
    return sum(map(originals.is_whole_name, originals.kept(target))), changed


def _counts(file: Path) -> tuple[int, set[str]]:
    """How many records a database holds, and the digests of the photos that it names."""
    with closing(sqlite3.connect(file)) as opened:
        tables = {name for (name,) in opened.execute("select name from sqlite_master where type = 'table'")}
        records = sum(opened.execute(f'select count(*) from "{kind}"').fetchone()[0] for kind in KINDS if kind in tables)
        return records, {digest for (digest,) in opened.execute("select sha256 from photo")}


def _must_go_on_from(older: Path, newer: Path, folder: Path) -> None:
    """Raises CannotUse where the new copy is not what the older one became."""
    with closing(sqlite3.connect(newer)) as opened:
        try:
            opened.execute("attach ? as older", (str(older),))
            same = _one(opened, "select (select salt from about) = (select salt from older.about)")
            lacking = _one(opened, "select count(*) from older.history where id not in (select id from history)")
        except sqlite3.Error:
            raise CannotUse(f"what lies in {folder} is no backup of a log; choose another folder") from None
    if not same:
        raise CannotUse(f"{folder} holds another log; choose another folder for this one's backup")
    if lacking:
        raise CannotUse(f"the backup in {folder} holds {lacking} changes that the log lacks; keep it, and choose another "
                        "folder")


def _one(connection: sqlite3.Connection, asked: str) -> Any:
    return connection.execute(asked).fetchone()[0]


def _for_postgresql(where: str) -> str:
    """The address as PostgreSQL's own programs read it, without the password, which they ask for."""
    address = make_url(where)
    return address.set(drivername="postgresql", password=None).render_as_string(hide_password=False)
