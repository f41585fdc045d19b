"""The buying list covers the barrier, with waste, whole rolls and bundles, and the stock used first."""

import math

import pytest

from diagnose.protect.barriers import around_stem_mm, sized
from diagnose.protect.ground import ground_from, square_ground
from diagnose.protect.materials import Line, bill, dimensions, line_posts, loads
from diagnose.protect.planting import Planting, planting


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
    assert lines["rolls for the welded-wire cage"].quantity == 11
    assert lines["stakes for the welded-wire cage"].quantity == 210


def test_tubes_are_rounded_up_to_bundles_and_stock_is_used_first() -> None:
    place = planting(square_ground(5000), 100, ["deer"], owned={"solid_tube": 60})
    lines = _lines(place, "solid_tube")
    tube = lines["solid tube, vented"]
    assert (tube.quantity, tube.from_stock, tube.to_buy) == (105, 60, 45)
    assert lines["bundles of solid tube, vented"].quantity == 1


# stake at least 300 mm deep, top below the lip and at least 100 mm above an upper tie at 1300 mm (FGS shelter item)
def test_a_stake_ends_below_the_lip_and_stands_deep_enough() -> None:
    place = planting(square_ground(5000), 100, ["deer"])
    part = sized("solid_tube", place.needs)
    assert part is not None
    built = dimensions(place, part)
    head = built["stake length"] - built["stake depth"]
    assert built["stake depth"] >= 300 and head < built["top"] and head >= 1300 + 100


def test_line_posts_stand_between_the_corners_of_each_side() -> None:
    land = ground_from([(0, 0), (61, 0), (61, 30.5), (0, 30.5)], lonlat=False)
    place = planting(land, 100, ["deer"])
    part = sized("woven_wire", place.needs)
    assert part is not None
    # hand-worked: 61 m at 6.1 m are ten bays, nine posts; 30.5 m are five bays, four posts
    assert line_posts(place, part) == 2 * (9 + 4)
    lines = {line.item: line for line in bill(place, (part,))}
    assert lines["corner and gate posts"].quantity == 4 + 2
    assert lines["woven-wire fence"].quantity == math.ceil(183 * 1.05)
    assert lines["rolls for the woven-wire fence"].quantity == 2


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
            assert line.check and line.specification and line.quantity >= line.to_buy >= 0


def test_netting_against_rabbits_hangs_on_the_taller_fences_posts() -> None:
    place = planting(square_ground(10_000), 100, ["deer", "rabbit"])
    fence, netting = sized("woven_wire", place.needs), sized("rabbit_netting", place.needs)
    assert fence is not None and netting is not None
    items = [line.item for line in bill(place, (fence, netting))]
    assert items.count("gates") == 1 and items.count("corner and gate posts") == 1
    lines = {line.item: line for line in bill(place, (fence, netting))}
    # hand-worked: 100 m at 4.0 m need 24 posts a side, at 6.1 m the fence has 16
    assert lines["posts for the rabbit netting round the planting"].quantity == 4 * (24 - 16)


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


# FGS-shelter and common practice, no source: a head above the lip rubs the stem
def test_no_stake_stands_above_the_lip_even_where_its_published_length_is_more() -> None:
    place = planting(square_ground(5000), 100, ["vole", "rabbit"])
    for key in ("hardware_cylinder", "solid_tube", "mesh_tube"):
        if (part := sized(key, place.needs)) is not None:
            built = dimensions(place, part)
            assert built["stake length"] - built["stake depth"] == pytest.approx(part.top_mm - 50)
