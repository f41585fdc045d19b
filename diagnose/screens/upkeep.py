"""The page for upkeep: what is due at the barriers, a look to enter, a barrier to register, metal on the map."""

from __future__ import annotations

import base64
import tempfile
from collections.abc import Callable
from datetime import date
from functools import partial
from html import escape
from itertools import groupby
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of
from diagnose.fieldlog.fields import FINDINGS
from diagnose.fieldlog.store import Log
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.report.bark_drawing import STAGES, draw_bark
from diagnose.report.due_list import HEADINGS, cautions, due_pdf, metal_pdf
from diagnose.screens import drawer, preferences
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import literal
from diagnose.screens.plain_map import map_of
from diagnose.screens.position import ask_place
from diagnose.screens.show import hand_over
from diagnose.texts import from_json
from diagnose.upkeep.calendar import calendar_file
from diagnose.upkeep.due import CLASSES, Item, Register, due_of, standing
from diagnose.upkeep.growth import CLIMATES, VIGOURS
from diagnose.upkeep.metal import metal, write_metal
from diagnose.upkeep.register import (
    COLUMNS,
    EMBEDDED,
    FORMS,
    check,
    found_by_chance,
    register,
    register_csv,
    register_plan,
    take_away,
)

_ALL = "all plantings"
_SHOWN = 25  # works of one class that the page shows; the printed list has them all
_PARTS = ("Due", "Enter a look", "Register", "Metal")
_UNKNOWN = "nobody looked"
_CSS = """<style>
.works { padding-left: 1.2rem; margin: 0 0 .6rem; }
.works li { margin: .35rem 0; }
.works small { font-size: .9rem; }
</style>"""
_LOOKED = {_UNKNOWN: None, "yes": True, "no": False}


def _kept() -> dict[str, Any]:
    return drawer.kept("upkeep")


def _where_and_when(sites: list[str]) -> tuple[str | None, date, str]:
    """Planting, day and climate that the page is about; the climate is remembered."""
    left, middle, right = st.columns(3)
    site = left.selectbox("Planting", [_ALL, *sites], key="upkeep_site", format_func=lambda name: name or "not named")
    day = middle.date_input("Day", date.today(), key="upkeep_day")
    before = _kept().get("climate", "mild")
    climate = right.selectbox("Winters", CLIMATES, index=CLIMATES.index(before) if before in CLIMATES else 1,
                              key="upkeep_climate", help="How long nothing grows; it moves the seasons' work and all dates.",
                              format_func={"cold": "cold, long", "mild": "mild", "warm": "warm, short"}.__getitem__)
    if climate != before:
        drawer.keep("upkeep", {**_kept(), "climate": climate})
    return None if site == _ALL else site, day, climate


def _due(items: list[Item], several_sites: bool) -> None:
    """The works by class, alarms first; each with its reason, each class with its cautions."""
    if not any(item.kind != "season" for item in items):
        st.success("Nothing is overdue and no barrier tightens.")
    for kind in CLASSES:
        some = [item for item in items if item.kind == kind]
        if not some:
            continue
        with st.expander(f"{HEADINGS[kind]}: {len(some)}", expanded=kind != "season" or len(items) < _SHOWN,
                         icon=":material/warning:" if kind == "alarm" else None, key=f"due {kind}"):
            for site, here in groupby(some[:_SHOWN], key=lambda item: item.site):
                heading = f"<b>{escape(site or 'not named')}</b>" if several_sites else ""
                st.html(f'{heading}<ul class="works">{"".join(map(_line, here))}</ul>')
            if len(some) > _SHOWN:
                st.caption(f"and {len(some) - _SHOWN} more, on the printed list")
            if told := cautions(some):
                st.warning("**Take care**\n" + "\n".join(f"- {line}" for line in told))


def _line(item: Item) -> str:
    by = f" <b>Act by {item.act_by}.</b>" if item.act_by else ""
    return (f"<li>{'<b>' + escape(item.label) + '</b>: ' if item.label else ''}{escape(item.what.rstrip('.'))} "
            f"<small>({escape(item.why)})</small>.{by}</li>")


def _map(there: Register, items: list[Item]) -> None:
    """Every barrier that has a place, by the most pressing of what is due at it."""
    rows = there.rows
    placed = rows[rows["lat"].notna() & rows["lon"].notna()]
    if placed.empty:
        st.caption("None of these barriers has a place yet; give it when you register one.")
        return
    worst: dict[str, str] = {}
    for item in items:
        worst.setdefault(item.barrier, item.kind)
    names = {**{kind: HEADINGS[kind].split(":")[0] for kind in CLASSES}, "": "nothing due"}
    st.altair_chart(map_of(pd.DataFrame({
        "lat": placed["lat"].astype(float), "lon": placed["lon"].astype(float), "error_m": placed["error_m"].astype(float),
        "culprit": [names[worst.get(key, "")] for key in placed["id"]], "label": _labels(placed)})), width="stretch")
    if rows["site"].nunique() > 1:
        st.caption("Choose one planting above to see its map larger.")
    if len(placed) < len(rows):
        st.caption(f"{len(rows) - len(placed)} without a place are not on the map.")


def _labels(rows: pd.DataFrame) -> list[str]:
    return [label or plant or key[:8] for label, plant, key in zip(rows["label"], rows["plant"], rows["id"], strict=True)]


def _downloads(there: Register, items: list[Item], day: date, site: str) -> None:
    left, right = st.columns(2)
    hand_over(left, "The list as PDF, for the walk", lambda: due_pdf(items, day, site), "due.pdf", "application/pdf")
    hand_over(right, "The year as calendar file", lambda: calendar_file(items, there, day), "upkeep.ics",
              "text/calendar")


def _name_of(rows: pd.DataFrame) -> dict[str, str]:
    labels = _labels(rows)
    return {row.id: f"{label}, {row.form}{', ' + row.site if row.site else ''}{', ' + row.built[:4] if row.built else ''}"
            for row, label in zip(rows.itertuples(), labels, strict=True)}


def _look(log: Log, there: Register, day: date) -> None:
    """A look at one barrier, its widening, or that it was taken off."""
    names = _name_of(there.rows)
    if not names:
        st.info("No barrier stands here yet; register one first.")
        return
    with st.expander("Is the bark thick and corky? Hold these beside the stem", key="bark"):
        drawing = draw_bark()
        told = "; ".join(f"{look}: {means}" for look, means in STAGES)
        data = base64.b64encode(drawing.as_svg().encode()).decode()
        st.html(f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(drawing.title)}. {escape(told)}" '
                'style="width: 100%; background: #fff">')
    with st.form("upkeep_look", border=False, clear_on_submit=True):
        barrier = st.selectbox("Barrier", list(names), format_func=names.__getitem__)
        finding = st.radio("What was found", [*FINDINGS, "taken off"], horizontal=True)
        left, right = st.columns(2)
        stem = left.number_input("Stem's diameter at the guard [mm]", 0.0, 2000.0, None, 1.0)
        leader = right.number_input("Height of the leader [mm]", 0.0, 60_000.0, None, 50.0)
        left, right = st.columns(2)
        alone = left.radio("Does the stem stand when the tube is lifted?", list(_LOOKED), horizontal=True)
        bark = right.radio("Is the bark thick and corky?", list(_LOOKED), horizontal=True)
        left, right = st.columns(2)
        widened = left.number_input("Widened to a clear width of [mm]", 1.0, 100_000.0, None, 10.0)
        left_behind = right.text_input("Taken off: what stayed there, such as two steel stakes")
        note = st.text_input("Note")
        photo = st.file_uploader("Photo", type=["jpg", "jpeg", "png", "webp", "heic", "avif"])
        if not st.form_submit_button("Keep this look", type="primary"):
            return
    by = preferences.initials()
    if finding == "taken off":
        take_away(log, barrier, day, left_behind, by)
    else:
        check(log, barrier, finding, day, by, None if photo is None else photo.getvalue(), photo.name if photo else "",
              widened, stem_diameter_mm=stem, height_mm=leader, stands_alone=_LOOKED[alone], bark_safe=_LOOKED[bark],
              note=note)
    _done(f"Kept: {names[barrier]}, {finding}.")


def _done(said: str) -> None:
    """Says it after the page was built anew from what is kept now."""
    st.session_state["upkeep_said"] = said
    st.rerun()


def _new(log: Log, day: date, site: str) -> None:
    """One barrier: put up, or found by chance."""
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
    _done(f"Registered: {form} {plant}. {EMBEDDED if embedded else ''}")


def _many(log: Log, day: date, site: str) -> None:
    """What a plan chose, or a CSV file's rows."""
    with st.form("upkeep_many", border=False, clear_on_submit=True):
        where = st.text_input("Planting", site)
        species = st.text_input("Species in it")
        file = st.file_uploader("A plan as JSON (from: diagnose protect --json), or barriers as CSV", type=["json", "csv"])
        st.caption(f"Columns of the CSV file, in any order; only form is needed: {', '.join(COLUMNS)}. Forms: "
                   f"{', '.join(FORMS)}.")
        if not st.form_submit_button("Register them") or file is None:
            return
    if file.name.lower().endswith(".csv"):
        with tempfile.TemporaryDirectory() as folder:
            kept = Path(folder) / Path(file.name).name
            kept.write_bytes(file.getvalue())
            _done(str(register_csv(log, kept, preferences.initials())))
    plan = from_json(file.getvalue(), file.name)
    new = register_plan(log, plan, where, day, by=preferences.initials(), species=species)
    _done(f"{len(new)} kinds of barrier of the plan are registered.")


def _metal(log: Log, site: str | None) -> None:
    rows = metal(log, site)
    st.caption("Every wire, post and stake that stands or was left, and what is grown into stems. There may be more that "
               "nobody noted: look before a saw or a mower comes near.")
    if rows.empty:
        st.info("Nothing is in the register.")
        return
    placed = rows[rows["lat"].notna() & rows["lon"].notna()]
    if not placed.empty:
        st.altair_chart(map_of(pd.DataFrame({
            "lat": placed["lat"].astype(float), "lon": placed["lon"].astype(float),
            "error_m": placed["error_m"].astype(float), "culprit": placed["state"], "label": _labels(placed)})),
            width="stretch")
    left, middle, right = st.columns(3)
    hand_over(left, "Map as PDF", lambda: metal_pdf(rows, site or ""), "metal.pdf", "application/pdf")
    for column, ending, kind in ((middle, "gpx", "application/gpx+xml"), (right, "geojson", "application/geo+json")):
        hand_over(column, f"As {ending.upper() if ending == 'gpx' else 'GeoJSON'}", partial(_written, rows, ending),
                  f"metal.{ending}", kind)


def _written(rows: pd.DataFrame, ending: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        return write_metal(rows, Path(folder) / f"metal.{ending}").read_bytes()


def _safely(show: Callable[..., None], *given: Any) -> None:
    """Shows a part of the page; what cannot be used gets its line there, and the rest of the page stays."""
    try:
        show(*given)
    except CannotUse as reason:
        st.error(literal(reason))


def page() -> None:
    st.title("What is due at the barriers?")
    st.html(_CSS)
    if said := st.session_state.pop("upkeep_said", ""):
        for line in said.splitlines():
            st.success(literal(line))
    try:
        log = the_log()
        sites = sorted(set(log.records("barrier")["site"]))
        site, day, climate = _where_and_when(sites)
        there = standing(log, climate, None, site)
        items = due_of(there, day)
    except CannotUse as reason:
        st.error(literal(reason))
        return
    one = site or (sites[0] if len(sites) == 1 else "")
    part = st.segmented_control("What to do", _PARTS, default=_PARTS[0], required=True, key="upkeep_part",
                                label_visibility="collapsed")
    if part == "Enter a look":
        _safely(_look, log, there, day)
    elif part == "Register":
        _safely(_new, log, day, one)
        with st.expander("From a plan, or many from a CSV file", key="many"):
            _safely(_many, log, day, one)
    elif part == "Metal":
        _safely(_metal, log, site)
    elif not len(there):
        st.info("No barrier is registered here. Register one, a plan or a CSV file under Register.")
    else:
        _due(items, site is None and len(sites) > 1)
        _map(there, items)
        _downloads(there, items, day, site or "")


page()
