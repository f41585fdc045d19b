"""What is due here, now, and in which order is it walked?

Alarms stand on top: a barrier that touches or strangles a stem, or has less than 25 mm left; wire grown in. Then what is
overdue: barriers that must be widened or off before the stem fills them, findings that nobody mended, barriers that
nobody looked at for a year. Then what comes up, what may come off, and the work of the season.
"""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from sqlalchemy import text

from diagnose.cannot_use import CannotUse
from diagnose.protect.requirement import caution_text
from diagnose.upkeep.growth import VIGOURS, Rate, measured_rates, season_count
from diagnose.upkeep.outlook import (
    FAR,
    alone_mm,
    bark_safe_mm,
    dates_of,
    forms,
    reach_mm,
    reached,
    season_start,
    tight_at_mm,
    trait,
    usual,
    waits_for,
)
from diagnose.upkeep.season import of_month

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

LOOK_EVERY_MONTHS = 12  # every barrier is looked at once a year (SALEM: check yearly)
SOON_MONTHS = 3  # what must be done before the coming season is told a quarter of a year ahead; our choice
IN_SIGHT_YEARS = 30  # a cage that closes later than so long after its plant is safe is not spoken of; our choice
CALIPER_MM, STAFF_MM = 1.5, 30.0  # standard errors of a stem's diameter and a leader's height in the field; from memory
CLASSES = ("alarm", "overdue", "soon", "may come off", "season")
_UNMENDED = ("leaning", "damaged", "gnawed", "missing")
_TIGHT = ("too tight", "touching the stem")
_PARTS = ("early", "likely", "late")


class Item(NamedTuple):
    """One thing to do. kind : of CLASSES. barrier : its id, empty for work of a whole site. act_by : ISO day or empty.

    lat, lon [degree], error_m [m], None when not known. pieces : barriers, or metres of a fence.
    """

    kind: str
    site: str
    barrier: str
    label: str
    what: str
    why: str
    act_by: str
    caution: str
    lat: float | None
    lon: float | None
    error_m: float | None
    pieces: float

    def as_json(self) -> dict[str, Any]:
        return self._asdict()


class _Make(NamedTuple):
    """What barriers of one form, species and purpose share: computed once for all of them."""

    form: str
    culprits: tuple[str, ...]
    snow_mm: float
    stem: Rate
    leader: Rate


@dataclass(frozen=True)
class Register:
    """Every standing barrier with what is known of it.

    rows : a row each: id, site, plant, label, form, built, inner_mm, culprits, finding, found_on, stem_mm, leader_mm,
    and tight_, widen_ and safe_ with early, likely and late (see outlook.Outlook; FAR where not in sight or unknown),
    swap, guessed (did nobody measure the stem?), measured (is its size known, or that it was a seedling?), south.
    log : the identity of the log that it is from.
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
select site, tag, species, stem_diameter_mm, height_mm, saved_at from plant where deleted = {no} and tag <> '' {site}
order by saved_at
"""


def standing(log: Log, climate: str = "mild", south: bool | None = None, site: str | None = None) -> Register:
    """Every barrier that stands, with the newest of what its checks and its plant tell, and its outlook.

    south : south of the equator; None to take it from each barrier's latitude (north where that is not known).
    """
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
    """Fills species from the plants that the tags name; returns their sizes: row, day, stem [mm], leader [mm]."""
    if not plants:
        return []
    known = {(site, tag): told for site, tag, *told in plants}
    sizes, species = [], rows["species"].tolist()
    for place, key in enumerate(zip(rows["site"], rows["plant"], strict=True)):
        if (told := known.get(key)) is not None:
            kind, stem, leader, saved_at = told
            species[place] = species[place] or kind
            sizes.append((place, saved_at[:10], _float(stem), _float(leader)))
    rows["species"] = species
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
    planted = forms()["planted"]
    told = {}
    for what, seen, start, sigma in (("stem", columns[2] + stem, planted["stem_mm"], CALIPER_MM),
                                     ("leader", columns[3] + leader, planted["leader_mm"], STAFF_MM)):
        rates = np.array([(rate.least, rate.middle, rate.most) for rate in (getattr(make, what) for make in makes)])
        told[what] = _grown(rates[code], where, when, np.array(seen, float), built, float(start), sigma, climate, south)
    stem_mm, start_of_stem, stem_rates, measured = told["stem"]
    leader_mm, start_of_leader, leader_rates, _ = told["leader"]
    rows["stem_mm"], rows["leader_mm"] = stem_mm, leader_mm
    any_size = np.array([bool(trait(make.form, "any_size")) for make in makes])[code]
    rows["guessed"] = ~measured
    rows["measured"] = measured | (rows["built"].notna() & ~any_size)
    rows["culprits"] = [makes[one].culprits for one in code]
    limit, reach, safe_at = _limits(rows, code, makes)
    tight = np.where(rows["measured"].to_numpy(bool)[:, None], reached(start_of_stem, stem_mm, limit, stem_rates), np.inf)
    safe = np.maximum(reached(start_of_leader, leader_mm, reach, leader_rates),
                      reached(start_of_stem, stem_mm, safe_at, stem_rates))
    safe = np.where(rows["measured"].to_numpy(bool)[:, None], safe, np.inf)
    for name, seasons in (("tight", tight), ("widen", season_start(tight)), ("safe", safe)):
        days = dates_of(seasons, climate, south[:, None])
        for place, part in enumerate(_PARTS):
            rows[f"{name}_{part}"] = days[:, place].astype("datetime64[s]")
    rows["swap"] = (rows["tight_early"] < rows["safe_late"]) & (rows["tight_early"] < pd.Timestamp(FAR))


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
    form = form if form in forms()["forms"] else "other"
    stem, leader = usual(form, species, vigour if vigour in VIGOURS else "usual")
    return _Make(form, against, float(snow_mm) if isinstance(snow_mm, int | float) else 0.0, stem, leader)


def _grown(rates: np.ndarray, where: np.ndarray, when: np.ndarray, seen: np.ndarray, built: np.ndarray, start_mm: float,
           sigma_mm: float, climate: str, south: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Newest size [mm], its season, rates (n, 3) fastest first, and whether it was measured.

    where, when, seen : (m,) rows, days and sizes of the measurements, the oldest of a row first; NaN where none.
    """
    use = (where >= 0) & ~np.isnan(seen)
    where, when, seen = where[use], when[use], seen[use]
    order = np.argsort(when, kind="stable")
    where, when, seen = where[order], when[order], seen[order]
    seasons = season_count(when, climate, south[where])
    size, begin = np.full(len(rates), start_mm), season_count(built, climate, south)
    size[where], begin[where] = seen, seasons
    measured = np.zeros(len(rates), bool)
    measured[where] = True
    return size, begin, measured_rates(rates, where, seasons, seen, sigma_mm)[:, ::-1], measured


def _limits(rows: pd.DataFrame, code: np.ndarray, makes: list[_Make]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Stem at which it is tight, leader that is out of reach, stem that is safe and stands alone, a row each [mm]."""
    limit, inner = np.empty(len(rows)), rows["inner_mm"].to_numpy(float)
    for number, make in enumerate(makes):
        of_make = code == number
        limit[of_make] = tight_at_mm(make.form, inner[of_make])
    reach = np.array([reach_mm(make.culprits, make.snow_mm) for make in makes])[code]
    by_look = {look: np.array([alone_mm(make.form, look) for make in makes]) for look in (None, True, False)}
    looked = [None if look is None else bool(look) for look in rows["stands_alone"]]
    alone = np.array([by_look[look][number] for look, number in zip(looked, code, strict=True)])
    bark = np.array([bark_safe_mm(make.culprits) for make in makes])[code]
    return limit, reach, np.maximum(np.where(rows["bark_safe"].to_numpy(object).astype(bool), 0.0, bark), alone)


def due(log: Log, on: date, climate: str = "mild", south: bool | None = None, site: str | None = None,
        start: tuple[float, float] | None = None) -> list[Item]:
    """What is due on a day: alarms and what is overdue first, each class in walking order.

    start : latitude, longitude where the walk begins [degree]; None for the south-westernmost barrier.
    """
    return due_of(standing(log, climate, south, site), on, start)


def due_of(register: Register, on: date, start: tuple[float, float] | None = None) -> list[Item]:
    """What is due on a day of a register that was read."""
    rows = register.rows
    if rows.empty:
        return []
    today, month = np.datetime64(on), np.datetime64(on, "M").astype(int)
    soon = (np.datetime64(on, "M") + SOON_MONTHS + 1).astype("datetime64[D]")
    look = next_looks(rows)
    tight_by_growth = rows["tight_likely"].to_numpy("datetime64[D]") <= today
    alarm = rows["finding"].isin(_TIGHT).to_numpy() | rows["embedded"].to_numpy(bool) | tight_by_growth
    rest = ~alarm
    unmended = rows["finding"].isin(_UNMENDED).to_numpy() & rest
    widen = rows["widen_early"].to_numpy("datetime64[D]")
    late = (widen <= today) & rest
    closing = np.array([_closes(form) for form in rows["form"]])
    unmeasured = ~rows["measured"].to_numpy(bool) & closing & rest
    overdue = unmended | late | unmeasured | ((look < month) & rest)
    coming = (((widen < soon) & ~late) | (look == month)) & rest & ~overdue
    off = (rows["safe_likely"].to_numpy("datetime64[D]") <= today) & rest & ~unmended
    items: list[Item] = []
    for kind, chosen in (("alarm", alarm), ("overdue", overdue), ("soon", coming), ("may come off", off & ~late)):
        places = walk_order(rows, np.flatnonzero(chosen), start)
        reasons = {name: flag[places].tolist() for name, flag in (
            ("late", late | (widen < soon)), ("unmended", unmended), ("unmeasured", unmeasured), ("off", off))}
        items += _items(kind, rows, places, reasons)
    return items + _season(register, on)


def next_looks(rows: pd.DataFrame) -> np.ndarray:
    """The month in which each barrier is to be looked at again, counted from January 1970."""
    seen = np.array([look or built or saved[:10] for look, built, saved in
                     zip(rows["found_on"], rows["built"], rows["saved_at"], strict=True)], "datetime64[D]")
    months: np.ndarray = seen.astype("datetime64[M]").astype(int) + LOOK_EVERY_MONTHS
    return months


_NEAREST_TO = 40  # more than so many are walked in strips, to and fro: always-the-nearest takes the square of the time


def walk_order(rows: pd.DataFrame, places: np.ndarray, start: tuple[float, float] | None = None) -> np.ndarray:
    """The places (numbers of rows, sorted by site) in the order of a walk, site by site; those without a position
    last. start : latitude, longitude [degree]."""
    if not len(places):
        return places
    lat, lon = rows["lat"].to_numpy(float)[places], rows["lon"].to_numpy(float)[places]
    sites = rows["site"].to_numpy(object)[places]
    ends = np.flatnonzero(sites[1:] != sites[:-1]) + 1
    order = []
    for part in np.split(np.arange(len(places)), ends):
        placed = part[~np.isnan(lat[part] + lon[part])]
        order += [placed[_walk(lat[placed], lon[placed], start)], part[np.isnan(lat[part] + lon[part])]]
    return places[np.concatenate(order)]


def _walk(lat: np.ndarray, lon: np.ndarray, start: tuple[float, float] | None) -> np.ndarray:
    """Indices of the points in walking order: always to the nearest that is left, or in strips where they are many."""
    if len(lat) < 2:
        return np.arange(len(lat))
    narrow = math.cos(math.radians(float(lat.mean())))
    east, north = lon * narrow, lat
    if len(lat) > _NEAREST_TO:
        height = max(float(np.ptp(north)), 1e-12)
        strip = np.floor((north - north.min()) / height * math.sqrt(len(lat) / 3)).astype(int)
        return np.lexsort((np.where(strip % 2 == 0, east, -east), strip))
    here = int(np.argmin(east + north if start is None else np.hypot(east - start[1] * narrow, north - start[0])))
    far = np.hypot(east[:, None] - east, north[:, None] - north)
    order = [here]
    for _ in range(len(lat) - 1):
        far[:, here] = np.inf
        here = int(np.argmin(far[here]))
        order.append(here)
    return np.array(order)


_TOLD = ("id", "site", "plant", "label", "form", "built", "embedded", "finding", "found_on", "guessed", "swap", "lat", "lon",
         "error_m", "pieces", "stands_alone", "bark_safe", "figures")


def _items(kind: str, rows: pd.DataFrame, places: np.ndarray, reasons: dict[str, list[bool]]) -> list[Item]:
    """An item for each of the places, in their order."""
    if not len(places):
        return []
    some = rows.iloc[places]
    columns = [some[name].tolist() for name in _TOLD]
    days = [some[name].to_numpy("datetime64[D]").tolist() for name in ("tight_early", "tight_likely", "widen_early",
                                                                       "safe_likely")]
    items = []
    for number, (values, dates) in enumerate(zip(zip(*columns, strict=True), zip(*days, strict=True), strict=True)):
        row = dict(zip(_TOLD, values, strict=True))
        why_now = {name: flags[number] for name, flags in reasons.items()}
        what, why, act_by, caution = _words(kind, row, why_now, *dates)
        items.append(Item(kind, row["site"], row["id"], row["label"] or row["plant"] or row["id"][:8], what, why,
                          "" if act_by is None or act_by >= FAR else act_by.isoformat(), caution, _known(row["lat"]),
                          _known(row["lon"]), _known(row["error_m"]), _known(row["pieces"]) or 1.0))
    return items


def _known(value: Any) -> float | None:
    return None if value is None or value != value else float(value)


@cache
def _month(day: date) -> str:
    return f"{day:%b %Y}"


def _words(kind: str, row: dict[str, Any], now: dict[str, bool], tight: date, tight_likely: date, widen: date,
           safe: date) -> tuple[str, str, date | None, str]:
    """What is to be done, why, by when, and what to mind."""
    form, said = row["form"], forms()["cautions"]
    care = _cautions(form)
    if kind == "alarm":
        if row["embedded"]:
            return (f"Grown into the stem: leave the embedded {form}, free the rest, mark the tree",
                    "registered as embedded; mark it removed when that is done, the metal stays on the map", None,
                    f"{said['embedded']} {said['saw']}")
        why = f"found {row['finding']} on {row['found_on']}" if row["finding"] in _TIGHT else \
            f"by its growth less than 25 mm are likely left since {_month(tight_likely)}{_reckoned(row)}"
        return f"Open, widen or take off the {form} today", why, None, care
    if kind == "may come off":
        in_sight = tight.year - safe.year < IN_SIGHT_YEARS
        closes = f"; it may be tight by {_month(tight)}" if in_sight else ""
        return (f"Try whether the {form} may come off: {_conditions(row)}", f"likely safe since {_month(safe)}{closes}",
                widen if in_sight else None, care)
    told = []
    if now["unmended"]:
        told.append((f"mend or replace the {form}", f"found {row['finding']} on {row['found_on']}"))
    if now["late"]:
        how = "widen it, or swap it for a cage or a trunk guard" if row["swap"] else "take it off"
        told.append((how if now["unmended"] else how.replace("it", f"the {form}", 1),
                     f"growth may close it from {_month(tight)} on, likely by {_month(tight_likely)}{_reckoned(row)}"))
    if now["unmeasured"]:
        unknown = "nobody knows how old it is or" if row["built"] is None else "nobody measured"
        told.append((f"measure the stem in the {form}", f"{unknown} how thick the stem was"))
    if not told:
        last = row["found_on"] or row["built"] or "it was registered"
        measure = " and measure the stem" if _closes(form) else ""
        told.append((f"look at the {form}{measure}", f"nobody looked since {last}"))
    what, why = "; ".join(do for do, _ in told), "; ".join(reason for _, reason in told)
    return what[0].upper() + what[1:], why, widen if now["late"] else None, care


def _reckoned(row: dict[str, Any]) -> str:
    return "; nobody measured the stem, this is reckoned from a planted seedling" if row["guessed"] else ""


@cache
def _closes(form: str) -> bool:
    return bool(trait(form if form in forms()["forms"] else "other", "closed"))


@cache
def _cautions(form: str) -> str:
    """What to mind at a barrier of this form."""
    said = forms()["cautions"]
    form = form if form in forms()["forms"] else "other"
    lines = [said["live"]] if trait(form, "live") else []
    lines += [said["tube"], caution_text("hantavirus"), said["tube_width"]] if trait(form, "tube") else []
    lines += [said["wire"]] if "wire" in (trait(form, "hard") or "") else []
    return " ".join(lines)


def _conditions(row: dict[str, Any]) -> str:
    make = _make(row["form"], "", row["figures"] if isinstance(row["figures"], str) else json.dumps(row["figures"]))
    lines = waits_for(make.form, make.culprits, make.snow_mm, row["stands_alone"], row["bark_safe"])
    return "only when " + " and ".join(lines) if lines else "nothing more is asked of the plant"


def _season(register: Register, on: date) -> list[Item]:
    """The month's work, an item a site and task, urgent work first."""
    rows = register.rows
    counts: dict[tuple[str, bool], dict[tuple[str, tuple[str, ...]], float]] = {}
    pieces = np.nan_to_num(rows["pieces"].to_numpy(float), nan=1.0)
    for site, south, form, culprits, many in zip(rows["site"], rows["south"], rows["form"], rows["culprits"], pieces,
                                                 strict=True):
        kinds = counts.setdefault((site, south), {})
        kinds[form, culprits] = kinds.get((form, culprits), 0.0) + float(many)
    items = []
    for (site, south), kinds in sorted(counts.items()):
        for task in of_month(on.month, register.climate, bool(south)):
            fits = {kind: many for kind, many in kinds.items() if task.is_for(*kind)}
            if not fits:
                continue
            guards = sum(many for (form, _), many in fits.items() if "fence" not in form)
            which = f"{guards:.0f} barriers" if guards and not task.for_the_whole else ""
            items.append(Item("season", site, "", which, task.what, f"{'cannot wait; ' if task.urgent else ''}source: "
                              f"{task.source}", "", task.caution, None, None, None, guards))
    return sorted(items, key=lambda item: (item.site, not item.why.startswith("cannot")))


def read_place(given: str) -> tuple[float, float]:
    """Latitude and longitude from `46.1,-71.6`. Raises CannotUse."""
    try:
        lat, lon = (float(part) for part in given.split(","))
    except ValueError:
        raise CannotUse(f"'{given}' is no place; write latitude,longitude in degrees") from None
    return lat, lon
