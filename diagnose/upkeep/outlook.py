"""When must a barrier be widened or come off, and when may it?

A barrier must be off before the stem fills it, that is before the growing season in which the clearance falls under
25 mm: the work is done in the winter. It may come off only when all hold: the leader is above what the animals reach plus
snow, the bark is safe from rubbing and gnawing, and a stem that grew in a tube stands alone. If no winter is sure to be
after the one and before the other, it is widened or replaced.

The height out of reach is that of `reach_mm` everywhere: what sizes a barrier against the animal, snow counted in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.upkeep.growth import Rate, day_of_season, season_count, with_tenth
from diagnose.upkeep.rules import alone_mm, bark_safe_mm, reach_mm, tight_at_mm, trait, waits_for

FAR = date(2199, 12, 31)  # "not in sight"


@dataclass(frozen=True)
class Days:
    """A date as a range.

    Parameters
    ----------
    early, likely, late : date
        With the fastest, the usual and the slowest growth (5th, 50th and 95th percentile); FAR for never [no unit].

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


@dataclass(frozen=True)
class Standing:
    """A barrier that stands, and what is known of the plant in it.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    measured_on : date
        Day of the sizes [no unit].
    stem_mm, leader_mm : float
        The stem's diameter and the leader's height [mm].
    stem_rate, leader_rate : Rate
        Their growth [mm a season].
    inner_mm : float or None
        Clear width inside [mm]; None where it does not close round a stem.
    culprits : tuple of str
        What it is there against [no unit].
    snow_mm : float
        Deepest snow [mm].
    stands_alone, bark_safe : bool or None
        What a look found; None when nobody looked [no unit].

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
        When too little clearance is left [no unit].
    tenth : date
        A tenth of such plants are tight by then [no unit].
    widen_by : Days
        The start of the season in which it is tight [no unit].
    safe : Days
        When it may come off [no unit].
    swap : bool
        Is there no winter that is sure to be after the late end of `safe` and before the early end of `tight`? [no unit]
    waits_for : tuple of str
        What must hold before it comes off, in words [no unit].
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
        The barrier and the plant in it; its record tells each unit.
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool
        South of the equator? [no unit]

    Returns
    -------
    Outlook

    Raises
    ------
    CannotUse
        For another climate.

    References
    ----------
    .. [1] Our own: the rules of forms.yaml on the growth of growth.yaml.
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
        When each may first be tight, and is sure to be safe [season]; not finite for never.

    Returns
    -------
    (n,) array of bool

    References
    ----------
    .. [1] Our own.
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
        When each had its size [season].
    size : (n,) or (n, k) array
        The stem's diameter or the leader's height then, one, or one for each rate [mm].
    limit : (n,) array
        The size that is waited for [mm].
    rates : (n, k) array
        Growth, the fastest first [mm a season].

    Returns
    -------
    (n, k) array
        When each passes its limit [season]; at the start for one that is past it already.
    """
    size = np.asarray(size, float)
    return start[:, None] + np.maximum(limit[:, None] - (size if size.ndim == 2 else size[:, None]), 0.0) / rates


def season_start(seasons: np.ndarray) -> np.ndarray:
    """The start of the growing season in which each is reached: what is done in the winter before it comes in time.

    Parameters
    ----------
    seasons : array
        When each is reached, of any shape [season].

    Returns
    -------
    array
        Of the same shape [season]; a whole number alone would be the end of the season before.
    """
    return np.ceil(seasons - 1e-9) - 1.0 + 2e-9


def dates_of(seasons: np.ndarray, climate: str = "mild", south: Any = False) -> np.ndarray:
    """The days on which so many seasons have passed.

    Parameters
    ----------
    seasons : array
        Growing seasons since 1970, see `growth.season_count`; not finite for never [season].
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool or array of bool
        South of the equator? One for all, or of a shape that goes with `seasons` [no unit].

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
