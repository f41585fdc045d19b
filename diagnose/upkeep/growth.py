"""How thick will the stem be, and how high the leader, at a day to come?

Growth is counted in seasons: a day's date is turned into the number of growing seasons that have passed, so that a
stem does not thicken in winter and no leap year moves a date. A rate is a range: its least, middle and most are the
5th, 50th and 95th percentile of what is usual for the species and vigour. It narrows as plants of the planting are
measured, and most as the plant itself is.

References
----------
Default rates, with the published means that they were held against: growth.yaml. The weighting of two estimates by
their variances is textbook (Taylor 1997, An Introduction to Error Analysis, chapter 7); a group's mean between the
usual and the measured is the normal model with known variances (Gelman et al. 2013, Bayesian Data Analysis, 5.4).
"""

from __future__ import annotations

import math
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
_Z90 = 1.2816  # standard normal quantile of 0.90
YEARS_DIFFER = 0.3  # of the usual rate, one year from another, for all trees of a planting alike; our choice
SHARED = 0.5  # of the variance among trees is between plantings, the rest within them; our choice


def _data() -> Mapping[str, Any]:
    return knowledge("diagnose.upkeep", "growth.yaml")


@dataclass(frozen=True)
class Rate:
    """Growth a season.

    Parameters
    ----------
    least, middle, most : float
        5th, 50th and 95th percentile of the growth of the stem's diameter or of the leader's height [mm a season].

    Raises
    ------
    CannotUse
        For percentiles that are no numbers or do not rise from above 0.
    """

    least: float
    middle: float
    most: float

    def __post_init__(self) -> None:
        if not 0 < self.least <= self.middle <= self.most < math.inf:
            raise CannotUse("a rate's percentiles must be numbers that rise from above 0")


@cache
def group_of(species: str) -> str | None:
    """The group of species that a name belongs to, by any of its words.

    Parameters
    ----------
    species : str
        A common or scientific name [no unit].

    Returns
    -------
    str or None
        Key in growth.yaml; None for a name that no group holds.

    Examples
    --------
    >>> group_of("Quercus rubra"), group_of("white oaks"), group_of("gumbo limbo")
    ('oak_beech', 'oak_beech', None)
    """
    words = species.lower().replace("-", " ").split()
    for key, group in _data()["groups"].items():
        if any(word.rstrip("s") == known or word == known for word in words for known in group["species"]):
            return str(key)
    return None


def grown_from(species: str) -> str:
    """Where the usual rates of a species are from, in words.

    Parameters
    ----------
    species : str
        A common or scientific name, or empty [no unit].

    Returns
    -------
    str
        A clause for a report; it says "from memory" wherever that is so.
    """
    key = group_of(species)
    if key is None:
        return "growth from memory, of every group of species, since this one is not known"
    group = _data()["groups"][key]
    held = len(group["published"])
    means = "mean" if held == 1 else "means"
    published = f"held against {held} published {means}" if held else "no published mean was found"
    return f"growth of {group['name']} from memory, {published}"


@cache
def default_rate(what: str, species: str = "", vigour: str = "usual", in_tube: bool = False) -> Rate:
    """The usual rate of a stem or a leader.

    Parameters
    ----------
    what : {'stem', 'leader'}
        The stem's diameter near the ground, or the leader's height [no unit].
    species : str
        A common or scientific name. An unknown one takes the slowest and the fastest of all groups [no unit].
    vigour : {'slow', 'usual', 'fast'}
        How well the plant grows for its species [no unit].
    in_tube : bool
        Is the leader still in a solid tube? [no unit]

    Returns
    -------
    Rate
        [mm a season]

    Raises
    ------
    CannotUse
        For another `what` or vigour.

    References
    ----------
    growth.yaml
    """
    if what not in ("stem", "leader"):
        raise CannotUse(f"'{what}' does not grow here; choose stem or leader")
    if vigour not in VIGOURS:
        raise CannotUse(f"'{vigour}' is no vigour; choose one of {', '.join(VIGOURS)}")
    groups, key = _data()["groups"], group_of(species)
    ranges = [groups[one][vigour][what] for one in ([key] if key else groups)]
    middles = [middle for _, middle, _ in ranges]
    scale = (10.0 if what == "leader" else 1.0) * (float(_data()["shelter"][what]) if in_tube else 1.0)
    least, most = min(low for low, _, _ in ranges), max(high for _, _, high in ranges)
    return Rate(least * scale, float(np.exp(np.mean(np.log(middles)))) * scale, most * scale)


def with_tenth(rates: np.ndarray) -> np.ndarray:
    """Rates with the one that a tenth of plants exceeds.

    Parameters
    ----------
    rates : (n, 3) array
        Least, middle and most [mm a season].

    Returns
    -------
    (n, 4) array
        Least, middle, exceeded by a tenth, most [mm a season]. Between the middle and the most the logarithm is taken
        as one half of a normal distribution.

    References
    ----------
    .. [1] Our own.
    """
    least, middle, most = np.asarray(rates, float).T
    return np.stack([least, middle, middle * (most / middle) ** (_Z90 / _Z95), most], axis=1)


def _slopes(count: int, middle: np.ndarray, plant: np.ndarray, seasons: np.ndarray, sizes_mm: np.ndarray,
            sigma_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Which plants tell how they grew, their slopes, and the variances of the slopes from measuring and from the years.

    A plant tells it with two measurements a third of a season apart or more.
    """
    n = np.bincount(plant, minlength=count)
    away = seasons - (np.bincount(plant, seasons, count) / np.maximum(n, 1))[plant]
    spread = np.bincount(plant, away**2, count)
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, plant, seasons)
    np.maximum.at(high, plant, seasons)
    told = (n >= 2) & (high - low >= 1 / 3)
    slope = np.bincount(plant, away * sizes_mm, count)[told] / spread[told]
    years = (YEARS_DIFFER * middle[told]) ** 2 / np.maximum(1.0, (high - low)[told])
    return told, slope, sigma_mm**2 / spread[told], years


def _sure(sigma_mm: float) -> None:
    if not 0 < sigma_mm < 1e6:
        raise CannotUse(f"'{sigma_mm}' is no standard error of a measurement in mm")


def _around(middle: np.ndarray, variance: np.ndarray, least_ever: np.ndarray) -> np.ndarray:
    """Least, middle and most of normal distributions; below the middle their logarithms, so that all stay above 0."""
    middle = np.maximum(middle, 0.1 * least_ever)
    half = _Z95 * np.sqrt(variance)
    return np.stack([middle * np.exp(-half / middle), middle, middle + half], axis=1)


def measured_rates(default: np.ndarray, plant: np.ndarray, seasons: np.ndarray, sizes_mm: np.ndarray,
                   sigma_mm: float) -> np.ndarray:
    """The rates that the plants' own measurements give, weighed with the usual ones by their variances.

    Parameters
    ----------
    default : (n, 3) array
        Least, middle and most of each plant [mm a season].
    plant : (m,) array of int
        Row of the plant that each measurement is of [no unit].
    seasons : (m,) array
        When it was measured, see `season_count` [season].
    sizes_mm : (m,) array
        What was measured [mm].
    sigma_mm : float
        Standard error of each measurement [mm].

    Returns
    -------
    (n, 3) array
        [mm a season]. Where a plant has fewer than two measurements, or all within a third of a season, the usual rate
        stands.

    Raises
    ------
    CannotUse
        For no standard error.

    Notes
    -----
    Years differ by about 30 % of the usual rate from each other (our choice): a few seasons do not tell the coming
    ones exactly. Below the middle the logarithm of the rate is taken as normal, since no stem shrinks. The weight
    does not depend on the slope, so that a plant that grew more is never said to grow less.

    References
    ----------
    Taylor 1997, An Introduction to Error Analysis, chapter 7.
    """
    _sure(sigma_mm)
    told, slope, measuring, years = _slopes(len(default), default[:, 1], plant, seasons, sizes_mm, sigma_mm)
    least, middle, most = default[told].T
    own, usual = measuring + years, ((most - least) / (2 * _Z95)) ** 2
    weight = own / (own + usual)
    rates = default.copy()
    rates[told] = _around(weight * middle + (1 - weight) * slope, own * usual / (own + usual), least)
    return rates


def rates_of_kin(default: np.ndarray, kin: np.ndarray, plant: np.ndarray, seasons: np.ndarray, sizes_mm: np.ndarray,
                 sigma_mm: float) -> np.ndarray:
    """The usual rates, moved by how the other plants of the same kin grew.

    Parameters
    ----------
    default : (n, 3) array
        Least, middle and most of each plant, alike within a kin [mm a season].
    kin : (n,) array of int
        Plants of one planting, species and vigour share a number [no unit].
    plant, seasons, sizes_mm, sigma_mm
        The measurements, shape and unit of each as for `measured_rates`.

    Returns
    -------
    (n, 3) array
        [mm a season]. A plant's own measurements are left out of its own rate, so that `measured_rates` may follow.
        Where no other plant of the kin tells how it grew, the usual rate stands; a rate is never wider than that.

    Raises
    ------
    CannotUse
        For no standard error.

    References
    ----------
    Gelman et al. 2013, Bayesian Data Analysis, 5.4: groups with known variances. Half of the usual variance is between
    plantings (SHARED) and all trees of one share its good and bad years (YEARS_DIFFER); both are our choice.
    """
    _sure(sigma_mm)
    told, slope, measuring, years = _slopes(len(default), default[:, 1], plant, seasons, sizes_mm, sigma_mm)
    if not told.any():
        return default
    count = int(kin.max()) + 1
    usual = ((default[:, 2] - default[:, 0]) / (2 * _Z95)) ** 2
    weight = np.zeros(len(default))
    weight[told] = 1 / ((1 - SHARED) * usual[told] + measuring)
    pull = np.zeros(len(default))
    pull[told] = weight[told] * slope
    shaken = np.zeros(len(default))
    shaken[told] = years
    many = np.bincount(kin, told, count)[kin] - told
    heavy = np.bincount(kin, weight, count)[kin] - weight
    of_years = (np.bincount(kin, shaken, count)[kin] - shaken) / np.maximum(many, 1)
    moved = many > 0
    mean = (np.bincount(kin, pull, count)[kin] - pull)[moved] / heavy[moved]
    seen, before = 1 / heavy[moved] + of_years[moved], SHARED * usual[moved]
    middle = (seen * default[moved, 1] + before * mean) / (seen + before)
    rates = default.copy()
    rates[moved] = _around(middle, seen * before / (seen + before) + (1 - SHARED) * usual[moved], default[moved, 0])
    return rates


def _growing(climate: str) -> tuple[float, float]:
    """Start and end of the growing season, in months from the start of the year of growth."""
    if climate not in CLIMATES:
        raise CannotUse(f"'{climate}' is no climate; choose one of {', '.join(CLIMATES)}")
    months = _data()["seasons"][climate]
    return months["first"] - 1.0, float(months["last"])


def season_count(days: Any, climate: str = "mild", south: Any = False) -> np.ndarray:
    """Growing seasons passed since 1970 at each day, the running one as a share of it.

    Parameters
    ----------
    days : array_like
        Dates, or anything that numpy reads as days [no unit].
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool or array of bool
        South of the equator, where the year of growth starts in July; one for all or one a day [no unit].

    Returns
    -------
    array
        [season]. Counted by months, so that leap years move nothing.

    Raises
    ------
    CannotUse
        For another climate, and for what is no day.

    Examples
    --------
    >>> float(season_count("2026-07-01")), float(season_count("2026-12-24"))
    (56.5, 57.0)
    """
    start, end = _growing(climate)
    try:
        day = np.asarray(days, "datetime64[D]")
    except ValueError:
        raise CannotUse(f"'{days}' is no day; write YYYY-MM-DD") from None
    month = day.astype("datetime64[M]")
    first = month.astype("datetime64[D]")
    length = ((month + 1).astype("datetime64[D]") - first).astype(int)
    passed = month.astype(int) + (day - first).astype(int) / length - np.where(south, 6, 0)
    year = np.floor(passed / 12)
    return year + np.clip((passed - 12 * year - start) / (end - start), 0.0, 1.0)


def day_of_season(seasons: Any, climate: str = "mild", south: Any = False) -> np.ndarray:
    """The first day at which so many seasons have passed: the inverse of `season_count`.

    Parameters
    ----------
    seasons : array_like
        Seasons since 1970; not finite for never [season].
    climate, south
        As for `season_count` [no unit].

    Returns
    -------
    array of datetime64[D]
        Far in the future for never.

    Raises
    ------
    CannotUse
        For another climate.
    """
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
