"""What is to be protected, where, against what, for how long, and what does its owner want of it?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.places.place import place_named, within
from diagnose.protect.barriers import LARGE_HA, buildable, checked_spec, countries, out_of_reach
from diagnose.protect.ground import Ground
from diagnose.protect.prices import checked_currency, default_prices, price_of
from diagnose.protect.requirement import NEED_OF, SNOW_LIMIT_MM, culprit_of, nameable
from diagnose.texts import meant

# share of unprotected trees lost in a year where the animal is present; our own scale, no source
DAMAGE = {"light": 0.03, "moderate": 0.10, "heavy": 0.25, "severe": 0.50}
RUBS_INSTEAD = "deer_rubbing"  # what deer still do to stock whose crown is out of their reach
COST_NAMES = ("material", "labour_h", "repair", "life_years", "removal_h", "rounds", "look_h")  # of one barrier, own prices
NEVER_ZERO = ("life_years", "load_kg", "walk_m_an_hour")  # what other figures are divided by
# what may lie in stock besides barriers: key -> how its lines of the buying list begin
STOCK: Mapping[str, str] = {
    "stakes": "stakes for", "ties": "ties for", "staples": "ground staples for", "line_posts": "line posts",
    "corner_posts": "corner and end posts", "cross_members": "cross-members", "struts": "struts", "gates": "gates",
    "gate_posts": "gate posts",
    "energiser": "energiser", "earth_rods": "earth rods", "insulators": "insulators", "warning_signs": "warning signs",
    "volt_meter": "volt meter",
}  # fmt: skip
SURENESS, LEAST_SURENESS, MOST_SURENESS = 0.8, 0.5, 0.95  # our choice
TARGET_SHARE = 0.7  # of the planted trees, where nobody says what is wanted; our choice
SOILS = ("normal", "sand", "rock")
# what else a place may be like, each with what it changes (site.yaml)
SITE = tuple(knowledge("diagnose.protect", "site.yaml"))
ORDER_DAYS = 28  # from the order to the day on which everything lies at the planting; our choice, no source
MOST_TREES_A_M2 = 10.0  # closer than about 0.3 m nothing can be built round a tree; our choice


@dataclass(frozen=True)
class Threat:
    """What one animal does here.

    Parameters
    ----------
    probability
        That it does damage here, 0 to 1 [no unit].
    yearly_loss
        Share of bare trees that it then takes in a year [share].
    """

    probability: float
    yearly_loss: float


@dataclass(frozen=True)
class Planting:
    """What is to be protected, where, against what and for how long. Made and checked by `planting`.

    Parameters
    ----------
    ground, trees, years
        The land [m], how many are planted [trees], and until when they are out of reach [year].
    threats, must, site, soil, diagnosed
        As `planting` takes them, by culprits' keys [no unit].
    snow_mm, stock_mm, frost_mm, carry_m
        Snow, height of the stock, depth of frost [mm], and the way from the track [m].
    strong_wind, conifers, large_trees, gates, planted_on, years_why
        As `planting` takes them, and in words how `years` came about [no unit].
    budget, prices, owned, spec
        As `planting` takes them, checked [money, money a unit, pieces or m, mm].
    target_per_ha, sureness
        Trees alive at the end, and how surely [1/ha, no unit].
    power_line_kv
        Of an overhead line; 0 for none [kV].
    country
        Code of the country, or of a part of it; empty where it is not told [no unit].
    common
        Culprits that are common there and are not reckoned with, since what was seen hardly tells of them [no unit].
    """

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
    must: tuple[str, ...] = ()
    target_per_ha: float = 0.0
    sureness: float = SURENESS
    stock_mm: float = 0.0
    site: tuple[str, ...] = ()
    power_line_kv: float = 0.0
    soil: str = "normal"
    frost_mm: float = 0.0
    years_why: str = ""
    country: str = ""
    common: tuple[str, ...] = ()

    @property
    def order_by(self) -> date | None:
        """The last day on which the order should go out; protection goes on on the day of planting."""
        return None if self.planted_on is None else self.planted_on - timedelta(days=ORDER_DAYS)

    @property
    def needs(self) -> tuple[str, ...]:
        """Needs of all that are there, and of all that must be kept out."""
        return tuple(sorted({NEED_OF[culprit] for culprit, _ in self.threats} | {NEED_OF[culprit] for culprit in self.must}))

    @property
    def hectares(self) -> float:
        """Area of the ground [ha]."""
        return self.ground.area_m2 / 10_000

    @property
    def tall_ha(self) -> float:
        """Area by which fences that stand taller round much land are sized [ha]; much where the place asks for it."""
        asked = any(knowledge("diagnose.protect", "site.yaml")[word].get("tall_fence") for word in self.site) or any(
            countries().get(code, {}).get("tall_fence") for code in (within(self.country) if self.country else ()))
        return max(self.hectares, LARGE_HA + 1.0) if asked else self.hectares

    @property
    def target_trees(self) -> float:
        """Trees that shall be alive at the end."""
        return self.target_per_ha * self.hectares

    @property
    def animals(self) -> tuple[tuple[str, str, float, float], ...]:
        """Culprit, its need, the probability that it is there, and the share of bare trees that it takes in a year."""
        return tuple((key, NEED_OF[key], threat.probability, threat.yearly_loss) for key, threat in self.threats)

    def price(self, name: str) -> float:
        """The price of an item, the reader's own where there is one, in their money [money a unit of the item].

        Parameters
        ----------
        name
            An item, share or hours of the list of prices [no unit].
        """
        return price_of(name, self.prices)


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
    must: Iterable[str] = (),
    target_per_ha: float | None = None,
    sureness: float = SURENESS,
    height_mm: float | None = None,
    growth_mm: float = 300.0,
    site: Iterable[str] = (),
    power_line_kv: float = 0.0,
    soil: str = "normal",
    frost_mm: float = 0.0,
    country: str = "",
    common: Iterable[str] = (),
) -> Planting:
    """A planting and what its owner wants of it, checked.

    Parameters
    ----------
    ground
        The land [m].
    trees
        How many are planted, one or more [trees].
    culprits
        Who is there: name -> probability, each animal by itself (the shares of one wound, which sum to one, are something
        else), or name -> Threat, or plain names, which are surely there [no unit].
    damage
        light, moderate, heavy, severe, or the share of bare trees lost in a year where an animal is [share].
    years
        Until the trees are out of reach, 1 to 60 [year].
    snow_mm
        Deepest snow, drifts included, 0 to 6000 [mm].
    strong_wind
        Is the place windy, so that stakes are of metal? [no unit]
    carry_m
        Way from the track, 0 to 50,000 [m].
    budget
        Money for the first year, in the prices' currency [money]; None for no limit.
    conifers
        Are the trees conifers? [no unit]
    large_trees
        Are the trees large, so that trunk bands may be fixed? [no unit]
    gates
        In a fence, 0 to 100 [gates].
    stock_mm
        Height of the planted stock, 0 to 10,000 [mm]; deer may rub tall stock but no longer browse it.
    diagnosed
        Is who is there known from a diagnosis? [no unit]
    owned
        Barrier key, or key of STOCK -> what lies in stock [pieces or m].
    prices
        Own prices, `{"currency": "EUR", "wage": .., "woven_wire": {"material": .., "labour_h": ..}}`, in that currency; what
        is left out is the list's, turned into it [money a unit of the item].
    spec
        A programme's demands, see `barriers.SPEC_KEYS`, lengths [mm], life [year].
    planted_on
        Day of planting; None where not known [no unit].
    must
        Culprits that must be kept out whatever that costs [no unit].
    target_per_ha
        Trees alive at the end [1/ha]; 70 % of the planted ones where nothing is said.
    sureness
        Probability with which that is reached, 0.5 to 0.95 [no unit].
    height_mm
        In place of `years`, the height at which trees are out of reach, reached from `stock_mm` at `growth_mm`, 100 to
        10,000 [mm].
    growth_mm
        Growth of the leader, 1 to 5000 [mm a year].
    site
        What else the place is like, words of `site.yaml` [no unit].
    power_line_kv
        Voltage of an overhead line over the fence line, 0 to 1500 [kV]; 0 for none.
    soil
        normal, sand or rock [no unit].
    frost_mm
        Depth to which the ground freezes, 0 to 3000 [mm].
    country
        Name or code of the country, or of a part of it: its sources may ask for more; empty where not told [no unit].
    common
        Culprits that are common there and are to be named only, not reckoned with [no unit].

    Raises
    ------
    CannotUse
        In one line, for what cannot be planned.
    """
    if isinstance(trees, bool) or not isinstance(trees, int) or trees < 1:
        raise CannotUse("the number of trees must be a whole number of at least 1")
    if trees > MOST_TREES_A_M2 * ground.area_m2:
        raise CannotUse(f"{trees} trees do not fit on {ground.area_m2:.4g} m² with room for a barrier; "
                        "check the number and the boundary")
    if budget is not None and not (math.isfinite(budget) and budget > 0):
        raise CannotUse("nothing can be bought with this budget; leave it out to see what protection costs")
    _within("the snow depth [mm]", snow_mm, 0, SNOW_LIMIT_MM)
    _within("the way from the track [m]", carry_m, 0, 50_000)
    _within("the height of the planted stock [mm]", stock_mm, 0, 10_000)
    _within("the growth a year [mm]", growth_mm, 1, 5000)
    _within("the sureness", sureness, LEAST_SURENESS, MOST_SURENESS)
    _within("the voltage of the power line [kV]", power_line_kv, 0, 1500)
    _within("the depth of frost [mm]", frost_mm, 0, 3000)
    years_why = ""
    if height_mm is not None:
        _within("the height out of reach [mm]", height_mm, 100, 10_000)
        years = max(1, math.ceil((height_mm - stock_mm) / growth_mm))
        years_why = f"from {stock_mm:.0f} to {height_mm:.0f} mm at {growth_mm:.0f} mm a year"
    if isinstance(years, bool) or not isinstance(years, int) or not 1 <= years <= 60:
        raise CannotUse("the years until the trees are out of reach must be a whole number from 1 to 60")
    if isinstance(gates, bool) or not isinstance(gates, int) or not 0 <= gates <= 100:
        raise CannotUse("the number of gates must be a whole number from 0 to 100")
    if soil not in SOILS:
        raise CannotUse(f"the soil '{soil}' is not known; choose from {', '.join(SOILS)}")
    if unknown := [word for word in site if word not in SITE]:
        raise CannotUse(f"'{unknown[0]}' is not known of a place; choose from {', '.join(SITE)}")
    planted_per_ha = trees / ground.area_m2 * 10_000
    target = TARGET_SHARE * planted_per_ha if target_per_ha is None else target_per_ha
    if not (math.isfinite(target) and 0 <= target <= planted_per_ha * (1 + 1e-9)):
        raise CannotUse(f"between 0 and {planted_per_ha:.0f} trees a hectare can be alive, as many as are planted")
    threats = _threats(culprits, _loss(damage))
    if out_of_reach(stock_mm, any(NEED_OF[key] in ("elk", "moose") for key, _ in threats), snow_mm):
        threats = _threats({_instead(key): threat for key, threat in threats}, 0.0)
    return Planting(ground, trees, threats, years, float(snow_mm), strong_wind, float(carry_m),
                    budget, conifers, large_trees, gates, diagnosed, _owned(owned), _prices(prices), checked_spec(spec),
                    planted_on, _must(must), float(target), float(sureness), float(stock_mm), tuple(sorted(set(site))),
                    float(power_line_kv), soil, float(frost_mm), years_why,
                    place_named(country).code if country.strip() else "",
                    tuple(key for key in _must(common) if key not in dict(threats)))


def _within(what: str, value: float, least: float, most: float) -> None:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not (number and math.isfinite(value) and least <= value <= most):
        raise CannotUse(f"{what} must lie between {least:g} and {most:g}")


def _instead(culprit: str) -> str:
    """What a browsing deer still does to stock whose crown is out of its reach."""
    return RUBS_INSTEAD if NEED_OF[culprit] in ("deer_small", "roe", "muntjac") else culprit


def _must(names: Iterable[str]) -> tuple[str, ...]:
    keys = []
    for name in names:
        key = culprit_of(str(name))
        if key not in NEED_OF:
            raise CannotUse(f"'{name}' is no culprit; {meant(str(name), nameable())}")
        keys.append(key)
    return tuple(sorted(set(keys)))


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
        key = culprit_of(str(name))
        if key == "not_listed":
            continue
        if key not in NEED_OF:
            raise CannotUse(f"'{name}' is no culprit; {meant(str(name), nameable())}")
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
    kept: dict[str, Any] = checked_currency(prices or {})
    for key, told in (prices or {}).items():
        if key in ("currency", "exchange"):
            continue
        if key in buildable():
            parts = dict(told) if isinstance(told, Mapping) else {"material": told}
            for name, value in parts.items():
                if name not in COST_NAMES or not _is_amount(value, name in NEVER_ZERO):
                    raise CannotUse(f"the {name} of '{key}' is not understood; give a number for "
                                    f"{', '.join(COST_NAMES)}")
            kept[key] = parts
        elif key in default_prices() and _is_amount(told, key in NEVER_ZERO):
            kept[key] = float(told)
        else:
            raise CannotUse(f"the price of '{key}' is not understood; prices are numbers of at least 0 for "
                            f"{', '.join([*default_prices(), *buildable()])}")
    return kept
