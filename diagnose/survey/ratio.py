"""How sure is a ratio of totals when whole plots were drawn, not single trees?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.given import a_share
from diagnose.survey.given import a_level, counts, numbers


@dataclass(frozen=True)
class Ratio:
    """A ratio of totals.

    Parameters
    ----------
    value, sigma
        With its linearised standard error, in the unit of the upper total over that of the lower.
    df
        Clusters less strata [no unit].
    level
        Of confidence, 0.5 to below 1 [no unit].
    """

    value: float
    sigma: float
    df: int
    level: float

    @property
    def limits(self) -> tuple[float, float]:
        """Lower and upper limit, symmetric, by Student's t, in the ratio's own unit."""
        reach = float(stats.t.ppf((1 + self.level) / 2, self.df)) * self.sigma
        return self.value - reach, self.value + reach


def ratio_of_totals(y: ArrayLike, x: ArrayLike, clusters: ArrayLike | None = None, weights: ArrayLike | None = None,
                    strata: ArrayLike | None = None, drawn_share: dict | float = 0.0, level: float = 0.95) -> Ratio:
    """Ratio estimator sum(w y) / sum(w x) with its linearised standard error.

    With weights 1 / (chance of being drawn) both sums are Horvitz-Thompson totals.

    Parameters
    ----------
    y, x : array_like, shape (n,)
        What is divided, and by what, a row each, in any unit.
    clusters : array_like, shape (n,), or None
        Label of each row's cluster; None where every row is its own [no unit].
    weights : array_like, shape (n,), or None
        How much each row stands for; None for 1 each [no unit].
    strata : array_like, shape (n,), or None
        Label of each row's stratum; None for one stratum [no unit].
    drawn_share
        Share of all clusters that were drawn (n/N), a number or one for each stratum [share].
    level
        Level of confidence of the limits, 0.5 to below 1 [no unit].

    Returns
    -------
    Ratio
        In the unit of y over that of x.

    Raises
    ------
    CannotUse
        For a stratum with one cluster, whose variance is unknown (never nought), and for nothing below the line.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 3.12: variance of a ratio, n/(n-1) included.
    """
    a_level(level)
    top, below = numbers(y, "The upper totals"), counts(x, "The lower totals")
    weight = np.ones_like(top) if weights is None else counts(weights, "Weights")
    if not len(top) == len(below) == len(weight):
        raise CannotUse("Give as many upper totals, lower totals and weights.")
    stratum = np.zeros(len(top), int) if strata is None else np.unique(np.asarray(strata), return_inverse=True)[1]
    names = [0] if strata is None else list(np.unique(np.asarray(strata)))
    cluster = np.arange(len(top)) if clusters is None else np.unique(np.asarray(clusters), return_inverse=True)[1]
    total = float((weight * below).sum())
    if not total > 0:
        raise CannotUse("The ratio has nothing below the line: give plots with trees in them.")
    value = float((weight * top).sum()) / total
    residual = weight * (top - value * below) / total
    variance, count = 0.0, 0
    for number, name in enumerate(names):
        inside = stratum == number
        sums = np.bincount(np.unique(cluster[inside], return_inverse=True)[1], residual[inside])
        if len(sums) < 2:
            raise CannotUse(f"Stratum {name} has one plot, so its variance is unknown: join it to a like stratum.")
        share = drawn_share.get(name, 0.0) if isinstance(drawn_share, dict) else drawn_share
        a_share(share, "The share of clusters that were drawn")
        variance += (1 - share) * len(sums) / (len(sums) - 1) * float(((sums - sums.mean()) ** 2).sum())
        count += len(sums)
    return Ratio(value, float(np.sqrt(variance)), count - len(names), level)
