"""Which combination of barriers costs a planting least over the years, the losses that remain included?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect.barriers import ENOUGH, Part, buildable, catalogue, checked_spec, out_of_reach, sized, wires
from diagnose.protect.electric import energiser
from diagnose.protect.ground import Ground
from diagnose.protect.money import over_the_years, present_value
from diagnose.protect.requirement import LIKELY, NEED_OF, SNOW_LIMIT_MM, other_names

# share of unprotected trees lost in a year where the animal is present; our own scale, no source
DAMAGE = {"light": 0.03, "moderate": 0.10, "heavy": 0.25, "severe": 0.50}
RUBS_INSTEAD = {"deer_browsing": "deer_rubbing"}  # what deer still do to stock whose crown is out of their reach
LAYERS = ("area", "area_foot", "area_root", "stem", "base", "root", "band", "spray", "ground")
NEVER_ZERO = ("life_years", "ref_height", "load_kg", "walk_m_an_hour")  # what other figures are divided by
# what may lie in stock besides barriers: key -> how its lines of the buying list begin, and its own price, if it has one
STOCK: Mapping[str, tuple[str, str | None]] = {
    "stakes": ("stakes for", None), "ties": ("ties for", None), "staples": ("ground staples for", None),
    "line_posts": ("line posts", None), "corner_posts": ("corner and gate posts", None), "braces": ("braces", "brace"),
    "gates": ("gates", "gate"), "energiser": ("energiser", "energiser"), "earth_rods": ("earth rods", "earth_rod"),
    "insulators": ("insulators", None), "warning_signs": ("warning signs", None), "volt_meter": ("volt meter", "volt_meter"),
}  # fmt: skip
MOST_PARTS = 4  # more parts on one tree are not planned; our choice
ORDER_DAYS = 28  # from the order to the day on which everything lies at the planting; our choice, no source
MOST_TREES_A_M2 = 10.0  # closer than about 0.3 m nothing can be built round a tree; our choice


@dataclass(frozen=True)
class Threat:
    """probability : that this animal does damage here. yearly_loss : share of bare trees it then takes in a year."""

    probability: float
    yearly_loss: float


@dataclass(frozen=True)
class Planting:
    """What is to be protected, where, against what and for how long. Made and checked by `planting`."""

    ground: Ground
    trees: int
    threats: tuple[tuple[str, Threat], ...]
    years: int = 6
    snow_mm: float = 0.0
    strong_wind: bool = False
    carry_m: float = 0.0
    budget: float | None = None
    conifers: bool = False
    large_trees: bool = False
    gates: int = 1
    diagnosed: bool = False
    owned: Mapping[str, float] = field(default_factory=dict)
    prices: Mapping[str, Any] = field(default_factory=dict)
    spec: Mapping[str, Any] = field(default_factory=dict)
    planted_on: date | None = None

    @property
    def order_by(self) -> date | None:
        """The last day on which the order should go out; protection goes on on the day of planting."""
        return None if self.planted_on is None else self.planted_on - timedelta(days=ORDER_DAYS)

    @property
    def needs(self) -> tuple[str, ...]:
        return tuple(sorted({NEED_OF[culprit] for culprit, _ in self.threats}))

    def price(self, name: str) -> float:
        return float(self.prices.get(name, default_prices()[name][0]))


@dataclass(frozen=True)
class Option:
    """One combination of barriers with what it costs, all in today's money.

    stops, reduces, unstopped : culprits. survivors : trees expected alive at the end of the years.
    """

    parts: tuple[Part, ...]
    first: float
    barriers: float
    losses: float
    survivors: float
    stops: tuple[str, ...]
    unstopped: tuple[str, ...]

    @property
    def total(self) -> float:
        return self.barriers + self.losses

    @property
    def keys(self) -> tuple[str, ...]:
        return tuple(part.key for part in self.parts)

    @property
    def name(self) -> str:
        return " + ".join(part.name for part in self.parts) or "nothing"

    @property
    def per_survivor(self) -> float:
        return self.total / self.survivors if self.survivors > 0 else math.inf

    def as_json(self) -> dict[str, Any]:
        return {"barriers": list(self.keys), "name": self.name, "first_cost": round(self.first, 2),
                "barriers_cost": round(self.barriers, 2), "losses_cost": round(self.losses, 2),
                "total_cost": round(self.total, 2), "surviving_trees": round(self.survivors, 1),
                "cost_per_surviving_tree": round(self.per_survivor, 2) if self.survivors > 0 else None,
                "stops": list(self.stops), "unstopped": list(self.unstopped),
                "sizes": [part.as_json() for part in self.parts]}


def default_prices() -> dict[str, Any]:
    """Name -> [value, source, tag, in words]; dated and sourced, as `prices.yaml` holds them."""
    return knowledge("diagnose.protect", "prices.yaml")


def planting(
    ground: Ground,
    trees: int,
    culprits: Mapping[str, Any] | Iterable[str],
    *,
    damage: str | float = "moderate",
    years: int = 6,
    snow_mm: float = 0.0,
    strong_wind: bool = False,
    carry_m: float = 0.0,
    budget: float | None = None,
    conifers: bool = False,
    large_trees: bool = False,
    gates: int = 1,
    stock_mm: float = 0.0,
    diagnosed: bool = False,
    owned: Mapping[str, float] | None = None,
    prices: Mapping[str, Any] | None = None,
    spec: Mapping[str, Any] | None = None,
    planted_on: date | None = None,
) -> Planting:
    """A planting, checked. Raises CannotUse, in one line, for what cannot be planned.

    culprits : names, or name -> probability, or name -> Threat. damage : light, moderate, heavy, severe, or the share
    of bare trees lost in a year. carry_m : way from the track [m]. stock_mm : height of tall planted stock
    [mm], which deer may rub but no longer browse. owned : barrier key, or key of STOCK -> pieces or metres in stock; the
    price of posts, stakes and ties is part of their barrier's, so their stock shortens only the buying list. planted_on :
    day of planting.
    prices : own prices, `{"wage": .., "woven_wire": {"material": .., "labour_h": ..}}`. spec : a programme's demands.
    """
    if isinstance(trees, bool) or not isinstance(trees, int) or trees < 1:
        raise CannotUse("the number of trees must be a whole number of at least 1")
    if trees > MOST_TREES_A_M2 * ground.area_m2:
        raise CannotUse(f"{trees} trees do not fit on {ground.area_m2:.4g} m2 with room for a barrier; "
                        "check the number and the boundary")
    if budget is not None and not (math.isfinite(budget) and budget > 0):
        raise CannotUse("nothing can be bought with this budget; leave it out to see what protection costs")
    if isinstance(years, bool) or not isinstance(years, int) or not 1 <= years <= 60:
        raise CannotUse("the years until the trees are out of reach must be a whole number from 1 to 60")
    if not (math.isfinite(snow_mm) and 0 <= snow_mm <= SNOW_LIMIT_MM):
        raise CannotUse(f"the snow depth must lie between 0 and {SNOW_LIMIT_MM:.0f} mm")
    if not (math.isfinite(carry_m) and 0 <= carry_m <= 50_000):
        raise CannotUse("the way from the track must lie between 0 and 50,000 m")
    if isinstance(gates, bool) or not isinstance(gates, int) or not 0 <= gates <= 100:
        raise CannotUse("the number of gates must be a whole number from 0 to 100")
    threats = _threats(culprits, _loss(damage))
    if out_of_reach(stock_mm, any(key.startswith(("elk", "moose")) for key, _ in threats), snow_mm):
        threats = _threats({RUBS_INSTEAD.get(key, key): threat for key, threat in threats}, 0.0)
    return Planting(ground, trees, threats, years, float(snow_mm), strong_wind, float(carry_m),
                    budget, conifers, large_trees, gates, diagnosed, _owned(owned), _prices(prices), checked_spec(spec),
                    planted_on)


def _loss(damage: str | float) -> float:
    if isinstance(damage, str):
        if damage not in DAMAGE:
            raise CannotUse(f"the damage level '{damage}' is not known; choose from {', '.join(DAMAGE)}")
        return DAMAGE[damage]
    if not (math.isfinite(damage) and 0 <= damage <= 1):
        raise CannotUse("the share of trees lost in a year must lie between 0 and 1")
    return float(damage)


def _threats(culprits: Mapping[str, Any] | Iterable[str], loss: float) -> tuple[tuple[str, Threat], ...]:
    told = culprits if isinstance(culprits, Mapping) else dict.fromkeys(culprits, 1.0)
    threats: dict[str, Threat] = {}
    for name, what in told.items():
        key = str(name).strip().lower().replace(" ", "_")
        key = other_names().get(key, key)
        if key == "not_listed":
            continue
        if key not in NEED_OF:
            raise CannotUse(f"'{name}' is no culprit; choose from {', '.join(NEED_OF)}")
        if not isinstance(what, Threat) and not _is_amount(what):
            raise CannotUse(f"the probability of {name} must be a number from 0 to 1")
        threat = what if isinstance(what, Threat) else Threat(float(what), loss)
        if not (0 <= threat.probability <= 1 and 0 <= threat.yearly_loss <= 1):
            raise CannotUse(f"the probability and yearly loss of {name} must lie between 0 and 1")
        before = threats.get(key, Threat(0.0, 0.0))
        threats[key] = Threat(max(before.probability, threat.probability), max(before.yearly_loss, threat.yearly_loss))
    if not threats:
        raise CannotUse("name at least one animal that the planting must be protected from")
    return tuple(sorted(threats.items()))


def _is_amount(told: Any, above_zero: bool = False) -> bool:
    number = isinstance(told, (int, float)) and not isinstance(told, bool) and math.isfinite(told)
    return number and (told > 0 if above_zero else told >= 0)


def _owned(owned: Mapping[str, float] | None) -> dict[str, float]:
    for key, count in (owned or {}).items():
        if key not in (*buildable(), *STOCK) or not _is_amount(count):
            raise CannotUse(f"stock '{key}' must be a number of pieces or metres of one of "
                            f"{', '.join([*buildable(), *STOCK])}")
    return dict(sorted((owned or {}).items()))


def _prices(prices: Mapping[str, Any] | None) -> dict[str, Any]:
    """Own prices, checked; a bare number for a barrier is its material a unit."""
    kept: dict[str, Any] = {}
    for key, told in (prices or {}).items():
        if key == "currency":
            kept[key] = str(told)
        elif key in buildable():
            parts = dict(told) if isinstance(told, Mapping) else {"material": told}
            for name, value in parts.items():
                if name not in catalogue()[key]["cost"] or not _is_amount(value, name in NEVER_ZERO):
                    raise CannotUse(f"the {name} of '{key}' is not understood; give a number for "
                                    f"{', '.join(catalogue()[key]['cost'])}")
            kept[key] = parts
        elif key in default_prices() and _is_amount(told, key in NEVER_ZERO):
            kept[key] = float(told)
        else:
            raise CannotUse(f"the price of '{key}' is not understood; prices are numbers of at least 0 for "
                            f"{', '.join([*default_prices(), *buildable()])}")
    return kept


def compare(place: Planting) -> list[Option]:
    """Every combination of barriers that fits together, cheapest total first; nothing at all is one of them.

    A barrier counts against every need it holds; shares that get past several barriers multiply.
    """
    parts = [part for key in buildable() if (part := _part(place, key)) is not None]
    costs = {(part.key, shared): _cost(place, part, shared) for part in parts for shared in (False, True)}
    layers = [[None, *(part for part in parts if part.where == where)] for where in LAYERS]
    options = []
    for picked in itertools.product(*layers):
        chosen = tuple(part for part in picked if part is not None)
        if len(chosen) <= MOST_PARTS:
            options.append(_option(place, chosen, costs))
    return sorted(options, key=lambda option: (round(option.total, 6), len(option.parts), option.keys))


def enough(options: Iterable[Option], place: Planting) -> list[Option]:
    """The options that stop every likely culprit that any barrier can stop, in their order.

    Where no combination stops them all together, those that stop the most.
    """
    told = list(options)
    likely = {culprit for culprit, threat in place.threats if threat.probability >= LIKELY}
    stoppable = {culprit for option in told for culprit in option.stops} & likely
    most = max((len(stoppable & set(option.stops)) for option in told), default=0)
    return [option for option in told if len(stoppable & set(option.stops)) == most]


def _part(place: Planting, key: str) -> Part | None:
    facts, spec = catalogue()[key], place.spec
    if facts.get("for_conifers") is False and place.conifers:
        return None
    if facts.get("large_trees_only") and not place.large_trees:
        return None
    if "area_limit_ha" in facts and place.ground.area_m2 > 10_000 * facts["area_limit_ha"][0]:
        return None
    main = facts["where"] in ("area", "stem")
    if main and spec.get("barrier") and key not in spec["barrier"]:
        return None
    if main and facts["cost"]["life_years"][0] < spec.get("life_years_min", 0):
        return None
    return sized(key, place.needs, place.snow_mm, spec if main else None, place.ground.slope_percent)


def _of(place: Planting, key: str, name: str) -> float:
    own = place.prices.get(key, {})
    value = own.get(name, catalogue()[key]["cost"][name])
    return float(value[0] if isinstance(value, list) else value)


def units(place: Planting, part: Part) -> float:
    """Metres of line, or pieces, of this barrier."""
    return place.ground.fence_m if part.round_the_planting else float(place.trees)


def live_wires(part: Part) -> int:
    return sum(wire["state"] == "live" for wire in wires(part))


def _cost(place: Planting, part: Part, shared: bool) -> tuple[float, float]:
    """First cost, and all payments over the years in today's money. shared : on the posts and gates of another fence."""
    count, price = units(place, part), place.price
    larger = max(1.0, part.top_mm / _of(place, part.key, "ref_height"))
    material = _of(place, part.key, "material") * larger
    labour = _of(place, part.key, "labour_h") * larger * price("wage")
    weight = _of(place, part.key, "weight_kg") * larger * count
    carry = math.ceil(weight / price("load_kg")) * 2 * place.carry_m / price("walk_m_an_hour") * price("wage")
    fixed = stock = 0.0
    if part.round_the_planting:
        needed: dict[str, float] = {}
        if not shared:
            ends = place.ground.corners + 2 * place.gates
            needed = {"gates": place.gates, "braces": ends}
            fixed = place.gates * price("gate_labour_h") * price("wage") + ends * price("brace_labour_h") * price("wage")
        if live_wires(part):
            power = energiser(place.ground.fence_m, live_wires(part))
            fixed += price("joule") * power.joules
            needed |= {"energiser": 1, "volt_meter": 1, "earth_rods": power.rods}
        fixed += sum(pieces * price(str(STOCK[key][1])) for key, pieces in needed.items())
        stock = sum(min(pieces, place.owned.get(key, 0.0)) * price(str(STOCK[key][1])) for key, pieces in needed.items())
    elif place.strong_wind:
        material += price("metal_stake") * catalogue()[part.key].get("stakes", [0])[0]
    bought = max(0.0, count - place.owned.get(part.key, 0.0))
    first = bought * material + count * labour + carry + fixed - stock
    whole = count * (material + labour) + carry + fixed
    paid = over_the_years(first, whole * _of(place, part.key, "upkeep"), whole, _of(place, part.key, "life_years"),
                          count * _of(place, part.key, "removal_h") * price("wage"), place.years)
    return first, present_value(paid, price("rate"))


def on_another_fence(part: Part, parts: Iterable[Part]) -> bool:
    """Whether this netting hangs on the posts of a taller fence of the same combination."""
    return part.where == "area_foot" and any(other.where == "area" for other in parts)


def _option(place: Planting, parts: tuple[Part, ...], costs: Mapping[tuple[str, bool], tuple[float, float]]) -> Option:
    passes = {need: 1.0 for need in place.needs}
    stopped = set()
    for part in parts:
        for need, share in part.holds:
            passes[need] *= 1 - share
            if share >= ENOUGH:
                stopped.add(need)
    losses, survivors = losses_of(place, passes)
    stops = tuple(culprit for culprit, _ in place.threats if NEED_OF[culprit] in stopped)
    unstopped = tuple(culprit for culprit, _ in place.threats if culprit not in stops)
    paid = [costs[part.key, on_another_fence(part, parts)] for part in parts]
    first, whole = sum(now for now, _ in paid), sum(all_years for _, all_years in paid)
    return Option(parts, first, whole, losses, survivors, stops, unstopped)


def losses_of(place: Planting, passes: Mapping[str, float]) -> tuple[float, float]:
    """Today's worth of the trees lost over the years, and the trees that survive. passes : need -> share let through."""
    alive_a_year = math.prod(1 - threat.probability * threat.yearly_loss * passes[NEED_OF[culprit]]
                             for culprit, threat in place.threats)
    alive = float(place.trees)
    lost = [0.0]
    for _ in range(place.years):
        lost.append(alive * (1 - alive_a_year) * place.price("tree"))
        alive *= alive_a_year
    return present_value(lost, place.price("rate")), alive
