"""What does a reading say of the true value behind it: a choice that may be misread, a number with its uncertainty?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from diagnose.signs import Answer, Bounded, Measured, Shares, Sign, Word

TINY = 1e-12


def choice_reading(word: Word, sign: Sign) -> np.ndarray:
    """(choices,) likelihood of the reading given each true choice.

    Parameters
    ----------
    word
        The sign [no unit].
    sign
        What was read of it: an answer or shares [no unit].

    Raises
    ------
    TypeError
        For a number in place of a choice.
    """
    choices = list(word.choices)
    if isinstance(sign, Answer):
        return np.array([float(choice == sign.choice) for choice in choices])
    if isinstance(sign, Shares):
        return np.array([float(sign.shares.get(choice, 0.0)) for choice in choices])
    raise TypeError(f"{word.name} is a choice, not a number")


def number_reading(x: np.ndarray, step: np.ndarray | float, sign: Sign) -> np.ndarray:
    """(G,) likelihood density of a reading, given that the true value lies in the step round each x.

    Parameters
    ----------
    x : numpy.ndarray, shape (G,)
        Middles of the steps [unit of the sign].
    step : float or numpy.ndarray, shape (G,)
        Width of each step, or of all [unit of the sign].
    sign
        Measured: the normal error folded in, averaged over the step. Bounded: `level` spread evenly over the interval, the
        rest over the other places [unit of the sign].

    Returns
    -------
    numpy.ndarray, shape (G,)
        [1 / unit of the sign]

    Raises
    ------
    TypeError
        For a choice in place of a number.

    References
    ----------
    .. [1] Our own.
    """
    low, high = x - np.asarray(step) / 2, x + np.asarray(step) / 2
    return bin_reading(low, high, sign)


def bin_reading(low: np.ndarray, high: np.ndarray, sign: Sign) -> np.ndarray:
    """As `number_reading`, between the edges of bins.

    Parameters
    ----------
    low, high : numpy.ndarray, shape (bins,)
        Lower and upper edges [unit of the sign].
    sign
        Measured or bounded [unit of the sign].

    Returns
    -------
    numpy.ndarray, shape (bins,)
        [1 / unit of the sign]

    Raises
    ------
    TypeError
        For a choice in place of a number.

    References
    ----------
    .. [1] Our own.
    """
    width = high - low
    if isinstance(sign, Measured):
        sigma = max(sign.sigma, 1e-3 * float(np.min(width)))
        upper, lower = (high - sign.value) / sigma, (low - sign.value) / sigma
        flip = lower > 0  # the tail that is small is subtracted, so that far values keep their digits
        inside = np.where(flip, ndtr(-lower) - ndtr(-upper), ndtr(upper) - ndtr(lower))
        return np.asarray(inside / width)
    if isinstance(sign, Bounded):
        span = max(sign.high - sign.low, 1e-6)
        overlap = np.clip(np.minimum(high, sign.low + span) - np.maximum(low, sign.low), 0, None)
        rest = max(float(np.max(high) - np.min(low)) - span, 1e-6)
        inside = overlap / width
        return np.maximum(sign.level * inside / span + (1 - sign.level) * (1 - inside) / rest, TINY)
    raise TypeError("a number is measured or bounded")


def misread(told: np.ndarray, share: float) -> np.ndarray:
    """(choices,) a reading of which `share` falls on one of the other choices, evenly.

    Parameters
    ----------
    told
        (choices,) likelihood of what was said given each true choice [no unit].
    share
        Part of the answers that is wrong, 0 to 1 [no unit].

    References
    ----------
    .. [1] Our own.
    """
    return (1 - share) * told + share * (told.sum() - told) / max(told.size - 1, 1)


def misread_within(told: np.ndarray, share: float, kinds: Sequence[str]) -> np.ndarray:
    """(choices,) as `misread`, but a choice is mistaken for another of its own kind only: a pine for a spruce, not an oak.

    Parameters
    ----------
    told
        (choices,) as for `misread` [no unit].
    share
        Part of the answers that is wrong, 0 to 1 [no unit].
    kinds
        (choices,) kind of each choice [no unit].

    References
    ----------
    .. [1] Our own.
    """
    found = np.zeros_like(told)
    for kind in dict.fromkeys(kinds):
        alike = np.array([one == kind for one in kinds])
        found[alike] = misread(told[alike], share)
    return found


def misread_near(told: np.ndarray, share: float) -> np.ndarray:
    """(choices,) as `misread`, but a choice is mistaken for a neighbouring one only.

    Parameters
    ----------
    told
        (choices,) as for `misread`, choices in their order [no unit].
    share
        Part of the answers that is wrong, 0 to 1 [no unit].

    References
    ----------
    .. [1] Our own.
    """
    beside = np.zeros_like(told)
    beside[1:] += told[:-1] / 2
    beside[:-1] += told[1:] / 2
    return (1 - share) * told + share * beside + 0.002


def pooled(readings: Sequence[np.ndarray]) -> np.ndarray:
    """One likelihood from several readings of one thing: their geometric mean, each weighted by how much it tells.

    Two equal readings give just that reading, so a sign repeated under another name moves nothing.

    Parameters
    ----------
    readings
        Each (choices,) or of any one shape, likelihoods of one thing [no unit]; one or more.

    References
    ----------
    .. [1] A logarithmic pool; the weights are our own.
    """
    if len(readings) == 1:
        return readings[0]
    logs = np.log(np.maximum(np.array(readings), TINY))
    logs -= logs.max(axis=1, keepdims=True)
    told = -logs.min(axis=1)
    weights = told / told.sum() if told.sum() > 0 else np.full(len(readings), 1 / len(readings))
    return np.asarray(np.exp(weights @ logs))
