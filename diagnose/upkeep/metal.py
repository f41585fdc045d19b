"""Where is metal, or was some left behind, that would ruin a saw or a mower?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from diagnose.fieldlog.exchange import write_geojson, write_gpx
from diagnose.upkeep.register import is_metal

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

_COLUMNS = ("id", "site", "plant", "label", "form", "material", "built", "removed", "left_behind", "lat", "lon", "error_m",
            "embedded", "found", "note")


def metal(log: Log, site: str | None = None) -> pd.DataFrame:
    """Every wire, post and stake not yet removed, what was left behind of removed ones, and what is grown in.

    A removed barrier with nothing left behind is gone; a deleted record too. state : standing, left behind, embedded.
    """
    rows = log.records("barrier") if site is None else log.records("barrier", site=site)
    if rows.empty:
        return pd.DataFrame(columns=[*_COLUMNS, "state"])
    ironware = [is_metal(form, material) for form, material in zip(rows["form"], rows["material"], strict=True)]
    gone = rows["removed"].notna()
    left = gone & (rows["left_behind"] != "")
    grown_in = rows["embedded"].astype(bool)
    there = rows[left | grown_in | (~gone & pd.Series(ironware, rows.index))].copy()
    there["state"] = "standing"
    there.loc[left, "state"] = "left behind"
    there.loc[grown_in, "state"] = "embedded"
    found: pd.DataFrame = there[[*_COLUMNS, "state"]].reset_index(drop=True)
    return found


def write_metal(rows: pd.DataFrame, place: str | Path) -> Path:
    """Writes the metal as GPX 1.1 waypoints (.gpx) or as GeoJSON (.geojson), by the file's ending."""
    told = rows.assign(
        note=[_words(row) for row in rows.itertuples()],
        plant=rows["label"].where(rows["label"] != "", rows["plant"]),
        leading="METAL " + rows["state"], named=None, species="", taken_at=None, taken_local=True,
    )
    return write_gpx(told, place) if Path(place).suffix.lower() == ".gpx" else write_geojson(
        told.drop(columns=["named", "species", "taken_at", "taken_local", "leading"]), place)


def _words(row: Any) -> str:
    parts = [row.state, row.form, row.material, f"left: {row.left_behind}" if row.left_behind else "",
             f"position good to {row.error_m:g} m" if row.error_m == row.error_m and row.error_m is not None else
             "position error not known", row.note]
    return "; ".join(part for part in parts if part)


def as_json(rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Plain values of the rows."""
    told: list[dict[str, Any]] = json.loads(rows.to_json(orient="records"))
    return told
