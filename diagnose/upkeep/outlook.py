"""When must a barrier be widened or come off, and when may it?

A barrier must be off before the stem fills it: the day on which the clearance falls under 25 mm, and the winter before
that. It may come off only when all hold: the leader is above what the animals reach plus snow, the bark is safe from
rubbing and gnawing, and a stem that grew in a tube stands alone. If it tightens first, it is widened or swapped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from diagnose.knowledge import knowledge
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.upkeep.growth import Rate, day_of_season, default_rate, season_count

CLEARANCE_MM = 25.0  # to the stem on each side; our threshold
FAR = date(2199, 12, 31)  # "not in sight"
# a planted seedling's, where nobody measured; from memory
UNKNOWN_STEM_MM, UNKNOWN_LEADER_MM = 12.0, 300.0


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


def _traits() -> Mapping[str, Any]:
    return knowledge("diagnose.upkeep", "forms.yaml")


def trait(form: str, name: str) -> Any:
    """What a form of barrier is like (see forms.yaml): closed, tube, metal, at_stem ..."""
    forms = _traits()["forms"]
    return forms.get(form, forms["other"])[name]


def reach_parts(culprits: tuple[str, ...]) -> tuple[float, float]:
    """What the animals reach from the ground, and from the snow they stand on [mm]; 0 and minus infinity for none.

    Reach and margins are those that size the barrier: protect/needs.yaml.
    """
    biting = [needs()[NEED_OF[one]] for one in culprits if one in _traits()["leader_biters"]]
    return (max((float(need["top"]["value"]) for need in biting), default=0.0),
            max((float(need["snow_margin"]["value"]) for need in biting), default=-np.inf))


def reach_mm(culprits: tuple[str, ...], snow_mm: float = 0.0) -> float:
    """How high the leader must be before none of these culprits reaches it [mm]; 0 where none bites leaders."""
    reach, margin = reach_parts(culprits)
    return max(reach, snow_mm + margin) if np.isfinite(margin) else reach


def bark_safe_mm(culprits: tuple[str, ...]) -> float:
    """The stem's diameter from which the bark is safe from these culprits [mm]; infinite where it never is."""
    limits = _traits()["bark_safe_mm"]
    return max((float(limits[culprit]["value"]) for culprit in culprits if culprit in limits), default=0.0)


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
    leader_mm: float | None = None
    inner_mm: float | None = None
    culprits: tuple[str, ...] = ("deer_browsing",)
    snow_mm: float = 0.0
    stands_alone: bool | None = None
    bark_safe: bool | None = None


@dataclass(frozen=True)
class Outlook:
    """tight : when less than 25 mm is left. widen_by : end of the winter before. safe : when it may come off.

    swap : it tightens before the plant is safe. waits_for : what must hold before it comes off, in words.
    """

    tight: Days
    widen_by: Days
    safe: Days
    swap: bool
    waits_for: tuple[str, ...] = field(default=())

    @property
    def act_by(self) -> date:
        """The day by which somebody must have acted: the earliest winter's end before it could be tight."""
        return self.widen_by.early


def when(standing: Standing, climate: str = "mild", south: bool = False) -> Outlook:
    """The outlook of one barrier."""
    row = {name: [getattr(standing, name)] for name in _OF_A_STANDING}
    for what, rate in (("stem", standing.stem_rate), ("leader", standing.leader_rate)):
        row |= {f"{what}_{part}": [getattr(rate, part)] for part in _PARTS}
    found = when_many(pd.DataFrame(row), climate, south)
    days = {name: Days(*(found[f"{name}_{part}"].iloc[0].date() for part in ("early", "likely", "late")))
            for name in ("tight", "widen", "safe")}
    return Outlook(days["tight"], days["widen"], days["safe"], bool(found["swap"].iloc[0]), waits_for(standing))


def when_many(standing: pd.DataFrame, climate: str = "mild", south: bool = False) -> pd.DataFrame:
    """The outlooks of many barriers, a row each: tight_, widen_ and safe_ early, likely and late, and swap.

    standing : the fields of Standing, with the rates as stem_least, stem_middle, stem_most and leader_ likewise.
    """
    start = season_count(standing["measured_on"].to_numpy("datetime64[D]"), climate, south)
    stem = standing["stem_mm"].to_numpy(float)
    tight = _reached(start, stem, _tight_at(standing), _rates(standing, "stem"))
    safe = np.maximum(_leader(standing, start), _bark(standing, start, stem))
    found = {}
    # widened by the end of the last season before the one that would close it
    for name, seasons in (("tight", tight), ("widen", np.ceil(tight - 1e-9) - 1.0), ("safe", safe)):
        days = np.minimum(day_of_season(seasons, climate, south), np.datetime64(FAR))
        found |= {f"{name}_{part}": days[:, place].astype("datetime64[s]")
                  for place, part in enumerate(("early", "likely", "late"))}
    never = found["tight_early"] >= np.datetime64(FAR)
    return pd.DataFrame(found | {"swap": (found["tight_early"] < found["safe_late"]) & ~never}, index=standing.index)


_OF_A_STANDING = ("form", "measured_on", "stem_mm", "leader_mm", "inner_mm", "culprits", "snow_mm", "stands_alone",
                  "bark_safe")
_PARTS = ("least", "middle", "most")


def _of_forms(standing: pd.DataFrame, name: str) -> np.ndarray:
    """A trait of each row's form; looked up once a form."""
    codes, forms = pd.factorize(standing["form"])
    return np.array([trait(form, name) for form in forms])[codes]


def _tight_at(standing: pd.DataFrame) -> np.ndarray:
    """The stem's diameter at which less than the least clearance is left [mm]; infinite where nothing closes.

    A guard that was made narrow stands closer than that from the first day (a tube of 89 mm round a stem of 40): it is
    tight when a tenth of its width is left on each side.
    """
    inner = standing["inner_mm"].to_numpy(float)
    least = np.where(_of_forms(standing, "narrow"), 0.8 * inner, 0.0)
    return np.where(_of_forms(standing, "closed") & ~np.isnan(inner), np.maximum(inner - 2 * CLEARANCE_MM, least), np.inf)


def _rates(standing: pd.DataFrame, what: str) -> np.ndarray:
    return np.column_stack([standing[f"{what}_{part}"].to_numpy(float) for part in reversed(_PARTS)])


def _reached(start: np.ndarray, size: np.ndarray, limit: np.ndarray, rates: np.ndarray) -> np.ndarray:
    """Seasons at which each size passes its limit, (n, 3): fastest, usual, slowest growth."""
    return start[:, None] + np.maximum((limit - size)[:, None], 0.0) / rates


def _leader(standing: pd.DataFrame, start: np.ndarray) -> np.ndarray:
    codes, kinds = pd.factorize(standing["culprits"])
    bases = [reach_parts(kind) for kind in kinds]
    reach = np.array([base for base, _ in bases])[codes]
    margin = np.array([over for _, over in bases])[codes]
    needed = np.where(np.isfinite(margin), np.maximum(reach, standing["snow_mm"].to_numpy(float) + margin), reach)
    height = standing["leader_mm"].to_numpy(float)
    return _reached(start, np.where(np.isnan(height), UNKNOWN_LEADER_MM, height), needed, _rates(standing, "leader"))


def _bark(standing: pd.DataFrame, start: np.ndarray, stem: np.ndarray) -> np.ndarray:
    codes, kinds = pd.factorize(standing["culprits"])
    limit = np.array([bark_safe_mm(kind) for kind in kinds])[codes]
    looked = standing["bark_safe"].to_numpy(object) == True  # noqa: E712  None is neither yes nor no
    alone = standing["stands_alone"].to_numpy(object) == True  # noqa: E712
    limit = np.maximum(np.where(looked, 0.0, limit), np.where(alone, 0.0, _of_forms(standing, "alone_mm")))
    return _reached(start, stem, limit, _rates(standing, "stem"))


def waits_for(one: Standing) -> tuple[str, ...]:
    lines = []
    reach = reach_mm(one.culprits, one.snow_mm)
    if reach:
        lines.append(f"leader above {reach / 1000:.1f} m (reach, snow counted in)")
    limit = bark_safe_mm(one.culprits)
    if np.isinf(limit):
        lines.append("never while beavers live near: the bark stays in danger")
    elif limit and not one.bark_safe:
        lines.append(f"stem {limit:.0f} mm thick at the guard, or bark that you judge thick and corky")
    if trait(one.form, "tube") and not one.stands_alone:
        lines.append("the stem stands by itself when the tube is lifted")
    return tuple(lines)


def _days(seasons: np.ndarray, climate: str, south: bool) -> list[Days]:
    days = np.minimum(day_of_season(seasons, climate, south), np.datetime64(FAR))
    return [Days(*row) for row in days.astype("datetime64[D]").tolist()]


def usual(form: str, species: str = "", vigour: str = "usual") -> tuple[Rate, Rate]:
    """Default rates of stem and leader for a plant in this form of barrier."""
    in_tube = bool(trait(form, "tube"))
    return default_rate("stem", species, vigour, in_tube), default_rate("leader", species, vigour, in_tube)
