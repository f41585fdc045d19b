"""How is an input refused that cannot be used?"""

from __future__ import annotations

from diagnose.terminal import printable


class CannotUse(ValueError):
    """The input cannot be used. The message is one line that says what to do about it.

    It may quote a name or a value from elsewhere: line breaks in it become spaces, and codes that a terminal obeys go.
    """

    def __init__(self, message: str) -> None:
        told = printable(message.replace("\r", "\n"))  # a carriage return breaks a line too
        super().__init__(" ".join(line.strip() for line in told.splitlines() if line.strip()))


class CannotSave(CannotUse):
    """Nothing can be saved now, whatever it is: the disk is full, another program holds the log, or it can only be read."""
