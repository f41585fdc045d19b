"""Did the protection work, how long does each kind last, and what did a saved tree cost?"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.given import above_nought
from diagnose.survey.estimate import Estimate, nothing
from diagnose.survey.given import a_level, counts, numbers

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

# findings at a look after which a barrier no longer keeps the animal off; one that leans or is too tight still does
FAILED = ("damaged", "gnawed", "missing")
ENOUGH_BARRIERS, ENOUGH_FAILED = 10, 5  # from here an own figure replaces a published one; our choice


@dataclass(frozen=True)
class Survival:
    """Share of barriers still whole by age.

    Parameters
    ----------
    kind
        Name of what they are [no unit].
    times
        (k,) ages [year].
    share, low, high
        (k,) still whole, with limits, NaN where none can be given [share].
    at_risk, failed
        (k,) watched up to each age, and failed at it [barriers].
    barriers
        All that were watched [barriers].
    level, method
        Of the limits [no unit].
    """

    kind: str
    times: tuple[float, ...]
    share: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    at_risk: tuple[int, ...]
    failed: tuple[int, ...]
    barriers: int
    level: float = 0.95
    method: str = "Kaplan-Meier, log-log limits"

    def at(self, age: float) -> Estimate:
        """Share still whole at an age, see `survival`; no estimate beyond the last barrier that was watched.

        Parameters
        ----------
        age
            Since it was built [year].
        """
        if not self.times or age > self.times[-1]:
            return nothing(f"no {self.kind} was watched for {age:g} years", level=self.level)
        step = int(np.searchsorted(self.times, age, side="right")) - 1
        if step < 0:
            return Estimate(1.0, None, None, self.level, "none", self.barriers, 0, note="before the first look")
        low, high = self.low[step], self.high[step]
        known = not math.isnan(low)
        return Estimate(self.share[step], low if known else None, high if known else None, self.level, self.method,
                        self.at_risk[step], 0)

    def as_json(self) -> dict[str, Any]:
        """For machines; limits that cannot be given are None."""
        told = asdict(self)
        return {**told, **{name: [None if math.isnan(x) else x for x in told[name]] for name in ("low", "high")}}

    def median(self) -> float | None:
        """Age [year] by which half have failed; None where fewer failed."""
        for time, share in zip(self.times, self.share, strict=True):
            if share <= 0.5:
                return time
        return None


def survival(years: ArrayLike, failed: ArrayLike, kind: str = "", level: float = 0.95) -> Survival:
    """Kaplan-Meier curve of barriers still whole.

    Parameters
    ----------
    years : array_like, shape (n,)
        Age at failure, or when last seen whole [year].
    failed : array_like, shape (n,)
        1 where it failed, 0 where it was whole [no unit].
    kind
        Name that the curve bears [no unit].
    level
        Level of confidence of the limits, 0.5 to below 1 [no unit].

    Raises
    ------
    CannotUse
        For an age below 0, or ages and failures of not as many.

    References
    ----------
    .. [1] Kaplan, E. L. & Meier, P. (1958). J. Am. Stat. Assoc. 53:457-481.
    .. [2] Greenwood's variance; limits on the log(-log) scale, Kalbfleisch & Prentice (1980).
    """
    a_level(level)
    t, d = numbers(years, "Ages"), counts(failed, "Failures").astype(int)
    if np.any(t < 0):
        raise CannotUse("A barrier failed before it was built: look at its dates.")
    if len(t) != len(d) or (d > 1).any():
        raise CannotUse("Give for every barrier its age, and 1 where it failed or 0.")
    times = np.unique(t)
    at_risk = np.array([(t >= time).sum() for time in times])
    events = np.array([((t == time) & (d == 1)).sum() for time in times])
    share = np.cumprod(1 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(np.cumsum(events / (at_risk * (at_risk - events))))
        reach = stats.norm.ppf((1 + level) / 2) * spread / np.log(share)
        low, high = share ** np.exp(-reach), share ** np.exp(reach)
    low, high = np.where((share > 0) & (share < 1), low, np.nan), np.where((share > 0) & (share < 1), high, np.nan)
    return Survival(kind, tuple(times.tolist()), tuple(share.tolist()), tuple(low.tolist()), tuple(high.tolist()),
                    tuple(at_risk.tolist()), tuple(events.tolist()), len(t), level)


def watched(log: Log, site: str | None = None) -> pd.DataFrame:
    """How long each registered barrier was watched.

    Parameters
    ----------
    log
        The log with the register [no unit].
    site
        Only this planting; None for all [no unit].

    Returns
    -------
    pandas.DataFrame
        Columns site, kind, part (of the plan, or empty), years [year], failed (1 or 0).

    Notes
    -----
    A barrier fails on the day when it was found so, which is later than it happened: ages at failure are upper bounds. It is
    seen whole until it was removed or last looked at; what nobody looked at since it was built tells nothing.
    """
    barriers = log.records("barrier") if site is None else log.records("barrier", site=site)
    barriers = barriers[barriers["built"].notna() & ~barriers["found"].astype(bool)] if len(barriers) else barriers
    checks = log.records("check")
    if barriers.empty:
        return pd.DataFrame(columns=["site", "kind", "part", "years", "failed"])
    looks = checks[["barrier", "day", "finding"]].sort_values("day")
    failed = looks[looks["finding"].isin(FAILED)].drop_duplicates("barrier").set_index("barrier")["day"]
    last = looks.drop_duplicates("barrier", keep="last").set_index("barrier")["day"]
    failed_on = pd.to_datetime(barriers["id"].map(failed))
    whole_until = pd.to_datetime(barriers["removed"]).fillna(pd.to_datetime(barriers["id"].map(last)))
    years = (failed_on.fillna(whole_until) - pd.to_datetime(barriers["built"])).dt.days / 365.25
    part = barriers["figures"].map(lambda told: str(told.get("part") or ""))
    table = pd.DataFrame({"site": barriers["site"], "kind": barriers["form"], "part": part, "years": years,
                          "failed": failed_on.notna().astype(int)})
    return table[table["years"].notna() & (table["years"] >= 0)].reset_index(drop=True)


def lasting_of(table: pd.DataFrame, by: str = "kind", level: float = 0.95) -> dict[str, Survival]:
    """Curves for each kind or part, see `survival`.

    Parameters
    ----------
    table : pandas.DataFrame
        As `watched` gives it [year].
    by
        "kind" or "part" [no unit].
    level
        Level of confidence of the limits, 0.5 to below 1 [no unit].

    Raises
    ------
    CannotUse
        For another column.
    """
    if by not in table.columns:
        raise CannotUse(f"Curves are drawn for each kind or part, not by {by!r}.")
    named = table[table[by] != ""]
    return {str(kind): survival(rows["years"].to_numpy(float), rows["failed"].to_numpy(int), str(kind), level)
            for kind, rows in named.groupby(by)}


def own_lives(table: pd.DataFrame) -> dict[str, dict[str, float]]:
    """Own figures for a plan, as `protect.planting.planting` takes prices: part -> life [year].

    The life is the age by which half had failed; parts with too few barriers or failures keep the published figure.

    Parameters
    ----------
    table : pandas.DataFrame
        As `watched` gives it [year].
    """
    curves = lasting_of(table, "part")
    return {part: {"life_years": round(life, 1)} for part, curve in curves.items()
            if (life := curve.median()) and curve.barriers >= ENOUGH_BARRIERS and sum(curve.failed) >= ENOUGH_FAILED}


def own_lives_file(table: pd.DataFrame) -> str:
    """The same as the text of a file for `diagnose protect --prices`, which says where each figure is from.

    Parameters
    ----------
    table : pandas.DataFrame
        As `watched` gives it [year].
    """
    curves, lines = lasting_of(table, "part"), ["# Own figures: the age by which half had failed, from the register."]
    for part, own in own_lives(table).items():
        of = curves[part]
        lines += [f"{part}:", f"  life_years: {own['life_years']:g}  # {sum(of.failed)} of {of.barriers} failed"]
    if len(lines) == 1:
        wanted = f"{ENOUGH_BARRIERS} barriers put up by a plan, {ENOUGH_FAILED} of them failed"
        lines += [f"# None yet: a figure takes {wanted}.", "{}"]
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Cost:
    """What one tree saved from browsing cost.

    Parameters
    ----------
    value, low, high
        With limits from the difference's limits; `high` is infinite where the protection may have saved none [any currency].
    """

    value: float
    low: float
    high: float


def cost_per_tree_saved(cost_per_tree: float, saved: Estimate) -> Cost | None:
    """Cost of the protection of one tree over the share of trees it saved (unprotected less protected).

    Parameters
    ----------
    cost_per_tree
        Of the protection of one tree, above 0 [any currency].
    saved
        Unprotected less protected share [share].

    Returns
    -------
    Cost or None
        In the same currency; None where no tree was saved.

    Raises
    ------
    CannotUse
        For a cost that is none.

    References
    ----------
    .. [1] Our own.
    """
    above_nought(cost_per_tree, "The cost of a tree's protection")
    if saved.value is None or saved.value <= 0:
        return None
    low = cost_per_tree / saved.high if saved.high else math.inf
    high = cost_per_tree / saved.low if saved.low is not None and saved.low > 0 else math.inf
    return Cost(cost_per_tree / saved.value, low, high)
