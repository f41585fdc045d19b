"""Which barriers are there, which animals does each hold, and how must it be sized against them?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.given import a_whole, from_nought, one_of
from diagnose.knowledge import knowledge
from diagnose.places.place import areas, within
from diagnose.protect.requirement import needs

KEPT_OUT = 0.75  # a barrier that holds at least this share of an animal's damage is said to keep it out; our choice
# what can be built above the ground [mm]; our choice
TALLEST = {"area": 3600.0, "area_foot": 1800.0, "area_root": 900.0, "stem": 3000.0, "electric": 2450.0}
LARGE_HA = 5.0  # round more land than this some fences stand taller (FGS-DEER)
DEEPEST_BURIAL_MM = 152.0  # the deepest that is published for a guard against voles (KSU-VOLE)
STEM_MM = 20.0  # a planted seedling's stem, for cutting cages; our choice
LEAST_WIRE_STEP_MM = 150.0  # closer wires add nothing; our choice
TALL_STOCK_MM, ELK_MORE_MM = 1800.0, 900.0  # PSU-PLANT
UPHILL_MM = 1000.0  # how far uphill of a fence an animal takes off; our choice
RAIL_MM = 100.0  # depth of a rail (AECS-GUARD)
LIP_MM = 50.0  # stakes end so far below the top (common practice, no source)
ALARM_MM = 25.0  # a guard is widened before less is left on either side of the stem; our choice
GROWTH_MM = 5.0  # a young stem's growth in radius a year, from memory
MOST_GROWTH_YEARS = 8
# what planning asks of every barrier that can be built, of those round the planting, and of their cost
OF_ALL = ("name", "unit", "against", "kind", "needs", "fails", "seen_by", "buy", "cost")
OF_FENCES = ("mesh", "strained", "metal", "post", "end_post", "end_brace", "post_spacing_mm", "post_depth_mm",
             "bottom_gap_mm", "roll_m")
OF_COST = ("labour_h", "removal_h", "repair", "rounds", "look_h", "life_years", "ref_height")
SPEC_KEYS = ("name", "barrier", "height_mm_min", "opening_mm_max", "post_spacing_mm_max", "life_years_min")


@dataclass(frozen=True)
class Part:
    """One barrier of the catalogue, sized; 0 where a figure does not apply.

    Parameters
    ----------
    key, name, where, unit, sources
        Of the catalogue; figure, and its source key and tag [no unit].
    holds
        Need and share of its damage kept away [share].
    opening_mm
        Largest opening that its animals allow, as their source gives it [mm].
    top_mm, burial_mm, stand_off_mm
        Above the ground, below it, and off the stem [mm].
    wire_mm, width_mm
        Least wire, and width of the mesh that is bought [mm].
    sides, rails, backed
        Of a guard of posts and rails; rails a side, and whether mesh stands behind them [no unit].
    side_mm, post_mm, snow_mm
        Of the same, length of a side and thickness of posts; deepest snow sized for, wires under it carry nothing [mm].
    """

    key: str
    name: str
    where: str
    unit: str
    holds: tuple[tuple[str, float], ...]
    opening_mm: float
    top_mm: float
    burial_mm: float
    stand_off_mm: float
    wire_mm: float
    sources: tuple[tuple[str, str], ...]
    width_mm: float = 0.0
    sides: int = 0
    side_mm: float = 0.0
    post_mm: float = 0.0
    rails: int = 0
    backed: bool = False
    snow_mm: float = 0.0

    @property
    def round_the_planting(self) -> bool:
        """Whether it stands round the planting, not round each tree."""
        return self.where.startswith("area")

    @property
    def metal_netting(self) -> bool:
        """Whether it is metal mesh, which must touch nothing live."""
        facts = catalogue()[self.key]
        return bool(facts.get("mesh")) and facts.get("metal", self.where in ("stem", "base")) and not is_live(self)

    def as_json(self) -> dict[str, Any]:
        """Its sizes to 0.1 mm, with the share that it holds of each animal's damage and the sources."""
        told = {"barrier": self.key, "name": self.name, "holds": dict(self.holds), "top_mm": self.top_mm,
                "opening_mm": self.opening_mm, "burial_mm": self.burial_mm, "stand_off_mm": self.stand_off_mm,
                "wire_mm": self.wire_mm, "sources": dict(self.sources)}
        return {name: round(what, 1) if isinstance(what, float) else what for name, what in told.items()}


@cache
def catalogue() -> dict[str, Any]:
    """Barrier key -> its facts, as `barriers.yaml` holds them.

    Raises
    ------
    CannotUse
        For a barrier that lacks what planning needs of it.
    """
    found = knowledge("diagnose.protect", "barriers.yaml")
    for key, facts in found.items():
        if lacks := _lacking(facts):
            raise CannotUse(f"The barrier {key} lacks {', '.join(lacks)}; the head of barriers.yaml says what each is.")
    return found


def _lacking(facts: Mapping[str, Any]) -> list[str]:
    """What planning needs of a barrier and its entry does not say."""
    if facts.get("where") == "record":
        return []
    around = facts.get("where") in ("area", "area_foot", "area_root")
    lacks = [name for name in (*OF_ALL, *(OF_FENCES if around else ())) if name not in facts]
    if not around and "price" not in facts and "mesh" not in facts:
        lacks.append("price or mesh")
    return lacks + [f"cost: {name}" for name in OF_COST if name not in facts.get("cost", {})]


def published() -> dict[str, Any]:
    """Species -> device -> the sizes that a source states for it, as `published.yaml` holds them."""
    return knowledge("diagnose.protect", "published.yaml")


def evidence() -> dict[str, Any]:
    """Trial -> what it found, as `evidence.yaml` holds it."""
    return knowledge("diagnose.protect", "evidence.yaml")


def out_of_reach(stock_mm: float, elk_present: bool = False, snow_mm: float = 0.0) -> bool:
    """Whether planted stock of this height needs no browse guard, only one against antlers.

    1.8 m above the snow, "a few feet" (900 mm here) more where elk live.

    Parameters
    ----------
    stock_mm
        Height of the planted stock [mm].
    elk_present
        Do elk or moose live there? [no unit]
    snow_mm
        Deepest snow, drifts included [mm].

    References
    ----------
    .. [1] Penn State Center for Private Forests, Protection for your tree and shrub plantings, 2023 (PSU-PLANT).
    """
    from_nought(stock_mm, "The height of the stock"), from_nought(snow_mm, "The snow depth")
    return stock_mm >= TALL_STOCK_MM + (ELK_MORE_MM if elk_present else 0.0) + snow_mm


def published_size(species: str, device: str) -> dict[str, Any]:
    """The sizes that one source states for a species and device, as `published.yaml` holds them [mm].

    Parameters
    ----------
    species
        Such as `roe deer` [no unit].
    device
        Such as `tube`, `fence` or `cylinder` [no unit].

    Raises
    ------
    CannotUse
        For a species or device of which no size is published here.
    """
    key = species.strip().lower().replace(" ", "_").replace("-", "_")
    if key not in published() or device not in published()[key]:
        known = ", ".join(f"{name} ({', '.join(devices)})" for name, devices in published().items())
        raise CannotUse(f"no published size of a {device} against {species}; there is {known}")
    return dict(published()[key][device])


def buildable() -> list[str]:
    """Barriers that a plan may use; the others of the catalogue are kept as knowledge only."""
    return [key for key, facts in catalogue().items() if facts["where"] != "record"]


def countries() -> dict[str, Any]:
    """Code of a country, or a part of one -> what its sources ask of a barrier there, as `countries.yaml` holds it."""
    return knowledge("diagnose.protect", "countries.yaml")


def asked_in(key: str, country: str) -> dict[str, Any]:
    """What the sources of a country, or of a part of it, ask of a barrier; empty where nothing is kept.

    Parameters
    ----------
    key
        A barrier that a plan may use, else CannotUse is raised [no unit].
    country
        Code of a country or a part of one; empty where it is not told [no unit].
    """
    one_of(key, buildable(), "The barrier")
    told: dict[str, Any] = {}
    for code in reversed(within(country)) if country in areas() else ():  # what the part says goes before the country's
        own = countries().get(code, {}).get(key, {})
        told = {**told, **own, "top": {**told.get("top", {}), **own.get("top", {})}}
    return told if any(told.values()) else {}


def untested(key: str) -> bool:
    """Whether no trial of this barrier on planted trees is known, so that a plan takes it only when asked for by name.

    Parameters
    ----------
    key
        A barrier that a plan may use, else CannotUse is raised [no unit].
    """
    return bool(_facts(key).get("untested", False))


def _facts(key: str, hectares: float = 0.0, country: str = "") -> dict[str, Any]:
    """Facts of a barrier that can be built, its tops those round so much land [ha] in this country.

    Raises CannotUse for another barrier.
    """
    facts = dict(catalogue()[one_of(key, buildable(), "The barrier")])
    if from_nought(hectares, "The land") > LARGE_HA and "against" in facts:
        facts["against"] = {need: {**own, "top": own["large"], "margin": own["large"][0]} if "large" in own else own
                            for need, own in facts["against"].items()}
    taller = {need: top for need, top in asked_in(key, country).get("top", {}).items()
              if need in facts["against"] and top[0] > facts["against"][need]["top"][0]}
    if taller:
        facts["against"] = {need: {**own, "top": taller[need], "margin": taller[need][0]} if need in taller else own
                            for need, own in facts["against"].items()}
    return facts


def sized(key: str, against: Collection[str], snow_mm: float = 0.0, spec: Mapping[str, Any] | None = None,
          slope_percent: float = 0.0, years: int = 6, hectares: float = 0.0, country: str = "") -> Part | None:
    """The barrier sized against needs, or None when it holds none of them.

    The smallest opening, the tallest top (above the snow), the deepest foot, the widest stand-off of all that it can
    hold at a size that can be made; a need it cannot be made tall enough for is not held. Meshes are built to the whole
    width in which they are sold.

    Parameters
    ----------
    key
        A barrier that a plan may use [no unit].
    against
        Needs, as in `needs.yaml` [no unit].
    snow_mm
        Deepest snow, drifts included [mm].
    spec
        A programme's demands, see SPEC_KEYS, lengths [mm], life [year].
    slope_percent
        Heights are counted from the uphill side, where an animal stands higher [%].
    years
        For which the stem must find room in it, 0 to 200 [year].
    hectares
        Land that it goes round: round much of it some fences are taller [ha].
    country
        Code of the country, or of a part of it: its sources may ask for more; empty where it is not told [no unit].

    Raises
    ------
    CannotUse
        For another barrier, a demand that is not known, or a depth, slope or time that cannot be.

    References
    ----------
    .. [1] Sizes: `needs.yaml` and `barriers.yaml`, each with its source. Room for growth (ALARM_MM, GROWTH_MM) is our own
       choice.
    """
    facts, spec = _facts(key, hectares, country), checked_spec(spec)
    from_nought(snow_mm, "The snow depth"), from_nought(slope_percent, "The slope"), a_whole(years, "Years", 0, 200)
    held = [need for need in sorted(set(against) & set(facts["against"]))
            if _reachable(facts, need, snow_mm, slope_percent)]
    if not held:
        return None
    demands = [_demand(facts, need, snow_mm, slope_percent) for need in held]
    highest = max(demands, key=lambda demand: demand["top"])
    finest = min(demands, key=lambda demand: demand["opening"])
    burial = float(facts["burial_mm"][0]) if "burial_mm" in facts else max(demand["burial"] for demand in demands)
    stand_off = max(demand["stand_off"] for demand in demands)
    if facts["where"] == "base" and "mesh" in facts:
        stand_off = max(stand_off, ALARM_MM + GROWTH_MM * min(years, MOST_GROWTH_YEARS))
    opening = min(finest["opening"], float(spec.get("opening_mm_max", math.inf)))
    asked = max(highest["top"], float(spec.get("height_mm_min", 0)))
    built = _built(facts, asked, burial)
    if built is None:
        return None
    top, width = built
    burial = width - top if facts["where"] == "base" and width else burial
    guard = [facts["against"][need] for need in held if "sides" in facts["against"][need]]
    rails, backed = max((one["rails"] for one in guard), default=0), any(one["backed"] for one in guard)
    if guard and not backed:  # no mesh behind the rails: they stand as close as their animals ask
        top, width = asked, 0.0
        rails = max(rails, math.ceil(top / (RAIL_MM + opening) - 1e-9))
    return Part(key, facts["name"], facts["where"], facts["unit"],
                tuple((need, float(facts["against"][need]["holds"][0])) for need in held), float(opening), float(top),
                burial, stand_off, max(demand["wire"] for demand in demands),
                (("opening", finest["opening_source"]), ("top", highest["top_source"])), width,
                max((one["sides"] for one in guard), default=0), float(max((one["side_mm"] for one in guard), default=0)),
                float(max((one["post_mm"] for one in guard), default=0)),
                rails, backed, float(snow_mm))


def variants(key: str, against: Collection[str], snow_mm: float = 0.0, spec: Mapping[str, Any] | None = None,
             slope_percent: float = 0.0, years: int = 6, hectares: float = 0.0, country: str = "") -> list[Part]:
    """The barrier in every size that some of the needs ask for, each with all that it holds at that size.

    A plan may take the smaller size and bear what the larger would have held: so one more animal, however unlikely, never
    makes the plan for the others dearer.

    Parameters
    ----------
    key, against, snow_mm, spec, slope_percent, years, hectares, country
        As for `sized`, each in its own unit.

    Returns
    -------
    list of Part
        From the smallest opening, then the lowest top, up.
    """
    facts = _facts(key, hectares, country)
    from_nought(snow_mm, "The snow depth"), from_nought(slope_percent, "The slope")
    can = [need for need in sorted(set(against) & set(facts["against"]))
           if _reachable(facts, need, snow_mm, slope_percent)]
    like: dict[tuple[Any, ...], list[str]] = {}
    for need in can:
        demand = _demand(facts, need, snow_mm, slope_percent)
        own = facts["against"][need]
        alike = (demand["opening"], demand["top"], demand["burial"], demand["stand_off"], demand["wire"],
                 own.get("sides"), own.get("side_mm"), own.get("rails"), own.get("backed"))
        like.setdefault(alike, []).append(need)
    groups = list(like.values())
    found: dict[tuple[float, ...], Part] = {}
    for count in range(1, len(groups) + 1):
        for picked in itertools.combinations(groups, count):
            part = sized(key, [need for group in picked for need in group], snow_mm, spec, slope_percent, years,
                         hectares, country)
            if part is None:
                continue
            part = replace(part, holds=tuple((need, float(facts["against"][need]["holds"][0])) for need in can
                                             if _meets(part, facts, need, snow_mm, slope_percent)))
            size = (part.opening_mm, part.top_mm, part.burial_mm, part.stand_off_mm, part.wire_mm, part.side_mm,
                    part.sides, part.post_mm, part.rails, part.backed)
            if size not in found or len(part.holds) > len(found[size].holds):
                found[size] = part
    return [found[size] for size in sorted(found)]


def _meets(part: Part, facts: Mapping[str, Any], need: str, snow_mm: float, slope_percent: float) -> bool:
    demand, own = _demand(facts, need, snow_mm, slope_percent), facts["against"][need]
    return (part.opening_mm <= demand["opening"] and part.top_mm >= demand["top"] - 0.5
            and part.burial_mm >= demand["burial"] and part.stand_off_mm >= demand["stand_off"]
            and part.wire_mm >= demand["wire"] and part.side_mm >= own.get("side_mm", 0.0)
            and part.sides >= own.get("sides", 0) and part.post_mm >= own.get("post_mm", 0.0)
            and part.rails >= own.get("rails", 0) and part.backed >= own.get("backed", False))


def _demand(facts: Mapping[str, Any], need: str, snow_mm: float, slope_percent: float) -> dict[str, Any]:
    """What one need asks of this barrier: lengths [mm] and the sources of opening and top."""
    said = needs()[need]
    asked = _asked(facts["against"][need], said, snow_mm)
    made_here = facts["where"] in ("base", "root", "stem") and "sizes_mm" not in facts
    stand_off = float(said.get("stand_off", {}).get("value", 0)) if made_here else 0.0
    top = asked["top"][0]
    if "sizes_mm" not in facts and top > 0:
        top += slope_percent / 100 * (UPHILL_MM if facts["where"].startswith("area") else stand_off)
    return {"opening": asked["opening"][0], "opening_source": asked["opening"][1], "top": top, "top_source": asked["top"][1],
            "stand_off": stand_off,
            "burial": float(said.get("base", {}).get("value", 0)) if made_here and facts["where"] != "root" else 0.0,
            "wire": float(said.get("wire", {}).get("value", 0)) if made_here else 0.0}


def _reachable(facts: Mapping[str, Any], need: str, snow_mm: float, slope_percent: float) -> bool:
    """Whether the barrier can be made tall enough for this need."""
    demand = _demand(facts, need, snow_mm, slope_percent)
    burial = float(facts["burial_mm"][0]) if "burial_mm" in facts else demand["burial"]
    return _built(facts, demand["top"], burial) is not None


def _built(facts: Mapping[str, Any], top: float, burial: float) -> tuple[float, float] | None:
    """Top and width of the mesh [mm] of the smallest size that reaches a top; None where none does."""
    where = facts["where"]
    if "sizes_mm" in facts:
        fitting = [size for size in facts["sizes_mm"] if size >= top]
        return (float(min(fitting)), 0.0) if fitting else None
    limit = TALLEST["electric" if facts.get("kind") == "electric" else where] if where in TALLEST else math.inf
    if "widths_mm" not in facts:
        return (top, 0.0) if top <= limit else None
    turned = float(facts.get("out_turn_mm", [0])[0])
    fitting = [width for width in facts["widths_mm"] if width >= top + burial + turned]
    if fitting and where == "base":  # what is over goes into the ground, so far as that helps, and then to the top
        return max(top, min(fitting) - DEEPEST_BURIAL_MM), float(min(fitting))
    if fitting:
        return min(fitting) - burial - turned, float(min(fitting))
    if "extra_wire_gap_mm" in facts and top <= limit:  # plain wires above the widest mesh (RUT889, TAS-DEER)
        return top, float(max(facts["widths_mm"]))
    return None


def _asked(own: Mapping[str, Any], need: Mapping[str, Any], snow_mm: float) -> dict[str, tuple[float, str]]:
    """Opening and top [mm] that this need asks of this barrier, each with its source."""
    top = own.get("top") or [need["top"]["value"], need["top"]["source"], need["top"]["tag"]]
    opening = own.get("opening") or [need["opening"]["value"], need["opening"]["source"], need["opening"]["tag"]]
    margin = own.get("margin", need.get("snow_margin", {}).get("value", 0))
    over_snow = snow_mm + margin if snow_mm > 0 and margin > 0 else 0.0
    return {"opening": (float(opening[0]), f"{opening[1]} [{opening[2]}]"),
            "top": (max(float(top[0]), over_snow), f"{top[1]} [{top[2]}]" + (" plus snow" if over_snow > top[0] else ""))}


def checked_spec(spec: Mapping[str, Any] | None) -> dict[str, Any]:
    """A cost-share programme's demands, checked.

    Parameters
    ----------
    spec
        Demand -> its value, see SPEC_KEYS, lengths [mm], life [year]; None for none.

    Raises
    ------
    CannotUse
        For a demand that is not known, or that asks for what cannot be.
    """
    told = dict(spec or {})
    for key in told:
        if key not in SPEC_KEYS:
            raise CannotUse(f"the programme's file says '{key}'; it may say {', '.join(SPEC_KEYS)}")
    wanted = told.get("barrier", [])
    told["barrier"] = [wanted] if isinstance(wanted, str) else list(wanted)
    for key in told["barrier"]:
        if key not in buildable():
            raise CannotUse(f"the programme asks for '{key}'; choose from {', '.join(buildable())}")
    for key in SPEC_KEYS[2:]:
        if key in told and not (isinstance(told[key], (int, float)) and math.isfinite(told[key]) and told[key] > 0):
            raise CannotUse(f"the programme's {key} must be a number above zero")
    return told


def wires(part: Part) -> list[dict[str, Any]]:
    """The wires of a fence of wires, from the lowest.

    Those of the published layout (where each animal has one, of the layout with most wires among those that it holds), and
    more above them in turn until the top is reached, no farther apart than the layout's widest gap. A live wire under the
    snow is `off`: it hangs on a switch of its own and counts as nothing.

    Parameters
    ----------
    part
        The fence, sized [mm].

    Returns
    -------
    list of dict
        plane, height_mm [mm] and state (live, earth, dead or off) of each; empty for a fence of mesh.
    """
    facts = catalogue()[part.key]
    told = [dict(wire) for wire in facts.get("wires", [])] or [
        {"plane": 1, "height_mm": height, "state": facts["wires_state"]} for height in _layout(part)]
    while told and (missing := part.top_mm - max(wire["height_mm"] for wire in told)) > 20:
        highest = max(told, key=lambda wire: wire["height_mm"])
        step = max(LEAST_WIRE_STEP_MM, missing / math.ceil(missing / max(part.opening_mm, LEAST_WIRE_STEP_MM)))
        turn = {"live": "earth", "earth": "live"} if any(wire["state"] == "earth" for wire in told) else {}
        told.append({"plane": highest["plane"], "height_mm": round(highest["height_mm"] + step),
                     "state": turn.get(highest["state"], highest["state"])})
    return [{**wire, "state": "off" if wire["state"] == "live" and wire["height_mm"] <= part.snow_mm else wire["state"]}
            for wire in sorted(told, key=lambda wire: (wire["height_mm"], wire["plane"]))]


def _layout(part: Part) -> list[float]:
    """Heights of the wires of the layout with most of them, among those of the animals that it holds [mm]."""
    against = catalogue()[part.key]["against"]
    return max((against[need]["wires_mm"][0] for need, _ in part.holds if "wires_mm" in against[need]), key=len, default=[])


def most_live_wires(key: str) -> int:
    """Live wires of a barrier's published layout, of the longest where each animal has one.

    Parameters
    ----------
    key
        A barrier that a plan may use, else CannotUse is raised [no unit].
    """
    facts = catalogue()[one_of(key, buildable(), "The barrier")]
    own = max((len(one["wires_mm"][0]) for one in facts["against"].values() if "wires_mm" in one), default=0)
    return sum(wire["state"] == "live" for wire in facts.get("wires", [])) + (own if is_live_kind(key) else 0)


def extra_wires_mm(part: Part) -> list[float]:
    """Heights of the plain wires above a mesh that is not sold wide enough, no farther apart than TAS-DEER says [mm].

    Parameters
    ----------
    part
        The fence, sized [mm].
    """
    facts = catalogue()[part.key]
    if "extra_wire_gap_mm" not in facts or part.top_mm - part.width_mm <= 1 or part.width_mm == 0:
        return []
    count = math.ceil((part.top_mm - part.width_mm) / float(facts["extra_wire_gap_mm"][0]))
    return [part.width_mm + (part.top_mm - part.width_mm) * (wire + 1) / count for wire in range(count)]


def live_wires(part: Part) -> int:
    """Live wires above the snow.

    Parameters
    ----------
    part
        The fence, sized [mm].
    """
    return sum(wire["state"] == "live" for wire in wires(part))


def is_live(part: Part) -> bool:
    """Whether anything of this barrier is electrified.

    Parameters
    ----------
    part
        A barrier [no unit].
    """
    return is_live_kind(part.key)


def is_live_kind(key: str) -> bool:
    """Whether anything of a barrier of this key is electrified.

    Parameters
    ----------
    key
        Of the catalogue [no unit].
    """
    return bool(catalogue()[one_of(key, catalogue(), "The barrier")].get("kind") == "electric")


def most_asked(part: Part, name: str) -> float:
    """The most that its animals ask of a figure which only some of them name, as `volts` or `droppers`; 0 where none does.

    Parameters
    ----------
    part
        The barrier [no unit].
    name
        Of the figure, as in `barriers.yaml` under `against`, in its own unit.
    """
    against = catalogue()[part.key]["against"]
    return max((float(against[need][name][0]) for need, _ in part.holds if name in against[need]), default=0.0)


def around_stem_mm(gap_mm: float, stem_mm: float = STEM_MM, overlap_mm: float = 0.0) -> float:
    """Length to cut for a cage or cylinder [mm]: pi x (stem + 2 x gap) + overlap.

    Parameters
    ----------
    gap_mm
        Between stem and mesh [mm].
    stem_mm
        The stem's diameter [mm].
    overlap_mm
        Of the two ends [mm].

    Raises
    ------
    CannotUse
        For a length below nought.
    """
    from_nought(gap_mm, "The gap"), from_nought(stem_mm, "The stem's diameter"), from_nought(overlap_mm, "The overlap")
    return math.pi * (stem_mm + 2 * gap_mm) + overlap_mm
