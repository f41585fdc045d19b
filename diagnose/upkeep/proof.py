"""Did the barriers hold, how long do they last, what did a living tree cost, and what does that say of published figures?

Trees of one planting share their animals, their winter and their crew: every interval counts plantings, not guards. Damage
inside beside outside is a comparison; it is a trial only where lots were drawn for which trees were guarded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.protect.barriers import catalogue
from diagnose.survey.lasting import Survival, survival, watched

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

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
        What it is from.

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
        Key of the barrier in the plan's catalogue.
    what : str
        `holds` [share] or `life` [year].
    published, value, low, high : float
        The published figure; the updated one with its limits at LEVEL.
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


@dataclass(frozen=True)
class Proof:
    """What the register and the tallies say of the barriers.

    Parameters
    ----------
    inside, outside, alive : Share or None
        Trees damaged inside and outside, and trees alive inside; None where nobody tallied any.
    less : tuple of float or None
        Outside less inside, with its limits [share].
    lots_drawn : bool
        Were lots drawn for which trees were guarded?
    failures : mapping
        Form of barrier -> its censored curve.
    updates : tuple of Updated
    cost : tuple of float or None
        Of one tree alive inside, with its limits, in the currency that was given.
    """

    inside: Share | None
    outside: Share | None
    alive: Share | None
    less: tuple[float, float, float] | None
    lots_drawn: bool
    failures: dict[str, Survival] = field(default_factory=dict)
    updates: tuple[Updated, ...] = ()
    cost: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        for three in (self.less, self.cost):
            if three is not None and not three[1] <= three[0] <= three[2]:
                raise CannotUse("a figure lies between its limits")

    @property
    def answer(self) -> str:
        """Did it hold? One sentence."""
        if self.less is None:
            return "It cannot be told whether the barriers held: tally trees inside and outside them at one visit."
        kind = "a trial, lots were drawn" if self.lots_drawn else \
            "a comparison and no trial, since no lots were drawn for which trees were guarded"
        said = f"{100 * self.less[0]:.0f} points ({100 * self.less[1]:.0f} to {100 * self.less[2]:.0f})"
        if self.less[1] > 0:
            return f"The barriers held: damage inside was less by {said}; this is {kind}."
        if self.less[2] < 0:
            return f"Damage inside was more, by {said} less outside; this is {kind}."
        return f"Not told yet: damage outside less inside is {said}, which holds 0; this is {kind}."

    def as_json(self) -> dict[str, Any]:
        """For machines."""
        shares = {name: None if one is None else asdict(one) for name, one in (
            ("inside", self.inside), ("outside", self.outside), ("alive_inside", self.alive))}
        return {"answer": self.answer, **shares, "outside_less_inside": self.less, "lots_drawn": self.lots_drawn,
                "failures": {kind: one.as_json() for kind, one in self.failures.items()},
                "updates": [asdict(one) for one in self.updates], "cost_of_a_living_tree": None if self.cost is None else [
                    None if math.isinf(one) else one for one in self.cost]}


def effective(counts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Counts as independent trees: those of one planting count for less the more there are.

    Parameters
    ----------
    counts : sequence of (float, float)
        Of each planting: how many of them, of how many trees.

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
        Of each planting: how many of them, of how many trees.

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
        Of each: damaged inside, trees inside; damaged outside, trees outside. Those without trees of both tell nothing.

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
        Key of the barrier.
    published : float
        [share]
    plantings : sequence of (float, float, float)
        Of each: trees damaged inside, trees inside, share damaged outside.

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
    """How long a barrier lasts, published and seen together; those still whole count with the time they were watched.

    Parameters
    ----------
    part : str
        Key of the barrier.
    published : float
        [year]
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


def proof(log: Log, site: str | None = None, cost_per_tree: float | None = None, lots_drawn: bool = False) -> Proof:
    """What the register and the newest tally of each planting say of the barriers.

    Parameters
    ----------
    log : Log
    site : str or None
        Only this planting.
    cost_per_tree : float or None
        What the protection of one tree has cost, in any currency.
    lots_drawn : bool
        Were lots drawn for which trees were guarded?

    Returns
    -------
    Proof

    Raises
    ------
    CannotUse
        For a cost that is none.

    References
    ----------
    Of the difference: see outside_less_inside.
    """
    if cost_per_tree is not None and not 0 <= cost_per_tree < math.inf:
        raise CannotUse(f"'{cost_per_tree}' is no cost of one tree's protection")
    trees = _tallied(log, site)
    groups = {inside: trees[trees["inside"] == inside] for inside in (True, False)}
    shares = {inside: share_of(_counts(some, "damaged")) for inside, some in groups.items()}
    alive = share_of(_counts(groups[True], "alive"))
    both = [(inside, outside) for _, some in trees[trees["damaged"].notna()].groupby("site")
            if some["inside"].nunique() == 2
            for inside, outside in [[(float(part["damaged"].sum()), float(len(part)))
                                     for _, part in sorted(some.groupby("inside"), reverse=True)]]]
    less = outside_less_inside(both)
    cost = None
    if cost_per_tree is not None and alive is not None and alive.value > 0:
        most = cost_per_tree / alive.low if alive.low else math.inf
        cost = (cost_per_tree / alive.value, cost_per_tree / alive.high, most)
    sites = [site] if site is not None else sorted(set(log.records("barrier")["site"]))
    seen = [(one, watched(log, one)) for one in sites]
    table = pd.concat([table for _, table in seen]) if seen else pd.DataFrame(columns=["kind", "part", "years", "failed"])
    curves = {str(kind): survival(some["years"].to_numpy(float), some["failed"].to_numpy(int), str(kind))
              for kind, some in table.groupby("kind")}
    return Proof(shares[True], shares[False], alive, less, lots_drawn, curves,
                 (*_holds(log, trees, sites), *_lives(seen)), cost)


def _tallied(log: Log, site: str | None) -> pd.DataFrame:
    """The newest tally of each planting, a row a tree: site, tree, inside, damaged, alive."""
    rows = log.records("tally") if site is None else log.records("tally", site=site)
    told = []
    newest = rows.groupby("site")["day"].max() if len(rows) else {}
    for row in rows.to_dict("records"):
        entry = row["entry"]
        if not row["tree"] or row["day"] != newest[row["site"]]:
            continue
        alive = str(entry.get("alive", "1")) != "0"
        bitten, stem = str(entry.get("browsed", "")), str(entry.get("stem_damage", ""))
        hurt = True if bitten == "1" or stem else None if bitten == "" else False
        told.append({"site": row["site"], "tree": row["tree"], "inside": bool(str(entry.get("protection", "")).strip()),
                     "damaged": hurt, "alive": alive})
    return pd.DataFrame(told, columns=["site", "tree", "inside", "damaged", "alive"])


def _counts(trees: pd.DataFrame, name: str) -> list[tuple[float, float]]:
    """Of each planting; trees of which nobody could tell it are left out."""
    told = trees[trees[name].notna()]
    return [(float(some[name].sum()), float(len(some))) for _, some in told.groupby("site")]


def _holds(log: Log, trees: pd.DataFrame, sites: Sequence[str]) -> list[Updated]:
    """For each part of a plan that stands at tallied trees."""
    barriers = log.records("barrier")
    of_part: dict[str, list[tuple[float, float, float]]] = {}
    for site in sites:
        here = trees[(trees["site"] == site) & trees["damaged"].notna()]
        outside = here[~here["inside"].astype(bool)]
        if outside.empty:
            continue
        there = barriers[(barriers["site"] == site) & barriers["removed"].isna()]
        parts: dict[str, set[str]] = {}
        for row in there.to_dict("records"):
            if row["figures"].get("part") in catalogue():
                parts.setdefault(row["figures"]["part"], set()).add(row["plant"])
        for part, tags in parts.items():
            some = here[here["inside"].astype(bool) & here["tree"].isin(tags)]
            if len(some):
                of_part.setdefault(part, []).append((float(some["damaged"].sum()), float(len(some)),
                                                     float(outside["damaged"].mean())))
    return [holds_updated(part, min(float(one["holds"][0]) for one in catalogue()[part]["against"].values()), plantings)
            for part, plantings in sorted(of_part.items()) if catalogue()[part].get("against")]


def _lives(seen: Sequence[tuple[str, pd.DataFrame]]) -> list[Updated]:
    of_part: dict[str, list[tuple[float, float, int]]] = {}
    for _, table in seen:
        for part, some in table[table["part"] != ""].groupby("part"):
            of_part.setdefault(str(part), []).append((float(some["failed"].sum()), float(some["years"].sum()), len(some)))
    return [life_updated(part, float(catalogue()[part]["cost"]["life_years"][0]), plantings)
            for part, plantings in sorted(of_part.items())
            if part in catalogue() and "life_years" in catalogue()[part]["cost"]]


def proof_as_text(told: Proof) -> str:
    """The proof as lines of text, the answer first.

    Parameters
    ----------
    told : Proof

    Returns
    -------
    str
    """
    lines = [told.answer]
    shares = {"damaged inside": told.inside, "damaged outside": told.outside, "alive inside": told.alive}
    lines += [f"  {name:<22}{share.words}" for name, share in shares.items() if share is not None]
    if told.cost is not None:
        most = "no limit" if math.isinf(told.cost[2]) else f"{told.cost[2]:.2f}"
        lines.append(f"  {'a living tree cost':<22}{told.cost[0]:.2f} ({told.cost[1]:.2f} to {most})")
    for kind, curve in told.failures.items():
        at = curve.times[-1] if curve.times else 0.0
        half = curve.median()
        lasted = f"{100 * curve.share[-1]:.0f} % whole at {at:.1f} years" if half is None else \
            f"half failed by {half:.1f} years"
        lines.append(f"  {kind:<22}{sum(curve.failed)} of {curve.barriers} failed; {lasted} (censored)")
    lines += [f"  {one.words}" for one in told.updates]
    lines.append("  Intervals count plantings, not guards; trees of one planting are taken as alike (0.1; our choice).")
    return "\n".join(lines)


def own_figures(told: Proof) -> str:
    """The updated lives as the text of a file for `diagnose protect --prices`.

    Parameters
    ----------
    told : Proof

    Returns
    -------
    str
        YAML; the shares held stand as comments, since a plan takes no share of its own.
    """
    lines = ["# Published figures as the register changes them, and how much the published ones still weigh."]
    for one in told.updates:
        lines += [f"# {one.words}"] if one.what == "holds" else [
            f"{one.part}:", f"  life_years: {one.value:.1f}  # {one.words}"]
    return "\n".join(lines + ([] if any(one.what == "life" for one in told.updates) else ["{}"])) + "\n"
