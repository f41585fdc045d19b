"""Does this animal live there?

The lines are data (`ranges.yaml`), one a species, each with what it rests on. "Not covered" is an answer: outside Europe,
Turkey, Cyprus, Russia, the United States, Canada, Australia, New Zealand and Japan nothing is claimed but of those
whose whole range is told (`world`) and where a line names the country itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Literal

from diagnose.cannot_use import CannotUse
from diagnose.given import one_of
from diagnose.knowledge import knowledge
from diagnose.places.place import Place, areas, within

Residence = Literal["resident", "doubtful", "absent", "not covered"]

_LIKELIER: tuple[Residence, ...] = ("not covered", "absent", "doubtful", "resident")


@dataclass(frozen=True)
class Range:
    """Where one species lives.

    Parameters
    ----------
    name
        Of the species [no unit].
    status
        Code of every area that is named -> resident, doubtful or absent [no unit].
    sources
        Keys of its sources [no unit].
    world
        Is its whole range told, so that it is absent from every other country too? [no unit]
    """

    name: str
    status: Mapping[str, Residence]
    sources: tuple[str, ...]
    world: bool = False

    @property
    def short(self) -> str:
        """The name without what stands in brackets."""
        return self.name.partition(" (")[0]


def residence(species: str, place: Place) -> Residence:
    """Whether a species lives at a place.

    Parameters
    ----------
    species : str
        A key of ``ranges.yaml``, such as 'roe_deer' [no unit].
    place : Place
        Within 10 km of a border on land the animals of both sides count [no unit].

    Returns
    -------
    str
        'resident': lives in a good part of it. 'doubtful': only in a corner, spreading, escaped or farmed, or not sure.
        'absent'. 'not covered': nothing is known of the animals there, or the place lies in no country.

    Raises
    ------
    CannotUse
        No such species has a line.

    Notes
    -----
    The smallest area with a word of its own counts: an island before its province, a province before its country. Where only
    a country is known whose parts have words of their own and which has none, the species is resident if it is so in
    half of the parts, doubtful if it lives in any.

    Examples
    --------
    >>> from diagnose.places import place_named
    >>> residence("porcupine", place_named("Germany"))
    'absent'
    """
    if species not in ranges():
        near = get_close_matches(species, ranges(), 3)
        raise CannotUse(f"no range is known of '{species}'" + (f"; did you mean {', '.join(near)}?" if near else ""))
    line = ranges()[species]
    found = (_in_chain(line.status, chain, line.world) for chain in place.chains)
    return max(found, key=_LIKELIER.index, default="not covered")


def residents(place: Place) -> dict[str, Residence]:
    """The residence of every species at a place, by key.

    Parameters
    ----------
    place
        Any [no unit].
    """
    return {species: residence(species, place) for species in ranges()}


@cache
def ranges() -> dict[str, Range]:
    """The range of every species, by key."""
    told = knowledge("diagnose.culprits", "ranges.yaml")
    return {key: Range(line["name"], _status(key, line), tuple(line["sources"]), bool(line.get("world", False)))
            for key, line in told["species"].items()}


def _status(key: str, line: Mapping[str, list[str]]) -> dict[str, Residence]:
    """Status by code. The more particular word counts: a code that the line names itself, or else the shorter list."""
    said = [(spread([one]), kind) for kind in _LIKELIER[1:] for one in line.get(kind, [])]
    status = {code: kind for codes, kind in sorted(said, key=lambda one: -len(one[0])) for code in codes}
    unknown = sorted(set(status) - set(areas()))
    if unknown:
        raise CannotUse(f"ranges.yaml: '{unknown[0]}', named for {key}, is no area")
    return status


def spread(codes: Iterable[str]) -> list[str]:
    """The codes, with each list (in small letters) replaced by what it holds.

    Parameters
    ----------
    codes
        Of areas, and names of lists of them [no unit].

    Raises
    ------
    CannotUse
        For a list that is none.
    """
    lists = knowledge("diagnose.culprits", "ranges.yaml")["lists"]
    return [code for one in codes
            for code in (spread(lists[one_of(one, lists, "The list of areas")]["areas"]) if one[:1].islower() else [one])]


@cache
def covered() -> frozenset[str]:
    """Codes of the areas whose animals are told, whole countries as a rule."""
    return frozenset(spread(knowledge("diagnose.culprits", "ranges.yaml")["covered"]))


def range_rows() -> list[tuple[str, str, str, str, str]]:
    """The ranges of each species in words.

    In this order: its name, where it is resident, where doubtful, where it is absent though a wider area is named, and
    where that is known from.
    """
    told = knowledge("diagnose.culprits", "ranges.yaml")
    rows = []
    for line in told["species"].values():
        resident, doubtful, absent = (
            ", ".join(map(_in_words, line.get(kind, []))) for kind in ("resident", "doubtful", "absent"))
        known_from = "; ".join(told["sources"][key].partition(":")[0] for key in line["sources"])
        rows.append((line["name"], resident, doubtful, absent, known_from))
    return rows


def _in_words(code: str) -> str:
    """A code or the name of a list as a person says it."""
    lists = knowledge("diagnose.culprits", "ranges.yaml")["lists"]
    return str(lists[code]["name"]) if code[0].islower() else areas()[code].name


def is_covered(place: Place) -> bool:
    """Is it told of every animal whether it lives at a place, and not of those alone whose whole range is told?

    Parameters
    ----------
    place
        Any, one at sea too [no unit].
    """
    return any(code in covered() for chain in place.chains for code in chain)


def _in_chain(status: Mapping[str, Residence], chain: tuple[str, ...], world: bool) -> Residence:
    """The residence in the areas that lie within each other, the smallest first."""
    own = next((status[code] for code in chain if code in status), None)
    if own is not None:
        return own
    if not world and not any(code in covered() for code in chain):
        return "not covered"
    return _from_parts(status, chain[0])


def _from_parts(status: Mapping[str, Residence], code: str) -> Residence:
    """The residence in an area that has no word of its own, from the parts of it that have."""
    told = [status.get(part, "absent") for part in _parts().get(code, ())]
    if told.count("resident") * 2 >= max(1, len(told)):
        return "resident"
    lower = any(kind != "absent" and code in within(one)[1:] for one, kind in status.items())
    return "doubtful" if lower else "absent"


@cache
def _parts() -> Mapping[str, Sequence[str]]:
    """Area -> the areas that lie in it and in none between."""
    found: dict[str, list[str]] = {}
    for area in areas().values():
        found.setdefault(area.inside, []).append(area.code)
    return found
