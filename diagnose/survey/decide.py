"""Act, not needed yet, or not enough plots? One sentence, as sure as it says.

Each side is a one-sided test at the sureness asked for; the stopping rule (stopping.py) says when it may be made and how
strict it must be. Counts of trees are tested with the skewness of clumped counts (clumped.py), stocked plots exactly,
shares of browsed trees with plots as clusters, and as few as the plots are worth (sure.py).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.given import MOST_SEED, a_whole
from diagnose.survey.clumped import LEAST_GROUND, bounds, enough, moments, too_few
from diagnose.survey.density import HECTARE_M2, stocking, trees_per_ha
from diagnose.survey.estimate import Estimate, nothing
from diagnose.survey.given import counts, numbers, of_all, of_all_plots
from diagnose.survey.proportion import clustered
from diagnose.survey.stopping import ADDITION, MANY, ONE, StoppingRule, nominal
from diagnose.survey.sure import sure_limits
from diagnose.survey.target import BROWSED, PER_HA, STOCKED, Target

ACT, NOT_NEEDED, MORE, WAIT, OPEN, CANNOT = "act", "not needed", "more", "wait", "open", "cannot"
DRAWS, MOST_MORE = 400, 400  # surveys that are carried on, and plots that are added to one at most; our choice
FEW_HOLDING = 0.25  # share of plots with trees up to which it is said that they may have been missed; our choice
_RANGE = (0.05, 0.95)  # of the plots that carried-on surveys needed


@dataclass(frozen=True)
class More:
    """Plots that would be needed further, if they go on alike.

    Parameters
    ----------
    about
        Half of the carried-on surveys had decided by then; None where more than `most` were needed [plots].
    low, high
        Nine of ten lie between; None where more than `most` were needed [plots].
    most
        So many were added at most [plots].
    """

    about: int | None
    low: int
    high: int | None
    most: int = MOST_MORE

    @property
    def words(self) -> str:
        """`about 9 more (4 to 20)`."""
        if self.about is None:
            return f"more than {self.most} more (the truth lies near the target)"
        if self.low == self.about == self.high:
            return f"{self.about} more"
        upper = f"more than {self.most}" if self.high is None else str(self.high)
        return f"about {self.about} more ({self.low} to {upper})"


@dataclass(frozen=True)
class Decision:
    """What follows from one survey for one target.

    Parameters
    ----------
    target, rule
        What was wanted, and when the survey may be looked at [no unit].
    verdict
        act, not needed, more, wait (the rule allows no look yet), open (the rule allows none any more) or cannot [no unit].
    sentence
        What stands on page one [no unit].
    estimate
        With its two-sided interval, in its own unit.
    low, high
        One-sided bounds of this look, in the estimate's unit; high is None where there is no upper bound.
    error
        Nominal error of either [no unit].
    more
        Where plots would help [plots].
    office
        What the target's own rule says of mean or lower limit, empty for own targets [no unit].
    notes
        What was counted how, and what could not be [no unit].
    """

    target: Target
    verdict: str
    sentence: str
    estimate: Estimate
    low: float | None
    high: float | None
    error: float | None
    rule: StoppingRule
    more: More | None = None
    office: str = ""
    notes: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """For machines."""
        return {"target": self.target.as_json(), "verdict": self.verdict, "sentence": self.sentence,
                "estimate": self.estimate.as_json(), "low": self.low, "high": self.high, "nominal_error": self.error,
                "sureness": self.target.sureness, "stopping_rule": asdict(self.rule),
                "more_plots": None if self.more is None else asdict(self.more), "office": self.office,
                "notes": list(self.notes)}


def decide(target: Target, first: Any, second: Any, rule: StoppingRule | None = None, notes: tuple[str, ...] = (),
           plots_in_all: int | None = None, seed: int = 0, unreached: int = 0) -> Decision:
    """What follows from the plots of one survey for one target.

    Parameters
    ----------
    target : Target
        What is wanted, of which trees, counted how [no unit].
    first : array_like, shape (n,)
        Trees that count on each plot (trees_per_ha, stocked_plots), or browsed trees (share_browsed) [trees].
    second : array_like, shape (n,)
        Area of each plot [m2], or trees of each plot [trees].
    rule : StoppingRule or None
        Chosen before the first plot; one look and one addition where nobody chose [no unit].
    notes : tuple of str
        What was counted how [no unit].
    plots_in_all : int or None
        Plots that the ground would hold: where all were visited the count itself decides, and no more are asked for than
        there are. Of the tests between, none reckons with it, which errs on the sure side [no unit].
    seed : int
        Of the carried-on surveys [no unit].
    unreached : int
        Plots of the plan that could not be reached: they tell nothing, and are not waited for [no unit].

    Returns
    -------
    Decision

    Raises
    ------
    CannotUse
        For counts and areas that cannot be.

    References
    ----------
    .. [1] The tests are those of `clumped.bounds`, of `density.stocking` and of `sure.sure_limits`; joining them with
       a stopping rule is our own.

    Examples
    --------
    >>> from diagnose.survey.target import own_target
    >>> found = decide(own_target("1100/ha"), [3, 2, 4, 1, 3, 2, 3, 0, 2, 3, 2, 1], [50] * 12)
    >>> found.verdict, found.high < 1100
    ('act', True)
    """
    rule = rule or StoppingRule(ADDITION)
    y, w = of_all(first, second) if target.kind == BROWSED else (counts(first, "Trees"), counts(second, "Areas"))
    if len(y) != len(w):
        raise CannotUse(f"{len(y)} plots with trees and {len(w)} with areas: give both for every plot.")
    if target.kind != BROWSED and (w <= 0).any():
        raise CannotUse("A plot has no area: write it down, or leave the plot out.")
    if target.most_per_plot is not None and target.kind == PER_HA:
        y = np.minimum(y, target.most_per_plot)
    visited = len(y)
    if target.kind == BROWSED:
        y, w = y[w > 0], w[w > 0]
    n = len(y)
    of_all_plots(visited, plots_in_all)
    estimate = _estimate(target, y, w, plots_in_all)
    told = Decision(target, CANNOT, "", estimate, None, None, None, rule, notes=notes)
    if n < 2:
        few = "no plot tells of it" if n == 0 else "one plot tells of it"
        return replace(told, sentence=f"Cannot tell: {few}; a decision needs two or more.")
    tried = visited + a_whole(unreached, "Plots that were not reached")
    counted = visited if rule.kind == MANY else tried
    if left := rule.wait(counted):
        return replace(told, verdict=WAIT, sentence=f"Not yet: {visited} plots are in, and the plan allows the first look "
                       f"at {counted + left}. {left} to go; looking now would spoil the sureness.")
    error = nominal(rule, n, target.sureness)
    low, high = _bounds(target, y, w, error)
    if visited == plots_in_all and estimate.value is not None:  # nothing is left unseen: no doubt is left either
        low = high = estimate.value
    told = replace(told, low=low, high=high if math.isfinite(high) else None, error=error,
                   office=_office(target, y, w, estimate))
    verdict = _verdict(target, low, high)
    if verdict != OPEN:
        missed = _missed(y) if verdict == ACT and target.kind == PER_HA and visited != plots_in_all else ()
        return replace(told, verdict=verdict, sentence=_sentence(target, verdict, low, high), notes=(*notes, *missed))
    left = MOST_MORE if plots_in_all is None else min(MOST_MORE, plots_in_all - visited)
    more = plots_more(target, y, w, rule, seed, left)
    if rule.kind == ONE or (rule.kind == ADDITION and rule.planned is not None and tried > rule.planned):
        spent = "the one look" if rule.kind == ONE else "the one addition"
        return replace(told, verdict=OPEN, more=more, sentence=f"Not decided, and {spent} of the plan is used: "
                       f"{_so_far(target, estimate)}. A new survey would need {more.words}.")
    return replace(told, verdict=MORE, more=more, sentence=f"Not enough plots: {more.words} if they go on alike. "
                   f"So far {_so_far(target, estimate)}.")


def _missed(y: np.ndarray) -> tuple[str, ...]:
    """What to mind where hardly a plot holds trees: they may stand where no plot lies."""
    holding, n = int((y > 0).sum()), len(y)
    if holding > FEW_HOLDING * n:
        return ()
    which = "None" if holding == 0 else f"Only {holding}"
    return (f"{which} of {n} plots holds such trees. The sentence is as sure as it says where at least "
            f"{100 * LEAST_GROUND:.0f} % of the ground holds trees; where less does, plots may have missed them: walk over "
            "the ground before you act.",)


def _estimate(target: Target, y: np.ndarray, w: np.ndarray, plots_in_all: int | None) -> Estimate:
    if len(y) == 0:
        return nothing("no plots", unit="trees/ha" if target.kind == PER_HA else "share")
    if target.kind == PER_HA:
        return trees_per_ha(y, w, plots_in_all=plots_in_all)
    if target.kind == STOCKED:
        return stocking(y >= target.stocked_at, float(np.median(w)))
    return clustered(y, w, plots_in_all=plots_in_all)


def _bounds(target: Target, y: np.ndarray, w: np.ndarray, error: float) -> tuple[float, float]:
    if target.kind == PER_HA:
        low, high = bounds(y, w, error)
        return low * HECTARE_M2, high * HECTARE_M2
    if target.kind == STOCKED:
        x, plots = int((y >= target.stocked_at).sum()), len(y)
        return (0.0 if x == 0 else float(stats.beta.ppf(error, x, plots - x + 1)),
                1.0 if x == plots else float(stats.beta.isf(error, x + 1, plots - x)))
    lower, upper = sure_limits(y, w, error)
    return float(lower), float(upper)


def _verdict(target: Target, low: float, high: float) -> str:
    if target.kind == BROWSED:
        return ACT if low > (target.to or target.value) else NOT_NEEDED if high <= target.value else OPEN
    return ACT if high < target.value else NOT_NEEDED if low >= target.value else OPEN


def _sentence(target: Target, verdict: str, low: float, high: float) -> str:
    sure = f"({100 * target.sureness:.3g} % sure)"
    if target.kind == PER_HA:
        stand = "stand free to grow" if target.unbitten or target.free_of_weeds else "are there"
        trees = "well-spaced trees/ha" if target.least_distance_m else "trees/ha"
        if verdict == ACT:
            return f"Act: at most {high:,.0f} of the {target.value:,.0f} {trees} wanted {stand} {sure}."
        return f"Not needed yet: at least {low:,.0f} {trees} {stand}, {target.value:,.0f} are wanted {sure}."
    if target.kind == STOCKED:
        wanted = f"{100 * target.value:.3g} % are wanted"
        return (f"Act: at most {100 * high:.0f} % of plots are stocked, {wanted} {sure}." if verdict == ACT else
                f"Not needed yet: at least {100 * low:.0f} % of plots are stocked, {wanted} {sure}.")
    of = "trees" if target.species == ("any",) else " or ".join(target.species)
    whose = "the limit" if target.tag == "own" else f"the limit for {of}"
    limit = f"{100 * (target.to if target.to and verdict == ACT else target.value):.3g} % is {whose}"
    return (f"Act: at least {100 * low:.0f} % of leaders were browsed, {limit} {sure}." if verdict == ACT else
            f"Not needed yet: at most {_rounded(high)} % of leaders were browsed, {limit} {sure}.")


def _rounded(share: float) -> str:
    """A share in percent that is never rounded below what it bounds."""
    percent = 100 * share
    return f"{np.ceil(percent):.0f}" if percent >= 10 else f"{np.ceil(percent * 10) / 10:.1f}"


def _so_far(target: Target, estimate: Estimate) -> str:
    if target.kind == PER_HA and estimate.value is not None:
        span = ""
        if estimate.low is not None and estimate.high is not None:
            high = f"{estimate.high:,.0f}" if math.isfinite(estimate.high) else "no upper limit"
            span = f" ({estimate.low:,.0f} to {high})"
        return f"{estimate.value:,.0f}{span} of the {target.value:,.0f} trees/ha wanted"
    told = {STOCKED: "of plots are stocked", BROWSED: "of leaders were browsed"}.get(target.kind, "")
    return f"{estimate.words()} {told}, target {target.wanted}"


def _office(target: Target, y: np.ndarray, w: np.ndarray, estimate: Estimate) -> str:
    """What the rule of the target's source says of this survey, looked at once."""
    if target.tag == "own" or estimate.value is None:
        return ""
    if target.passes == "mean":
        value, told = estimate.value, "mean"
        passed = value <= (target.to or target.value) if target.kind == BROWSED else value >= target.value
    else:
        low, high = _bounds(target, y, w, 1 - target.sureness)
        value, told = (high, "upper limit") if target.kind == BROWSED else (low, "lower limit")
        told = f"{100 * target.sureness:.3g} % {told}"
        passed = value <= target.value if target.kind == BROWSED else value >= target.value
    said = f"{value:,.0f} trees/ha" if target.kind == PER_HA else f"{100 * value:.3g} %"
    return (f"By the source's own rule the {told} counts: {said} against {target.wanted}: "
            f"{'passed' if passed else 'not passed'}.")


def decided(target: Target, y: np.ndarray, w: np.ndarray, error: float) -> tuple[np.ndarray, np.ndarray]:
    """Which of many surveys say "act", and which "not needed".

    Parameters
    ----------
    target : Target
        What is wanted [no unit].
    y, w : numpy.ndarray, shape (surveys, n)
        As `first` and `second` of `decide` [trees; m2 or trees].
    error : float
        Nominal one-sided error, no unit.

    Returns
    -------
    act, not_needed : numpy.ndarray of bool, shape (surveys,)
    """
    n = y.shape[-1]
    if target.kind == PER_HA:
        if target.most_per_plot is not None:
            y = np.minimum(y, target.most_per_plot)
        mean, variance, area = moments(y, w)
        wanted, quantile = target.value / HECTARE_M2 * area, stats.t.isf(error, n - 1)
        return too_few(mean, variance, n, wanted) < -quantile, enough(mean, variance, n, wanted) >= quantile
    if target.kind == STOCKED:
        x = (y >= target.stocked_at).sum(axis=-1)
        return stats.binom.cdf(x, n, target.value) < error, stats.binom.sf(x - 1, n, target.value) <= error
    low, high = sure_limits(y, w, error)
    return low > (target.to or target.value), high <= target.value


def plots_more(target: Target, y: np.ndarray, w: np.ndarray, rule: StoppingRule, seed: int = 0,
               most: int = MOST_MORE) -> More:
    """How many further plots decide, if they go on alike.

    Parameters
    ----------
    target : Target
        What is wanted [no unit].
    y, w : numpy.ndarray, shape (n,)
        As `first` and `second` of `decide` [trees; m2 or trees].
    rule : StoppingRule
        When the survey may be looked at [no unit].
    seed : int
        Of the draws [no unit].
    most : int
        Plots that are added at most, 1 to 1000 [no unit].

    Returns
    -------
    More

    Raises
    ------
    CannotUse
        For fewer than two plots, or counts and sizes of not as many.

    Notes
    -----
    Surveys are carried on with plots drawn from those seen, each survey with weights of its own (Bayesian bootstrap), until
    they decide.

    References
    ----------
    .. [1] Rubin, D. B. (1981). Annals of Statistics 9:130-134: the Bayesian bootstrap; carrying a survey on with it is our
       own.
    """
    rng = np.random.default_rng(a_whole(seed, "The seed", most=MOST_SEED))
    y, w, most = numbers(y, "Counts"), numbers(w, "Areas"), a_whole(most, "Plots", 1, 1000)
    if len(y) != len(w) or len(y) < 2:
        raise CannotUse("Two plots or more must be seen, each with its count and its size.")
    n = len(y)
    weights = rng.dirichlet(np.ones(n), DRAWS)
    edges = np.cumsum(weights, axis=1)
    place = rng.random((DRAWS, most))
    chosen = np.minimum((place[:, :, None] > edges[:, None, :]).sum(axis=2), n - 1)
    all_y = np.concatenate([np.broadcast_to(y, (DRAWS, n)), y[chosen]], axis=1)
    all_w = np.concatenate([np.broadcast_to(w, (DRAWS, n)), w[chosen]], axis=1)
    needed = np.full(DRAWS, most + 1)
    for added in _steps(most):
        waiting = needed > most
        if not waiting.any():
            break
        act, not_needed = decided(target, all_y[waiting, :n + added], all_w[waiting, :n + added],
                                  nominal(rule, n + added, target.sureness))
        needed[np.flatnonzero(waiting)[act | not_needed]] = added
    low, about, high = (int(np.quantile(needed, q, method="inverted_cdf")) for q in (_RANGE[0], 0.5, _RANGE[1]))
    return More(None if about > most else about, min(low, most), None if high > most else high, most)


def _steps(most: int) -> list[int]:
    return sorted({*range(1, min(most, 12) + 1), *(int(x) for x in np.geomspace(12, most, 30).round())} if most > 12
                  else set(range(1, most + 1)))
