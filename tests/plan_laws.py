"""Laws that every plan obeys, over drawn plantings: `python -m tests.plan_laws --plans 500 --seed 1`.

What is checked is arithmetic and safety that hold whatever the figures of the catalogue are; no figure is compared here.
The plantings are drawn in several currencies, some with a budget, and told in millimetres and in inches.
"""

from __future__ import annotations

import argparse
import random
import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.figures import MM_PER_INCH, length
from diagnose.knowledge import knowledge
from diagnose.protect.barriers import KEPT_OUT, RAIL_MM, catalogue, is_live, wires
from diagnose.protect.chances import drawn_alive, renewals
from diagnose.protect.ground import square_ground
from diagnose.protect.materials import dimensions
from diagnose.protect.options import NEARLY, field_of, least_expected_cost, within_budget
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import Planting, Threat, planting
from diagnose.protect.prices import checked_currency
from diagnose.protect.requirement import NEED_OF
from diagnose.protect.trade import TO_ORDER, trade_sizes
from diagnose.report.plan_sheet import AT_MOST, in_their_units, plan_as_text

ANIMALS = ["deer_browsing", "roe_deer", "red_deer", "elk", "moose", "rabbit", "hare", "field_vole", "pine_vole", "beaver",
           "sheep", "cattle", "horse", "goat", "pocket_gopher", "porcupine", "deer_rubbing", "woodchuck", "grouse",
           "muntjac", "wild_boar", "brown_bear", "water_vole", "antelope", "coypu", "sika", "macaque"]
COUNTRIES = ["", "", "", "JP", "KR", "DK", "CZ", "PL", "GB-SCT", "NZ"]
MONEY = ["USD", "EUR", "GBP", "JPY", "SEK"]
KEPT = ["deer_browsing", "rabbit", "field_vole", "red_deer", "cattle", "beaver", "elk"]
TABLES = tuple(knowledge("diagnose.protect", "trade.yaml"))
CENT = 0.005


def drawn(rng: random.Random) -> Planting:
    """A planting drawn at random, of any size and place."""
    hectares = 10 ** rng.uniform(-1.3, 1.1)
    trees = max(2, round(hectares * rng.choice([200, 800, 1600, 3000])))
    money = checked_currency({"currency": rng.choice(MONEY)})
    dollar = money["exchange"]
    animals = {key: rng.choice([1.0, round(rng.random(), 2)]) for key in rng.sample(ANIMALS, rng.randint(1, 4))}
    while True:
        try:
            return planting(
                square_ground(10_000 * hectares, rng.choice([0, 0, 10, 30])), trees, animals,
                years=rng.choice([1, 4, 6, 10, 15]), damage=rng.choice(["light", "moderate", "heavy", "severe"]),
                snow_mm=rng.choice([0.0, 0.0, 200.0, 700.0]),
                strong_wind=rng.random() < 0.3, carry_m=rng.choice([0.0, 400.0]), conifers=rng.random() < 0.3,
                gates=rng.choice([0, 1, 3]), soil=rng.choice(["normal", "sand"]), frost_mm=rng.choice([0.0, 900.0]),
                site=rng.sample(["dry_ground", "badger", "path", "grouse"], rng.randint(0, 2)),
                prices={**money, "tree": dollar * rng.choice([2.0, 8.0, 60.0, 400.0])},
                budget=rng.choice([None, None, None, dollar * trees * rng.choice([1.0, 5.0, 30.0])]),
                sureness=rng.choice([0.6, 0.8, 0.9]), country=rng.choice(COUNTRIES),
                target_per_ha=rng.choice([0.0, 0.3, 0.6, 0.8]) * trees / hectares)
        except CannotUse:
            continue


def more_animals(place: Planting, rng: random.Random) -> None:
    """An animal added with probability p raises the least expected cost by no less than nothing and by no more than p times
    all that it could destroy."""
    new = rng.choice([key for key in ANIMALS if key not in dict(place.threats)])
    cent = CENT * place.prices.get("exchange", 1.0)
    chance, loss = round(rng.random(), 2), rng.choice([0.03, 0.25, 0.9])
    more = replace(place, threats=tuple(sorted([*place.threats, (new, Threat(chance, loss))])))
    rise = least_expected_cost(more) - least_expected_cost(place)
    assert -cent <= rise <= chance * place.trees * place.price("tree") + cent, (new, chance, rise)


def more_musts(place: Planting, rng: random.Random) -> None:
    """A longer list of what must be kept out never makes the plan cheaper, where both lists can be kept; a plan that cannot
    keep the whole list keeps as much of it as any within the budget."""
    first, second = rng.sample(KEPT, 2)
    lists = ((), (first,), tuple(sorted((first, second))))
    plans = [_plan(replace(place, must=must)) for must in lists]
    costs = [plan.chosen.total for plan in plans if plan is not None and plan.reaches]
    assert costs == sorted(costs), costs
    for plan, must in zip(plans, lists, strict=True):
        if plan is None or plan.reaches:
            continue
        field = field_of(plan.place)
        kept = np.array([[field.held[row, plan.place.needs.index(NEED_OF[one])] >= KEPT_OUT for one in must]
                         for row in np.flatnonzero(within_budget(plan.place, field))]).sum(axis=1)
        assert len(set(must) & set(plan.chosen.stops)) == kept.max(initial=0), (must, plan.chosen.stops)


def higher_targets(place: Planting, rng: random.Random) -> None:
    """A higher target never leaves fewer trees surely alive; one that nothing reaches leaves all but as many as any does."""
    planted = place.trees / place.hectares
    plans = [plan for share in (0.2, 0.4, 0.6, 0.7, 0.8, 0.9, 0.97)
             if (plan := _plan(replace(place, target_per_ha=share * planted))) is not None]
    alive = [plan.chosen.surely_alive for plan in plans if plan.reaches]
    assert alive == sorted(alive), alive
    beyond = [plan.chosen.surely_alive for plan in plans if not plan.reaches]
    assert all(left >= NEARLY * max(alive, default=0.0) for left in beyond), (alive, beyond)


def bought_once(place: Planting, rng: random.Random) -> None:
    """A barrier whose shortest life is as long as the years is bought once, and nothing is renewed in the last year."""
    assert renewals(20, None, 12).sum() == 0 and renewals(5, None, 6)[-1] == 0
    years = place.years
    assert renewals(years / 0.6 + 0.01, None, years).sum() == 0
    field = field_of(place)
    assert (field.renewing[:, -1] == 0).all() and (field.renewing[:, 0] == 0).all()


def bill_is_cost(place: Planting, rng: random.Random) -> None:
    """The buying list and the hours make the first year's cost to the unit, also where some lies in stock."""
    owned = {"stakes": 40.0, "line_posts": 12.0, "gates": 1.0, "energiser": 1.0, "solid_tube": 25.0}
    for told in (place, replace(place, owned=owned)):
        plan = _plan(told)
        if plan is not None:
            goods = sum(line.to_buy * line.price for line in plan.lines)
            assert abs(goods + plan.chosen.hours * told.price("wage") - plan.chosen.first) < CENT * told.prices["exchange"]
            assert all(0 <= line.to_buy - (line.quantity - line.from_stock) < max(line.pack, 1e-9) for line in plan.lines)


def trade_sizes_only(place: Planting, rng: random.Random) -> None:
    """Every post, stake, tube and mesh stands in a table of trade sizes, or is marked to order; so does every length, width
    and thickness that the buying list names, in its own line; no rails stand farther apart than their animals allow."""
    plan = _plan(place)
    for line in plan.lines if plan else ():
        if TO_ORDER in line.specification:
            continue
        for size, what, name in re.findall(r"(\d+) mm (long|wide|tall|thick)(?: \(([^)]*)\))?", line.specification):
            assert any(trade_sizes(table).get(float(size)) == name for table in TABLES), (line.item, size, what, name)
        for limit, name in re.findall(r"opening at most ([\d.]+) mm \(sold as ([^)]*)\)", line.specification):
            assert any(size <= float(limit) + 0.05 for table in TABLES for size, own in trade_sizes(table).items()
                       if own == name), (line.item, limit, name)
    for part in plan.chosen.parts if plan else ():
        built, facts = dimensions(place, part), catalogue()[part.key]
        sizes = [("posts", built.get("post length")), ("posts", built.get(
            "end post length")), ("stakes", built.get("stake length"))]
        sizes += [(facts["mesh"], part.width_mm or None)] if facts.get("mesh") else []
        sizes += [("tubes", part.top_mm)] if "bundle" in facts else []
        words = " ".join(line.specification for line in plan.lines) if plan else ""
        if part.sides and not part.backed:
            assert part.top_mm / part.rails - RAIL_MM <= part.opening_mm + 1e-6, (part.top_mm, part.rails, part.opening_mm)
        for table, size in sizes:
            assert size is None or size in trade_sizes(table) or TO_ORDER in words, (part.key, table, size)


def safe_wires(place: Planting, rng: random.Random) -> None:
    """No live wire hangs on or beside metal netting or barbed wire, each has its insulators, none under snow counts as live,
    and no electric fence comes without energiser, earth, signs, tester and the caution at its step."""
    wished = replace(place, spec={"barrier": ["electric_strands"]}) if rng.random() < 0.5 else place
    plan = _plan(wished)
    if plan is None:
        return
    live = [part for part in plan.chosen.parts if is_live(part)]
    items = {line.item: line for line in plan.lines}
    for part in live:
        assert not any(other.metal_netting and other.round_the_planting for other in plan.chosen.parts if other is not part)
        assert all(wire["state"] != "live" or wire["height_mm"] > place.snow_mm for wire in wires(part))
        assert {"energiser", "earth rods", "warning signs", "volt meter"} <= set(items)
        assert {"insulated lead-out cable", "cut-off switches"} <= set(items)
        posts = sum(items[name].quantity for name in ("line posts", "corner and end posts") if name in items)
        if not catalogue()[part.key].get("live_strands_own"):
            charged = sum(wire["state"] in ("live", "off") for wire in wires(part))
            planes = 2 if "plane_spacing_mm" in catalogue()[part.key] else 1
            assert items["insulators"].quantity >= charged * posts / planes
        assert any("CAUTION" in step and "Off before" in step for step in plan.steps)
        assert any("60335-2-76" in caution for caution in plan.cautions) and any("barbed" in one for one in plan.cautions)
    assert "barbed" not in " ".join(line.specification for line in plan.lines)
    assert len(live) <= 1


def any_money(place: Planting, rng: random.Random) -> None:
    """In another currency the plan is the same, each sum times the rate of exchange, where neither has a list of its own."""
    place = replace(place, prices={**place.prices, "currency": "XTT"})
    rate = rng.choice([0.37, 7.0, 151.0])
    own = {"currency": "XTS", "exchange": place.prices["exchange"] * rate, "tree": place.prices["tree"] * rate}
    other = replace(place, prices=own, budget=None if place.budget is None else place.budget * rate)
    here, there = _plan(place), _plan(other)
    assert (here is None) == (there is None)
    if here is not None and there is not None:
        assert here.chosen.keys == there.chosen.keys and here.reaches == there.reaches
        assert there.currency.startswith("XTS ") and not here.currency.startswith("XTS")
        for name in ("first", "barriers", "losses"):
            told, before = (getattr(plan.chosen, name) for plan in (there, here))
            assert abs(told - rate * before) < 1e-6 * (1 + there.chosen.total), name
        assert [line.to_buy for line in here.lines] == [line.to_buy for line in there.lines]


def both_measures(place: Planting, rng: random.Random) -> None:
    """In inches the list costs the same to the unit, every length is written in them, and no limit is passed by rounding."""
    plan = _plan(place)
    if plan is None:
        return
    for line in plan.lines:
        told = in_their_units(line, True)
        assert abs(told.cost - line.cost) < 1e-6 * (1 + line.cost) and abs(told.to_buy * told.price - line.cost) < 1e-6 * (
            1 + line.cost), line.item
    words = plan_as_text(plan, inches=True)
    assert not re.search(r"\d m{1,2}\b", words[:words.index("\nSources")])
    for part in plan.chosen.parts:
        for name, mm in dimensions(place, part).items():
            bound = "most" if name in AT_MOST else ""
            for asked in {bound, "least" if name == "top" else bound} if mm > 0 else ():
                read = _in_mm(length(mm, inches=True, bound=asked))
                assert abs(read - mm) <= max(0.02 * mm, _mark(mm) * (1.0 if asked else 0.51)), (name, mm, asked, read)
                assert asked != "most" or read <= mm * 1.001 + 0.1 or mm in trade_sizes("openings"), (name, mm, read)
                assert asked != "least" or read >= mm * 0.982, (name, mm, read)


def _in_mm(words: str) -> float:
    """A length as it stands in a plan, `5 ft 10 in`, `2 1/2 in`, back in millimetres."""
    total = held = 0.0
    for token in words.split():
        if token in ("ft", "in"):
            total, held = total + held * (12 if token == "ft" else 1) * MM_PER_INCH, 0.0
        else:
            held += float(Fraction(token))
    return total


def _mark(mm: float) -> float:
    """The rule's step at a length: a sixteenth of an inch below 1 in, a quarter below 6, else an inch [mm]."""
    return MM_PER_INCH / (16 if mm < MM_PER_INCH else 4 if mm < 6 * MM_PER_INCH else 1)


def cheapest_that_does(place: Planting, rng: random.Random) -> None:
    """What is chosen costs no more than the best of any kind that also does what is wanted, and stays within the budget."""
    plan = _plan(place)
    if plan is None or not plan.reaches:
        return
    cent = CENT * place.prices["exchange"]
    assert place.budget is None or plan.chosen.first <= place.budget + cent
    assert all(row.option is None or plan.chosen.total <= row.option.total + cent for row in plan.kinds if row.reaches)
    assert plan.least_expected <= plan.chosen.total + cent
    assert plan.chosen.surely_alive >= plan.place.target_trees - 1e-9


def ranges_in_order(place: Planting, rng: random.Random) -> None:
    """Trees alive: fewer each year, 10 % below 50 below 90 %, never more than were planted; the mean of the drawn worlds, by
    which ranges are told, is the mean by which plans are chosen."""
    plan = _plan(place)
    if plan is None:
        return
    for column in (1, 2):
        told = np.array([row[column] for row in plan.alive_by_year])
        assert (np.diff(told, axis=0) <= 0).all() and (np.diff(told, axis=1) >= 0).all()
        assert told[0].tolist() == [place.trees] * 3
    field = field_of(place)
    for row in rng.sample(range(len(field.picked)), min(5, len(field.picked))):
        mean = drawn_alive(place.animals, field.let_through[row], place.trees, place.years)[:, -1].mean()
        assert abs(mean - field.survivors[row]) <= 0.04 * place.trees + 1, (row, mean, field.survivors[row])


LAWS: tuple[Callable[[Planting, random.Random], None], ...] = (
    more_animals, more_musts, higher_targets, bought_once, bill_is_cost, trade_sizes_only, safe_wires, any_money,
    both_measures, cheapest_that_does, ranges_in_order)


def _plan(place: Planting) -> Plan | None:
    try:
        return plan_for(place)
    except CannotUse:
        return None


def main(argv: list[str] | None = None) -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--plans", type=int, default=500)
    asked.add_argument("--seed", type=int, default=1)
    told: Any = asked.parse_args(argv)
    broken = 0
    for number in range(told.plans):
        rng = random.Random(told.seed * 100_003 + number)
        place = drawn(rng)
        for law in LAWS:
            try:
                law(place, rng)
            except AssertionError as problem:
                broken += 1
                print(f"planting {number}: {law.__name__}: {problem}", flush=True)
    print(f"{told.plans} plantings, {len(LAWS)} laws, {broken} broken")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
