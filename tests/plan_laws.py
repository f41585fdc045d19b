"""Laws that every plan obeys, over drawn plantings: `python -m tests.plan_laws --plans 500 --seed 1`.

What is checked is arithmetic and safety that hold whatever the figures of the catalogue are; no figure is compared here.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.protect.barriers import catalogue, is_live, wires
from diagnose.protect.chances import renewals
from diagnose.protect.ground import square_ground
from diagnose.protect.materials import dimensions
from diagnose.protect.options import field_of, least_expected_cost
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import Planting, Threat, planting
from diagnose.protect.trade import TO_ORDER, trade_sizes

ANIMALS = ["deer_browsing", "roe_deer", "red_deer", "elk", "moose", "rabbit", "hare", "field_vole", "pine_vole", "beaver",
           "sheep", "cattle", "horse", "goat", "pocket_gopher", "porcupine", "deer_rubbing", "woodchuck", "grouse"]
KEPT = ["deer_browsing", "rabbit", "field_vole", "red_deer", "cattle", "beaver", "elk"]
CENT = 0.005


def drawn(rng: random.Random) -> Planting:
    """A planting drawn at random, of any size and place."""
    hectares = 10 ** rng.uniform(-1.3, 1.1)
    trees = max(2, round(hectares * rng.choice([200, 800, 1600, 3000])))
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
                prices={"tree": rng.choice([2.0, 8.0, 60.0, 400.0])}, sureness=rng.choice([0.6, 0.8, 0.9]),
                target_per_ha=rng.choice([0.0, 0.3, 0.6, 0.8]) * trees / hectares)
        except CannotUse:
            continue


def more_animals(place: Planting, rng: random.Random) -> None:
    """An animal added with probability p raises the least expected cost by no less than nothing and by no more than p times
    all that it could destroy."""
    new = rng.choice([key for key in ANIMALS if key not in dict(place.threats)])
    chance, loss = round(rng.random(), 2), rng.choice([0.03, 0.25, 0.9])
    more = replace(place, threats=tuple(sorted([*place.threats, (new, Threat(chance, loss))])))
    rise = least_expected_cost(more) - least_expected_cost(place)
    assert -CENT <= rise <= chance * place.trees * place.price("tree") + CENT, (new, chance, rise)


def more_musts(place: Planting, rng: random.Random) -> None:
    """A longer list of what must be kept out never makes the plan cheaper, where both lists can be kept."""
    first, second = rng.sample(KEPT, 2)
    plans = [_plan(replace(place, must=must)) for must in ((), (first,), tuple(sorted((first, second))))]
    costs = [plan.chosen.total for plan in plans if plan is not None and plan.reaches]
    assert costs == sorted(costs), costs


def higher_targets(place: Planting, rng: random.Random) -> None:
    """A higher target never leaves fewer trees surely alive."""
    planted = place.trees / place.hectares
    plans = [_plan(replace(place, target_per_ha=share * planted)) for share in (0.2, 0.5, 0.7, 0.85)]
    alive = [plan.chosen.surely_alive for plan in plans if plan is not None and plan.reaches]
    assert alive == sorted(alive), alive


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
            assert abs(goods + plan.chosen.hours * told.price("wage") - plan.chosen.first) < CENT
            assert all(line.quantity >= line.to_buy >= 0 for line in plan.lines)


def trade_sizes_only(place: Planting, rng: random.Random) -> None:
    """Every post, stake, tube and mesh stands in a table of trade sizes, or is marked to order."""
    plan = _plan(place)
    for part in plan.chosen.parts if plan else ():
        built, facts = dimensions(place, part), catalogue()[part.key]
        sizes = [("posts", built.get("post length")), ("posts", built.get(
            "end post length")), ("stakes", built.get("stake length"))]
        sizes += [(facts["mesh"], part.width_mm or None)] if facts.get("mesh") else []
        sizes += [("tubes", part.top_mm)] if "bundle" in facts else []
        words = " ".join(line.specification for line in plan.lines) if plan else ""
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
        posts = sum(items[name].quantity for name in ("line posts",) if name in items)
        if not catalogue()[part.key].get("live_strands_own"):
            charged = sum(wire["state"] in ("live", "off") for wire in wires(part))
            planes = 2 if "plane_spacing_mm" in catalogue()[part.key] else 1
            assert items["insulators"].quantity >= charged * posts / planes
        assert any("CAUTION" in step and "Off before" in step for step in plan.steps)
        assert any("60335-2-76" in caution for caution in plan.cautions) and any("barbed" in one for one in plan.cautions)
    assert "barbed" not in " ".join(line.specification for line in plan.lines)
    assert len(live) <= 1


LAWS: tuple[Callable[[Planting, random.Random], None], ...] = (
    more_animals, more_musts, higher_targets, bought_once, bill_is_cost, trade_sizes_only, safe_wires)


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
