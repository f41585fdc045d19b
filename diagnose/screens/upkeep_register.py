"""How do barriers come into the register: one, many, or a fence that was walked along?"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from diagnose.culprits.old_names import name_of
from diagnose.fieldlog.store import Log
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.screens import preferences
from diagnose.screens.position import ask_place
from diagnose.texts import from_json
from diagnose.upkeep.fence import read_line, register_fence
from diagnose.upkeep.from_csv import COLUMNS, register_csv
from diagnose.upkeep.growth import VIGOURS
from diagnose.upkeep.register import EMBEDDED, FORMS, found_by_chance, register, register_plan
from diagnose.upkeep.rules import trait


def done(said: str) -> None:
    """Says it after the page was built anew from what is kept now.

    Parameters
    ----------
    said
        What was done [no unit].
    """
    st.session_state["upkeep_said"] = said
    st.rerun()


def new(log: Log, day: date, site: str) -> None:
    """One barrier: put up, or found by chance.

    Parameters
    ----------
    log
        Where it is kept [no unit].
    day
        On which it was put up [no unit].
    site
        The planting that is named beforehand [no unit].
    """
    animals = [key for key in NEED_OF if needs()[NEED_OF[key]]["kind"] != "none"]
    found = st.toggle("Found by chance: age and owner unknown", key="upkeep_found")
    place = ask_place(pd.DataFrame(), "upkeep")
    with st.form("upkeep_new", border=False, clear_on_submit=True):
        form = st.selectbox("Kind", FORMS, index=FORMS.index("old wire") if found else 0)
        embedded = st.checkbox("Grown into the stem") if found else False
        left, right = st.columns(2)
        where = left.text_input("Planting", site)
        plant = right.text_input("Plant's tag, or what stands on the barrier")
        left, right = st.columns(2)
        species = left.text_input("Species")
        material = right.text_input("Material")
        left, right = st.columns(2)
        inner = left.number_input("Clear width inside [mm]", 1.0, 100_000.0, None, 10.0)
        height = right.number_input("Height [mm]", 1.0, 100_000.0, None, 50.0)
        left, right = st.columns(2)
        pieces = left.number_input("How many, or metres of a fence", 1.0, 1e7, 1.0, 1.0)
        vigour = right.selectbox("Growth", VIGOURS, index=1)
        left, right = st.columns(2)
        culprits = left.multiselect("Against", animals, default=["deer_browsing"], format_func=name_of)
        snow = right.number_input("Deepest snow [mm]", 0.0, 10_000.0, 0.0, 50.0)
        note = st.text_input("Note")
        photo = st.file_uploader("Photo", type=["jpg", "jpeg", "png", "webp", "heic", "avif"])
        if not st.form_submit_button("Register it", type="primary"):
            return
    told: dict[str, Any] = {
        "site": where, "plant": plant, "label": plant, "species": species, "material": material, "inner_mm": inner,
        "height_mm": height, "pieces": pieces, "note": note, "photo": None if photo is None else photo.getvalue(),
        "photo_name": photo.name if photo else "", "by": preferences.initials(),
        "figures": {"culprits": culprits, "vigour": vigour, "snow_mm": snow},
        **({} if place is None else {"lat": place.lat, "lon": place.lon, "error_m": place.error_m})}
    if found:
        found_by_chance(log, form, embedded, **told)
    else:
        register(log, form, built=day.isoformat(), **told)
    done(f"Registered: {form} {plant}. {EMBEDDED if embedded else ''}")


def many(log: Log, day: date, site: str) -> None:
    """What a plan chose, or a CSV file's rows.

    Parameters
    ----------
    log
        Where it is kept [no unit].
    day
        On which it was put up [no unit].
    site
        The planting that is named beforehand [no unit].
    """
    def ask() -> dict[str, Any]:
        return {"site": st.text_input("Planting", site), "species": st.text_input("Species in it")}

    def keep(kept: Path, **told: Any) -> str:
        if kept.suffix.lower() == ".csv":
            return str(register_csv(log, kept, preferences.initials()))
        plan = from_json(kept.read_bytes(), kept.name)
        made = register_plan(log, plan, told["site"], day, by=preferences.initials(), species=told["species"])
        return f"Kinds of barrier of the plan registered: {len(made)}."

    _from_file("many", ask, "A plan as JSON (from: diagnose protect --json), or barriers as CSV", ["json", "csv"],
               f"Columns of the CSV file, in any order; only form is needed: {', '.join(COLUMNS)}. "
               f"Forms: {', '.join(FORMS)}.",
               "Register them", keep)


def fence(log: Log, day: date, site: str) -> None:
    """A fence along the line that was walked.

    Parameters
    ----------
    log
        Where it is kept [no unit].
    day
        On which it was put up [no unit].
    site
        The planting that is named beforehand [no unit].
    """
    def ask() -> dict[str, Any]:
        form = st.selectbox("Kind of fence", [one for one in FORMS if trait(one, "line")])
        left, right = st.columns(2)
        named = {"site": left.text_input("Planting", site, key="fence site"),
                 "label": right.text_input("What it is called", key="fence label")}
        left, right = st.columns(2)
        return {"form": form, **named, "material": left.text_input("Material", key="fence material"),
                "error_m": right.number_input("Its places are good to [m]", 0.1, 1000.0, None, 1.0)}

    def keep(kept: Path, **told: Any) -> str:
        line = read_line(kept, told["error_m"])
        register_fence(log, line=line, built=day.isoformat(), by=preferences.initials(), **told)
        return (f"Registered: {told['form']} {told['label']}, {line.length_m:.0f} m, {len(line.gates)} gates, "
                f"{len(line.braces)} braces.")

    _from_file("fence", ask, "The line: a GPX track, GeoJSON or GeoPackage", ["gpx", "geojson", "json", "gpkg"],
               "Marks named gate, brace or corner are kept with it.", "Register the fence", keep)


def _from_file(name: str, ask: Callable[[], dict[str, Any]], wanted: str, endings: list[str], about: str, button: str,
               keep: Callable[..., str]) -> None:
    """A form of some questions and a file; what is registered from both is said."""
    with st.form(f"upkeep_{name}", border=False, clear_on_submit=True):
        told = ask()
        file = st.file_uploader(wanted, type=endings)
        st.caption(about)
        if not st.form_submit_button(button) or file is None:
            return
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / Path(file.name).name
        kept.write_bytes(file.getvalue())
        said = keep(kept, **told)
    done(said)
