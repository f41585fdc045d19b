"""What do the rows of the catalogue, one a source, say together of one sign of one culprit?

A row says what one source says: of a sign with choices how often each is met, in a word or as a percentage that was
counted; of a number the range that holds about nine tenths. Rows that share an origin count as one lineage. The table
is their mean; how far it is softened follows from what the rows are, never from what somebody typed.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from scipy.special import ndtr

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, one_of
from diagnose.knowledge import knowledge

MEMORY, OURS = "MEM", "OURS"
PUT_SO = "put so"  # grade of what follows from how the question is put
NINE_TENTHS = 1.6449  # standard normal deviate that holds 90 % on both sides
Row = Mapping[str, Any] | Sequence[float]


def words() -> Mapping[str, Any]:
    """What the words of the catalogue are worth, as `words.yaml` holds it."""
    return knowledge("diagnose.culprits", "words.yaml")


def sources() -> Mapping[str, Any]:
    """Source key -> who, what, where and how much of it was read."""
    return knowledge("diagnose.culprits", "sources.yaml")


@dataclass(frozen=True)
class Support:
    """What a table rests on.

    Parameters
    ----------
    grade
        put so, counted, several, one or memory [no unit].
    lineages
        Number of independent origins, memory not counted [no unit].
    """

    grade: str
    lineages: int


@cache
def lineage(source: str) -> str:
    """The origin that a source shares with others, or its own key.

    Parameters
    ----------
    source
        Key of sources.yaml [no unit].

    Raises
    ------
    CannotUse
        For a key that is none.
    """
    return str(sources()[one_of(source, sources(), "The source")].get("lineage", source))


def support(rows: Mapping[str, Row]) -> Support:
    """The grade and the number of independent lineages of some rows.

    Parameters
    ----------
    rows
        Source key -> what it says of one sign [no unit].
    """
    known = {lineage(source) for source in rows if source not in (MEMORY, OURS)}
    counted = any(isinstance(says, Mapping) and any(not isinstance(what, str) for what in says.values())
                  for source, says in rows.items() if source != MEMORY)
    if counted:
        return Support("counted", len(known))
    if OURS in rows:
        return Support(PUT_SO, len(known))
    return Support("several" if len(known) > 1 else "one" if known else "memory", len(known))


def kept(rows: Mapping[str, Row], without: Collection[str]) -> dict[str, Row]:
    """The rows whose source is not left out; none where only memory is left and it was no account by itself.

    Memory often only adds to what a source says. Where that source goes and memory does not speak of the main thing
    that it said, nothing is left.

    Parameters
    ----------
    rows
        Source key -> what it says of one sign [no unit].
    without
        Keys of sources that are left out [no unit].
    """
    left = {source: says for source, says in rows.items() if source not in without}
    if set(left) == {MEMORY} and len(left) < len(rows) and isinstance(left[MEMORY], Mapping):
        strength = words()["often"]
        told = {choice: strength[what] if isinstance(what, str) else what
                for source, says in rows.items() if source != MEMORY and isinstance(says, Mapping)
                for choice, what in says.items()}
        if max(told, key=lambda choice: told[choice]) not in left[MEMORY]:
            return {}
    return left


def choice_table(rows: Mapping[str, Row], choices: Sequence[str], where: str) -> np.ndarray:
    """Probabilities of a sign's choices, from rows and softened by what they rest on.

    Parameters
    ----------
    rows
        Source key -> choice -> word of frequency, or percentage, 0 to 100 [%].
    choices
        The sign's, (n), in order [no unit].
    where
        Culprit and sign, for the error [no unit].

    Returns
    -------
    numpy.ndarray, shape (n,)
        Probabilities, which add up to 1.

    Raises
    ------
    CannotUse
        For a choice or a word that there is not, and for rows that name nothing.

    References
    ----------
    Our own: for each choice the mean over lineages that speak of it; memory speaks where no other does; then mixed
    with "could be anything".
    """
    strength = words()["often"]
    told: dict[str, dict[str, list[float]]] = {choice: {} for choice in choices}
    for source, says in rows.items():
        assert isinstance(says, Mapping), where
        for choice, what in says.items():
            if choice not in told or (isinstance(what, str) and what not in strength):
                raise CannotUse(f"the catalogue's {where} says '{choice}: {what}'; choices: {', '.join(choices)}; "
                                f"words: {', '.join(strength)}")
            told[choice].setdefault(lineage(source), []).append(strength[what] if isinstance(what, str) else float(what))
    weights = np.array([_mean(by) for by in told.values()])
    if not weights.sum() > 0:
        raise CannotUse(f"the catalogue's {where} names no choice")
    even = words()["uniform"][support(rows).grade]
    return (1 - even) * weights / weights.sum() + even / len(choices)


def _mean(by: Mapping[str, Sequence[float]]) -> float:
    """The mean over lineages, each the mean of its rows; memory alone counts where nothing else was told."""
    told = {origin: sum(values) / len(values) for origin, values in by.items()}  # of few: numpy's takes far longer
    others = [value for origin, value in told.items() if origin != MEMORY]
    return sum(others) / len(others) if others else told.get(MEMORY, 0.0)


@dataclass(frozen=True)
class Ranges:
    """A number's density: equal parts normal, in the number or in its logarithm, and a part that is even over its range.

    Parameters
    ----------
    middles, spreads
        (m,) of the parts, in the sign's unit, or in its logarithm where `in_log` [nat].
    low, high
        The sign's range, in its unit.
    even
        Share of the even part, 0 to 1 [no unit].
    in_log
        Are the parts normal in the logarithm? [no unit]
    """

    middles: np.ndarray
    spreads: np.ndarray
    low: float
    high: float
    even: float
    in_log: bool

    def density(self, x: np.ndarray) -> np.ndarray:
        """Probability density of the number.

        Parameters
        ----------
        x
            (G,) values of it, above 0 where `in_log` [unit of the sign].

        Returns
        -------
        numpy.ndarray, shape (G,)
            [1 / unit of the sign]
        """
        at = np.log(x) if self.in_log else x
        per = 1 / x if self.in_log else np.ones_like(x)
        parts = np.exp(-0.5 * ((at[:, None] - self.middles) / self.spreads) ** 2) / (self.spreads * math.sqrt(2 * math.pi))
        span = math.log(self.high / self.low) if self.in_log else self.high - self.low
        return per * ((1 - self.even) * parts.mean(axis=1) + self.even / span)


def range_table(rows: Mapping[str, Row], low: float, high: float, where: str) -> Ranges:
    """The density of a number from rows that give the range of about nine tenths, one part a row.

    Parameters
    ----------
    rows
        Source key -> low and high [unit of the sign].
    low, high
        Least and most that the sign may be; one whose range starts above zero is spread in its logarithm, as sizes are [unit
        of the sign].
    where
        Culprit and sign, for the error [no unit].

    Raises
    ------
    CannotUse
        For a range that is none.

    References
    ----------
    .. [1] Our own.
    """
    if not a_number(low, "The sign's least") < a_number(high, "The sign's most"):
        raise CannotUse(f"{where}: the range of the sign runs from {low:g} to {high:g}")
    in_log = low > 0
    ends = []
    for source, says in rows.items():
        if isinstance(says, Mapping) or len(says) != 2 or not says[0] < says[1]:
            raise CannotUse(f"the catalogue's {where} needs a range from {source}: [low, high]")
        a, b = max(float(says[0]), low), min(float(says[1]), high)
        ends.append((math.log(a), math.log(b)) if in_log else (a, b))
    lows, highs = np.array(ends).T
    even = words()["uniform"][support(rows).grade]
    return Ranges((lows + highs) / 2, np.maximum(highs - lows, 1e-6) / (2 * NINE_TENTHS), low, high, even, in_log)


def within(upper: np.ndarray | float, x: np.ndarray, edge: np.ndarray | float) -> np.ndarray:
    """Share of animals whose limit lies above a value: one well below it, none well above, with a soft edge.

    Parameters
    ----------
    upper, x, edge
        Middle limit, value, and standard deviation of the limit, all in one unit.

    Returns
    -------
    numpy.ndarray
        0 to 1, of the shape that the three give together [no unit].
    """
    return np.asarray(ndtr((upper - x) / edge))
