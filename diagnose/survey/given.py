"""Can these numbers be counts, areas, a share or a level? Every estimator asks here before it computes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from diagnose.cannot_use import CannotUse

MOST_SEED = 2**63  # of a random draw


def a_level(level: float) -> float:
    """The level of confidence as a number between 0 and 1.

    Parameters
    ----------
    level : float
        Probability that the interval holds the truth, no unit; above 0.5 and below 1.

    Returns
    -------
    float
        The same level.

    Raises
    ------
    CannotUse
        For a level in percent, nan, or one that no interval can have.

    Examples
    --------
    >>> a_level(0.95)
    0.95
    """
    value = _number(level, "The level")
    if not 0.5 <= value < 1:
        raise CannotUse(f"A level lies between 0.5 and 1: write 0.95 for 95 %, not {value:g}.")
    return value


def a_share(share: float, what: str = "A share") -> float:
    """A share as a number from 0 to 1.

    Parameters
    ----------
    share : float
        Part of a whole, no unit.
    what : str
        How the refusal names it.

    Raises
    ------
    CannotUse
        For nan and for what lies outside 0 to 1.
    """
    value = _number(share, what)
    if not 0 <= value <= 1:
        raise CannotUse(f"{what} lies between 0 and 1 (write 0.05 for 5 %), not at {value:g}.")
    return value


def a_number(value: float, what: str) -> float:
    """A finite number, in its own unit. Raises CannotUse for nan, infinity and words."""
    return _number(value, what)


def a_whole(value: float, what: str, least: int = 0, most: int = 10_000_000) -> int:
    """A whole number within limits, such as a count of plots, of draws, or the seed of a random draw.

    Parameters
    ----------
    value : int
        The number [no unit].
    what : str
        How the refusal names it.
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
    told = _number(value, what)
    if told != int(told) or not least <= told <= most:
        raise CannotUse(f"{what} must be a whole number from {least:,} to {most:,}, not {told:g}.")
    return int(told)


def places(points: ArrayLike, what: str = "Places") -> np.ndarray:
    """Places in the plane, (n, 2) [m]. Raises CannotUse where something is missing or is no place."""
    try:
        told = np.asarray(points, float)
    except (TypeError, ValueError):
        raise CannotUse(f"{what}: something in it is no place.") from None
    if told.ndim != 2 or told.shape[1] != 2 or not np.isfinite(told).all():
        raise CannotUse(f"{what}: each has an east and a north, in metres.")
    return told


def above_nought(value: float, what: str) -> float:
    """A length, an area or a number that must be larger than nought, in its own unit. Raises CannotUse for others."""
    told = _number(value, what)
    if told <= 0:
        raise CannotUse(f"{what} must be larger than nought, not {told:g}.")
    return told


def numbers(values: ArrayLike, what: str) -> np.ndarray:
    """Finite numbers, (n,), in their own unit. Raises CannotUse for nan, infinity, words and tables."""
    try:
        told = np.asarray(values, float)
    except (TypeError, ValueError):
        raise CannotUse(f"{what}: something in it is no number.") from None
    if told.ndim != 1:
        raise CannotUse(f"{what}: give one number for each plot, not a table.")
    if not np.isfinite(told).all():
        raise CannotUse(f"{what}: value {int(np.flatnonzero(~np.isfinite(told))[0]) + 1} is missing; leave that plot out.")
    return told


def counts(values: ArrayLike, what: str = "Counts") -> np.ndarray:
    """Counts from nought up, (n,); may be fractional where a doubtful tree counts in part. Raises CannotUse for others.

    Parameters
    ----------
    values : array_like, shape (n,)
        One count for each plot [trees].
    what : str
        How the refusal names them.

    Examples
    --------
    >>> counts([3, 0, 2]).tolist()
    [3.0, 0.0, 2.0]
    """
    told = numbers(values, what)
    if (told < -1e-9).any():
        raise CannotUse(f"{what}: {told.min():g} cannot be; a count starts at nought.")
    return np.maximum(told, 0.0)


def of_all(part: ArrayLike, whole: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Browsed trees and all trees of each plot, (n,) and (n,) [trees].

    Raises
    ------
    CannotUse
        Where they are not as many, where one is no count, and where a plot has more browsed trees than trees.
    """
    y, m = counts(part, "Browsed trees"), counts(whole, "Trees")
    if len(y) != len(m):
        raise CannotUse(f"{len(y)} plots with browsed trees and {len(m)} with trees: give both for every plot.")
    if (y > m + 1e-9).any():
        raise CannotUse("A plot has more browsed trees than trees: look at its tally.")
    return np.minimum(y, m), m


def x_of_n(x: float, n: float, what: str = "trees") -> tuple[float, float]:
    """A count among n, both no unit. Raises CannotUse where n is nought or x lies outside 0 to n."""
    part, whole = _number(x, "The count"), _number(n, "The number")
    if whole <= 0:
        raise CannotUse(f"No {what} were looked at: there is nothing to estimate.")
    if not 0 <= part <= whole:
        raise CannotUse(f"{part:g} of {whole:g} {what} cannot be: give a count between 0 and {whole:g}.")
    return part, whole


def _number(value: float, what: str) -> float:
    try:
        told = float(value)
    except (TypeError, ValueError):
        raise CannotUse(f"{what} must be a number, not {value!r}.") from None
    if not math.isfinite(told):
        raise CannotUse(f"{what} must be a number, not {told}.")
    return told


def of_all_plots(visited: int, plots_in_all: int | None) -> float:
    """Share of the ground's plots that was not visited, by which the variance of a sample of few plots is less [1]_.

    Parameters
    ----------
    visited : int
        Plots that were visited [no unit].
    plots_in_all : int or None
        Plots that the ground would hold; None for very many [no unit].

    Returns
    -------
    float
        0 to 1, no unit.

    Raises
    ------
    CannotUse
        Where more were visited than there are.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 2.6 (from memory).

    Examples
    --------
    >>> of_all_plots(10, 40)
    0.75
    """
    if plots_in_all is None:
        return 1.0
    visited = a_whole(visited, "Plots that were visited")
    if not above_nought(plots_in_all, "The number of all plots") >= visited:
        raise CannotUse(f"{visited} plots were visited and the ground holds {plots_in_all}: check the number of all plots.")
    return 1 - visited / plots_in_all
