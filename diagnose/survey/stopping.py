"""When may a survey be looked at, and how strict is each look?

A one-sided test at 95 % is wrong in one survey of twenty if it is looked at once. Looked at after every plot, until it
says something, it is wrong in several times as many [1]_. So the rule is chosen before the first plot and stands in the
plan: one look, one look and at most one addition, or as many looks as anybody likes. The stricter the rule must be, the
smaller the nominal error of each look.

References
----------
.. [1] Armitage, P., McPherson, C. K. & Rowe, B. C. (1969). J. R. Stat. Soc. A 132:235-244.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, a_whole
from diagnose.survey.given import a_level, numbers

ONE, ADDITION, MANY = "one look", "one addition", "many looks"
RULES = {
    ONE: "one look at the planned plots, nothing added afterwards",
    ADDITION: "one look at the planned plots and, if it does not decide, one addition and a second look",
    MANY: "as many looks as wanted, from the tenth plot on",
}
LEAST_PLOTS = 10  # no look before; common practice for stocking surveys, see the target of British Columbia's green-up guide
_LOOKS = {ONE: 1, ADDITION: 2}


@dataclass(frozen=True)
class StoppingRule:
    """When a survey is looked at. Chosen before the first plot.

    Parameters
    ----------
    kind : str
        One of RULES [no unit].
    planned : int or None
        Plots after which the first look falls; None where nobody planned, then every look counts as a planned one [no unit].

    Raises
    ------
    CannotUse
        For an unknown kind and for fewer than two planned plots.
    """

    kind: str = ADDITION
    planned: int | None = None

    def __post_init__(self) -> None:
        if self.kind not in RULES:
            raise CannotUse(f"'{self.kind}' is no stopping rule; choose {', '.join(RULES)}.")
        if self.planned is not None and not (isinstance(self.planned, int) and self.planned >= 2):
            raise CannotUse(f"{self.planned} planned plots cannot be: a decision needs two or more.")

    @property
    def words(self) -> str:
        """The rule as it is printed."""
        planned = "no number of plots was planned" if self.planned is None else f"{self.planned} plots planned"
        return f"Stopping rule: {RULES[self.kind]}; {planned}."

    def wait(self, plots: int) -> int:
        """Plots still to be visited before the rule allows a look; nought where it may be looked at.

        Parameters
        ----------
        plots
            Visited so far [no unit].
        """
        first = LEAST_PLOTS if self.kind == MANY else self.planned or 0
        return max(0, first - plots)


def nominal(rule: StoppingRule, plots: int, sureness: float = 0.95) -> float:
    """Error that one look may have on each side, so that all looks together keep the sureness.

    Parameters
    ----------
    rule : StoppingRule
        Chosen before the first plot [no unit].
    plots : int
        Plots seen at this look [no unit].
    sureness : float
        Probability that the survey says nothing wrong on that side where the truth is exactly on target, no unit.

    Returns
    -------
    float
        One-sided nominal error, no unit.

    Notes
    -----
    With one addition the error is halved between both looks. That holds for an addition of any size, also for one whose
    size was read off the first look (Bonferroni). With many looks the boundary is the one-sided normal mixture of [1]_,
    tightest at the planned number; without a plan at 30 plots.

    References
    ----------
    .. [1] Howard, S. R., Ramdas, A., McAuliffe, J. & Sekhon, J. (2021). Annals of Statistics 49:1055-1080; the mixture
       is that of Robbins, H. (1970). Ann. Math. Stat. 41:1397-1409 (both from memory).

    Examples
    --------
    >>> round(nominal(StoppingRule(ADDITION, 30), 30), 4)
    0.025
    """
    error = 1 - a_level(sureness)
    if rule.kind in _LOOKS:
        return error / _LOOKS[rule.kind]
    tightest = rule.planned or 30
    log = -2 * math.log(2 * error) if error < 0.5 else 1.0
    spread = tightest / (log + math.log1p(max(log, 0.1)))
    reach = math.sqrt((1 + spread / plots) * 2 * math.log(math.sqrt((plots + spread) / spread) / (2 * error) + 1))
    return float(stats.norm.sf(reach))


def error_of_looks(error: float, looks: int) -> float:
    """Chance that one of several looks at a growing survey goes wrong, each with the same one-sided nominal error.

    Parameters
    ----------
    error : float
        Nominal error of one look on one side, no unit.
    looks : int
        Number of looks, after equal additions [no unit].

    Returns
    -------
    float
        Overall error, no unit; for normal means, two-sided tests have about twice that of one side.

    Raises
    ------
    CannotUse
        For an error outside 0 to 0.5.

    Notes
    -----
    The partial sums' density is carried from look to look by numerical integration [1]_.

    References
    ----------
    .. [1] Armitage, P., McPherson, C. K. & Rowe, B. C. (1969). J. R. Stat. Soc. A 132:235-244.

    Examples
    --------
    >>> round(error_of_looks(0.05, 1), 4)
    0.05
    """
    if not 0 < error < 0.5:
        raise CannotUse(f"An error lies between 0 and 0.5, not at {error:g}.")
    return chance_to_cross([float(stats.norm.isf(error))] * a_whole(looks, "Looks", 1, 1000))


def chance_to_cross(limits: Sequence[float], two_sided: bool = False, drift: float = 0.0) -> float:
    """Chance that a growing survey's standardised mean exceeds its limit at one of the looks.

    Parameters
    ----------
    limits : sequence of float
        Limit of each look [standard deviations], looks after equal additions.
    two_sided : bool
        True to count also what falls below minus the limit [no unit].
    drift : float
        Expectation of the standardised mean at the last look, no unit; nought where the truth is on target.

    Returns
    -------
    float
        No unit.

    Raises
    ------
    CannotUse
        Without a look.

    References
    ----------
    .. [1] Armitage, P., McPherson, C. K. & Rowe, B. C. (1969). J. R. Stat. Soc. A 132:235-244.
    """
    looks = len(numbers(limits, "Limits"))
    a_number(drift, "The drift")
    if looks < 1:
        raise CannotUse("A survey is looked at once or more.")
    each = drift / math.sqrt(looks)
    far = 8.0 * math.sqrt(looks) + abs(drift) * math.sqrt(looks)
    grid = np.linspace(-far, far, 2401)
    step = grid[1] - grid[0]
    one_more = stats.norm.pdf(grid - each) * step
    inside = stats.norm.pdf(grid - each)
    for look, limit in enumerate(limits, 1):
        edge = limit * math.sqrt(look)
        # the cell at the edge counts by the part that lies inside
        kept = np.clip((edge - grid) / step + 0.5, 0, 1)
        if two_sided:
            kept = kept * np.clip((edge + grid) / step + 0.5, 0, 1)
        inside = inside * kept
        if look < looks:
            inside = np.convolve(inside, one_more, mode="same")
    return float(1 - inside.sum() * step)
