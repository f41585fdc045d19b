"""Which barriers are there, which animals does each hold, and how must it be sized against them?"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect.requirement import needs

ENOUGH = 0.5  # a barrier that holds less than half of an animal's damage does not stop it; our choice
TALLEST = {"area": 3600.0, "area_foot": 2400.0, "area_root": 900.0, "stem": 3000.0}  # what can be built; our choice [mm]
STEM_MM = 20.0  # a planted seedling's stem, for cutting cages; our choice
LEAST_WIRE_STEP_MM = 200.0  # closer live wires add nothing; our choice
TALL_STOCK_MM, ELK_MORE_MM = 1800.0, 900.0  # PSU-PLANT
UPHILL_MM = 1000.0  # how far uphill of a fence an animal takes off; our choice
LIP_MM = 50.0  # stakes end so far below the top (common practice, no source)
SPEC_KEYS = ("name", "barrier", "height_mm_min", "opening_mm_max", "post_spacing_mm_max", "life_years_min")


@dataclass(frozen=True)
class Part:
    """One barrier of the catalogue, sized. Lengths in mm; 0 where a figure does not apply.

    holds : need -> share of its damage kept away. sources : figure -> source key and tag.
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

    @property
    def round_the_planting(self) -> bool:
        return self.where.startswith("area")

    def as_json(self) -> dict[str, Any]:
        told = {"barrier": self.key, "name": self.name, "holds": dict(self.holds), "top_mm": self.top_mm,
                "opening_mm": self.opening_mm, "burial_mm": self.burial_mm, "stand_off_mm": self.stand_off_mm,
                "wire_mm": self.wire_mm, "sources": dict(self.sources)}
        return {name: round(what, 1) if isinstance(what, float) else what for name, what in told.items()}


def catalogue() -> dict[str, Any]:
    """Barrier key -> its facts, as `barriers.yaml` holds them."""
    return knowledge("diagnose.protect", "barriers.yaml")


def published() -> dict[str, Any]:
    """Species -> device -> the sizes that a source states for it, as `published.yaml` holds them."""
    return knowledge("diagnose.protect", "published.yaml")


def evidence() -> dict[str, Any]:
    """Trial -> what it found, as `evidence.yaml` holds it."""
    return knowledge("diagnose.protect", "evidence.yaml")


def out_of_reach(stock_mm: float, elk_present: bool = False, snow_mm: float = 0.0) -> bool:
    """Whether planted stock of this height [mm] needs no browse guard, only one against antlers.

    1.8 m above the snow, "a few feet" (900 mm here) more where elk live. References: Penn State Center for Private
    Forests, Protection for your tree and shrub plantings, 2023 (PSU-PLANT).
    """
    return stock_mm >= TALL_STOCK_MM + (ELK_MORE_MM if elk_present else 0.0) + snow_mm


def published_size(species: str, device: str) -> dict[str, Any]:
    """The sizes that one source states for a species and device (tube, fence, cylinder, ...). Raises CannotUse."""
    key = species.strip().lower().replace(" ", "_").replace("-", "_")
    if key not in published() or device not in published()[key]:
        known = ", ".join(f"{name} ({', '.join(devices)})" for name, devices in published().items())
        raise CannotUse(f"no published size of a {device} against {species}; there is {known}")
    return dict(published()[key][device])


def buildable() -> list[str]:
    """Barriers that a plan may use; the others of the catalogue are kept as knowledge only."""
    return [key for key, facts in catalogue().items() if facts["where"] != "record"]


def sized(key: str, against: Collection[str], snow_mm: float = 0.0, spec: Mapping[str, Any] | None = None,
          slope_percent: float = 0.0) -> Part | None:
    """The barrier sized against needs, or None when it holds none of them.

    The smallest opening, the tallest top (above the snow), the deepest foot, the widest stand-off of all that it can
    hold at a size that can be made; a need it cannot be made tall enough for is not held. spec : a programme's demands.
    slope_percent : heights are counted from the uphill side, where an animal stands higher.
    """
    facts, spec = catalogue()[key], spec or {}
    limit = max(facts["sizes_mm"]) if "sizes_mm" in facts else TALLEST.get(facts["where"], math.inf)
    held, sources = [], {}
    opening, top, burial, stand_off, wire = math.inf, 0.0, 0.0, 0.0, 0.0
    for need in sorted(set(against) & set(facts["against"])):
        share, asked = facts["against"][need]["holds"], _asked(facts["against"][need], needs()[need], snow_mm)
        if asked["top"][0] > limit:
            continue
        held.append((need, float(share[0])))
        if asked["opening"][0] < opening:
            opening, sources["opening"] = asked["opening"][0], asked["opening"][1]
        if asked["top"][0] > top:
            top, sources["top"] = asked["top"][0], asked["top"][1]
        if facts["where"] in ("base", "root", "stem") and "sizes_mm" not in facts:
            burial = max(burial, float(needs()[need].get("base", {}).get("value", 0)) if facts["where"] == "base" else 0.0)
            stand_off = max(stand_off, float(needs()[need].get("stand_off", {}).get("value", 0)))
            wire = max(wire, float(needs()[need].get("wire", {}).get("value", 0)))
    if not held:
        return None
    top, opening = max(top, float(spec.get("height_mm_min", 0))), min(opening, float(spec.get("opening_mm_max", math.inf)))
    if "sizes_mm" in facts:
        fitting = [size for size in facts["sizes_mm"] if size >= top]
        if not fitting:
            return None
        top = float(min(fitting))
    elif top > 0:
        top += slope_percent / 100 * (UPHILL_MM if facts["where"].startswith("area") else stand_off)
    if "burial_mm" in facts:
        burial = float(facts["burial_mm"][0])
    return Part(key, facts["name"], facts["where"], facts["unit"], tuple(held), float(opening), float(top), burial,
                stand_off, wire, tuple(sorted(sources.items())))


def _asked(own: Mapping[str, Any], need: Mapping[str, Any], snow_mm: float) -> dict[str, tuple[float, str]]:
    """Opening and top [mm] that this need asks of this barrier, each with its source."""
    top = own.get("top") or [need["top"]["value"], need["top"]["source"], need["top"]["tag"]]
    opening = own.get("opening") or [need["opening"]["value"], need["opening"]["source"], need["opening"]["tag"]]
    margin = own.get("margin", need.get("snow_margin", {}).get("value", 0))
    over_snow = snow_mm + margin if snow_mm > 0 and margin > 0 else 0.0
    return {"opening": (float(opening[0]), f"{opening[1]} [{opening[2]}]"),
            "top": (max(float(top[0]), over_snow), f"{top[1]} [{top[2]}]" + (" plus snow" if over_snow > top[0] else ""))}


def checked_spec(spec: Mapping[str, Any] | None) -> dict[str, Any]:
    """A cost-share programme's demands, checked. Raises CannotUse for a demand that is not known."""
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
    """The wires of a fence of wires, from the catalogue; live ones are added above until the top is reached.

    Each is plane, height_mm and state (live, earth or dead). Added ones stand in the last plane, no farther apart
    than the opening, or 200 mm in a netting.
    """
    told = [dict(wire) for wire in catalogue()[part.key].get("wires", [])]
    while told and max(wire["height_mm"] for wire in told) < part.top_mm - 1:
        highest = max(wire["height_mm"] for wire in told)
        step = min(max(part.opening_mm, LEAST_WIRE_STEP_MM), part.top_mm - highest)
        told.append({"plane": max(wire["plane"] for wire in told), "height_mm": highest + step, "state": "live"})
    return told


def around_stem_mm(gap_mm: float, stem_mm: float = STEM_MM, overlap_mm: float = 0.0) -> float:
    """Length to cut for a cage or cylinder [mm]: pi x (stem + 2 x gap) + overlap."""
    return math.pi * (stem_mm + 2 * gap_mm) + overlap_mm
