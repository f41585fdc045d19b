"""Numbers with their uncertainty are written one way."""

import pytest

from diagnose.figures import figure, in_inches, length, percent
from diagnose.signs import Answer, Bounded, Measured, Shares


# JCGM 100:2008 (GUM) 7.2.6: at most two digits of the uncertainty, the value to the same place
@pytest.mark.parametrize(
    ("value", "sigma", "text"),
    [(37.234, 0.61, "37.2 ± 0.6°"), (37.26, 0.14, "37.26 ± 0.14°"), (101.7, 23.0, "102 ± 23°")],
)
def test_a_value_is_written_to_the_place_of_its_uncertainty(value: float, sigma: float, text: str) -> None:
    assert figure("seen_slope_deg", Measured(value, sigma)) == text


def test_an_inch_is_twenty_five_point_four_millimetres() -> None:
    assert figure("end_diameter_mm", Measured(25.4, 2.54), inches=True) == "1.00 ± 0.10 in"
    assert length(304.8 * 5, inches=True) == "5.0 ft"
    assert length(6.35, inches=True) == "0.25 in"


def test_lengths_of_barriers_read_in_millimetres_then_metres() -> None:
    assert (length(6), length(450), length(1500)) == ("6 mm", "450 mm", "1.50 m")


def test_nobody_is_told_that_something_is_certain_or_impossible() -> None:
    assert percent(0.0) == "under 1 %"
    assert percent(1.0) == "over 99 %"
    assert percent(0.814) == "81 %"


def test_intervals_shares_and_answers_read_as_words() -> None:
    assert figure("true_slope_deg", Bounded(41.2, 68.4)) == "41 to 68°"
    assert figure("end_form", Shares({"torn": 0.2, "clean": 0.8})) == "clean 80 %, torn 20 %"
    assert figure("droppings", Answer("round_pellets")) == "round pellets"


# 1 inch is 25.4 mm and 1 foot 0.3048 m by definition
@pytest.mark.parametrize(("metric", "american"), [
    ("stake 25 x 25 mm, at least 305 mm deep", "stake 0.98 x 0.98 in, at least 12 in deep"),
    ("gap at most 50.8 mm", "gap at most 2 in"),
    ("0.9 to 1.2 m across", "2.95 to 3.94 ft across"),
    ("12 m2, 5 kg, 3 mi, FNR486", "12 m2, 5 kg, 3 mi, FNR486"),
])
def test_words_are_turned_into_inches_and_feet(metric: str, american: str) -> None:
    assert in_inches(metric) == american
