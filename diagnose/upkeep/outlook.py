"""When must a barrier be widened or come off, and when may it?

A barrier must be off before the stem fills it, that is before the growing season in which the clearance falls under
25 mm: the work is done in the winter. It may come off only when all hold: the leader is above what the animals reach plus
snow, the bark is safe from rubbing and gnawing, and a stem that grew in a tube stands alone. If it tightens first, it is
widened or swapped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.upkeep.growth import Rate, day_of_season, default_rate, season_count

CLEARANCE_MM = 25.0  # to the stem on each side; our threshold
SNUG_SHARE = 0.1  # of the width, left on each side of a guard that is made to lie close; our choice
FAR = date(2199, 12, 31)  # "not in sight"


def forms() -> Mapping[str, Any]:
    """What is known of the forms of barriers: forms.yaml."""
    known: Mapping[str, Any] = knowledge("diagnose.upkeep", "forms.yaml")
    return known


def trait(form: str, name: str) -> Any:
    """What a form is like (see forms.yaml); False where the trait does not hold. Raises CannotUse for no such form."""
    if form not in forms()["forms"]:
        raise CannotUse(f"'{form}' is no form of barrier; choose one of {', '.join(forms()['forms'])}")
    return forms()["forms"][form].get(name, False)


@dataclass(frozen=True)
class Days:
    """A date as a range: with the fastest, the usual and the slowest growth (5th, 50th, 95th percentile)."""

    early: date
    likely: date
    late: date

    @property
    def words(self) -> str:
        """The range by months, as people say it."""
        if self.early >= FAR:
            return "not in sight"
        first, last = f"{self.early:%b %Y}", f"{self.late:%b %Y}"
        if self.late >= FAR:
            return f"{first} or later, likely {self.likely:%b %Y}" if self.likely < FAR else f"not before {first}"
        return first if first == last else f"{first} to {last}, likely {self.likely:%b %Y}"

    def as_json(self) -> dict[str, str | None]:
        return {name: None if day >= FAR else day.isoformat()
                for name, day in (("early", self.early), ("likely", self.likely), ("late", self.late))}


@cache
def reach_parts(culprits: tuple[str, ...]) -> tuple[float, float]:
    """What the animals reach from the ground, and above the snow that they stand on [mm]; 0 and minus infinity for none.

    Reach and margins are those that size the barrier: protect/needs.yaml.
    """
    biting = [needs()[NEED_OF[one]] for one in culprits if one in forms()["leader_biters"]]
    return (max((float(need["top"]["value"]) for need in biting), default=0.0),
            max((float(need["snow_margin"]["value"]) for need in biting), default=-np.inf))


def reach_mm(culprits: tuple[str, ...], snow_mm: float = 0.0) -> float:
    """How high the leader must be before none of these culprits reaches it [mm]; 0 where none bites leaders."""
    reach, margin = reach_parts(culprits)
    return max(reach, snow_mm + margin)


@cache
def bark_safe_mm(culprits: tuple[str, ...]) -> float:
    """The stem's diameter from which the bark is safe from these culprits [mm]; infinite where it never is."""
    limits = forms()["bark_safe_mm"]
    return max((float(limits[culprit]["value"]) for culprit in culprits if culprit in limits), default=0.0)


def alone_mm(form: str, stands_alone: bool | None) -> float:
    """The stem's diameter from which one in this form is likely to stand by itself [mm]; 0 where it was never held."""
    if not trait(form, "tube") or stands_alone:
        return 0.0
    return float(forms()["stands_alone_mm"]["nobody_looked" if stands_alone is None else "it_did_not"])


def tight_at_mm(form: str, inner_mm: Any) -> Any:
    """The stem's diameter at which too little clearance is left [mm]; infinite where nothing closes round it.

    inner_mm : clear width, one or many; NaN where it is not known.
    """
    inner = np.asarray(inner_mm, float)
    if not trait(form, "closed"):
        return np.full_like(inner, np.inf)
    left = 2 * SNUG_SHARE * inner if trait(form, "snug") else 2 * CLEARANCE_MM
    return np.where(np.isnan(inner), np.inf, np.maximum(inner - left, 0.0))


@dataclass(frozen=True)
class Standing:
    """A barrier that stands, and what is known of the plant in it.

    form : as in forms.yaml. inner_mm : clear width inside [mm], None where it does not close round a stem. stem_mm,
    leader_mm : last measured sizes [mm], at the day measured_on. stands_alone, bark_safe : what a check found, None
    when nobody looked. culprits : what it is there against. snow_mm : deepest snow [mm].
    """

    form: str
    measured_on: date
    stem_mm: float
    stem_rate: Rate
    leader_rate: Rate
    leader_mm: float
    inner_mm: float | None = None
    culprits: tuple[str, ...] = ("deer_browsing",)
    snow_mm: float = 0.0
    stands_alone: bool | None = None
    bark_safe: bool | None = None


@dataclass(frozen=True)
class Outlook:
    """tight : when less than 25 mm is left. widen_by : start of the season in which it is. safe : when it may come off.

    swap : it tightens before the plant is safe. waits_for : what must hold before it comes off, in words.
    """

    tight: Days
    widen_by: Days
    safe: Days
    swap: bool
    waits_for: tuple[str, ...]


def when(one: Standing, climate: str = "mild", south: bool = False) -> Outlook:
    """The outlook of one barrier."""
    start = season_count(np.array([one.measured_on], "datetime64[D]"), climate, south)
    stem, stem_rates = np.array([one.stem_mm]), _falling(one.stem_rate)
    firm = max(0.0 if one.bark_safe else bark_safe_mm(one.culprits), alone_mm(one.form, one.stands_alone))
    tight = reached(start, stem, tight_at_mm(one.form, [np.nan if one.inner_mm is None else one.inner_mm]), stem_rates)
    high = reached(start, np.array([one.leader_mm]), np.array([reach_mm(one.culprits, one.snow_mm)]),
                   _falling(one.leader_rate))
    safe = np.maximum(high, reached(start, stem, np.array([firm]), stem_rates))
    closes, widen_by, comes_off = (Days(*dates_of(seasons, climate, south)[0].tolist())
                                   for seasons in (tight, season_start(tight), safe))
    return Outlook(closes, widen_by, comes_off, closes.early < comes_off.late,
                   waits_for(one.form, one.culprits, one.snow_mm, one.stands_alone, one.bark_safe))


def _falling(rate: Rate) -> np.ndarray:
    return np.array([[rate.most, rate.middle, rate.least]])


def reached(start: np.ndarray, size: np.ndarray, limit: np.ndarray, rates: np.ndarray) -> np.ndarray:
    """Seasons at which each size passes its limit, (n, 3): fastest, usual, slowest growth.

    start : (n,) season of the size; size, limit : (n,) [mm]; rates : (n, 3) fastest first [mm a season].
    """
    return start[:, None] + np.maximum((limit - size)[:, None], 0.0) / rates


def season_start(seasons: np.ndarray) -> np.ndarray:
    """The start of the growing season in which each is reached: what is done in the winter before it comes in time."""
    return np.ceil(seasons - 1e-9) - 1.0 + 2e-9  # a whole number alone would be the end of the season before


def dates_of(seasons: np.ndarray, climate: str = "mild", south: Any = False) -> np.ndarray:
    """The days on which so many seasons have passed, FAR for those not in sight; datetime64[D]."""
    return np.minimum(day_of_season(seasons, climate, south), np.datetime64(FAR))


def waits_for(form: str, culprits: tuple[str, ...], snow_mm: float, stands_alone: bool | None,
              bark_safe: bool | None) -> tuple[str, ...]:
    """What must hold, all of it, before a barrier comes off."""
    lines = []
    if (reach := reach_mm(culprits, snow_mm)) > 0:
        lines.append(f"leader above {reach / 1000:.1f} m, snow counted in")
    limit = bark_safe_mm(culprits)
    if np.isinf(limit):
        lines.append("never while beavers live near, the bark stays in danger")
    elif limit and not bark_safe:
        lines.append(f"stem {limit:.0f} mm thick at the guard, or bark that you judge thick and corky")
    if trait(form, "tube") and not stands_alone:
        lines.append("the stem stands by itself when the tube is lifted")
    return tuple(lines)


def usual(form: str, species: str = "", vigour: str = "usual") -> tuple[Rate, Rate]:
    """Default rates of stem and leader for a plant in this form of barrier."""
    in_tube = bool(trait(form, "tube"))
    return default_rate("stem", species, vigour, in_tube), default_rate("leader", species, vigour, in_tube)
