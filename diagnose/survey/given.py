"""Can these numbers be counts, areas, a share or a level? Every estimator asks here before it computes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, a_whole, above_nought


def a_level(level: float) -> float:
    """The level of confidence as a number between 0 and 1.

    Parameters
    ----------
    level : float
        Probability that the interval holds the truth, 0.5 to below 1 [no unit].

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
    value = a_number(level, "The level")
    if not 0.5 <= value < 1:
        raise CannotUse(f"A level lies between 0.5 and 1: write 0.95 for 95 %, not {value:g}.")
    return value


def places(points: ArrayLike, what: str = "Places") -> np.ndarray:
    """Places in the plane.

    Parameters
    ----------
    points : array_like, shape (n, 2)
        East and north [m].
    what
        How a refusal names them [no unit].

    Returns
    -------
    numpy.ndarray, shape (n, 2)
        [m]

    Raises
    ------
    CannotUse
        Where something is missing or is no place.
    """
    try:
        told = np.asarray(points, float)
    except (TypeError, ValueError):
        raise CannotUse(f"{what}: something in it is no place.") from None
    if told.ndim != 2 or told.shape[1] != 2 or not np.isfinite(told).all():
        raise CannotUse(f"{what}: each has an east and a north, in metres.")
    return told


def numbers(values: ArrayLike, what: str) -> np.ndarray:
    """Finite numbers, in their own unit.

    Parameters
    ----------
    values : array_like, shape (n,)
        In any unit.
    what
        How a refusal names them [no unit].

    Returns
    -------
    numpy.ndarray, shape (n,)
        In the same unit.

    Raises
    ------
    CannotUse
        For nan, infinity, words and tables.
    """
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
    """Counts from nought up; may be fractional where a doubtful tree counts in part.

    Parameters
    ----------
    values : array_like, shape (n,)
        One count for each plot [trees].
    what : str
        How a refusal names them [no unit].

    Returns
    -------
    numpy.ndarray, shape (n,)
        [trees]

    Raises
    ------
    CannotUse
        For what is no number, and below 0.

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

    Parameters
    ----------
    part, whole : array_like, shape (n,)
        Browsed trees, and all trees, of each plot [trees].

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
    """A count among n.

    Parameters
    ----------
    x, n
        The count, and of how many [trees].
    what
        How a refusal names them [no unit].

    Returns
    -------
    x, n : float
        The same two.

    Raises
    ------
    CannotUse
        Where n is nought or x lies outside 0 to n.
    """
    part, whole = a_number(x, "The count"), a_number(n, "The number")
    if whole <= 0:
        raise CannotUse(f"No {what} were looked at: there is nothing to estimate.")
    if not 0 <= part <= whole:
        raise CannotUse(f"{part:g} of {whole:g} {what} cannot be: give a count between 0 and {whole:g}.")
    return part, whole


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
