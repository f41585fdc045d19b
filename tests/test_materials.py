"""The buying list covers the barrier, with waste, whole rolls and bundles, and the stock used first."""

import math
import re
from dataclasses import replace

import pytest

from diagnose.protect.barriers import around_stem_mm, buildable, sized
from diagnose.protect.fence import line_posts, posts_of
from diagnose.protect.ground import ground_from, square_ground
from diagnose.protect.materials import Line, bill, costed, dimensions, loads
from diagnose.protect.planting import STOCK, Planting, planting


def _lines(place: Planting, key: str) -> dict[str, Line]:
    part = sized(key, place.needs, place.snow_mm)
    assert part is not None
    return {line.item: line for line in bill(place, (part,))}


def test_cages_are_cut_from_whole_rolls_with_spare() -> None:
    place = planting(square_ground(5000), 100, ["deer"])
    lines = _lines(place, "welded_cage")
    # hand-worked: 105 cages of pi x (20 + 2 x 450) + 100 = 2990 mm, ten from a roll of 30 m
    assert around_stem_mm(450, 20, 100) == pytest.approx(2990.3, abs=0.1)
    assert lines["welded-wire cage"].quantity == 105
    assert "11 rolls of 30 m" in lines["welded-wire cage"].specification
    assert lines["stakes for the welded-wire cage"].quantity == 210


def test_tubes_are_rounded_up_to_bundles_and_stock_is_used_first() -> None:
    place = planting(square_ground(5000), 100, ["deer"], owned={"solid_tube": 60})
    lines = _lines(place, "solid_tube")
    tube = lines["vented solid tube"]
    assert (tube.quantity, tube.from_stock, tube.to_buy) == (105, 60, 45)
    assert "1 bundle of 50" in lines["vented solid tube"].specification


# stake at least 300 mm deep, top below the lip and at least 100 mm above an upper tie at 1300 mm (FGS shelter item)
def test_a_stake_ends_below_the_lip_and_stands_deep_enough() -> None:
    place = planting(square_ground(5000), 100, ["deer"])
    part = sized("solid_tube", place.needs)
    assert part is not None
    built = dimensions(place, part)
    head = built["stake length"] - built["stake depth"]
    assert built["stake depth"] >= 300 and head < built["top"] and head >= 1300 + 100


def test_line_posts_stand_between_the_corners_of_each_side() -> None:
    land = ground_from([(0, 0), (60.9, 0), (60.9, 30.4), (0, 30.4)], lonlat=False)
    place = planting(land, 100, ["deer"])
    part = sized("woven_wire", place.needs)
    assert part is not None
    # hand-worked: 60.9 m at 20 ft (6.096 m) are ten bays, nine posts; 30.4 m are five bays, four posts
    assert line_posts(place, part) == 2 * (9 + 4)
    lines = {line.item: line for line in bill(place, (part,))}
    # four corners pulled two ways, a gate pulled on both sides: ten braces, each with a post of its own
    posts = posts_of(place, part)
    assert (posts.anchors, posts.pulls) == (4 + 2, 2 * 4 + 2)
    assert lines["corner and end posts"].quantity == 6 + 10 and lines["cross-members"].quantity == 10
    assert lines["woven-wire fence"].quantity == math.ceil(182.6 * 1.05)
    assert "2 rolls of 100 m" in lines["woven-wire fence"].specification and lines["staples"].quantity > 0


def test_a_programmes_post_spacing_is_kept() -> None:
    place = planting(square_ground(10_000), 100, ["deer"], spec={"post_spacing_mm_max": 5000})
    part = sized("woven_wire", place.needs)
    assert part is not None
    assert dimensions(place, part)["post spacing"] == 5000 and line_posts(place, part) == 4 * 19


def test_an_electric_fence_names_both_rules_rods_signs_and_meter() -> None:
    place = planting(square_ground(10_000), 100, ["deer"])
    lines = _lines(place, "electric_strands")
    assert "UME-E" in lines["energiser"].specification and "GERRISH" in lines["energiser"].specification
    assert lines["earth rods"].quantity >= 3 and lines["volt meter"].quantity == 1
    assert lines["warning signs"].quantity == 400 / 50 + 1 + 4
    assert lines["multi-strand electric fence"].quantity == 420 * 8


def test_loads_carry_all_the_weight() -> None:
    place = planting(square_ground(10_000), 100, ["deer"])
    lines = tuple(_lines(place, "welded_cage").values())
    assert loads(place, lines) * 20 >= sum(line.kg for line in lines) > 0


def test_every_line_says_what_to_check() -> None:
    place = planting(square_ground(10_000), 100, ["deer", "vole", "rabbit"])
    for key in ("woven_wire", "welded_cage", "hardware_cylinder", "rabbit_netting", "solid_tube", "egg_repellent"):
        for line in _lines(place, key).values():
            assert line.price > 0 or line.key == "step_in_post"
            assert line.check and line.specification and line.to_buy >= line.quantity - line.from_stock >= 0


# gates hang apart from the strained fence (FG12), on timber of 200 mm (Scottish Government 2017)
def test_a_gate_hangs_on_posts_of_its_own_beside_the_strained_fence() -> None:
    place = planting(square_ground(10_000), 100, ["deer"], gates=3)
    for key, own in (("woven_wire", True), ("electric_strands", True), ("plastic_mesh", False)):
        part = sized(key, place.needs)
        assert part is not None
        lines = {line.item: line for line in bill(place, (part,))}
        assert ("gate posts" in lines) is own
        if own:
            told = lines["gate posts"].specification
            assert lines["gate posts"].quantity == 6 and "at least 200 mm thick" in told
            assert float(re.search(r"(\d+) mm in the ground", told)[1]) >= 1219  # type: ignore[index]
    assert "gate posts" not in {line.item for line in bill(replace(place, gates=0), (part,))}


def test_netting_against_rabbits_hangs_on_the_taller_fences_posts() -> None:
    place = planting(square_ground(10_000), 100, ["deer", "rabbit"])
    fence, netting = sized("woven_wire", place.needs), sized("rabbit_netting", place.needs)
    assert fence is not None and netting is not None
    items = [line.item for line in bill(place, (fence, netting))]
    assert items.count("gates") == 1 and items.count("corner and end posts") == 1
    lines = {line.item: line for line in bill(place, (fence, netting))}
    # hand-worked: 100 m at 4.0 m need 24 posts a side, at 6.1 m the fence has 16
    assert lines["posts for the rabbit netting"].quantity == 4 * (24 - 16)


def test_stock_of_stakes_gates_and_energisers_is_used_first_and_runs_out() -> None:
    place = planting(square_ground(5000), 100, ["deer"], owned={"stakes": 30, "line_posts": 5})
    tube = sized("solid_tube", place.needs)
    fence = sized("woven_wire", place.needs)
    assert tube is not None and fence is not None
    lines = bill(place, (fence, tube))
    stakes = [line for line in lines if line.item.startswith("stakes for")]
    assert sum(line.from_stock for line in stakes) == 30
    posts = next(line for line in lines if line.item == "line posts")
    assert posts.from_stock == 5 and posts.to_buy == posts.quantity - 5


@pytest.mark.parametrize("kind", STOCK)
def test_whatever_may_lie_in_stock_need_not_be_bought(kind: str) -> None:
    place = planting(square_ground(5000), 100, ["deer", "rabbit", "cattle"], owned={kind: 1})
    used = 0.0
    for key in buildable():
        if (part := sized(key, place.needs)) is not None:
            used = max(used, sum(line.from_stock for line in bill(place, (part,))))
    assert used == 1


# FGS-shelter and common practice, no source: a head above the lip rubs the stem
def test_no_stake_stands_above_the_lip_even_where_its_published_length_is_more() -> None:
    place = planting(square_ground(5000), 100, ["vole", "rabbit"])
    for key in ("hardware_cylinder", "solid_tube", "mesh_tube"):
        if (part := sized(key, place.needs)) is not None:
            built = dimensions(place, part)
            assert built["stake length"] - built["stake depth"] <= part.top_mm - 50 + 0.1


# the published 1.25 m stake (MLF) belongs to a guard against voles and rabbits; beside a low guard it would go far too deep
def test_no_stake_goes_far_down_beside_a_stem() -> None:
    place = planting(square_ground(5000), 100, ["pine_vole"])
    part = sized("hardware_cylinder", place.needs)
    assert part is not None
    assert dimensions(place, part)["stake depth"] < 450


# 25 mm is the limit at which a guard is widened; it would be overdue on the day it is built
def test_no_guard_is_overdue_on_the_day_it_is_built_or_before_its_tree_is_out_of_reach() -> None:
    for animals in (["vole"], ["pine_vole"], ["rabbit"], ["vole", "rabbit"]):
        place = planting(square_ground(5000), 100, animals, years=6)
        part = sized("hardware_cylinder", place.needs, years=6)
        assert part is not None and part.stand_off_mm >= 25 + 6 * 5


def test_the_list_and_the_hours_make_the_first_cost_to_the_unit() -> None:
    place = planting(square_ground(10_000), 100, ["deer", "vole", "rabbit"], carry_m=300)
    for key in ("woven_wire", "electric_strands", "welded_cage", "hardware_cylinder", "rabbit_netting", "solid_tube"):
        part = sized(key, place.needs)
        assert part is not None
        told = costed(place, part)
        assert told.first == pytest.approx(sum(line.to_buy * line.price for line in told.lines) + told.hours * 25.0)


# Rutgers FS889: 4.50 to 7.50 dollars a foot installed, about 2010; in 2024 by the consumer price index 6.5 to 10.8 (x 1.44)
def test_a_woven_fence_costs_what_is_published_for_one() -> None:
    place = planting(square_ground(40_000), 1000, ["deer"])
    part = sized("woven_wire", place.needs)
    assert part is not None
    a_foot = costed(place, part).first / place.ground.fence_m * 0.3048
    assert 0.85 * 6.5 <= a_foot <= 10.8


# AECS-GUARD: posts of 75 to 100 mm and rails for sheep; 100 mm and rails of 100 x 50 for cattle and horses; goats, horses
# 1.8 m; NBS-GOAT: posts of 100 mm for goats
@pytest.mark.parametrize(("animal", "sides", "thick", "high"), [
    ("sheep", 3, 75, 1100), ("goat", 3, 100, 1800), ("cattle", 4, 100, 1200), ("horse", 4, 100, 1800),
])
def test_stock_get_posts_and_rails_as_published(animal: str, sides: int, thick: int, high: int) -> None:
    place = planting(square_ground(5000), 10, [animal])
    part = sized("stock_guard", place.needs)
    assert part is not None and (part.sides, part.post_mm) == (sides, thick) and part.top_mm >= high
    lines = {line.item: line for line in bill(place, (part,))}
    assert f"at least {thick} mm thick" in lines["posts for the post-and-rail stock guard"].specification
    assert "100 x 50 mm" in lines["rails for the post-and-rail stock guard"].specification
    assert not any("25 x 25" in line.specification for line in lines.values())


def test_a_heavier_thing_of_another_size_costs_another_price() -> None:
    place = planting(square_ground(5000), 100, ["deer", "beaver"])
    low, tall = sized("welded_cage", ["beaver"]), sized("welded_cage", ["deer_small"])
    assert low is not None and tall is not None and low.top_mm < tall.top_mm
    assert costed(place, low).lines[0].price < costed(place, tall).lines[0].price


def test_frost_and_sand_set_braced_posts_deeper() -> None:
    part = sized("woven_wire", ["deer_small"])
    assert part is not None
    plain, cold, sandy = (posts_of(planting(square_ground(250_000), 100, ["deer"], **told), part)  # type: ignore[arg-type]
                          for told in ({}, {"frost_mm": 1300.0}, {"soil": "sand"}))
    assert cold.end_depth_mm >= 1300 + 150 > plain.end_depth_mm and sandy.end_depth_mm >= 1070 + 300
    assert sandy.within > 0 and sandy.within >= plain.within  # sides of 500 m are braced within: 400 m, on sand 300 m


def test_mesh_is_bought_in_widths_that_are_sold_and_wires_go_above_it() -> None:
    place = planting(square_ground(10_000), 100, ["deer"], snow_mm=800)
    part = sized("woven_wire", place.needs, 800)
    assert part is not None and part.top_mm >= 3200 and part.width_mm == 2438
    built = dimensions(place, part)
    plain = [height for name, height in built.items() if name.startswith("plain wire")]
    gaps = [high - low for low, high in zip([part.width_mm, *plain], plain, strict=False)]
    assert plain[-1] == pytest.approx(part.top_mm) and max(gaps) <= 225 + 1e-6


# rails of 100 mm as far apart as AECS-GUARD lets them be against cattle and horses: 100 mm
@pytest.mark.parametrize("animal", ["cattle", "horse", "trampling"])
def test_rails_without_mesh_behind_them_leave_no_wider_gap_than_their_animals_allow(animal: str) -> None:
    place = planting(square_ground(5000), 10, [animal])
    part = sized("stock_guard", place.needs)
    assert part is not None and not part.backed and part.top_mm / part.rails - 100 <= part.opening_mm == 100
    lines = {line.item: line for line in bill(place, (part,))}
    # two pieces of 2 m from each rail of 16 ft; 11 guards with the spare one, four sides each
    assert lines["rails for the post-and-rail stock guard"].quantity == 11 * 4 * part.rails / 2
    assert lines["nails for the post-and-rail stock guard"].quantity > 0


def test_every_live_wire_has_an_insulator_at_brace_posts_too() -> None:
    place = planting(square_ground(20_000), 500, ["deer"])
    part = sized("electric_strands", place.needs)
    assert part is not None
    lines = {line.item: line for line in bill(place, (part,))}
    posts = lines["line posts"].quantity + lines["corner and end posts"].quantity
    assert lines["insulators"].quantity == 4 * posts  # four of the eight wires are live (FRORG)


def test_a_tube_comes_with_a_net_against_birds() -> None:
    place = planting(square_ground(5000), 100, ["deer"])
    part = sized("solid_tube", place.needs)
    assert part is not None
    assert any(line.item.startswith("nets for the tops") and line.quantity == 105 for line in bill(place, (part,)))
