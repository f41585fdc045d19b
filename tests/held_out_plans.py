"""Which figures of published cases that an outsider read does the tool meet? `python -m tests.held_out_plans [FILE ...]`

A figure is met, not met, or has no key: nothing that the tool builds or says could be held against it. A least size is met
by that size or a larger one, a largest by that or a smaller one; both to the 2 % by which sizes sold in inches and in round
millimetres differ (5 ft are sold as 1.5 m, 42 in as 1050 mm). A list as long as the list of animals gives one figure each,
in their order; any other list is a range. A single figure for several animals is of the one barrier against all of them.
Where the tool has several barriers of the kind that a page builds, all figures of the case are held against the one that
comes nearest. What the tool does not build is not met. Keys say what is asked, in which unit, and no case has a rule of its
own.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import read_yaml, reference_cases
from diagnose.protect.barriers import Part, catalogue, is_live, sized, wires
from diagnose.protect.electric import Energiser
from diagnose.protect.fence import posts_of
from diagnose.protect.ground import Ground, square_ground
from diagnose.protect.materials import bill, dimensions, power_of
from diagnose.protect.plan import plan_for
from diagnose.protect.planting import SITE, SOILS, Planting, planting
from diagnose.protect.requirement import require

INCH, FOOT, METRE = 25.4, 304.8, 1000.0
FILES = tuple(sorted(reference_cases("protection").glob("held_out*.yaml")))
SOLD = 0.02  # share by which a trade size may pass the figure: inches and round millimetres differ by up to 1.6 %
LONG_SIDE_M = 3000.0  # of a fence whose braces within a side are counted
Told = dict[str, Any]
# what the page builds -> barriers of the catalogue, the usual one first
BARRIERS: dict[str, tuple[str, ...]] = {
    "netting_fence": ("woven_wire", "rabbit_netting", "mesh_panels", "dug_in_fence"),
    "plastic_netting": ("plastic_mesh",),
    "electric": ("electric_strands", "low_electric"),
    "plain_strands": ("plain_strands",),
    "tube": ("solid_tube", "pole_sleeve"),
    "mesh_tube": ("mesh_tube",),
    "cage": ("welded_cage", "closed_cage"),
    "chicken_wire": ("hardware_cylinder", "welded_cage"),
    "stock_guard": ("stock_guard",),
    "band": ("trunk_band",),
    "root": ("root_basket", "root_mesh_tube"),
    "spiral": ("spiral_guard", "vole_guard"),
}
SAME_KIND = {  # other words for them
    "cylinder": "chicken_wire", "hardware_cloth": "chicken_wire", "hardware_cloth_cylinder": "chicken_wire",
    "wire_cylinder": "chicken_wire", "hardware_cylinder": "chicken_wire",
    "shelter": "tube", "tree_shelter": "tube", "sleeve": "tube", "net_tube": "mesh_tube",
    "basket": "root", "root_basket": "root", "wire_basket": "root", "vole_guard": "spiral", "wrap": "spiral",
    "plastic_vole_guard": "spiral", "trunk_guard": "spiral", "guard": "stock_guard", "tree_guard": "stock_guard",
    "plastic_fence": "plastic_netting", "net": "plastic_netting", "fence": "netting_fence", "panels": "netting_fence",
    "woven_wire": "netting_fence", "wire_fence": "netting_fence",
    "strands": "plain_strands", "electric_fence": "electric", "collar": "band", "welded_cage": "cage",
}
# what is built at one plant where the page names no device: kind of requirement -> as above
AT_ONE_PLANT = {"cage": "cage", "closed cage": "cage", "wire cylinder": "chicken_wire", "stock guard": "stock_guard",
                "root basket": "root"}
FENCE_ONLY = re.compile(r"posts_ft|post_spacing|line_post|end_post|^depth_ft|brace|strut|line_wires|uprights|height_m_min")
CONIFERS = ("pine", "spruce", "fir", "larch", "cedar", "cypress", "conifer")


def cases_of(path: str | Path) -> dict[str, Told]:
    """Id -> case of a file."""
    return {case["id"]: case for case in read_yaml(Path(path))["cases"]}


class Built:
    """What stands against some animals at a place, or what of it can be asked; nothing where none of it is built."""

    def __init__(self, inputs: Told, animals: Iterable[str], kind: str, usual: str = "") -> None:
        self.inputs, self.animals, self.kind = inputs, tuple(animals), kind
        keys = sorted(BARRIERS.get(kind, ()), key=lambda key: key != usual)  # stable: the others keep their order
        self.parts: tuple[Part, ...] = ()
        self.place: Planting | None = None
        try:
            self.place = place_of(inputs, self.animals, kind)
        except CannotUse:
            return
        found: dict[str, Part] = {}
        for need in self.place.needs:  # the usual barrier against each, in the size that holds them all
            for key in keys:
                part = sized_here(self.place, key, need)
                if part is not None and need in dict(part.holds):
                    found[key] = part
                    break
        self.parts = tuple(found[key] for key in keys if key in found)

    @property
    def main(self) -> Part | None:
        return self.parts[0] if self.parts else None

    @property
    def words(self) -> str:
        if self.place is None or not self.parts:
            return ""
        lines = bill(self.place, self.parts)
        return " ".join([*(f"{line.item}: {line.specification}" for line in lines), *self.facts("needs", [])])

    @property
    def steps(self) -> str:
        """What a plan that must build it says on how."""
        if self.place is None or self.main is None:
            return ""
        try:
            plan = plan_for(place_of(self.inputs, self.animals, self.kind, {"barrier": [part.key for part in self.parts]}))
        except CannotUse:
            return ""
        return " ".join((*plan.steps, *plan.fails, *plan.cautions))

    def facts(self, name: str, otherwise: Any = None) -> Any:
        return otherwise if self.main is None else catalogue()[self.main.key].get(name, otherwise)

    def sizes(self, *names: str) -> list[float]:
        """The first of these lengths that a part has, part by part [mm]."""
        told = []
        for part in self.parts:
            assert self.place is not None
            built = dimensions(self.place, part)
            told += [next(built[name] for name in names if name in built)] if set(names) & set(built) else []
        return told

    @property
    def power(self) -> Energiser | None:
        live = next((part for part in self.parts if is_live(part)), None)
        return None if live is None or self.place is None else power_of(self.place, live)


def sized_here(place: Planting, key: str, need: str) -> Part | None:
    """A barrier against one need and, in the same piece, against all others here that it can hold."""
    spec = {name: value for name, value in place.spec.items() if name != "barrier"}
    where = (place.snow_mm, spec, place.ground.slope_percent, place.years, place.tall_ha, place.country)
    return sized(key, [need], *where) and sized(key, place.needs, *where)


def place_of(inputs: Told, animals: Iterable[str], kind: str, spec: Told | None = None) -> Planting:
    """The planting that a case tells of; a hectare of 400 trees where it says nothing."""
    words = [str(word) for word in _listed(inputs.get("ground")) + _listed(inputs.get("site"))]
    slope = inputs.get("slope", 0.0)
    tree = str(inputs.get("tree", ""))
    return planting(
        _ground(inputs, float(slope) if isinstance(slope, int | float) else 0.0), 20, list(animals),
        snow_mm=_snow_mm(inputs), conifers=any(name in tree for name in CONIFERS), large_trees=kind == "band",
        soil=next((word for word in words if word in SOILS), "normal"), country=str(inputs.get("country") or ""),
        site=[word for word in words if word in SITE] + (["grazed"] if kind == "stock_guard" else []), spec=spec)


def _ground(inputs: Told, slope: float) -> Ground:
    if "line_m" in inputs:
        return square_ground((float(inputs["line_m"]) / 4) ** 2, slope)
    return square_ground(10_000 * float(inputs.get("hectares", 1.0)), slope)


def _snow_mm(inputs: Told) -> float:
    units = {"snow_mm": 1.0, "snow_depth_m": METRE, "snow_m": METRE, "snow_in": INCH, "snow_depth_in": INCH, "snow_ft": FOOT}
    return max([units[key] * float(inputs[key]) for key in units if key in inputs], default=0.0)


def _listed(told: Any) -> list[Any]:
    return [] if told is None else list(told) if isinstance(told, list) else [told]


def _animals(inputs: Told) -> list[str]:
    return _listed(inputs.get("animals", inputs.get("animal", "deer")))


def kinds_asked(inputs: Told, expected: Told) -> str:
    """What the page builds; at one plant what the tool builds there, where the page does not say and asks for no fence."""
    told = inputs.get("barrier") or inputs.get("device")
    if told:
        return SAME_KIND.get(str(told), str(told))
    if any(FENCE_ONLY.search(key) for key in expected) and not {"sides", "side_m"} & set(expected):
        return "netting_fence"
    if "sides" in expected and Built(inputs, _animals(inputs), "stock_guard").main is not None:
        return "stock_guard"
    try:
        return AT_ONE_PLANT.get(str(require(_animals(inputs)).kind), "cage")
    except CannotUse:
        return "cage"


# what each key asks: length by which unit, of which dimension (the first that a barrier has), and how it is bound
_UNITS = {"mm": 1.0, "cm": 10.0, "m": METRE, "in": INCH, "ft": FOOT}
LENGTHS: dict[str, tuple[tuple[str, ...], str]] = {
    "height": (("top",), "least"), "tube_height": (("top",), "least"), "band": (("top",), "least"),
    "electric": (("top",), "least"), "reach": (("top",), "least"),
    "mesh": (("opening",), "most"), "max_mesh": (("opening",), "most"), "uprights": (("opening",), "most"),
    "posts": (("post spacing",), "most"), "post_spacing": (("post spacing",), "most"),
    "stake_spacing": (("post spacing",), "most"),
    "post": (("post length", "stake length"), "least"), "line_post": (("post length",), "least"),
    "stake": (("stake length", "post length"), "least"), "stake_length": (("stake length", "post length"), "least"),
    "post_thickness": (("post thickness", "stake thickness"), "least"),
    "wood_post": (("post thickness",), "least"),
    "post_depth": (("post depth", "stake depth"), "least"), "post_in_ground": (("post depth", "stake depth"), "least"),
    "steel_post_depth": (("post depth",), "least"), "stake_depth": (("stake depth", "post depth"), "least"),
    "end_post": (("end post length",), "least"), "end_post_thickness": (("end post thickness",), "least"),
    "depth": (("end post depth",), "least"), "strut": (("brace length",), "least"),
    "turned": (("out-turn",), "least"), "out_turn": (("out-turn",), "least"),
    "burial": (("in the ground", "out-turn"), "least"), "below_ground": (("in the ground", "out-turn"), "least"),
    "buried_or_lapped": (("in the ground", "out-turn"), "least"),
    "netting_width": (("mesh width",), "least"), "roll": (("mesh width",), "least"),
    "side": (("across",), "least"), "gap": (("stand-off",), "least"),
    "ground_gap": (("bottom gap",), "most"), "mesh_tube_diameter": (("across",), "about"),
}
THICK = ("post", "end_post", "stake")  # those in mm or cm are how thick, those in m and ft how long
AT_LEAST_ONE_OF_EACH = ("height", "tube_height", "burial", "gap", "electric")  # the tallest part, the deepest foot


def _length(key: str) -> tuple[str, float, tuple[str, ...], str] | None:
    """Name, unit [mm], dimensions and bound of a key that asks for a length."""
    bare = re.sub(r"_(min|max)$", "", key)
    name, _, unit = bare.rpartition("_")
    if unit not in _UNITS:
        return None
    if name in THICK and unit in ("mm", "cm"):
        name = {"post": "post_thickness", "end_post": "end_post_thickness", "stake": "post_thickness"}[name]
    if name not in LENGTHS:
        return None
    names, bound = LENGTHS[name]
    return name, _UNITS[unit], names, bound


def _bounded(have: list[float], asked: Any, unit: float, bound: str, name: str) -> bool:
    """Whether what is built keeps the bound; a range asks for its easier end at least, its wider end at most."""
    values = [unit * float(one) for one in _listed(asked)]
    if not have:
        return False
    if bound == "least":
        return max(have) >= min(values) * (1 - SOLD)
    if bound == "about":
        return min(values) * (1 - SOLD) <= have[0] <= max(values) * (1 + SOLD)
    one = min(have) if name in ("mesh", "max_mesh", "uprights") else max(have)  # the finest mesh, the widest gap
    return one <= max(values) * (1 + SOLD)


def braced_every_m(built: Built) -> float:
    """How far apart the braces stand on a long side [m]."""
    part = built.main
    assert part is not None
    place = planting(square_ground(LONG_SIDE_M**2), 900, list(built.animals))
    return 4 * LONG_SIDE_M / (posts_of(place, part).within + 4)


def wire_mm(built: Built) -> float | None:
    """The thinnest wire of what is bought [mm]."""
    told = str(built.facts("buy", {}).get("wire", "")).split("reject")[0]
    found = [float(one) for one in re.findall(r"([\d.]+) mm", told)]
    return min(found) if found else None


def _strands(built: Built) -> int | None:
    part = built.main
    if part is None:
        return 0
    return len(wires(part)) or (int(built.facts("strands")[0]) if built.facts("strands") else None)


def _earth(get: Callable[[Energiser], float]) -> Callable[[Built, Any], bool | None]:
    return lambda built, asked: built.power is not None and get(built.power) >= float(asked) * (1 - SOLD)


def _said(words: str, built: Built) -> bool:
    return re.search(words, f"{built.words} {built.steps}") is not None


def _foot(built: Built, asked: Any) -> bool:
    tight = r"close every gap|pin the foot|[Tt]urf or pin|flush with the ground|into the soil|[Dd]ig in|tight to the ground"
    return built.main is not None and (bool(built.sizes("in the ground", "out-turn")) or _said(tight, built)) is bool(asked)


def _closer(built: Built, asked: Any) -> bool:
    heights = [] if built.main is None else [wire["height_mm"] for wire in wires(built.main)]
    gaps = [high - low for low, high in pairwise(heights)]
    told = "closest near the ground" in built.words or len(built.sizes("opening")) > 1 or (
        len(gaps) > 1 and gaps[0] < gaps[-1])
    return built.main is not None and told is bool(asked)


def _gauge(built: Built, asked: Any) -> bool:
    found = [float(one) for one in re.findall(r"([\d.]+) gauge", str(built.facts("buy", {}).get("wire", "")))]
    return bool(found) and min(found) <= float(asked)


def _wire(built: Built, asked: Any) -> bool | None:
    have = wire_mm(built)
    return (False if built.main is None else None) if have is None else have >= min(map(float, _listed(asked))) * (1 - SOLD)


def _life(built: Built, asked: Any) -> bool:
    cost, values = built.facts("cost", {}), [float(one) for one in _listed(asked)]
    life = float(cost.get("life_least", cost.get("life_years", [0]))[0]) if cost else 0.0
    return values[0] <= life and (len(values) == 1 or life <= values[1])


def _number(name: str) -> Callable[[Built, Any], bool | None]:
    def check(built: Built, asked: Any) -> bool | None:
        told = built.facts(name)
        return (False if built.main is None else None) if told is None else float(told[0]) >= min(
            map(float, _listed(asked))) * (1 - SOLD)
    return check


def _lowest(built: Built, asked: Any) -> bool:
    return built.main is not None and bool(wires(built.main)) and wires(built.main)[0]["height_mm"] <= max(
        map(float, _listed(asked))) * (1 + SOLD)


def _apart(words: str, most: bool) -> Callable[[Built, Any], bool | None]:
    def check(built: Built, asked: Any) -> bool | None:
        found = [float(one) for one in re.findall(words, f"{built.words} {built.steps}")]
        return bool(found) and (min(found) <= asked if most else max(found) >= asked)
    return check


def _lip(built: Built, asked: Any) -> bool:
    head = [length - depth for length, depth in zip(built.sizes("stake length"), built.sizes("stake depth"), strict=True)]
    return bool(head) and (head[0] < built.sizes("top")[0]) is bool(asked)


def _braced(built: Built, asked: Any) -> bool:
    return built.main is not None and braced_every_m(built) * METRE <= FOOT * asked * (1 + SOLD)


def _above_snow(built: Built, asked: Any) -> bool:
    return built.place is not None and bool(built.sizes("top")) and max(
        built.sizes("top")) - built.place.snow_mm >= FOOT * asked * (1 - SOLD)


OTHERS: dict[str, Callable[[Built, Any], bool | None]] = {
    "foot_tight_or_buried": _foot, "closer_at_the_ground": _closer, "set_into_ground": _foot,
    "barbed_along_top": lambda built, asked: built.main is not None and ("barbed" in built.words) is bool(asked),
    "base": lambda built, asked: built.main is not None and str(asked) in require(built.animals).base,
    "line_wires": lambda built, asked: None if (have := _strands(built)) is None else have >= min(_listed(asked)),
    "lowest_wire_mm_max": _lowest,
    "wire_gauge": _gauge, "wire_gauge_max": _gauge, "wire_mm_min": _wire, "wire_mm": _wire,
    "zinc_class": lambda built, asked: _said(rf"class {asked}\b", built),
    "life_years": _life, "life_years_min": _life,
    "overlap_mm_min": _number("overlap_mm"), "staples": _number("staples"),
    "sides": lambda built, asked: built.main is not None and built.main.sides >= asked,
    "volts_min": lambda built, asked: built.power is not None and asked <= built.power.volts,
    "earth_rods_min": _earth(lambda power: power.rods),
    "rod_length_ft": _earth(lambda power: power.rod_m * METRE / FOOT),
    "rod_spacing_ft": _earth(lambda power: power.rod_spacing_m * METRE / FOOT),
    "rod_ft_per_joule_min": _earth(lambda power: power.rods * power.rod_m * METRE / FOOT / power.joules),
    "earths_apart_m": _apart(r"at least (\d+) m from any other earth", most=False),
    "pegs_apart_m": _apart(r"every ([\d.]+) m along", most=True),
    "strainer_every_ft_max": _braced, "brace_every_ft": _braced,
    "strut_mm": lambda built, asked: any(float(one) >= asked for one in re.findall(
        r"(?:struts: at least|cross-members:) (\d+) mm", built.words)),
    "stake_below_lip": _lip, "above_snow_ft_min": _above_snow,
    "fence_m": lambda built, asked: built.place is not None and abs(built.place.ground.fence_m - asked) < 1,
}
# figures of another barrier than the one that the case names
BESIDE = {"electric": ("electric_ft_min", "lowest_wire_mm_max", "volts_min"), "tube": ("tube_height_m", "stake_below_lip"),
          "mesh_tube": ("mesh_tube_diameter_in",), "band": ("band_in",)}
HAS_WIRES = ("electric", "plain_strands")
# never a figure an animal
RANGES = ("mesh_mm", "mesh_in", "life_years", "wire_mm", "mesh_tube_diameter_in", "post_mm", "post_spacing_m")


def met(case: Told) -> dict[str, bool | None]:
    """Each figure of a case, and whether it is met; None where nothing could be held against it."""
    kind = kinds_asked(case["inputs"], case["expected"])
    ways = [{key: _met(case, key, asked, usual) for key, asked in case["expected"].items()}
            for usual in BARRIERS.get(kind, ("",))]
    return max(ways, key=lambda told: sum(one is True for one in told.values()))


def _met(case: Told, key: str, asked: Any, usual: str) -> bool | None:
    inputs, animals = case["inputs"], _animals(case["inputs"])
    kind = kinds_asked(inputs, case["expected"])
    if kind not in HAS_WIRES or key not in BESIDE["electric"]:  # a fence of wires is asked for its own lowest wire
        kind = next((other for other, keys in BESIDE.items() if key in keys), kind)
    if key == "line_wires" and any(one in case["expected"] for one in BESIDE["electric"]) and kind == "netting_fence":
        kind = "electric"
    if key.startswith("stake_") and any(one.startswith("post_") for one in case["expected"]):
        kind = "tube"  # posts of the fence, and stakes of the trees
    if key not in OTHERS and _length(key) is None:
        return None
    if isinstance(asked, list) and len(asked) == len(animals) > 1 and key not in RANGES:
        told = [_one(Built(inputs, [animal], kind, usual), key, one) for animal, one in zip(animals, asked, strict=True)]
        return None if None in told else all(told)
    return _one(Built(inputs, animals, kind, usual), key, asked)


def _one(built: Built, key: str, asked: Any) -> bool | None:
    if key in OTHERS:
        return OTHERS[key](built, asked)
    told = _length(key)
    assert told is not None
    name, unit, names, bound = told
    return _bounded(built.sizes(*names), asked, unit, bound, name)


def main(files: list[str]) -> None:
    for path in files or [str(path) for path in FILES]:
        count = {True: 0, False: 0, None: 0}
        whole, cases = 0, cases_of(path)
        for name, case in cases.items():
            told = met(case)
            whole += all(told.values())
            for one in told.values():
                count[one] += 1
            words = {True: "met", False: "NOT MET", None: "NO KEY"}
            print(name, "; ".join(f"{key} {case['expected'][key]}: {words[one]}" for key, one in told.items()))
        print(f"{path}: {count[True]} of {sum(count.values())} figures are met, {count[False]} are not, "
              f"{count[None]} have no key; {whole} of {len(cases)} cases whole")


if __name__ == "__main__":
    main(sys.argv[1:])
