"""Between which shares browsed does the truth lie on one side, as surely as a decision asks, with few plots too?"""

from __future__ import annotations

import numpy as np
from scipy import special

from diagnose.survey.proportion import logit_limits

# Likeness that is taken, and the plots with browsed trees that it counts for, where a decision asks what few plots may have
# missed; chosen by tests/drawn_forests.py
UNSEEN_LIKENESS, ITS_PLOTS = 0.3, 8.0


def sure_limits(browsed: np.ndarray, trees: np.ndarray, error: float) -> tuple[np.ndarray, np.ndarray]:
    """One-sided limits of the share of one survey, or of many at once, as sure as a decision asks, with few plots too.

    Parameters
    ----------
    browsed, trees : numpy.ndarray, shape (..., n)
        As for `logit_limits` [trees].
    error : float
        Chance that either limit lies on the wrong side of the truth, no unit.

    Returns
    -------
    low, high : numpy.ndarray, shape (...)
        No narrower than those of `logit_limits` [share].

    Notes
    -----
    Few browsed trees tell little of how they vary, so that the logit limits, right for both sides together, are too narrow
    on one. The lower limit is no higher than the exact one of as many trees as the plots are worth: trees over the design
    effect, which is at least one [1]_. The upper one is no lower than that, where the design effect is not read off the
    plots alone: few plots may have missed those where nearly all is browsed.

    References
    ----------
    .. [1] Korn, E. L. & Graubard, B. I. (1998). Survey Methodology 24:193-201: exact limits of the effective sample size
       (from memory); the likeness that is taken for the upper one is our own choice.
    """
    low, high, _ = logit_limits(browsed, trees, error)
    n, total, seen = (trees > 0).sum(axis=-1), trees.sum(axis=-1), browsed.sum(axis=-1)
    p, size = seen / total, (trees**2).sum(axis=-1) / total
    variance = n / (n - 1) * (((browsed - p[..., None] * trees) / total[..., None]) ** 2).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        effect = np.nan_to_num(variance * total / (p * (1 - p)), nan=1.0, posinf=1.0)
        alike = np.clip(np.nan_to_num((effect - 1) / (size - 1), nan=0.0, posinf=0.0, neginf=0.0), 0.0, 1.0)
    effect, hold = np.maximum(1.0, effect), (browsed > 0).sum(axis=-1)
    own = hold / (hold + ITS_PLOTS)
    missed = np.maximum(1.0, 1 + (size - 1) * (own * alike + (1 - own) * UNSEEN_LIKENESS))
    few = np.finfo(float).tiny  # limits of none and of all are those of the next line
    least = special.betaincinv(np.maximum(seen, few) / effect, (total - seen) / effect + 1, error)
    most = special.betaincinv(seen / missed + 1, np.maximum(total - seen, few) / missed, 1 - error)
    return np.minimum(low, np.where(seen > 0, least, 0.0)), np.maximum(high, np.where(seen < total, most, 1.0))
