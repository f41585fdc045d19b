"""Which map of their own did the people of this log lay under a planting's map?"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.report.underlay import LINES, PICTURES, Underlay, cut_underlay, from_kept, room_round
from diagnose.screens.log_folder import where
from diagnose.screens.look import literal, once_opened
from diagnose.screens.plain_map import corners_of
from diagnose.settings import DEFAULT_LOG
from diagnose.whole_file import write_whole


def _kept_in(site: str) -> Path:
    """The file beside the log; a planting's name is not used for a file."""
    log = Path(DEFAULT_LOG if "://" in where() else where())
    return log / "maps" / f"{hashlib.sha256(site.encode()).hexdigest()[:24]}.json"


def under(site: str) -> Underlay | None:
    """What was laid under this planting's map; None where nothing was.

    Parameters
    ----------
    site
        The planting [no unit].
    """
    file = _kept_in(site)
    try:
        return _read(str(file), file.stat().st_mtime_ns) if file.exists() else None
    except (CannotUse, OSError):
        return None


@st.cache_resource(max_entries=8)
def _read(file: str, at: int) -> Underlay:
    return from_kept(Path(file).read_text("utf-8"))


@st.fragment
def ask_underlay(site: str, places: pd.DataFrame, boundary: Mapping[str, Any] | None) -> None:
    """Offers to lay a file under this planting's map, cut to it once, or to take it away again.

    Parameters
    ----------
    site
        The planting [no unit].
    places
        Columns lat, lon [degree, WGS 84].
    boundary
        GeoJSON of the planting's area, or None [degree, WGS 84].
    """
    kept = under(site)
    if kept is not None and kept.credit:
        st.caption(f"Ground: {literal(kept.credit)}")
    if (part := once_opened("Your own map under it", "underlay")) is None:
        return
    with part:
        st.caption("A GeoTIFF or MBTiles picture, or tracks, streams and parcels as GeoJSON, GeoPackage, GPX or KML. What "
                   "lies round the planting is cut out and kept; nothing is fetched.")
        file = st.file_uploader("File", type=[ending[1:] for ending in (*PICTURES, *LINES)], key="underlay_file")
        credit = st.text_input("Credit, as its licence asks", key="underlay_credit")
        if st.button("Lay it underneath", disabled=file is None) and file is not None:
            corners = corners_of(boundary)
            box = room_round([*places["lon"].astype(float), *(x for x, _ in corners)],
                             [*places["lat"].astype(float), *(y for _, y in corners)])
            with tempfile.TemporaryDirectory() as folder:
                place = Path(folder) / f"map{Path(file.name).suffix.lower()}"
                place.write_bytes(file.getvalue())
                try:
                    cut = cut_underlay(place, box, credit)
                except CannotUse as reason:
                    st.error(literal(str(reason).replace(place.name, file.name)))
                    return
            _kept_in(site).parent.mkdir(parents=True, exist_ok=True)
            write_whole(_kept_in(site), cut.as_json())
            st.rerun()
        if kept is not None and st.button("Take it away"):
            _kept_in(site).unlink(missing_ok=True)
            st.rerun()
