"""What must a page know to judge a wound at one place as Python does?

Everything comes out of the compiled catalogue and its YAML. What depends on the place alone (who lives there, how snowy
its winters are, which month is which season) is worked out here, so that the page needs no map of the world.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from diagnose.culprits import ask, likelihood, reach, verdict
from diagnose.culprits.catalogue import NOT_LISTED, TRACES, Catalogue, catalogue, members, tree
from diagnose.culprits.here import Where, lives_where, living_elsewhere, place_from, winters_of
from diagnose.culprits.prior import common_of, not_listed_share, place_words, rates_power
from diagnose.culprits.readings import TINY
from diagnose.culprits.tables import Ranges, words
from diagnose.culprits.traces import MOST_KINDS
from diagnose.places import Place, places, season_of
from diagnose.protect import requirement
from diagnose.protect.sources import sources
from diagnose.report.answer_drawings import draw_answer
from diagnose.signs import Word, reading_of, vocabulary

LETTERS = "abcdefghijklmnopqrstuvwxyz"


def tables_of(where: Where = None) -> dict[str, Any]:
    """Everything that the page judges with, as plain values that JSON can hold.

    Parameters
    ----------
    where
        Place, name, code or position of the planting; None where it is not known [no unit].

    Raises
    ------
    CannotUse
        For a name that is no place.

    Examples
    --------
    >>> tables_of("DE")["where"]["name"]
    'Germany'
    """
    known, place = catalogue(), place_from(where)
    return {
        "version": known.version,
        "words": {key: words()[key] for key in ("strength", "lead_probability", "lead_ratio", "stray",
                                                "season_from_month", "residence", "about")},
        "limits": _limits(),
        "culprits": [_culprit(known, row) for row in range(len(known.keys))],
        "groups": {key: dict(entry) for key, entry in tree().items()},
        "of": known.of.tolist(), "share": known.share.tolist(),
        "tables": {name: _rows(table) for name, table in known.tables.items()},
        "numbers": {name: [_range(one) for one in each] for name, each in known.numbers.items()},
        "left": [{"sign": sign, "choice": choice, "rates": rates.tolist()} for (sign, choice), rates in known.left.items()],
        "looks": {group: {key: value for key, value in known.class_looks[group].items() if key not in ("note", "sources")}
                  for group in ("cut", "marks", "place")},
        "snow": {key: reach.snow_table()[key] for key in ("depth_mm", "misread", "from_surface", "lying")},
        "signs": [_sign(known, word) for word in vocabulary().values()],
        "where": {**where_of(place), "given": where if where is None or isinstance(where, str) else _given(where)},
        "places": choices_of_place() if place is None else None,
        "barrier": _barrier(),
    }


def _given(where: Place | tuple[float, float]) -> str | list[float]:
    """The place as a phone hands it over: a code, or latitude and longitude [degree]."""
    return (*where.subdivisions, *where.countries)[0] if isinstance(where, Place) else list(where)


def _limits() -> dict[str, Any]:
    """Numbers that stand in the modules themselves."""
    return {
        "step_mm": reach.STEP_MM, "heights": reach.HEIGHTS.tolist(), "edge_mm": reach.EDGE_MM,
        "edge_share": reach.EDGE_SHARE, "edge_bite": reach.EDGE_BITE,
        "diameters": reach.DIAMETERS.tolist(), "broken": list(reach.BROKEN),
        "grid": likelihood.GRID, "wrongly_typed": likelihood.WRONGLY_TYPED, "tiny": TINY, "traces": list(TRACES),
        "most_kinds": MOST_KINDS,
        "not_listed": NOT_LISTED, "clear": ask.CLEAR, "listed": ask.LISTED, "least_worth": ask.LEAST_WORTH,
        "built_stays": ask.BUILT_STAYS, "handful_stays": ask.HANDFUL_STAYS, "later_stays": ask.LATER_STAYS,
        "handful": ask.HANDFUL, "sure": ask.SURE, "sure_stays": ask.SURE_STAYS, "least_chance": ask.TINY,
        "beside": ask.BESIDE, "alike": ask.ALIKE, "place": ask.PLACE,
        "holds": verdict.HOLDS, "all_but": verdict.ALL_BUT, "outside": verdict.OUTSIDE, "clearly": verdict.CLEARLY,
    }


def _culprit(known: Catalogue, row: int) -> dict[str, Any]:
    key = known.keys[row]
    entry = known.raw[key]
    return {
        "key": key, "name": known.names[key], "group": known.groups[key], "parent": known.parents[key],
        "kind": known.kinds[key], "animal": bool(known.animal[row]), "reach": _finite(known.reach_mm[row]),
        "severs": _finite(known.severs_mm[row]), "bends": bool(known.bends[row]), "under_snow": bool(known.under_snow[row]),
        "about": entry.get("about"), "about_where": entry.get("about_where", {}),
    }


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _rows(table: np.ndarray) -> dict[str, Any]:
    """A table (C, choices) as its different rows, and which one each cause has; None for a cause without one."""
    rows: list[list[float]] = []
    at: list[int | None] = []
    for row in table.tolist():
        if math.isnan(row[0]):
            at.append(None)
            continue
        if row not in rows:
            rows.append(row)
        at.append(rows.index(row))
    return {"rows": rows, "at": at}


def _range(told: Ranges | None) -> dict[str, Any] | None:
    return None if told is None else {
        "middles": told.middles.tolist(), "spreads": told.spreads.tolist(), "low": told.low, "high": told.high,
        "even": told.even, "in_log": told.in_log}


def _sign(known: Catalogue, word: Word) -> dict[str, Any]:
    """A sign of the vocabulary with what weighing and asking need, and its drawings."""
    told: dict[str, Any] = {
        "name": word.name, "label": word.label, "about": word.about, "kind": word.kind, "choices": list(word.choices),
        "words": list(word.choices.values()), "unit": word.unit, "question": word.question, "help": word.help,
        "effort": word.effort, "asked_of": list(word.asked_of), "several": word.several,
        "asked_where": {name: list(told) for name, told in word.asked_where.items()},
        "void_where": {name: list(told) for name, told in word.void_where.items()},
        "chance": ask.answerable().get(word.name, 1.0), "misread": likelihood.misreading(word.name),
        "weighed": likelihood.is_weighed(known, word.name), "group": likelihood.group_of_sign(word),
        "kind_of": word.kind_of, "kinds": dict(word.kinds),
    }
    if word.kind == "number":
        told |= {"low": word.low, "high": word.high, "reading": reading_of(word)}
    drawn = {choice: lines for choice in word.choices if (lines := _drawing(word.name, choice))}
    return told | ({"drawings": drawn} if drawn else {}) | (
        {"members": {choice: list(members(choice)) for choice in word.choices if choice != "none"}}
        if word.name in ("seen", "saliva_dna") else {})


def _drawing(sign: str, choice: str) -> list[dict[str, Any]]:
    """The lines of an answer's drawing, those of one width as one path."""
    drawn = draw_answer(sign, choice, on_paper=False)
    if drawn is None:
        return []
    paths: dict[tuple[float, bool], list[str]] = {}
    ends: dict[tuple[float, bool], tuple[float, float]] = {}
    for s in drawn.all_strokes():
        pen = (s.width, s.dash)
        x1, y1, x2, y2 = (round(v, 2) for v in (s.x1, s.y1, s.x2, s.y2))
        start = "" if ends.get(pen) == (x1, y1) else f"M{x1:g} {y1:g}"
        paths.setdefault(pen, []).append(f"{start}L{x2:g} {y2:g}")
        ends[pen] = (x2, y2)
    return [{"width": width, "dash": dash, "path": "".join(path)} for (width, dash), path in paths.items()]


def where_of(place: Place | None) -> dict[str, Any]:
    """What follows from the place: who lives there, its winters, its seasons.

    Parameters
    ----------
    place
        None where it is not known [no unit].
    """
    known = catalogue()
    north = Place((), (), "north", "")
    return {
        "name": None if place is None else place.name,
        "words": place_words(known, place),
        "parts": [_part(known, one, lives) for one, lives in lives_where(known, place)],
        "not_listed": not_listed_share(place),
        "rates_power": rates_power(place),
        "winters": winters_of(place),
        "elsewhere": living_elsewhere(place),
        "season_of": [season_of(month, place or north) for month in range(1, 13)],
    }


def choices_of_place() -> dict[str, Any]:
    """What follows from each place that can be chosen, in few letters: a page made for none asks for it.

    `common` and `lives` of a place hold a letter a culprit: its row in `levels`, `residence`. A place of which so little is
    told that others are averaged cannot be chosen.
    """
    levels = [0.0, *words()["common"].values()]
    residence = list(words()["residence"])
    found = []
    for place in places():
        where = where_of(place)
        if len(where["parts"]) > 1:
            continue
        part = where["parts"][0]
        found.append({
            "code": place.code, "name": place.name, "words": where["words"].removeprefix(place.name),
            "not_listed": where["not_listed"], "winters": where["winters"], "south": place.hemisphere == "south",
            "common": "".join(LETTERS[levels.index(one)] for one in part["common"]),
            "lives": "".join(LETTERS[residence.index(one)] for one in part["lives"]),
        })
    return {"letters": LETTERS, "levels": levels, "residence": residence, "all": found, "question": ask.PLACE_QUESTION,
            "help": ask.PLACE_HELP}


def _part(known: Catalogue, place: Place, lives: Mapping[str, str]) -> dict[str, Any]:
    """How common each culprit is where it lives, and whether it does."""
    return {"common": [0.0 if key == NOT_LISTED else common_of(known.raw[key], place) for key in known.keys],
            "lives": [lives[key] for key in known.keys]}


def _barrier() -> dict[str, Any]:
    """What sizes the barrier at one plant, with its words."""
    return {
        "need_of": dict(requirement.NEED_OF), "built_of": requirement.built_of(), "needs": requirement.needs(),
        "stoutness": list(requirement.STOUTNESS),
        "staked": list(requirement.STAKED), "stakes": list(requirement.STAKES), "fine_kinds": list(requirement.FINE_KINDS),
        "common": list(requirement.COMMON), "likely": requirement.LIKELY, "digits": requirement.DIGITS,
        "most_snow_mm": requirement.SNOW_LIMIT_MM,
        "cautions": [{"text": entry["text"], "when": entry["when"]} for entry in requirement.cautions().values()],
        "protected": sorted(requirement.protected_culprits()),
        "sources": {key: told["called"] for key, told in sources().items()},
    }
