"""What is due here, now, and in which order is it walked?

Alarms stand on top: a barrier that touches or strangles a stem, wire grown in. Then what is overdue: barriers that must
be widened or off before the stem fills them, findings that nobody mended, barriers that nobody looked at for a year.
Then what may come off, and the work of the season.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from sqlalchemy import text

from diagnose.cannot_use import CannotUse
from diagnose.upkeep.growth import Rate, default_rate, measured_rate, season_count
from diagnose.upkeep.outlook import UNKNOWN_LEADER_MM, UNKNOWN_STEM_MM, trait, when_many
from diagnose.upkeep.register import EMBEDDED
from diagnose.upkeep.season import of_month

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

LOOK_EVERY_DAYS = 365  # every barrier is looked at once a year (SALEM: check yearly)
SOON_DAYS = 92  # what must be done before the coming season is told a quarter of a year ahead; our choice
CALIPER_MM = 1.5  # standard error of a stem's diameter in the field, of a leader's height ten times that; from memory
CLASSES = ("alarm", "overdue", "soon", "may come off", "season")
SAW = "Old wire may hide in the bark or the litter: no saw and no mower at its height; look and feel first."
_UNMENDED = ("leaning", "damaged", "gnawed", "missing")
_TIGHT = ("too tight", "touching the stem")


@dataclass(frozen=True)
class Item:
    """One thing to do. kind : of CLASSES. barrier : its id, empty for work of a whole site. act_by : ISO day."""

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
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


_BARRIERS = """
select b.id, b.site, b.plant, b.label, b.form, b.material, b.species, b.built, b.lat, b.lon, b.error_m, b.pieces,
       b.inner_mm, b.figures, b.found, b.embedded, b.saved_at
from barrier b where b.deleted = {no} and b.removed is null {site} order by b.site, b.label, b.id
"""
_CHECKS = """
select c.barrier, c.day, c.finding, c.stem_diameter_mm, c.height_mm, c.stands_alone, c.bark_safe
from "check" c where c.deleted = {no} order by c.barrier, c.day, c.saved_at
"""
_PLANTS = """
select p.site, p.tag, p.species, p.stem_diameter_mm, p.height_mm, p.saved_at
from plant p where p.deleted = {no} and p.tag <> '' order by p.saved_at
"""


def standing(log: Log, site: str | None = None) -> pd.DataFrame:
    """Every barrier that stands, with the newest of what its checks and its plant tell, a row each."""
    no = "0" if log.engine.dialect.name == "sqlite" else "false"
    of_site, given = ("and b.site = :site", {"site": site}) if site is not None else ("", {})
    with log.reading() as session:
        barriers = _table(session, _BARRIERS.format(no=no, site=of_site), given)
        checks = _table(session, _CHECKS.format(no=no), {})
        plants = _table(session, _PLANTS.format(no=no), {})
    barriers["figures"] = barriers["figures"].map(_read)
    return _with_checks(_with_plants(barriers, plants), checks)


def _table(session: Any, query: str, given: dict[str, Any]) -> pd.DataFrame:
    found = session.execute(text(query), given)
    return pd.DataFrame(found.fetchall(), columns=list(found.keys()))


def _read(figures: Any) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(figures) if isinstance(figures, str) else figures or {}
    return read


def _with_plants(barriers: pd.DataFrame, plants: pd.DataFrame) -> pd.DataFrame:
    """Species and first sizes from the plant that a barrier's tag names."""
    known = plants.drop_duplicates(["site", "tag"], keep="last").rename(columns={
        "tag": "plant", "species": "plant_species", "stem_diameter_mm": "plant_stem_mm", "height_mm": "plant_leader_mm",
        "saved_at": "plant_day"})
    rows = barriers.merge(known, how="left", on=["site", "plant"])
    species = rows["species"].where(rows["species"] != "", rows["plant_species"])
    rows["species"] = species.where(species.notna(), "")
    return rows


def _with_checks(rows: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    last = checks.groupby("barrier", sort=False).last() if len(checks) else checks.set_index("barrier")
    for name in ("day", "finding", "stands_alone", "bark_safe"):
        rows[name] = rows["id"].map(last[name])
    measured = checks[checks["stem_diameter_mm"].notna() | checks["height_mm"].notna()]
    rows["sizes"] = rows["id"].map({str(key): group for key, group in measured.groupby("barrier", sort=False)})
    return rows


def outlooks(rows: pd.DataFrame, climate: str = "mild", south: bool = False) -> pd.DataFrame:
    """The rows with their outlook beside them (see outlook.when_many)."""
    inputs = pd.DataFrame({
        "form": rows["form"], "inner_mm": rows["inner_mm"].astype(float),
        "culprits": [tuple(each.get("culprits", ("deer_browsing",))) for each in rows["figures"]],
        "snow_mm": [float(each.get("snow_mm", 0.0)) for each in rows["figures"]],
        "stands_alone": rows["stands_alone"], "bark_safe": rows["bark_safe"],
        "stem_mm": rows["plant_stem_mm"].astype(float).fillna(UNKNOWN_STEM_MM),
        "leader_mm": rows["plant_leader_mm"].astype(float).fillna(UNKNOWN_LEADER_MM),
        "measured_on": pd.to_datetime(rows["plant_day"].str[:10].where(rows["plant_stem_mm"].notna())
                                      .fillna(rows["built"]).fillna(rows["saved_at"].str[:10])),
    }, index=rows.index)
    vigours = [each.get("vigour", "usual") for each in rows["figures"]]
    kinds = list(zip(rows["form"], rows["species"], vigours, strict=True))
    known = {kind: _usual(*kind) for kind in set(kinds)}
    rates = pd.DataFrame([known[kind] for kind in kinds], index=rows.index, columns=_RATE_COLUMNS)
    inputs = pd.concat([inputs, rates], axis=1)
    for place in np.flatnonzero(rows["sizes"].notna().to_numpy()):
        _measured(inputs, rows.index[place], rows["sizes"].iloc[place], climate, south)
    return pd.concat([rows, inputs[["culprits", "snow_mm", "stem_mm", "leader_mm", "measured_on"]],
                      when_many(inputs, climate, south)], axis=1)


_RATE_COLUMNS = [f"{what}_{part}" for what in ("stem", "leader") for part in ("least", "middle", "most")]


def _usual(form: str, species: str, vigour: str) -> list[float]:
    rates = [default_rate(what, species, vigour, bool(trait(form, "tube"))) for what in ("stem", "leader")]
    return [value for rate in rates for value in (rate.least, rate.middle, rate.most)]


def _measured(inputs: pd.DataFrame, at: Any, sizes: pd.DataFrame, climate: str, south: bool) -> None:
    """What the checks measured stands over what is usual: the newest size, and the rate from two or more."""
    first = inputs.at[at, "measured_on"], inputs.at[at, "stem_mm"], inputs.at[at, "leader_mm"]
    for what, column, sigma in (("stem", "stem_diameter_mm", CALIPER_MM), ("leader", "height_mm", 10 * CALIPER_MM)):
        told = sizes[sizes[column].notna()]
        if told.empty:
            continue
        days = pd.to_datetime(told["day"]).tolist()
        values = told[column].astype(float).tolist()
        known = first[1] if what == "stem" else first[2]
        if days[0] > first[0] and known not in (UNKNOWN_STEM_MM, UNKNOWN_LEADER_MM):
            days, values = [first[0], *days], [known, *values]
        usual = Rate(*(float(inputs.at[at, f"{what}_{part}"]) for part in ("least", "middle", "most")), how="default")
        rate = measured_rate(usual, season_count(np.array(days, "datetime64[D]"), climate, south).tolist(), values, sigma)
        for part in ("least", "middle", "most"):
            inputs.at[at, f"{what}_{part}"] = getattr(rate, part)
        inputs.at[at, f"{what}_mm"] = values[-1]
        if what == "stem":
            inputs.at[at, "measured_on"] = days[-1]


def due(log: Log, on: date, climate: str = "mild", south: bool = False, site: str | None = None,
        start: tuple[float, float] | None = None) -> list[Item]:
    """What is due on a day: alarms and what is overdue first, each class in walking order.

    start : latitude, longitude where the walk begins [degree]; None for the first barrier that has a position.
    """
    rows = standing(log, site)
    if rows.empty:
        return [] if site is None else _season(rows, on, climate, south, site)
    rows = outlooks(rows, climate, south)
    today = np.datetime64(on).astype("datetime64[s]")
    soon = np.datetime64(on + timedelta(days=SOON_DAYS)).astype("datetime64[s]")
    alarm = rows["finding"].isin(_TIGHT) | rows["embedded"].astype(bool) | (rows["tight_early"] <= today)
    unmended = rows["finding"].isin(_UNMENDED)
    seen = pd.to_datetime(rows["day"]).fillna(pd.to_datetime(rows["built"])).fillna(pd.to_datetime(rows["saved_at"].str[:10]))
    unseen = seen < today - np.timedelta64(LOOK_EVERY_DAYS, "D")
    late = rows["widen_early"] <= today
    coming = (rows["widen_early"] <= soon) & ~late
    off = (rows["safe_likely"] <= today) & ~alarm
    items: list[Item] = []
    for kind, chosen in (("alarm", alarm), ("overdue", ~alarm & (unmended | unseen | late)),
                         ("soon", ~alarm & ~unmended & ~unseen & coming), ("may come off", off & ~unmended)):
        some = rows[chosen]
        flags = pd.DataFrame({"unmended": unmended, "late": late, "unseen": unseen})[chosen]
        items += [_item(kind, row, flag) for row, flag in
                  zip(walked(some, start), flags.loc[walk_order(some, start)].itertuples(), strict=True)]
    return items + _season(rows, on, climate, south, site)


def walk_order(rows: pd.DataFrame, start: tuple[float, float] | None = None) -> list[Any]:
    """The rows' labels in the order of a walk: site by site, always to the nearest that is left; without a position
    by what stands on them."""
    order: list[Any] = []
    for _, some in rows.groupby("site", sort=True):
        placed = some[some["lat"].notna() & some["lon"].notna()]
        order += _nearest_first(placed, start)
        order += list(some.index.difference(placed.index, sort=False))
    return order


_STRIPS_FROM = 2000  # more than so many are walked in strips, to and fro: always-the-nearest takes the square of the time


def _nearest_first(placed: pd.DataFrame, start: tuple[float, float] | None) -> list[Any]:
    if placed.empty:
        return []
    lat, lon = placed["lat"].to_numpy(float), placed["lon"].to_numpy(float)
    east, north = lon * math.cos(math.radians(float(lat.mean()))), lat
    if len(placed) > _STRIPS_FROM:
        strips = np.floor((north - north.min()) / max(np.ptp(north), 1e-12) * math.sqrt(len(placed) / 4)).astype(int)
        return list(placed.index[np.lexsort((np.where(strips % 2 == 0, east, -east), strips))])
    left = np.ones(len(placed), bool)
    here = 0 if start is None else int(np.argmin((north - start[0]) ** 2
                                                 + (east - start[1] * math.cos(math.radians(start[0]))) ** 2))
    order = []
    for _ in range(len(placed)):
        order.append(placed.index[here])
        left[here] = False
        far = np.where(left, (north - north[here]) ** 2 + (east - east[here]) ** 2, np.inf)
        here = int(np.argmin(far))
    return order


def walked(rows: pd.DataFrame, start: tuple[float, float] | None = None) -> list[Any]:
    """The rows as named tuples in walking order."""
    return list(rows.loc[walk_order(rows, start)].itertuples())


def _item(kind: str, row: Any, flag: Any) -> Item:
    what, why = _words(kind, row, flag)
    caution = EMBEDDED if row.embedded else SAW if kind in ("alarm", "may come off") and trait(row.form, "metal") else ""
    act_by = row.tight_early if kind == "may come off" else row.widen_early if kind == "soon" or flag.late else pd.NaT
    return Item(kind, row.site, row.id, row.label or row.plant or row.id[:8], what, why, _iso(act_by), caution,
                _number(row.lat), _number(row.lon), _number(row.error_m), 1.0 if _number(row.pieces) is None else row.pieces)


def _iso(day: Any) -> str:
    return "" if pd.isna(day) or day.year > 2190 else f"{day:%Y-%m-%d}"


def _number(value: Any) -> float | None:
    return None if value is None or value != value else float(value)


def _words(kind: str, row: Any, flag: Any) -> tuple[str, str]:
    """What is to be done, and why."""
    form = row.form
    if row.embedded:
        return f"Leave the embedded {form}, cut away what is free, mark the tree", "it is grown into the stem"
    if row.finding in _TIGHT:
        return f"Open or take off the {form} today", f"found {row.finding} on {row.day}"
    if kind == "alarm":
        return f"Open or take off the {form} today", f"by its growth it may be tight since {row.tight_early:%b %Y}"
    if flag.unmended:
        return f"Mend or replace the {form}", f"found {row.finding} on {row.day}"
    if kind == "may come off":
        left = "" if row.tight_early.year > 2190 else f"; it must be off by {row.tight_early:%b %Y} at the latest"
        return f"Try whether the {form} may come off", f"the plant is likely safe since {row.safe_likely:%b %Y}{left}"
    if flag.late or kind == "soon":
        swap = "Widen or swap" if row.swap else "Take off"
        return f"{swap} the {form} before the next season", f"growth may close it by {row.tight_early:%b %Y}"
    return f"Look at the {form}", "nobody looked at it for a year"


def _season(rows: pd.DataFrame, on: date, climate: str, south: bool, site: str | None) -> list[Item]:
    """The month's work, an item a site and task."""
    items = []
    kinds = [] if rows.empty else list(rows.groupby(["site", "form", rows["culprits"].map(tuple)], sort=True))
    sites: Sequence[str] = sorted(set(rows["site"])) if len(rows) else [site or ""]
    for task in of_month(on.month, climate, south):
        for where in sites:
            for_it = [(form, some) for (at, form, culprits), some in kinds if at == where and task.is_for(form, culprits)]
            if not for_it and not (task.for_the_whole and not task.forms):
                continue
            count = sum(float(some["pieces"].fillna(1.0).sum()) for form, some in for_it if "fence" not in form)
            whole = "" if task.for_the_whole or not count else f"{count:.0f} barriers"
            items.append(Item("season", where, "", whole, task.what, task.source, "", task.caution, None, None, None, count))
    return sorted(items, key=lambda item: item.site)


def read_place(given: str) -> tuple[float, float]:
    """Latitude and longitude from `46.1,-71.6`. Raises CannotUse."""
    try:
        lat, lon = (float(part) for part in given.split(","))
    except ValueError:
        raise CannotUse(f"'{given}' is no place; write latitude,longitude in degrees") from None
    return lat, lon
