"""How much did each culprit browse, when no verdict is certain?

A wound that is 70 % deer and 30 % rabbit counts as 0.7 and 0.3 of a tree. By the law of total variance,
Var(count) = Var(sum of shares) + E(sum of share (1 - share)): the first term is what differs between plots, the
second what is not known of each wound. The interval is therefore never narrower than if every culprit had been
seen, and a survey of equally doubtful wounds does not look certain. Shares that are all wrong in the same way are
not covered by this; `doubt` adds a common error of the verdicts.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.survey.estimate import Estimate
from diagnose.survey.frame import SHARE, of_sampled
from diagnose.survey.given import a_level
from diagnose.survey.proportion import clustered

UNKNOWN = "unknown"  # browsed, and no verdict at all


def with_shares(trees: pd.DataFrame, verdicts: Sequence[Mapping[str, float] | None]) -> pd.DataFrame:
    """The frame with a column `share_<culprit>` for each culprit.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame, see frame.py; each column in its own unit.
    verdicts
        One for each row, in the same order: culprit -> its probability, or None where there is no verdict [no unit].

    Returns
    -------
    pandas.DataFrame
        The same rows; a culprit that a verdict does not name has the share 0.

    Raises
    ------
    CannotUse
        Where there are not as many verdicts as rows.
    """
    if len(verdicts) != len(trees):
        raise CannotUse(f"{len(trees)} trees have {len(verdicts)} verdicts: give one, or None, for each.")
    shares = pd.DataFrame([dict(verdict) if verdict else {} for verdict in verdicts], index=trees.index).fillna(0.0)
    return trees.join(shares.add_prefix(SHARE))


def culprits_of(trees: pd.DataFrame) -> list[str]:
    """Culprits that the frame has shares of.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame with columns `share_<culprit>` [no unit].
    """
    return [name.removeprefix(SHARE) for name in trees.columns if name.startswith(SHARE)]


def share_browsed_by(trees: pd.DataFrame, level: float = 0.95, doubt: float = 0.0,
                     plots_in_all: int | None = None) -> dict[str, Estimate]:
    """Share of all trees browsed by each culprit, plots as clusters; the estimates add up to the share browsed.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame with columns `share_<culprit>`, see `with_shares` [no unit].
    level
        Level of confidence of the intervals, 0.5 to below 1 [no unit].
    doubt
        Standard deviation of a common error of the verdicts' shares, as a part of the estimate (0.1 is a tenth of it), 0 to
        below 10 [no unit].
    plots_in_all
        Plots that the ground would hold, for the finite population correction; None for very many [no unit].

    Returns
    -------
    dict of str to Estimate
        By culprit [share]; trees browsed without a verdict count for `unknown`.

    Raises
    ------
    CannotUse
        For a doubt or a level that is none, or fewer plots in all than were visited.

    Notes
    -----
    The variance of what is not known of each wound, share (1 - share), is summed and given to `clustered` as `unsure`: law
    of total variance, see the head of this file. Joining the common error to both sides is our own choice.
    """
    a_level(level)
    if not 0 <= doubt < 10:
        raise CannotUse(f"A common doubt is a part of the estimate from nought up, not {doubt:g}.")
    known = of_sampled(trees)
    known = known[known["browsed"].notna()]
    names = culprits_of(known)
    shares = known[[SHARE + name for name in names]].fillna(0.0).mul(known["browsed"], axis=0)
    total = shares.sum(axis=1)
    shares = shares.div(total.where(total > 1, 1.0), axis=0)
    shares.columns = names
    shares[UNKNOWN] = (known["browsed"] - shares.sum(axis=1)).clip(lower=0.0)
    keys = [known["site"], known["plot"]]
    counts = known.groupby(keys, observed=True)["browsed"].count()
    sums = shares.groupby(keys, observed=True).sum()
    found = {}
    for name in shares.columns:
        if name == UNKNOWN and not shares[name].gt(1e-9).any():
            continue
        unsure = float((shares[name] * (1 - shares[name])).sum())
        found[name] = _with_doubt(clustered(sums[name], counts, level, plots_in_all, unsure), doubt)
    return found


def _with_doubt(estimate: Estimate, doubt: float) -> Estimate:
    """Widens both sides by the common error, in quadrature, on the logarithmic scale below and above."""
    if doubt <= 0 or not estimate.value or estimate.low is None or estimate.high is None:
        return estimate
    common = 1.96 * doubt
    low = estimate.value * math.exp(-math.hypot(common, math.log(estimate.value / max(estimate.low, 1e-12))))
    high = estimate.value * math.exp(math.hypot(common, math.log(max(estimate.high, 1e-12) / estimate.value)))
    return dataclasses.replace(estimate, low=low, high=min(1.0, high), note=f"verdicts' common error {doubt:.0%} included")
