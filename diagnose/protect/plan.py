"""Which barriers should this planting get, what do they cost, how are they built, and how sure is that?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect.barriers import Part, catalogue
from diagnose.protect.electric import HELD, Energiser, energiser, held_share
from diagnose.protect.materials import Line, bill, dimensions, loads
from diagnose.protect.money import break_even_area
from diagnose.protect.planting import Option, Planting, Threat, compare, enough, live_wires, losses_of
from diagnose.protect.requirement import LIKELY, NEED_OF, cautions_for, disagreements, needs

if TYPE_CHECKING:
    import pandas as pd

SHOWN = 8  # options shown beside the chosen one
# which published disagreements bear on which barrier or need
BEARS_ON = {
    "energiser_joules": {"live"}, "line_volts": {"live"}, "sign_spacing": {"live"}, "earth_rod_spacing": {"live"},
    "vole_burial": {"vole", "vole_below", "mouse_or_rat"}, "vole_opening": {"vole", "vole_below"},
    "rabbit_snow_margin": {"rabbit", "hare"}, "rabbit_fence_height": {"rabbit_netting"}, "fence_or_guards": {"any"},
    "fence_life": {"woven_wire"}, "deer_fence_height": {"woven_wire"}, "rub_diameter": {"deer_rub"},
    "inner_plane": {"two_planes"}, "tube_removal": {"solid_tube", "mesh_tube"}, "tube_foot": {"solid_tube", "mesh_tube"},
    "cylinder_stake": {"hardware_cylinder"}, "beaver_hex_netting": {"beaver"}, "beaver_height": {"beaver"},
}  # fmt: skip


@dataclass(frozen=True)
class BreakEven:
    """Area [ha] above which the cheapest sufficient fence costs less than the cheapest sufficient guards."""

    fence: str
    guards: str
    fence_a_m: float
    guards_a_tree: float
    area_ha: float
    here_ha: float

    def as_json(self) -> dict[str, Any]:
        return {"fence": self.fence, "guards": self.guards, "fence_cost_a_metre": round(self.fence_a_m, 2),
                "guards_cost_a_tree": round(self.guards_a_tree, 2), "area_ha": round(self.area_ha, 3),
                "this_planting_ha": round(self.here_ha, 3), "published": disagreements()["fence_or_guards"]["values"]}


@dataclass(frozen=True)
class Doubt:
    """What the plan looks like when only one of the culprits is there, with the verdict's probabilities.

    best : the combination with the least expected total. expected, chosen_expected : of it, and of the plan's own
    choice. worth_knowing : money that certainty about the culprit would save on average; looking further pays while
    it costs less. regret : how much the best one costs too much in the worst case.
    """

    best: Option
    expected: float
    chosen_expected: float
    worth_knowing: float
    regret: float

    def as_json(self) -> dict[str, Any]:
        return {"barriers": list(self.best.keys), "name": self.best.name, "expected_total": round(self.expected, 2),
                "chosen_expected_total": round(self.chosen_expected, 2),
                "worth_of_finding_out": round(self.worth_knowing, 2), "largest_regret": round(self.regret, 2)}


@dataclass(frozen=True)
class Plan:
    """The plan for a planting: the same object for the command, the pages, the letter and the drawing."""

    place: Planting
    chosen: Option
    others: tuple[Option, ...]
    nothing: Option
    lines: tuple[Line, ...]
    loads: int
    power: tuple[tuple[str, Energiser], ...]
    break_even: BreakEven | None
    doubt: Doubt | None
    unstopped: tuple[str, ...]
    steps: tuple[str, ...]
    fails: tuple[str, ...]
    cautions: tuple[str, ...]
    topics: tuple[str, ...]

    @property
    def basis(self) -> str:
        return "diagnosed" if self.place.diagnosed else "expected, not diagnosed"

    @property
    def currency(self) -> str:
        return str(self.place.prices.get("currency", "USD of the prices' own years"))

    @property
    def pays(self) -> bool:
        """Whether the chosen barriers cost less than the losses that they avert."""
        return self.chosen.total < self.nothing.total

    def as_json(self) -> dict[str, Any]:
        place = self.place
        return {
            "basis": self.basis,
            "currency": self.currency,
            "planting": {"trees": place.trees, "area_m2": round(place.ground.area_m2, 2),
                         "perimeter_m": round(place.ground.perimeter_m, 2), "fence_m": round(place.ground.fence_m, 2),
                         "planted_on": place.planted_on and place.planted_on.isoformat(),
                         "order_by": place.order_by and place.order_by.isoformat(),
                         "years": place.years, "snow_mm": place.snow_mm, "carry_m": place.carry_m, "budget": place.budget,
                         "culprits": {key: {"probability": threat.probability, "yearly_loss": threat.yearly_loss}
                                      for key, threat in place.threats}},
            "chosen": self.chosen.as_json(),
            "dimensions_mm": {part.key: dimensions(place, part) for part in self.chosen.parts},
            "pays": self.pays,
            "others": [option.as_json() for option in self.others],
            "nothing": self.nothing.as_json(),
            "unstopped": list(self.unstopped),
            "break_even": self.break_even.as_json() if self.break_even else None,
            "doubt": self.doubt.as_json() if self.doubt else None,
            "fence_heights": [{"height_mm": height, "share_of_white_tails_held": share, "source": "VC10"}
                              for height, share in HELD],
            "energiser": {key: power.as_json() for key, power in self.power},
            "materials": [line.as_json() for line in self.lines],
            "loads": self.loads,
            "steps": list(self.steps),
            "fails": list(self.fails),
            "cautions": list(self.cautions),
            "disagreements": {topic: disagreements()[topic] for topic in self.topics},
        }

    def as_frame(self) -> pd.DataFrame:
        """The buying list, a row a line; `to_csv` writes it."""
        import pandas as pd

        return pd.DataFrame([line.as_json() for line in self.lines])

    def options_frame(self) -> pd.DataFrame:
        """The chosen option, the others and nothing, a row each, with their costs."""
        import pandas as pd

        wanted = ["name", "first_cost", "barriers_cost", "losses_cost", "total_cost", "surviving_trees",
                  "cost_per_surviving_tree", "unstopped"]
        return pd.DataFrame([option.as_json() for option in (self.chosen, *self.others, self.nothing)])[wanted]


def plan_for(place: Planting, verdict: Mapping[str, float] | None = None) -> Plan:
    """The cheapest plan, losses included, that stops every likely culprit that a barrier can stop.

    verdict : probabilities of the culprits, for the plan under doubt. Raises CannotUse when no barrier stops any of
    them, or the budget holds none that stops them all.
    """
    options = compare(place)
    nothing = next(option for option in options if not option.parts)
    good = enough(options, place)
    if not any(option.stops for option in options):
        advice = "; ".join(dict.fromkeys(needs()[NEED_OF[key]].get("advice", needs()[NEED_OF[key]]["name"])
                                         for key, _ in place.threats))
        raise CannotUse(f"no barrier that can be built here stops these culprits: {advice}")
    affordable = [option for option in good if place.budget is None or option.first <= place.budget]
    if not affordable:
        least = min(good, key=lambda option: option.first)
        trees = _trees_within(place, least)
        raise CannotUse(f"the budget of {place.budget:,.0f} is too small: the cheapest that stops them all, {least.name}, "
                        f"costs {least.first:,.0f}; {trees}")
    return _plan(place, affordable[0], affordable, options, nothing, verdict)


def _plan(place: Planting, chosen: Option, affordable: list[Option], options: list[Option], nothing: Option,
          verdict: Mapping[str, float] | None) -> Plan:
    lines = bill(place, chosen.parts)
    tags = _tags(place, chosen)
    return Plan(
        place=place,
        chosen=chosen,
        others=tuple(option for option in affordable[1:] if option.keys != chosen.keys)[:SHOWN],
        nothing=nothing,
        lines=lines,
        loads=loads(place, lines),
        power=tuple((part.key, energiser(place.ground.fence_m, live_wires(part)))
                    for part in chosen.parts if live_wires(part)),
        break_even=_break_even(place, enough(options, place)),
        doubt=under_doubt(place, chosen, options, verdict) if verdict else None,
        unstopped=_unstopped(chosen, place),
        steps=tuple(step["text"] for step in _steps() if tags & set(step["when"])),
        fails=_fails(chosen.parts),
        cautions=cautions_for(tags | {"any"}, [culprit for culprit, _ in place.threats]),
        topics=tuple(topic for topic, about in BEARS_ON.items() if about & (tags | {"any"})),
    )


def under_doubt(place: Planting, chosen: Option, options: list[Option], verdict: Mapping[str, float]) -> Doubt | None:
    """The combination with the least expected total when exactly one culprit is at work, the verdict saying which.

    worth_knowing is the expected value of perfect information: least expected total less the expected least total.
    References: Raiffa & Schlaifer 1961, Applied Statistical Decision Theory (from memory).
    """
    named = dict(place.threats)
    shares = {key: share for key, share in sorted(verdict.items()) if key in named and share > 0}
    whole = sum(shares.values())
    if not whole:
        return None
    expected = dict.fromkeys((option.keys for option in options), 0.0)
    regret = dict.fromkeys(expected, 0.0)
    known = 0.0
    for culprit, share in shares.items():
        alone = replace(place, threats=((culprit, Threat(1.0, named[culprit].yearly_loss)),))
        best = min(min(option.total for option in compare(alone)), *(_total_if(alone, option) for option in options))
        known += share / whole * best
        for option in options:
            total = _total_if(alone, option)
            expected[option.keys] += share / whole * total
            regret[option.keys] = max(regret[option.keys], total - best)
    best_option = min(options, key=lambda option: (round(expected[option.keys], 6), option.keys))
    least = expected[best_option.keys]
    return Doubt(best_option, least, expected[chosen.keys], max(0.0, least - known), regret[best_option.keys])


def _total_if(alone: Planting, option: Option) -> float:
    """What an option, as sized for all the culprits, costs when only this one is there."""
    need = alone.needs[0]
    passes = {need: math.prod(1 - dict(part.holds).get(need, 0.0) for part in option.parts)}
    return option.barriers + losses_of(alone, passes)[0]


def _break_even(place: Planting, good: list[Option]) -> BreakEven | None:
    """Fence against guards, each the cheapest that stops the same culprits; None where one of the two cannot."""
    fences = [option for option in good if option.parts and all(part.round_the_planting for part in option.parts)]
    guards = [option for option in good if option.parts and not any(part.round_the_planting for part in option.parts)]
    if not fences or not guards:
        return None
    fence, guard = (min(these, key=lambda option: (option.barriers, option.keys)) for these in (fences, guards))
    land = place.ground
    fence_a_m, guard_a_tree = fence.barriers / land.perimeter_m, guard.barriers / place.trees
    shape, density = land.perimeter_m / math.sqrt(land.area_m2), place.trees / land.area_m2 * 10_000
    area = break_even_area(fence_a_m, guard_a_tree, density, shape)
    return BreakEven(fence.name, guard.name, fence_a_m, guard_a_tree, area, land.area_m2 / 10_000)


def _trees_within(place: Planting, least: Option) -> str:
    guards = [part for part in least.parts if not part.round_the_planting]
    if len(guards) < len(least.parts) or place.budget is None:
        return "raise it or protect a smaller area"
    return f"it would protect {math.floor(place.budget / (least.first / place.trees))} trees"


def _unstopped(chosen: Option, place: Planting) -> tuple[str, ...]:
    """A line for each culprit that the plan does not stop, with what to do about it."""
    held = {need for part in chosen.parts for need, _ in part.holds}
    told = []
    for culprit in chosen.unstopped:
        need = needs()[NEED_OF[culprit]]
        threat = dict(place.threats)[culprit]
        how = "only reduced" if NEED_OF[culprit] in held else "not stopped"
        less = "" if threat.probability >= LIKELY else f" (unlikely: {100 * threat.probability:.0f} %)"
        told.append(f"{culprit.replace('_', ' ')} is {how}{less}. {need.get('advice', '')}".strip())
    return tuple(told)


def _tags(place: Planting, chosen: Option) -> set[str]:
    tags = {part.key for part in chosen.parts} | {part.where for part in chosen.parts} | set(place.needs)
    tags |= {"cage" if part.where == "stem" else "wire cylinder" for part in chosen.parts
             if not part.round_the_planting and "roll_m" in catalogue()[part.key]}
    return tags | ({"live"} if any(live_wires(part) for part in chosen.parts) else set())


def _fails(parts: tuple[Part, ...]) -> tuple[str, ...]:
    told = []
    for part in parts:
        facts = catalogue()[part.key]
        told += [f"{part.name}: {how}" for how in facts["fails"]]
        told += [f"{part.name}, sign of failing: {how}" for how in facts["seen_by"]]
        if part.key == "woven_wire":
            less = 100 * held_share(part.top_mm - 300)
            told.append(f"{part.name}: at {part.top_mm:.0f} mm about {100 * held_share(part.top_mm):.0f} % of white-tailed "
                        f"deer are held, 300 mm less would hold {less:.0f} % (VC10, before snow)")
    return tuple(told)


def _steps() -> list[dict[str, Any]]:
    return knowledge("diagnose.protect", "steps.yaml")


def disagreement(topic: str) -> dict[str, Any]:
    """Every published value of a topic, their sources, the chosen one and why. Raises CannotUse."""
    if topic not in disagreements():
        raise CannotUse(f"no disagreement is kept about '{topic}'; there is {', '.join(disagreements())}")
    return dict(disagreements()[topic])
