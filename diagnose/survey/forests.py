"""What would a survey of an invented forest see? Drawn counts with known truth, for planning and for judging the rules.

A forest is known by its mean and by how clumped it is; the kinds are alike in both and differ in their tails.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, a_share, a_whole

MOST_TREES, MOST_CLUMPED = 1_000_000, 10_000.0  # beyond them chance draws overflow; our choice
Draw = Callable[[np.random.Generator, float, float, tuple[int, ...]], np.ndarray]


def _sound(mean: float, clumped: float, shape: tuple[int, ...]) -> None:
    if not 0 < a_number(mean, "The mean count") <= MOST_TREES:
        raise CannotUse(f"Plots hold between 0 and {MOST_TREES:,} trees on average, not {mean:g}.")
    if not 0 <= a_number(clumped, "How clumped they are") <= MOST_CLUMPED:
        raise CannotUse(f"Forests are drawn as clumped as 0 to {MOST_CLUMPED:g}, not {clumped:g}.")
    _fits(shape)


def _fits(shape: tuple[int, ...]) -> None:
    a_whole(math.prod(a_whole(side, "A side of the table") for side in shape), "Plots in all", 0, 100_000_000)


def gamma_clumps(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Negative binomial counts; strewn by chance where clumped is nought.

    Parameters
    ----------
    rng : numpy.random.Generator
        Of the draws [no unit].
    mean : float
        Of a plot [trees].
    clumped : float
        (variance - mean) / mean^2, no unit.
    shape : tuple of int
        Of the result; the last axis is plots [no unit].

    Returns
    -------
    numpy.ndarray
        Counts [trees].

    Raises
    ------
    CannotUse
        For a mean, clumps or a shape that cannot be drawn.
    """
    _sound(mean, clumped, shape)
    return rng.poisson(mean if clumped <= 0 else rng.gamma(1 / clumped, mean * clumped, shape), shape)


def long_tailed(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Lognormal clumps: a few plots hold very many.

    Parameters
    ----------
    rng, mean, clumped, shape
        As for `gamma_clumps` [no unit, trees, no unit, no unit].
    """
    _sound(mean, clumped, shape)
    s2 = math.log1p(clumped)
    return rng.poisson(np.exp(rng.normal(math.log(mean) - s2 / 2, math.sqrt(s2), shape)))


def bare_patches(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Ground that is bare in part and evenly stocked elsewhere.

    Parameters
    ----------
    rng, mean, clumped, shape
        As for `gamma_clumps` [no unit, trees, no unit, no unit].
    """
    _sound(mean, clumped, shape)
    stocked = 1 / (1 + clumped)  # variance beyond chance of a mixture of nought and one level: mean^2 (1 - s) / s
    return rng.poisson(mean / stocked, shape) * (rng.random(shape) < stocked)


def families(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Seedlings round seed trees: a strewn number of families reaches each plot.

    Parameters
    ----------
    rng, mean, clumped, shape
        As for `gamma_clumps` [no unit, trees, no unit, no unit].

    Notes
    -----
    A Poisson number of Poisson families (Neyman's type A): variance beyond chance over mean^2 is one over the families.

    References
    ----------
    .. [1] Neyman, J. (1939). Annals of Mathematical Statistics 10:35-57 (from memory).
    """
    _sound(mean, clumped, shape)
    if clumped <= 0:
        return rng.poisson(mean, shape)
    return rng.poisson(mean * clumped * rng.poisson(1 / clumped, shape))


def rows(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Planted in rows, four fifths alive: less varied than chance; `clumped` has no part in it.

    Parameters
    ----------
    rng, mean, clumped, shape
        As for `gamma_clumps` [no unit, trees, no unit, no unit].
    """
    _sound(mean, clumped, shape)
    planted = max(1, math.ceil(mean * 1.25))
    return rng.binomial(planted, mean / planted, shape)


KINDS: dict[str, Draw] = {"gamma clumps": gamma_clumps, "long-tailed clumps": long_tailed, "bare patches": bare_patches,
                          "families": families, "rows": rows}


def drawn(kind: str, rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Counts of a kind of forest [trees].

    Parameters
    ----------
    kind
        One of KINDS [no unit].
    rng, mean, clumped, shape
        As for `gamma_clumps` [no unit, trees, no unit, no unit].

    Raises
    ------
    CannotUse
        For an unknown kind, or what cannot be drawn.
    """
    if kind not in KINDS:
        raise CannotUse(f"'{kind}' is no kind of forest; choose {', '.join(KINDS)}.")
    return KINDS[kind](rng, mean, clumped, shape).astype(float)


def browsed_trees(rng: np.random.Generator, share: float, likeness: float, trees: np.ndarray) -> np.ndarray:
    """Browsed trees of plots that hold so many, beta-binomial.

    Parameters
    ----------
    rng : numpy.random.Generator
        Of the draws [no unit].
    share : float
        True share browsed, no unit.
    likeness : float
        Intraclass correlation within plots, no unit.
    trees : numpy.ndarray
        Of each plot, any shape [trees].

    Returns
    -------
    numpy.ndarray
        Of the same shape [trees].

    Raises
    ------
    CannotUse
        For trees that are no counts, or a share or likeness outside 0 to 1.
    """
    if not (np.isfinite(trees) & (trees >= 0) & (trees <= MOST_TREES)).all():
        raise CannotUse("Trees of each plot are counts.")
    return rng.binomial(trees.astype(int), alike_rates(rng, share, likeness, trees.shape)).astype(float)


def alike_rates(rng: np.random.Generator, share: float, likeness: float, shape: tuple[int, ...]) -> np.ndarray | float:
    """Chance that a tree of each plot is browsed: beta about the share, or the share itself where plots are all alike.

    Parameters
    ----------
    rng : numpy.random.Generator
        Of the draws [no unit].
    share : float
        True share browsed [no unit].
    likeness : float
        Intraclass correlation within plots [no unit].
    shape : tuple of int
        Of the plots [no unit].
    """
    a_share(share), a_share(likeness, "The likeness")
    _fits(shape)
    if likeness <= 0 or share in (0, 1):
        return share
    if likeness == 1:  # all or none of a plot
        return (rng.random(shape) < share).astype(float)
    spread = 1 / likeness - 1
    return rng.beta(spread * share, spread * (1 - share), shape)
