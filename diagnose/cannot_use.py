"""How is an input refused that cannot be used?"""

from __future__ import annotations


class CannotUse(ValueError):
    """The input cannot be used. The message is one line that says what to do about it."""
