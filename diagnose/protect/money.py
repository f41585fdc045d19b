"""What does a barrier cost over its life, in today's money, and from which area on is a fence cheaper than guards?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from diagnose.cannot_use import CannotUse


def sum_of(lines: Iterable[tuple[float, float]]) -> float:
    """Sum of quantity times price."""
    return sum(quantity * price for quantity, price in lines)


def present_value(yearly: Sequence[float], rate: float) -> float:
    """Today's worth of payments at the ends of years 0, 1, 2, ... (year 0 is today).

    References: the usual discounting, sum of payment / (1 + rate)^year; numpy-financial's npv counts the same way.
    """
    return sum(paid / (1 + rate) ** year for year, paid in enumerate(yearly))


def yearly_cost(first: float, life_years: float, rate: float, upkeep_share: float) -> dict[str, float]:
    """Straight-line depreciation, interest on the average sum bound and upkeep, all a year.

    References: Iowa State University Extension, Estimated costs for livestock fencing, table 6 (ISU-F).
    """
    parts = {"depreciation": first / life_years, "interest": first / 2 * rate, "upkeep": first * upkeep_share}
    return parts | {"total": sum(parts.values())}


def break_even_area(fence_a_m: float, guard_a_tree: float, trees_a_ha: float, shape: float = 4.0) -> float:
    """Area [ha] above which a fence costs less than guards.

    fence_a_m : money a metre of fence. shape : perimeter over the root of the area, 4 for a square, 3.545 for a circle.
    From shape x sqrt(10,000 A) x fence = trees x A x guard follows A = (100 shape fence / (trees guard))^2.
    """
    if min(fence_a_m, guard_a_tree, trees_a_ha, shape) <= 0:
        raise CannotUse("a break-even needs a fence price, a guard price and a number of trees above zero")
    return (100 * shape * fence_a_m / (trees_a_ha * guard_a_tree)) ** 2


def over_the_years(first: float, upkeep: float, renewal: float, life_years: float, removal: float,
                   years: int) -> list[float]:
    """Payments of years 0 .. years: first cost, upkeep each year, renewal when a life ends, removal at the end."""
    paid = [0.0] * (years + 1)
    paid[0] += first
    for year in range(1, years + 1):
        paid[year] += upkeep
    for turn in range(1, math.ceil(years / life_years)):
        paid[min(years, math.floor(turn * life_years))] += renewal
    paid[years] += removal
    return paid
