"""How is an input refused that cannot be used?"""

from __future__ import annotations

from diagnose.terminal import printable

LONGEST = 1000  # characters of a message; our choice


class CannotUse(ValueError):
    """The input cannot be used. The message is one line that says what to do about it.

    It may quote a name or a value from elsewhere: line breaks in it become spaces, codes that a terminal obeys go, and of a
    message longer than LONGEST the middle goes, since what to do about it stands at the end.
    """

    def __init__(self, message: str) -> None:
        told = printable(message.replace("\r", "\n"))  # a carriage return breaks a line too
        line = " ".join(line.strip() for line in told.splitlines() if line.strip())
        half = (LONGEST - 3) // 2
        super().__init__(line if len(line) <= LONGEST else f"{line[:half]} … {line[-half:]}")


class CannotSave(CannotUse):
    """Nothing can be saved now, whatever it is: the disk is full, another program holds the log, or it can only be read."""
