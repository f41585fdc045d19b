"""What does a ZIP that somebody gave hold, without harm to whoever opens it?

Nothing is ever written to a path that an archive names; how much an entry may unpack to is bounded before it is read.
"""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from diagnose.cannot_use import CannotUse

MOST_ENTRIES = 20_000  # of one archive; our choice
MOST_SHRUNK = 100  # times that an entry may be smaller than what it holds; photographs hardly shrink. Our choice
_ALWAYS = 1_000_000  # bytes that an entry may hold however much it shrank: short texts shrink well
_METHODS = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
_LISTED = 400  # bytes that the list of entries at the archive's end takes for each, long names included
# What the library raises on a damaged archive, or one with a password
DAMAGED = (zipfile.BadZipFile, zlib.error, struct.error, OSError, NotImplementedError, RuntimeError, EOFError, ValueError,
           OverflowError, IndexError, KeyError)


@contextmanager
def opened(place: Path, limit: int = MOST_ENTRIES) -> Iterator[zipfile.ZipFile]:
    """The archive, to be read from.

    Parameters
    ----------
    place
        Of the ZIP [no unit].
    limit
        Entries that it may have [no unit].

    Raises
    ------
    CannotUse
        For what is no whole ZIP.
    """
    try:
        with place.open("rb") as file:
            file.seek(max(0, place.stat().st_size - _LISTED * limit))
            many = file.read().count(b"PK\x01\x02") > limit  # before the library makes an object of each
        if many:
            raise CannotUse(f"{place.name} has more than {limit} entries; unpack it yourself and give the folder")
        packed = zipfile.ZipFile(place)
    except CannotUse:
        raise
    except DAMAGED as problem:
        raise CannotUse(f"{place.name} cannot be unpacked ({problem}); ask for it again, without a password") from None
    with packed:
        yield packed


def unpacked(packed: zipfile.ZipFile, entry: zipfile.ZipInfo | str, limit: int) -> bytes:
    """The bytes of one entry.

    Parameters
    ----------
    packed
        An open archive [no unit].
    entry
        Its exact name, or what the archive says of it [no unit].
    limit
        Most bytes that it may have [byte].

    Raises
    ------
    CannotUse
        Where there is none, or it is larger, damaged or swollen.
    """
    name = entry if isinstance(entry, str) else entry.filename
    try:
        entry = packed.getinfo(entry) if isinstance(entry, str) else entry
        refuse_swollen(entry)
        with packed.open(entry) as file:
            data = file.read(limit + 1)
    except CannotUse:
        raise
    except DAMAGED as problem:
        raise CannotUse(f"{name[:80]} in the archive is damaged ({problem}); ask for it again, without a password") from None
    if len(data) > limit:
        raise CannotUse(f"{name[:80]} in the archive is larger than {limit // 1_000_000} MB; left out")
    return data


def refuse_swollen(entry: zipfile.ZipInfo) -> None:
    """Passes an entry that unpacks to what it should.

    Parameters
    ----------
    entry
        Of an archive [no unit].

    Raises
    ------
    CannotUse
        For one that would unpack to far more than it should, or is packed in a rare way.
    """
    if entry.compress_type not in _METHODS:
        raise CannotUse(f"{entry.filename[:80]} in the archive is packed in a rare way; pack it again as an ordinary ZIP")
    if entry.file_size > MOST_SHRUNK * entry.compress_size + _ALWAYS:
        raise CannotUse(f"{entry.filename[:80]} in the archive would unpack to over {MOST_SHRUNK} times its size; left out")
