"""How are the untouched bytes of photographs kept, so that a saved row never points at nothing?"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

from diagnose.cannot_use import CannotSave, CannotUse

_DIGEST = re.compile(r"[0-9a-f]{64}")


def keep(folder: Path, data: bytes) -> str:
    """Keeps the bytes under their SHA-256 and returns it, as hex.

    Kept bytes are never written again. They are written beside their place, flushed to the disk, then renamed, and the
    folder flushed: after a crash the file is whole or not there.

    Parameters
    ----------
    folder
        Of the originals [no unit].
    data
        A file's bytes [no unit].

    Raises
    ------
    CannotSave
        When the disk is full or the folder cannot be written.
    """
    name = digest(data)
    place = path_of(folder, name)
    if place.exists() and place.stat().st_size == len(data):
        return name
    temporary = ""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=".part-", dir=place.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, place)
        for each in (place.parent, folder, folder.parent):
            flush_folder(each)
    except OSError as problem:
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        raise CannotSave(f"the photo could not be kept in {folder} ({problem.strerror}); free space or allow "
                        "writing there, and save again") from None
    return name


def digest(data: bytes) -> str:
    """The SHA-256 of a photo's bytes, as hex.

    Parameters
    ----------
    data
        A file's bytes [no unit].
    """
    return hashlib.sha256(data).hexdigest()


def path_of(folder: Path, name: str) -> Path:
    """Where the original with this SHA-256 lies.

    Parameters
    ----------
    folder
        Of the originals [no unit].
    name
        SHA-256, as hex [no unit].

    Raises
    ------
    CannotUse
        For anything that is no digest.
    """
    if not _DIGEST.fullmatch(name):
        raise CannotUse(f"'{name[:20]}' is no SHA-256 of a photo")
    return folder / name[:2] / name


def kept(folder: Path) -> Iterator[Path]:
    """Every file below the folder, whole originals and what was left of broken writes.

    Parameters
    ----------
    folder
        Of the originals [no unit].
    """
    return (place for place in sorted(folder.rglob("*")) if place.is_file()) if folder.is_dir() else iter(())


def is_whole_name(place: Path) -> bool:
    """Is the file named as a whole original is? What a broken write left is not.

    Parameters
    ----------
    place
        Of a file among the originals [no unit].
    """
    return bool(_DIGEST.fullmatch(place.name))


def digest_of(place: Path) -> str:
    """The SHA-256 of a file, as hex, read in pieces.

    Parameters
    ----------
    place
        Of the file [no unit].
    """
    with place.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def flush_folder(folder: Path) -> None:
    """Makes a rename in the folder last through a power cut (POSIX; elsewhere folders cannot be opened).

    Parameters
    ----------
    folder
        In which something was renamed [no unit].
    """
    with contextlib.suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
