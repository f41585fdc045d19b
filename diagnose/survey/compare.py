"""Are protected trees browsed less than unprotected ones, and by how much?

Which method: whole plots drawn in both groups -> `difference` of two clustered estimates, or `bootstrap_of_plots`;
trees drawn one by one -> `newcombe`, `score`; one protected beside one unprotected tree, or the same tree twice ->
`paired_tango`, `paired_newcombe`; several sites -> `mantel_haenszel`. Protection is seldom given by chance: compare
within site and height class, and tell why a tree was protected.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, stats

from diagnose.cannot_use import CannotUse
from diagnose.given import MOST_SEED, a_whole, above_nought
from diagnose.survey.estimate import Estimate, Interval, nothing
from diagnose.survey.frame import plot_totals
from diagnose.survey.given import a_level, counts, of_all, x_of_n
from diagnose.survey.proportion import wilson


@dataclass(frozen=True)
class Test:
    """A test of significance.

    Parameters
    ----------
    statistic, df
        Chi-square, and its degrees of freedom [no unit].
    p_value
        Its upper tail, 0 to 1 [no unit].
    method
        Name of the test [no unit].
    """

    statistic: float
    df: int
    p_value: float
    method: str


# --- whole plots ------------------------------------------------------------------------------------------


def difference(first: Estimate, second: Estimate, method: str = "square and add", alike: float = 0.0,
               plots: int | None = None) -> Estimate:
    """First less second share, of two groups of plots that were drawn apart, or of trees in the same plots (MOVER, or t).

    Parameters
    ----------
    first, second
        Share of each group with its interval [share].
    method
        "square and add" joins the two groups' own limits, which keeps the edges when a group has none browsed [1]_; "t" is
        symmetric with n1 + n2 - 2 degrees of freedom [2]_ [no unit].
    alike
        Correlation of the two shares' errors, -1 to 1; 0 for plots drawn apart, else see `likeness_of_groups` [no unit].
    plots
        Number of plots where both groups share some; None for the sum of both [no unit].

    Returns
    -------
    Estimate
        [share]; without limits where a group has none. "square and add" keeps them within -1 and 1.

    Raises
    ------
    CannotUse
        For another method, or a correlation that is none.

    References
    ----------
    .. [1] Donner, A. & Zou, G. Y. (2012). Stat. Methods Med. Res. 21:347-359 (from memory); Newcombe (1998) 17:873-890.
    .. [2] Cochran, W. G. (1977). Sampling Techniques, 3rd ed. (t from the plots' degrees of freedom).
    """
    trees, level = first.trees + second.trees, first.level
    if not -1 <= alike <= 1:
        raise CannotUse(f"A correlation lies between -1 and 1, not at {alike:g}.")
    if method not in ("square and add", "t"):
        raise CannotUse(f"'{method}' is no method; choose square and add, or t.")
    plots = first.plots + second.plots if plots is None else a_whole(plots, "Plots")
    if first.value is None or second.value is None:
        return nothing("one of the groups has no estimate", plots, level)
    value = first.value - second.value
    sigma = _leg(first.sigma or 0.0, second.sigma or 0.0, alike)
    if method == "t":
        if first.sigma is None or second.sigma is None or plots < 4:
            return Estimate(value, None, None, level, "none", trees, plots,
                            note="t needs two plots and a spread in each group")
        reach = float(stats.t.ppf((1 + level) / 2, plots - 2)) * sigma
        return Estimate(value, value - reach, value + reach, level, "difference, t", trees, plots, sigma=sigma, df=plots - 2)
    if first.low is None or first.high is None or second.low is None or second.high is None:
        return Estimate(value, None, None, level, "none", trees, plots, note="one of the groups has no interval")
    low = value - _leg(first.value - first.low, second.high - second.value, alike)
    high = value + _leg(first.high - first.value, second.value - second.low, alike)
    return Estimate(value, max(-1.0, low), min(1.0, high), level, "difference, square and add", trees, plots,
                    sigma=sigma or None, note="; ".join(note for note in (first.note, second.note) if note))


def likeness_of_groups(y1: ArrayLike, m1: ArrayLike, y2: ArrayLike, m2: ArrayLike) -> float:
    """Correlation of the errors of two shares from the same plots: that of their linearised residuals.

    Parameters
    ----------
    y1, m1, y2, m2 : array_like, shape (n,)
        Browsed trees and all trees of each plot, of the first group and of the second [trees].

    Returns
    -------
    float
        -1 to 1, no unit; 0 where a group has no trees or does not vary.

    Raises
    ------
    CannotUse
        For counts that cannot be, or groups of not as many plots.

    References
    ----------
    .. [1] Our own, from the linearised ratio of Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 3.12.
    """
    (one, trees1), (two, trees2) = of_all(y1, m1), of_all(y2, m2)
    if len(trees1) != len(trees2):
        raise CannotUse("Both groups stand on the same plots: give as many of each.")
    if trees1.sum() == 0 or trees2.sum() == 0:
        return 0.0
    e1, e2 = one - one.sum() / trees1.sum() * trees1, two - two.sum() / trees2.sum() * trees2
    below = math.sqrt(float((e1**2).sum() * (e2**2).sum()))
    return 0.0 if below == 0 else float((e1 * e2).sum()) / below


def effectiveness(protected: Estimate, unprotected: Estimate, plots: int | None = None) -> Estimate:
    """Relative risk reduction: 1 - protected share / unprotected share, with limits from both groups' own (MOVER).

    Parameters
    ----------
    protected, unprotected
        Share browsed of each group with its interval [share].
    plots
        Number of plots where both groups share some; None for the sum of both. Their likeness is not used, which errs on the
        wide side [no unit].

    Returns
    -------
    Estimate
        Share of the damage that the protection prevents [share]; below 0 where it does harm.

    References
    ----------
    .. [1] Donner, A. & Zou, G. Y. (2012). Stat. Methods Med. Res. 21:347-359, limits of a ratio of two estimates (from
       memory).
    """
    trees, level = protected.trees + unprotected.trees, protected.level
    plots = protected.plots + unprotected.plots if plots is None else a_whole(plots, "Plots")
    a, b = protected, unprotected
    if a.value is None or not b.value:
        return nothing("without damage to unprotected trees nothing can be said of the protection", plots, level)
    if a.low is None or a.high is None or b.low is None or b.high is None:
        return Estimate(1 - a.value / b.value, None, None, level, "none", trees, plots, note="one group has no interval")
    both = a.value * b.value
    low = (both - math.sqrt(max(0.0, both**2 - a.low * b.high * (2 * a.value - a.low) * (2 * b.value - b.high)))) / (
        b.high * (2 * b.value - b.high)) if 2 * b.value > b.high else 0.0
    under = b.low * (2 * b.value - b.low)
    high = math.inf if under <= 0 else (both + math.sqrt(max(0.0, both**2 - a.high * b.low * (2 * a.value - a.high)
                                                             * (2 * b.value - b.low)))) / under
    value = 1 - a.value / b.value
    least, most = min(value, 1 - high), max(value, min(1.0, 1 - max(0.0, low)))
    return Estimate(value, least, most, level, "1 - ratio, limits of both groups", trees, plots)


def rao_scott(browsed: Sequence[ArrayLike], trees: Sequence[ArrayLike]) -> Test:
    """Test of equal shares in groups of plots: counts divided by each group's design effect, then chi-square.

    Parameters
    ----------
    browsed, trees : sequence of array_like, each (n,)
        A group each: browsed trees and all trees of its plots [trees]; two plots or more in each.

    Returns
    -------
    Test
        Chi-square with groups - 1 degrees of freedom.

    Raises
    ------
    CannotUse
        For a group of one plot, one with none or all browsed, or one whose plots do not differ.

    References
    ----------
    .. [1] Rao, J. N. K. & Scott, A. J. (1992). Biometrics 48:577-585.
    """
    x, n = [], []
    if len(browsed) != len(trees):
        raise CannotUse("Each group has browsed trees and trees of its plots: give both for every group.")
    for y, m in zip(browsed, trees, strict=True):
        ys, ms = of_all(y, m)
        if len(ms) < 2 or not 0 < ys.sum() < ms.sum():
            raise CannotUse("Each group needs two plots or more, with browsed and unbrowsed trees.")
        p, total, plots = ys.sum() / ms.sum(), ms.sum(), len(ms)
        effect = plots / (plots - 1) * ((ys - p * ms) ** 2).sum() / total**2 / (p * (1 - p) / total)
        if effect <= 0:
            raise CannotUse("The plots of a group do not differ at all: there is no design effect to correct for.")
        x.append(ys.sum() / effect)
        n.append(total / effect)
    return homogeneity(x, n, "Rao-Scott")


def homogeneity(x: Sequence[float], n: Sequence[float], method: str = "chi-square") -> Test:
    """Chi-square test of equal shares among groups of independent trees.

    Parameters
    ----------
    x, n : sequence of float, shape (k,)
        Browsed trees and trees of each group, or effective numbers of them [trees].
    method
        Name that the result bears [no unit].

    Returns
    -------
    Test
        Chi-square with k - 1 degrees of freedom.

    Raises
    ------
    CannotUse
        For fewer than two groups, an empty one, or none or all browsed.

    References
    ----------
    .. [1] Pearson, K. (1900). Philosophical Magazine 50:157-175 (from memory).
    """
    xs, ns = of_all(x, n)
    if len(ns) < 2 or (ns <= 0).any() or not 0 < xs.sum() < ns.sum():
        raise CannotUse("Shares are compared among two groups or more, with browsed and unbrowsed trees.")
    p = xs.sum() / ns.sum()
    statistic = float(((xs - ns * p) ** 2 / (ns * p * (1 - p))).sum())
    return Test(statistic, len(xs) - 1, float(stats.chi2.sf(statistic, len(xs) - 1)), method)


def bootstrap_of_plots(trees: pd.DataFrame, protected: str = "protected", draws: int = 2000, level: float = 0.95,
                       seed: int = 0, progress: Callable[[float], None] | None = None) -> Estimate:
    """Unprotected less protected share, whole plots redrawn within site and group; percentile limits.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame with the 0/1 column named by `protected` [no unit].
    protected
        Name of that column [no unit].
    draws
        How often plots are redrawn, 2 to 100,000 [no unit].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].
    seed
        Of the random draws [no unit].
    progress
        Called with the share done, 0 to 1 [no unit].

    Returns
    -------
    Estimate
        [share]; poor with fewer than ten plots a group, which the note then tells.

    Raises
    ------
    CannotUse
        Without trees of both groups.

    References
    ----------
    .. [1] Efron, B. & Tibshirani, R. J. (1993). An Introduction to the Bootstrap: percentile limits (from memory).
    """
    a_level(level), a_whole(draws, "Draws", 2, 100_000), a_whole(seed, "The seed", most=MOST_SEED)
    totals = plot_totals(trees, "browsed", [protected])
    totals = totals[totals["count"] > 0]
    if set(totals[protected].unique()) != {0, 1}:
        raise CannotUse("The comparison needs protected and unprotected trees.")
    rng = np.random.default_rng(seed)
    sums = np.zeros((2, 2, draws))  # group, (browsed, trees), draw
    parts = list(totals.groupby(["site", protected], observed=True))
    for done, ((_, group), part) in enumerate(parts):
        y, m = part["sum"].to_numpy(float), part["count"].to_numpy(float)
        for start in range(0, draws, 200):
            stop = min(draws, start + 200)
            drawn = rng.integers(0, len(y), (stop - start, len(y)))
            sums[int(group), 0, start:stop] += y[drawn].sum(axis=1)
            sums[int(group), 1, start:stop] += m[drawn].sum(axis=1)
            if progress is not None:
                progress((done + stop / draws) / len(parts))
    found = sums[0, 0] / sums[0, 1] - sums[1, 0] / sums[1, 1]
    low, high = np.quantile(found, [(1 - level) / 2, (1 + level) / 2])
    whole = totals.groupby(protected)[["sum", "count"]].sum()
    value = float(whole.loc[0, "sum"] / whole.loc[0, "count"] - whole.loc[1, "sum"] / whole.loc[1, "count"])
    low, high = min(low, value), max(high, value)
    least = int(totals[protected].value_counts().min())
    return Estimate(value, float(low), float(high), level, f"bootstrap of plots, {draws} draws", int(totals["count"].sum()),
                    len(totals), sigma=float(found.std(ddof=1)), note=f"only {least} plots in a group" if least < 10 else "")


# --- trees drawn one by one -------------------------------------------------------------------------------


def wald(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> Interval:
    """Plain interval of a difference; for comparison only, it is too narrow with few trees.

    Parameters
    ----------
    x1, n1, x2, n2
        Browsed trees and trees of the first group, and of the second [trees].
    level
        Level of confidence, 0.5 to below 1 [no unit].

    Returns
    -------
    Interval
        Of the first share less the second [share]; may reach beyond -1 and 1.

    Raises
    ------
    CannotUse
        For an empty group or a count outside it.

    References
    ----------
    .. [1] Newcombe, R. G. (1998). Statistics in Medicine 17:873-890, method 1.
    """
    x_of_n(x1, n1), x_of_n(x2, n2)
    p1, p2 = x1 / n1, x2 / n2
    reach = _z(level) * math.sqrt(p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2)
    return Interval(p1 - p2 - reach, p1 - p2 + reach, level, "Wald")


def agresti_caffo(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> Interval:
    """Plain interval of a difference after one tree of each kind was added to each group.

    Parameters
    ----------
    x1, n1, x2, n2, level
        As for `wald` [trees, no unit].

    References
    ----------
    .. [1] Agresti, A. & Caffo, B. (2000). American Statistician 54:280-288.
    """
    x_of_n(x1, n1), x_of_n(x2, n2)
    found = wald(x1 + 1, n1 + 2, x2 + 1, n2 + 2, level)
    return Interval(found.low, found.high, level, "Agresti-Caffo")


def newcombe(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> Interval:
    """Square-and-add of both Wilson intervals.

    Parameters
    ----------
    x1, n1, x2, n2, level
        As for `wald` [trees, no unit].

    References
    ----------
    .. [1] Newcombe, R. G. (1998). Statistics in Medicine 17:873-890, method 10.
    """
    a, b = wilson(x1, n1, level), wilson(x2, n2, level)
    p1, p2 = x1 / n1, x2 / n2
    return Interval(p1 - p2 - math.hypot(p1 - a.low, b.high - p2), p1 - p2 + math.hypot(a.high - p1, p2 - b.low), level,
                    "Newcombe")


def score(x1: int, n1: int, x2: int, n2: int, level: float = 0.95, corrected: bool = False) -> Interval:
    """Score interval of a difference of two shares.

    Parameters
    ----------
    x1, n1, x2, n2, level
        As for `wald` [trees, no unit].
    corrected
        True for the variance times N/(N-1), Miettinen & Nurminen; False for Mee's [no unit].

    References
    ----------
    .. [1] Miettinen, O. & Nurminen, M. (1985). Statistics in Medicine 4:213-226: the restricted shares' cubic.
    .. [2] Mee, R. W. (1984). Biometrics 40:1175-1176.
    """
    x_of_n(x1, n1), x_of_n(x2, n2)
    z, observed = _z(level), x1 / n1 - x2 / n2
    factor = (n1 + n2) / (n1 + n2 - 1) if corrected else 1.0

    def distance(delta: float) -> float:
        p2 = _restricted(x1, n1, x2, n2, delta)
        p1 = p2 + delta
        variance = (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2) * factor
        gap = observed - delta
        return (0.0 if gap == 0 else math.copysign(math.inf, gap)) if variance <= 0 else gap / math.sqrt(variance)

    low, high = _crossed(lambda d: distance(d) > z, -1, observed), _crossed(lambda d: distance(d) >= -z, observed, 1)
    return Interval(low, high, level, "Miettinen-Nurminen" if corrected else "score")


def _restricted(x1: int, n1: int, x2: int, n2: int, delta: float) -> float:
    """The second share, of highest likelihood where the first is larger by delta (cubic solved in closed form)."""
    n = n1 + n2
    l2, l1 = (n1 + 2 * n2) * delta - n - (x1 + x2), (n2 * delta - n - 2 * x2) * delta + x1 + x2
    l0 = x2 * delta * (1 - delta)
    q = l2**3 / (27 * n**3) - l1 * l2 / (6 * n**2) + l0 / (2 * n)
    p = math.copysign(math.sqrt(max(0.0, l2**2 / (9 * n**2) - l1 / (3 * n))), q)
    angle = 0.0 if p == 0 else (math.pi + math.acos(max(-1.0, min(1.0, q / p**3)))) / 3
    return min(max(2 * p * math.cos(angle) - l2 / (3 * n), max(0.0, -delta)), min(1.0, 1 - delta))


def ratio_score(x1: int, n1: int, x2: int, n2: int, level: float = 0.95) -> Interval:
    """Score interval of the ratio of two shares.

    Parameters
    ----------
    x1, n1, x2, n2, level
        As for `wald` [trees, no unit].

    Returns
    -------
    Interval
        First share over second, no unit; 0 below for x1 = 0, no upper limit for x2 = 0.

    References
    ----------
    .. [1] Koopman, P. A. R. (1984). Biometrics 40:513-517.
    """
    x_of_n(x1, n1), x_of_n(x2, n2)
    z2 = _z(level) ** 2

    def chi2(log_ratio: float) -> float:
        r = math.exp(log_ratio)
        a, b, c = (n1 + n2) * r, -((n1 + x2) * r + x1 + n2), x1 + x2
        p2 = (-b - math.sqrt(max(0.0, b**2 - 4 * a * c))) / (2 * a)
        p1 = min(1.0, r * p2)
        spread1, spread2 = n1 * p1 * (1 - p1), n2 * p2 * (1 - p2)
        first = 0.0 if spread1 <= 0 else (x1 - n1 * p1) ** 2 / spread1
        return first + (0.0 if spread2 <= 0 else (x2 - n2 * p2) ** 2 / spread2)

    far = 20.0
    middle = math.log((x1 / n1) / (x2 / n2)) if x1 and x2 else (-far if not x1 else far)
    low = 0.0 if not x1 else math.exp(_crossed(lambda t: chi2(t) > z2, -far, middle))
    high = math.inf if not x2 else math.exp(_crossed(lambda t: chi2(t) <= z2, middle, far))
    return Interval(low, high, level, "Koopman")


# --- several sites ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pooled:
    """Two groups compared over all sites.

    Parameters
    ----------
    odds_ratio, odds_interval
        With its interval [no unit].
    risk_difference, risk_interval
        First share less second, with its interval [share].
    test
        Cochran-Mantel-Haenszel [no unit].
    """

    odds_ratio: float
    odds_interval: Interval
    risk_difference: float
    risk_interval: Interval
    test: Test


def mantel_haenszel(tables: ArrayLike, level: float = 0.95) -> Pooled:
    """Two groups over several sites, trees independent within site and group.

    Parameters
    ----------
    tables : array_like, shape (sites, 2, 2)
        Counts [[a, b], [c, d]] of each site: rows are groups, columns browsed and not [trees]. A site with an empty row or
        column adds nothing to the odds ratio and the test.
    level
        Level of confidence of the intervals, 0.5 to below 1 [no unit].

    Raises
    ------
    CannotUse
        For tables of another shape, or counts that cannot be.

    References
    ----------
    .. [1] Robins, J., Breslow, N. & Greenland, S. (1986). Biometrics 42:311-323: variance of the log odds ratio.
    .. [2] Sato, T. (1989). Biometrics 45:1323-1324 (letter): variance of the risk difference (from memory).
    """
    t = np.asarray(tables, float)
    if t.ndim != 3 or t.shape[1:] != (2, 2) or not len(t):
        raise CannotUse("Give a table of two rows and two columns for each site.")
    counts(t.ravel(), "The tables")
    a, b, c, d = t[:, 0, 0], t[:, 0, 1], t[:, 1, 0], t[:, 1, 1]
    n1, n2 = a + b, c + d
    n = n1 + n2
    z = _z(level)
    kept = n > 0
    with np.errstate(invalid="ignore", divide="ignore"):
        r, s = (a * d / n)[kept], (b * c / n)[kept]
        p, q = ((a + d) / n)[kept], ((b + c) / n)[kept]
    big_r, big_s = r.sum(), s.sum()
    if big_r > 0 and big_s > 0:
        odds = big_r / big_s
        variance = ((p * r).sum() / (2 * big_r**2) + (p * s + q * r).sum() / (2 * big_r * big_s)
                    + (q * s).sum() / (2 * big_s**2))
        reach = z * math.sqrt(variance)
        odds_interval = Interval(odds * math.exp(-reach), odds * math.exp(reach), level, "Robins-Breslow-Greenland")
    else:
        odds = math.inf if big_r > 0 else 0.0 if big_s > 0 else math.nan
        odds_interval = Interval(0.0, math.inf, level, "none")
    return Pooled(float(odds), odds_interval, *_pooled_risk(a, c, n1, n2, z, level), _cmh(a, n1, n2, a + c, n))


def _pooled_risk(a: np.ndarray, c: np.ndarray, n1: np.ndarray, n2: np.ndarray, z: float,
                 level: float) -> tuple[float, Interval]:
    both = (n1 > 0) & (n2 > 0)
    a, c, n1, n2 = a[both], c[both], n1[both], n2[both]
    n = n1 + n2
    weight = n1 * n2 / n
    total = weight.sum()
    if total == 0:
        return math.nan, Interval(-1.0, 1.0, level, "none")
    value = float((weight * (a / n1 - c / n2)).sum() / total)
    p = (n1**2 * c - n2**2 * a + n1 * n2 * (n2 - n1) / 2) / n**2
    q = (a * (n2 - c) + c * (n1 - a)) / (2 * n)
    reach = z * math.sqrt(max(0.0, value * p.sum() + q.sum())) / total
    return value, Interval(value - reach, value + reach, level, "Sato")


def _cmh(a: np.ndarray, n1: np.ndarray, n2: np.ndarray, column: np.ndarray, n: np.ndarray) -> Test:
    """Cochran-Mantel-Haenszel test with continuity correction."""
    many = n > 1
    a, n1, n2, column, n = a[many], n1[many], n2[many], column[many], n[many]
    expected = n1 * column / n
    variance = float((n1 * n2 * column * (n - column) / (n**2 * (n - 1))).sum())
    gap = abs(float((a - expected).sum()))
    statistic = 0.0 if variance == 0 else max(0.0, gap - min(0.5, gap)) ** 2 / variance
    return Test(statistic, 1, float(stats.chi2.sf(statistic, 1)), "Cochran-Mantel-Haenszel, corrected")


# --- pairs ------------------------------------------------------------------------------------------------


def paired_newcombe(a: int, b: int, c: int, d: int, level: float = 0.95, method: int = 10) -> Interval:
    """Difference of two shares in pairs, first less second.

    Parameters
    ----------
    a, b, c, d
        Both browsed, the first only, the second only, neither [pairs].
    level
        Level of confidence, 0.5 to below 1 [no unit].
    method
        8 takes the correlation as it is, 10 lessens it where it is positive [no unit].

    Returns
    -------
    Interval
        [share]

    Raises
    ------
    CannotUse
        For counts that cannot be, none at all, or another method.

    References
    ----------
    .. [1] Newcombe, R. G. (1998). Statistics in Medicine 17:2635-2650.
    """
    n = _cells(a, b, c, d)
    p1, p2 = (a + b) / n, (a + c) / n
    first, second = wilson(a + b, n, level), wilson(a + c, n, level)
    margins = (a + b) * (c + d) * (a + c) * (b + d)
    over: float = a * d - b * c
    if method == 10 and over > 0:
        over = max(over - n / 2, 0)
    phi = over / math.sqrt(margins) if margins else 0.0
    if method not in (8, 10):
        raise CannotUse(f"Method {method} is none of 8 and 10.")
    low = _leg(p1 - first.low, second.high - p2, phi)
    high = _leg(first.high - p1, p2 - second.low, phi)
    return Interval(p1 - p2 - low, p1 - p2 + high, level, f"paired, Newcombe {method}")


def _leg(one: float, other: float, phi: float) -> float:
    return math.sqrt(max(0.0, one**2 - 2 * phi * one * other + other**2))


def paired_tango(a: int, b: int, c: int, d: int, level: float = 0.95) -> Interval:
    """Score interval of a paired difference.

    Parameters
    ----------
    a, b, c, d, level
        As for `paired_newcombe` [pairs, no unit].

    References
    ----------
    .. [1] Tango, T. (1998). Statistics in Medicine 17:891-908.
    """
    n, z = _cells(a, b, c, d), _z(level)
    observed = (b - c) / n

    def distance(delta: float) -> float:
        linear, constant = -b - c + (2 * n - b + c) * delta, -c * delta * (1 - delta)
        q = (math.sqrt(max(0.0, linear**2 - 8 * n * constant)) - linear) / (4 * n)
        variance = n * (2 * q + delta * (1 - delta))
        gap = b - c - n * delta
        return (0.0 if gap == 0 else math.copysign(math.inf, gap)) if variance <= 0 else gap / math.sqrt(variance)

    low, high = _crossed(lambda t: distance(t) > z, -1, observed), _crossed(lambda t: distance(t) >= -z, observed, 1)
    return Interval(low, high, level, "paired, Tango")


def mcnemar(b: int, c: int, corrected: bool = False) -> Test:
    """Are first-only and second-only equally many?

    Parameters
    ----------
    b, c
        Pairs of which only the first, and only the second, is browsed [pairs].
    corrected
        True to lessen the difference by 1 for continuity [no unit].

    Returns
    -------
    Test
        Chi-square with 1 degree of freedom; p is 1 without such pairs.

    Raises
    ------
    CannotUse
        For counts that cannot be.

    References
    ----------
    .. [1] McNemar, Q. (1947). Psychometrika 12:153-157 (from memory).
    """
    counts([b, c], "Pairs")
    if b + c == 0:
        return Test(0.0, 1, 1.0, "McNemar")
    statistic = max(0.0, abs(b - c) - (1 if corrected else 0)) ** 2 / (b + c)
    return Test(statistic, 1, float(stats.chi2.sf(statistic, 1)), "McNemar, corrected" if corrected else "McNemar")


def _crossed(still: Callable[[float], bool], low: float, high: float) -> float:
    """Where `still`, true at low and false at high, stops being true; high itself where it never does."""
    if still(high):
        return high
    if not still(low):
        return low
    return float(optimize.bisect(lambda t: 1.0 if still(t) else -1.0, low, high, xtol=1e-12))


def _cells(*cells: float) -> float:
    """Number of pairs [pairs]. Raises CannotUse for counts that cannot be, and for none."""
    return above_nought(float(counts(cells, "Pairs").sum()), "The number of pairs")


def _z(level: float) -> float:
    return float(stats.norm.ppf((1 + a_level(level)) / 2))
