"""Is it getting better or worse from visit to visit?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.survey.compare import Test
from diagnose.survey.estimate import Estimate, nothing
from diagnose.survey.frame import plot_totals
from diagnose.survey.given import a_level, of_all
from diagnose.survey.proportion import clustered

POWER = 0.8  # at which the smallest change that would have been seen is told; common practice, no source
STATES = ("unbrowsed", "browsed", "escaped", "dead")


def change_on_plots(browsed1: ArrayLike, trees1: ArrayLike, browsed2: ArrayLike, trees2: ArrayLike,
                    level: float = 0.95) -> Estimate:
    """Second less first share on the same plots; that plots keep their ways from visit to visit is counted in.

    Parameters
    ----------
    browsed1, trees1, browsed2, trees2 : array_like, shape (n,)
        Browsed trees and all trees of each plot at the first visit and at the second, plots in the same order [trees].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].

    Returns
    -------
    Estimate
        [share], -1 to 1. Without limits for one plot, or where no plot differs from another.

    Raises
    ------
    CannotUse
        For counts that cannot be, or visits of not as many plots.

    Notes
    -----
    Variance n/(n-1) sum (e2/M2 - e1/M1)^2 with residuals e = y - p m and M all trees of a visit; t with n - 1 degrees of
    freedom.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 3.12: a ratio, linearised. The same done to a
       difference of two on the same plots is our own working.
    """
    a_level(level)
    (y1, m1), (y2, m2) = of_all(browsed1, trees1), of_all(browsed2, trees2)
    n = len(m1)
    if len(m2) != n:
        raise CannotUse(f"{n} plots at the first visit and {len(m2)} at the second: give the same plots in the same order.")
    if m1.sum() == 0 or m2.sum() == 0:
        return nothing("one of the visits saw no trees", n, level)
    p1, p2 = y1.sum() / m1.sum(), y2.sum() / m2.sum()
    value, trees = float(p2 - p1), round(m1.sum() + m2.sum())
    if n < 2:
        return Estimate(value, None, None, level, "none", trees, n, note="one plot: how plots differ is unknown")
    residual = (y2 - p2 * m2) / m2.sum() - (y1 - p1 * m1) / m1.sum()
    variance = n / (n - 1) * float((residual**2).sum())
    if variance == 0:
        return Estimate(value, None, None, level, "none", trees, n, note="no plot differs from another: no interval")
    apart = p1 * (1 - p1) / m1.sum() + p2 * (1 - p2) / m2.sum()
    reach = float(stats.t.ppf((1 + level) / 2, n - 1)) * math.sqrt(variance)
    return Estimate(value, max(-1.0, value - reach), min(1.0, value + reach), level, "same plots, t", trees, n,
                    float(variance / apart), math.sqrt(variance), n - 1, note="" if n >= 15 else f"only {n} plots")


@dataclass(frozen=True)
class Change:
    """Both visits on the plots that both saw.

    Parameters
    ----------
    before, now
        Shares browsed [share].
    difference
        Now less before [share].
    smallest
        Change that four of five such pairs of visits would have told from none; None where unknown [share].
    days
        The two visits, as YYYY-MM-DD; empty where not known [no unit].
    """

    before: Estimate
    now: Estimate
    difference: Estimate
    smallest: float | None
    days: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """As people read it, both shares and the points between them, each with its limits."""
        if self.difference.value is None:
            return self.difference.note
        points = 100 * self.difference.value
        way = "more" if points >= 0 else "less"
        told = f"{self.before.words()}, then {self.now.words()}: {abs(points):.0f} percentage points {way}"
        if self.difference.low is not None and self.difference.high is not None:
            told += f" ({100 * self.difference.low:+.0f} to {100 * self.difference.high:+.0f})"
        if self.smallest is not None:
            told += (f". A change of {100 * self.smallest:.0f} points would have been seen in {100 * POWER:.0f} % of such "
                     "surveys")
        return f"{told}."


def changed(first: pd.DataFrame, second: pd.DataFrame, level: float = 0.95) -> Change:
    """Both visits' shares browsed and their difference, on the plots that both saw.

    Parameters
    ----------
    first, second : pandas.DataFrame
        Survey frames of the two visits, see frame.py; each column in its own unit.
    level : float
        Of the intervals, no unit.

    Raises
    ------
    CannotUse
        Where the visits share no plot.
    """
    both = plot_totals(first).merge(plot_totals(second), on=["site", "plot"], suffixes=("1", "2"))
    if both.empty:
        raise CannotUse("The two visits share no plot: compare them as two groups of plots instead.")
    told = change_on_plots(both["sum1"], both["count1"], both["sum2"], both["count2"], level)
    smallest = None
    if told.sigma and told.df:
        smallest = float(stats.t.ppf((1 + level) / 2, told.df) + stats.t.ppf(POWER, told.df)) * told.sigma
    days = tuple(str(frame["visit"].dropna().max()) for frame in (first, second) if "visit" in frame.columns)
    return Change(clustered(both["sum1"], both["count1"], level), clustered(both["sum2"], both["count2"], level), told,
                  smallest, days)


def change(first: pd.DataFrame, second: pd.DataFrame, level: float = 0.95) -> Estimate:
    """Change in the share browsed between two visits' frames, on the plots that both saw.

    Parameters
    ----------
    first, second, level
        As for `changed` [no unit].

    Returns
    -------
    Estimate
        Second less first [share], see `change_on_plots`.

    Raises
    ------
    CannotUse
        Where the visits share no plot.
    """
    return changed(first, second, level).difference


def state(tree: pd.Series, reach_cm: float) -> str | None:
    """What a tree is at a visit.

    Parameters
    ----------
    tree
        A row of a survey frame: alive, browsed, height_cm [cm].
    reach_cm
        Height above which a leader is out of reach [cm].

    Returns
    -------
    str or None
        unbrowsed, browsed, escaped (unbrowsed and taller than an animal reaches) or dead; None where not known.

    References
    ----------
    .. [1] The four states are our own.
    """
    if tree.get("alive") == 0:
        return "dead"
    if tree.get("browsed") == 1:
        return "browsed"
    if tree.get("browsed") != 0:
        return None
    height = tree.get("height_cm")
    return "escaped" if height is not None and height > reach_cm else "unbrowsed"


def transitions(first: pd.DataFrame, second: pd.DataFrame, reach_cm: float) -> pd.DataFrame:
    """How many tagged trees went from which state to which.

    Parameters
    ----------
    first, second : pandas.DataFrame
        Survey frames of the two visits, see frame.py; a tree is known by site, plot and tree [no unit].
    reach_cm
        Height above which a leader is out of reach [cm].

    Returns
    -------
    pandas.DataFrame, shape (4, 4)
        Counts [trees], rows the first visit, columns the second. Trees of unknown state or missing in a visit are left out;
        their number is in `.attrs["left_out"]`.
    """
    keys = ["site", "plot", "tree"]
    one, two = (frame[frame["tree"].notna()].set_index(keys) for frame in (first, second))
    before, after = (frame.apply(state, axis=1, reach_cm=reach_cm).rename(name) for frame, name in ((one, "a"), (two, "b")))
    both = pd.concat([before, after], axis=1)
    known = both.dropna()
    table = pd.crosstab(known["a"], known["b"]).reindex(index=list(STATES), columns=list(STATES), fill_value=0)
    table.index.name, table.columns.name = "first visit", "second visit"
    table.attrs["left_out"] = len(both) - len(known)
    return table


def trend_of_independent(x: Sequence[int], n: Sequence[int], scores: Sequence[float] | None = None) -> Test:
    """Is there a straight trend in shares over ordered groups of independent trees?

    Parameters
    ----------
    x : sequence of int, shape (k,)
        Browsed trees of each group, in order [trees].
    n : sequence of int, shape (k,)
        Trees of each group [trees]; two groups or more.
    scores : sequence of float, shape (k,), or None
        Where each group stands on the line, in any unit; None for 1, 2, 3 and so on.

    Returns
    -------
    Test
        Chi-square with 1 degree of freedom.

    Raises
    ------
    CannotUse
        For fewer than two groups, none or all browsed, an empty group, or not as many scores.

    References
    ----------
    .. [1] Armitage, P. (1955). Biometrics 11:375-386; variance p(1-p), without N/(N-1).
    """
    xs, ns = of_all(x, n)
    if len(ns) < 2 or (ns <= 0).any() or not 0 < xs.sum() < ns.sum() or (scores is not None and len(scores) != len(ns)):
        raise CannotUse("A trend needs two groups or more, with browsed and unbrowsed trees, and a score for each.")
    w = np.arange(1, len(xs) + 1, dtype=float) if scores is None else np.asarray(scores, float)
    p, middle = xs.sum() / ns.sum(), (ns * w).sum() / ns.sum()
    slope = float((w * (xs - ns * p)).sum())
    statistic = slope**2 / float(p * (1 - p) * (ns * (w - middle) ** 2).sum())
    return Test(statistic, 1, float(stats.chi2.sf(statistic, 1)), "Cochran-Armitage")


def trend_on_plots(trees: pd.DataFrame, level: float = 0.95) -> Estimate:
    """Change of the share browsed in a year, over three visits or more of the same plots.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame of all visits, with the columns visit, site, plot and browsed [no unit].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].

    Returns
    -------
    Estimate
        [share a year]; no value for fewer than three visits or two plots.

    Notes
    -----
    Every plot's share is regressed on the years, each plot with a level of its own, weighted by its trees; the plots' own
    slopes give the spread, n/(n-1) included, and t has n - 1 degrees of freedom.

    References
    ----------
    .. [1] Liang, K.-Y. & Zeger, S. L. (1986). Biometrika 73:13-22: variance from the clusters' own sums (from memory).
    """
    a_level(level)
    totals = plot_totals(trees, "browsed", ["visit"])
    totals = totals[totals["count"] > 0].copy()
    day = pd.to_datetime(totals["visit"])
    totals["year"] = (day - day.min()).dt.days / 365.25
    totals["share"] = totals["sum"] / totals["count"]
    plots = totals.groupby(["site", "plot"], observed=True)
    weight = totals["count"]
    for name in ("year", "share"):
        summed = (totals[name] * weight).groupby([totals["site"], totals["plot"]]).transform("sum")
        totals[f"{name}_off"] = totals[name] - summed / plots["count"].transform("sum")
    below = float((weight * totals["year_off"] ** 2).sum())
    n = plots.ngroups
    if totals["visit"].nunique() < 3 or below == 0 or n < 2:
        return nothing("a trend needs three visits of two plots or more", n, level, "share a year")
    slope = float((weight * totals["year_off"] * totals["share_off"]).sum()) / below
    off = weight * totals["year_off"] * (totals["share_off"] - slope * totals["year_off"])
    by_plot = off.groupby([totals["site"], totals["plot"]]).sum()
    sigma = math.sqrt(n / (n - 1) * float((by_plot**2).sum())) / below
    reach = float(stats.t.ppf((1 + level) / 2, n - 1)) * sigma
    return Estimate(slope, slope - reach, slope + reach, level, "slope within plots, t", int(weight.sum()), n, sigma=sigma,
                    df=n - 1, unit="share a year")
