"""How does work that takes long say how far it is? It calls a function with how many of how many are done."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import TypeVar

Progress = Callable[[int, int], None]
Thing = TypeVar("Thing")


def silent(_done: int, _of: int) -> None:
    """Says nothing."""


def counted(things: Collection[Thing], progress: Progress) -> Iterator[Thing]:
    """The same things one after the other; each is reported as done when the next one is asked for.

    Parameters
    ----------
    things
        What is worked through [no unit].
    progress
        Called with how many of how many are done [no unit].

    Examples
    --------
    >>> said = []
    >>> list(counted("ab", lambda done, of: said.append((done, of)))), said
    (['a', 'b'], [(1, 2), (2, 2)])
    """
    for number, thing in enumerate(things, 1):
        yield thing
        progress(number, len(things))
