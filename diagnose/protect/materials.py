"""What must be bought and carried to build a combination of barriers, what does it cost, and what is checked on delivery?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, above_nought, from_nought, one_of
from diagnose.protect.barriers import (
    LIP_MM,
    RAIL_MM,
    Part,
    around_stem_mm,
    buildable,
    catalogue,
    extra_wires_mm,
    is_live,
    most_asked,
    wires,
)
from diagnose.protect.electric import Energiser, energiser
from diagnose.protect.fence import post_spacing_mm, posts_of
from diagnose.protect.planting import STOCK, Planting
from diagnose.protect.prices import default_of, kg_of
from diagnose.protect.trade import TO_ORDER, at_least, at_most, name_of, trade_sizes

SIGN_SPACING_M = 50.0  # and at every gate and corner; see disagreements.yaml, sign_spacing
LEAD_OUT_M = 20.0  # insulated cable from the energiser to fence and rods; our choice
FINE_MM = 75.0  # smaller openings are bought as square mesh of 50 mm
LINE_WIRE_MM = 2.5  # 12.5 gauge
RAIL_THICK = "100 x 50 mm"  # AECS-GUARD
NAIL_KG, NAILS_A_POST = 0.012, 2  # a nail of 100 mm, and nails for a rail at a post; from memory
STAPLES_A_POST = 10  # for mesh behind rails; from memory
STAPLE_KG = 0.008  # a 9 gauge staple; from memory
DEEPEST_STAKE_MM = 700.0  # a longer stake beside a stem is not driven deeper; our choice
GATE_POST_MM, GATE_DEPTH_MM = 200.0, 1220.0  # timber gate posts (FGS-GATE); see disagreements.yaml, gate_post_depth
STOUT_MM = 150.0  # end posts from this on are of fences whose gates hang on posts of their own; our choice
GATE_CABLE_M = 5.0  # of it below a gate; our choice
COST_WORDS = {"m": "material, a metre of line", "tree": "material, a piece"}  # what a barrier's own price is of
# of a tube: the upper tie 100 mm below the stake's head (FGS-shelter), the lower one a third up (from memory)
TIE_BELOW_LIP_MM, LOWER_TIE = 150.0, 1 / 3
TIES_A_STAKE = {"tube": 2, "mesh_tube": 2, "cage": 3, "foot_guard": 2}
CHECK = {
    "mesh": "measure the opening and the wire of every roll",
    "netting": "measure the opening and the wire of every roll: netting sold as 31 mm may measure 36 mm",
    "wire": "measure the thickness of the wire and look for its coating on every roll",
    "tube": "count the bundles; look for split lines, sharp rims, missing ties and the UV statement",
    "post": "length and thickness, straight, no splits; treated for standing in the ground",
    "stake": "length and thickness, straight grain, no knots; metal where wind is strong",
    "energiser": "says that it meets IEC 60335-2-76; its joules are output, not stored",
    "sign": "yellow on both sides, at least 100 x 200 mm, letters of at least 25 mm",
    "other": "count it",
}


@dataclass(frozen=True)
class Line:
    """One line of the buying list.

    Parameters
    ----------
    item, specification, check, key
        What it is, how it must be, what is looked at on delivery, and the item of the price list [no unit].
    quantity, from_stock, to_buy
        What is needed, the spare counted in; how much of it lies in stock; what is bought, in whole packs, in `unit`.
    unit
        Name of the unit of quantities [no unit].
    kg
        Weight of the whole line [kg].
    price
        In today's money [money a unit].
    pack
        How many of them are sold together, as on a roll; 1 where each is sold by itself, in `unit`.
    price_year, remembered
        Of which year the default price is, and whether it is from memory [year, no unit].
    """

    item: str
    specification: str
    quantity: float
    unit: str
    from_stock: float
    to_buy: float
    kg: float
    check: str
    price: float = 0.0
    key: str = ""
    pack: float = 1.0
    price_year: int = 0
    remembered: bool = False

    @property
    def cost(self) -> float:
        """Price of what is to be bought of it [money]."""
        return self.to_buy * self.price

    @property
    def whole_cost(self) -> float:
        """Price of all that is needed of it, in whole packs, as if nothing lay in stock [money]."""
        return in_packs(self.quantity, self.pack) * self.price

    def as_json(self) -> dict[str, Any]:
        """As plain values, in the line's own unit; with the year of its price, and whether that is from memory."""
        told = {"item": self.item, "specification": self.specification, "quantity": _plain(self.quantity), "unit": self.unit,
                "from_stock": _plain(self.from_stock), "to_buy": _plain(self.to_buy), "price": round(self.price, 4),
                "cost": round(self.cost, 2), "kg": round(self.kg, 1), "check": self.check}
        return told | ({"price_year": self.price_year, "price_from_memory": self.remembered} if self.key else {})


def in_packs(quantity: float, pack: float) -> float:
    """What must be bought to have so much of a thing, in its own unit.

    Parameters
    ----------
    quantity
        That is needed, in any unit.
    pack
        How many are sold together, in the same unit; 1 where each is sold by itself.

    Raises
    ------
    CannotUse
        For a quantity below nought, or a pack of nothing.

    Examples
    --------
    >>> in_packs(420, 100), in_packs(420.5, 1)
    (500, 420.5)
    """
    from_nought(quantity, "The quantity"), above_nought(pack, "A pack")
    return quantity if pack == 1 else pack * math.ceil(quantity / pack - 1e-9)


@dataclass(frozen=True)
class Costed:
    """A barrier of a planting with what it takes. Money is of today, hours are a person's.

    Parameters
    ----------
    lines
        Of the buying list [no unit].
    hours, yearly_hours
        To carry and build it, and to look after it [h, h a year].
    yearly
        For looking after it and for repairs [money a year].
    renewal, removal
        To buy and build all of it once more; to take it away, less what it is still worth [money].
    wage
        Of a person [money an hour].
    """

    lines: tuple[Line, ...]
    hours: float
    yearly_hours: float
    yearly: float
    renewal: float
    removal: float
    wage: float

    @property
    def first(self) -> float:
        """Money for the first year: what the list says, and the hours."""
        return sum(line.cost for line in self.lines) + self.hours * self.wage


def cost_of(place: Planting, key: str, name: str, otherwise: float = 0.0) -> float:
    """A figure of a barrier's cost: the reader's own, else the catalogue's.

    Parameters
    ----------
    place
        The planting with the reader's prices [no unit].
    key
        A barrier that a plan may use [no unit].
    name
        Of the figure, as in `barriers.yaml` under `cost` [no unit].
    otherwise
        Taken where neither tells it, in the figure's own unit.

    Returns
    -------
    float
        In the figure's own unit: hours [h], years [year], money or shares.

    Raises
    ------
    CannotUse
        For another barrier.
    """
    own = place.prices.get(one_of(key, buildable(), "The barrier"), {})
    a_number(otherwise, "What is taken where nothing is told")
    value = own.get(name, catalogue()[key]["cost"].get(name, otherwise))
    return float(value[0] if isinstance(value, list) else value)


def costed(place: Planting, part: Part, main: Part | None = None) -> Costed:
    """What this barrier takes here.

    Parameters
    ----------
    place
        The planting; its record tells each unit.
    part
        The barrier, sized [mm].
    main
        The taller fence on whose posts it hangs; None for posts of its own [no unit].
    """
    lines = tuple(lines_of(place, part, main))
    facts, price = catalogue()[part.key], place.price
    count = units(place, part)
    reference = float(facts["cost"].get("ref_height", 1))
    taller = max(0.6, part.top_mm / reference) if reference > 1 else 1.0
    build = count * cost_of(place, part.key, "labour_h") * taller
    build += sum(line.quantity for line in lines if line.item == "gates") * price("gate_labour_h")
    dug = ("cross-members", "struts", "gate posts")  # each about as much work: two posts of a gate as a brace of one
    build += sum(line.quantity for line in lines if line.item in dug) * price("brace_labour_h")
    kg = sum(line.kg for line in lines)
    carry = math.ceil(kg / price("load_kg")) * 2 * place.carry_m / price("walk_m_an_hour")
    walked = place.ground.fence_m / price("walk_m_an_hour") if part.round_the_planting else 0.0
    look = cost_of(place, part.key, "rounds") * (walked + count * cost_of(place, part.key, "look_h"))
    look += count * cost_of(place, part.key, "weeding_h")
    if facts["cost"].get("yearly"):
        look = 0.0  # its looks are its renewals
    material = sum(line.whole_cost for line in lines)
    yearly = look * price("wage") + cost_of(place, part.key, "repair") * material
    worn = sum(line.whole_cost for line in lines if line.key not in ("energiser", "volt_meter", "gate"))
    removal = count * cost_of(place, part.key, "removal_h") * price("wage") - price("salvage") * material
    return Costed(lines, build + carry, look, yearly, worn + (build + carry) * price("wage"), removal, price("wage"))


def units(place: Planting, part: Part) -> float:
    """Metres of line [m], or pieces, of this barrier.

    Parameters
    ----------
    place
        The planting: its line [m], its trees [trees].
    part
        The barrier [no unit].
    """
    return place.ground.fence_m if part.round_the_planting else float(place.trees)


def dimensions(place: Planting, part: Part) -> dict[str, float]:
    """Every length that is built, by name: what the drawing shows is this [mm].

    Parameters
    ----------
    place
        The planting; its record tells each unit.
    part
        The barrier, sized [mm].
    """
    facts = catalogue()[part.key]
    meshed = part.opening_mm >= 2 and part.where not in ("spray", "ground")
    told = {"top": part.top_mm, "opening": part.opening_mm if meshed else 0.0, "in the ground": part.burial_mm}
    if part.round_the_planting:
        posts = posts_of(place, part)
        told |= {"mesh width": part.width_mm, "out-turn": float(facts.get("out_turn_mm", [0])[0]),
                 "bottom gap": min([wire["height_mm"] for wire in wires(part)] if not facts.get("mesh") else [],
                                   default=float(facts["bottom_gap_mm"][0])), "post spacing": post_spacing_mm(place, part),
                 "post depth": posts.line_depth_mm, "post length": posts.line_length_mm,
                 "end post depth": posts.end_depth_mm, "end post length": posts.end_length_mm,
                 "post thickness": float(facts["post"]["thick_mm"][0]),
                 "end post thickness": float(facts["end_post"]["thick_mm"][0]),
                 "between planes": float(facts.get("plane_spacing_mm", [0])[0])}
        if posts.pulls:
            told |= {"brace length": posts.cross_mm, "brace height": posts.cross_at_mm if posts.brace_posts == 2 else 0.0}
        for number, wire in enumerate(wires(part), start=1):
            told[f"wire {number}"] = float(wire["height_mm"])
        for number, height in enumerate(extra_wires_mm(part), start=1):
            told[f"plain wire {number}"] = height
    elif part.sides:
        told |= {"across": part.side_mm, "mesh width": part.width_mm, "post thickness": part.post_mm,
                 "post depth": float(facts["post_depth_mm"][0]),
                 "post length": at_least("posts", part.top_mm + float(facts["post_depth_mm"][0]))[0]}
    elif part.where in ("stem", "base", "root"):
        told["across"] = float(facts["diameter_mm"][0]) if "diameter_mm" in facts else _across(facts, part)
        if "roll_m" in facts:
            told["cut length"] = around_stem_mm(part.stand_off_mm, overlap_mm=float(facts["overlap_mm"][0]))
            told["mesh width"] = part.width_mm
            told["stand-off"] = part.stand_off_mm
        if "stakes" in facts:
            told["stake length"], told["stake depth"] = stake_mm(part)
        if "ties" in facts:
            told["upper tie"], told["lower tie"] = part.top_mm - TIE_BELOW_LIP_MM, part.top_mm * LOWER_TIE
    return {name: round(value, 1) for name, value in told.items() if value > 0 or name == "top"}


def stake_mm(part: Part) -> tuple[float, float]:
    """Length of a guard's stake and how deep it stands [mm]; its head ends below the lip, where it cannot rub the stem.

    A published length is taken where it does not go too deep beside the stem; else the shortest that is sold.

    Parameters
    ----------
    part
        A guard at one tree, sized [mm].

    Raises
    ------
    CannotUse
        For a barrier that has no stake.
    """
    facts = catalogue()[part.key]
    if "stake_depth_mm" not in facts:
        raise CannotUse(f"A {facts['name']} has no stake.")
    head, depth = part.top_mm - LIP_MM, float(facts["stake_depth_mm"][0])
    published = float(facts.get("published_stake_mm", [0])[0])
    if head + depth <= published <= head + DEEPEST_STAKE_MM:
        return published, published - head
    length, _ = at_least("stakes", head + depth)
    return length, length - head


def _across(facts: Mapping[str, Any], part: Part) -> float:
    return around_stem_mm(part.stand_off_mm) / math.pi if "roll_m" in facts else 0.0


def bill(place: Planting, parts: tuple[Part, ...]) -> tuple[Line, ...]:
    """The buying list of these barriers, in their order; what lies in stock is used once, first come first served.

    Parameters
    ----------
    place
        The planting with what lies in stock; its record tells each unit.
    parts
        The barriers, sized [mm].
    """
    lines: list[Line] = []
    for part in parts:
        lines += lines_of(place, part, carried_by(part, parts))
    return _from_stock(lines, place.owned)


def carried_by(part: Part, parts: tuple[Part, ...]) -> Part | None:
    """The taller fence of the same combination on whose posts this netting hangs.

    Parameters
    ----------
    part
        A barrier [no unit].
    parts
        The combination that it belongs to [no unit].

    Returns
    -------
    Part or None
        None for what hangs on no other fence.
    """
    return next((other for other in parts if other.where == "area"), None) if part.where == "area_foot" else None


def lines_of(place: Planting, part: Part, main: Part | None = None) -> list[Line]:
    """The lines of one barrier, before other things in stock than the barrier itself are taken off.

    Parameters
    ----------
    place, part, main
        As for `costed`, each in its own unit.
    """
    return _round_the_planting(place, part, main) if part.round_the_planting else _at_each_tree(place, part)


def _from_stock(lines: list[Line], owned: Mapping[str, float]) -> tuple[Line, ...]:
    left = {key: owned.get(key, 0.0) for key in STOCK}
    told = []
    for line in lines:
        key = next((key for key, start in STOCK.items() if line.item.startswith(start)), None)
        if key is not None and left[key] > 0:
            used = min(left[key], line.quantity - line.from_stock)
            left[key] -= used
            stock = line.from_stock + used
            line = replace(line, from_stock=stock, to_buy=in_packs(line.quantity - stock, line.pack))
        told.append(line)
    return tuple(told)


def loads(place: Planting, lines: tuple[Line, ...]) -> int:
    """Loads to carry in from the track.

    Parameters
    ----------
    place
        The planting with its prices; the load that a person carries is among them [kg].
    lines
        The buying list, weights [kg].
    """
    return math.ceil(sum(line.kg for line in lines) / place.price("load_kg"))


def power_of(place: Planting, part: Part) -> Energiser:
    """The energiser for all strands that are ever live, those too that are off in snow, on this ground.

    Parameters
    ----------
    place
        The planting: its line [m], its soil.
    part
        The electric fence, sized [mm].

    Raises
    ------
    CannotUse
        For a barrier without a live wire.
    """
    strands = sum(wire["state"] in ("live", "off") for wire in wires(part))
    return energiser(place.ground.fence_m, strands, dry=place.soil == "sand" or "dry_ground" in place.site,
                     volts=most_asked(part, "volts"))


def _line(place: Planting, item: str, specification: str, quantity: float, unit: str, check: str, key: str,
          a_unit: float = 1.0, stock: float = 0.0, price: float | None = None, pack: float = 1.0) -> Line:
    """A line; a_unit : units of the price list in one unit of the line (metres of a post, square metres of a metre)."""
    used = min(stock, quantity)
    cost, kept = place.price(key) * a_unit if price is None else price, default_of(key, place.prices)
    return Line(item, specification, quantity, unit, used, in_packs(quantity - used, pack), kg_of(key) * a_unit * quantity,
                CHECK[check], cost, key, pack, kept.year, kept.from_memory)


def _own_price(place: Planting, part: Part) -> float | None:
    own = place.prices.get(part.key, {}).get("material")
    return None if own is None else float(own)


def _mesh_words(part: Part) -> str:
    facts = catalogue()[part.key]
    buy = facts["buy"]
    words = [buy["wire"]] if buy["wire"] != "none" else []
    if part.wire_mm > 0 and f"{part.wire_mm:.1f} mm" not in buy["wire"]:
        words.append(f"wire at least {part.wire_mm:g} mm")
    if part.opening_mm >= 2 and wires(part) and not facts.get("mesh"):
        words.append(f"gaps of at most {part.opening_mm:g} mm between wires")
    elif part.opening_mm >= 2:
        table = openings_of(part)
        sold, known = at_most(table, part.opening_mm)
        called = f" (sold as {name_of(table, sold)})" if known else f" ({TO_ORDER})"
        words.append(f"true opening at most {part.opening_mm:g} mm{called}")
    if part.width_mm:
        words.append(f"{part.width_mm:.0f} mm wide ({name_of(facts['mesh'], part.width_mm)})")
    words += [f"coating: {buy['coating']}"] if buy["coating"] != "none" else []
    words += [f"UV: {buy['uv']}"] if buy["uv"] != "none needed" else []
    return ", ".join(words)


def openings_of(part: Part) -> str:
    """The table of openings in which its mesh is sold.

    Parameters
    ----------
    part
        A barrier with a mesh [no unit].
    """
    return "hardware_openings" if catalogue()[part.key].get("mesh") == "hardware_cloth" else "openings"


def mesh_item(part: Part) -> str:
    """The item of the price list that its mesh is: where 50 mm must hold, welded mesh of 50 x 100 mm is too open.

    Parameters
    ----------
    part
        A barrier of mesh; its opening counts [mm].
    """
    mesh = str(catalogue()[part.key]["mesh"])
    return "welded_fine" if mesh == "welded_mesh" and part.opening_mm < FINE_MM else mesh


def _at_each_tree(place: Planting, part: Part) -> list[Line]:
    facts, built = catalogue()[part.key], dimensions(place, part)
    count = math.ceil(place.trees * (1 + place.price("spare")) - 1e-9)
    stock, own = place.owned.get(part.key, 0.0), _own_price(place, part)
    if part.sides:
        return _stock_guard(place, part, count, stock, own)
    if "roll_m" in facts:
        roll, cut = float(facts["roll_m"][0]), built["cut length"] / 1000
        from_roll = max(1, math.floor(roll / cut))
        rolls = math.ceil(max(0.0, count - stock) / from_roll)
        words = (f"{_mesh_words(part)}; {cut * 1000:.0f} mm cut for each piece, {_several(rolls, 'roll')} of {_long(roll)} "
                 "in all")
        lines = [_line(place, part.name, words, count, "pieces", "mesh", mesh_item(part),
                       max(cut, roll / from_roll) * part.width_mm / 1000, stock, own, from_roll if own is None else 1)]
    elif "bundle" in facts:
        bundles = math.ceil(max(0.0, count - stock) / int(facts["bundle"][0]))
        words = f"{part.top_mm:.0f} mm tall ({name_of('tubes', part.top_mm)})"
        words += f", {built['across']:.0f} mm across" if "across" in built else ""
        words = ", ".join(filter(None, [words, _mesh_words(part),
                                        f"{_several(bundles, 'bundle')} of {facts['bundle'][0]}, or singly"]))
        lines = [_line(place, part.name, words, count, "pieces", "tube", facts["price"], part.top_mm / 1000, stock, own)]
    else:
        key = facts.get("price", "trunk_band")
        a_unit = part.top_mm / 1000 if part.where == "band" else float(facts["cost"].get("sprays", [1])[0])
        words = "; ".join(facts["needs"])
        if part.where == "root":
            words = (f"{_mesh_words(part)}, {built['across']:.0f} mm across, {built['in the ground']:.0f} mm deep, closed "
                     f"below ({TO_ORDER}, or made of a roll)")
        lines = [_line(place, part.name, words, count, "pieces", "other", key, a_unit, stock, own)]
    if "stakes" in facts:
        each = int(facts["stakes"][0])
        key, kind = ("metal_stake", "metal") if place.strong_wind else (
            "stake", "treated wood at least 25 x 25 mm, or metal")
        words = (f"{kind}, {built['stake length']:.0f} mm long ({name_of('stakes', built['stake length'])}), "
                 f"{built['stake depth']:.0f} mm in the ground")
        lines += [_line(place, f"stakes for the {part.name}", words, count * each, "stakes", "stake", key,
                        built["stake length"] / 1000),
                  _line(place, f"ties for the {part.name}", "round stake and guard, never round the stem",
                        count * each * TIES_A_STAKE[facts["kind"]], "ties", "other", "tie")]
    if "staples" in facts:
        lines.append(_line(place, f"ground staples for the {part.name}", "wire, 150 mm", count * int(facts["staples"][0]),
                           "staples", "other", "pin"))
    if "nets" in facts:
        lines.append(_line(place, f"nets for the tops of the {part.name}", "against birds, off before the bud reaches them",
                           count * int(facts["nets"][0]), "nets", "other", "tube_net"))
    return lines


def _stock_guard(place: Planting, part: Part, count: int, stock: float, own: float | None) -> list[Line]:
    facts, built = catalogue()[part.key], dimensions(place, part)
    spans = max(1, math.ceil(part.side_mm / float(facts["post_apart_mm"][0]) - 1e-9))
    posts = part.sides * spans
    rails, round_m = part.rails, part.sides * part.side_mm / 1000
    thick = f"post_{part.post_mm:.0f}"
    sold, pieces = _rail_sold(part.side_mm)
    each = part.sides * rails / pieces  # rails as sold, for one guard
    words = (f"{part.sides} sides of {part.side_mm:.0f} mm, {part.top_mm:.0f} mm high; rails {RAIL_THICK}, {rails} a side, "
             f"{_gap(part)}, {pieces} from each of {sold:.0f} mm long ({name_of('rails', sold)})")
    lines = [_line(place, f"rails for the {part.name}", words, math.ceil(count * each - 1e-9), "rails", "post", "rail",
                   sold / 1000, stock * each, None if own is None else own / each),
             _line(place, f"posts for the {part.name}", f"at least {part.post_mm:.0f} mm thick "
                   f"({name_of('post_thickness', part.post_mm)}), {built['post length']:.0f} mm long "
                   f"({name_of('posts', built['post length'])}), {built['post depth']:.0f} mm in the ground, at most "
                   f"{facts['post_apart_mm'][0]:.0f} mm apart", count * posts, "posts", "post", thick,
                   built["post length"] / 1000),
             _line(place, f"nails for the {part.name}", "100 mm, galvanised, two for each rail at each post",
                   math.ceil(count * part.sides * rails * (spans + 1) * NAILS_A_POST * NAIL_KG), "kg", "other", "nails")]
    if part.backed:
        lines.append(_line(place, f"staples for the {part.name}", "9 gauge, 40 mm, galvanised",
                           math.ceil(count * posts * STAPLES_A_POST * STAPLE_KG), "kg", "other", "staples"))
        lines.append(_line(place, f"mesh behind the rails of the {part.name}", _mesh_words(part), math.ceil(count * round_m),
                           "m", "mesh", mesh_item(part), part.width_mm / 1000))
    return lines


def _long(roll_m: float) -> str:
    """The length of a roll, with its name in feet where one is sold: `100 m (330 ft)`."""
    named = name_of("rolls", 1000 * roll_m)
    return f"{roll_m:g} m" if named == TO_ORDER else f"{roll_m:g} m ({named})"


def _gap(part: Part) -> str:
    if part.backed:
        return "evenly up the posts"
    return f"{part.top_mm / part.rails - RAIL_MM:.0f} mm apart"


def _rail_sold(side_mm: float) -> tuple[float, int]:
    """The length of rail that leaves least over when it is cut for a side [mm], and how many pieces it gives."""
    fitting = {sold: int(sold // side_mm) for sold in trade_sizes("rails") if sold >= side_mm}
    sold = min(fitting, key=lambda one: (one / fitting[one], one))
    return sold, fitting[sold]


def _round_the_planting(place: Planting, part: Part, main: Part | None) -> list[Line]:
    facts = catalogue()[part.key]
    length = place.ground.fence_m * (1 + place.price("spare"))
    roll, stock, own = float(facts["roll_m"][0]), place.owned.get(part.key, 0.0), _own_price(place, part)
    strands = len(wires(part))
    lines: list[Line] = []
    if facts.get("mesh"):
        bought = length * roll / (roll - float(facts.get("overlap_mm", [0])[0]) / 1000)
        rolls = math.ceil(max(0.0, bought - stock) / roll - 1e-9)
        words = f"{_mesh_words(part)}; {_several(rolls, facts.get('sold_as', 'roll'))} of {_long(roll)}"
        words += f", each over the next by {facts['overlap_mm'][0]:g} mm" if "overlap_mm" in facts else ""
        lines.append(_line(place, part.name, words, math.ceil(bought), "m",
                           "netting" if facts["mesh"] == "hex_mesh" else "mesh", facts["mesh"],
                           part.width_mm / 1000, stock, own, roll if own is None else 1))
    else:
        words = f"{_mesh_words(part)}; {strands} strands; rolls of {_long(roll)}"
        lines.append(_line(place, part.name, words, math.ceil(length * strands), "m", "wire", "wire", 1.0, stock * strands,
                           None if own is None else own / strands, roll if own is None else 1))
    plain = len(extra_wires_mm(part)) + int(facts.get("line_wires", [0])[0]) + (1 if part.key == "plastic_mesh" else 0)
    if plain:
        lines.append(_line(place, f"line wires for the {part.name}", f"{plain} smooth high-tensile wires, "
                           f"{facts.get('line_wire_mm', [LINE_WIRE_MM])[0]:g} mm",
                           math.ceil(length * plain), "m", "wire", "wire"))
    if facts["strained"] and (smooth := plain if facts.get("mesh") else strands):
        lengths = posts_of(place, part).lengths
        lines.append(_line(place, f"wire strainers for the {part.name}", "in-line, with two joints each: one in the middle "
                           f"of each of {smooth} wires on each of {lengths} strained lengths", smooth * lengths, "pieces",
                           "other", "strainer"))
    if "pegs_apart_mm" in facts:
        lines.append(_line(place, f"pegs for the {part.name}", f"300 mm, every {facts['pegs_apart_mm'][0] / 1000:g} m along "
                           "the out-turn, or a turf on it there", math.ceil(1000 * length / facts["pegs_apart_mm"][0]),
                           "pegs", "other", "pin"))
    lines += _posts(place, part, main)
    if is_live(part):
        lines += _power(place, part)
    if "badger" in place.site and facts.get("mesh") and part.metal_netting:
        lines.append(_line(place, "badger gates", f"solid timber door 250 mm high, 170 mm wide, 40 mm thick ({TO_ORDER}), "
                           "self-closing; one in each path, two are reckoned", 2, "gates", "other", "badger_gate"))
    if "grouse" in place.site and part.where == "area":
        lines.append(_line(place, "markers on the fence", "netting or pales along the whole line",
                           math.ceil(place.ground.fence_m), "m", "other", "marker"))
    return lines


def _posts(place: Planting, part: Part, main: Part | None) -> list[Line]:
    facts, posts = catalogue()[part.key], posts_of(place, part)
    planes = 2 if "plane_spacing_mm" in facts else 1
    thick, thick_end = float(facts["post"]["thick_mm"][0]), float(facts["end_post"]["thick_mm"][0])
    size = f"at least {thick:.0f} mm thick ({name_of('post_thickness', thick)}), " if thick else "steel, "
    line = (f"{size}{posts.line_length_mm:.0f} mm long ({name_of('posts', posts.line_length_mm)}), "
            f"{posts.line_depth_mm:.0f} mm in the ground")
    if facts["post"]["item"] == "step_in_post":
        line = "step-in posts that come with the netting"
    if main is not None:
        more = max(0, posts.line - posts_of(place, main).line)
        return [_line(place, f"posts for the {part.name}",
                      f"{line}, between the posts of the {main.name}, which carry it too", more, "posts",
                      "post", facts["post"]["item"], posts.line_length_mm / 1000),
                _line(place, f"proofing of gates for the {part.name}", "the same netting down to a sill", place.gates,
                      "gates", "other", facts["mesh"], 1.2 * part.width_mm / 1000)]
    apart = post_spacing_mm(place, part)
    lines = [_line(place, "line posts", f"{line}, at most {apart / 1000:.1f} m apart", posts.line * planes, "posts", "post",
                   facts["post"]["item"], posts.line_length_mm / 1000)]
    braced = (f"at least {thick_end:.0f} mm thick ({name_of('post_thickness', thick_end)}), " if thick_end else "") + (
        f"{posts.end_length_mm:.0f} mm long ({name_of('posts', posts.end_length_mm)}), {posts.end_depth_mm:.0f} mm in the "
        "ground")
    ends = (posts.anchors + (posts.pulls if posts.brace_posts == 2 else 0)) * planes
    lines.append(_line(place, "corner and end posts", f"{braced}; anchors and the posts of their braces", ends, "posts",
                       "post", facts["end_post"]["item"], posts.end_length_mm / 1000))
    if posts.brace_posts == 2:
        lines += [_line(place, "cross-members", f"100 mm thick ({name_of('post_thickness', 100)}), "
                        f"{posts.cross_mm:.0f} mm long ({name_of('posts', posts.cross_mm)}), {posts.cross_at_mm:.0f} mm up: "
                        "one for each direction of pull at corners, both sides of gates and within long sides",
                        posts.pulls * planes, "pieces", "post", "post_100", posts.cross_mm / 1000),
                  _line(place, "tie wire for braces", "2.5 mm or thicker, twice round, from the foot of the anchor to the "
                        "head of the brace post", math.ceil(posts.pulls * planes * posts.tie_m), "m", "other", "wire")]
    elif posts.brace_posts == 1:
        lines.append(_line(place, "struts", f"at least 80 mm thick ({name_of('post_thickness', 80)}), "
                           f"{posts.cross_mm:.0f} mm long ({name_of('posts', posts.cross_mm)}), one against each direction "
                           "of pull",
                           posts.pulls * planes, "pieces", "post", "post_75", posts.cross_mm / 1000))
    droppers = int(most_asked(part, "droppers")) * (posts.line + posts.lengths)  # as many spans as posts and lengths
    if droppers:
        tall, _ = at_least("posts", part.top_mm)
        lines.append(_line(place, "droppers", f"wooden, 50 x 40 mm, {tall:.0f} mm long ({name_of('posts', tall)}), evenly "
                           "between posts, stapled to every wire and not into the ground", droppers, "pieces", "post",
                           "dropper", tall / 1000))
    fixings = (posts.line + ends) * int(facts.get("staples_a_post", [0])[0]) * planes
    earth = sum(wire["state"] not in ("live", "off") for wire in wires(part))
    fixings += (posts.line + ends + droppers) * earth
    if fixings:
        lines.append(_line(place, "staples", "9 gauge, 40 mm, galvanised; not driven home, so that the wire can slide",
                           math.ceil(fixings * STAPLE_KG), "kg", "other", "staples"))
    if "ties_a_post" in facts:
        each = int(facts["ties_a_post"][0])
        lines.append(_line(place, "ties for posts", f"{'wire' if part.metal_netting else 'stabilised'}, {each} a post",
                           (posts.line + ends) * each, "ties", "other", "tie"))
    if "pins" in facts:
        apart_m = float(facts["pins"]["apart_mm"][0]) / 1000
        lines.append(_line(place, "ground pins", f"300 mm, every {apart_m:g} m along {facts['pins']['along']}",
                           math.ceil(place.ground.fence_m / apart_m), "pins", "other", "pin"))
    if place.gates:
        lines.append(_line(place, "gates", f"{part.top_mm:.0f} mm high, 1200 mm wide ({TO_ORDER}), " + (
                           "same mesh, proofed sill, gap at most 50 mm" if facts.get("mesh") else
                           "carrying no current" if is_live(part) else "same wires or bars"),
                           place.gates, "gates", "other", "gate"))
        if thick_end >= STOUT_MM:
            long, _ = at_least("posts", part.top_mm + GATE_DEPTH_MM)
            told = (f"at least {GATE_POST_MM:.0f} mm thick ({name_of('post_thickness', GATE_POST_MM)}), {long:.0f} mm long "
                    f"({name_of('posts', long)}), {long - part.top_mm:.0f} mm in the ground: two a gate, beside the fence's "
                    "end posts, whose pull they do not take")
            lines.append(_line(place, "gate posts", told, 2 * place.gates, "posts", "post", facts["end_post"]["item"],
                               long / 1000))
    return lines


def _power(place: Planting, part: Part) -> list[Line]:
    facts, posts, power = catalogue()[part.key], posts_of(place, part), power_of(place, part)
    charged = sum(wire["state"] in ("live", "off") for wire in wires(part))
    off = sum(wire["state"] == "off" for wire in wires(part))
    passed = posts.line + posts.anchors + (posts.pulls if posts.brace_posts == 2 else 0)  # brace posts too
    insulated = 0 if facts.get("live_strands_own") else charged * passed
    lines = [
        _line(place, "energiser", f"at least {power.joules:g} J output: {power.joules_by_wire:.2g} J by live wire (UME-E, "
              f"taken), {power.joules_by_fence:.2g} J by length of fence (GERRISH); half as much again where weeds cannot "
              "be kept off",
              1, "piece", "energiser", "energiser", price=place.price("energiser") + place.price("joule") * power.joules),
        _line(place, "earth rods", f"{power.rod_m:.2f} m galvanised, at least {power.rod_spacing_m:.2f} m apart, at least "
              "10 m from any other earth; one of them for the lightning choke", power.rods + 1, "rods", "other",
              "earth_rod"),
        _line(place, "insulated lead-out cable", "high-voltage cable for fences, to the fence, to the rods and "
              "in a pipe below each gate", LEAD_OUT_M + GATE_CABLE_M * place.gates, "m",
              "other", "lead_out"),
        _line(place, "lightning choke", "between energiser and fence, with an earth rod of its own", 1, "piece", "other",
              "choke"),
        _line(place, "cut-off switches",
              "one for the fence" + (f", one for each of the {_several(off, 'wire')} under snow" if off else ""), 1 + off,
              "pieces", "other", "switch"),
        _line(place, "warning signs", "at least 100 x 200 mm, yellow, both sides; at gates, corners and every 50 m",
              math.ceil(place.ground.fence_m / SIGN_SPACING_M) + place.gates + place.ground.corners, "signs", "sign",
              "sign"),
        _line(place, "volt meter", "for electric fences", 1, "piece", "other", "volt_meter"),
    ]
    if insulated:
        lines.insert(2, _line(place, "insulators", "one for each live wire at each post, so that none touches a post",
                              insulated, "pieces", "other", "insulator"))
    return lines


def _several(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _plain(value: float) -> float | int:
    return int(value) if float(value).is_integer() else round(value, 2)
