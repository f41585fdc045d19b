"""What share of the trees is browsed, and how sure is that?

Trees of one plot are alike: they share the deer, the snow and the edge. The plot is therefore the unit, and the
interval is that of a ratio of plot totals. Formulas for independent trees stand here too, for trees that were
drawn one by one and as the ground that the others are built on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, a_share, above_nought
from diagnose.survey.estimate import Estimate, Interval, nothing
from diagnose.survey.frame import of_sampled, plot_totals
from diagnose.survey.given import a_level, of_all, of_all_plots, x_of_n

# Likeness of trees of one plot (intraclass correlation) that is assumed where none or all are browsed and the
# data cannot tell it. Common practice, no source: browsing of neighbours is seldom more alike than this.
ASSUMED_LIKENESS = 0.2
MOVED = 0.85  # trees of each kind that move the centre; chosen by simulation, see `coverage.py`
MANY_PLOTS, MANY_BROWSED = 15, 10  # from here the plain logit limits are known to be too wide (see `clustered`)


def wilson(x: float, n: float, level: float = 0.95, corrected: bool = False) -> Interval:
    """Score interval of Wilson [share] for x of n independent trees, with or without continuity correction.

    Parameters
    ----------
    x, n
        Browsed trees among trees looked at; may be fractional [trees].
    level
        Level of confidence, 0.5 to below 1 [no unit].
    corrected
        True for the continuity correction [no unit].

    Raises
    ------
    CannotUse
        Where n is nought or x lies outside 0 to n.

    References
    ----------
    .. [1] Newcombe, R. G. (1998). Statistics in Medicine 17:857-872, methods 3 and 4.
    """
    x, n = x_of_n(x, n)
    z = _z(level)
    p = x / n
    if not corrected:
        middle, reach = p + z**2 / (2 * n), z * math.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
        low, high = (middle - reach) / (1 + z**2 / n), (middle + reach) / (1 + z**2 / n)
    else:
        below = z * math.sqrt(max(0.0, z**2 - 2 - 1 / n + 4 * p * (n * (1 - p) + 1)))
        above = z * math.sqrt(max(0.0, z**2 + 2 - 1 / n + 4 * p * (n * (1 - p) - 1)))
        low, high = (2 * n * p + z**2 - 1 - below) / (2 * (n + z**2)), (2 * n * p + z**2 + 1 + above) / (2 * (n + z**2))
    low, high = (0.0 if x <= 0 else max(0.0, low)), (1.0 if x >= n else min(1.0, high))
    return Interval(low, high, level, "Wilson, corrected" if corrected else "Wilson")


def clopper_pearson(x: float, n: float, level: float = 0.95) -> Interval:
    """Exact interval: Beta quantiles.

    Parameters
    ----------
    x, n, level
        As for `wilson` [trees, no unit].

    References
    ----------
    .. [1] Clopper, C. J. & Pearson, E. S. (1934). Biometrika 26:404-413.
    """
    x, n = x_of_n(x, n)
    tail = (1 - a_level(level)) / 2
    low = 0.0 if x <= 0 else float(stats.beta.ppf(tail, x, n - x + 1))
    high = 1.0 if x >= n else float(stats.beta.ppf(1 - tail, x + 1, n - x))
    return Interval(low, high, level, "Clopper-Pearson")


def jeffreys(x: float, n: float, level: float = 0.95) -> Interval:
    """Beta(x+1/2, n-x+1/2) quantiles; 0 at x = 0 and 1 at x = n.

    Parameters
    ----------
    x, n, level
        As for `wilson` [trees, no unit].

    References
    ----------
    .. [1] Brown, L. D., Cai, T. T. & DasGupta, A. (2001). Statistical Science 16:101-133.
    """
    x, n = x_of_n(x, n)
    tail = (1 - a_level(level)) / 2
    low = 0.0 if x <= 0 else float(stats.beta.ppf(tail, x + 0.5, n - x + 0.5))
    high = 1.0 if x >= n else float(stats.beta.ppf(1 - tail, x + 0.5, n - x + 0.5))
    return Interval(low, high, level, "Jeffreys")


def mid_p(x: float, n: float, level: float = 0.95) -> Interval:
    """Exact interval that counts half of the probability of what was seen.

    Parameters
    ----------
    x, n, level
        As for `wilson`, whole trees only [trees, no unit].

    Raises
    ------
    CannotUse
        For fractions of trees.

    References
    ----------
    .. [1] Newcombe, R. G. (1998). Statistics in Medicine 17:857-872, method 6.
    """
    x, n = x_of_n(x, n)
    if x != round(x) or n != round(n):
        raise CannotUse(f"{x:g} of {n:g}: these limits are of whole trees; take Wilson's for fractions.")
    tail = (1 - a_level(level)) / 2

    def above(p: float) -> float:
        return float(stats.binom.sf(x, n, p) + 0.5 * stats.binom.pmf(x, n, p)) - tail

    def below(p: float) -> float:
        return float(stats.binom.cdf(x, n, p) - 0.5 * stats.binom.pmf(x, n, p)) - tail

    low = 0.0 if x == 0 else float(optimize.brentq(above, 0.0, x / n))
    high = 1.0 if x == n else float(optimize.brentq(below, x / n, 1.0))
    return Interval(low, high, level, "mid-P")


def none_seen_bound(n: float, level: float = 0.95) -> float:
    """One-sided upper limit of a share of which none was seen among n: 1 - (1 - level)^(1/n), about 3/n at 95 %.

    Parameters
    ----------
    n
        Trees that were looked at; may be fractional [trees].
    level
        One-sided level of confidence, 0.5 to below 1 [no unit].

    References
    ----------
    .. [1] Hanley, J. A. & Lippman-Hand, A. (1983), the rule of three; Jovanovic & Levy (1997), Am. Stat. 51:137-139.
    """
    return 1 - (1 - a_level(level)) ** (1 / above_nought(n, "The number of trees"))


INDEPENDENT = {"Wilson": wilson, "Clopper-Pearson": clopper_pearson, "Jeffreys": jeffreys, "mid-P": mid_p}


def independent(x: int, n: int, level: float = 0.95, method: str = "Wilson") -> Estimate:
    """Share x / n of trees that were drawn one by one, not plot by plot [share]; no value without trees.

    Parameters
    ----------
    x, n
        Browsed trees among trees looked at [trees].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].
    method
        One of INDEPENDENT, such as that of `wilson` [no unit].

    Raises
    ------
    CannotUse
        For another method, or x outside 0 to n.
    """
    if method not in INDEPENDENT:
        raise CannotUse(f"'{method}' is no method; choose {', '.join(INDEPENDENT)}.")
    if n == 0:
        return nothing("no trees were looked at", level=a_level(level))
    x_of_n(x, n)
    found = INDEPENDENT[method](x, n, level)
    return Estimate(x / n, found.low, found.high, level, f"{method}, independent trees", n, 0, 1.0,
                    math.sqrt(x / n * (1 - x / n) / n))


def clustered(browsed: ArrayLike, trees: ArrayLike, level: float = 0.95, plots_in_all: int | None = None,
              unsure: float = 0.0) -> Estimate:
    """Share browsed where whole plots were drawn: ratio of totals, plots as clusters.

    Parameters
    ----------
    browsed, trees : array_like, shape (n,)
        Browsed trees, which may be fractional (shares of a culprit), and all trees of each plot [trees]. Plots without trees
        count in the n of sigma's n/(n-1), and nowhere else.
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].
    plots_in_all
        Plots that the ground would hold, for the finite population correction; None for very many [no unit].
    unsure
        Summed variance of fractional browsed trees, see attribution.py [trees^2].

    Returns
    -------
    Estimate
        [share]; without limits for one plot, without a value for no trees.

    Raises
    ------
    CannotUse
        For counts that cannot be, a variance below 0, or fewer plots in all than were visited.

    Notes
    -----
    sigma is the linearised n/(n-1) form [1]_. The interval lies on the logit scale, and three things make its
    coverage hold (`coverage.py` prints it): each plot is held against the others alone (jackknife: residuals
    scaled by 1/(1 - h), h the plot's share of all trees), as plots with many trees pull the estimate towards
    themselves [2]_; t takes the degrees of freedom
    that the residuals' own tails leave, 2n/(kurtosis - 1) - 1, at most those of the effective number of plots
    [3]_; and where many plots and browsed trees were seen, the centre moves by MOVED trees of each kind, which
    keeps the limits from being too wide near 0 and 1. None or all browsed: one-sided bound with an assumed design effect.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 3.12.
    .. [2] Wolter, K. M. (2007). Introduction to Variance Estimation, 2nd ed., chapter 4 (from memory).
    .. [3] Satterthwaite, F. E. (1946). Biometrics Bulletin 2:110-114: degrees of freedom by the variance of a variance.
    """
    a_level(level)
    if not a_number(unsure, "The variance of doubtful trees") >= 0:
        raise CannotUse(f"The variance of doubtful trees starts at nought, not at {unsure:g}.")
    y, m = of_all(browsed, trees)
    visited = len(m)
    y, m = y[m > 0], m[m > 0]
    n, total = len(m), float(m.sum())
    if n == 0:
        return nothing(f"no trees of this kind on {visited} plots", visited, level)
    p = min(1.0, max(0.0, float(y.sum()) / total))
    count = round(total)
    finite = of_all_plots(visited, plots_in_all)
    if n == 1:
        return Estimate(p, None, None, level, "none", count, 1, note="one plot: how plots differ is unknown")
    if finite == 0:
        return Estimate(p, p, p, level, "every plot was visited", count, n, sigma=0.0)
    if p in (0.0, 1.0):
        return _all_or_none(p, m, level)
    residual = (y - p * m) / total
    variance = finite * visited / (visited - 1) * float((residual**2).sum()) + unsure / total**2
    plain = p * (1 - p) / total
    lower, upper, df = logit_limits(y, m, (1 - level) / 2, finite, unsure)
    low, high = min(float(lower), p), max(float(upper), p)  # the moved centre may carry both past a share that hardly varies
    note = "" if n >= MANY_PLOTS else f"only {n} plots"
    return Estimate(p, low, high, level, "plots as clusters, logit t", count, n, variance / plain,
                    math.sqrt(variance), float(df), note=note)


def logit_limits(browsed: np.ndarray, trees: np.ndarray, error: float, finite: float = 1.0,
                 unsure: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Limits of the share of one survey, or of many at once; see `clustered` for the method.

    Parameters
    ----------
    browsed, trees : numpy.ndarray, shape (..., n)
        Of each plot [trees]; the last axis is plots, with two or more that hold trees.
    error : float
        One-sided error of either limit, no unit.
    finite : float
        Finite population correction, no unit.
    unsure : float
        Summed variance of fractional browsed trees [trees^2].

    Returns
    -------
    low, high, df : numpy.ndarray, shape (...)
        Where none or all are browsed: the one-sided bound with an assumed design effect, and 0 or 1.
    """
    n, total = (trees > 0).sum(axis=-1), trees.sum(axis=-1)
    p = browsed.sum(axis=-1) / total
    held = trees / total[..., None]
    residual = (browsed - p[..., None] * trees) / total[..., None]
    squares = ((n - 1) / n)[..., None] * residual**2 / (1 - held) ** 2
    sampled = squares.sum(axis=-1)
    own = unsure / total**2
    with np.errstate(divide="ignore", invalid="ignore"):
        tails = n * (squares**2).sum(axis=-1) / sampled**2
        df = np.maximum(1.0, np.minimum(1 / (held**2).sum(axis=-1) - 1, 2 * n / np.maximum(tails - 1, 1e-9) - 1))
        df = np.where(sampled > 0, df * (1 + own / np.where(sampled > 0, sampled, 1)) ** 2, n - 1.0)
        # every plot alike: what is left is what independent trees would vary
        sampled = np.where((sampled == 0) & (own == 0), p * (1 - p) / total, sampled)
        moved = np.where((n >= MANY_PLOTS) & (browsed.sum(axis=-1) >= MANY_BROWSED), MOVED, 0.0)
        centre = (p * total + moved) / (total + 2 * moved)
        reach = stats.t.ppf(1 - error, df) * np.sqrt(finite * sampled + own) / (centre * (1 - centre))
        middle = np.log(centre / (1 - centre))
        low, high = special.expit(middle - reach), special.expit(middle + reach)
    bound = 1 - error ** (_assumed_effect(trees) / total)
    none, every = p <= 0, p >= 1
    return (np.where(none, 0.0, np.where(every, 1 - bound, low)), np.where(none, bound, np.where(every, 1.0, high)), df)


def _assumed_effect(trees: np.ndarray) -> np.ndarray:
    """Design effect of plots of this size with ASSUMED_LIKENESS, (...); trees (..., n)."""
    return np.maximum(1.0, 1 + ((trees**2).sum(axis=-1) / trees.sum(axis=-1) - 1) * ASSUMED_LIKENESS)


def _all_or_none(p: float, m: np.ndarray, level: float) -> Estimate:
    effect = float(_assumed_effect(m))
    bound = none_seen_bound(float(m.sum()) / effect, level)
    low, high = (0.0, bound) if p == 0 else (1 - bound, 1.0)
    word = "none" if p == 0 else "all"
    note = f"{word} of them: design effect {effect:.1f} assumed, from a likeness of {ASSUMED_LIKENESS} in a plot"
    return Estimate(p, low, high, level, "one-sided bound with an assumed design effect", round(m.sum()), len(m), effect,
                    note=note)


def likeness(browsed: ArrayLike, trees: ArrayLike) -> float:
    """How alike trees of one plot are: intraclass correlation from the analysis of variance, at most 1, perhaps below 0.

    Parameters
    ----------
    browsed, trees : array_like, shape (n,)
        Browsed trees and all trees of each plot [trees].

    Raises
    ------
    CannotUse
        For fewer than two plots with trees, or not more trees than plots.

    References
    ----------
    .. [1] Donald, A. & Donner, A. (1987). Statistics in Medicine 6:491-499 (from memory).
    """
    y, m = of_all(browsed, trees)
    y, m = y[m > 0], m[m > 0]
    n, total = len(m), float(m.sum())
    if n < 2 or total <= n:
        raise CannotUse("Likeness needs two plots, and more trees than plots.")
    p, each = y.sum() / total, y / m
    between = float((m * (each - p) ** 2).sum()) / (n - 1)
    within = float((m * each * (1 - each)).sum()) / (total - n)
    size = (total - float((m**2).sum()) / total) / (n - 1)
    below = between + (size - 1) * within
    return 0.0 if below == 0 else (between - within) / below


def by_likeness(browsed: ArrayLike, trees: ArrayLike, rho: float | None = None, level: float = 0.95) -> Interval:
    """Wilson interval [share] of trees / (1 + (sum m^2 / M - 1) rho), m being the trees of a plot and M all trees.

    Parameters
    ----------
    browsed, trees : array_like, shape (n,)
        Browsed trees and all trees of each plot [trees].
    rho
        Intraclass correlation from another survey, 0 to 1; None to take it from the data [no unit].
    level
        Level of confidence, 0.5 to below 1 [no unit].

    Raises
    ------
    CannotUse
        Without trees, or for a correlation that is none.

    References
    ----------
    .. [1] Kish, L. (1965). Survey Sampling: the design effect (from memory); the interval on effective counts is our own
       choice.
    """
    y, m = of_all(browsed, trees)
    if m.sum() <= 0:
        raise CannotUse("No trees were looked at: there is nothing to estimate.")
    alike = max(0.0, likeness(y, m)) if rho is None else a_share(rho, "The likeness")
    effect = 1 + (float((m**2).sum() / m.sum()) - 1) * alike
    found = wilson(float(y.sum()) / effect, float(m.sum()) / effect, level)
    return Interval(found.low, found.high, level, f"Wilson, design effect {effect:.2f} from likeness {alike:.3f}")


def browsing_index(browsed_plots: int, plots: int, level: float = 0.95) -> Estimate:
    """Index (1 + browsed) / (2 + plots) of small plots with any browsed shoot, with its Beta interval (even prior).

    Parameters
    ----------
    browsed_plots
        Plots with any browsed shoot [no unit].
    plots
        Plots that were looked at [no unit].
    level
        Probability that the interval holds, 0.5 to below 1 [no unit].

    Raises
    ------
    CannotUse
        For more browsed plots than plots.

    References
    ----------
    .. [1] Morellet, N. et al. (2001). Wildlife Society Bulletin 29:1243-1252.
    """
    if plots:
        x_of_n(browsed_plots, plots, "plots")
    elif browsed_plots:
        raise CannotUse(f"{browsed_plots} of no plots cannot be browsed.")
    tail = (1 - a_level(level)) / 2
    a, b = 1 + browsed_plots, 1 + plots - browsed_plots
    low, high = (float(x) for x in stats.beta.ppf([tail, 1 - tail], a, b))
    sigma = float(stats.beta.std(a, b))
    return Estimate(a / (a + b), low, high, level, "browsing index, Beta", 0, plots, sigma=sigma)


def share_browsed(trees: pd.DataFrame, by: Sequence[str] = (), value: str = "browsed", level: float = 0.95,
                  plots_in_all: int | None = None) -> dict[tuple, Estimate]:
    """Share of trees browsed by groups, plots as clusters, see `clustered`.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame, see frame.py [no unit].
    by
        Names of columns whose values make the groups [no unit].
    value
        Name of the column with 0, 1 or missing [no unit].
    level
        Level of confidence of the intervals, 0.5 to below 1 [no unit].
    plots_in_all
        Plots that the ground would hold; None for very many [no unit].

    Returns
    -------
    dict of tuple to Estimate
        Values of the columns -> share [share]; the key () holds all trees where `by` is empty.
    """
    totals = plot_totals(trees, value, by)
    if not by:
        return {(): clustered(totals["sum"], totals["count"], level, plots_in_all)}
    found = {}
    for key, part in totals.groupby(list(by), observed=True):
        found[key if isinstance(key, tuple) else (key,)] = clustered(part["sum"], part["count"], level, plots_in_all)
    return found


def plots_visited(trees: pd.DataFrame) -> int:
    """Number of plots in the frame, empty ones counted.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame, see frame.py [no unit].
    """
    return of_sampled(trees).groupby(["site", "plot"], observed=True).ngroups


def _z(level: float) -> float:
    return float(stats.norm.ppf((1 + a_level(level)) / 2))
