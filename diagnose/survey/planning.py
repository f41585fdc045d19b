"""How many plots does a decision need?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.given import MOST_SEED, a_share, a_whole, above_nought
from diagnose.survey.decide import decided
from diagnose.survey.density import HECTARE_M2
from diagnose.survey.forests import browsed_trees, gamma_clumps
from diagnose.survey.stopping import ADDITION, StoppingRule, nominal
from diagnose.survey.target import BROWSED, STOCKED, Target

MARGIN = 0.05  # of power, for forests with other clumps than those that are planned for; our choice


@dataclass(frozen=True)
class Needed:
    """How many plots a decision needs.

    Parameters
    ----------
    plots
        The planned number [plots].
    act, not_needed
        Share of drawn surveys that rightly say so at the first look, where the truth is that far below and above the target
        [share].
    reason
        In words [no unit].
    """

    plots: int
    act: float
    not_needed: float
    reason: str


def plots_to_decide(target: Target, plot_m2: float = 50.0, variation: float = 0.8, trees_a_plot: float = 10.0,
                    likeness: float = 0.1, difference: float = 0.3, power: float = 0.8, rule: StoppingRule | None = None,
                    most: int = 600, seed: int = 1) -> Needed:
    """Plots that tell a stand that misses the target from one that exceeds it.

    Parameters
    ----------
    target : Target
        What is to be decided [no unit].
    plot_m2 : float
        Size of a plot [m2].
    variation : float
        Coefficient of variation of trees a plot, where the stand holds what is wanted, no unit.
    trees_a_plot : float
        Of a plot, for share_browsed [trees].
    likeness : float
        Intraclass correlation within plots, no unit, of share_browsed.
    difference : float
        Part by which the truth lies below or above the target, no unit.
    power : float
        Share of surveys that shall say the right thing at the first look, no unit.
    rule : StoppingRule or None
        When the survey may be looked at; one look and one addition for None [no unit].
    most : int
        Plots beyond which the answer is that so many are not enough [no unit].
    seed : int
        Of the drawn surveys [no unit].

    Returns
    -------
    Needed

    Raises
    ------
    CannotUse
        Where even `most` plots do not tell.

    Notes
    -----
    Surveys of invented forests with gamma clumps are drawn and decided as the real one will be. The number has a margin of
    power for forests with other clumps.

    References
    ----------
    .. [1] Our own.
    """
    difference, power = a_share(difference, "The difference"), a_share(power, "The power")
    above_nought(difference, "The difference")
    rule = rule or StoppingRule(ADDITION)
    rng = np.random.default_rng(a_whole(seed, "The seed", most=MOST_SEED))
    a_whole(most, "Plots at most", 6, 10_000)
    above_nought(trees_a_plot, "Trees a plot"), above_nought(plot_m2, "A plot's size")
    surveys = 800
    truths = (1 - difference, 1 + difference)
    base = target.value if target.to is None else (target.to if difference else target.value)

    def forest(factor: float, plots: int) -> tuple[np.ndarray, np.ndarray]:
        shape = (surveys, plots)
        if target.kind == BROWSED:
            trees = 1 + rng.poisson(max(0.0, trees_a_plot - 1), shape).astype(float)
            share = min(0.99, (target.value if factor < 1 else base) * factor)
            return browsed_trees(rng, share, a_share(likeness, "The likeness"), trees), trees
        if target.kind == STOCKED:
            share = min(0.999, target.value * factor)
            return target.stocked_at * rng.binomial(1, share, shape).astype(float), np.full(shape, plot_m2)
        mean = target.value / HECTARE_M2 * above_nought(plot_m2, "A plot's size")
        clumped = max(0.0, above_nought(variation, "The variation") ** 2 - 1 / mean)
        return gamma_clumps(rng, mean * factor, clumped, shape).astype(float), np.full(shape, plot_m2)

    below, above = (forest(factor, most) for factor in truths)
    if target.kind == BROWSED:
        below, above = above, below  # too much is browsed above the target

    def powers(plots: int) -> tuple[float, float]:
        error = nominal(replace(rule, planned=plots), plots, target.sureness)
        act = decided(target, below[0][:, :plots], below[1][:, :plots], error)[0]
        calm = decided(target, above[0][:, :plots], above[1][:, :plots], error)[1]
        return float(act.mean()), float(calm.mean())

    aim = min(0.99, power + MARGIN)
    grid = [n for n in sorted({*range(6, 41, 2), *(int(x) for x in np.geomspace(40, most, 34).round())}) if n <= most]
    for plots in grid:
        act, calm = powers(plots)
        if min(act, calm) >= aim:
            break
    else:
        raise CannotUse(f"Even {most} plots would not tell {100 * truths[0]:.0f} from {100 * truths[1]:.0f} % of the "
                        "target: take larger plots, or a larger difference.")
    known = (f"likeness within plots {likeness:g}, {trees_a_plot:g} trees a plot" if target.kind == BROWSED else
             "each plot counts once" if target.kind == STOCKED else
             f"plots of {plot_m2:.4g} m² that vary by {100 * variation:.0f} %")
    return Needed(plots, act, calm, f"{plots} plots say the right thing in {100 * power:.0f} % of surveys or more where the "
                  f"truth is {100 * truths[0]:.0f} or {100 * truths[1]:.0f} % of the target, {target.wanted} ({known})")
