"""Energiser, earth and the heights that deer respect follow the published rules."""

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.protect.electric import METRES_PER_MILE, clear_of_lines, energiser, held_share, rods_for


# University of Maine Extension: a mile of four wires counts as four miles; J. Gerrish: one joule a mile of fence
def test_both_rules_for_joules_are_shown_and_the_larger_is_bought() -> None:
    power = energiser(METRES_PER_MILE, 4)
    assert (power.joules_by_fence, power.joules_by_wire, power.joules) == (1, 4, 4)
    assert power.as_json()["by_live_wire"]["source"] == "UME-E"


# Minnesota DNR: three rods at least; J. Gerrish: 6 J need three rods of 6 ft
def test_earth_rods_grow_with_the_joules_and_are_never_under_three() -> None:
    assert [rods_for(joules) for joules in (0.1, 6, 6.1, 12)] == [3, 3, 4, 6]


# VerCauteren et al. 2010: share of white-tailed deer held
@pytest.mark.parametrize(("height", "share"), [(1200, 0), (1500, 0), (1800, 0.14), (2100, 0.85), (2400, 1), (3000, 1)])
def test_a_fence_holds_the_share_of_the_jump_trial(height: float, share: float) -> None:
    assert held_share(height) == pytest.approx(share)


def test_a_fence_without_length_or_live_wire_is_refused() -> None:
    for wrong in ((0, 1), (100, 0), (float("nan"), 2)):
        with pytest.raises(CannotUse):
            energiser(*wrong)


# IEC 60335-2-76, annex BB, as reprinted in energiser manuals: 3 m to 1 kV, 4 m to 33 kV, 8 m above; no wire over 3 m near it
@pytest.mark.parametrize(("kilovolts", "clear", "beside"), [(0.4, "3 m clear", "at least 2 m"), (20, "4 m clear",
    "at least 15 m"),
                                                            (110, "8 m clear", "at least 15 m")])
def test_a_live_fence_keeps_clear_of_overhead_lines(kilovolts: float, clear: str, beside: str) -> None:
    told = clear_of_lines(kilovolts)
    assert clear in told and beside in told and "right angles" in told and "higher than 3 m" in told


def test_dry_ground_takes_twice_the_earth_rods() -> None:
    assert energiser(1000, 4, dry=True).rods == 2 * energiser(1000, 4).rods
