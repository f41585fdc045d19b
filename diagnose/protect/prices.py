"""What does an item cost in today's money, where is that known from, and what have the reader's own prices to say?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.given import from_nought, one_of
from diagnose.knowledge import knowledge

LIST = "USD"
# currencies that have a list of some items of their own, beside the list that is turned
LOCAL = tuple(sorted(file.name[:3] for file in (files("diagnose.protect") / "prices").iterdir()
                     if file.name[3:] == ".yaml" and file.name[:3] != LIST))


def price_list() -> dict[str, Any]:
    """The list of default prices as its file (`prices/USD.yaml`) holds it: one file a currency and year."""
    return knowledge("diagnose.protect", f"prices/{LIST}.yaml")


def rates() -> dict[str, Any]:
    """What a unit of the list's money was worth in other money, as `prices/exchange.yaml` holds it."""
    return knowledge("diagnose.protect", "prices/exchange.yaml")


@cache
def local_list(code: str) -> dict[str, Any]:
    """The list of a currency's own prices as its file holds it; one without items where there is none.

    Parameters
    ----------
    code
        Of the currency [no unit].
    """
    return dict(knowledge("diagnose.protect", f"prices/{code}.yaml")) if code in LOCAL else {"items": {}}


def to_today(price: float, year: int) -> float:
    """A price of another year in the money of the list's own year, by the index that the list names.

    Parameters
    ----------
    price
        [money of `year`].
    year
        Calendar year of the price, one of the index's years [year].

    Raises
    ------
    CannotUse
        For a year that the index does not hold, or a price below nought.

    Examples
    --------
    >>> round(to_today(9.0, 2012), 2)
    12.3
    """
    index = price_list()["index"]["values"]
    if year not in index:
        raise CannotUse(f"The index of prices runs from {min(index)} to {max(index)}; {year} is not in it.")
    return from_nought(price, "A price") * float(index[price_list()["year"]]) / float(index[year])


@cache
def default_prices() -> dict[str, Any]:
    """Name -> [price today, source, tag, in words], the currency under `currency`."""
    told = price_list()
    items = {name: [round(to_today(price, year), 4), source, tag, words]
             for name, (price, year, source, tag, words, _) in told["items"].items()}
    return {"currency": told["currency"], **items, **told["fixed"]}


def checked_currency(own: Mapping[str, Any]) -> dict[str, Any]:
    """The currency of a reader's prices and what a dollar is worth in it, as `currency` and `exchange`; empty where unsaid.

    Parameters
    ----------
    own
        Prices; `currency` a code of ISO 4217, `exchange` units of it for one US dollar, which a code of `exchange.yaml`
        need not say [no unit].

    Raises
    ------
    CannotUse
        For a currency of which no rate is known or told, since the default prices would else be called what they are not.

    Examples
    --------
    >>> checked_currency({"currency": "gbp"})
    {'currency': 'GBP', 'exchange': 0.782}
    """
    if "currency" not in own:
        if "exchange" in own:
            raise CannotUse("an `exchange` needs the `currency` that it leads to, such as EUR")
        return {}
    code = str(own["currency"]).strip().upper()
    known = {LIST: 1.0, **rates()["a_dollar"]}
    told = own.get("exchange", known.get(code))
    if told is None:
        raise CannotUse(f"no rate of exchange is kept for '{own['currency']}'; add `exchange: NUMBER`, units of it for one "
                        f"US dollar, or choose from {', '.join(known)}")
    if isinstance(told, bool) or not isinstance(told, int | float) or not (math.isfinite(told) and told > 0):
        raise CannotUse("`exchange` must be a number above zero: units of your currency for one US dollar")
    if code == LIST and told != 1:
        raise CannotUse(f"the list is in {LIST} already: leave `exchange` out, or name your currency")
    return {"currency": code, "exchange": float(told)}


@dataclass(frozen=True)
class Default:
    """An item, share or hours as a list of prices has it.

    Parameters
    ----------
    price
        In the money of its list [money a unit of it]; shares and hours as they are.
    source, tag, words
        Key of its source, how that was seen, and what it is of [no unit].
    year
        Of the price; the list's own year for shares and hours [year].
    local
        Does the list of the reader's own currency hold it? [no unit]
    """

    price: float
    source: str
    tag: str
    words: str
    year: int
    local: bool

    @property
    def from_memory(self) -> bool:
        """Whether the price is from memory."""
        return self.tag == "M"


def default_of(name: str, own: Mapping[str, Any] | None = None) -> Default:
    """What is kept of an item: the list of the reader's currency goes first, else the general one.

    Parameters
    ----------
    name
        An item, share or hours of the list [no unit].
    own
        Checked prices, whose currency may have a list of its own [no unit].

    Raises
    ------
    CannotUse
        For one that the list does not hold.

    Examples
    --------
    >>> default_of("wage").words, default_of("wage").from_memory, default_of("wage", {"currency": "GBP"}).price
    ("an hour's work", True, 22.0)
    """
    told, items = default_prices(), price_list()["items"]
    if name == "currency" or name not in told:
        raise CannotUse(f"The list of prices holds no {name!r}.")
    list_of = local_list(str((own or {}).get("currency", LIST)))
    local = list_of["items"].get(name)
    price, source, tag, words = local or told[name]
    year = list_of["year"] if local else items[name][1] if name in items else price_list()["year"]
    return Default(float(price), str(source), str(tag), str(words), int(year), local is not None)


def default_price(name: str, own: Mapping[str, Any] | None = None) -> float:
    """The default of an item in the money of the reader's prices [money a unit of it]; shares and hours as they are.

    A currency's own list goes first; what it does not hold is the list's, turned.

    Parameters
    ----------
    name
        An item, share or hours of the list [no unit].
    own
        Checked prices; its `exchange` turns the list's money into theirs [no unit].

    Examples
    --------
    >>> default_price("tree", {"currency": "CHF", "exchange": 0.5}), default_price("rate", {"exchange": 0.5})
    (4.0, 0.03)
    """
    default = default_of(name, own)
    turned = not default.local and name in price_list()["items"]
    return default.price * (float((own or {}).get("exchange", 1.0)) if turned else 1.0)


def price_of(name: str, own: Mapping[str, Any] | None = None) -> float:
    """The price of an item [money a unit of it], the reader's own where there is one; a barrier of that name has figures.

    Parameters
    ----------
    name
        An item, share or hours of the list [no unit].
    own
        Checked prices [no unit].
    """
    given = (own or {}).get(name)
    return default_price(name, own) if given is None or isinstance(given, Mapping) else from_nought(given, "A price")


def kg_of(name: str) -> float:
    """Weight of a unit of an item [kg].

    Parameters
    ----------
    name
        An item of the list [no unit].

    Raises
    ------
    CannotUse
        For one that the list does not hold.
    """
    items = price_list()["items"]
    return float(items[one_of(name, items, "The item")][5])
