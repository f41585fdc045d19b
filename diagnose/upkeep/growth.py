"""How thick will the stem be, and how high the leader, at a day to come?

Growth is counted in seasons: a day's date is turned into the number of growing seasons that have passed, so that a
stem does not thicken in winter and no leap year moves a date. A rate is a range: its least, middle and most are the
5th, 50th and 95th percentile of what is usual for the species and vigour, and narrow as the plant itself is measured.

References: default rates in growth.yaml, from memory; the weighting of two estimates by their variances is textbook
(e.g. Taylor 1997, An Introduction to Error Analysis, chapter 7).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge

VIGOURS = ("slow", "usual", "fast")
CLIMATES = ("cold", "mild", "warm")
_Z95 = 1.6449  # standard normal quantile of 0.95


def _data() -> Mapping[str, Any]:
    return knowledge("diagnose.upkeep", "growth.yaml")


@dataclass(frozen=True)
class Rate:
    """Growth a season, of the stem's diameter or of the leader's height [mm]: 5th, 50th and 95th percentile."""

    least: float
    middle: float
    most: float

    def __post_init__(self) -> None:
        if not 0 < self.least <= self.middle <= self.most:
            raise ValueError("a rate's percentiles must rise from above 0")


@cache
def group_of(species: str) -> str | None:
    """Key of the group of species that a name belongs to, by any of its words; None for an unknown name."""
    words = species.lower().replace("-", " ").split()
    for key, group in _data()["groups"].items():
        if any(word.rstrip("s") == known or word == known for word in words for known in group["species"]):
            return str(key)
    return None


@cache
def default_rate(what: str, species: str = "", vigour: str = "usual", in_tube: bool = False) -> Rate:
    """The usual rate of `stem` or `leader`. An unknown species takes the slowest and fastest of all groups.

    Raises CannotUse for a vigour that is none.
    """
    if vigour not in VIGOURS:
        raise CannotUse(f"'{vigour}' is no vigour; choose one of {', '.join(VIGOURS)}")
    groups, key = _data()["groups"], group_of(species)
    ranges = [groups[one][vigour][what] for one in ([key] if key else groups)]
    middles = [middle for _, middle, _ in ranges]
    scale = (10.0 if what == "leader" else 1.0) * (float(_data()["shelter"][what]) if in_tube else 1.0)
    least, most = min(low for low, _, _ in ranges), max(high for _, _, high in ranges)
    return Rate(least * scale, float(np.exp(np.mean(np.log(middles)))) * scale, most * scale)


def measured_rates(default: np.ndarray, plant: np.ndarray, seasons: np.ndarray, sizes_mm: np.ndarray,
                   sigma_mm: float) -> np.ndarray:
    """The rates that the plants' own measurements give, weighed with the usual ones by their variances.

    default : (n, 3) least, middle and most of each plant [mm a season]. plant : (m,) row of the plant that each
    measurement is of; seasons : (m,) when (see season_count); sizes_mm : (m,) [mm], each good to sigma_mm. Returns
    (n, 3). Where a plant has fewer than two measurements, or all within a third of a season, the usual rate stands.

    Notes
    -----
    Years differ by about 30 % of the usual rate from each other (our choice): a few seasons do not tell the coming
    ones exactly. The weight does not depend on the slope, so that a plant that grew more is never said to grow less.
    """
    count = len(default)
    n = np.bincount(plant, minlength=count)
    away = seasons - (np.bincount(plant, seasons, count) / np.maximum(n, 1))[plant]
    spread = np.bincount(plant, away**2, count)
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, plant, seasons)
    np.maximum.at(high, plant, seasons)
    told = (n >= 2) & (high - low >= 1 / 3)
    slope = np.bincount(plant, away * sizes_mm, count)[told] / spread[told]
    least, middle, most = default[told].T
    own = sigma_mm**2 / spread[told] + (0.3 * middle) ** 2 / np.maximum(1.0, (high - low)[told])
    usual = ((most - least) / (2 * _Z95)) ** 2
    weight = own / (own + usual)
    weighed = np.maximum(weight * middle + (1 - weight) * slope, 0.1 * least)
    half = _Z95 * np.sqrt(own * usual / (own + usual))
    rates = default.copy()
    rates[told] = np.stack([np.maximum(weighed - half, 0.1 * weighed), weighed, weighed + half], axis=1)
    return rates


def _growing(climate: str) -> tuple[float, float]:
    """Start and end of the growing season, in months from the start of the year of growth."""
    if climate not in CLIMATES:
        raise CannotUse(f"'{climate}' is no climate; choose one of {', '.join(CLIMATES)}")
    months = _data()["seasons"][climate]
    return months["first"] - 1.0, float(months["last"])


def season_count(days: Any, climate: str = "mild", south: Any = False) -> np.ndarray:
    """Growing seasons passed since 1970 at each day, the running one as a share of it.

    days : dates, or anything numpy reads as days. Counted by months, so that leap years move nothing. South of the
    equator (south, one for all or one a day) the year of growth starts in July.
    """
    start, end = _growing(climate)
    day = np.asarray(days, "datetime64[D]")
    month = day.astype("datetime64[M]")
    first = month.astype("datetime64[D]")
    length = ((month + 1).astype("datetime64[D]") - first).astype(int)
    passed = month.astype(int) + (day - first).astype(int) / length - np.where(south, 6, 0)
    year = np.floor(passed / 12)
    return year + np.clip((passed - 12 * year - start) / (end - start), 0.0, 1.0)


def day_of_season(seasons: Any, climate: str = "mild", south: Any = False) -> np.ndarray:
    """The first day at which so many seasons have passed: the inverse of season_count."""
    start, end = _growing(climate)
    count = np.asarray(seasons, float)
    count = np.where(np.isfinite(count), np.clip(count, -400.0, 7000.0), 7000.0)
    year = np.floor(count)
    share = count - year
    # a whole number of seasons is reached at the end of the last one, not at the start of the next
    whole = share < 1e-9
    year, share = np.where(whole, year - 1, year), np.where(whole, 1.0, share)
    passed = 12 * year + start + share * (end - start) + np.where(south, 6, 0)
    month = np.floor(passed + 1e-9).astype(int)
    first = month.astype("datetime64[M]")
    length = ((first + 1).astype("datetime64[D]") - first.astype("datetime64[D]")).astype(int)
    into = np.minimum(np.ceil((passed - month) * length - 1e-6), length - 1).astype(int)
    day: np.ndarray = first.astype("datetime64[D]") + np.maximum(into, 0)
    return day
