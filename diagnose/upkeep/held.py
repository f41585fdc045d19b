"""What share of the trees was hurt inside and outside of barriers, and what do own looks make of published figures?

Trees of one planting share their animals, their winter and their crew: every interval counts plantings, not guards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.protect.barriers import catalogue

ALIKE = 0.1  # intraclass correlation of trees of one planting; our choice, no source
HOLDS_WEIGHT = 20.0  # independent trees that a published share held counts as; our choice
LIFE_WEIGHT = 2.0  # failures that a published life counts as; our choice
LEVEL = 0.95


@dataclass(frozen=True)
class Share:
    """A share of trees with its interval.

    Parameters
    ----------
    value, low, high : float
        The share and its limits at LEVEL [share].
    trees, plantings : int
        What it is from [trees, plantings].

    Raises
    ------
    CannotUse
        Where they are not in order within 0 and 1.
    """

    value: float
    low: float
    high: float
    trees: int
    plantings: int

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.value <= self.high <= 1:
            raise CannotUse("a share lies between its limits, and they within 0 and 1")

    @property
    def words(self) -> str:
        """As people read it: `38 % (31 to 46), 120 trees of 3 plantings`."""
        of = f"{self.trees} trees of {self.plantings} planting{'s' if self.plantings != 1 else ''}"
        return f"{100 * self.value:.0f} % ({100 * self.low:.0f} to {100 * self.high:.0f}), {of}"


@dataclass(frozen=True)
class Updated:
    """A published figure as own observations change it.

    Parameters
    ----------
    part : str
        Key of the barrier in the plan's catalogue [no unit].
    what : str
        `holds` or `life` [no unit].
    published, value, low, high : float
        The published figure; the updated one with its limits at LEVEL [share or year].
    weight : float
        How much of the updated figure the published one still makes up [share].

    Raises
    ------
    CannotUse
        Where the limits do not hold the value.
    """

    part: str
    what: str
    published: float
    value: float
    low: float
    high: float
    weight: float

    def __post_init__(self) -> None:
        if not (0 <= self.low <= self.value <= self.high and 0 <= self.weight <= 1):
            raise CannotUse("an updated figure lies between its limits")

    @property
    def words(self) -> str:
        """One sentence, with the weight of the published figure."""
        name, still = catalogue()[self.part]["name"], f"the published figure still weighs {100 * self.weight:.0f} %"
        if self.what == "holds":
            limits = f"({100 * self.low:.0f} to {100 * self.high:.0f})"
            return (f"{name}: keeps {100 * self.value:.0f} % of the damage away {limits}; published "
                    f"{100 * self.published:.0f} %; {still}")
        return (f"{name}: lasts {self.value:.1f} years ({self.low:.1f} to {self.high:.1f}); published "
                f"{self.published:g}; {still}")


def effective(counts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Counts as independent trees: those of one planting count for less the more there are.

    Parameters
    ----------
    counts : sequence of (float, float)
        Of each planting: how many of them, of how many trees [trees].

    Returns
    -------
    some, all : float
        [trees]

    Raises
    ------
    CannotUse
        For counts that are none.

    References
    ----------
    The design effect 1 + (m - 1) rho of a cluster of m (Kish 1965, Survey Sampling), rho = ALIKE.
    """
    for some, of in counts:
        if not 0 <= some <= of < math.inf:
            raise CannotUse(f"{some} of {of} trees cannot be counted")
    each = [(some, of, 1 + max(of - 1, 0) * ALIKE) for some, of in counts]
    return sum(some / effect for some, _, effect in each), sum(of / effect for _, of, effect in each)


def share_of(counts: Sequence[tuple[float, float]]) -> Share | None:
    """A share over plantings.

    Parameters
    ----------
    counts : sequence of (float, float)
        Of each planting: how many of them, of how many trees [trees].

    Returns
    -------
    Share or None
        None without a tree.

    Raises
    ------
    CannotUse
        For counts that are none.

    References
    ----------
    Jeffreys' interval (Brown, Cai & DasGupta 2001, Statistical Science 16:101-133) on effective counts.
    """
    trees = sum(of for _, of in counts)
    some, of = effective(counts)
    if trees <= 0:
        return None
    value = sum(some for some, _ in counts) / trees
    low, high = stats.beta.ppf([(1 - LEVEL) / 2, (1 + LEVEL) / 2], some + 0.5, of - some + 0.5)
    return Share(value, 0.0 if some == 0 else min(float(low), value), 1.0 if some == of else max(float(high), value),
                 round(trees), sum(1 for _, of in counts if of > 0))


def outside_less_inside(plantings: Sequence[tuple[tuple[float, float], tuple[float, float]]],
                        ) -> tuple[float, float, float] | None:
    """How much less was damaged inside than outside, compared within each planting and then averaged over plantings.

    Pooled over plantings the comparison could turn round: where guards stand at the worst place and bare trees at the best,
    guarded trees look the worse.

    Parameters
    ----------
    plantings : sequence of ((float, float), (float, float))
        Of each: damaged inside, trees inside; damaged outside, trees outside; those without trees of both tell
        nothing [no unit].

    Returns
    -------
    tuple of float or None
        The difference with its limits at LEVEL [share]; None where no planting has both.

    Raises
    ------
    CannotUse
        For counts that are none.

    References
    ----------
    Direct standardisation, the same weights for both groups (Fleiss 1981, Statistical Methods for Rates and Proportions, 14;
    from memory); limits of the difference: Newcombe 1998, Statistics in Medicine 17:873-890, method 10 (MOVER), on Jeffreys'
    intervals of the weighted shares. That trees inside and outside share their planting is not used, which errs on the wide
    side.

    Examples
    --------
    >>> worst, best = ((9, 90), (8, 10)), ((0, 10), (4, 90))
    >>> round(outside_less_inside([worst, best])[0], 3)  # the mean of 0.8 - 0.1 and 4/90 - 0
    0.372
    """
    told = [pair for pair in plantings if pair[0][1] > 0 and pair[1][1] > 0]
    if not told:
        return None
    real = [[effective([group])[1] for group in pair] for pair in told]
    weights = [inside * outside / (inside + outside) for inside, outside in real]
    within = []
    for group in (0, 1):
        share = sum(weight * pair[group][0] / pair[group][1] for weight, pair in zip(weights, told, strict=True))
        share /= sum(weights)
        of = sum(weights) ** 2 / sum(weight**2 / one[group] for weight, one in zip(weights, real, strict=True))
        low, high = stats.beta.ppf([(1 - LEVEL) / 2, (1 + LEVEL) / 2], share * of + 0.5, of - share * of + 0.5)
        within.append((share, 0.0 if share <= 0 else min(float(low), share), 1.0 if share >= 1 else max(float(high), share)))
    (b, b_low, b_high), (a, a_low, a_high) = within
    return a - b, a - b - math.hypot(a - a_low, b_high - b), a - b + math.hypot(a_high - a, b - b_low)


def holds_updated(part: str, published: float, plantings: Sequence[tuple[float, float, float]]) -> Updated:
    """The share of the damage that a barrier keeps away, published and seen together.

    Parameters
    ----------
    part : str
        Key of the barrier [no unit].
    published : float
        The share of the damage that it keeps away [share], 0 to 1.
    plantings : sequence of (float, float, float)
        Of each: trees damaged inside [trees], trees inside [trees], share damaged outside [share].

    Returns
    -------
    Updated

    Raises
    ------
    CannotUse
        For a share that is none, or counts that are none.

    References
    ----------
    The beta distribution as conjugate prior (Gelman et al. 2013, Bayesian Data Analysis, 2.4); the published share counts
    as HOLDS_WEIGHT independent trees. What would have been damaged is taken from outside at the same planting.
    """
    if not 0 <= published <= 1 or part not in catalogue():
        raise CannotUse(f"{published} is no share that a known barrier holds")
    for damaged, inside, outside in plantings:
        if not (0 <= damaged <= inside < math.inf and 0 <= outside <= 1):
            raise CannotUse(f"{damaged} of {inside} trees inside, {outside} outside cannot be compared")
    would = [(min(damaged, inside * outside), inside * outside) for damaged, inside, outside in plantings]
    damaged, of = effective(would)
    kept, lost = HOLDS_WEIGHT * published + of - damaged, HOLDS_WEIGHT * (1 - published) + damaged
    value = kept / (kept + lost)
    low, high = stats.beta.ppf([(1 - LEVEL) / 2, (1 + LEVEL) / 2], max(kept, 1e-9), max(lost, 1e-9))
    return Updated(part, "holds", published, value, min(float(low), value), max(float(high), value),
                   HOLDS_WEIGHT / (HOLDS_WEIGHT + of))


def life_updated(part: str, published: float, plantings: Sequence[tuple[float, float, int]]) -> Updated:
    """How long a barrier lasts, published and seen together; those still whole are right-censored at the time watched.

    Parameters
    ----------
    part : str
        Key of the barrier [no unit].
    published : float
        How long it lasts [year], above 0.
    plantings : sequence of (float, float, int)
        Of each: failures, time watched of all together [year], barriers.

    Returns
    -------
    Updated
        The mean life [year].

    Raises
    ------
    CannotUse
        For a life or counts that are none.

    References
    ----------
    Exponential lives with a gamma prior (Gelman et al. 2013, Bayesian Data Analysis, 2.6); the published life counts as
    LIFE_WEIGHT failures. Barriers of one planting count for less, as in `effective`.
    """
    if not 0 < published < math.inf or part not in catalogue():
        raise CannotUse(f"{published} is no life of a known barrier in years")
    failed = time = 0.0
    for failures, years, barriers in plantings:
        if not (0 <= failures <= barriers and 0 <= years < math.inf):
            raise CannotUse(f"{failures} failures of {barriers} barriers in {years} years cannot be counted")
        effect = 1 + max(barriers - 1, 0) * ALIKE
        failed, time = failed + failures / effect, time + years / effect
    shape, rate = LIFE_WEIGHT + failed, LIFE_WEIGHT * published + time
    value = rate / shape
    slow, fast = stats.gamma.ppf([(1 - LEVEL) / 2, (1 + LEVEL) / 2], shape)
    return Updated(part, "life", published, value, min(rate / float(fast), value), max(rate / float(slow), value),
                   LIFE_WEIGHT * published / rate)
