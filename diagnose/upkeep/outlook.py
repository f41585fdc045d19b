"""When must a barrier be widened or come off, and when may it?

A barrier must be off before the stem fills it, that is before the growing season in which the clearance falls under
25 mm: the work is done in the winter. It may come off only when all hold: the leader is above what the animals reach plus
snow, the bark is safe from rubbing and gnawing, and a stem that grew in a tube stands alone. If no winter is sure to be
after the one and before the other, it is widened or replaced.

The height out of reach is that of `reach_mm` everywhere: what sizes a barrier against the animal, snow counted in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect.barriers import catalogue
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.upkeep.growth import Rate, day_of_season, default_rate, season_count, with_tenth

CLEARANCE_MM = 25.0  # to the stem on each side; our threshold
THICKER_MM = 10.0  # than when it did not stand, before a stem is tried again; our choice
SNUG_SHARE = 0.1  # of the width, left on each side of a guard that is made to lie close; our choice
FAR = date(2199, 12, 31)  # "not in sight"


def forms() -> Mapping[str, Any]:
    """What is known of the forms of barriers: forms.yaml."""
    known: Mapping[str, Any] = knowledge("diagnose.upkeep", "forms.yaml")
    return known


def trait(form: str, name: str) -> Any:
    """What a form of barrier is like.

    Parameters
    ----------
    form : str
        As in forms.yaml.
    name : str
        A trait as forms.yaml explains it, such as `closed`.

    Returns
    -------
    bool, str or int
        False where the trait does not hold.

    Raises
    ------
    CannotUse
        For no such form.
    """
    if form not in forms()["forms"]:
        raise CannotUse(f"'{form}' is no form of barrier; choose one of {', '.join(forms()['forms'])}")
    return forms()["forms"][form].get(name, False)


def known_form(form: str) -> str:
    """The form itself, or `other` for one that a newer tool wrote [no unit]."""
    return form if form in forms()["forms"] else "other"


def name_of(form: str, figures: Mapping[str, Any]) -> str:
    """What a barrier is called: as the plan called it that it is from, else by its form.

    Parameters
    ----------
    form : str
        As in forms.yaml.
    figures : mapping
        The barrier's figures; `part` is its key in the plan's catalogue.

    Returns
    -------
    str
    """
    part = catalogue().get(str(figures.get("part", "")))
    return str(part["name"]) if part else "barrier" if form == "other" else form


@dataclass(frozen=True)
class Days:
    """A date as a range.

    Parameters
    ----------
    early, likely, late : date
        With the fastest, the usual and the slowest growth (5th, 50th and 95th percentile); FAR for never.

    Raises
    ------
    CannotUse
        Where they are not in this order.
    """

    early: date
    likely: date
    late: date

    def __post_init__(self) -> None:
        if not self.early <= self.likely <= self.late:
            raise CannotUse(f"dates of a range must follow each other: {self.early}, {self.likely}, {self.late}")

    @property
    def words(self) -> str:
        """The range by months, as people say it."""
        if self.early >= FAR:
            return "not in sight"
        first, last = f"{self.early:%b %Y}", f"{self.late:%b %Y}"
        if self.late >= FAR:
            return f"{first} or later, likely {self.likely:%b %Y}" if self.likely < FAR else f"not before {first}"
        return first if first == last else f"{first} to {last}, likely {self.likely:%b %Y}"

    @property
    def years(self) -> str:
        """The range by years: "between 2028 and 2030"."""
        if self.early >= FAR:
            return "not in sight"
        first, last = self.early.year, self.late.year
        if self.late >= FAR:
            return f"from {first} on at the earliest"
        return f"in {first}" if first == last else f"between {first} and {last}"

    def as_json(self) -> dict[str, str | None]:
        """ISO days; None for never."""
        return {name: None if day >= FAR else day.isoformat()
                for name, day in (("early", self.early), ("likely", self.likely), ("late", self.late))}


@cache
def reach_mm(culprits: tuple[str, ...], snow_mm: float = 0.0) -> float:
    """How high the leader must be before none of these culprits reaches it.

    Parameters
    ----------
    culprits : tuple of str
        Keys of the catalogue.
    snow_mm : float
        Deepest snow, on which they stand [mm].

    Returns
    -------
    float
        [mm]; 0 where none bites leaders.

    Raises
    ------
    CannotUse
        For no depth of snow.

    References
    ----------
    The heights that size barriers: protect/needs.yaml.

    Examples
    --------
    >>> reach_mm(("deer_browsing",)), reach_mm(("deer_browsing",), 300.0), reach_mm(("vole_surface",))
    (1500.0, 1800.0, 0.0)
    """
    if not 0 <= snow_mm < math.inf:
        raise CannotUse(f"'{snow_mm}' is no depth of snow in mm")
    biting = [needs()[NEED_OF[one]] for one in culprits if one in forms()["leader_biters"]]
    return max((max(float(need["top"]["value"]), snow_mm + float(need["snow_margin"]["value"]) if snow_mm else 0.0)
                for need in biting), default=0.0)


@cache
def bark_safe_mm(culprits: tuple[str, ...]) -> float:
    """The stem's diameter from which the bark is safe.

    Parameters
    ----------
    culprits : tuple of str
        Keys of the catalogue. Who browses and carries antlers rubs too, until the stem is too thick for it.

    Returns
    -------
    float
        [mm]; infinite where it never is, 0 where none hurts bark.

    References
    ----------
    forms.yaml, bark_safe_mm

    Examples
    --------
    >>> bark_safe_mm(("deer_browsing",)), bark_safe_mm(("beaver",)), bark_safe_mm(("pocket_gopher",))
    (75.0, inf, 0.0)
    """
    limits = forms()["bark_safe_mm"]
    return max((float(limits[culprit]["value"]) for culprit in culprits if culprit in limits), default=0.0)


def alone_mm(form: str, stands_alone: bool | None, stem_mm: float = 0.0) -> float:
    """The stem's diameter from which one in this form is likely to stand by itself.

    Parameters
    ----------
    form : str
        As in forms.yaml.
    stands_alone : bool or None
        What a look found; None when nobody looked.
    stem_mm : float
        The stem's diameter at that look [mm]: one that did not stand is tried again when it is thicker.

    Returns
    -------
    float
        [mm]; 0 where it was never held.
    """
    if not trait(form, "tube") or stands_alone:
        return 0.0
    told = forms()["stands_alone_mm"]
    return float(told["nobody_looked"]) if stands_alone is None else max(float(told["it_did_not"]), stem_mm + THICKER_MM)


def tight_at_mm(form: str, inner_mm: Any) -> Any:
    """The stem's diameter at which too little clearance is left.

    Parameters
    ----------
    form : str
        As in forms.yaml.
    inner_mm : array_like
        Clear width, one or many; NaN where it is not known [mm].

    Returns
    -------
    array
        [mm]; infinite where nothing closes round the stem.

    Raises
    ------
    CannotUse
        For no such form.

    Examples
    --------
    >>> float(tight_at_mm("cage", 150)), float(tight_at_mm("vole guard", 50)), float(tight_at_mm("fence", 50))
    (100.0, 40.0, inf)
    """
    inner = np.asarray(inner_mm, float)
    if not trait(form, "closed"):
        return np.full_like(inner, np.inf)
    left = 2 * SNUG_SHARE * inner if trait(form, "snug") else 2 * CLEARANCE_MM
    return np.where(np.isnan(inner), np.inf, np.maximum(inner - left, 0.0))


@dataclass(frozen=True)
class Standing:
    """A barrier that stands, and what is known of the plant in it.

    Parameters
    ----------
    form : str
        As in forms.yaml.
    measured_on : date
        Day of the sizes.
    stem_mm, leader_mm : float
        The stem's diameter and the leader's height [mm].
    stem_rate, leader_rate : Rate
        Their growth [mm a season].
    inner_mm : float or None
        Clear width inside [mm]; None where it does not close round a stem.
    culprits : tuple of str
        What it is there against.
    snow_mm : float
        Deepest snow [mm].
    stands_alone, bark_safe : bool or None
        What a look found; None when nobody looked.

    Raises
    ------
    CannotUse
        For an unknown form, or a size that is none.
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

    def __post_init__(self) -> None:
        trait(self.form, "closed")
        for name in ("stem_mm", "leader_mm", "snow_mm"):
            if not 0 <= getattr(self, name) < math.inf:
                raise CannotUse(f"'{getattr(self, name)}' cannot be {name}: give a size of 0 mm or more")
        if self.inner_mm is not None and not 0 < self.inner_mm < math.inf:
            raise CannotUse(f"'{self.inner_mm}' cannot be the clear width: give a size above 0 mm")


@dataclass(frozen=True)
class Outlook:
    """What is ahead of one barrier.

    Parameters
    ----------
    tight : Days
        When too little clearance is left.
    tenth : date
        A tenth of such plants are tight by then.
    widen_by : Days
        The start of the season in which it is tight.
    safe : Days
        When it may come off.
    swap : bool
        Is there no winter that is sure to be after the late end of `safe` and before the early end of `tight`?
    waits_for : tuple of str
        What must hold before it comes off, in words.
    """

    tight: Days
    tenth: date
    widen_by: Days
    safe: Days
    swap: bool
    waits_for: tuple[str, ...]


def when(one: Standing, climate: str = "mild", south: bool = False) -> Outlook:
    """The outlook of one barrier.

    Parameters
    ----------
    one : Standing
    climate : {'cold', 'mild', 'warm'}
    south : bool
        South of the equator?

    Returns
    -------
    Outlook

    Raises
    ------
    CannotUse
        For another climate.
    """
    start = season_count(np.array([one.measured_on], "datetime64[D]"), climate, south)
    stem, stem_rates = np.array([one.stem_mm]), _falling(one.stem_rate)
    of_bark = 0.0 if one.bark_safe or trait(one.form, "leader_only") else bark_safe_mm(one.culprits)
    firm = max(of_bark, alone_mm(one.form, one.stands_alone, one.stem_mm))
    limit = tight_at_mm(one.form, [np.nan if one.inner_mm is None else one.inner_mm])
    tight = reached(start, stem, limit, stem_rates)
    tenth = reached(start, stem, limit, with_tenth(stem_rates[:, ::-1])[:, 2:3])
    high = reached(start, np.array([one.leader_mm]), np.array([reach_mm(one.culprits, one.snow_mm)]),
                   _falling(one.leader_rate))
    safe = np.maximum(high, reached(start, stem, np.array([firm]), stem_rates))
    closes, widen_by, comes_off = (Days(*dates_of(seasons, climate, south)[0].tolist())
                                   for seasons in (tight, season_start(tight), safe))
    return Outlook(closes, dates_of(tenth, climate, south)[0, 0].item(), widen_by, comes_off,
                   bool(no_safe_winter(tight[:, 0], safe[:, -1])[0]),
                   waits_for(one.form, one.culprits, one.snow_mm, one.stands_alone, one.bark_safe))


def no_safe_winter(tight_early: np.ndarray, safe_late: np.ndarray) -> np.ndarray:
    """Is there no winter after the plant is sure to be safe and before the barrier may first be tight?

    Parameters
    ----------
    tight_early, safe_late : (n,) arrays
        [season], not finite for never.

    Returns
    -------
    (n,) array of bool
    """
    seasons_done = np.ceil(safe_late - 1e-9)
    return np.isfinite(tight_early) & ~(seasons_done <= np.ceil(tight_early - 1e-9) - 1)


def _falling(rate: Rate) -> np.ndarray:
    return np.array([[rate.most, rate.middle, rate.least]])


def reached(start: np.ndarray, size: np.ndarray, limit: np.ndarray, rates: np.ndarray) -> np.ndarray:
    """Seasons at which each size passes its limit.

    Parameters
    ----------
    start : (n,) array
        Season of the size [season].
    size : (n,) or (n, k) array
        One, or one for each rate [mm].
    limit : (n,) array
        [mm]
    rates : (n, k) array
        Fastest first [mm a season].

    Returns
    -------
    (n, k) array
        [season]
    """
    size = np.asarray(size, float)
    return start[:, None] + np.maximum(limit[:, None] - (size if size.ndim == 2 else size[:, None]), 0.0) / rates


def season_start(seasons: np.ndarray) -> np.ndarray:
    """The start of the growing season in which each is reached: what is done in the winter before it comes in time.

    Parameters
    ----------
    seasons : array
        [season]

    Returns
    -------
    array
        [season]; a whole number alone would be the end of the season before.
    """
    return np.ceil(seasons - 1e-9) - 1.0 + 2e-9


def dates_of(seasons: np.ndarray, climate: str = "mild", south: Any = False) -> np.ndarray:
    """The days on which so many seasons have passed.

    Parameters
    ----------
    seasons : array
        Not finite for never [season].
    climate : {'cold', 'mild', 'warm'}
    south : bool or array of bool

    Returns
    -------
    array of datetime64[D]
        FAR for those not in sight.

    Raises
    ------
    CannotUse
        For another climate.
    """
    return np.minimum(day_of_season(seasons, climate, south), np.datetime64(FAR))


def waits_for(form: str, culprits: tuple[str, ...], snow_mm: float, stands_alone: bool | None,
              bark_safe: bool | None) -> tuple[str, ...]:
    """What must hold, all of it, before a barrier comes off.

    Parameters
    ----------
    form : str
        As in forms.yaml.
    culprits : tuple of str
        What it is there against.
    snow_mm : float
        Deepest snow [mm].
    stands_alone, bark_safe : bool or None
        What a look found; None when nobody looked.

    Returns
    -------
    tuple of str
        In words.

    Raises
    ------
    CannotUse
        For no such form, or no depth of snow.
    """
    lines = []
    if (reach := reach_mm(culprits, snow_mm)) > 0:
        lines.append(f"leader above {reach / 1000:.1f} m, snow counted in")
    limit = 0.0 if trait(form, "leader_only") else bark_safe_mm(culprits)
    if np.isinf(limit):
        lines.append("never while beavers live near, the bark stays in danger")
    elif limit and not bark_safe:
        lines.append(f"stem {limit:.0f} mm thick at the guard, or bark that you judge thick and corky")
    if trait(form, "tube") and not stands_alone:
        lines.append("the stem stands by itself when the tube is lifted")
    return tuple(lines)


def usual(form: str, species: str = "", vigour: str = "usual") -> tuple[Rate, Rate]:
    """Usual growth of a plant in this form of barrier.

    Parameters
    ----------
    form : str
        As in forms.yaml.
    species : str
        A common or scientific name, or empty.
    vigour : {'slow', 'usual', 'fast'}

    Returns
    -------
    stem, leader : Rate
        [mm a season]

    Raises
    ------
    CannotUse
        For no such form, or no vigour.
    """
    in_tube = bool(trait(form, "tube"))
    return default_rate("stem", species, vigour, in_tube), default_rate("leader", species, vigour, in_tube)
