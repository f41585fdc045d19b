"""What do the photographs alone tell, when the database is lost or when no record names them?

Each original that no record names becomes an observation with the place and time in its file. Sites, plants, verdicts,
barriers and tallies are in no photo: only a backup or a pack brings them back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import select

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog import originals
from diagnose.fieldlog.place import DATABASE, ORIGINALS, has_originals, is_whole, part_of, set_aside
from diagnose.fieldlog.store import Log, begin_at, open_log
from diagnose.fieldlog.tables import Photo
from diagnose.progress import Progress, silent

NOTE = "made anew from the photo alone"


@dataclass
class Rebuilt:
    """What became of the originals.

    Parameters
    ----------
    saved, known
        Became observations, and records named them already [photos].
    refused, aside
        File, and why; what the damaged database is called now [no unit].
    """

    saved: int = 0
    known: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)
    aside: Path | None = None

    def __str__(self) -> str:
        lines = [f"{self.saved} photos became observations with the place and time in their files; {self.known} were named "
                 f"already, {len(self.refused)} refused"]
        lines += [f"the damaged database is kept as {self.aside.name}"] if self.aside else []
        lines += ["what is in no photo (sites, plants, verdicts, barriers, tallies) comes back from a backup or a pack, "
                  "with diagnose log merge"] if self.saved else []
        return "\n".join(lines + [f"{name[:12]}: {why}; it is kept" for name, why in self.refused])


def rebuild(where: str | Path, by: str = "", progress: Progress = silent) -> Rebuilt:
    """Takes in every original of a log's folder that no record names; makes the database anew where it is lost or damaged.

    The new database takes its place when it is complete; a damaged one is kept beside it.

    Parameters
    ----------
    where
        Folder of the log [no unit].
    by
        Initials of who rebuilds [no unit].
    progress
        Called with how many of how many are done [no unit].

    Raises
    ------
    CannotUse
        Where no photo is.
    """
    if "://" in str(where):
        raise CannotUse("a log on a server keeps its photos in its database; put the dump back with pg_restore")
    folder = Path(where).expanduser()
    if not has_originals(folder):
        raise CannotUse(f"{folder} holds no original photos, so there is nothing to make a log from")
    file = folder / DATABASE
    if is_whole(folder):
        return _take_in(open_log(folder), by, progress)
    with part_of(file) as part:
        log = begin_at(folder, part)
        done = _take_in(log, by, progress)
        log.engine.dispose()
        done.aside = set_aside(folder)
    return done


def unnamed_photos(log: Log) -> str:
    """What a person who finds the log empty should know of photos that lie beside it; empty where none does.

    Parameters
    ----------
    log
        That is read [no unit].
    """
    with log.reading() as session:
        if session.scalars(select(Photo.sha256).limit(1)).first() is not None:
            return ""
    if log.folder is None or not has_originals(log.folder):
        return ""
    return f"photos lie in {log.folder} that no record names; take them in with: diagnose rebuild --log {log.folder}"


def _take_in(log: Log, by: str, progress: Progress) -> Rebuilt:
    from diagnose.fieldlog.load import save_photo

    assert log.folder is not None
    with log.reading() as session:
        named = set(session.scalars(select(Photo.sha256)))
    files = [each for each in originals.kept(log.folder / ORIGINALS) if originals.is_whole_name(each)]
    done = Rebuilt()
    for number, file in enumerate(files, 1):
        if file.name in named:
            done.known += 1
        elif originals.digest_of(file) != file.name:
            done.refused.append((file.name, "it was changed since it was saved"))
        else:
            try:
                done.saved += save_photo(log, file, by=by, note=NOTE).new
            except CannotUse as reason:
                done.refused.append((file.name, str(reason)))
        progress(number, len(files))
    return done
