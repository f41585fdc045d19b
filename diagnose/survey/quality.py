"""Do two crews see the same, and what does it do to the estimate when they do not?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.given import a_share, a_whole
from diagnose.survey.estimate import Estimate, Interval
from diagnose.survey.given import a_level
from diagnose.survey.given import counts as as_counts

LEAST_PAIRS, LEAST_IN_CLASS = 50, 10  # below these only counts are shown; common practice, no source
_ONE_CLASS = "Every judgement is of one class, so agreement beyond chance cannot be told: judge trees of more classes."


@dataclass(frozen=True)
class Agreement:
    """Agreement of two crews on the same trees.

    Parameters
    ----------
    table, pairs
        (k, k) counts, rows the first crew, and all of them [trees].
    agree
        Share of pairs in the same class [share].
    prevalence
        (k,) share of the pairs' judgements in each class [share].
    kappa, kappa_interval, weighted, weighted_interval
        With intervals from the asymptotic standard error; None, with the reason in `note`, where there are too few pairs [no
        unit].
    adjusted
        Agreement for even classes, (k agree - 1)/(k - 1), which is 2 agree - 1 with two classes [no unit].
    note
        What a reader must know, empty when nothing [no unit].
    """

    table: tuple[tuple[int, ...], ...]
    pairs: int
    agree: float
    prevalence: tuple[float, ...]
    kappa: float | None
    kappa_interval: Interval | None
    weighted: float | None
    weighted_interval: Interval | None
    adjusted: float | None
    note: str = ""


def agreement(table: ArrayLike, level: float = 0.95, few_too: bool = False) -> Agreement:
    """Agreement of two crews from a square table of counts, see `kappa`.

    Parameters
    ----------
    table : array_like, shape (k, k)
        Trees by the class that each crew gave, rows the first crew [trees].
    level
        Level of confidence of the intervals, 0.5 to below 1 [no unit].
    few_too
        True to give kappa below the least numbers of pairs as well [no unit].

    Raises
    ------
    CannotUse
        For a table that is not square, empty, or holds what is no count.
    """
    a_level(level)
    counts = _square(table)
    pairs, classes = int(counts.sum()), len(counts)
    agree = float(np.trace(counts)) / pairs
    margins = (counts.sum(axis=0) + counts.sum(axis=1)) / (2 * pairs)
    seen = margins[margins > 0]
    rare = float(seen.min()) * pairs if len(seen) > 1 else 0.0
    rows = tuple(tuple(int(x) for x in row) for row in counts)
    if len(seen) == 1:
        return Agreement(rows, pairs, agree, tuple(margins.tolist()), None, None, None, None, None, _ONE_CLASS)
    if not few_too and (pairs < LEAST_PAIRS or rare < LEAST_IN_CLASS):
        note = (f"{pairs} pairs, {rare:.0f} in the rarest class: too few for kappa (at least {LEAST_PAIRS} and "
                f"{LEAST_IN_CLASS}), counts only")
        return Agreement(rows, pairs, agree, tuple(margins.tolist()), None, None, None, None, None, note)
    plain, plain_sigma = kappa(counts)
    linear, linear_sigma = kappa(counts, linear_weights(classes))
    z = float(stats.norm.ppf((1 + level) / 2))
    return Agreement(rows, pairs, agree, tuple(margins.tolist()), plain, _around(plain, plain_sigma, z, level),
                     linear, _around(linear, linear_sigma, z, level), (classes * agree - 1) / (classes - 1))


def _square(table: ArrayLike) -> np.ndarray:
    """The table of counts, (k, k). Raises CannotUse for one that is not square, empty, or holds what is no count."""
    told = np.asarray(table)
    if told.ndim != 2 or told.shape[0] != told.shape[1] or told.shape[0] < 2:
        raise CannotUse("Agreement needs a square table of counts with pairs in it.")
    as_counts(told.ravel(), "The table")
    if told.sum() == 0:
        raise CannotUse("Agreement needs a square table of counts with pairs in it.")
    return told


def linear_weights(classes: int) -> np.ndarray:
    """Agreement of ordered classes i and j: 1 - |i - j| / (k - 1).

    Parameters
    ----------
    classes
        How many, k [no unit].

    Returns
    -------
    numpy.ndarray, shape (k, k)
        0 to 1, no unit.

    References
    ----------
    .. [1] Cohen, J. (1968). Psychological Bulletin 70:213-220: weighted kappa (from memory).
    """
    i = np.arange(a_whole(classes, "Classes", 1, 1000))
    return 1 - np.abs(i[:, None] - i[None, :]) / max(1, classes - 1)


def kappa(table: ArrayLike, weights: ArrayLike | None = None) -> tuple[float, float]:
    """Cohen's kappa and its asymptotic standard error.

    Parameters
    ----------
    table : array_like, shape (k, k)
        As for `agreement` [trees].
    weights : array_like, shape (k, k), or None
        Agreement of each two classes, 0 to 1; None for the identity [no unit].

    Returns
    -------
    kappa, sigma : float
        No unit.

    Raises
    ------
    CannotUse
        Where every judgement is of one class: chance alone agrees then.

    References
    ----------
    .. [1] Fleiss, J. L., Cohen, J. & Everitt, B. S. (1969). Psychological Bulletin 72:323-327: large-sample error.
    """
    p = _square(table).astype(float)
    n = p.sum()
    p = p / n
    w = np.eye(len(p)) if weights is None else np.asarray(weights, float)
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    seen, chance = float((w * p).sum()), float((w * np.outer(rows, columns)).sum())
    if chance > 1 - 1e-12:
        raise CannotUse(_ONE_CLASS)
    value = (seen - chance) / (1 - chance)
    mean_row, mean_column = w @ columns, w.T @ rows
    inner = w - (mean_row[:, None] + mean_column[None, :]) * (1 - value)
    variance = (float((p * inner**2).sum()) - (value - chance * (1 - value)) ** 2) / (n * (1 - chance) ** 2)
    return value, math.sqrt(max(0.0, variance))


def many_crews(counts: ArrayLike) -> float:
    """Agreement beyond chance of several crews.

    Parameters
    ----------
    counts : array_like, shape (trees, classes)
        How many crews put each tree into each class [judgements], the same number for every tree.

    Returns
    -------
    float
        At most 1, no unit.

    Raises
    ------
    CannotUse
        For fewer than two crews, not as many for each tree, or where every judgement is of one class.

    References
    ----------
    .. [1] Fleiss, J. L. (1971). Psychological Bulletin 76:378-382.
    """
    n = np.asarray(counts, float)
    if n.ndim != 2 or not len(n):
        raise CannotUse("Give the judgements of every tree in each class.")
    as_counts(n.ravel(), "Judgements")
    crews = n[0].sum()
    if crews < 2 or not np.allclose(n.sum(axis=1), crews):
        raise CannotUse("Every tree needs a judgement of the same number of crews, two or more.")
    seen = float(((n * (n - 1)).sum(axis=1) / (crews * (crews - 1))).mean())
    chance = float(((n.sum(axis=0) / n.sum()) ** 2).sum())
    if chance > 1 - 1e-12:
        raise CannotUse(_ONE_CLASS)
    return (seen - chance) / (1 - chance)


def _around(value: float, sigma: float, z: float, level: float) -> Interval:
    return Interval(max(-1.0, value - z * sigma), min(1.0, value + z * sigma), level, "asymptotic standard error")


def true_share(seen: Estimate, sensitivity: float, specificity: float, expert_browsed: int | None = None,
               expert_unbrowsed: int | None = None) -> Estimate:
    """The share browsed, corrected for what a crew overlooks and wrongly calls browsed.

    Parameters
    ----------
    seen
        Estimate from the crew's own tally [share].
    sensitivity, specificity
        Share of browsed trees that the crew calls browsed, and of unbrowsed ones that it calls so; above 1 together [share].
    expert_browsed, expert_unbrowsed
        Trees of the expert's recheck that these two come from; their own uncertainty is then included [trees].

    Returns
    -------
    Estimate
        [share]; a result outside 0 to 1 is shown and flagged, never clipped.

    Raises
    ------
    CannotUse
        For shares that are none, or of 1 or less together.

    References
    ----------
    .. [1] Rogan, W. J. & Gladen, B. (1978). American Journal of Epidemiology 107:71-76.
    """
    a_share(sensitivity, "Sensitivity"), a_share(specificity, "Specificity")
    span = sensitivity + specificity - 1
    if span <= 0:
        raise CannotUse("Sensitivity and specificity together must exceed 1: such a crew tells nothing.")
    if seen.value is None:
        return seen
    value = (seen.value + specificity - 1) / span
    variance = (seen.sigma or 0.0) ** 2
    if expert_browsed:
        variance += value**2 * sensitivity * (1 - sensitivity) / expert_browsed
    if expert_unbrowsed:
        variance += (1 - value) ** 2 * specificity * (1 - specificity) / expert_unbrowsed
    sigma = math.sqrt(variance) / span
    extra = variance - (seen.sigma or 0.0) ** 2
    low = high = None
    if seen.low is not None and seen.high is not None:
        z = float(stats.norm.ppf((1 + seen.level) / 2))
        low = value - math.hypot(seen.value - seen.low, z * math.sqrt(extra)) / span
        high = value + math.hypot(seen.high - seen.value, z * math.sqrt(extra)) / span
    note = "outside 0 to 1: sensitivity or specificity do not fit this crew" if not 0 <= value <= 1 else ""
    return Estimate(value, low, high, seen.level, f"{seen.method}; corrected for the crew's errors", seen.trees, seen.plots,
                    seen.design_effect, sigma, seen.df, note=note)
