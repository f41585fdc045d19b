"""Which figures of the published cases that an outsider read does the tool meet? `python -m tests.held_out_plans`

A least size is met by that size or a larger one, a largest by that or a smaller one; of several animals each must be met.
What the tool does not build or does not say is not met.
"""

from __future__ import annotations

import re
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import read_yaml, reference_cases
from diagnose.protect.barriers import Part, catalogue, sized, wires
from diagnose.protect.electric import DESIGN_V, energiser
from diagnose.protect.fence import posts_of
from diagnose.protect.ground import square_ground
from diagnose.protect.materials import bill, dimensions
from diagnose.protect.plan import plan_for
from diagnose.protect.planting import planting
from diagnose.protect.requirement import NEED_OF, require

INCH, FOOT = 25.4, 304.8
SOLD = 25.0  # by which a trade size may fall short: 5 ft are sold as 1.5 m
Told = dict[str, Any]
Met = dict[str, bool]
CASES = {case["id"]: case for case in read_yaml(reference_cases("protection") / "held_out.yaml")["cases"]}
NAMES = {
    "deer": "deer_browsing",
    "cottontail": "rabbit",
    "european_rabbit": "rabbit",
    "vole": "vole_surface",
    "water_vole": "vole_below",
    "fallow_deer": "fallow_deer",
}


class Built:
    """One barrier as it is built against one animal; nothing of it where there is none."""

    def __init__(self, key: str, animal: str, snow_mm: float = 0.0, site: tuple[str, ...] = ()) -> None:
        self.key = key
        self.part: Part | None = None
        self.size: dict[str, float] = {}
        self.words = ""
        try:
            place = planting(square_ground(10_000), 400, [NAMES.get(animal, animal)], snow_mm=snow_mm, site=site)
            self.part = sized(key, place.needs, snow_mm)
        except CannotUse:
            return
        if self.part is not None:
            self.size = dimensions(place, self.part)
            self.words = " ".join(f"{line.item}: {line.specification}" for line in bill(place, (self.part,)))

    def least(self, name: str, mm: float, short: float = 1.0) -> bool:
        return self.size.get(name, -1.0) >= mm - short

    def most(self, name: str, mm: float) -> bool:
        return 0 < self.size.get(name, -1.0) <= mm + 0.1

    def says(self, words: str) -> bool:
        return re.search(words, self.words) is not None


def braced_every_m(key: str) -> float:
    """How far apart the braces stand on a side of 3 km [m]."""
    place = planting(square_ground(9_000_000), 900, ["deer_browsing"])
    part = sized(key, place.needs)
    assert part is not None
    return 4 * 3000 / (posts_of(place, part).within + 4)


def height(animal: str, snow_mm: float = 0.0) -> float:
    """Least height of a guard at one tree [mm]; nought where none is built."""
    try:
        figure = require([NAMES.get(animal, animal)], snow_mm).height
    except CannotUse:
        return 0.0
    return 0.0 if figure is None else figure.value_mm


def steps(animal: str, key: str) -> str:
    try:
        plan = plan_for(planting(square_ground(10_000), 400, [NAMES.get(animal, animal)], spec={"barrier": key}))
    except CannotUse:
        return ""
    return " ".join((*plan.steps, *plan.fails, *plan.cautions))


def fence(animal: str) -> Built:
    return Built("woven_wire", animal)


def live(animal: str) -> Built:
    return Built("electric_strands", animal)


def lowest_wire(built: Built) -> float:
    return wires(built.part)[0]["height_mm"] if built.part is not None and wires(built.part) else 1e9


def met(case: dict[str, Any]) -> dict[str, bool]:
    """Each figure of a case, and whether it is met."""
    told = _CASES[case["id"]](case["expected"], case["inputs"])
    assert set(told) == set(case["expected"]), (case["id"], set(told) ^ set(case["expected"]))
    return told


def _h01(e: Told, g: Told) -> Met:
    deer, elk, strands = fence("deer"), fence("elk"), live("deer")
    return {
        "height_m_min": all(one.least("top", 1000 * e["height_m_min"]) for one in (deer, elk)),
        "mesh_mm_max": deer.most("opening", e["mesh_mm_max"]) and elk.most("opening", e["mesh_mm_max"]),
        "foot_tight_or_buried": "close every gap over 50 mm" in steps("deer", "woven_wire"),
        "barbed_along_top": ("barbed" in deer.words) is e["barbed_along_top"],
        "electric_ft_min": strands.least("top", FOOT * e["electric_ft_min"]),
    }


def _h02(e: Told, g: Told) -> Met:
    b = live("cattle")
    return {
        "height_m_min": b.least("top", 1000 * e["height_m_min"]),
        "line_wires": b.part is not None and len(wires(b.part)) >= e["line_wires"],
        "end_post_m": b.least("end post length", 1000 * e["end_post_m"]),
        "end_post_mm": b.least("end post thickness", e["end_post_mm"]),
        "strut_m": b.least("brace length", 1000 * e["strut_m"]),
        "strut_mm": b.says(r"cross-members: (100|150) mm|struts: at least (80|100)"),
        "stake_m": b.least("post length", 1000 * e["stake_m"]),
        "stake_mm": b.least("post thickness", e["stake_mm"]),
    }


def _h03(e: Told, g: Told) -> Met:
    boar = fence("wild_boar")
    return {
        "height_m_min": all(fence(a).least("top", 1000 * h) for a, h in zip(g["animals"], e["height_m_min"], strict=True)),
        "burial_mm": boar.least("in the ground", e["burial_mm"]) or boar.least("out-turn", e["burial_mm"]),
        "mesh_mm": boar.most("opening", max(e["mesh_mm"])),
        "wire_mm_min": boar.says(r"\b[6-9]\.?\d* mm (mesh|thick)"),
    }


def _h04(e: Told, g: Told) -> Met:
    return {
        "height_m_min": all(fence(a).least("top", 1000 * h) for a, h in zip(g["animals"], e["height_m_min"], strict=True)),
        "uprights_mm": all(fence(a).most("opening", e["uprights_mm"]) for a in g["animals"]),
        "closer_at_the_ground": fence("red_deer").says("closest near the ground") is e["closer_at_the_ground"],
    }


def _h05(e: Told, g: Told) -> Met:
    b = Built("plastic_mesh", "sika")
    flap = max(b.size.get("out-turn", 0.0), float((catalogue()["plastic_mesh"].get("flap_mm") or [0])[0]))
    apart = re.search(r"every ([\d.]+) m along the flap", b.words)
    return {
        "turned_m": flap >= 1000 * e["turned_m"],
        "pegs_apart_m": apart is not None and float(apart[1]) <= e["pegs_apart_m"],
    }


def _guard(animal: str) -> Built:
    return Built("stock_guard", animal, site=("grazed",))


def _h06(e: Told, g: Told) -> Met:
    b = _guard("goat")
    p = b.part
    return {
        "sides": p is not None and p.sides >= e["sides"],
        "side_m": b.least("across", 1000 * e["side_m"]),
        "height_m": b.least("top", 1000 * e["height_m"]),
        "mesh_mm": b.most("opening", max(e["mesh_mm"])),
        "post_m": b.least("post length", 1000 * e["post_m"]),
        "post_mm": b.least("post thickness", e["post_mm"]),
        "post_in_ground_m": b.least("post depth", 1000 * e["post_in_ground_m"]),
        "reach_m": height("goat") >= 1000 * e["reach_m"],
    }


def _h07(e: Told, g: Told) -> Met:
    b = _guard("horse")
    p = b.part
    return {
        "sides": p is not None and p.sides >= e["sides"],
        "side_m": b.least("across", 1000 * e["side_m"]),
        "height_m": b.least("top", 1000 * e["height_m"]),
        "mesh_mm": b.most("opening", max(e["mesh_mm"])),
    }


def _h08(e: Told, g: Told) -> Met:
    b = Built("welded_cage", "red_deer")
    return {
        "height_m": all(height(a) >= 1000 * h - SOLD for a, h in zip(g["animals"], e["height_m"], strict=True)),
        "mesh_mm": b.most("opening", max(e["mesh_mm"])),
        "post_m": b.least("stake length", 1000 * e["post_m"]),
        "post_mm": b.says(r"\b1\d\d (x 1\d\d )?mm thick"),
        "post_in_ground_m": b.least("stake depth", 1000 * e["post_in_ground_m"]),
        "sides": b.says(r"stakes for .*(3|three) (a|each)") or _guard("red_deer").part is not None,
    }


def _h09(e: Told, g: Told) -> Met:
    return {"mesh_mm": Built("welded_cage", "beaver").most("opening", max(e["mesh_mm"]))}


def _h10(e: Told, g: Told) -> Met:
    need = require(["beaver"])
    return {
        "wire_mm_min": need.wire is not None and need.wire.value_mm >= e["wire_mm_min"],
        "gap_m_min": need.stand_off is not None and need.stand_off.value_mm >= 1000 * e["gap_m_min"],
    }


def _h11(e: Told, g: Told) -> Met:
    b = fence("sheep")
    return {
        "height_in": b.least("top", INCH * e["height_in"]),
        "wire_gauge": b.says(r"12\.5 gauge \(2\.5 mm\) top and bottom"),
        "line_post_ft_min": b.least("post length", FOOT * e["line_post_ft_min"]),
        "wood_post_in_min": b.least("post thickness", INCH * e["wood_post_in_min"]),
        "post_depth_mm_min": b.least("post depth", e["post_depth_mm_min"]),
        "posts_ft_max": b.most("post spacing", FOOT * e["posts_ft_max"]),
        "brace_every_ft": braced_every_m("woven_wire") * 1000 <= FOOT * e["brace_every_ft"] + 1,
    }


def _h12(e: Told, g: Told) -> Met:
    b = fence("sheep")
    return {
        "posts_ft_max": b.most("post spacing", FOOT * e["posts_ft_max"]),
        "post_depth_mm_min": b.least("post depth", e["post_depth_mm_min"]),
        "wood_post_in_min": b.least("post thickness", INCH * e["wood_post_in_min"]),
    }


def _h13(e: Told, g: Told) -> Met:
    b = fence("cattle")
    return {
        "depth_ft_min": b.least("end post depth", FOOT * e["depth_ft_min"]),
        "end_post_m": b.least("end post length", 1000 * e["end_post_m"]),
        "line_post_ft_min": b.least("post length", FOOT * e["line_post_ft_min"]),
        "post_depth_mm_min": b.least("post depth", e["post_depth_mm_min"]),
    }


def _h14(e: Told, g: Told) -> Met:
    b = Built("rabbit_netting", "cottontail")
    return {
        "mesh_in_max": b.most("opening", INCH * e["mesh_in_max"]),
        "height_in": b.least("top", INCH * e["height_in"][0]),
        "netting_width_in_min": b.least("mesh width", INCH * e["netting_width_in_min"]),
        "burial_in": b.least("out-turn", INCH * e["burial_in"][0]),
    }


def _h15(e: Told, g: Told) -> Met:
    tube = Built("solid_tube", g["animals"][0])  # the taller of both: one tube is against both
    return {
        "height_ft_min": tube.least("top", FOOT * e["height_ft_min"], SOLD),
        "life_years_min": tube.says(rf"at least {e['life_years_min']} years"),
    }


def _h16(e: Told, g: Told) -> Met:
    b = Built("hardware_cylinder", "rabbit")
    low, high = (catalogue()["hardware_cylinder"]["cost"]["life_years"][0],) * 2
    return {
        "height_m": b.least("top", 1000 * e["height_m"][0]),
        "stake_length_mm": b.least("stake length", e["stake_length_mm"]),
        "gap_m_min": b.least("stand-off", 1000 * e["gap_m_min"]),
        "overlap_mm_min": catalogue()["hardware_cylinder"]["overlap_mm"][0] >= e["overlap_mm_min"],
        "staples": catalogue()["hardware_cylinder"]["staples"][0] >= e["staples"],
        "life_years": e["life_years"][0] <= low and high <= e["life_years"][1],
    }


def _h17(e: Told, g: Told) -> Met:
    b = live("white_tailed_deer") if NEED_OF.get("white_tailed_deer") else live("deer")
    ground = square_ground(10_000 * g["hectares"])
    return {
        "fence_m": abs(ground.perimeter_m - e["fence_m"]) < 1,
        "line_wires": b.part is not None and len(wires(b.part)) >= e["line_wires"],
        "wire_gauge": b.says(r"(12\.5|14) gauge"),
        "posts_ft_max": b.most("post spacing", FOOT * e["posts_ft_max"]),
        "line_post_ft_min": b.least("post length", FOOT * e["line_post_ft_min"]),
        "steel_post_depth_ft_min": b.least("post depth", FOOT * e["steel_post_depth_ft_min"]),
        "end_post_m": b.least("end post length", 1000 * e["end_post_m"]),
    }


def _h18(e: Told, g: Told) -> Met:
    return {
        "height_ft_min": all(fence(a).least("top", FOOT * e["height_ft_min"]) for a in ("moose", "deer")),
        "mesh_in_max": all(fence(a).most("opening", INCH * e["mesh_in_max"]) for a in ("moose", "deer")),
    }


def _h19(e: Told, g: Told) -> Met:
    b = Built("hardware_cylinder", "vole")
    return {
        "height_ft_min": b.least("top", FOOT * e["height_ft_min"]),
        "max_mesh_in": b.most("opening", INCH * e["max_mesh_in"]),
        "set_into_ground": (b.size.get("in the ground", 0.0) > 0) is e["set_into_ground"],
    }


def _root(animal: str) -> Built:
    return next(
        (
            b
            for key in ("root_mesh_tube", "root_basket", "hardware_cylinder")
            if key in catalogue()
            for b in [Built(key, animal)]
            if b.part is not None
        ),
        Built("root_mesh_tube", animal),
    )


def _h20(e: Told, g: Told) -> Met:
    b = _root("water_vole")
    life = 0.0 if b.part is None else float(catalogue()[b.part.key]["cost"]["life_years"][0])
    return {
        "max_mesh_mm": b.most("opening", e["max_mesh_mm"]),
        "life_years": e["life_years"][0] <= life <= e["life_years"][1],
    }


def _h21(e: Told, g: Told) -> Met:
    b = _root("water_vole")
    return {
        "max_mesh_mm": b.most("opening", e["max_mesh_mm"]),
        "below_ground_mm": b.least("in the ground", e["below_ground_mm"]),
    }


def _h22(e: Told, g: Told) -> Met:
    return {
        "height_m_min": all(fence(a).least("top", 1000 * h) for a, h in zip(g["animals"], e["height_m_min"], strict=True)),
        "mesh_mm": all(Built("welded_cage", a).most("opening", max(e["mesh_mm"])) for a in g["animals"]),
    }


def _h23(e: Told, g: Told) -> Met:
    return {
        "height_m": all(fence(a).least("top", 1000 * h) for a, h in zip(g["animals"], e["height_m"], strict=True)),
        "turned_m": fence("muntjac").least("out-turn", 1000 * e["turned_m"]),
    }


def _h24(e: Told, g: Told) -> Met:
    b = Built("rabbit_netting", "european_rabbit")
    return {
        "height_m_min": b.least("top", 1000 * e["height_m_min"]),
        "mesh_mm": b.most("opening", e["mesh_mm"]),
        "turned_m": b.least("out-turn", 1000 * e["turned_m"]),
    }


def _h25(e: Told, g: Told) -> Met:
    b, s = fence("cattle"), Built("solid_tube", "deer")
    return {
        "post_m": b.least("post length", 1000 * e["post_m"]),
        "post_mm": b.least("post thickness", e["post_mm"]),
        "post_spacing_m": b.most("post spacing", 1000 * max(e["post_spacing_m"])),
        "post_in_ground_m": b.least("post depth", 1000 * e["post_in_ground_m"]),
        "stake_m": s.least("stake length", 1000 * e["stake_m"]),
        "stake_mm": s.says(r"stakes[^:]*: \S*\s?(8|9|1\d)\d( x \d+)? mm"),
        "stake_depth_mm_min": s.least("stake depth", e["stake_depth_mm_min"]),
    }


def _h26(e: Told, g: Told) -> Met:
    b = Built("solid_tube", "deer")
    said = steps("deer", "solid_tube")
    lip = b.size.get("stake length", 1e9) - b.size.get("stake depth", 0.0) < b.size.get("top", 0.0)
    return {
        "set_into_ground": re.search(r"into the (soil|ground)|push(ed)? into|earth", said + b.words) is not None,
        "burial_mm": b.least("in the ground", e["burial_mm"])
        or re.search(r"(50|[6-9]\d) mm (into|deep|in)", said) is not None,
        "stake_below_lip": lip is e["stake_below_lip"],
    }


def _h27(e: Told, g: Told) -> Met:
    b = live("cattle") if live("cattle").part is not None else live("deer")
    lines = re.search(r"wire strainers", b.words)
    return {
        "wire_gauge": b.says(r"12\.5 gauge"),
        "zinc_class": b.says(f"class {e['zinc_class']}"),
        "strainer_every_ft_max": lines is not None
        and braced_every_m("electric_strands") * 1000 <= FOOT * e["strainer_every_ft_max"],
    }


def _h28(e: Told, g: Told) -> Met:
    p = energiser(400, 4)
    said = steps("deer", "electric_strands")
    return {
        "rod_length_ft": p.rod_m * 1000 >= FOOT * e["rod_length_ft"],
        "rod_spacing_ft": p.rod_spacing_m * 1000 >= FOOT * e["rod_spacing_ft"],
        "earths_apart_m": any(
            float(m) >= e["earths_apart_m"] for m in re.findall(r"at least (\d+) m from any other earth", said)
        ),
    }


def _h29(e: Told, g: Told) -> Met:
    p, b = energiser(400, 4), live("black_bear")
    return {
        "volts_min": e["volts_min"] <= DESIGN_V,
        "earth_rods_min": p.rods >= e["earth_rods_min"],
        "rod_length_ft": p.rod_m * 1000 >= FOOT * e["rod_length_ft"] - 1,
        "rod_spacing_ft": p.rod_spacing_m * 1000 >= FOOT * e["rod_spacing_ft"],
        "lowest_wire_mm_max": lowest_wire(b) <= e["lowest_wire_mm_max"],
    }


def _h30(e: Told, g: Told) -> Met:
    p = energiser(400, 4)
    return {
        "volts_min": e["volts_min"] <= DESIGN_V,
        "electric_ft_min": live("black_bear").least("top", FOOT * e["electric_ft_min"]),
        "rod_ft_per_joule_min": p.rods * p.rod_m * 1000 / FOOT / p.joules >= e["rod_ft_per_joule_min"],
    }


def _h31(e: Told, g: Told) -> Met:
    return {"lowest_wire_mm_max": lowest_wire(live("wild_boar")) <= e["lowest_wire_mm_max"]}


def _h32(e: Told, g: Told) -> Met:
    f, c = Built("rabbit_netting", "hare", g["snow_mm"]), Built("hardware_cylinder", "hare", g["snow_mm"])
    return {
        "height_m_min": f.least("top", 1000 * e["height_m_min"]),
        "burial_mm": f.least("out-turn", e["burial_mm"]) and c.least("in the ground", e["burial_mm"]),
        "max_mesh_mm": c.most("opening", e["max_mesh_mm"]),
        "above_snow_ft_min": height("hare", g["snow_mm"]) - g["snow_mm"] >= FOOT * e["above_snow_ft_min"] - 1,
    }


def _h33(e: Told, g: Told) -> Met:
    cages = [Built(key, "woodchuck") for key in ("welded_cage", "closed_cage")]
    return {
        "height_ft_min": any(b.least("top", FOOT * e["height_ft_min"]) for b in cages),
        "burial_in": any(b.least("in the ground", INCH * e["burial_in"][0]) for b in cages),
    }


def _h34(e: Told, g: Told) -> Met:
    b = Built("mesh_tube", "deer")
    across = float(catalogue()["mesh_tube"]["diameter_mm"][0])
    return {
        "mesh_tube_diameter_in": abs(across - INCH * e["mesh_tube_diameter_in"][0]) <= 0.05 * across,
        "stake_length_mm": b.least("stake length", e["stake_length_mm"], SOLD),
        "stake_depth_mm_min": b.least("stake depth", e["stake_depth_mm_min"], 6),
    }


def _h35(e: Told, g: Told) -> Met:
    b, need = Built("welded_cage", "beaver"), require(["beaver"])
    return {
        "wire_gauge_max": need.wire is not None and need.wire.value_mm >= 1.6,
        "height_m": b.least("top", 1000 * e["height_m"]),
        "base": e["base"] in need.base,
    }


def _h36(e: Told, g: Told) -> Met:
    b = _guard("cattle")
    return {
        "sides": b.part is not None and b.part.sides >= e["sides"],
        "side_m": b.least("across", 1000 * e["side_m"]),
        "post_m": b.least("post length", 1000 * e["post_m"]),
        "post_mm": b.least("post thickness", e["post_mm"]),
    }


def _h37(e: Told, g: Told) -> Met:
    b, plain = [fence(a) for a in g["animals"]], Built("plain_strands", "cattle")
    return {
        "line_wires": plain.part is not None and len(wires(plain.part)) >= e["line_wires"],
        "wire_gauge": plain.says(r"12\.5 gauge"),
        "height_m": all(one.least("top", 1000 * h) for one, h in zip(b, e["height_m"], strict=True)),
        "post_m": all(one.least("post length", 1000 * e["post_m"]) for one in b),
        "post_mm": all(one.least("post thickness", e["post_mm"][0]) for one in b),
        "post_spacing_m": all(one.most("post spacing", 1000 * max(e["post_spacing_m"])) for one in b),
    }


def _h38(e: Told, g: Told) -> Met:
    tall, fine = fence("moose"), Built("rabbit_netting", "hare")
    return {
        "height_ft": tall.least("top", FOOT * e["height_ft"]),
        "mesh_in_max": fine.most("opening", INCH * e["mesh_in_max"]),
        "posts_ft_max": tall.most("post spacing", FOOT * e["posts_ft_max"]),
        "foot_tight_or_buried": fine.size.get("out-turn", 0.0) > 0,
    }


_CASES = {name: globals()[f"_h{name[1:3]}"] for name in CASES}


def main() -> None:
    held = asked = whole = 0
    for name, case in CASES.items():
        told = met(case)
        held, asked, whole = held + sum(told.values()), asked + len(told), whole + all(told.values())
        print(name, {key: ("yes" if one else f"NO {case['expected'][key]}") for key, one in told.items()})
    print(f"{held} of {asked} figures are met, {whole} of {len(CASES)} cases whole")


if __name__ == "__main__":
    main()
