"""How thick will the stem be, and how high the leader, at a day to come?

Growth is counted in seasons: a day's date is turned into the number of growing seasons that have passed, so that a
stem does not thicken in winter and no leap year moves a date. A rate is a range: its least, middle and most are the
5th, 50th and 95th percentile of what is usual for the species and vigour, and narrow as the plant itself is measured.

References: default rates in growth.yaml, from memory; the weighting of two estimates by their variances is textbook
(e.g. Taylor 1997, An Introduction to Error Analysis, chapter 7).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
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
    how: str  # default, or measured

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
    return Rate(least * scale, float(np.exp(np.mean(np.log(middles)))) * scale, most * scale, "default")


def measured_rate(default: Rate, seasons: Sequence[float], sizes_mm: Sequence[float], sigma_mm: float) -> Rate:
    """The rate that the plant's own measurements give, weighed with the usual one by their variances.

    seasons : of each measurement (see season_count); sizes_mm [mm], each good to sigma_mm. With fewer than two
    seasons' ends apart by a third of a season the usual rate stands. The weight does not depend on the slope, so that
    a plant that grew more is never said to grow less.
    """
    x, y = np.asarray(seasons, float), np.asarray(sizes_mm, float)
    spread = float(((x - x.mean()) ** 2).sum()) if len(x) else 0.0
    if len(x) < 2 or np.ptp(x) < 1 / 3:
        return default
    slope = float(((x - x.mean()) * (y - y.mean())).sum() / spread)
    # years differ by about 30 % of the usual rate from each other (our choice): a few seasons do not tell the coming ones
    variance = sigma_mm**2 / spread + (0.3 * default.middle) ** 2 / max(1.0, float(np.ptp(x)))
    sigma_default = (default.most - default.least) / (2 * _Z95)
    weight = variance / (variance + sigma_default**2)
    middle = max(weight * default.middle + (1 - weight) * slope, 0.1 * default.least)
    half = _Z95 * math.sqrt(variance * sigma_default**2 / (variance + sigma_default**2))
    return Rate(max(middle - half, 0.1 * middle), middle, middle + half, "measured")


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


def grown(size_mm: float, measured_on: date, on: date, rate: Rate, climate: str = "mild",
          south: bool = False) -> tuple[float, float, float]:
    """Least, middle and most size at a day [mm]: the 5th, 50th and 95th percentile."""
    seasons = float(season_count(on, climate, south) - season_count(measured_on, climate, south))
    low, middle, high = sorted(size_mm + seasons * each for each in (rate.least, rate.middle, rate.most))
    return low, middle, high
