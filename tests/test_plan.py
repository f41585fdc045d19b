"""A plan stops what it says, says what it does not stop, and stays the same everywhere."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.cannot_use import CannotUse
from diagnose.protect.ground import square_ground
from diagnose.protect.plan import disagreement, plan_for
from diagnose.protect.planting import planting
from diagnose.protect.requirement import sources

LAND = square_ground(5_000)
VERDICT = {"deer_browsing": 0.6, "rabbit": 0.3, "vole_surface": 0.1}
ANIMALS = ["deer_browsing", "rabbit", "vole_surface", "beaver", "tree_squirrel", "grouse", "weevil", "livestock_browsing"]

# every value that protection sources give where they disagree, with its source
PUBLISHED = {
    "energiser_joules": {(1, "GERRISH"), (1, "UME-E")},
    "line_volts": {(3000, "HYG-1S"), (4000, "FRORG"), (5000, "MNDNR-E")},
    "vole_burial": {(0, "EXT-VOLE"), (50, "MLF"), (150, "KSU-VOLE")},
    "rabbit_snow_margin": {(450, "UNL-RABBIT"), (600, "UVM-RABBIT"), (900, "SDSU-RABBIT")},
    "fence_or_guards": {(3.0, "GOVUK-MAM"), (0.2, "FNR486")},
    "fence_life": {(20, "ME382"), (30, "VC06")},
    "rub_diameter": {(50, "WEAK"), (75, "WEAK"), (100, "WEAK")},
    "inner_plane": {(3, "AU-3D"), (0, "LSU-3D")},
    "tube_removal": {(50, "WEAK"), (75, "WEAK")},
    "tube_foot": {(0, "TE5"), (0, "FGS-shelter"), (100, "WEAK")},
    "sign_spacing": {(10, "ELSAK"), (50, "MEM")},
    "beaver_hex_netting": {(31, "BC3"), (None, "SALEM")},
}


@pytest.mark.parametrize("topic", sorted(PUBLISHED))
def test_a_disagreement_yields_all_its_values_their_sources_and_the_chosen_one(topic: str) -> None:
    told = disagreement(topic)
    assert {(value["value"], value["source"]) for value in told["values"]} >= PUBLISHED[topic]
    assert {value["source"] for value in told["values"]} | {told["chosen"]["source"]} <= set(sources())
    assert told["why"]


@settings(max_examples=20, deadline=None)
@given(st.dictionaries(st.sampled_from(ANIMALS), st.floats(0, 1), min_size=1, max_size=4))
def test_no_stated_culprit_is_left_unstopped_without_saying_so(culprits: dict) -> None:
    place = planting(LAND, 100, culprits)
    try:
        plan = plan_for(place)
    except CannotUse:
        assert not set(culprits) & {"deer_browsing", "rabbit", "vole_surface", "beaver", "livestock_browsing"}
        return
    for culprit in culprits:
        if culprit not in plan.chosen.stops:
            assert any(line.startswith(culprit.replace("_", " ")) for line in plan.unstopped)


def test_a_plan_without_a_wound_is_expected_not_diagnosed() -> None:
    assert plan_for(planting(LAND, 100, ["deer"])).basis == "expected, not diagnosed"
    assert plan_for(planting(LAND, 100, ["deer"], diagnosed=True)).basis == "diagnosed"


def test_a_plan_becomes_json_and_frames_with_the_same_figures() -> None:
    plan = plan_for(planting(LAND, 100, VERDICT), VERDICT)
    told = json.loads(json.dumps(plan.as_json()))
    assert told["chosen"]["total_cost"] == plan.options_frame()["total_cost"].iloc[0]
    assert [line["item"] for line in told["materials"]] == list(plan.as_frame()["item"])


def test_being_certain_is_never_worth_less_than_nothing_and_costs_follow_the_verdict() -> None:
    plan = plan_for(planting(LAND, 100, VERDICT, damage="severe", prices={"tree": 100}), VERDICT)
    assert plan.doubt is not None
    assert plan.doubt.worth_knowing >= 0 and plan.doubt.regret >= 0
    assert plan.doubt.expected <= plan.doubt.chosen_expected


def test_when_the_verdict_is_certain_nothing_is_left_to_find_out() -> None:
    plan = plan_for(planting(LAND, 100, {"deer_browsing": 1.0}), {"deer_browsing": 1.0})
    assert plan.doubt is not None and plan.doubt.worth_knowing == pytest.approx(0, abs=1e-6)


def test_a_fence_breaks_even_where_fence_and_guards_cost_the_same() -> None:
    here = plan_for(planting(LAND, 550, ["deer"])).break_even
    assert here is not None
    side = (10_000 * here.area_ha) ** 0.5
    trees = 1100 * here.area_ha
    assert 4 * side * here.fence_a_m == pytest.approx(trees * here.guards_a_tree, rel=1e-6)


def test_a_budget_too_small_gets_one_line_with_what_it_would_take() -> None:
    with pytest.raises(CannotUse, match="too small") as said:
        plan_for(planting(LAND, 100, ["deer"], budget=5.0))
    assert "\n" not in str(said.value)


def test_a_plan_keeps_within_its_budget() -> None:
    plan = plan_for(planting(LAND, 100, VERDICT, budget=1500.0))
    assert all(option.first <= 1500 for option in (plan.chosen, *plan.others))


def test_nobody_is_sold_a_barrier_against_frost_or_insects() -> None:
    for cause in ("frost", "weevil", "herbicide"):
        with pytest.raises(CannotUse, match="no barrier"):
            plan_for(planting(LAND, 100, [cause]))


def test_cautions_stand_where_they_apply() -> None:
    fence = plan_for(planting(LAND, 100, ["deer"], spec={"barrier": "electric_strands"}))
    assert any("60335-2-76" in line and "dry grass" in line for line in fence.cautions)
    tube = plan_for(planting(LAND, 100, ["deer"], spec={"barrier": "solid_tube"}))
    assert any("wasps" in line for line in tube.cautions)
    assert not any("dry grass" in line for line in tube.cautions)


# VerCauteren et al. 2010: 100 % held at 2.4 m, 85 % at 2.1 m
def test_a_tall_fence_says_what_three_hundred_millimetres_less_mean() -> None:
    fence = plan_for(planting(LAND, 100, ["deer"], spec={"barrier": "woven_wire"}))
    assert any("2400 mm about 100 %" in line and "85 %" in line for line in fence.fails)
    assert [row["share_of_white_tails_held"] for row in fence.as_json()["fence_heights"]] == [0, 0.14, 0.85, 1]
