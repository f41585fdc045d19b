"""What does `-` stand for where a file is taken?

A file that is read: standard input. A file that is written: standard output; what the command would say there goes to
standard error instead.
"""

from __future__ import annotations

import os
import shutil
import sys
from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

from diagnose.cannot_use import CannotUse

_READ = ("file", "signs", "prior", "verdict", "owned", "boundary", "prices", "spec", "before", "register_csv", "from_plan",
         "photo", "import_csv", "merge", "template", "speed")
# option, and what its name would end with: files of several formats are told apart by that
_WRITTEN = {"picture": ".jpg", "out": ".pdf", "pdf": ".pdf", "csv": ".csv", "html": ".html", "own_figures": ".yaml",
            "calendar": ".ics", "metal": ".gpx", "export": ".csv", "pack": ".pack"}
INPUT = "standard input"  # how its file is called


@contextmanager
def standing_for(args: Namespace) -> Iterator[Namespace]:
    """The same arguments with a file in place of each `-`; what was written goes out at the end.

    Raises CannotUse where more than one `-` would have to share a stream.
    """
    reads = [name for name in _READ if "-" in _values(args, name)]
    writes = [name for name in _WRITTEN if "-" in _values(args, name)]
    for names, what in ((reads, "read"), (writes, "written")):
        if sum(_values(args, name).count("-") for name in names) > 1:
            raise CannotUse(f"only one - can be {what}; give the others as files")
    if writes and getattr(args, "json", False):
        raise CannotUse("--json is written to standard output too; give a file in place of -")
    if not reads and not writes:
        yield args
        return
    with TemporaryDirectory(prefix="browse-") as folder:
        told = Namespace(**vars(args))
        for name in reads:
            place = Path(folder) / INPUT
            with place.open("wb") as whole:
                shutil.copyfileobj(sys.stdin.buffer, whole)
            value = getattr(args, name)
            setattr(told, name, str(place) if value == "-" else [str(place) if one == "-" else one for one in value])
        if not writes:
            yield told
            return
        out = Path(folder) / f"standard output{_WRITTEN[writes[0]]}"
        setattr(told, writes[0], str(out))
        with redirect_stdout(sys.stderr):
            yield told
        if out.exists():
            with out.open("rb") as whole:
                shutil.copyfileobj(whole, sys.stdout.buffer)


def _values(args: Namespace, name: str) -> list[object]:
    value = getattr(args, name, None)
    return value if isinstance(value, list) else [value]


def close_quietly() -> None:
    """Nobody reads standard output any more: what is still to be written to it goes nowhere, and says nothing."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
