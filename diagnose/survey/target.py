"""What must the young stand hold, or what may be browsed? A target is a record, not a number.

Own targets come first, then published ones by country and species. Where none is published that is said, and asked for: a
neighbour's is never borrowed. Trees per hectare, share of plots and share of trees are three kinds that are never mixed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.given import above_nought
from diagnose.knowledge import knowledge
from diagnose.places.place import place_named
from diagnose.survey.estimate import Estimate
from diagnose.survey.given import a_level
from diagnose.texts import read_values

PER_HA, STOCKED, BROWSED = "trees_per_ha", "stocked_plots", "share_browsed"
KINDS = {PER_HA: "trees a hectare, at least", STOCKED: "share of plots that are stocked, at least",
         BROWSED: "share of leaders browsed, at most"}
MEAN, LOWER = "mean", "lower limit"
TAGS = ("own", "read", "quoted", "memory")
ACRES_PER_HA = 10_000 / (43560 * 0.3048**2)  # exact by definition of the foot


@dataclass(frozen=True)
class Target:
    """What is wanted, of which trees, counted how, and who says so.

    Parameters
    ----------
    kind : str
        One of KINDS [no unit].
    value : float
        Trees per hectare [1/ha], or a share, no unit.
    to : float or None
        Upper end where a range is published: act above it, not needed below `value`. Of share_browsed only [share].
    species : tuple of str
        Species, "broadleaves", "conifers" or "any" [no unit].
    least_height_cm : float or None
        Height from which a tree counts [cm].
    least_age_years : float or None
        Years since planting from which it counts [year]; the tally has no age, so this is told and not tested.
    unbitten : bool
        Must the leader be unbitten this year? [no unit]
    free_of_weeds : bool
        Must it stand above what competes with it? [no unit]
    plot_m2 : float or None
        Size of the plots that the target was made for [m2].
    most_per_plot : int or None
        That one plot may count at most [trees].
    stocked_at : int
        That make a plot stocked, of stocked_plots [trees].
    least_distance_m : float or None
        Distance that counted trees keep from each other [m]: well-spaced trees, not trees.
    passes : str
        What the rule lets pass: the "mean", or a "lower limit" [no unit].
    sureness : float
        How surely, no unit.
    years : int
        Visits of so many years are averaged [year].
    country, region, source, key, tag : str
        Where it holds, who says so, and whether that was read [no unit].
    part_of_country : bool
        Does it hold in a part of the country only, so that the country's name alone does not choose it? [no unit]
    year : int or None
        Of the source [year].

    Raises
    ------
    CannotUse
        For an unknown kind, a share in percent, or a size that cannot be.
    """

    kind: str
    value: float
    to: float | None = None
    species: tuple[str, ...] = ("any",)
    least_height_cm: float | None = None
    least_age_years: float | None = None
    unbitten: bool = True
    free_of_weeds: bool = False
    plot_m2: float | None = None
    most_per_plot: int | None = None
    stocked_at: int = 1
    least_distance_m: float | None = None
    passes: str = LOWER
    sureness: float = 0.95
    years: int = 1
    country: str = ""
    region: str = ""
    source: str = "own target"
    year: int | None = None
    key: str = "own"
    tag: str = "own"
    part_of_country: bool = False

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise CannotUse(f"'{self.kind}' is no kind of target; choose {', '.join(KINDS)}.")
        above_nought(self.value, "A target")
        if self.kind != PER_HA and self.value >= 1:
            raise CannotUse("A target that is a share lies between 0 and 1 (write 0.1 for 10 %).")
        if self.to is not None and not (self.kind == BROWSED and self.value < self.to < 1):
            raise CannotUse("Only a tolerable share has an upper end, above its lower one.")
        for name in ("least_height_cm", "least_age_years", "plot_m2", "most_per_plot", "least_distance_m"):
            if getattr(self, name) is not None:
                above_nought(getattr(self, name), f"The target's {name}")
        for name in ("stocked_at", "years"):
            if not (isinstance(getattr(self, name), int) and getattr(self, name) >= 1):
                raise CannotUse(f"The target's {name} is a whole number from 1 up.")
        a_level(self.sureness)
        if self.passes not in (MEAN, LOWER):
            raise CannotUse(f"A target is passed by the {MEAN} or by a {LOWER}, not by '{self.passes}'.")
        if self.tag not in TAGS:
            raise CannotUse(f"A target's tag is one of {', '.join(TAGS)}.")

    @property
    def what(self) -> str:
        """What is counted, in words: `well-spaced trees free to grow`."""
        if self.kind == BROWSED:
            return "leaders browsed"
        spaced = "well-spaced " if self.least_distance_m else ""
        tall = f" of {self.least_height_cm:g} cm or more" if self.least_height_cm else ""
        free = " free to grow" if self.unbitten or self.free_of_weeds else ""
        return f"{spaced}trees{tall}{free}"

    @property
    def wanted(self) -> str:
        """The figure with its unit: `1,100 trees/ha`, `70 % of plots`, `at most 10 %`."""
        if self.kind == PER_HA:
            return f"{self.value:,.0f} trees/ha"
        if self.kind == STOCKED:
            return f"{100 * self.value:.3g} % of plots"
        upper = "" if self.to is None else f" to {100 * self.to:.3g}"
        return f"at most {100 * self.value:.3g}{upper} %"

    @property
    def words(self) -> str:
        """The whole target in one line, source included."""
        told = [self.wanted, self.what, "" if self.species == ("any",) else ", ".join(self.species)]
        if self.kind == STOCKED:
            told.append(f"stocked from {self.stocked_at} on")
        if self.plot_m2:
            told.append(f"plots of {self.plot_m2:.4g} m²")
        if self.most_per_plot:
            told.append(f"a plot counts {self.most_per_plot} at most")
        if self.least_distance_m:
            told.append(f"{self.least_distance_m:g} m apart or more")
        if self.least_age_years:
            told.append(f"{self.least_age_years:g} years old or more")
        if self.years > 1:
            told.append(f"mean of {self.years} years")
        told.append("the mean must reach it" if self.passes == MEAN and self.kind != BROWSED else "")
        where = ", ".join(part for part in (self.country, self.region) if part)
        told += [where, self.source, "from memory, check before relying on it" if self.tag == "memory" else ""]
        return "; ".join(part for part in told if part)

    @property
    def where(self) -> str:
        """Of which trees and where it holds, then what is wanted, in a few words."""
        trees = "" if self.species == ("any",) else ", ".join(self.species)
        whose = "; ".join(part for part in (trees, self.region) if part) or self.country
        return f"{whose}: {self.wanted}" if whose else self.wanted

    @property
    def short(self) -> str:
        """What `chosen_target` of choosing.py reads as this target again: its key, a few words, or the record itself."""
        if any(self == one for one in published()):
            return self.key
        number = f"{self.value if self.kind == PER_HA else 100 * self.value:.12g}"
        words = number + {PER_HA: "/ha", STOCKED: "% plots", BROWSED: "% browsed"}[self.kind]
        return words if own_target(words) == self else json.dumps(self.own_fields(), ensure_ascii=False)

    def as_json(self) -> dict[str, Any]:
        """The record for machines, own plain values."""
        told = {one.name: getattr(self, one.name) for one in fields(self)}
        return {**told, "species": list(self.species)}

    def own_fields(self) -> dict[str, Any]:
        """The record without what every target of its kind has: what a plan keeps of it."""
        plain = Target(self.kind, self.value).as_json()
        return {key: value for key, value in self.as_json().items() if key in ("kind", "value") or value != plain[key]}


def own_target(words: str | float) -> Target:
    """A target as somebody types it.

    Parameters
    ----------
    words : str or float
        `1100/ha`, `450/acre`, `70% plots`, `10% browsed`, or a plain share of leaders such as 0.1 [no unit].

    Returns
    -------
    Target

    Raises
    ------
    CannotUse
        For words that name no kind.

    Examples
    --------
    >>> own_target("1100/ha").wanted
    '1,100 trees/ha'
    >>> own_target("10% browsed").kind
    'share_browsed'
    """
    text = str(words).strip().lower().replace(",", "").replace("trees", "")
    found = re.fullmatch(r"([0-9.]+)\s*(%?)\s*(/\s*ha|/\s*acre|of plots|plots|browsed|)", text)
    if not found:
        raise CannotUse(f"'{words}' is no target; write 1100/ha, 70% plots or 10% browsed, or give a file of targets.")
    try:
        number = float(found[1]) / (100 if found[2] else 1)
    except ValueError:
        raise CannotUse(f"'{found[1]}' is no number.") from None
    unit = found[3].replace(" ", "")
    if unit in ("/ha", "/acre") and not found[2]:
        return Target(PER_HA, number * (ACRES_PER_HA if unit == "/acre" else 1))
    if number >= 1 or unit in ("/ha", "/acre"):
        raise CannotUse(f"'{words}' could be a share or trees a hectare: write 1100/ha, 70% plots or 10% browsed.")
    return Target(STOCKED if unit.endswith("plots") else BROWSED, number)


def read_targets(path: str | Path) -> tuple[Target, ...]:
    """Own targets from a file.

    Parameters
    ----------
    path
        YAML or JSON: a list of records, or one, with the fields of Target [no unit].

    Raises
    ------
    CannotUse
        For a file without a target, or with one that cannot be.
    """
    told = read_values(path)
    rows = told.get("targets", [told]) if isinstance(told, Mapping) else told
    if not isinstance(rows, list) or not rows:
        raise CannotUse(f"{Path(path).name} holds no target; write `kind: trees_per_ha` and `value: 1100`.")
    return tuple(from_record(row, Path(path).name) for row in rows)


def from_record(row: Mapping[str, Any], name: str = "the target") -> Target:
    """A target from a mapping of its fields.

    Parameters
    ----------
    row
        Field of Target -> its value, in the unit that Target tells.
    name
        How a refusal names it [no unit].

    Raises
    ------
    CannotUse
        For fields that a target does not have, and values that it cannot have.
    """
    if not isinstance(row, Mapping):
        raise CannotUse(f"{name}: each target is a record; write `kind: trees_per_ha` and `value: 1100`.")
    known = {one.name for one in fields(Target)}
    strange = [key for key in row if key not in known]
    if strange:
        raise CannotUse(f"{name}: a target has no field '{strange[0]}'; it has {', '.join(sorted(known))}.")
    if "kind" not in row or "value" not in row:
        raise CannotUse(f"{name}: a target needs `kind` and `value`.")
    told = dict(row)
    species = told.get("species", ("any",))
    told["species"] = (species,) if isinstance(species, str) else tuple(map(str, species))
    for key, value in told.items():
        if key in ("value", "to", "least_height_cm", "least_age_years", "plot_m2", "least_distance_m", "sureness") and (
                isinstance(value, bool) or not isinstance(value, int | float | None)):
            raise CannotUse(f"{name}: {key} must be a number, not {value!r}.")
    try:
        return Target(**told)
    except TypeError as wrong:
        raise CannotUse(f"{name}: {wrong}.") from None


@cache
def published() -> tuple[Target, ...]:
    """All published targets."""
    return tuple(from_record(row, row["key"]) for row in _data()["targets"])


def countries() -> tuple[str, ...]:
    """Countries that something is known of, sorted."""
    return tuple(sorted({one.country for one in published()} | {row["country"] for row in _data()["none"]}))


@cache
def country_named(text: str) -> str:
    """One of `countries`, by its name, its code or another name that `places` knows; else the text itself.

    Parameters
    ----------
    text : str
        Such as `Germany`, `DE` or `Deutschland` [no unit].
    """
    where = text.strip()
    known = {one.lower(): one for one in countries()}
    if where.lower() in known or not where:
        return known.get(where.lower(), where)
    with suppress(CannotUse):
        code = place_named(where).code
        return next((one for one in countries() if place_named(one).code == code), where)
    return where


def of_country(country: str) -> list[Target]:
    """All published targets of a country.

    Parameters
    ----------
    country : str
        As `country_named` takes it [no unit].
    """
    return [one for one in published() if one.country == country_named(country)]


def fitting(species: str, country: str) -> list[Target]:
    """Published targets of a country for a species; none where nothing was published there, never another's figure.

    Parameters
    ----------
    species : str
        As the crew writes it: English, Latin, German [no unit].
    country : str
        As `country_named` takes it [no unit].
    """
    name, group = named(species)
    names = {name, group, "any"} - {""}
    return [one for one in of_country(country) if names & set(one.species)]


def asked_for(species: str, country: str) -> str:
    """What is said where no target is known: why, and what to give.

    Parameters
    ----------
    species
        As the crew writes it; may be empty [no unit].
    country
        As `country_named` takes it, or empty [no unit].
    """
    where = country_named(country)
    for row in _data()["none"]:
        if row["country"] == where:
            return f"{row['country']}: {' '.join(row['words'].split())} (as 1100/ha). Source: {row['source']}"
    if not where:
        return ("No target is set: say what is wanted (1100/ha, 70% plots or 10% browsed), or the country whose published "
                "targets hold.")
    if where not in countries():
        return f"No published target is known for {where}: give your own (1100/ha, 70% plots or 10% browsed)."
    which = species or "this species"
    return f"No target for {which} is known to be published in {where}: give your own (as 1100/ha)."


def named(species: str) -> tuple[str, str]:
    """The species' plain name and its group (broadleaves, conifers), empty where it is not known.

    Parameters
    ----------
    species
        As the crew writes it: English, Latin, German [no unit].

    Examples
    --------
    >>> named("Quercus robur")
    ('oak', 'broadleaves')
    >>> named("Fichte")
    ('Norway spruce', 'conifers')
    """
    told = species.strip().lower()
    table = _names()
    if told in table:
        return table[told]
    genus, *rest = told.split(" ")
    if rest and rest[0].rstrip(".") in ("sp", "spp"):
        return table.get(genus, (species.strip(), ""))
    # of another species of a known genus only the group is known: it does not take its neighbour's target
    group = told if told in ("broadleaves", "conifers") else table.get(genus, ("", ""))[1]
    return species.strip(), group


@cache
def _names() -> dict[str, tuple[str, str]]:
    table: dict[str, tuple[str, str]] = {}
    for name, about in _data()["species"].items():
        for each in (name, *about["names"]):
            table.setdefault(str(each).lower(), (name, about["group"]))
    return table


def counts_species(target: Target, species: str) -> bool:
    """Does a tree of this species count towards the target?

    Parameters
    ----------
    target
        Whose species count [no unit].
    species
        As the crew writes it [no unit].
    """
    if "any" in target.species:
        return True
    name, group = named(species)
    return bool({name, group} & {named(one)[0] for one in target.species} | {group} & set(target.species))


def caution() -> str:
    """What a share of browsed leaders does not say."""
    return " ".join(_data()["caution"].split())


def band(estimate: Estimate) -> tuple[str, ...]:
    """All bands that the interval touches, of the one published set of bands that is known; see `band_source`.

    Parameters
    ----------
    estimate
        Share of leaders browsed [share].
    """
    if estimate.low is None or estimate.high is None:
        return ()
    bands = _data()["bands"][0]
    edges = [0.0, *bands["upper"], 1.0]
    return tuple(name for name, low, high in zip(bands["names"], edges[:-1], edges[1:], strict=True)
                 if estimate.low <= high and (estimate.high > low or low == 0.0))


def band_source() -> str:
    """Where the bands hold, and their source."""
    bands = _data()["bands"][0]
    return f"{bands['country']}, {bands['region']}; {bands['source']}"


def _data() -> dict[str, Any]:
    return knowledge("diagnose.survey", "targets.yaml")
