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

from diagnose.cannot_use import CannotUse
from diagnose.protect.barriers import catalogue
from diagnose.survey.frame import NOT_PROTECTED, in_visits
from diagnose.survey.lasting import Survival, survival, watched
from diagnose.upkeep.held import ALIKE, Share, Updated, holds_updated, life_updated, outside_less_inside, share_of

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log


INTERVALS = f"Intervals count plantings, not guards; trees of one planting are taken as alike ({ALIKE:g}; our choice)."


@dataclass(frozen=True)
class Proof:
    """What the register and the tallies say of the barriers.

    Parameters
    ----------
    inside, outside, alive, alive_outside : Share or None
        Trees damaged inside and outside, and trees alive inside and outside; None where nobody tallied any [share].
    less : tuple of float or None
        Outside less inside, with its limits [share].
    lots_drawn : bool
        Were lots drawn for which trees were guarded? [no unit]
    failures : mapping
        Form of barrier -> its censored curve [year].
    updates : tuple of Updated
        Published figures as they change [share or year].
    cost : tuple of float or None
        Of one tree alive inside, with its limits [the currency that was given].
    """

    inside: Share | None
    outside: Share | None
    alive: Share | None
    alive_outside: Share | None
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
        by, low, high = (100 * one for one in self.less)
        if low > 0:
            return f"The barriers held: damage inside was less by {by:.0f} points ({low:.0f} to {high:.0f}); this is {kind}."
        if high < 0:
            return f"Damage inside was more, by {-by:.0f} points ({-high:.0f} to {-low:.0f}); this is {kind}."
        return (f"Not told yet: damage inside was {abs(by):.0f} points {'less' if by >= 0 else 'more'} than outside, but "
                f"from {-low:.0f} points more to {high:.0f} points less would fit as well; this is {kind}.")

    @property
    def shares(self) -> dict[str, Share]:
        """The shares that somebody tallied, by their names."""
        told = {"damaged inside": self.inside, "damaged outside": self.outside, "alive inside": self.alive,
                "alive outside": self.alive_outside}
        return {name: one for name, one in told.items() if one is not None}

    def long(self) -> pd.DataFrame:
        """Every figure as a row: figure, of, value, low, high, unit, count, note; limits at LEVEL, or empty."""
        rows: list[dict[str, Any]] = [
            {"figure": name, "of": "trees", "value": one.value, "low": one.low, "high": one.high, "unit": "share",
             "count": one.trees, "note": f"{one.plantings} planting{'s' * (one.plantings != 1)}"}
            for name, one in self.shares.items()]
        for name, three, unit in (("damaged outside less inside", self.less, "share"),
                                  ("cost of a living tree", self.cost, "the currency that was given")):
            if three is not None:
                note = "" if three is self.cost else "a trial" if self.lots_drawn else "a comparison, no trial"
                rows.append({"figure": name, "of": "trees", **dict(zip(("value", "low", "high"), three, strict=True)),
                             "unit": unit, "note": note})
        for kind, curve in self.failures.items():
            rows.append({"figure": "failed", "of": kind, "value": sum(curve.failed), "unit": "barriers",
                         "count": curve.barriers, "note": curve.method})
            rows += [{"figure": f"whole after {time:.2f} years", "of": kind, "value": share, "low": low, "high": high,
                      "unit": "share", "count": watched_on, "note": "censored"}
                     for time, share, low, high, watched_on in zip(curve.times, curve.share, curve.low, curve.high,
                                                                   curve.at_risk, strict=True)]
        rows += [{"figure": "damage kept away" if one.what == "holds" else "life", "of": one.part, "value": one.value,
                  "low": one.low, "high": one.high, "unit": "share" if one.what == "holds" else "years",
                  "note": f"published {one.published:g}, which still weighs {one.weight:.2f}"} for one in self.updates]
        columns = ["figure", "of", "value", "low", "high", "unit", "count", "note"]
        return pd.DataFrame(rows, columns=columns).astype({"count": "Int64"})

    def as_json(self) -> dict[str, Any]:
        """For machines."""
        shares = {name: None if one is None else asdict(one) for name, one in (
            ("inside", self.inside), ("outside", self.outside), ("alive_inside", self.alive),
            ("alive_outside", self.alive_outside))}
        return {"answer": self.answer, **shares, "outside_less_inside": self.less, "lots_drawn": self.lots_drawn,
                "failures": {kind: one.as_json() for kind, one in self.failures.items()},
                "updates": [asdict(one) for one in self.updates], "cost_of_a_living_tree": None if self.cost is None else [
                    None if math.isinf(one) else one for one in self.cost]}


def proof(log: Log, site: str | None = None, cost_per_tree: float | None = None, lots_drawn: bool = False) -> Proof:
    """What the register and the newest tally of each planting say of the barriers.

    Parameters
    ----------
    log : Log
        The log with the register and the tallies [no unit].
    site : str or None
        Only this planting [no unit].
    cost_per_tree : float or None
        What the protection of one tree has cost [any currency].
    lots_drawn : bool
        Were lots drawn for which trees were guarded? [no unit]

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
    alive, alive_outside = (share_of(_counts(groups[inside], "alive")) for inside in (True, False))
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
    table = watched(log, site)
    seen = [(one, table[table["site"] == one]) for one in sites]
    curves = {str(kind): survival(some["years"].to_numpy(float), some["failed"].to_numpy(int), str(kind))
              for kind, some in table.groupby("kind")}
    return Proof(shares[True], shares[False], alive, alive_outside, less, lots_drawn, curves,
                 (*_holds(log, trees, sites), *_lives(seen)), cost)


def _tallied(log: Log, site: str | None) -> pd.DataFrame:
    """The newest tally of each planting, a row a tree: site, tree, inside, damaged, alive."""
    rows = log.records("tally") if site is None else log.records("tally", site=site)
    told = []
    rows = in_visits(rows.rename(columns={"day": "visit"}))
    newest = rows.groupby("site")["visit"].max() if len(rows) else {}
    for row in rows.to_dict("records"):
        entry = row["entry"]
        if not row["tree"] or row["visit"] != newest[row["site"]]:
            continue
        alive = str(entry.get("alive", "1")) != "0"
        bitten, stem = str(entry.get("browsed", "")), str(entry.get("stem_damage", ""))
        hurt = True if bitten == "1" or stem else None if bitten == "" else False
        inside = str(entry.get("protection", "")).strip() not in NOT_PROTECTED
        told.append({"site": row["site"], "tree": row["tree"], "inside": inside, "damaged": hurt, "alive": alive})
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
        What the register and the tallies say [no unit].

    Returns
    -------
    str
        Lines parted by line feeds.
    """
    lines = [told.answer]
    lines += [f"  {name:<22}{share.words}" for name, share in told.shares.items()]
    if told.cost is not None:
        most = "no limit" if math.isinf(told.cost[2]) else f"{told.cost[2]:.2f}"
        lines.append(f"  {'a living tree cost':<22}{told.cost[0]:.2f} ({told.cost[1]:.2f} to {most})")
    lines += [f"  {kind:<22}{_lasted(curve)}" for kind, curve in told.failures.items()]
    lines += [f"  {one.words}" for one in told.updates]
    lines.append(f"  {INTERVALS}")
    return "\n".join(lines)


def _lasted(curve: Survival) -> str:
    """How many failed, and what share stood whole when the last of them did; later on few are watched."""
    failed, longest = sum(curve.failed), f"watched for up to {curve.times[-1] if curve.times else 0.0:.1f} years"
    if not failed:
        return f"none of {curve.barriers} failed; {longest}"
    last = max(at for at, many in enumerate(curve.failed) if many)
    limits = "" if math.isnan(curve.low[last]) else f" ({100 * curve.low[last]:.0f} to {100 * curve.high[last]:.0f})"
    half = curve.median()
    lasted = f"half failed by {half:.1f} years" if half is not None else \
        f"{100 * curve.share[last]:.0f} %{limits} whole at {curve.times[last]:.1f} years, when the last failed"
    return f"{failed} of {curve.barriers} failed; {lasted}; {longest} (censored)"


def own_figures(told: Proof) -> str:
    """The updated lives as the text of a file for `diagnose protect --prices`.

    Parameters
    ----------
    told : Proof
        What the register and the tallies say [no unit].

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
