"""How far do the verdicts agree with readings that were written down before the tool was run? `python -m tests.situations`

Two files of truth from outside the catalogue: situations with the reading that a wildlife-damage specialist expects,
written without sight of the tables, and published descriptions of damage, read into signs before the first run.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.culprits.catalogue import catalogue, members
from diagnose.culprits.check import CASES, clopper_pearson
from diagnose.culprits.tables import sources
from diagnose.culprits.verdict import Verdict, judge
from diagnose.knowledge import read_yaml
from diagnose.signs import parse_signs

SITUATIONS = CASES / "situations.yaml"
# published descriptions, each set read before the first run on it, all but the third by somebody who had not seen the tables
HELD_OUT = tuple(CASES / f"held_out_{number}.yaml" for number in range(2, 18))
# read by the maker of the tables, to develop with
OWN = tuple(CASES / f"own_reading{number}.yaml" for number in ("", "_2", "_3", "_4", "_5", "_6", "_7"))
APART = CASES / "kept_apart.yaml"  # in which the culprit was established; nothing was fitted on them nor mended for them
UNDECIDED = 0.6  # a group that reaches this is taken for told, whatever the headline says; our choice, made before running
RULED_OUT = 0.3  # a group that must not be it must stay below this; our choice, made before running
SURE = 0.8
_LEAST = 1e-6  # probability below which the log score is no longer punished


@dataclass(frozen=True)
class Outcome:
    """One situation or case judged.

    kind : what it is there to try. agrees : is it read as expected? expected : summed probability of what was expected
    (nan where nobody could tell). first : the likeliest group with its probability. broken : groups that must not be it
    and reach RULED_OUT or lead. known : does the catalogue hold what was expected?
    """

    name: str
    kind: str
    agrees: bool
    within_two: bool
    expected: float
    first: str
    share: float
    told: bool
    broken: tuple[str, ...]
    known: bool
    wanted: str


def verdict_on(told: Mapping[str, Any], without_sources: Iterable[str] = ()) -> Verdict:
    """The verdict on a situation or case as it stands in its file, as if these sources had never been read."""
    place = told.get("place")
    where = None if place is None else (float(place["lat"]), float(place["lon"]))
    return judge(parse_signs(told["signs"]), place=where, month=told.get("month"), snow_mm=told.get("snow_mm"),
                 without_sources=tuple(without_sources))


def read_situation(told: Mapping[str, Any]) -> Outcome:
    """Is the situation read as expected? What agreement means stands at the head of `situations.yaml`."""
    verdict = verdict_on(told)
    ranked = sorted(verdict.groups, key=lambda key: -verdict.groups[key])
    first, share = ranked[0], verdict.groups[ranked[0]]
    open_one = told["expect"] == "cannot_tell"
    named = _named([*told.get("also", ())] if open_one else told["expect"])
    undecided = verdict.leading is None or share < UNDECIDED
    broken = tuple(key for key in _named(told["must_not_be"]) if key == first or verdict.groups[key] >= RULED_OUT)
    agrees = (first in named or (undecided and (open_one or told.get("cannot_tell_ok", False)))) and not broken
    expected = np.nan if open_one else sum(verdict.groups[key] for key in named)
    known = open_one or bool(set(named) - {"not_listed"})
    wanted = "cannot tell" if open_one else " or ".join(told["expect"])
    return Outcome(told["name"], told["kind"], bool(agrees), bool(set(named) & set(ranked[:2])), float(expected), first,
                   share, verdict.leading is not None, broken, known, wanted)


def read_case(told: Mapping[str, Any], with_its_page: bool = True) -> Outcome:
    """Does the group that the source names come first? Agreement means first.

    with_its_page : do the rows count that the catalogue drew from the case's own page?
    """
    own = [key for key, source in sources().items() if str(source["url"]) == told["url"]]
    verdict = verdict_on(told, () if with_its_page else own)
    ranked = sorted(verdict.groups, key=lambda key: -verdict.groups[key])
    named = _named(told["named_by"])
    first, share = ranked[0], verdict.groups[ranked[0]]
    kind = "its page feeds the catalogue" if own else "its page feeds nothing"
    expected = sum(verdict.groups[key] for key in named)
    known = bool(set(named) - {"not_listed"})
    return Outcome(told["id"], kind, first in named, bool(set(named) & set(ranked[:2])), expected, first, share,
                   verdict.leading is not None, (), known, " or ".join(told["named_by"]))


def _named(keys: Iterable[str]) -> list[str]:
    """The groups of the top that these belong to; names that the catalogue does not hold are passed over."""
    groups = catalogue().groups
    return list(dict.fromkeys(groups[one] for key in keys for one in members(key)))


def _line(found: Sequence[Outcome], label: str, least: str = "agreement") -> str:
    k = sum(one.agrees for one in found)
    low, high = clopper_pearson(k, len(found))
    return f"{label:<48} {least} {k} of {len(found)}: {k / len(found):.0%} ({low:.0%} to {high:.0%})"


def situations_report(path: Path = SITUATIONS) -> list[str]:
    """Agreement by kind with exact 95 % intervals, then each disagreement, a line each."""
    found = [read_situation(told) for told in read_yaml(path)]
    lines = [_line(found, "situations")]
    for kind in dict.fromkeys(one.kind for one in found):
        lines.append(_line([one for one in found if one.kind == kind], f"  {kind}"))
    lines.append(f"  ruled out yet at {RULED_OUT} or leading: {sum(bool(one.broken) for one in found)}")
    return [*lines, *(_told(one) for one in found if not one.agrees)]


def cases_report(path: Path) -> list[str]:
    """First and within two with exact 95 % intervals, scores, and each case missed without its own page, a line each.

    The factors on the tables are fitted on all of them; `python -m diagnose.culprits.fit --folds 5` leaves pages out.
    """
    cases = read_yaml(path)["cases"]
    found, bare = [read_case(told) for told in cases], [read_case(told, with_its_page=False) for told in cases]
    lines = []
    for label, some in (("cases", found), ("  culprit in the catalogue", [one for one in found if one.known]),
                        ("  and its page feeds nothing", [o for o in found if o.known and o.kind.endswith("nothing")]),
                        ("all, each without its own page", bare)):
        if not some:
            continue
        two = sum(one.within_two for one in some)
        log = np.mean(np.log([max(one.expected, _LEAST) for one in some]))
        sure = [one for one in some if not one.agrees and one.share >= SURE]
        mean = np.mean([one.share for one in some])
        lines += [_line(some, label, "first in"), f"{'':<48} within two {two}, log score {log:.2f}, wrong at {SURE} or more "
                  f"{len(sure)}, mean probability of the first {mean:.2f}"]
    return [*lines, *(_told(one) for one in bare if not one.agrees)]


def _told(one: Outcome) -> str:
    out = f", ruled out: {', '.join(one.broken)}" if one.broken else ""
    got = "" if np.isnan(one.expected) else f" ({one.expected:.0%})"
    return f"- {one.name}: expected {one.wanted}{got}, came {one.first} {one.share:.0%}{' (told)' if one.told else ''}{out}"


if __name__ == "__main__":
    told = [line for path in (APART, *HELD_OUT, *OWN) for line in (path.stem, *cases_report(path), "")]
    told += situations_report()
    sys.stdout.write("\n".join(told) + "\n")
