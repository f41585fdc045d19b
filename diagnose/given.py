"""Is this a number, a whole one, a share, more than nought, a day that has come? Whoever computes asks here first."""

from __future__ import annotations

import math
from collections.abc import Collection
from datetime import date, timedelta

from diagnose.cannot_use import CannotUse

MOST_SEED = 2**63  # of a random draw


def latest_day() -> date:
    """The last day on which something may have been done: tomorrow, for places whose date is ahead of this computer's."""
    return date.today() + timedelta(days=1)


def a_number(value: float, what: str) -> float:
    """A finite number, in its own unit.

    Parameters
    ----------
    value : float
        The number, in its own unit.
    what : str
        How the refusal names it [no unit].

    Raises
    ------
    CannotUse
        For nan, infinity and words.
    """
    try:
        told = float(value)
    except (TypeError, ValueError, OverflowError):
        raise CannotUse(f"{what} must be a number, not {value!r}.") from None
    if not math.isfinite(told):
        raise CannotUse(f"{what} must be a number, not {told}.")
    return told


def a_whole(value: float, what: str, least: int = 0, most: int = 10_000_000) -> int:
    """A whole number within limits, such as a count of plots, of draws, or the seed of a random draw.

    Parameters
    ----------
    value : int
        The number [no unit].
    what : str
        How the refusal names it [no unit].
    least, most : int
        Its limits; what goes beyond the upper one would take hours, or more memory than there is [no unit].

    Raises
    ------
    CannotUse
        For what is no whole number, and for what lies outside.

    Examples
    --------
    >>> a_whole(12, "Plots", 1)
    12
    """
    told = a_number(value, what)
    if told != int(told) or not least <= told <= most:
        raise CannotUse(f"{what} must be a whole number from {least:,} to {most:,}, not {told:g}.")
    return int(told)


def a_share(share: float, what: str = "A share") -> float:
    """A share as a number from 0 to 1.

    Parameters
    ----------
    share : float
        Part of a whole [no unit].
    what : str
        How the refusal names it [no unit].

    Raises
    ------
    CannotUse
        For nan and for what lies outside 0 to 1.
    """
    value = a_number(share, what)
    if not 0 <= value <= 1:
        raise CannotUse(f"{what} lies between 0 and 1 (write 0.05 for 5 %), not at {value:g}.")
    return value


def above_nought(value: float, what: str) -> float:
    """A length, an area or a number that must be larger than nought.

    Parameters
    ----------
    value : float
        The number, in its own unit.
    what : str
        How the refusal names it [no unit].

    Raises
    ------
    CannotUse
        For others.
    """
    told = a_number(value, what)
    if told <= 0:
        raise CannotUse(f"{what} must be larger than nought, not {told:g}.")
    return told


def from_nought(value: float, what: str) -> float:
    """A length, a price or a number that may be nought, and no less.

    Parameters
    ----------
    value : float
        The number, in its own unit.
    what : str
        How the refusal names it [no unit].

    Raises
    ------
    CannotUse
        For others.
    """
    told = a_number(value, what)
    if told < 0:
        raise CannotUse(f"{what} starts at nought, not at {told:g}.")
    return told


def one_of(word: str, known: Collection[str], what: str) -> str:
    """A word that is one of those known.

    Parameters
    ----------
    word : str
        The word [no unit].
    known : collection of str
        Those that there are [no unit].
    what : str
        How the refusal names it [no unit].

    Raises
    ------
    CannotUse
        For another word, with those that there are.
    """
    if word not in known:
        raise CannotUse(f"{what} {word!r} is not known; there is {', '.join(known)}.")
    return word
