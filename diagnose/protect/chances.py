"""How many trees live, year by year, when who is there, how bad the years are and how well a barrier holds are uncertain?"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from functools import cache
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.cannot_use import CannotUse
from diagnose.given import a_share, a_whole, above_nought, from_nought
from diagnose.knowledge import knowledge

WORLDS = 400  # drawn worlds, the same for every plan, so that plans differ only by what they do
HOLD_SPREAD = 0.5  # standard deviation of what a barrier lets through, on the log-odds scale; our own choice
LEAST_LIFE, MOST_LIFE = 0.6, 1.6  # shortest and longest life as shares of the usual one, where no least is known; ours
Floats = NDArray[np.float64]


def outbreaks() -> dict[str, Any]:
    """Need -> how often its animals' numbers peak and what they then take, as `outbreaks.yaml` holds it."""
    return knowledge("diagnose.protect", "outbreaks.yaml")


def two_levels(need: str, yearly_loss: float) -> tuple[float, float, float]:
    """Chance of an outbreak in a year, and the share of bare trees lost in a quiet year and in an outbreak.

    Their mean is the yearly loss that was told.

    Parameters
    ----------
    need
        As in `needs.yaml` [no unit].
    yearly_loss
        Share of bare trees lost in a mean year, 0 to 1 [share].

    Returns
    -------
    chance, quiet, peak : float
        The first is a chance a year, 0 to 1, no unit; the others [share]. Without known outbreaks: 0 and the mean twice.

    References
    ----------
    .. [1] `outbreaks.yaml`: how often numbers peak and what they then take, each with its source.
    """
    a_share(yearly_loss, "The yearly loss")
    told = outbreaks().get(need)
    if told is None:
        return 0.0, yearly_loss, yearly_loss
    chance = 1.0 / told["every_years"]
    peak = min(1.0, told["times"] * yearly_loss, yearly_loss / chance)
    return chance, (yearly_loss - chance * peak) / (1 - chance), peak


def expected_alive(presence: Floats, yearly_loss: Floats, let_through: Floats, years: int) -> Floats:
    """Survival expected: share of trees alive at the ends of years 0 .. years.

    Animals are there or not, each by itself, and for all the years; years are drawn anew each time. So the expectation is a
    product over the animals of (1 - p) + p (1 - loss x let through)^year.

    Parameters
    ----------
    presence, yearly_loss : numpy.ndarray, shape (animals,)
        Probability that each is there, and the share of bare trees that it takes in a year, 0 to 1 [no unit].
    let_through : numpy.ndarray, shape (options, animals)
        Share of an animal's damage that gets past, 0 to 1 [share].
    years
        Whole years, 0 to 1000 [year].

    Returns
    -------
    numpy.ndarray, shape (options, years + 1)
        [share]

    Raises
    ------
    CannotUse
        For shares outside 0 to 1, or tables of not as many animals.

    References
    ----------
    .. [1] Our own.
    """
    if not all(((shares >= 0) & (shares <= 1)).all() for shares in (presence, yearly_loss, let_through)):
        raise CannotUse("Presence, yearly loss and what gets past are shares from 0 to 1.")
    if not len(presence) == len(yearly_loss) == let_through.shape[-1]:
        raise CannotUse("Each animal has its presence, its yearly loss and what gets past.")
    year = np.arange(a_whole(years, "Years", 0, 1000) + 1)
    alive = np.ones((len(let_through), years + 1))
    for animal, (chance, loss) in enumerate(zip(presence, yearly_loss, strict=True)):
        kept = 1.0 - loss * let_through[:, animal, None]
        alive *= (1.0 - chance) + chance * kept**year
    return alive


@cache
def _draws(animal: str, years: int) -> tuple[Floats, Floats, Floats]:
    """Presence (worlds,), luck of each year (worlds, years) and of the barrier (worlds,), the same at each call."""
    rng = np.random.default_rng(zlib.crc32(animal.encode()))
    there = (rng.permutation(WORLDS) + 0.5) / WORLDS
    return there, rng.random((WORLDS, years)), rng.standard_normal(WORLDS)


@cache
def _luck_of_trees() -> Floats:
    """Standard normal figures, evenly spread, in an order of their own."""
    normal = NormalDist()
    return np.random.default_rng(7).permutation([normal.inv_cdf((world + 0.5) / WORLDS) for world in range(WORLDS)])


def drawn_alive(animals: Sequence[tuple[str, str, float, float]], let_through: Sequence[float], trees: int,
                years: int) -> Floats:
    """Survival drawn at random (Monte Carlo): trees alive at the ends of years 0 .. years in each of the drawn worlds.

    Parameters
    ----------
    animals
        Of each: key, need, probability that it is there, and share of bare trees that it takes in a year [no unit].
    let_through
        Share of each animal's damage that gets past the barriers, 0 to 1 [share].
    trees
        Planted [trees].
    years
        Whole years, 0 to 1000 [year].

    Returns
    -------
    numpy.ndarray, shape (worlds, years + 1)
        Whole numbers, never rising from year to year [trees].

    Raises
    ------
    CannotUse
        For not as many animals as shares, or figures that are no shares.

    Notes
    -----
    The worlds are the same at each call. The luck of single trees is the binomial's normal approximation.

    References
    ----------
    .. [1] Our own.
    """
    a_whole(trees, "Trees", 0, 1_000_000_000), a_whole(years, "Years", 0, 1000)
    if len(animals) != len(let_through) or any(len(animal) != 4 for animal in animals):
        raise CannotUse(f"{len(animals)} animals and {len(let_through)} shares that get past: give each four figures and a "
                        "share.")
    for past in let_through:
        a_share(past, "What gets past a barrier")
    log_alive = np.zeros((WORLDS, years))
    for (key, need, chance, loss), past in zip(animals, let_through, strict=True):
        a_share(chance, "A probability"), a_share(loss, "A yearly loss")
        if past <= 0 or chance <= 0 or loss <= 0:
            continue
        there, luck, held = _draws(key, years)
        odds, quiet, peak = two_levels(need, loss)
        share = past if past >= 1 else 1 / (1 + np.exp(-(math.log(past / (1 - past)) + HOLD_SPREAD * held)))
        lost = np.where(luck < odds, peak, quiet) * np.reshape(share, (-1, 1))
        log_alive += np.where((there < chance)[:, None], np.log1p(-np.minimum(lost, 1 - 1e-9)), 0.0)
    share = np.exp(np.cumsum(log_alive, axis=1))
    alive = np.full((WORLDS, years + 1), float(trees))
    # the luck of single trees: the binomial's normal approximation
    drawn = trees * share + _luck_of_trees()[:, None] * np.sqrt(trees * share * (1 - share))
    alive[:, 1:] = np.clip(np.rint(drawn), 0, trees) + 0.0  # no minus zero
    return np.minimum.accumulate(alive, axis=1)


def surely(alive: Floats, sureness: float) -> float:
    """The number that is reached with at least this probability.

    Parameters
    ----------
    alive : numpy.ndarray, shape (worlds,)
        Drawn numbers, in any unit.
    sureness
        Probability, 0 to 1 [no unit].

    Raises
    ------
    CannotUse
        Where nothing was drawn.
    """
    a_share(sureness, "The sureness")
    if not len(alive) or np.isnan(alive).any():
        raise CannotUse("Nothing was drawn: there is no number to be sure of.")
    return float(np.quantile(alive, 1 - sureness, method="lower"))


def renewals(usual_years: float, least_years: float | None, years: int) -> Floats:
    """Pieces renewed in each of years 0 .. years, for one piece that is kept up until the trees are out of reach.

    Lives run from the least to MOST_LIFE times the usual one, most often the usual one (a triangle); what fails in the last
    year is not renewed, since the trees are then out of reach.

    Parameters
    ----------
    usual_years
        The usual life, above 0 [year].
    least_years
        The least life [year]; None for LEAST_LIFE times the usual one.
    years
        Whole years, 0 to 1000 [year].

    Returns
    -------
    numpy.ndarray, shape (years + 1,)
        [pieces], none in year 0.

    Raises
    ------
    CannotUse
        For a life or time that cannot be.

    References
    ----------
    .. [1] Renewals by convolution of lives are textbook (Cox 1962, Renewal Theory, from memory); the triangle is our own
       choice.
    """
    above_nought(usual_years, "The usual life"), a_whole(years, "Years", 0, 1000)
    if least_years is not None:
        from_nought(least_years, "The least life")
    least = LEAST_LIFE * usual_years if least_years is None else min(least_years, usual_years)
    most = MOST_LIFE * usual_years
    ends = np.arange(years + 1, dtype=float)
    rising = (np.clip(ends, least, usual_years) - least) ** 2 / max((most - least) * (usual_years - least), 1e-12)
    falling = 1 - (most - np.clip(ends, usual_years, most)) ** 2 / ((most - least) * (most - usual_years))
    failed = np.diff(np.where(ends <= usual_years, np.where(ends <= least, 0.0, rising), falling), prepend=0.0)
    renewed = np.zeros(years + 1)
    for year in range(1, years):
        renewed[year] = failed[year] + sum(renewed[before] * failed[year - before] for before in range(1, year))
    return renewed
