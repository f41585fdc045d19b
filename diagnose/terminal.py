"""How do words reach a terminal, whatever letters it has, without commanding it?

A subject or a file's name may hold codes that colour, erase or rename the terminal (ECMA-48), or turn the direction in
which a line reads (Unicode's bidirectional controls). None of them is printed. A letter that the terminal's encoding lacks
is written in others.
"""

from __future__ import annotations

import codecs
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from typing import Any, TextIO

# a whole sequence goes (CSI and OSC, ECMA-48 5.4 and 8.3.89), else its letters would stay; then every other control but
# tab and line feed
_CONTROLS = re.compile(r"(?:\x1b\[|\x9b)[0-?]*[ -/]*[@-~]|(?:\x1b\]|\x9d)[^\x07\x1b\x9c\n]*(?:\x07|\x1b\\|\x9c)?"
                       r"|[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")

_OTHER_LETTERS = {"±": "+/-", "°": " deg", "²": "2", "³": "3", "µ": "u", "×": "x", "→": "->", "–": "-", "—": "-", "…": "...",
                  "≤": "<=", "≥": ">="}
_PLAINER = "plainer"  # under which codecs know how a letter is written that an encoding lacks


def _in_other_letters(problem: UnicodeError) -> tuple[str | bytes, int]:
    """What stands for a letter that cannot be encoded, and where to go on; a byte of a file's name stays that byte."""
    if not isinstance(problem, UnicodeEncodeError):
        raise problem
    letter, after = problem.object[problem.start], problem.start + 1
    if "\udc80" <= letter <= "\udcff":  # PEP 383
        return bytes([ord(letter) - 0xDC00]), after
    return _OTHER_LETTERS.get(letter) or letter.encode("ascii", "backslashreplace").decode(), after


codecs.register_error(_PLAINER, _in_other_letters)


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
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):  # another file was put under the stream since Python opened it
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors=_PLAINER)
    with redirect_stdout(_Printable(sys.stdout)), redirect_stderr(_Printable(sys.stderr)):  # type: ignore[type-var]
        yield
