"""Money over the years is counted as independent software and published examples count it."""

import numpy_financial
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.cannot_use import CannotUse
from diagnose.protect.money import break_even_area, over_the_years, present_value


@given(st.lists(st.floats(-1e5, 1e5), min_size=1, max_size=40), st.floats(0, 0.3))
def test_present_value_is_that_of_numpy_financial(paid: list[float], rate: float) -> None:
    assert present_value(paid, rate) == pytest.approx(numpy_financial.npv(rate, paid), rel=1e-9, abs=1e-6)


# hand-worked: 1000 now, 50 a year, renewed after 5 of 10 years, 100 at the end, 3 %
def test_a_life_shorter_than_the_years_is_paid_twice() -> None:
    paid = over_the_years(1000, 50, 1000, 5, 100, 10)
    assert paid == [1000, 50, 50, 50, 50, 1050, 50, 50, 50, 50, 150]
    assert over_the_years(1000, 0, 1000, 10, 0, 10)[1:] == [0] * 10


# grants of FG9 (7.20 a metre, 2015) and TE5 (1.60 a tube): 2.68, 1.27 and 0.52 ha
@pytest.mark.parametrize(("trees", "area"), [(1100, 2.68), (1600, 1.27), (2500, 0.52)])
def test_the_break_even_of_the_english_grants_is_reached(trees: int, area: float) -> None:
    assert break_even_area(7.20, 1.60, trees) == pytest.approx(area, abs=0.005)


@given(st.floats(0.1, 50), st.floats(0.1, 50), st.floats(10, 5000))
def test_at_the_break_even_fence_and_guards_cost_the_same(fence: float, guard: float, trees: float) -> None:
    area = break_even_area(fence, guard, trees)
    assert 4 * (10_000 * area) ** 0.5 * fence == pytest.approx(trees * area * guard, rel=1e-9)


def test_a_free_fence_has_no_break_even() -> None:
    with pytest.raises(CannotUse):
        break_even_area(0, 1, 1000)
