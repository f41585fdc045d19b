"""What must be bought and carried to build a combination of barriers, and what is checked on delivery?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from diagnose.protect.barriers import LIP_MM, Part, around_stem_mm, catalogue, wires
from diagnose.protect.electric import energiser
from diagnose.protect.planting import STOCK, Planting, live_wires, on_another_fence, units

SIGN_SPACING_M = 50.0  # and at every gate and corner; see disagreements.yaml, sign_spacing
BRACED_POST_MM = 150.0  # thickness of corner and gate posts (SK05: 5 to 6 inches)
CHECK = {
    "mesh": "measure the opening and the wire of every roll: netting sold as 31 mm may measure 36 mm",
    "tube": "count the bundles; look for split lines, sharp rims, missing ties and the UV statement",
    "stake": "length, straight grain, no knots; metal where wind is strong",
    "live": "marked to IEC 60335-2-76; joules are output, not stored",
    "other": "count it",
}


@dataclass(frozen=True)
class Line:
    """One line of the buying list. quantity counts the spare in; to_buy is what stock does not cover."""

    item: str
    specification: str
    quantity: float
    unit: str
    from_stock: float
    to_buy: float
    kg: float
    check: str

    def as_json(self) -> dict[str, Any]:
        return {"item": self.item, "specification": self.specification, "quantity": _plain(self.quantity), "unit": self.unit,
                "from_stock": _plain(self.from_stock), "to_buy": _plain(self.to_buy), "kg": round(self.kg, 1),
                "check": self.check}


def dimensions(place: Planting, part: Part) -> dict[str, float]:
    """Every length [mm] that is built, by name: what the drawing shows is this."""
    facts = catalogue()[part.key]
    meshed = part.opening_mm >= 2 and part.where not in ("spray", "ground")
    told = {"top": part.top_mm, "opening": part.opening_mm if meshed else 0.0, "in the ground": part.burial_mm}
    if part.round_the_planting:
        told["out-turn"] = float(facts.get("out_turn_mm", [0])[0])
        told["bottom gap"] = float(facts["bottom_gap_mm"][0])
        told["post spacing"] = post_spacing_mm(place, part)
        told["post depth"] = float(facts["post_depth_mm"][0])
        told["post length"] = max(float(facts["post_length_mm"][0]), part.top_mm + told["post depth"] + 50)
        told["between planes"] = float(facts.get("plane_spacing_mm", [0])[0])
        for number, wire in enumerate(wires(part), start=1):
            told[f"wire {number}"] = float(wire["height_mm"])
    elif part.where in ("stem", "base", "root"):
        told["across"] = float(facts["diameter_mm"][0]) if "diameter_mm" in facts else _across(facts, part)
        if "roll_m" in facts:
            told["cut length"] = around_stem_mm(part.stand_off_mm, overlap_mm=float(facts["overlap_mm"][0]))
        if "stakes" in facts:
            # a published length that is longer than needed is driven deeper: a head above the lip would rub the stem
            head, depth = part.top_mm - LIP_MM, float(facts["stake_depth_mm"][0])
            told["stake length"] = max(head + depth, float(facts.get("stake_length_mm", [0])[0]))
            told["stake depth"] = told["stake length"] - head
    return {name: round(value, 1) for name, value in told.items() if value > 0 or name == "top"}


def _across(facts: dict[str, Any], part: Part) -> float:
    return around_stem_mm(part.stand_off_mm) / math.pi if "roll_m" in facts else 0.0


def post_spacing_mm(place: Planting, part: Part) -> float:
    """The catalogue's spacing of line posts, or a programme's if that is closer [mm]."""
    own = float(catalogue()[part.key]["post_spacing_mm"][0])
    return min(own, float(place.spec.get("post_spacing_mm_max", math.inf)))


def line_posts(place: Planting, part: Part) -> int:
    """Posts between the corners, side by side of the boundary; each side begins anew."""
    spacing = post_spacing_mm(place, part) / 1000
    along = place.ground.fence_m / place.ground.perimeter_m
    return sum(max(0, math.ceil(side * along / spacing - 1e-9) - 1) for side in place.ground.sides_m)


def bill(place: Planting, parts: tuple[Part, ...]) -> tuple[Line, ...]:
    """The buying list of these barriers, in their order."""
    lines: list[Line] = []
    for part in parts:
        if part.round_the_planting:
            main = next((other for other in parts if other.where == "area"), None) if on_another_fence(part, parts) else None
            lines += _round_the_planting(place, part, main)
        else:
            lines += _at_each_tree(place, part)
    return _from_stock(lines, place.owned)


def _from_stock(lines: list[Line], owned: Mapping[str, float]) -> tuple[Line, ...]:
    """The lines with what lies in stock besides barriers taken off, first come first served."""
    left = {key: owned.get(key, 0.0) for key in STOCK}
    told = []
    for line in lines:
        key = next((key for key, (start, _) in STOCK.items() if line.item.startswith(start)), None)
        if key is not None and left[key] > 0:
            used = min(left[key], line.to_buy)
            left[key] -= used
            line = replace(line, from_stock=line.from_stock + used, to_buy=line.to_buy - used)
        told.append(line)
    return tuple(told)


def loads(place: Planting, lines: tuple[Line, ...]) -> int:
    """Loads to carry in from the track."""
    return math.ceil(sum(line.kg for line in lines) / place.price("load_kg"))


def _line(item: str, specification: str, quantity: float, unit: str, check: str, stock: float = 0.0,
          kg: float = 0.0) -> Line:
    used = min(stock, quantity)
    return Line(item, specification, quantity, unit, used, quantity - used, kg, CHECK[check])


def _mesh_words(part: Part) -> str:
    buy, facts = catalogue()[part.key]["buy"], catalogue()[part.key]
    words = [buy["wire"]] if buy["wire"] != "none" else []
    if part.wire_mm > 0:
        words.append(f"wire at least {part.wire_mm:g} mm")
    if part.opening_mm >= 2:
        words.append(f"true opening at most {part.opening_mm:g} mm")
    words += [f"coating: {buy['coating']}"] if buy["coating"] != "none" else []
    words += [f"UV: {buy['uv']}"] if buy["uv"] != "none needed" else []
    words += [f"rolls of {facts['roll_m'][0]:g} m"] if "roll_m" in facts else []
    return ", ".join(words)


def _weight(place: Planting, part: Part) -> float:
    facts = catalogue()[part.key]["cost"]
    return float(facts["weight_kg"][0]) * max(1.0, part.top_mm / facts["ref_height"]) * units(place, part)


def _at_each_tree(place: Planting, part: Part) -> list[Line]:
    facts, built = catalogue()[part.key], dimensions(place, part)
    with_spare = math.ceil(place.trees * (1 + place.price("spare")) - 1e-9)
    stock, kg = place.owned.get(part.key, 0.0), _weight(place, part)
    if "roll_m" in facts:
        roll, cut = float(facts["roll_m"][0]), built["cut length"] / 1000
        width = part.top_mm + part.burial_mm
        missing = max(0.0, with_spare - stock)
        rolls = math.ceil(missing / max(1, math.floor(roll / cut))) if missing else 0
        words = f"{_mesh_words(part)}; {width:.0f} mm wide; {cut * 1000:.0f} mm cut for each piece"
        lines = [_line(part.name, words, with_spare, "pieces", "mesh", stock, kg),
                 _line(f"rolls for the {part.name}", f"{roll:g} m a roll, {width:.0f} mm wide", rolls, "rolls", "mesh")]
    elif "bundle" in facts:
        bundle = int(facts["bundle"][0])
        bundles = math.ceil(max(0.0, with_spare - stock) / bundle)
        words = f"{part.top_mm:.0f} mm tall" + (f", {built['across']:.0f} mm across" if "across" in built else "")
        words = ", ".join(filter(None, [words, _mesh_words(part)]))
        lines = [_line(part.name, words, with_spare, "pieces", "tube", stock, kg),
                 _line(f"bundles of {part.name}", f"{bundle} in a bundle", bundles, "bundles", "tube")]
    else:
        lines = [_line(part.name, "; ".join(facts["needs"]), with_spare, "pieces", "other", stock, kg)]
    if "stakes" in facts:
        kind = "metal" if place.strong_wind else "treated wood at least 25 x 25 mm, or metal"
        words = f"{kind}, {built['stake length']:.0f} mm long, {built['stake depth']:.0f} mm in the ground"
        lines.append(_line(f"stakes for the {part.name}", words, with_spare * int(facts["stakes"][0]), "stakes", "stake"))
        lines.append(_line(f"ties for the {part.name}", "never round the stem", with_spare * 2 * int(facts["stakes"][0]),
                           "ties", "other"))
    if "staples" in facts:
        lines.append(_line(f"ground staples for the {part.name}", "wire", with_spare * int(facts["staples"][0]), "staples",
                           "other"))
    return lines


def _round_the_planting(place: Planting, part: Part, main: Part | None) -> list[Line]:
    facts, built = catalogue()[part.key], dimensions(place, part)
    length = place.ground.fence_m * (1 + place.price("spare"))
    roll, stock = float(facts["roll_m"][0]), place.owned.get(part.key, 0.0)
    strands = len(wires(part)) or int(facts.get("strands", [0])[0])
    stranded = part.key != "electrified_netting" and strands > 0
    width = part.top_mm + part.burial_mm + built.get("out-turn", 0.0)
    run = length * strands if stranded else length
    words = f"{_mesh_words(part)}; " + (f"{strands} strands" if stranded else f"{width:.0f} mm wide")
    fresh = max(0.0, length - stock) * (strands if stranded else 1)
    stock *= strands if stranded else 1
    lines = [_line(part.name, words, math.ceil(run), "m", "mesh", stock, _weight(place, part)),
             _line(f"rolls for the {part.name}", f"{roll:g} m a roll", math.ceil(fresh / roll - 1e-9), "rolls", "mesh")]
    post = f"{built['post length']:.0f} mm long, {built['post depth']:.0f} mm in the ground"
    planes = 2 if "between planes" in built else 1
    corners, ends = place.ground.corners, place.ground.corners + 2 * place.gates
    if main is None:
        lines += _posts_and_gates(place, part, post, planes)
    else:
        more = max(0, line_posts(place, part) - line_posts(place, main))
        words = f"{post}, between the posts of the {main.name}, which carry it too"
        lines.append(_line(f"posts for the {part.name}", words, more, "posts", "stake"))
        lines.append(_line(f"proofing of gates for the {part.name}", "the same netting down to a sill", place.gates, "gates",
                           "other"))
    live = live_wires(part)
    if live:
        power = energiser(place.ground.fence_m, live)
        lines += [
            _line("energiser", f"at least {power.joules_by_wire:.2g} J output by live wire (UME-E); "
                               f"{power.joules_by_fence:.2g} J by length of fence (GERRISH)", 1, "piece", "live"),
            _line("earth rods", f"{power.rod_m:.2f} m galvanised, at least {power.rod_spacing_m:.2f} m apart", power.rods,
                  "rods", "live"),
            _line("insulators", "one for each wire at each post", strands * (line_posts(place, part) + ends), "pieces",
                  "live"),
            _line("warning signs", "at least 100 x 200 mm, yellow, both sides; at gates, corners and every 50 m",
                  math.ceil(place.ground.fence_m / SIGN_SPACING_M) + place.gates + corners, "signs", "live"),
            _line("volt meter", "for electric fences", 1, "piece", "live"),
        ]
    return lines


def _posts_and_gates(place: Planting, part: Part, post: str, planes: int) -> list[Line]:
    corners, ends = place.ground.corners, place.ground.corners + 2 * place.gates
    apart = post_spacing_mm(place, part) / 1000
    lines = [
        _line("line posts", f"{post}, at most {apart:.1f} m apart", line_posts(place, part) * planes, "posts", "stake"),
        _line("corner and gate posts", f"{post}, at least {BRACED_POST_MM:.0f} mm thick", ends * planes, "posts", "stake"),
        _line("braces", "cross-member and diagonal tie, one each way at corners and ends", 2 * corners + 2 * place.gates,
              "braces", "other"),
    ]
    if place.gates:
        lines.append(_line("gates", f"{part.top_mm:.0f} mm high, same mesh, proofed sill, gap at most 50 mm", place.gates,
                           "gates", "other"))
    return lines


def _plain(value: float) -> float | int:
    return int(value) if float(value).is_integer() else round(value, 2)
