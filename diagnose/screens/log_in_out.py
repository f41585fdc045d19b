"""How do photos, tables and other crews' logs come into the log on a page, and leave it?"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.diagnosis import diagnose_photo
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.exchange import takes_text
from diagnose.fieldlog.load import PICTURES, import_csv, import_photos
from diagnose.fieldlog.merge import merge, pack
from diagnose.fieldlog.privacy import export
from diagnose.fieldlog.query import Query
from diagnose.fieldlog.store import Log, Saved
from diagnose.screens import preferences
from diagnose.screens.look import literal, once_opened
from diagnose.screens.show import hand_over

_FORMATS = {"csv": "table (CSV)", "gpkg": "map layer (GeoPackage)", "geojson": "map layer (GeoJSON)",
            "gpx": "waypoints (GPX)", "zip": "biodiversity archive (Darwin Core)", "pack": "the whole log, for another crew"}
_MOST_LINES = 50


@st.fragment
def take_in(log: Log) -> None:
    """Photos, CSV files and packs of other crews, taken in with progress and a line for each that was refused.

    Parameters
    ----------
    log
        That they are taken into [no unit].
    """
    for line in st.session_state.pop("log_in_said", []):
        st.info(literal(line))
    if (part := once_opened("Take in photos, a table or another crew's log", "log_in_open")) is None:
        return
    with part:
        turn = st.session_state.setdefault("log_in_turn", 0)
        files = st.file_uploader("Photos, CSV files, or packs of another log", accept_multiple_files=True,
                                 key=f"log_in {turn}")
        site = st.text_input("Planting of the photos", key="log_in_site")
        judge = st.toggle("Measure and judge each photo too (some seconds each)", key="log_in_judge")
        if files and st.button("Take them in", type="primary"):
            with tempfile.TemporaryDirectory() as folder:
                st.session_state["log_in_said"] = _taken_in(log, _put_down(files, Path(folder)), site, judge)
            st.session_state["log_in_turn"] = turn + 1
            st.rerun()


def _put_down(files: list[Any], folder: Path) -> list[Path]:
    """The uploaded files as files, each in a folder of its own: two may have the same name."""
    places = []
    for number, file in enumerate(files):
        place = folder / f"{number:05d}" / (Path(file.name).name or "file")
        place.parent.mkdir()
        place.write_bytes(file.getvalue())
        places.append(place)
    return places


def _taken_in(log: Log, files: list[Path], site: str, judge: bool) -> list[str]:
    said, by = [], preferences.initials()
    photos = [file for file in files if file.suffix.lower() in PICTURES]
    for file in (file for file in files if file not in photos):
        try:
            told = str(import_csv(log, file, by=by) if file.suffix.lower() == ".csv" else merge(log, file))
        except CannotUse as reason:
            told = str(reason)
        said += [f"{file.name}: {line}" for line in told.splitlines()[:_MOST_LINES]]
    if photos:
        bar = st.progress(0.0, "Photos")

        def progress(done: int, of: int) -> None:
            bar.progress(done / of, f"Photo {done} of {of}")

        judging = _judging(log, site, by) if judge else None
        loaded = import_photos(log, photos[0].parent.parent, site, by, judging, progress)
        said += [f"Photos: {line}" for line in str(loaded).splitlines()[:_MOST_LINES]]
    return said


def _judging(log: Log, site: str, by: str) -> Callable[[Path], Saved]:
    return lambda file: save_diagnosis(log, diagnose_photo(file), site=site, by=by)


@st.fragment
def give_out(log: Log, asked: Query) -> None:
    """The observations that are filtered for as a file, coarse unless exact is asked for; or the whole log as a pack.

    Parameters
    ----------
    log
        That they are taken from [no unit].
    asked
        What is filtered for [no unit].
    """
    if (part := once_opened("Export the filtered ones, or the whole log", "log_out_open")) is None:
        return
    with part:
        sort = st.selectbox("As", list(_FORMATS), key="log_out_sort", format_func=_FORMATS.__getitem__)
        exact = sort == "pack" or st.toggle("With exact places, people, notes and tags: only for yourselves",
                                            key="log_out_exact")
        if sort == "pack":
            st.caption("A pack holds everything, photos and exact places too: hand it only to your own crews.")
        if st.button("Make the file"):
            with st.spinner("Making the file ..."), tempfile.TemporaryDirectory() as folder:
                place = Path(folder) / ("log-pack.zip" if sort == "pack" else f"observations.{sort}")
                if sort == "pack":
                    told = f"The whole log is packed into {pack(log, place).name}; another crew takes it in on this page."
                else:
                    rows = log.parts(asked, as_text=takes_text(place.name))
                    if asked.deleted:
                        rows = (part[part["deleted"].astype(bool)] for part in rows)
                    told = export(log, rows, place, exact).replace(str(place), place.name)
                st.session_state["log_out"] = (place.name, told, place.read_bytes())
        if (made := st.session_state.get("log_out")) is not None:
            name, told, data = made
            st.success(literal(told))
            hand_over(st, f"Save {name}", data, name, "application/octet-stream")
