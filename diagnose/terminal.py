"""How do words from elsewhere reach a terminal without commanding it?

A subject or a file's name may hold codes that colour, erase or rename the terminal (ECMA-48), or turn the direction in
which a line reads (Unicode's bidirectional controls). None of them is printed.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from typing import Any, TextIO

# a whole sequence goes (CSI and OSC, ECMA-48 5.4 and 8.3.89), else its letters would stay; then every other control but
# tab and line feed
_CONTROLS = re.compile(r"(?:\x1b\[|\x9b)[0-?]*[ -/]*[@-~]|(?:\x1b\]|\x9d)[^\x07\x1b\x9c\n]*(?:\x07|\x1b\\|\x9c)?"
                       r"|[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def printable(text: str) -> str:
    """The text without codes that a terminal obeys; line feeds and tabs stay.

    Parameters
    ----------
    text
        From elsewhere [no unit].
    """
    return _CONTROLS.sub("", text)


class _Printable:
    """A text stream that writes only what is printable; everything else about it is the stream's own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        self._stream.write(printable(text))
        return len(text)

    def writelines(self, lines: Any) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def without_control_codes() -> Iterator[None]:
    """Standard output and standard error print no control codes inside it."""
    with redirect_stdout(_Printable(sys.stdout)), redirect_stderr(_Printable(sys.stderr)):  # type: ignore[type-var]
        yield
