"""Which barriers should this planting get, what do they cost, how are they built, and how sure is that?"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of
from diagnose.knowledge import knowledge
from diagnose.places.place import areas, within
from diagnose.protect.barriers import KEPT_OUT, Part, asked_in, catalogue, countries, is_live, wires
from diagnose.protect.chances import drawn_alive
from diagnose.protect.electric import HELD, Energiser, clear_of_lines, held_share
from diagnose.protect.kinds import Row, kinds_of
from diagnose.protect.materials import Line, bill, dimensions, loads, power_of
from diagnose.protect.money import break_even_area
from diagnose.protect.options import (
    Field,
    Option,
    against_the_others,
    best_alive,
    by_cost,
    field_of,
    holding,
    holding_most,
    option_at,
    reaching,
    totals_if,
    within_budget,
)
from diagnose.protect.planting import Planting
from diagnose.protect.prices import default_of, price_list
from diagnose.protect.requirement import NEED_OF, cautions_for, disagreements, needs
from diagnose.protect.sources import called_by_name

if TYPE_CHECKING:
    import pandas as pd

SHOWN = 8  # options shown beside the chosen one
STOCK_NEEDS = {"livestock", "sheep", "goat", "cattle", "horse"}
LARGEST_BLOCK_HA = 5.0  # KLIMA-AT
UNLIKELY = 0.2  # an animal that is there with less is called unlikely; our choice
ASKED_AFTER = 4  # animals whose presence is weighed for what it is worth to find out; our choice
# which published disagreements bear on which barrier or need
BEARS_ON = {
    "energiser_joules": {"live"}, "earth_per_joule": {"live"}, "horse_guard": {"horse", "livestock"},
    "stock_guard_height": {"stock_guard"},
    "line_volts": {"live"}, "sign_spacing": {"live"}, "earth_rod_spacing": {"live"},
    "barbed_offset": {"live"}, "vole_burial": {"vole", "vole_below", "mouse_or_rat"}, "vole_opening": {"vole", "vole_below"},
    "rabbit_snow_margin": {"rabbit"}, "rabbit_fence_height": {"rabbit_netting"}, "fence_or_guards": {"any"},
    "rabbit_netting_wire": {"rabbit_netting"}, "rabbit_netting_opening": {"rabbit_netting"},
    "gate_post_depth": {"gate_posts"},
    "brace_run": {"woven_wire", "rabbit_netting"},
    "fence_life": {"woven_wire"}, "fence_post_spacing": {"woven_wire"}, "deer_fence_height": {"deer_small"},
    "roe_fence_height": {"roe"}, "rub_diameter": {"deer_rub"},
    "vole_height": {"vole", "vole_below"}, "electric_elk": {"elk"}, "electric_life": {"electric_strands", "slanted_strands"},
    "inner_plane": {"two_planes"}, "tube_removal": {"solid_tube", "mesh_tube"}, "tube_foot": {"solid_tube", "mesh_tube"},
    "cylinder_stake": {"hardware_cylinder"}, "beaver_hex_netting": {"beaver"}, "beaver_height": {"beaver"},
    "beaver_wire": {"beaver"}, "beaver_fence": {"dug_in_fence"}, "hare_height": {"hare"}, "root_basket": {"root_basket"},
    "boar_fence": {"boar"}, "boar_wires": {"boar"}, "bear_wires": {"bear"}, "deer_large_fence_height": {"deer_large"},
}  # fmt: skip


@dataclass(frozen=True)
class BreakEven:
    """Where a fence costs less than guards.

    Parameters
    ----------
    fence, guards
        Names of the best of both [no unit].
    fence_a_m, guards_a_tree
        What they cost [money a metre, money a tree].
    area_ha, here_ha
        Above it the fence costs less, at this shape and spacing; and the area here [ha].
    trees
        Above so many on this area the fence costs less [trees].
    """

    fence: str
    guards: str
    fence_a_m: float
    guards_a_tree: float
    area_ha: float
    here_ha: float
    trees: float

    def as_json(self) -> dict[str, Any]:
        """As plain values, beside what has been published on it; ha to 0.001, money to 0.01."""
        return {"fence": self.fence, "guards": self.guards, "fence_cost_a_metre": round(self.fence_a_m, 2),
                "guards_cost_a_tree": round(self.guards_a_tree, 2), "area_ha": round(self.area_ha, 3),
                "this_planting_ha": round(self.here_ha, 3), "trees_here": round(self.trees),
                "published": disagreements()["fence_or_guards"]["values"]}


@dataclass(frozen=True)
class Doubt:
    """What it is worth to find out which animals are here.

    Parameters
    ----------
    best, about
        The plan with the least expected total, and the animals in doubt [no unit].
    expected, chosen_expected
        Total of it, and of the plan's own choice [money].
    worth_knowing, regret
        What certainty about who is there would save on average (the expected value of perfect information); how much the
        chosen plan costs too much in the worst case [money].
    """

    best: Option
    expected: float
    chosen_expected: float
    worth_knowing: float
    regret: float
    about: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """As plain values, money to 0.01."""
        return {"barriers": list(self.best.keys), "name": self.best.name, "expected_total": round(self.expected, 2),
                "chosen_expected_total": round(self.chosen_expected, 2), "about": list(self.about),
                "worth_of_finding_out": round(self.worth_knowing, 2), "largest_regret": round(self.regret, 2)}


@dataclass(frozen=True)
class Unlikely:
    """What animals that are hardly there make of a plan: each of them is unlikely, one of many of them is not.

    Parameters
    ----------
    about
        The animals, each there with less than UNLIKELY, and not on the list of what must be kept out [no unit].
    chance
        That at least one of them is there [share].
    without
        The plan if none of them were [no unit].
    """

    about: tuple[str, ...]
    chance: float
    without: Option

    def as_json(self) -> dict[str, Any]:
        """As plain values, money to 0.01."""
        return {"about": list(self.about), "chance_of_any": round(self.chance, 3), "without_them": self.without.name,
                "first_without": round(self.without.first, 2), "barriers_without": round(self.without.barriers, 2)}


@dataclass(frozen=True)
class Plan:
    """The plan for a planting: the same object for the command, the pages, the letter and the drawing.

    Parameters
    ----------
    place, chosen, nothing, others
        What was asked; the cheapest that does all that is wanted, or the best there is where none does; doing nothing; and
        other combinations [no unit].
    broken
        Which wish cannot be met, and what it would take; empty where all are [no unit].
    kinds, unstopped
        The best of each kind, and culprits that get past [no unit].
    lines, loads
        The buying list, and loads to carry in [loads].
    power
        Key of each electric fence, and its energiser [J].
    break_even, doubt, unlikely
        Fence beside guards; what knowing more is worth; what animals that are hardly there change; None where that says
        nothing [no unit].
    tree_value, least_expected
        Price of a lost tree from which on the plan costs less than doing nothing; the least expected total of any plan
        [money].
    alive_by_year
        Year, and trees alive with the plan and without at 10, 50 and 90 % [trees].
    tools, steps, checks, site, measures, fails, cautions, topics
        What to do and to mind, in words [no unit].
    """

    place: Planting
    chosen: Option
    broken: str
    kinds: tuple[Row, ...]
    others: tuple[Option, ...]
    nothing: Option
    lines: tuple[Line, ...]
    loads: int
    power: tuple[tuple[str, Energiser], ...]
    break_even: BreakEven | None
    tree_value: float
    doubt: Doubt | None
    unlikely: Unlikely | None
    alive_by_year: tuple[tuple[int, tuple[float, ...], tuple[float, ...]], ...]
    unstopped: tuple[str, ...]
    tools: tuple[str, ...]
    steps: tuple[str, ...]
    checks: tuple[dict[str, str], ...]
    site: tuple[str, ...]
    measures: tuple[str, ...]
    fails: tuple[str, ...]
    cautions: tuple[str, ...]
    topics: tuple[str, ...]
    least_expected: float

    @property
    def basis(self) -> str:
        """In words, whether the animals were diagnosed or are only expected."""
        return "diagnosed" if self.place.diagnosed else "expected, not diagnosed"

    @property
    def currency(self) -> str:
        """The money of all sums, and the year of the default prices."""
        return f"{self.place.prices.get('currency', price_list()['currency'])} of {price_list()['year']}"

    @property
    def pays(self) -> bool:
        """Whether the chosen barriers cost less than the losses that they avert."""
        return self.chosen.total <= self.nothing.total

    @property
    def reaches(self) -> bool:
        """Whether all that was asked for is met."""
        return not self.broken

    @property
    def remembered(self) -> float:
        """Share of the first cost that rests on prices from memory, no unit."""
        own = self.place.prices
        lines = sum(line.cost for line in self.lines if line.key and line.key not in own
                    and default_of(line.key, own).from_memory)
        work = 0.0 if "wage" in own else self.chosen.hours * self.place.price("wage")
        return (lines + work) / self.chosen.first if self.chosen.first > 0 else 0.0

    def as_json(self) -> dict[str, Any]:
        """The whole plan as plain values: what the command prints and the pages read."""
        place = self.place
        return {
            "basis": self.basis,
            "currency": self.currency,
            "aim": {"alive_per_ha": round(place.target_per_ha, 1), "alive": round(place.target_trees, 1),
                    "sureness": place.sureness, "years": place.years, "budget": place.budget,
                    "must_be_kept_out": list(place.must), "owned": dict(place.owned)},
            "reaches": self.reaches,
            "broken": self.broken,
            "planting": {"trees": place.trees, "area_m2": round(place.ground.area_m2, 2),
                         "perimeter_m": round(place.ground.perimeter_m, 2), "fence_m": round(place.ground.fence_m, 2),
                         "planted_on": place.planted_on and place.planted_on.isoformat(),
                         "order_by": place.order_by and place.order_by.isoformat(),
                         "years": place.years, "snow_mm": place.snow_mm, "carry_m": place.carry_m, "budget": place.budget,
                         "site": list(place.site), "country": place.country or None, "soil": place.soil,
                         "frost_mm": place.frost_mm,
                         "power_line_kv": place.power_line_kv, "stock_mm": place.stock_mm,
                         "culprits": {key: {"probability": threat.probability, "yearly_loss": threat.yearly_loss}
                                      for key, threat in place.threats}},
            "chosen": self.chosen.as_json(),
            "dimensions_mm": {part.key: dimensions(place, part) for part in self.chosen.parts},
            "wires": {part.key: wires(part) for part in self.chosen.parts if wires(part)},
            "pays": self.pays,
            "least_expected_cost": round(self.least_expected, 2),
            "kinds": [row.as_json() for row in self.kinds],
            "others": [option.as_json() for option in self.others],
            "nothing": self.nothing.as_json(),
            "unstopped": list(self.unstopped),
            "break_even": self.break_even.as_json() if self.break_even else None,
            "tree_value": None if math.isinf(self.tree_value) else round(self.tree_value, 2),
            "doubt": self.doubt.as_json() if self.doubt else None,
            "unlikely": self.unlikely.as_json() if self.unlikely else None,
            "alive_by_year": [{"year": year, "with_the_plan_10_50_90": list(mine), "without_10_50_90": list(bare)}
                              for year, mine, bare in self.alive_by_year],
            "fence_heights": [{"height_mm": height, "share_of_white_tails_held": share, "source": "VC10"}
                              for height, share in HELD],
            "energiser": {key: power.as_json() for key, power in self.power},
            "materials": [line.as_json() for line in self.lines],
            "loads": self.loads,
            "share_from_memory": round(self.remembered, 3),
            "tools": list(self.tools),
            "steps": list(self.steps),
            "checks": list(self.checks),
            "site": list(self.site),
            "site_measures": list(self.measures),
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

        wanted = ["name", "first_cost", "barriers_cost", "losses_cost", "total_cost", "surviving_trees", "surely_alive",
                  "cost_per_surviving_tree", "unstopped"]
        return pd.DataFrame([option.as_json() for option in (self.chosen, *self.others, self.nothing)])[wanted]


def plan_for(place: Planting) -> Plan:
    """The least cost over life plus expected loss (net present value) among the plans that do what is wanted.

    They keep out all that must be kept out, leave the wanted trees alive as surely as asked for, and stay within the budget.
    Where none does, the plan is the best there is, and says which wish breaks it; where an animal is there that nothing
    stops, it is the cheapest that would do against the others. What it is worth to find out who is there first is the
    expected value of perfect information about the animals in doubt.

    Parameters
    ----------
    place
        The planting and what is wanted of it, as `planting.planting` makes it; its record tells each unit.

    Raises
    ------
    CannotUse
        Where no barrier holds any of what is there.

    References
    ----------
    .. [1] Our own. The value of information: Raiffa, H. & Schlaifer, R. (1961), Applied Statistical Decision Theory (from
       memory).
    """
    field = field_of(place)
    if not (field.held > 0).any():
        advice = "; ".join(dict.fromkeys(needs()[NEED_OF[key]].get("advice", needs()[NEED_OF[key]]["name"])
                                         for key in [*(key for key, _ in place.threats), *place.must]))
        raise CannotUse(f"no barrier that can be built here stops these culprits: {advice}")
    must, affordable = holding(place, field), within_budget(place, field)
    row = reaching(place, field, must & affordable)
    broken = "" if row is not None else _broken(place, field)
    if row is None:
        row = _nearest(place, field, holding_most(place, field, affordable))
    chosen = option_at(place, field, row)
    nothing = option_at(place, field, 0)
    lines = bill(place, chosen.parts)
    tags = _tags(place, chosen, lines)
    build = knowledge("diagnose.protect", "build.yaml")
    kinds = kinds_of(place, field)
    spared = nothing.losses - chosen.losses
    animals = [culprit for culprit, _ in place.threats] + list(place.must)
    return Plan(
        place=place,
        chosen=chosen,
        broken=broken,
        kinds=kinds,
        others=_others(place, field, row, must & affordable),
        nothing=nothing,
        lines=lines,
        loads=loads(place, lines),
        power=tuple((part.key, power_of(place, part)) for part in chosen.parts if is_live(part)),
        break_even=_break_even(place, kinds),
        tree_value=place.price("tree") * chosen.barriers / spared if spared > 1e-9 else math.inf,
        doubt=_doubt(place, field, row),
        unlikely=_unlikely(place, chosen),
        alive_by_year=_by_year(place, field, row),
        unstopped=_unstopped(chosen, place),
        tools=tuple(one["what"] for one in build["tools"] if tags & set(one["when"])),
        steps=tuple(_step(one) for one in build["steps"] if tags & set(one["when"])),
        checks=tuple({name: one[name] for name in ("name", "what", "at", "every")} for one in build["checks"]
                     if tags & set(one["when"])),
        site=_site(place, chosen.parts, tags),
        measures=tuple(f"{one['name']}: {one['known']}" for one in build["site_measures"]
                       if set(one["against"]) & set(place.needs)),
        fails=_fails(chosen.parts),
        cautions=cautions_for(tags | {"any"}, animals),
        topics=tuple(topic for topic, about in BEARS_ON.items() if about & (tags | {"any"})),
        least_expected=float(field.total.min()),
    )


def _nearest(place: Planting, field: Field, allowed: NDArray[np.bool_]) -> int:
    """The row to take where no plan does all that is wanted: the cheapest that leaves the wanted trees all the same.

    Else, where some animals are stopped by nothing that is built here, the cheapest that would leave them if those were
    not there: to guard every tree against what gets past the guard is money for little. Else the one with most trees.
    """
    row = reaching(place, field, allowed)
    if row is None and (found := _stopping_the_others(place, field, allowed)) is not None:
        row = found[0]
    row = best_alive(place, field, allowed) if row is None else row
    assert row is not None  # doing nothing is always allowed
    return row


def _stopping_the_others(place: Planting, field: Field, allowed: NDArray[np.bool_]) -> tuple[int, tuple[str, ...]] | None:
    """The cheapest row that would leave the wanted trees if what nothing stops were not there, and who that is."""
    fewer, without, past = against_the_others(place, field)
    row = reaching(fewer, without, allowed) if past and len(past) < len(place.threats) else None
    return None if row is None else (row, past)


def _broken(place: Planting, field: Field) -> str:
    """Which wish no plan meets, and what it would cost to meet the others."""
    must, affordable = holding(place, field), within_budget(place, field)
    wanted = f"{place.target_trees:.0f} trees alive with {100 * place.sureness:.0f} % sureness"
    if not must.any():
        worst = [(key, float(field.held[:, place.needs.index(NEED_OF[key])].max())) for key in place.must]
        told = "; ".join(f"the best barrier holds {100 * share:.0f} % of {key.replace('_', ' ')}" for key, share in worst
                         if share < KEPT_OUT) or "no combination of up to three keeps all of them out"
        return f"The list of what must be kept out breaks it: {told}. Take that off the list, or bear it."
    if (row := reaching(place, field, must)) is not None:
        option = option_at(place, field, row)
        return (f"The budget of {place.budget:,.0f} is too small and breaks it: the cheapest that reaches {wanted} is "
                f"{option.name}, at {option.first:,.0f} in the first year.{_some_of_them(place, field, must)}")
    if place.must and (row := reaching(place, field, affordable)) is not None:
        option = option_at(place, field, row)
        return (f"The list of what must be kept out breaks it: without it {option.name} reaches {wanted} at "
                f"{option.first:,.0f} in the first year.")
    if (found := _stopping_the_others(place, field, must)) is not None:
        option, past = option_at(place, field, found[0]), " and ".join(map(name_of, found[1]))
        named = option.name[:1].upper() + option.name[1:]
        return (f"The target breaks it: nothing that is built here stops {past}, so no barriers reach {wanted}. {named} is "
                f"the cheapest that would reach it against the others, at {option.first:,.0f} in the first year; with "
                f"{past} there, it leaves {option.surely_alive:.0f} that surely.")
    best = best_alive(place, field, must)
    option = option_at(place, field, 0 if best is None else best)
    return (f"The target breaks it: no barriers reach {wanted}; the best, {option.name}, leave {option.surely_alive:.0f} "
            f"that surely, at {option.first:,.0f} in the first year. Lower the target or the sureness, plant more trees, or "
            f"replant.")


def _some_of_them(place: Planting, field: Field, allowed: NDArray[np.bool_]) -> str:
    """How many of the trees the budget guards with what guards all, in words; empty where that is none."""
    at_trees = allowed & ~field.round_it[field.picked].any(axis=1)
    row = reaching(place, field, at_trees)
    if row is None or place.budget is None:
        return ""
    option = option_at(place, field, row)
    trees = int(place.budget / (option.first / place.trees)) if option.first > 0 else 0
    return f" The budget pays for {option.name} at about {trees} of the trees: plan those by themselves." if trees else ""


def _others(place: Planting, field: Field, chosen: int, allowed: Any) -> tuple[Option, ...]:
    """The next cheapest ways that also do what is wanted, each combination once."""
    told: dict[tuple[str, ...], Option] = {}
    mine = tuple(part.key for part in field.parts(chosen))
    for row in by_cost(field):
        keys = tuple(part.key for part in field.parts(row))
        if len(told) >= SHOWN or field.survivors[row] < 0.9 * place.target_trees * place.sureness:
            continue
        if not allowed[row] or keys == mine or keys in told:
            continue
        option = option_at(place, field, int(row))
        if option.surely_alive >= place.target_trees - 1e-9:
            told[keys] = option
    return tuple(told.values())


def _doubt(place: Planting, field: Field, chosen: int) -> Doubt | None:
    """The expected value of perfect information about who is there; None where nothing is in doubt."""
    presence = np.array([one[2] for one in place.animals])
    in_doubt = sorted((index for index, chance in enumerate(presence) if 0.02 < chance < 0.98),
                      key=lambda index: -presence[index] * (1 - presence[index]) * place.animals[index][3])[:ASKED_AFTER]
    if not in_doubt:
        return None
    known = expected = worst = 0.0
    totals = np.zeros(len(field.picked))
    for there in itertools.product((0.0, 1.0), repeat=len(in_doubt)):
        case = presence.copy()
        case[in_doubt] = there
        weight = math.prod(presence[index] if one else 1 - presence[index]
                           for index, one in zip(in_doubt, there, strict=True))
        cost = totals_if(place, field, case)
        totals += weight * cost
        known += weight * float(cost.min())
        worst = max(worst, float(cost[chosen] - cost.min()))
    best = int(np.argmin(totals))
    expected = float(totals[best])
    return Doubt(option_at(place, field, best), expected, float(totals[chosen]), max(0.0, expected - known), worst,
                 tuple(place.animals[index][0] for index in in_doubt))


def _unlikely(place: Planting, chosen: Option) -> Unlikely | None:
    """What the plan would be without the animals that are hardly there; None where they change nothing."""
    about = tuple(key for key, threat in place.threats if threat.probability < UNLIKELY and key not in place.must)
    if not about:
        return None
    chance = 1 - math.prod(1 - threat.probability for key, threat in place.threats if key in about)
    fewer = replace(place, threats=tuple(one for one in place.threats if one[0] not in about))
    if not (fewer.threats or fewer.must):
        return None
    field = field_of(fewer)
    row = reaching(fewer, field, holding(fewer, field) & within_budget(fewer, field))
    if row is None:
        return None
    without = option_at(fewer, field, row)
    return Unlikely(about, chance, without) if without.barriers < chosen.barriers - 0.005 else None


def _by_year(place: Planting, field: Field, row: int) -> tuple[tuple[int, tuple[float, ...], tuple[float, ...]], ...]:
    told = [np.quantile(drawn_alive(place.animals, field.let_through[which], place.trees, place.years), (0.1, 0.5, 0.9),
                        axis=0, method="nearest") for which in (row, 0)]
    return tuple((year, tuple(map(float, told[0][:, year])), tuple(map(float, told[1][:, year])))
                 for year in range(place.years + 1))


def _break_even(place: Planting, kinds: tuple[Row, ...]) -> BreakEven | None:
    """Fence against guards, each the cheapest that does what is wanted; None where one of the two cannot."""
    fences = [row.option for row in kinds if row.reaches and row.option and row.option.parts
              and all(part.round_the_planting for part in row.option.parts)]
    guards = [row.option for row in kinds if row.reaches and row.option and row.option.parts
              and not any(part.round_the_planting for part in row.option.parts)]
    if not fences or not guards:
        return None
    fence, guard = (min(these, key=lambda option: (option.total, option.keys)) for these in (fences, guards))
    land = place.ground
    fence_a_m, guard_a_tree = fence.barriers / land.perimeter_m, guard.barriers / place.trees
    shape, density = land.perimeter_m / math.sqrt(land.area_m2), place.trees / land.area_m2 * 10_000
    area = break_even_area(fence_a_m, guard_a_tree, density, shape)
    return BreakEven(fence.name, guard.name, fence_a_m, guard_a_tree, area, land.area_m2 / 10_000,
                     fence.barriers / guard_a_tree)


def _unstopped(chosen: Option, place: Planting) -> tuple[str, ...]:
    """A line for each culprit that the plan does not keep out: the share held, and what else to do about it."""
    told = []
    for culprit, share in chosen.holds:
        if share >= KEPT_OUT:
            continue
        need = needs()[NEED_OF[culprit]]
        how = f"only reduced, by {100 * share:.0f} %" if share > 0 else "not stopped"
        chance = dict(place.threats).get(culprit)
        there = f" (here with {100 * chance.probability:.0f} %)" if chance and chance.probability < 1 else ""
        told.append(f"{culprit.replace('_', ' ')} is {how}{there}. {need.get('advice', '')}".strip())
    return tuple(told)


def _tags(place: Planting, chosen: Option, lines: tuple[Line, ...]) -> set[str]:
    """Words for what is built and met, by which steps, checks and cautions are picked."""
    parts = chosen.parts
    tags = {part.key for part in parts} | {part.where for part in parts}
    tags |= {need for part in parts for need, _ in part.holds} & set(place.needs)
    tags |= {need for need in place.needs if needs()[need]["kind"] == "none" or not parts} | _bodies(place)
    tags |= {"cage" if part.where == "stem" else "wire cylinder" for part in parts
             if not part.round_the_planting and "roll_m" in catalogue()[part.key]}
    tags |= {"strained" for part in parts if catalogue()[part.key].get("strained")}
    tags |= {"live" for part in parts if is_live(part)}
    tags |= {"meshed" if catalogue()[part.key].get("mesh") else "wires" for part in parts if part.round_the_planting}
    tags |= {"live_in_snow" for part in parts for wire in wires(part) if wire["state"] == "off"}
    tags |= {"root basket"} if "root_basket" in tags else set()
    tags |= {"dug_in"} if any(part.where == "stem" and part.burial_mm > 0 for part in parts) else set()
    tags |= {"gate_posts"} if any(line.item == "gate posts" for line in lines) else set()
    tags |= {"power_line"} if place.power_line_kv > 0 and "live" in tags else set()
    return tags


def _bodies(place: Planting) -> set[str]:
    """Needs of animals that are likely here: what they carry harms whoever works there, whatever is built."""
    return {NEED_OF[culprit] for culprit, threat in place.threats if threat.probability >= 0.1}


def _step(one: dict[str, Any]) -> str:
    return f"{one['text']} CAUTION: {one['mind']}" if "mind" in one else str(one["text"])


def _of_the_country(place: Planting, parts: tuple[Part, ...]) -> list[str]:
    """What the sources of the country ask for beyond what is built elsewhere, and that the fence keeps to it."""
    told = []
    name = areas()[within(place.country)[-1]].name if place.country else ""
    tall = next((code for code in (within(place.country) if place.country else ())
                 if "tall_fence" in countries().get(code, {})), "")
    for part in parts:
        asked, usual = asked_in(part.key, place.country), catalogue()[part.key]
        before = {need: usual["against"][need]["top"] for need, _ in part.holds if need in asked.get("top", {})}
        words = []
        for need, (top, source, tag) in before.items():
            taller, whose, seen = asked["top"][need]
            if taller > top:
                words.append(f"{needs()[need]['name']} by {taller / 1000:.1f} m ({whose} [{seen}]; {top / 1000:.1f} m "
                             f"elsewhere, {source} [{tag}])")
        if words:
            told.append(f"In {name} a fence holds {', '.join(words)}: so the {part.name} is built, or taller.")
        if "post_spacing_mm" in asked:
            apart = asked["post_spacing_mm"]
            told.append(f"In {name} line posts stand at most {apart[0] / 1000:.1f} m apart ({apart[1]} [{apart[2]}]; "
                        f"{usual['post_spacing_mm'][0] / 1000:.1f} m elsewhere): so the {part.name} is built.")
        if tall and any("large" in usual["against"][need] for need, _ in part.holds):
            told.append(f"In {areas()[tall].name} {countries()[tall]['why']}: so it is built.")
    return [called_by_name(line) for line in told]


def _site(place: Planting, parts: tuple[Part, ...], tags: set[str]) -> tuple[str, ...]:
    """What snow, slope, wind, water, frost, soil, birds and people change in this plan."""
    told = []
    if place.snow_mm > 0:
        told.append(f"Snow of {place.snow_mm:.0f} mm: heights stand above it; look again when drifts are deeper.")
        if "live_in_snow" in tags:
            told.append("Wires under the snow are off and counted as nothing; each hangs on a switch of its own.")
    if place.ground.slope_percent > 0 and tags & {"area", "stem", "base"}:
        told.append(f"Slope of {place.ground.slope_percent:.0f} %: heights are counted from the uphill side and the line is "
                    f"{place.ground.fence_m - place.ground.perimeter_m:.0f} m longer than on the map; posts stand "
                    "upright, and a brace is added where the slope changes.")
    if place.strong_wind and tags & {"stem", "base"}:
        told.append("Strong wind: metal stakes on the windward side; a short wooden stake fails.")
    if "area" in tags and tags & STOCK_NEEDS:
        told.append("The fence shuts stock out of the whole planting. Where they are to graze between the trees, "
                    "say so (site: grazed): each tree then gets a guard of its own.")
    if "area" in tags and place.hectares > LARGEST_BLOCK_HA:
        told.append(_in_blocks(place))
    if place.strong_wind and "area" in tags:
        told.append("Strong wind: walk the line after every storm, for a fallen tree opens a fence.")
    if place.strong_wind and "plastic_mesh" in tags:
        told.append("Strong wind: plastic mesh catches wind and snow; set its posts closer.")
    if place.frost_mm > 0 and "strained" in tags:
        told.append(f"Frost to {place.frost_mm:.0f} mm: feet of braced posts go below it, or frost lifts them.")
    if place.soil == "sand" and "strained" in tags:
        told.append("Sand: braced posts stand 300 mm deeper and long sides are braced again every 300 m.")
    if place.soil == "rock" and tags & {"area", "area_foot"}:
        told.append("Rock: drill and pin posts, or stand them in boxes of stones; have the line looked at before you order.")
    if place.power_line_kv > 0 and tags & {"area", "area_foot"}:
        told.append(clear_of_lines(place.power_line_kv, live="live" in tags))
    told += _of_the_country(place, parts)
    for word in place.site:
        changes = knowledge("diagnose.protect", "site.yaml")[word]["changes"]
        told += [text for tag, text in changes.items() if tag in tags]
    return tuple(dict.fromkeys(told))


def _in_blocks(place: Planting) -> str:
    """What a fence round much land risks, and how much longer fences round blocks would be."""
    blocks = math.ceil(place.hectares / LARGEST_BLOCK_HA)
    metres = 4 * math.sqrt(place.ground.area_m2 * blocks)
    return (f"One hole in a fence lets animals in on all of it, and more than {LARGEST_BLOCK_HA:g} ha are hard to keep "
            f"whole (KLIMA-AT; BFW-FENCE says 2 ha): {blocks} square blocks would need about {metres:.0f} m of fence in "
            f"place of {place.ground.fence_m:.0f} m, which is not reckoned here.")


def _fails(parts: tuple[Part, ...]) -> tuple[str, ...]:
    told = []
    for part in parts:
        facts = catalogue()[part.key]
        told += [f"{part.name} {words}: {'; '.join(facts[name])}." for name, words in (
            ("needs", "needs"), ("fails", "fails"), ("seen_by", "shows that it fails")) if facts[name]]
        if part.key == "woven_wire" and any(need == "deer_small" for need, _ in part.holds):
            height = part.top_mm - part.snow_mm
            told.append(f"{part.name}: at {height:.0f} mm about {100 * held_share(height):.0f} % of white-tailed deer are "
                        f"held, 300 mm less would hold {100 * held_share(height - 300):.0f} % (VC10, height above the snow)")
    return tuple(told)


def disagreement(topic: str) -> dict[str, Any]:
    """Every published value of a topic, their sources, the chosen one and why.

    Parameters
    ----------
    topic
        As in `disagreements.yaml` [no unit].

    Raises
    ------
    CannotUse
        For a topic of which none is kept.
    """
    if topic not in disagreements():
        raise CannotUse(f"no disagreement is kept about '{topic}'; there is {', '.join(disagreements())}")
    return dict(disagreements()[topic])
