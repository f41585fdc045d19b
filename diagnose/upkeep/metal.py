"""Where does something stand, or was left behind, that would ruin a saw or a mower?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from diagnose.fieldlog.exchange import write_geojson, write_gpx
from diagnose.upkeep.outlook import forms

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

_COLUMNS = ("id", "site", "plant", "label", "form", "material", "built", "removed", "left_behind", "lat", "lon", "error_m",
            "pieces", "embedded", "found", "note")
_WORDS = ("wire", "weld", "steel", "metal", "iron", "hardware", "staple", "barb", "nail", "rebar", "post", "stake")


def metal(log: Log, site: str | None = None) -> pd.DataFrame:
    """Every wire, post and stake not yet removed, what was left behind of removed ones, and what is grown in.

    A row a barrier, with `state` (standing, left behind, embedded) and `what` is there. A removed barrier that left
    nothing is gone, unless it was grown in: that stays for good. So is a deleted record.
    """
    rows = log.records("barrier") if site is None else log.records("barrier", site=site)
    there = [told for row in rows.to_dict("records") if (told := _there(row)) is not None]
    return pd.DataFrame(there, columns=[*_COLUMNS, "state", "what"])


def _there(row: dict[str, Any]) -> dict[str, Any] | None:
    """The row with its state and what is there; None where nothing is."""
    gone = isinstance(row["removed"], str)
    if not gone and not row["embedded"]:
        what = _hard(row["form"], row["material"])
        return {**row, "state": "standing", "what": what} if what else None
    if row["embedded"]:
        return {**row, "state": "embedded", "what": row["left_behind"] or f"{row['form']} grown into the stem"}
    return {**row, "state": "left behind", "what": row["left_behind"]} if row["left_behind"] else None


def _hard(form: str, material: str) -> str:
    """What of a standing barrier a saw or a mower can hit, by its form, else by words of its material; empty for nothing."""
    known = forms()["forms"].get(form, forms()["forms"]["other"]).get("hard", "")
    return str(known) or (material if any(word in material.lower() for word in _WORDS) else "")


def write_metal(rows: pd.DataFrame, place: str | Path) -> Path:
    """Writes the metal as GPX 1.1 waypoints (.gpx) or as GeoJSON (RFC 7946), by the file's ending."""
    if Path(place).suffix.lower() != ".gpx":
        return write_geojson(rows, place)
    names = rows["label"].where(rows["label"] != "", rows["plant"])
    notes = [f"{row.what} ({row.form}{', ' + row.material if row.material else ''}); {_place(row.error_m)}"
             f"{'; ' + row.note if row.note else ''}" for row in rows.itertuples()]
    return write_gpx(rows.assign(plant=names, note=notes, species="", named="METAL " + rows["state"]), place)


def _place(error_m: Any) -> str:
    return "nobody noted how well the place is known" if pd.isna(error_m) else "search that far round it"
