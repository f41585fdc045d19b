"""Which culprits live at a place, and how sure is that?

A culprit covers one species or several that signs cannot tell apart; it lives where any of them does.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from functools import cache
from typing import Any

from diagnose.culprits.catalogue import Catalogue, catalogue, members
from diagnose.culprits.ranges import is_covered, residence
from diagnose.culprits.reach import snow_table
from diagnose.knowledge import knowledge
from diagnose.places import Place, place_named, place_of
from diagnose.signs import Answer, Several, Shares, Signs, vocabulary

RESIDENT, DOUBTFUL, ABSENT, NOT_COVERED = "resident", "doubtful", "absent", "not covered"
_ORDER = (RESIDENT, DOUBTFUL, NOT_COVERED, ABSENT)
Where = Place | str | tuple[float, float] | None


def place_from(where: Where) -> Place | None:
    """The place of a position, a name, a code or a region that older logs name; None where nothing is known.

    Parameters
    ----------
    where
        A Place; latitude and longitude [degree]; the name or ISO 3166 code of a country or a part of one, or a coarse region
        that versions before places knew (`old_regions.yaml`).

    Raises
    ------
    CannotUse
        For a name that is no place.
    """
    if where is None or isinstance(where, Place):
        return where
    if isinstance(where, str):
        old = old_regions().get(where)
        if old is not None:
            return Place(tuple(old["countries"]), tuple(old.get("subdivisions", ())), "north", old["name"])
        return place_named(where)
    latitude, longitude = where
    found = place_of(latitude, longitude)
    return found if found.countries else None


def country_of(region: str | None) -> str:
    """The code of the place that a region names; empty for none, and for a coarse region of older versions.

    Parameters
    ----------
    region
        As it was typed or settled [no unit].

    Raises
    ------
    CannotUse
        For a name that is no place.
    """
    return "" if not region or region in old_regions() else place_named(region).code


def old_regions() -> Mapping[str, Any]:
    """Coarse regions that logs, answer files and settings of older versions name, as countries and parts of them."""
    return knowledge("diagnose.culprits", "old_regions.yaml")


@cache
def parts_of(place: Place) -> tuple[Place, ...]:
    """The place itself; the parts of a coarse region of older versions, over which its animals are averaged.

    Parameters
    ----------
    place
        Any [no unit].
    """
    if place.name in {region["name"] for region in old_regions().values()}:
        return tuple(place_named(code) for code in place.subdivisions or place.countries)
    return (place,)


@cache
def _status(species: tuple[str, ...], place: Place) -> str:
    return min((residence(one, place) for one in species), key=_ORDER.index)


def residences(known: Catalogue, place: Place | None, seen: Collection[str] = ()) -> Mapping[str, str]:
    """Culprit key -> resident, doubtful, absent or not covered.

    Parameters
    ----------
    known
        The catalogue [no unit].
    place
        None where it is not known: then nothing is covered [no unit].
    seen
        Culprits that were themselves seen, filmed or typed there: none of them is absent, whatever a range says [no unit].
    """
    if place is None:
        return dict.fromkeys(known.keys, NOT_COVERED)
    lives = _lives(place)
    return {key: DOUBTFUL if key in seen and lives[key] == ABSENT else lives[key] for key in known.keys}


@cache
def _lives(place: Place) -> Mapping[str, str]:
    known, found = catalogue(), {}
    for row, key in enumerate(known.keys):
        entry = known.raw[key]
        if "where" in entry:
            found[key] = _by_country(entry["where"], place)
        elif known.animal[row] or "species" in entry:
            found[key] = _status(tuple(entry.get("species", (key,))), place)
        else:
            found[key] = RESIDENT
    return found


def _by_country(where: Mapping[str, str], place: Place) -> str:
    told = [where.get(country, where.get("else", NOT_COVERED)) for country in place.countries]
    return min(told, key=_ORDER.index) if told else NOT_COVERED


def lives_where(known: Catalogue, place: Place | None, seen: Collection[str] = ()) -> list[tuple[Place, Mapping[str, str]]]:
    """The places whose animals are averaged, each with the residences that count there.

    Of a covered place these are its parts; of another of which something is told of every culprit it is the place itself.
    Of one of which less is told, or of none, they are places far apart, at which what is told of
    the place itself stands over what is told of them.

    Parameters
    ----------
    known
        The catalogue [no unit].
    place
        None where it is not known [no unit].
    seen
        Culprits that were themselves seen, filmed or typed there, as for `residences` [no unit].
    """
    if place is not None and is_covered(place):
        return [(part, residences(known, part, seen)) for part in parts_of(place)]
    told = {} if place is None else {key: status for key, status in residences(known, place, seen).items()
                                     if status != NOT_COVERED}
    if place is not None and len(told) == len(known.keys):  # roughly known, but of every one of them
        return [(place, told)]
    return [(sample, {**residences(known, sample, seen), **told}) for sample in sample_places()]


def sample_places() -> list[Place]:
    """Far-apart places over which is averaged where no place is known (`sample_places.yaml`)."""
    found = [place_from(name) for name in knowledge("diagnose.culprits", "sample_places.yaml")["places"]]
    return [place for place in found if place is not None]


def living_elsewhere(place: Place | None) -> list[str]:
    """Choices of the sign `seen` none of whose animals lives at the place: asked for last, not ruled out.

    Parameters
    ----------
    place
        None where it is not known: then any may live there [no unit].
    """
    lives = residences(catalogue(), place)
    return [choice for choice in vocabulary()["seen"].choices
            if (named := members(choice)) and all(lives[key] == ABSENT for key in named)]


def seen_there(signs: Signs) -> frozenset[str]:
    """Culprits that were seen or filmed there, or typed by saliva on the bite.

    Parameters
    ----------
    signs
        What is known of the wound; only `seen` and `saliva_dna` are read [no unit].
    """
    found: set[str] = set()
    for name in ("seen", "saliva_dna"):
        sign = signs.get(name)
        choices = (sign.choice,) if isinstance(sign, Answer) else sign.found if isinstance(sign, Several) else tuple(
            choice for choice, share in sign.shares.items() if share > 0) if isinstance(sign, Shares) else ()
        for choice in choices:
            # a deer of no known kind says nothing of which kind lives there
            found |= set(members(choice)) if len(members(choice)) == 1 else set()
    return frozenset(found)


def winters_of(place: Place | None) -> dict[str, float]:
    """How snowy the winters are: share of each kind (snowy, changing, mild, unknown) over the parts of the place.

    Parameters
    ----------
    place
        None where it is not known: then the kind is `unknown` [no unit].

    Returns
    -------
    dict of str to float
        Kind -> its share, 0 to 1; they add up to 1 [no unit].
    """
    told = snow_table()["winters"]
    kind_of = {code: kind for kind, codes in told.items() for code in codes}
    codes = () if place is None else place.subdivisions or place.countries
    kinds = [kind_of.get(code, kind_of.get(code[:2], "changing")) for code in codes] or ["unknown"]
    return {kind: kinds.count(kind) / len(kinds) for kind in dict.fromkeys(kinds)}
