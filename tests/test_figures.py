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
    assert length(304.8 * 5, inches=True) == "5 ft"
    assert length(6.35, inches=True) == "1/4 in"


# sizes as they are sold: 1/4 in hardware cloth, a 4 ft tube (1.2 m), 8 ft woven wire (2.4 m)
@pytest.mark.parametrize(("mm", "bound", "words"), [
    (6.4, "most", "1/4 in"), (12.7, "most", "1/2 in"), (6, "most", "3/16 in"), (31, "most", "1 1/4 in"), (25.4, "", "1 in"),
    (1200, "least", "4 ft"), (2438, "least", "8 ft"), (457, "", "18 in"), (75, "least", "3 in"), (100, "most", "4 in"),
    (98, "most", "3 3/4 in"),
    (1524, "", "5 ft"), (1500, "least", "5 ft"), (1800, "most", "5 ft 10 in"),
    (1829, "", "6 ft"), (3350, "", "11 ft"), (2.5, "", "0.098 in"),
])
def test_inches_are_those_of_a_rule_and_a_limit_is_never_moved_past(mm: float, bound: str, words: str) -> None:
    assert length(mm, inches=True, bound=bound) == words


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
    ("stake 25 x 25 mm, at least 305 mm deep", "stake 1 x 1 in, at least 12 in deep"),
    ("gap at most 50.8 mm", "gap at most 2 in"),
    ("0.9 to 1.2 m across", "3 to 4 ft across"),
    ("12 m2, 5 kg, 3 mi, FNR486", "12 m2, 5 kg, 3 mi, FNR486"),
])
def test_words_are_turned_into_inches_and_feet(metric: str, american: str) -> None:
    assert in_inches(metric) == american


@pytest.mark.parametrize(("metric", "american"), [
    ("at least 4 m clear of it", "at least 13.25 ft clear of it"),  # 13.12 ft
    ("at least 10 m from any earth", "at least 33 ft from any earth"),
    ("no wire higher than 3 m", "no wire higher than 9.75 ft"),  # 9.84 ft
    ("at most 6.1 m apart", "at most 20 ft apart"),  # 20.01 ft
    ("at least 3.05 m apart", "at least 10 ft apart"),  # 10.01 ft
])
def test_a_distance_that_keeps_people_safe_is_not_shortened_by_rounding(metric: str, american: str) -> None:
    assert in_inches(metric) == american
