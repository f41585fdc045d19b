"""What do a plan's sums and sizes rest on: prices, sizes as they are sold, and sources that disagree?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from diagnose.protect.barriers import catalogue
from diagnose.protect.materials import dimensions, openings_of
from diagnose.protect.plan import Plan
from diagnose.protect.prices import default_of, local_list, price_list, rates
from diagnose.protect.sources import called_by_name
from diagnose.protect.trade import TO_ORDER, trade_sources

# what a price is of, in words: metric, in feet and pounds, and how many metric units one of those is (exact)
IN_FEET = (("a square metre", "a square foot", 0.3048**2), ("a metre", "a foot", 0.3048),
           ("a kilogram", "a pound", 0.45359237))


def prices_told(plan: Plan, inches: bool = False) -> list[str]:
    """Every default that the sum rests on, with its year, and how much of it is from memory; the sizes as they are sold.

    Parameters
    ----------
    plan
        Whose prices and sizes are told [no unit].
    inches
        Whether prices are told of a foot and a pound, else of a metre and a kilogram [no unit].
    """
    own = plan.place.prices
    used = ["wage", "tree", *dict.fromkeys(line.key for line in plan.lines if line.key)]
    index = price_list()["index"]
    lines = [f"{100 * plan.remembered:.0f} % of the first year's sum rests on prices from memory; give your own. "
             f"Others are brought from their year to {price_list()['year']} by the {index['name']} ({index['source']})."]
    if own.get("exchange", 1.0) != 1:
        rate = rates()
        known = own["exchange"] == rate["a_dollar"].get(own["currency"])
        whose = f"mean of {rate['year']}, {rate['source']}" if known else "your own rate"
        local, here = local_list(own["currency"]), [key for key in used if key in local_list(own["currency"])["items"]]
        but = (f" but for {len(here)} of the {len(used)} here, which are prices of {local['of']} of {local['year']}, from "
               "memory" if here else "")
        lines.append(f"These are prices of the United States turned into {own['currency']} at {own['exchange']:g} a US "
                     f"dollar ({whose}){but}; what things cost where you "
                     f"are may differ by half and more: ask for offers before you order.")
    lines.append("; ".join(f"{_priced(plan, key, inches)}{_grounds_of(key, own)}" for key in used))
    lines.append("; ".join(f"{default_of(key, own).words}: {plan.place.price(key):g}" for key in price_list()["fixed"]))
    lines.append("Sizes as they are sold: " + "; ".join(
        f"{table.replace('_', ' ')} ({trade_sources(table)})" for table in _tables(plan)) + ". What is in no such table is "
        f"marked \"{TO_ORDER}\".")
    return lines


def _priced(plan: Plan, key: str, inches: bool) -> str:
    """What a price is of, and the price."""
    words, price = default_of(key, plan.place.prices).words, plan.place.price(key)
    for metric, imperial, many in IN_FEET if inches else ():
        if metric in words:
            words, price = words.replace(metric, imperial, 1), price * many
            break
    return f"{words} {price:,.2f}"


def _grounds_of(key: str, own: Mapping[str, Any]) -> str:
    """Whose and of which year a price is, in brackets; nothing where it is from memory."""
    if key in own:
        return " (your own)"
    kept = default_of(key, own)
    if kept.from_memory:
        return ""
    year, whose = str(kept.year), called_by_name(kept.source)
    return f" ({whose})" if year in whose else f" (of {year}, {whose})"


def _tables(plan: Plan) -> list[str]:
    """The tables of trade sizes that a plan's bill goes by."""
    told = []
    for part in plan.chosen.parts:
        facts, built = catalogue()[part.key], dimensions(plan.place, part)
        told += [openings_of(part)] if "opening" in built else []
        told += [str(facts["mesh"])] if facts.get("mesh") else []
        told += ["tubes"] if "bundle" in facts else []
        told += ["stakes"] if "stakes" in facts else []
        told += ["posts", "post_thickness"] if "post length" in built else []
        told += ["rails"] if part.sides else []
    return list(dict.fromkeys(told))


def disagreements_told(plan: Plan) -> list[str]:
    """A line for each published disagreement that bears on a plan: every value, which was taken, and why.

    Parameters
    ----------
    plan
        Whose barriers and animals they bear on [no unit].
    """
    lines = []
    for topic in plan.as_json()["disagreements"].values():
        values = "; ".join(f"{value['value'] if value['value'] is not None else 'no value'} "
                           f"({value['of'] + '; ' if 'of' in value else ''}{value['source']} [{value['tag']}])"
                           for value in topic["values"])
        chosen = topic["chosen"]
        taken = chosen["source"] if chosen["value"] is None else f"{chosen['value']} ({chosen['source']})"
        lines.append(f"{topic['about']} [{topic['unit']}]: {values}. Taken: {taken}; {topic['why']}.")
    return lines
