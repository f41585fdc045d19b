"""How does a file appear under its name only when it is written to its end?"""

from __future__ import annotations

import os
import shutil
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from diagnose.cannot_use import CannotUse


@contextmanager
def beside(target: Path) -> Iterator[str]:
    """The name of an empty file, which takes the target's place at the end unless something failed.

    What is no plain file (a terminal, a pipe) is written at the end and not replaced.

    Parameters
    ----------
    target
        The file at the end [no unit].

    Raises
    ------
    CannotUse
        Naming the target, where it cannot be written.
    """
    special = target.exists() and not target.is_file()
    try:
        folder = Path(tempfile.gettempdir()) if special else target.parent
        temporary = str(folder / f".part-{uuid.uuid4().hex}{target.suffix}")
        open(temporary, "xb").close()  # with the rights that any new file has
        try:
            yield temporary
            if special:
                with open(temporary, "rb") as whole, target.open("wb") as out:
                    shutil.copyfileobj(whole, out)
            else:
                os.replace(temporary, target)
        finally:
            Path(temporary).unlink(missing_ok=True)
    except OSError as problem:
        raise CannotUse(f"{target} cannot be written ({problem.strerror}); free space or choose another place") from None


def write_whole(place: str | Path, data: bytes | str) -> Path:
    """Writes a file whole.

    Parameters
    ----------
    place
        Of the file [no unit].
    data
        Bytes, or text, which is written as UTF-8 [no unit].

    Raises
    ------
    CannotUse
        Naming it, where it cannot be written.
    """
    with beside(Path(place)) as temporary:
        Path(temporary).write_bytes(data.encode() if isinstance(data, str) else data)
    return Path(place)
