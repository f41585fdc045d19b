"""Dates, rates and months agree with examples worked by hand and with what was published (reference_cases/upkeep)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diagnose.knowledge import read_yaml
from diagnose.upkeep.growth import Rate, default_rate, measured_rates
from diagnose.upkeep.outlook import FAR, Days, Standing, when
from diagnose.upkeep.season import of_month

_FILE = Path(__file__).parent.parent / "reference_cases" / "upkeep" / "cases.yaml"
CASES = read_yaml(_FILE)


def _of(kind: str) -> Any:
    return pytest.mark.parametrize("case", CASES[kind], ids=[case["id"] for case in CASES[kind]])


@_of("dates")
def test_dates_agree_with_those_worked_by_hand(case: dict[str, Any]) -> None:
    given = dict(case["given"])
    climate, south = given.pop("climate"), given.pop("south", False)
    rates = {f"{what}_rate": Rate(*given.pop(f"{what}_rate")) for what in ("stem", "leader")}
    outlook = when(Standing(**{**given, "culprits": tuple(given["culprits"])}, **rates), climate, south)
    for name in ("tight", "widen_by", "safe"):
        if name in case:
            said = Days(FAR, FAR, FAR) if case[name] == "never" else Days(*case[name])
            assert getattr(outlook, name) == said, name
    if "tenth" in case:
        assert outlook.tenth == case["tenth"]
    if "swap" in case:
        assert outlook.swap is case["swap"]


@_of("rates")
def test_a_plants_own_growth_weighs_as_worked_by_hand(case: dict[str, Any]) -> None:
    given = case["given"]
    own = np.array(given["seasons"], float), np.array(given["sizes_mm"], float)
    found = measured_rates(np.array([given["default"]], float), np.zeros(len(own[0]), int), *own, given["sigma_mm"])
    assert found[0] == pytest.approx(case["rate"], abs=2e-3)


def test_oaks_leave_their_tubes_when_published_oaks_do() -> None:
    case = next(one for one in CASES["published_growth"] if one["id"] == "oaks_leave_a_tube_of_1200_mm")
    rate = default_rate("leader", case["given"]["species"], case["given"]["vigour"], in_tube=True)
    least, most = case["seasons"]
    assert least <= (case["given"]["tube_mm"] - 300) / rate.middle <= most  # a seedling of 300 mm


def test_a_tube_speeds_height_and_slows_girth_within_what_was_published() -> None:
    case = next(one for one in CASES["published_growth"] if one["id"] == "height_in_a_tube_over_the_open")
    faster = default_rate("leader", "oak", in_tube=True).middle / default_rate("leader", "oak").middle
    assert case["leader_factor"][0] <= faster <= case["leader_factor"][1]
    assert default_rate("stem", "oak", in_tube=True).middle / default_rate("stem", "oak").middle < case["stem_factor_below"]


@_of("year")
def test_the_years_work_falls_in_the_published_season_on_both_halves_of_the_earth(case: dict[str, Any]) -> None:
    assert case["task"] in {task.key for task in of_month(case["north"], "mild")}
    assert case["task"] in {task.key for task in of_month(case["south"], "mild", south=True)}
    assert case["task"] not in {task.key for task in of_month(case["south"], "mild")}
