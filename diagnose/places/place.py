"""Where on earth is this: in which country, part of it or island, and on which half of the earth?

Works without a network, from the outlines that `make.py` took from published maps. An animal keeps to land and minds no
border: within 10 km of a border on land both sides count, across water they do not.
"""

from __future__ import annotations

import csv
import unicodedata
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files

import numpy as np
import shapely

from diagnose.cannot_use import CannotUse
from diagnose.places.near import Near, flat, within_reach
from diagnose.places.outlines import outlines

BORDER_KM = 10.0  # both sides of a border count within this
COAST_KM = 25.0  # a point at sea belongs to the nearest land within this
PART_KM = 200.0  # a part of a country is looked for this far: islets and lakes have none of their own
TOUCH_KM = 0.05  # outlines that come as near as this touch
_SEASONS = ("winter", "spring", "summer", "autumn")


@dataclass(frozen=True)
class Place:
    """Where something stands, as far as animals care.

    Parameters
    ----------
    countries : tuple of str
        ISO 3166-1 alpha-2 codes: the country that it lies in first, then those beyond a border within 10 km. Empty at sea
        [no unit].
    subdivisions : tuple of str
        ISO 3166-2 codes of the parts that it lies in, the smallest first, then those beyond a border within 10 km. Islands
        without a code have our own after their country or part, in small letters (``CA-NL-newfoundland``). Only countries in
        which the ranges of animals end are divided [no unit].
    hemisphere : str
        'north' or 'south' [no unit].
    name : str
        What to call it [no unit].
    """

    countries: tuple[str, ...]
    subdivisions: tuple[str, ...]
    hemisphere: str
    name: str

    def __post_init__(self) -> None:
        if self.hemisphere not in ("north", "south"):
            raise CannotUse(f"'{self.hemisphere}' is no half of the earth; say north or south")
        unknown = [code for code in (*self.countries, *self.subdivisions) if code not in areas()]
        if unknown:
            raise CannotUse(f"'{unknown[0]}' is no code of a country or part of one; take one from the list of places")

    @property
    def code(self) -> str:
        """The code of the smallest area that it lies in; '' at sea."""
        return (self.subdivisions or self.countries or ("",))[0]

    @property
    def chains(self) -> tuple[tuple[str, ...], ...]:
        """For each side of a border that counts, the areas it lies in: the smallest first, its country last."""
        own = (*self.subdivisions, *self.countries)
        above = {one for code in own for one in within(code)[1:]}
        return tuple(within(code) for code in own if code not in above)


@dataclass(frozen=True)
class Area:
    """A country, a part of one, or an island.

    Parameters
    ----------
    code, inside
        Its own, and that of what it lies in ('' for a country) [no unit].
    name, also
        What it is called, and other names [no unit].
    hemisphere
        north or south [no unit].
    """

    code: str
    inside: str
    name: str
    also: tuple[str, ...]
    hemisphere: str


@cache
def areas() -> dict[str, Area]:
    """Every area that has a code, by its code."""
    text = (files("diagnose.places") / "areas.csv").read_text(encoding="utf-8")
    return {row["code"]: Area(row["code"], row["in"], row["name"], tuple(one for one in row["also"].split("|") if one),
                              row["hemisphere"]) for row in csv.DictReader(text.splitlines())}


@cache
def within(code: str) -> tuple[str, ...]:
    """The area itself, what it lies in, and so on up to its country.

    Parameters
    ----------
    code
        Of a country, part or island [no unit].
    """
    above = areas()[code].inside
    return (code, *within(above)) if above else (code,)


def place_of(latitude: float, longitude: float) -> Place:
    """The place of a position.

    Parameters
    ----------
    latitude, longitude : float
        Of the position, WGS 84 [degree], -90 to 90 and -180 to 180.

    Returns
    -------
    Place
        A position at sea belongs to the nearest land within 25 km, else to no country.

    Raises
    ------
    CannotUse
        The position is none.

    Notes
    -----
    Distances are right to a few per cent up to 85 degrees; borders and coasts are simplified by about 1 km.

    Examples
    --------
    >>> place_of(53.35, -6.26).countries
    ('IE',)
    """
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        raise CannotUse(f"{latitude}, {longitude} is no position: latitude goes from -90 to 90, longitude from -180 to 180")
    half = "north" if latitude >= 0 else "south"
    (land, tree), known = _land(), outlines()
    near = within_reach(land, tree, latitude, longitude, COAST_KM)
    if not near:
        return Place((), (), half, "open sea")
    home = near[0]
    islands: dict[str, str] = {}  # by country: a country's own nearest piece of land counts
    for one in (home.index, *_over_the_border(land, tree, home)):
        islands.setdefault(known.countries[one], known.islands[one])
    divided = [_divided(country, island, home.latitude, home.longitude) for country, island in islands.items()]
    countries = tuple(islands)
    subdivisions = tuple(dict.fromkeys(code for codes in divided for code in codes))
    return Place(countries, subdivisions, half, _named((divided[0] or countries)[0]))


def place_named(text: str) -> Place:
    """The place of a typed code or name, such as 'IE', 'Ireland', 'US-ME' or 'Maine'.

    Parameters
    ----------
    text : str
        Code or English name, no matter whether in capitals or with accents [no unit].

    Raises
    ------
    CannotUse
        Nothing or more than one place is called so; the line says what comes nearest.
    """
    wanted = plain(text)
    found = _by_name().get(wanted, ())
    if len(found) == 1:
        return _whole(areas()[found[0]])
    if found:
        either = " or ".join(f"{code} ({_named(code)})" for code in found)
        raise CannotUse(f"'{text.strip()}' may be {either}: type the code")
    codes = dict.fromkeys(code for name in get_close_matches(wanted, _by_name(), 8, 0.6) for code in _by_name()[name])
    nearest = ", ".join(f"{_named(code)} ({code})" for code in list(codes)[:3])
    meant = f"did you mean {nearest}?" if nearest else "type a country, a state or an island, or its code"
    raise CannotUse(f"no place that is known here is called '{text.strip()}'; {meant}")


@cache
def places() -> tuple[Place, ...]:
    """Every place that can be chosen, by name."""
    return tuple(sorted((_whole(area) for area in areas().values()), key=lambda place: plain(place.name)))


def season_of(month: int, place: Place) -> str:
    """The season of a month at a place: 'winter', 'spring', 'summer' or 'autumn'.

    Parameters
    ----------
    month : int
        1 to 12 [no unit].
    place : Place
        December to February is winter on the northern half of the earth and summer on the southern [no unit].

    Raises
    ------
    CannotUse
        For no month.
    """
    if month not in range(1, 13):
        raise CannotUse(f"{month} is no month: say 1 to 12")
    return _SEASONS[(int(month) % 12 // 3 + (2 if place.hemisphere == "south" else 0)) % 4]


def _whole(area: Area) -> Place:
    chain = within(area.code)
    return Place(chain[-1:], chain[:-1], area.hemisphere, _named(area.code))


def _named(code: str) -> str:
    chain = within(code)
    return areas()[code].name + (f", {areas()[chain[-1]].name}" if len(chain) > 1 else "")


@cache
def _by_name() -> dict[str, tuple[str, ...]]:
    """Codes by plain name; a code is a name too, and a country's own name goes before that of a part."""
    found: dict[str, list[str]] = {}
    for area in areas().values():
        for name in dict.fromkeys(map(plain, (area.code, area.name, *area.also, _named(area.code)))):
            found.setdefault(name, []).append(area.code)
    return {name: tuple(codes) for name, codes in found.items()}


def plain(text: str) -> str:
    """Small letters without accents, runs of anything else as one space.

    Parameters
    ----------
    text
        As it was typed [no unit].
    """
    bare = "".join(one for one in unicodedata.normalize("NFKD", text) if not unicodedata.combining(one))
    return " ".join("".join(one if one.isalnum() else " " for one in bare.casefold()).split())


@cache
def _land() -> tuple[np.ndarray, shapely.STRtree]:
    """The pieces of land and their index."""
    shapes = np.array(outlines().land, dtype=object)
    return shapes, shapely.STRtree(shapes)


@cache
def _parts(country: str) -> tuple[tuple[str, ...], np.ndarray, shapely.STRtree]:
    """Codes, outlines and their index of the parts of a country."""
    known = outlines()
    own = [(code, part) for code, part in zip(known.part_codes, known.parts, strict=True) if code[:2] == country]
    shapes = np.array([part for _, part in own], dtype=object)
    return tuple(code for code, _ in own), shapes, shapely.STRtree(shapes)


def _divided(country: str, island: str, latitude: float, longitude: float) -> tuple[str, ...]:
    """Codes of the parts of a country that a position on land lies in, and of those within 10 km over their borders."""
    if island:
        return within(island)[:-1]
    codes, shapes, tree = _parts(country)
    for reach_km in (BORDER_KM, PART_KM):
        near = within_reach(shapes, tree, latitude, longitude, reach_km)
        if near:
            return tuple(codes[one] for one in (near[0].index, *_over_the_border(shapes, tree, near[0])))
    return ()


def _over_the_border(shapes: np.ndarray, tree: shapely.STRtree, home: Near) -> list[int]:
    """The outlines within 10 km that touch, there, the one that a position lies in; the nearest first."""
    own = flat(shapes[home.index], home.latitude, home.longitude, BORDER_KM)
    near = within_reach(shapes, tree, home.latitude, home.longitude, BORDER_KM)
    return [one.index for one in near if one.index != home.index
            and shapely.dwithin(flat(shapes[one.index], home.latitude, home.longitude, BORDER_KM), own, TOUCH_KM)]
