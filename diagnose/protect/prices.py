"""What does an item cost in today's money, where is that known from, and what have the reader's own prices to say?"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from diagnose.knowledge import knowledge

LIST = "USD"


def price_list() -> dict[str, Any]:
    """The list of default prices as its file (`prices/USD.yaml`) holds it: one file a currency and year."""
    return knowledge("diagnose.protect", f"prices/{LIST}.yaml")


def to_today(price: float, year: int) -> float:
    """A price of another year in the money of the list's own year, by the index that the list names.

    Parameters
    ----------
    price : money of `year`.
    year : calendar year of the price; one of the index's years.

    Examples
    --------
    >>> round(to_today(9.0, 2012), 2)
    12.3
    """
    index = price_list()["index"]["values"]
    return price * float(index[price_list()["year"]]) / float(index[year])


@cache
def default_prices() -> dict[str, Any]:
    """Name -> [price today, source, tag, in words], the currency under `currency`."""
    told = price_list()
    items = {name: [round(to_today(price, year), 4), source, tag, words]
             for name, (price, year, source, tag, words, _) in told["items"].items()}
    return {"currency": told["currency"], **items, **told["fixed"]}


def price_of(name: str, own: Mapping[str, Any] | None = None) -> float:
    """The price of an item [money a unit of it], the reader's own where there is one; a barrier of that name has figures."""
    given = (own or {}).get(name)
    return float(default_prices()[name][0] if given is None or isinstance(given, Mapping) else given)


def year_of(name: str) -> int:
    """The year of an item's price; the list's own year for shares and hours."""
    items = price_list()["items"]
    return int(items[name][1] if name in items else price_list()["year"])


def kg_of(name: str) -> float:
    """Weight of a unit of an item [kg]."""
    return float(price_list()["items"][name][5])


def from_memory(name: str) -> bool:
    """Whether the default price of an item is from memory."""
    return bool(default_prices()[name][2] == "M")
