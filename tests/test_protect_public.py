"""Every public function of protect answers within its limits and never with nan, or says why it cannot."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

import diagnose.protect as room
from diagnose.cannot_use import CannotUse
from diagnose.protect import barriers, chances, electric, materials, money, options, prices, requirement, trade
from diagnose.protect import planting as planting_of
from diagnose.protect.barriers import sized
from diagnose.protect.ground import square_ground
from diagnose.protect.materials import bill
from diagnose.protect.options import field_of
from diagnose.protect.planting import planting
from tests.nonsense import answers_or_refuses, good_for, public

PUBLIC = public(room)
PRINTS: set[str] = set()
INNER: set[str] = set()
EMPTY: tuple[type, ...] = ()


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A good value for each name that a parameter of protect has."""
    folder = tmp_path_factory.mktemp("public")
    ground = square_ground(3000.0)
    place = planting(ground, 60, {"deer_browsing": 0.6, "vole_surface": 0.4})
    field, part = field_of(place), sized("woven_wire", ["deer_small"], 200.0)
    assert part is not None
    square = [[9.0, 47.0], [9.002, 47.0], [9.002, 47.001], [9.0, 47.001]]
    (folder / "wood.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [[*square, square[0]]]}))
    (folder / "prices.yaml").write_text("wage: 30\n")
    (folder / "verdict.json").write_text(json.dumps({"verdict": {"presence": {"deer_browsing": 0.9}}}))
    return {
        "ground": ground, "trees": 60, "culprits": {"deer_browsing": 0.6, "vole_surface": 0.4}, "years": 6, "snow_mm": 200.0,
        "place": place, "field": field, "part": part, "parts": (part,), "key": "woven_wire", "against": ["deer_small"],
        "slope_percent": 10.0, "stock_mm": 400.0, "elk_present": False, "species": "roe", "device": "tube",
        "spec": {"height_mm_min": 1200.0}, "gap_mm": 150.0, "stem_mm": 30.0, "overlap_mm": 50.0, "need": "deer_small",
        "yearly_loss": 0.2, "presence": np.array([0.6, 0.4]), "let_through": np.array([[0.1, 0.5], [0.2, 0.3]]),
        "animals": place.animals, "sureness": 0.8, "usual_years": 10.0, "least_years": 5.0, "fence_m": 220.0,
        "live_wires": 4,
        "dry": False, "joules": 1.5, "height_mm": 1900.0, "kilovolts": 20.0, "corners": square, "lonlat": True,
        "told": {"type": "Polygon", "coordinates": [[*square, square[0]]]}, "area_m2": 3000.0, "name": "material",
        "otherwise": 0.0, "lines": bill(place, (part,)), "yearly": [100.0, 20.0, 20.0], "rate": 0.03, "first": 500.0,
        "life_years": 12.0, "upkeep_share": 0.05, "fence_a_m": 9.0, "guard_a_tree": 4.0, "trees_a_ha": 1100.0, "shape": 4.0,
        "upkeep": 10.0, "renewal": 200.0, "removal": 50.0, "row": 1, "allowed": np.ones(len(field.total), bool),
        "topic": next(iter(PUBLIC["requirement.disagreements"]())), "price": 9.0, "year": 2012, "own": {"wage": 30.0},
        "path": folder / "wood.geojson", "shares": {"deer_browsing": 0.7, "shears": 0.3}, "called": ["wire"], "short": False,
        "what": "posts", "mm": 2000.0, "damage": 0.2, "carry_m": 100.0, "gates": 1, "target_per_ha": 100.0, "soil": "normal",
        "growth_mm": 300.0, "power_line_kv": 0.0, "frost_mm": 0.0, "must": (), "site": (), "prices": {"wage": 30.0},
        "budget": 5000.0, "country": "KR",
        "owned": {"woven_wire": 10.0},
    }


def special(given: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Good values where a name means something else than elsewhere."""
    folder, item = given["path"].parent, {"name": "wage"}
    return {
        "chances.surely": {"alive": np.linspace(0, 60, 400)}, "chances.drawn_alive": {"let_through": [0.1, 0.4]},
        "chances.expected_alive": {"yearly_loss": np.array([0.2, 0.3])}, "ground.ground_from": {"corners": given["corners"]},
        "money.sum_of": {"lines": [(2.0, 3.5), (1.0, 4.0)]}, "planting.planting": {"height_mm": None},
        "prices.default_price": item, "prices.price_of": item, "prices.default_of": item,
        "prices.kg_of": {"name": next(iter(PUBLIC["prices.price_list"]()["items"]))},
        "prices.local_list": {"code": "EUR"},
        "prices.checked_currency": {"own": {"currency": "EUR", "exchange": 0.9}},
        "read.read_settings": {"path": folder / "prices.yaml"}, "read.read_verdict": {"path": folder / "verdict.json"},
        "read.read_common": {"path": folder / "verdict.json"}, "read.common_beside": {"planned": ["rabbit"]},
        "requirement.culprit_of": {"name": "rabbit"}, "trade.name_of": {"what": "posts"},
        "requirement.in_few_words": {"caution": next(iter(PUBLIC["requirement.cautions"]().values()))["text"]},
        "requirement.caution_text": {"name": next(iter(PUBLIC["requirement.cautions"]()))},
        "sources.source_words": {"key": next(iter(PUBLIC["sources.sources"]()))},
        "sources.keys_of": {"words": "engeman"}, "sources.sources_named": {"words": "ME382"},
        "sources.called_by_name": {"words": "ME382 [R]"},
        "requirement.cautions_for": {"called": [next(iter(PUBLIC["requirement.cautions"]()))],
            "culprits": ["deer_browsing"]},
        "options.totals_if": {"presence": np.array([0.5, 0.3])}, "materials.costed": {"main": None},
        "materials.lines_of": {"main": None},
        "materials.in_packs": {"quantity": 420.0, "pack": 100.0},
        "materials.power_of": {"part": sized("electric_strands", ["deer_small"])},
        "materials.stake_mm": {"part": sized("solid_tube", ["deer_small"])},
    }


@pytest.mark.parametrize("name", sorted(set(PUBLIC) - PRINTS))
def test_a_public_function_answers_within_its_limits_or_says_why_it_cannot(name: str, given: dict[str, Any]) -> None:
    good = good_for(name, PUBLIC[name], given, special(given))
    answers_or_refuses(PUBLIC[name], good, name, times=0 if name in INNER else None, passing=EMPTY)


NAN = float("nan")
REFUSED = {
    "a gap is a length": lambda: barriers.around_stem_mm(150.0, NAN),
    "a barrier that there is not has no size": lambda: barriers.sized("castle", ["deer_small"]),
    "nor has it sizes": lambda: barriers.variants("castle", ["deer_small"]),
    "nor trials": lambda: barriers.untested("castle"),
    "snow has a depth": lambda: barriers.out_of_reach(400.0, snow_mm=-1.0),
    "a yearly loss is a share": lambda: chances.two_levels("vole", NAN),
    "trees are counted": lambda: chances.drawn_alive([], [], -1, 6),
    "an animal has four figures": lambda: chances.drawn_alive([()], [0.1], 60, 6),  # type: ignore[list-item]
    "years are whole": lambda: chances.expected_alive(np.array([0.5]), np.array([0.2]), np.array([[0.1]]), NAN),
    "a thousand million years are not reckoned": lambda: chances.renewals(10.0, None, 10**9),
    "nothing drawn has no sure number": lambda: chances.surely(np.empty(0), 0.8),
    "joules are a number": lambda: electric.rods_for(NAN),
    "a height is a number": lambda: electric.held_share(NAN),
    "a voltage is a number": lambda: electric.clear_of_lines(NAN),
    "live wires are counted": lambda: electric.energiser(100.0, math.inf),  # type: ignore[arg-type]
    "a barrier that there is not costs nothing known": lambda: materials.cost_of(_place(), "castle", "material"),
    "a fence has no stake": lambda: materials.stake_mm(_part("woven_wire")),
    "a line has a quantity and a price": lambda: money.sum_of([(1.0,)]),  # type: ignore[list-item]
    "what is lost whole has no worth today": lambda: money.present_value([1.0, 2.0], -1.0),
    "a life is longer than nought": lambda: money.yearly_cost(500.0, 0.0, 0.03, 0.05),
    "a price of a break-even is a number": lambda: money.break_even_area(9.0, NAN, 1100.0),
    "what lives an instant is not renewed": lambda: money.over_the_years(500.0, 1.0, 1.0, 1e-12, 1.0, 6),
    "a barrier that there is not is not left out": lambda: options.left_out(_place(), "castle"),
    "a row lies in the table": lambda: options.surely_alive(_place(), options.field_of(_place()), 10**9),
    "a year of no index has no price today": lambda: prices.to_today(9.0, 1066),
    "an item that there is not has no price": lambda: prices.price_of("castle"),
    "nor a default": lambda: prices.default_of("castle"),
    "nor a weight": lambda: prices.kg_of("castle"),
    "a caution that there is not has no words": lambda: requirement.caution_text("castle"),
    "what is sold in no size has no table": lambda: trade.trade_sizes("castles"),
    "a size is a number": lambda: trade.at_least("posts", NAN),
    "a limit is a number": lambda: trade.at_most("posts", NAN),
}


def _place() -> planting_of.Planting:
    return planting_of.planting(square_ground(3000.0), 60, ["deer_browsing"])


def _part(key: str) -> barriers.Part:
    part = barriers.sized(key, ["deer_small"])
    assert part is not None
    return part


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_none_is_refused_in_one_line(what: str) -> None:
    with pytest.raises(CannotUse) as told:
        REFUSED[what]()
    assert "\n" not in str(told.value)
