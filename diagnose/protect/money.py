"""What does a barrier cost over its life, in today's money, and from which area on is a fence cheaper than guards?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, a_whole, above_nought, from_nought

LEAST_LIFE_YEARS = 0.01  # our choice


def sum_of(lines: Iterable[tuple[float, float]]) -> float:
    """Sum of quantity times price.

    Parameters
    ----------
    lines
        Quantity and price of each line [unit of the line, money a unit of it].

    Returns
    -------
    float
        [money]

    Raises
    ------
    CannotUse
        For what is no number, or no pair.
    """
    try:
        return sum(a_number(quantity, "A quantity") * a_number(price, "A price") for quantity, price in lines)
    except ValueError:
        raise CannotUse("Each line has a quantity and a price.") from None


def present_value(yearly: Sequence[float], rate: float) -> float:
    """Net present value: today's worth of payments at the ends of years 0, 1, 2, ... (year 0 is today), discounted.

    Parameters
    ----------
    yearly
        Payments at the ends of years 0, 1, 2, ... [money].
    rate
        Of interest a year, above -1; 0.03 is 3 % [no unit].

    Returns
    -------
    float
        [money]

    Raises
    ------
    CannotUse
        For a rate or a payment that is none.

    References
    ----------
    .. [1] The usual discounting, sum of payment / (1 + rate)^year; numpy-financial's npv counts the same way.
    """
    if a_number(rate, "The rate") <= -1:
        raise CannotUse(f"A rate of interest lies above -1 (0.03 is 3 %), not at {rate:g}.")
    return sum(a_number(paid, "A payment") / (1 + rate) ** year for year, paid in enumerate(yearly))


def yearly_cost(first: float, life_years: float, rate: float, upkeep_share: float) -> dict[str, float]:
    """Yearly cost: straight-line depreciation, interest on the average sum bound and upkeep.

    Parameters
    ----------
    first
        First cost [money].
    life_years
        How long it lasts, above 0 [year].
    rate
        Of interest a year; 0.03 is 3 % [no unit].
    upkeep_share
        Upkeep a year as a share of the first cost [no unit].

    Returns
    -------
    dict of str to float
        depreciation, interest, upkeep and their total [money a year].

    Raises
    ------
    CannotUse
        For a cost, life or share that cannot be.

    References
    ----------
    .. [1] Iowa State University Extension, Estimated costs for livestock fencing, table 6 (ISU-F).
    """
    from_nought(first, "The first cost"), above_nought(life_years, "The life")
    a_number(rate, "The rate"), from_nought(upkeep_share, "The share for upkeep")
    parts = {"depreciation": first / life_years, "interest": first / 2 * rate, "upkeep": first * upkeep_share}
    return parts | {"total": sum(parts.values())}


def break_even_area(fence_a_m: float, guard_a_tree: float, trees_a_ha: float, shape: float = 4.0) -> float:
    """Area above which a fence costs less than guards.

    Parameters
    ----------
    fence_a_m
        Of the fence [money a metre].
    guard_a_tree
        Of a guard [money a tree].
    trees_a_ha
        How densely trees stand [1/ha].
    shape
        Perimeter over the root of the area, 4 for a square, 3.545 for a circle [no unit].

    Returns
    -------
    float
        [ha]

    Raises
    ------
    CannotUse
        For a figure that is not above zero.

    Notes
    -----
    From shape x sqrt(10,000 A) x fence = trees x A x guard follows A = (100 shape fence / (trees guard))^2.

    References
    ----------
    .. [1] Our own.
    """
    for told in (fence_a_m, guard_a_tree, trees_a_ha, shape):
        a_number(told, "What a break-even is reckoned from")
    if min(fence_a_m, guard_a_tree, trees_a_ha, shape) <= 0:
        raise CannotUse("a break-even needs a fence price, a guard price and a number of trees above zero")
    return (100 * shape * fence_a_m / (trees_a_ha * guard_a_tree)) ** 2


def over_the_years(first: float, upkeep: float, renewal: float, life_years: float, removal: float,
                   years: int) -> list[float]:
    """Payments of years 0 .. years: first cost, upkeep each year, renewal when a life ends, removal at the end.

    Parameters
    ----------
    first
        First cost, in year 0 [money].
    upkeep
        Of each later year [money a year].
    renewal
        Each time when a life ends before the last year [money].
    life_years
        How long it lasts [year].
    removal
        At the end [money].
    years
        Whole years, 0 to 1000 [year].

    Returns
    -------
    list of float, length years + 1
        [money]

    Raises
    ------
    CannotUse
        For a life under LEAST_LIFE_YEARS, or figures that are none.
    """
    a_whole(years, "Years", 0, 1000)
    if above_nought(life_years, "The life") < LEAST_LIFE_YEARS:
        raise CannotUse(f"What lives less than {LEAST_LIFE_YEARS:g} years is not renewed but bought by the day.")
    for told in (first, upkeep, renewal, removal):
        a_number(told, "A payment")
    paid = [0.0] * (years + 1)
    paid[0] += first
    for year in range(1, years + 1):
        paid[year] += upkeep
    for turn in range(1, math.ceil(years / life_years)):
        paid[min(years, math.floor(turn * life_years))] += renewal
    paid[years] += removal
    return paid
