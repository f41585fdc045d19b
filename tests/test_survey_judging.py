"""Published tolerances: the interval decides, each with its source."""

from __future__ import annotations

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.survey.judging import ABOVE, OPEN, WITHIN, band, fitting, judge, own_target, tolerances
from diagnose.survey.proportion import clustered, independent


def test_the_interval_decides_not_the_estimate() -> None:
    target = own_target(0.3)
    assert judge(independent(60, 100), target).verdict == ABOVE
    assert judge(independent(5, 100), target).verdict == WITHIN
    assert judge(independent(35, 100), target).verdict == OPEN
    assert judge(clustered([3], [10]), target).verdict == OPEN  # one plot


def test_a_range_is_exceeded_above_its_upper_and_kept_below_its_lower_end() -> None:
    sycamore = fitting("Sycamore")[0]
    assert (sycamore.low, sycamore.high) == (0.20, 0.40)  # Eiberle & Nigg 1987
    assert judge(independent(30, 100), sycamore).verdict == OPEN
    assert judge(independent(8, 100), sycamore).verdict == WITHIN
    assert judge(independent(60, 100), sycamore).verdict == ABOVE


def test_silver_fir_is_judged_by_its_belt() -> None:
    assert [t.low for t in fitting("silver fir")] == [0.19, 0.09, 0.052]  # Eiberle & Nigg 1987, by belt


def test_a_species_without_a_published_tolerance_has_none() -> None:
    assert fitting("hornbeam") == []


def test_every_tolerance_has_a_source_and_every_judgement_its_caution() -> None:
    assert all(t.source and t.tag in ("read", "quoted", "memory") and 0 < t.low <= t.high < 1 for t in tolerances())
    found = judge(independent(35, 100), tolerances()[0])
    assert "not harm" in found.caution and tolerances()[0].source in found.words


def test_all_bands_that_the_interval_touches_are_named() -> None:
    assert band(independent(0, 500)) == ("level 0",)
    assert band(independent(60, 400)) == ("level 1",)  # 11.8 to 18.8 %
    assert band(independent(10, 40)) == ("level 1", "level 2")  # 14 to 40 %


def test_a_target_in_percent_is_refused() -> None:
    with pytest.raises(CannotUse, match=r"0\.1 for 10"):
        own_target(10)
