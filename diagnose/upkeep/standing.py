"""Which barriers stand, and what is ahead of each?

The newest of what checks, plants and the planting's other trees tell is put together for the whole register at once.
"""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from sqlalchemy import text

from diagnose.protect.requirement import SNOW_LIMIT_MM
from diagnose.upkeep.growth import VIGOURS, Rate, measured_rates, rates_of_kin, season_count, with_tenth
from diagnose.upkeep.outlook import dates_of, no_safe_winter, reached, season_start
from diagnose.upkeep.rules import (
    THICKER_MM,
    alone_mm,
    bark_safe_mm,
    forms,
    known_form,
    name_of,
    reach_mm,
    tight_at_mm,
    trait,
    usual,
)

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

CALIPER_MM, STAFF_MM = 1.5, 30.0  # standard errors of a stem's diameter and a leader's height in the field; from memory
_PARTS = ("early", "likely", "late")


class _Make(NamedTuple):
    """What barriers of one form, species and purpose share: computed once for all of them."""

    form: str
    name: str
    culprits: tuple[str, ...]
    snow_mm: float
    stem: Rate
    leader: Rate


@dataclass(frozen=True)
class Register:
    """Every standing barrier with what is known of it.

    Parameters
    ----------
    rows : DataFrame
        A row a barrier: id, site, plant, plot, label, name (the plan's, or its form), form, species, built, inner_mm,
        culprits, snow_mm, finding, found_on, stem_mm, leader_mm [mm]; safe_, tight_ and widen_ with early, likely and late
        (see outlook.Outlook; FAR where not in sight or unknown) and tight_tenth; act_by, the last day to make room; swap;
        guessed (did nobody measure the stem?), measured (is its size known, or that it was a seedling?), south.
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    log : UUID
        The identity of the log that it is from [no unit].
    """

    rows: pd.DataFrame
    climate: str
    log: uuid.UUID

    def __len__(self) -> int:
        return len(self.rows)


_BARRIER = ("id", "site", "plant", "label", "form", "material", "species", "built", "lat", "lon", "error_m", "pieces",
            "inner_mm", "figures", "found", "embedded", "saved_at")
_BARRIERS = f"""
select {", ".join(_BARRIER)} from barrier
where deleted = {{no}} and removed is null {{site}} order by site, label, id
"""
_CHECKS = """
select c.barrier, c.day, c.finding, c.stem_diameter_mm, c.height_mm, c.stands_alone, c.bark_safe
from "check" c where c.deleted = {no} {site} order by c.barrier, c.day, c.saved_at
"""
_OF_SITE = "and c.barrier in (select id from barrier where site = :site)"
_PLANTS = """
select site, tag, species, stem_diameter_mm, height_mm, plot, saved_at from plant where deleted = {no} and tag <> '' {site}
order by saved_at
"""


def standing(log: Log, climate: str = "mild", south: bool | None = None, site: str | None = None) -> Register:
    """Every barrier that stands, with the newest of what its checks and its plant tell, and its outlook.

    Parameters
    ----------
    log : Log
        The log whose barriers are listed [no unit].
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool or None
        South of the equator; None to take it from each barrier's latitude (north where that is not known) [no unit].
    site : str or None
        Only this planting [no unit].

    Returns
    -------
    Register

    Raises
    ------
    CannotUse
        For another climate.
    """
    season_count("1970-01-01", climate)
    no = "0" if log.engine.dialect.name == "sqlite" else "false"
    given = {} if site is None else {"site": site}
    here, looked_here = ("", "") if site is None else ("and site = :site", _OF_SITE)
    with log.reading() as session:
        told = _fetch(session, _BARRIERS.format(no=no, site=here), given)
        checks = _fetch(session, _CHECKS.format(no=no, site=looked_here), given)
        plants = _fetch(session, _PLANTS.format(no=no, site=here), given)
    # plain objects: strings that pandas holds its own way are slow to walk through one by one
    columns = zip(_BARRIER, zip(*told, strict=True) if told else [()] * len(_BARRIER), strict=True)
    rows = pd.DataFrame({name: np.array(column, object) for name, column in columns}, dtype=object)
    lat = rows["lat"].to_numpy(float)
    rows["south"] = lat < 0 if south is None else south
    if len(rows):
        _with_outlook(rows, _with_plants(rows, plants), checks, climate)
    return Register(rows, climate, log.identity())


def _fetch(session: Any, query: str, given: dict[str, Any]) -> list[tuple[Any, ...]]:
    """The driver's own tuples: objects made of them cost as much again."""
    found: list[tuple[Any, ...]] = session.execute(text(query), given).cursor.fetchall()
    return found


def _with_plants(rows: pd.DataFrame, plants: Sequence[Any]) -> list[tuple[int, str, float, float]]:
    """Fills species and plot from the plants that the tags name; returns their sizes: row, day, stem [mm], leader [mm]."""
    rows["plot"] = ""
    if not plants:
        return []
    known = {(site, tag): told for site, tag, *told in plants}
    sizes, species, plots = [], rows["species"].tolist(), [""] * len(rows)
    for place, key in enumerate(zip(rows["site"], rows["plant"], strict=True)):
        if (told := known.get(key)) is not None:
            kind, stem, leader, plots[place], saved_at = told
            species[place] = species[place] or kind
            sizes.append((place, saved_at[:10], _float(stem), _float(leader)))
    rows["species"], rows["plot"] = species, plots
    return sizes


def _float(value: Any) -> float:
    return math.nan if value is None else float(value)


def _with_outlook(rows: pd.DataFrame, sizes: list[tuple[int, str, float, float]], checks: Sequence[Any],
                  climate: str) -> None:
    """Adds the columns of a Register to the rows."""
    position = {key: place for place, key in enumerate(rows["id"])}
    barrier, day, finding, stem, leader, alone, firm = zip(*checks, strict=True) if checks else ((),) * 7
    of_check = np.array([position.get(key, -1) for key in barrier], int)
    rows["finding"] = _last(rows, of_check, finding, "")
    rows["found_on"] = _last(rows, of_check, day, None)
    rows["stands_alone"] = _last(rows, of_check, alone, None)
    rows["bark_safe"] = _last(rows, of_check, firm, None)
    south = rows["south"].to_numpy(bool)
    built = rows["built"].fillna(rows["saved_at"].str[:10]).to_numpy("datetime64[D]")
    code, makes = _makes(rows)
    columns = list(zip(*sizes, strict=True)) if sizes else [(), (), (), ()]
    where = np.concatenate([np.array(columns[0], int), of_check])
    when = np.concatenate([np.array(columns[1], "datetime64[D]"), np.array(day, "datetime64[D]")])
    planted, kin = forms()["planted"], _kin(rows["site"], code)
    told = {}
    for what, seen, start, sigma in (("stem", columns[2] + stem, planted["stem_mm"], CALIPER_MM),
                                     ("leader", columns[3] + leader, planted["leader_mm"], STAFF_MM)):
        rates = np.array([(rate.least, rate.middle, rate.most) for rate in (getattr(make, what) for make in makes)])
        told[what] = _grown(rates[code], kin, where, when, np.array(seen, float), built, start, sigma, climate, south)
    stem_mm, start_of_stem, stem_rates, measured = told["stem"]
    leader_mm, start_of_leader, leader_rates, _ = told["leader"]
    rows["stem_mm"], rows["leader_mm"] = stem_mm[:, 1], leader_mm[:, 1]
    any_size = np.array([bool(trait(make.form, "any_size")) for make in makes])[code]
    rows["guessed"] = ~measured
    rows["measured"] = measured | (rows["built"].notna() & ~any_size)
    rows["culprits"] = [makes[one].culprits for one in code]
    rows["name"] = [makes[one].name for one in code]
    rows["snow_mm"] = [makes[one].snow_mm for one in code]
    limit, reach, safe_at = _limits(rows, code, makes, stem_mm[:, 1])
    known = rows["measured"].to_numpy(bool)[:, None]
    falling = stem_rates[:, ::-1]
    tight = np.where(known, reached(start_of_stem, stem_mm[:, ::-1], limit, falling), np.inf)
    tenth = np.where(known, reached(start_of_stem, stem_mm[:, 2:], limit, with_tenth(stem_rates)[:, 2:3]), np.inf)
    safe = np.maximum(reached(start_of_leader, leader_mm[:, ::-1], reach, leader_rates[:, ::-1]),
                      reached(start_of_stem, stem_mm[:, ::-1], safe_at, falling))
    safe = np.where(known, safe, np.inf)
    for name, seasons in (("tight", tight), ("widen", season_start(tight)), ("safe", safe)):
        days = dates_of(seasons, climate, south[:, None])
        for place, part in enumerate(_PARTS):
            rows[f"{name}_{part}"] = days[:, place].astype("datetime64[s]")
    rows["tight_tenth"] = dates_of(tenth[:, 0], climate, south).astype("datetime64[s]")
    rows["swap"] = no_safe_winter(tight[:, 0], safe[:, -1])
    # a guard that went up since then has had its one winter's work: it is made wider in the next
    first = np.floor(season_count(built, climate, south) + 1e-9) + 1 + 2e-9
    rows["act_by"] = dates_of(np.maximum(season_start(tight[:, 0]), first), climate, south).astype("datetime64[s]")


def _kin(sites: pd.Series, code: np.ndarray) -> np.ndarray:
    """A number for each planting and make."""
    numbers: dict[Any, int] = {}
    return np.array([numbers.setdefault(key, len(numbers)) for key in zip(sites, code.tolist(), strict=True)], int)


def _last(rows: pd.DataFrame, where: np.ndarray, values: Sequence[Any], otherwise: Any) -> pd.Series:
    """The newest of the checks' values that is told, a row each; the checks stand oldest first."""
    found = np.full(len(rows), otherwise, object)
    told = np.array([value is not None for value in values], bool) & (where >= 0)
    found[where[told]] = np.array(values, object)[told]  # of several for one row the last one stands
    return pd.Series(found, rows.index, dtype=object)


def _makes(rows: pd.DataFrame) -> tuple[np.ndarray, list[_Make]]:
    """For each row the number of its make, and the makes."""
    numbers: dict[Any, int] = {}
    texts = [told if isinstance(told, str) else json.dumps(told) for told in rows["figures"]]
    code = [numbers.setdefault(key, len(numbers)) for key in zip(rows["form"], rows["species"], texts, strict=True)]
    return np.array(code), [_make(*key) for key in numbers]


def _make(form: str, species: str, told: str) -> _Make:
    """What such barriers share; where a log holds what this tool does not know, what is usual stands instead."""
    figures = json.loads(told or "{}")
    culprits, snow_mm, vigour = (figures.get(name) for name in ("culprits", "snow_mm", "vigour"))
    against = tuple(map(str, culprits)) if isinstance(culprits, list) and culprits else ("deer_browsing",)
    own = known_form(form)
    stem, leader = usual(own, species, vigour if vigour in VIGOURS else "usual")
    depth = float(snow_mm) if isinstance(snow_mm, int | float) and 0 <= snow_mm <= SNOW_LIMIT_MM else 0.0
    return _Make(own, name_of(form, figures), against, depth, stem, leader)


def _grown(rates: np.ndarray, kin: np.ndarray, where: np.ndarray, when: np.ndarray, seen: np.ndarray, built: np.ndarray,
           start_mm: Sequence[float], sigma_mm: float, climate: str, south: np.ndarray,
           ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Newest size (n, 3), thin to stout [mm], its season, rates (n, 3) slowest first, and whether it was measured.

    where, when, seen : (m,) rows, days and sizes of the measurements, the oldest of a row first; NaN where none.
    """
    use = (where >= 0) & ~np.isnan(seen)
    where, when, seen = where[use], when[use], seen[use]
    order = np.argsort(when, kind="stable")
    where, when, seen = where[order], when[order], seen[order]
    seasons = season_count(when, climate, south[where])
    size, begin = np.tile(np.asarray(start_mm, float), (len(rates), 1)), season_count(built, climate, south)
    size[where], begin[where] = seen[:, None], seasons
    measured = np.zeros(len(rates), bool)
    measured[where] = True
    of_kin = rates_of_kin(rates, kin, where, seasons, seen, sigma_mm)
    return size, begin, measured_rates(of_kin, where, seasons, seen, sigma_mm), measured


def _limits(rows: pd.DataFrame, code: np.ndarray, makes: list[_Make],
            stem_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Stem at which it is tight, leader that is out of reach, stem that is safe and stands alone, a row each [mm]."""
    limit, inner = np.empty(len(rows)), rows["inner_mm"].to_numpy(float)
    for number, make in enumerate(makes):
        of_make = code == number
        limit[of_make] = tight_at_mm(make.form, inner[of_make])
    reach = np.array([reach_mm(make.culprits, make.snow_mm) for make in makes])[code]
    by_look = {look: np.array([alone_mm(make.form, look) for make in makes]) for look in (None, True, False)}
    looked = [None if look is None else bool(look) for look in rows["stands_alone"]]
    alone = np.array([by_look[look][number] for look, number in zip(looked, code, strict=True)])
    did_not = np.array([look is False for look in looked]) & (alone > 0)
    alone = np.where(did_not, np.maximum(alone, stem_mm + THICKER_MM), alone)
    bark = np.array([0.0 if trait(make.form, "leader_only") else bark_safe_mm(make.culprits) for make in makes])[code]
    return limit, reach, np.maximum(np.where(rows["bark_safe"].to_numpy(object).astype(bool), 0.0, bark), alone)
