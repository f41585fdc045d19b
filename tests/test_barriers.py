"""Each barrier is sized by what it must hold, and every figure has a source."""

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect import barriers
from diagnose.protect.barriers import (
    KEPT_OUT,
    Part,
    around_stem_mm,
    buildable,
    catalogue,
    checked_spec,
    evidence,
    published,
    published_size,
    sized,
    untested,
    variants,
    wires,
)
from diagnose.protect.ground import square_ground
from diagnose.protect.options import compare
from diagnose.protect.planting import planting
from diagnose.protect.requirement import needs
from diagnose.protect.sources import sources
from tests.conftest import TOP

BODIES = [key for key, need in needs().items() if need["kind"] != "none"]


def _named(told: object) -> list[str]:
    """Source keys of every [value, source, tag] triple below."""
    if isinstance(told, dict):
        return [key for value in told.values() for key in _named(value)]
    if isinstance(told, list) and len(told) == 3 and told[2] in ("R", "2", "D", "M"):
        return [told[1]]
    return [key for value in told for key in _named(value)] if isinstance(told, list) else []


def test_every_figure_names_a_known_source() -> None:
    named = _named(catalogue())
    assert len(named) > 300 and set(named) <= set(sources())
    assert {size["source"] for devices in published().values() for size in devices.values()} <= set(sources())
    assert {trial["source"] for trial in evidence().values()} <= set(sources())


def test_every_barrier_says_what_it_needs_how_it_fails_and_how_one_sees_it() -> None:
    for key in buildable():
        facts = catalogue()[key]
        assert facts["needs"] and facts["fails"] and facts["seen_by"] and facts["buy"]
        assert set(facts["against"]) <= set(needs())


@pytest.mark.parametrize(("key", "fact"), [("woven_wire", "roll_m"), ("mesh_tube", "price"), ("bud_cap", "cost")])
def test_a_barrier_that_lacks_what_planning_needs_is_refused_by_name(
    key: str, fact: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = {key: {name: told for name, told in catalogue()[key].items() if name != fact}}
    monkeypatch.setattr(barriers, "knowledge", lambda _room, _name: written)
    with pytest.raises(CannotUse, match=f"{key} lacks .*{fact}"):
        catalogue.__wrapped__()


def test_plain_strands_never_count_against_deer() -> None:
    assert not any(need.startswith("deer") for need in catalogue()["plain_strands"]["against"])


@given(st.sampled_from(buildable()), st.sets(st.sampled_from(BODIES), min_size=1), st.sampled_from(BODIES),
       st.floats(0, 2000), st.floats(0, 2000))
def test_more_animals_or_snow_never_loosen_or_lower_a_barrier(key: str, some: set[str], more: str, snow: float,
                                                             extra: float) -> None:
    before, after, deeper = sized(key, some, snow), sized(key, some | {more}, snow), sized(key, some, snow + extra)
    if before is None:
        return
    assert after is not None
    assert after.opening_mm <= before.opening_mm and after.top_mm >= before.top_mm and after.burial_mm >= before.burial_mm
    if deeper is not None and deeper.holds == before.holds:
        assert deeper.top_mm >= before.top_mm


def test_a_tube_that_is_not_made_tall_enough_does_not_count() -> None:
    assert sized("solid_tube", ["deer_small"], 1000) is None


# R. Petcher, Auburn (AU-3D): outside one live wire at 18 in, inside three at 18, 36 and 54 in
def test_a_two_plane_fence_has_every_wire_of_its_published_layout_and_is_not_planned_unasked() -> None:
    part = sized("two_planes", ["deer_small"])
    assert part is not None and untested("two_planes")
    told = sorted((wire["plane"], round(wire["height_mm"] / 25.4)) for wire in wires(part))
    assert told == [(1, 18), (2, 18), (2, 36), (2, 54)]
    inner = [wire["height_mm"] for wire in wires(part) if wire["plane"] == 2]
    assert max(high - low for low, high in itertools.pairwise(inner)) <= part.opening_mm + 1
    planned = compare(planting(square_ground(5000), 100, ["deer"]))
    assert not any("two_planes" in option.keys for option in planned)
    asked = compare(planting(square_ground(5000), 100, ["deer"], spec={"barrier": "two_planes"}))
    assert any("two_planes" in option.keys for option in asked)


# forestandrange.org (FRORG): 6 ft, eight wires, lowest four 8 in apart, next 10 to 11 in, live and earth in turn
def test_the_deer_fence_of_wires_is_the_published_one() -> None:
    part = sized("electric_strands", ["deer_small"])
    assert part is not None
    inches = [wire["height_mm"] / 25.4 for wire in wires(part)]
    assert inches[:4] == pytest.approx([8, 16, 24, 32], abs=0.1) and inches[-1] == pytest.approx(72, abs=0.1)
    assert all(9 <= high - low <= 11 for low, high in itertools.pairwise(inches[3:]))
    assert [wire["state"] for wire in wires(part)] == ["live", "earth"] * 4


def test_no_two_wires_stand_closer_than_they_can_be_strung() -> None:
    for slope in (0, 5, 20, 40):
        part = sized("electric_strands", ["deer_small"], slope_percent=slope)
        assert part is not None
        heights = [wire["height_mm"] for wire in wires(part)]
        assert min(high - low for low, high in itertools.pairwise(heights)) >= 150
        assert heights[-1] >= part.top_mm - 20


def test_no_wire_under_the_snow_counts_as_live() -> None:
    part = sized("electric_strands", ["deer_small"], 500)
    assert part is not None
    for wire in wires(part):
        assert wire["state"] != "live" or wire["height_mm"] > 500
    assert sum(wire["state"] == "off" for wire in wires(part)) == 1
    assert sized("electric_strands", ["deer_small"], 800) is None  # too tall to stand


# moose and elk: facts of SK05 (2.4 m), no tube or electric wire of 1.8 m is known to hold them
@pytest.mark.parametrize("need", ["elk", "moose"])
def test_elk_and_moose_get_neither_a_tube_nor_a_fence_of_six_feet(need: str) -> None:
    assert need not in catalogue()["solid_tube"]["against"] and need not in catalogue()["mesh_tube"]["against"]
    assert catalogue()["electric_strands"]["against"].get(need, {"holds": [0.0]})["holds"][0] < KEPT_OUT
    fence = sized("woven_wire", [need])
    assert fence is not None and fence.top_mm >= 2400


def test_a_larger_list_of_needs_offers_every_size_that_a_shorter_one_does() -> None:
    for key in buildable():
        for some in (["deer_small"], ["rabbit", "vole"], ["deer_small", "beaver"]):
            def size(part: Part) -> tuple[float, ...]:
                return part.top_mm, part.opening_mm, part.burial_mm, part.stand_off_mm
            assert {size(part) for part in variants(key, some)} <= {size(part) for part in variants(key, BODIES)}


def test_wires_reach_the_top_in_snow() -> None:
    for key in ("electric_strands", "two_planes", "baited_strand"):
        part = sized(key, ["deer_small"], 500)
        assert part is not None
        assert max(wire["height_mm"] for wire in wires(part)) >= part.top_mm - 20


# pi x (0.30 + 2 x 0.25) = 2.51 m: trunk of 0.30 m, gap of 0.25 m (BC4)
def test_a_cage_is_cut_to_its_circumference() -> None:
    assert around_stem_mm(250, 300) == pytest.approx(2510, abs=5)


def test_a_programme_tightens_sizes_and_nonsense_in_it_is_refused() -> None:
    spec = checked_spec({"name": "a grant", "height_mm_min": 2600, "opening_mm_max": 100})
    part = sized("woven_wire", ["deer_small"], 0, spec)
    assert part is not None and part.top_mm == 2600 and part.opening_mm == 100
    for wrong in ({"height": 3}, {"barrier": "moat"}, {"height_mm_min": -1}):
        with pytest.raises(CannotUse):
            checked_spec(wrong)


def test_an_unknown_published_size_is_refused_with_what_there_is() -> None:
    with pytest.raises(CannotUse, match="roe"):
        published_size("yeti", "tube")


# how high a barrier must stand is counted from the uphill side: our own definition
def test_a_barrier_on_a_slope_stands_higher() -> None:
    flat, steep = sized("woven_wire", ["deer_small"]), sized("woven_wire", ["deer_small"], slope_percent=20)
    assert flat is not None and steep is not None and steep.top_mm >= 2400 + 200 > flat.top_mm
    cage = sized("welded_cage", ["deer_small"], slope_percent=20)
    assert cage is not None and cage.top_mm >= 1500 + 0.2 * cage.stand_off_mm


def test_roe_get_the_fence_and_the_tube_that_are_published_for_roe_and_taller_ones_round_much_land() -> None:
    # 1.5 m, and 1.8 m round more than 5 ha or along roads (FG9, KLIMA-AT); tubes of 1.2 m (TE5)
    # white-tailed deer: 2.4 m (VC10)
    for animal in ("roe", "roe deer", "chinese water deer"):
        place = planting(square_ground(10_000), 100, [animal])
        fence, tube = (sized(key, place.needs) for key in ("woven_wire", "solid_tube"))
        assert fence is not None and tube is not None and 1500 <= fence.top_mm < 1800 and tube.top_mm == 1200
        large = sized("woven_wire", place.needs, hectares=6.0)
        assert large is not None and 1800 <= large.top_mm < 2000
    american = sized("woven_wire", planting(square_ground(10_000), 100, ["white_tailed_deer"]).needs)
    assert american is not None and american.top_mm >= 2400
    on_snow = sized("woven_wire", ["roe"], 300.0)
    assert on_snow is not None and on_snow.top_mm >= 1800


def test_no_wire_thinner_than_the_forestry_commission_asks_for_is_laid_to_its_note_on_rabbits():
    """Practice Note 2: 18 gauge, 1.2 mm; rabbits bite through 19 gauge, 1.0 mm, which should not be used."""
    wires = [need["wire"] for need in knowledge("diagnose.protect", "needs.yaml").values() if "wire" in need]
    assert wires and all(wire["value"] >= 1.2 for wire in wires if wire["source"] == "FCPN2")


def test_a_table_that_says_only_yes_gives_no_share_of_damage_kept_away():
    """Forest Research, options of tree protection: yes, no or doubtful for each animal, and no figure."""
    against = [told for barrier in catalogue().values() for told in barrier.get("against", {}).values()]
    held = [told["holds"] for told in against if "holds" in told]
    assert {tag for _, source, tag in held if source == "FC-TABLE"} == {"M"}


def test_no_fence_above_1800_mm_rests_on_the_english_grant():
    """Countryside Stewardship FG9: at least 1.5 m (roe, muntjac) or 1.8 m (red, sika, fallow); 2.0 m is Scotland's alone."""
    against = [told for barrier in catalogue().values() for told in barrier.get("against", {}).values()]
    tops = [told[key] for told in against for key in ("top", "large") if key in told]
    assert {top for top, source, _ in tops if source == "FG9"} <= {1500, 1800}
    assert catalogue()["woven_wire"]["against"]["deer_large"]["top"][:2] == [2000, "FGS-DEER"]


def test_a_guard_that_names_no_mesh_gives_no_opening_against_sheep_and_deer():
    """Scotland's grant for guards at trees has rails against cattle and horses; for mesh behind them it names no size."""
    against = catalogue()["stock_guard"]["against"]
    assert {against[key]["opening"][1] for key in ("sheep", "deer_small", "roe", "deer_rub", "boar")} == {"MEM"}


def test_what_is_from_memory_is_marked_as_read_nowhere():
    """Else a reader would take a figure that nobody looked up for one that was read."""
    text = (TOP / "diagnose" / "protect" / "barriers.yaml").read_text("utf-8")
    marks = re.findall(r', MEM, "?(\w+)"?\]', text)
    assert marks and set(marks) == {"M"}


def test_a_length_printed_in_feet_or_inches_is_worked_out_not_read():
    """These sources print feet and inches alone; what stands here in millimetres was turned by us, and rounded at times."""
    text = (TOP / "diagnose" / "protect" / "barriers.yaml").read_text("utf-8")
    in_feet = {"ASK-SQUIRREL", "AU-3D", "EXT-VOLE", "FRORG", "MARQ77", "ME382", "MTDC-F03", "PSU-PLANT", "UME-PORC",
               "UVM-RABBIT"}
    figures = re.findall(r"(\w+): \[([\d.]+), ([A-Z0-9-]+), \"?(\w+)\"?\]", text)
    shares = ("holds", "life_years")
    lengths = [(source, tag) for name, _, source, tag in figures if source in in_feet and name not in shares]
    assert {source for source, _ in lengths} == in_feet
    assert {tag for _, tag in lengths} == {"D"}


def test_wires_against_deer_and_elk_are_8_in_and_then_10_in_apart():
    """Western US forestry extension, permanent electric fence: 6 ft, the lowest four 8 in, the next 10 to 11 in apart."""
    heights = [wire["height_mm"] / 25.4 for wire in catalogue()["electric_strands"]["wires"]]
    gaps = [high - low for low, high in itertools.pairwise([0.0, *heights])]
    assert heights[-1] == pytest.approx(72, abs=0.1)
    assert gaps == [pytest.approx(8, abs=0.1)] * 4 + [pytest.approx(10, abs=0.1)] * 4
    told = catalogue()["electric_strands"]["against"].values()
    assert all(one["opening"][0] <= 10 * 25.4 for one in told)
