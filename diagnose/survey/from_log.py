"""How do a crew's entries get into the log, and out of it as a survey table with each wound's verdict beside it?

An entry is known by site, day, plot and tree: writing it again corrects it and keeps what stood before.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.survey.frame import SHARE, in_visits
from diagnose.survey.tally import TALLY, RefusedRow, framed, problems, read_tally

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

OTHERS = "others"
OF_A_PLAN = "laid by a plan"  # note of such plots: a later plan may move them
_DEGREES = "EPSG:4326"
_NAMED = 0.05  # a kind with a smaller share of all wounds is counted among the others: its own interval says nothing
_KEY = ("site", "visit", "plot", "tree")
_REST = tuple(field.name for field in TALLY if field.name not in _KEY)


class Entered(NamedTuple):
    """What came of entries that were given.

    Parameters
    ----------
    kept : int
        How many were new or changed [no unit].
    refused : list of RefusedRow
        Those that were not taken [no unit].
    """

    kept: int
    refused: list[RefusedRow]

    def __str__(self) -> str:
        return "\n".join([f"{self.kept} entries are kept in the log, {len(self.refused)} refused", *map(str, self.refused)])


def enter(log: Log, entries: Iterable[Mapping[str, Any]], by: str = "") -> Entered:
    """Keeps the entries that can be.

    Parameters
    ----------
    log
        The log that keeps them [no unit].
    entries
        Each a mapping of the tally's fields, see tally.py; each in the unit told there.
    by
        Initials of who enters them [no unit].

    Returns
    -------
    Entered
        Those that were refused are numbered from 1.
    """
    there = _there(log)
    new: list[dict[str, Any]] = []
    kept = 0
    refused: list[RefusedRow] = []
    for number, entry in enumerate(entries, 1):
        told = {field.name: _plain(entry.get(field.name)) for field in TALLY}
        if wrong := problems(told):
            refused.append(RefusedRow(number, " ".join(wrong), told))
            continue
        key = tuple(told[name] for name in _KEY)
        rest = {name: told[name] for name in _REST if told[name] != ""}
        old = there.get(key)
        if old is not None and old[1] == rest:
            continue
        kept += 1
        if old is not None:
            log.correct(old[0], by, "tally", entry=rest)
        else:
            new.append({"site": key[0], "day": key[1], "plot": key[2], "tree": key[3], "entry": rest, "by": by})
        there[key] = ("", rest)
    log.save_many("tally", new)
    return Entered(kept, refused)


def import_tally(log: Log, file: str | Path, by: str = "") -> Entered:
    """Keeps a filled tally's rows in the log; returns as `enter` does.

    Parameters
    ----------
    log
        The log that keeps them [no unit].
    file
        The tally as CSV [no unit].
    by
        Initials of who enters them [no unit].

    Raises
    ------
    CannotUse
        For a file that is no tally.
    """
    frame, refused = read_tally(file)
    kept, more = enter(log, frame.to_dict("records"), by)
    return Entered(kept, refused + more)


def keep_plots(log: Log, planned: Iterable[Mapping[str, Any]], by: str = "") -> list[str]:
    """Keeps a planting's planned plots, so that whatever is tallied on them later needs neither area nor place.

    What is not of an earlier plan stays as it is, and so does a plot of which anything was recorded. The others of an
    earlier plan go where this plan puts them, and are marked as deleted where this plan has fewer.

    Parameters
    ----------
    log
        The log that keeps them [no unit].
    planned
        As `planned_plots` of plan.py returns them, all of one planting: places in [degree], areas in [m2].
    by
        Initials of who planned [no unit].

    Returns
    -------
    list of str
        Names of planned plots that do not lie where this plan puts them, since one of that name stays as it was.
    """
    rows = {row["plot"]: {"site": row["site"], "name": row["plot"], "area_m2": float(row["plot_area_m2"]),
                          "lat": float(row["y"]), "lon": float(row["x"])} for row in planned}
    if not rows:
        return []
    site = next(iter(rows.values()))["site"]
    used = {name for kind in ("tally", "observation", "plant") for name in log.records(kind, site=site)["plot"]}
    known = log.records("plot", site=site)
    there = dict(zip(known["name"], known.itertuples(), strict=True))
    log.save_many("plot", [{**row, "by": by, "note": OF_A_PLAN} for name, row in rows.items()
                           if name not in there and name not in used])
    stay = [name for name in rows if name in used and name not in there]
    for name, old in there.items():
        where = {key: rows[name][key] for key in ("area_m2", "lat", "lon")} if name in rows else {"deleted": True}
        if all(getattr(old, key, None) == value for key, value in where.items()):
            continue
        if old.note == OF_A_PLAN and name not in used:
            log.correct(old.id, by, "plot", **where)
        elif name in rows:
            stay.append(name)
    return sorted(stay)


def _there(log: Log) -> dict[tuple[str, ...], tuple[str, dict[str, Any]]]:
    rows = log.records("tally")
    return {(row.site, row.day, row.plot, row.tree): (row.id, dict(row.entry)) for row in rows.itertuples()}


def _plain(value: Any) -> str:
    """A cell as it is written by hand: whole numbers without a point, nothing for what is missing."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def visits(log: Log, site: str | None = None) -> pd.DataFrame:
    """Visits that have entries, the newest first: columns site, day (the last of the visit), plots, trees.

    Parameters
    ----------
    log
        The log that is read [no unit].
    site
        Only this planting; None for all [no unit].
    """
    rows = log.records("tally") if site is None else log.records("tally", site=site)
    if rows.empty:
        return pd.DataFrame(columns=["site", "day", "plots", "trees"])
    rows = in_visits(rows[["site", "plot", "tree"]].assign(visit=rows["day"], real=rows["tree"] != ""))
    by_visit = rows.drop(columns="day").rename(columns={"visit": "day"}).groupby(["site", "day"])
    counted = by_visit.agg(plots=("plot", "nunique"), trees=("real", "sum"))
    return counted.reset_index().sort_values(["day", "site"], ascending=[False, True]).reset_index(drop=True)


def survey_table(log: Log, site: str | None = None, day: str | None = None) -> pd.DataFrame:
    """The survey table of the log's entries, see frame.py.

    With the verdict of each wound as share_<kind of culprit>, positions and areas of the plots, and the species of
    tagged plants where the entry does not say.

    Parameters
    ----------
    log
        The log that is read [no unit].
    site
        Only this planting; None for all [no unit].
    day
        Of any day of a visit, as YYYY-MM-DD: only that visit; None for all [no unit].

    Raises
    ------
    CannotUse
        Where the log has no such entries.
    """
    rows = log.records("tally") if site is None else log.records("tally", site=site)
    if day is not None and not rows.empty:
        visit = in_visits(rows[["site", "plot", "tree"]].assign(visit=rows["day"]))
        rows = rows[visit["visit"].isin(visit.loc[visit["day"] == day, "visit"])]
    if rows.empty:
        where = f" of {site}" if site else ""
        raise CannotUse(f"the log holds no tally{where}; take one in with diagnose survey keep FILE or fill it on the page")
    told = [{"site": row.site, "visit": row.day, "plot": row.plot, "tree": row.tree, **row.entry}
            for row in rows.itertuples()]
    table = framed(pd.DataFrame(told).reindex(columns=[field.name for field in TALLY]).astype(object).fillna(""))
    return _with_verdicts(_with_plants(_with_plots(table, log), log), log)


def _with_plots(table: pd.DataFrame, log: Log) -> pd.DataFrame:
    plots = log.records("plot")
    if plots.empty:
        return table
    known = plots.drop_duplicates(["site", "name"], keep="last").rename(columns={"name": "plot"})
    joined = table.merge(known[["site", "plot", "area_m2", "lat", "lon"]], on=["site", "plot"], how="left")
    table["plot_area_m2"] = joined["plot_area_m2"].fillna(joined["area_m2"]).astype(float).to_numpy()
    without = table["x"].isna() | table["y"].isna()
    placed = (without & joined["lat"].notna().to_numpy()).to_numpy()
    if placed.any():
        table.loc[placed, "x"] = joined["lon"].astype(float).to_numpy()[placed]
        table.loc[placed, "y"] = joined["lat"].astype(float).to_numpy()[placed]
        table.loc[placed, "crs"] = _DEGREES
    return table


def _with_plants(table: pd.DataFrame, log: Log) -> pd.DataFrame:
    """Species of tagged plants where the entry does not say.

    How they are protected is never filled in: a guard may have been put up after the visit.
    """
    plants = log.records("plant")
    if plants.empty:
        return table
    known = plants[plants["tag"] != ""].drop_duplicates(["site", "tag"], keep="last").rename(columns={"tag": "tree"})
    joined = table.merge(known[["site", "tree", "species"]], on=["site", "tree"], how="left", suffixes=("", "_of_plant"))
    told = table["species"].replace("", None)
    table["species"] = told.fillna(pd.Series(joined["species_of_plant"].to_numpy(), table.index)).fillna("")
    return table


def _with_verdicts(table: pd.DataFrame, log: Log) -> pd.DataFrame:
    """The kinds of culprit of each browsed tree, from what was observed of its tag on that day.

    Several wounds of one plant count as their mean.
    """
    seen = log.observations(columns=("site", "plant", "taken_at", "verdict", "named"))
    seen = seen[(seen["plant"] != "") & seen["taken_at"].notna() & (seen["verdict"].map(len) > 0)]
    if seen.empty:
        return table
    groups = pd.DataFrame([one.get("groups", {}) for one in seen["verdict"]], index=seen.index).fillna(0.0)
    groups = _few(groups).add_prefix(SHARE)
    keys = pd.DataFrame({"site": seen["site"], "tree": seen["plant"], "visit": seen["taken_at"].str[:10]})
    mean = pd.concat([keys, groups], axis=1).groupby(["site", "tree", "visit"], as_index=False).mean()
    joined = table.merge(mean, on=["site", "tree", "visit"], how="left")
    browsed = joined["browsed"].fillna(0).to_numpy() == 1
    for name in groups.columns:
        table[name] = joined[name].where(browsed, 0.0).fillna(0.0).to_numpy()
    return table


def _few(groups: pd.DataFrame) -> pd.DataFrame:
    """The kinds that matter, each a column, and the sum of all others."""
    mean = groups.mean()
    named = [name for name in groups.columns if mean[name] >= _NAMED]
    return groups[named].assign(**{OTHERS: groups.drop(columns=named).sum(axis=1)})
