"""What would a survey of an invented forest see? Drawn counts with known truth, for planning and for judging the rules.

A forest is known by its mean and by how clumped it is; the kinds are alike in both and differ in their tails.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from diagnose.cannot_use import CannotUse

Draw = Callable[[np.random.Generator, float, float, tuple[int, ...]], np.ndarray]


def gamma_clumps(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Negative binomial counts; strewn by chance where clumped is nought.

    Parameters
    ----------
    rng : numpy.random.Generator
    mean : float
        Trees a plot.
    clumped : float
        (variance - mean) / mean^2, no unit.
    shape : tuple of int
        Of the result; the last axis is plots.

    Returns
    -------
    numpy.ndarray
        Counts [trees].
    """
    return rng.poisson(mean if clumped <= 0 else rng.gamma(1 / clumped, mean * clumped, shape), shape)


def long_tailed(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Lognormal clumps: a few plots hold very many; parameters as `gamma_clumps`."""
    s2 = math.log1p(clumped)
    return rng.poisson(np.exp(rng.normal(math.log(mean) - s2 / 2, math.sqrt(s2), shape)))


def bare_patches(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Ground that is bare in part and evenly stocked elsewhere; parameters as `gamma_clumps`."""
    stocked = 1 / (1 + clumped)  # variance beyond chance of a mixture of nought and one level: mean^2 (1 - s) / s
    return rng.poisson(mean / stocked, shape) * (rng.random(shape) < stocked)


def families(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Seedlings round seed trees: a strewn number of families reaches each plot; parameters as `gamma_clumps`.

    A Poisson number of Poisson families (Neyman's type A): variance beyond chance over mean^2 is one over the families.
    """
    if clumped <= 0:
        return rng.poisson(mean, shape)
    return rng.poisson(mean * clumped * rng.poisson(1 / clumped, shape))


def rows(rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Planted in rows, four fifths alive: less varied than chance; `clumped` has no part in it."""
    planted = max(1, math.ceil(mean * 1.25))
    return rng.binomial(planted, mean / planted, shape)


KINDS: dict[str, Draw] = {"gamma clumps": gamma_clumps, "long-tailed clumps": long_tailed, "bare patches": bare_patches,
                          "families": families, "rows": rows}


def drawn(kind: str, rng: np.random.Generator, mean: float, clumped: float, shape: tuple[int, ...]) -> np.ndarray:
    """Counts of a kind of forest, see KINDS. Raises CannotUse for an unknown kind."""
    if kind not in KINDS:
        raise CannotUse(f"'{kind}' is no kind of forest; choose {', '.join(KINDS)}.")
    return KINDS[kind](rng, mean, clumped, shape).astype(float)


def browsed_trees(rng: np.random.Generator, share: float, likeness: float, trees: np.ndarray) -> np.ndarray:
    """Browsed trees of plots that hold so many, beta-binomial.

    Parameters
    ----------
    share : float
        True share browsed, no unit.
    likeness : float
        Intraclass correlation within plots, no unit.
    trees : numpy.ndarray
        Trees of each plot, any shape.
    """
    if likeness <= 0:
        return rng.binomial(trees.astype(int), share).astype(float)
    spread = 1 / likeness - 1
    rate = rng.beta(spread * share, spread * (1 - share), trees.shape)
    return rng.binomial(trees.astype(int), rate).astype(float)
