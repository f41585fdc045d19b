"""The page for a survey: where to put plots, a tally to fill in, and what it says."""

from __future__ import annotations

import datetime
import hashlib
import tempfile
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import Log
from diagnose.protect.requirement import cautions_for
from diagnose.report.layout_map import layout_pdf
from diagnose.report.survey_report import (
    LASTING_WORDS,
    cost_words,
    densities,
    lasting_rows,
    map_words,
    sections,
    survey_html,
    survey_pdf,
)
from diagnose.report.tally_sheet import tally_sheet_pdf
from diagnose.screens import drawer, preferences
from diagnose.screens.intervals import intervals_of
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import literal
from diagnose.screens.show import hand_over
from diagnose.survey.boundary import Ground, from_geojson, read_ground
from diagnose.survey.design import as_gpx, balanced, grid, inward, plots_needed, walk_length, walking_order
from diagnose.survey.from_log import enter, import_tally, survey_table, visits
from diagnose.survey.lasting import lasting_of, own_lives, own_lives_file, watched
from diagnose.survey.summary import Survey, summarise
from diagnose.survey.tally import TALLY, doubts, template

_DRAWER = "tally"
_YES_NO = {"1": "yes", "0": "no", "": "cannot tell"}
_NEW = "another planting"
_DRAWS = 2_000


# ---- where to put plots ----


def _ground(log: Log) -> tuple[Ground | None, str]:
    sites = log.records("site")
    drawn = sites[sites["boundary"].map(bool)] if len(sites) else sites
    names = [*drawn["name"].tolist(), _NEW] if len(drawn) else [_NEW]
    site = st.selectbox("Planting", names, key="design_site")
    if site != _NEW:
        return from_geojson(drawn[drawn["name"] == site]["boundary"].iloc[0]), site
    file = st.file_uploader("Its boundary", type=["geojson", "json", "gpx", "gpkg"], key="survey_boundary")
    name = st.text_input("Its name", key="survey_name")
    if file is None:
        return None, name
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / f"boundary{Path(file.name).suffix.lower()}"
        place.write_bytes(file.getvalue())
        return read_ground(place), name


def _design(log: Log) -> None:
    left, right = st.columns(2)
    share = left.number_input("Share browsed that you expect [%]", 1, 99, 30, key="expected") / 100
    half = right.number_input("Plus or minus how much do you want to know it [%]", 1, 40, 10, key="half") / 100
    trees = left.number_input("Trees on a plot, about", 1, 500, 12, key="trees_a_plot")
    alike = right.slider("How alike are trees of one plot? 0 not at all, 1 wholly; 0.1 is usual", 0.0, 0.6, 0.1, 0.05,
                         key="alike")
    size = plots_needed(share, half, float(trees), alike)
    st.markdown(f"**{size.plots} plots**, about {size.trees} trees. {size.reason}")
    ground, site = _ground(log)
    if ground is None:
        st.caption("Give the boundary to get a layout.")
        return
    even = st.toggle("Exactly so many plots, spread evenly, instead of a square grid", key="even")
    edge = st.number_input("Keep how far inside the edge [m]", 0.0, 100.0, 0.0, 1.0, key="edge")
    drawn = f"{site} {size.plots} {st.session_state.get('layout_turn', 0)}"
    seed = int(hashlib.sha256(drawn.encode()).hexdigest()[:8], 16)
    area = inward(ground, edge) if edge else ground.metres
    points = (balanced if even else grid)(area, size.plots, np.random.default_rng(seed))
    if not len(points):
        st.warning("No plot falls into this ground; draw another start.")
        return
    points = points[walking_order(points)]
    walk = walk_length(points, range(len(points)))
    st.markdown(f"{len(points)} plots; the walk from the first to the last is {walk:.0f} m.")
    st.scatter_chart(pd.DataFrame(points, columns=["east [m]", "north [m]"]), x="east [m]", y="north [m]", height=320)
    if st.button("Draw another random start"):
        st.session_state["layout_turn"] = st.session_state.get("layout_turn", 0) + 1
        st.rerun()
    one, two, three = st.columns(3)
    hand_over(one, "Map as PDF", layout_pdf(ground, points, site), "plots.pdf", "application/pdf")
    if ground.epsg is not None:
        way = as_gpx(ground, points, site)
        hand_over(two, "Plots as GPX", way, "plots.gpx", "application/gpx+xml")
    sheets = tally_sheet_pdf(site, tuple(str(number) for number in range(1, len(points) + 1)))
    hand_over(three, "Tally sheets", sheets, "tally.pdf", "application/pdf")


# ---- the tally ----


def _told(name: str, default: str = "") -> str:
    """A field of the tree that is being written down, as the device's drawer holds it."""
    return str(st.session_state.setdefault("tally", drawer.kept(_DRAWER)).get(name, default))


def _remember(entry: dict[str, str]) -> None:
    if entry != st.session_state.get("tally"):
        st.session_state["tally"] = entry
        drawer.keep(_DRAWER, entry)


def _choice(name: str, title: str, choices: dict[str, str], tell: str = "") -> str:
    keys = list(choices)
    told = _told(name)
    place = keys.index(told) if told in keys else len(keys) - 1
    picked = st.radio(title, keys, index=place, horizontal=True, help=tell or None, format_func=choices.__getitem__,
                      key=f"tally {name} {st.session_state.get('tally_turn', 0)}")
    return str(picked)


def _tally(log: Log) -> None:
    turn = st.session_state.setdefault("tally_turn", 0)
    fields = {field.name: field for field in TALLY}
    entry: dict[str, str] = {}
    left, right = st.columns(2)
    entry["site"] = left.text_input("Planting", _told("site"), key="tally site").strip()
    day = datetime.date.fromisoformat(_told("visit") or datetime.date.today().isoformat())
    entry["visit"] = right.date_input("Day", day, key="tally day").isoformat()
    entry["plot"] = left.text_input("Plot, as on the stake", _told("plot"), key="tally plot").strip()
    entry["plot_area_m2"] = right.text_input("Its area [m²]", _told("plot_area_m2"), key="tally area").strip()
    entry["tree"] = left.text_input("Tree: tag or number; empty for a plot without trees", _told("tree"),
                                    key=f"tally tree {turn}").strip()
    entry["species"] = right.text_input("Species", _told("species"), key=f"tally species {turn}").strip()
    entry["height_cm"] = left.text_input("Height of the live tip [cm]", _told("height_cm"),
                                         key=f"tally height {turn}").strip()
    entry["protection"] = right.text_input("Protected by; empty when not", _told("protection"),
                                           key=f"tally protection {turn}").strip()
    entry["browsed"] = _choice("browsed", "Leader bitten this year", _YES_NO, fields["browsed"].tell)
    entry["stem_damage"] = _choice("stem_damage", "Stem", {"rubbed": "rubbed", "stripped": "stripped", "gnawed": "gnawed",
                                                           "broken": "broken", "": "whole"})
    with st.expander("More: bitten before, laterals, state of the guard, dead, note", key="tally_more"):
        entry["browsed_before"] = _choice("browsed_before", "Bitten before", _YES_NO, fields["browsed_before"].tell)
        one, two = st.columns(2)
        entry["laterals_seen"] = one.text_input("Laterals looked at, up to 10", _told("laterals_seen"),
                                                key=f"tally seen {turn}")
        entry["laterals_browsed"] = two.text_input("of them bitten", _told("laterals_browsed"), key=f"tally bitten {turn}")
        entry["protection_state"] = _choice("protection_state", "State of the guard",
                                            {"whole": "whole", "damaged": "damaged", "down": "down", "": "not told"})
        entry["alive"] = _choice("alive", "Alive", {"1": "yes", "0": "dead", "": "not told"})
        entry["reached"] = _choice("reached", "Plot reached", {"1": "yes", "0": "no", "": "not told"})
        entry["note"] = st.text_input("Note", _told("note"), key=f"tally note {turn}")
    _remember(entry)
    for doubt in doubts(entry):
        st.warning(f"Is that right? {literal(doubt)}")
    if st.button("Keep this tree", type="primary", width="stretch"):
        kept, refused = enter(log, [entry], preferences.initials())
        if refused:
            st.error(literal(refused[0].removeprefix("row 1: ")))
        else:
            st.session_state["tally_said"] = f"{'Kept' if kept else 'Already there'}: {entry['plot']} {entry['tree']}"
            same = {name: entry[name] for name in ("site", "visit", "plot", "plot_area_m2", "species", "protection")}
            _remember({**same, "tree": _next_tag(entry["tree"])})
            st.session_state["tally_turn"] = turn + 1
            st.rerun()
    if said := st.session_state.pop("tally_said", None):
        st.success(literal(said))
    _kept_here(log, entry)
    _from_file(log)


def _next_tag(tag: str) -> str:
    """The tag with its last number one higher, as tags on a plot usually go."""
    head = tag.rstrip("0123456789")
    number = tag[len(head):]
    return f"{head}{int(number) + 1:0{len(number)}d}" if number else ""


def _kept_here(log: Log, entry: dict[str, str]) -> None:
    equal: dict[str, Any] = {"site": entry["site"], "day": entry["visit"], "plot": entry["plot"]}
    rows = log.records("tally", **equal)
    if rows.empty:
        return
    shown = pd.DataFrame([{"tree": row.tree, **row.entry} for row in rows.itertuples()]).fillna("")
    st.caption(f"{len(rows)} kept on plot {literal(entry['plot'])}. To correct one, write it again with the same tree.")
    st.dataframe(shown, hide_index=True, width="stretch")


def _from_file(log: Log) -> None:
    with st.expander("From or to a file", key="tally_files"):
        hand_over(st, "An empty tally as CSV", template(), "tally.csv", "text/csv")
        file = st.file_uploader("A filled tally", type=["csv"], key="tally_file")
        if file is not None and st.button("Take it in"):
            with tempfile.TemporaryDirectory() as folder:
                place = Path(folder) / "tally.csv"
                place.write_bytes(file.getvalue())
                kept, refused = import_tally(log, place, preferences.initials())
            st.success(f"{kept} entries kept, {len(refused)} refused.")
            for line in refused[:50]:
                st.error(literal(line))


# ---- what it says ----


@st.cache_data(max_entries=8, show_spinner="Working it out ...")
def _survey(table: pd.DataFrame, target: float | None, seen: pd.DataFrame, cost: float | None) -> Survey:
    return summarise(table, target=target, lasting=lasting_of(seen), cost_per_tree=cost)


def _redrawn(table: pd.DataFrame, target: float | None, seen: pd.DataFrame, cost: float | None) -> Survey:
    """The same with the plots redrawn; not kept for later, as what shows progress cannot be."""
    bar = st.progress(0.0, "Redrawing the plots")

    def progress(share: float) -> None:
        bar.progress(share, "Redrawing the plots")

    found = summarise(table, target=target, lasting=lasting_of(seen), cost_per_tree=cost, redraw=_DRAWS, progress=progress)
    bar.empty()
    return found


@st.cache_data(max_entries=8, show_spinner="Drawing the report ...")
def _report(_survey: Survey, key: str) -> tuple[bytes, str]:
    return survey_pdf(_survey), survey_html(_survey)


def _says(log: Log) -> None:
    known = visits(log)
    if known.empty:
        st.info("No tally is kept yet. Fill it in, or take in a file, on the page's second part.")
        return
    site = st.selectbox("Planting", sorted(set(known["site"])), key="survey_site")
    days = known[known["site"] == site]["day"].tolist()
    day = st.selectbox("Visit", [None, *days], key="survey_day",
                       format_func=lambda one: f"the last, and its change ({days[0]})" if one is None else one)
    left, right = st.columns(2)
    own = left.number_input("Your own tolerable share [%], 0 for none", 0, 100, 0, key="target") / 100
    cost = right.number_input("Cost of the protection of one tree, 0 if not known", 0.0, 10_000.0, 0.0, key="tree_cost")
    table, seen = survey_table(log, site, day), watched(log, site)
    redraw = st.toggle("Check what protection saved by redrawing whole plots", key="redraw")
    survey = (_redrawn if redraw else _survey)(table, own or None, seen, cost or None)
    st.html(f'<p class="verdict" role="status">{escape(survey.headline)}</p>')
    st.caption(literal(survey.caution))
    for title, rows in sections(survey):
        st.subheader(literal(title))
        chart = intervals_of(rows, title)
        if chart is not None:
            st.altair_chart(chart, width="stretch")
        st.dataframe(pd.DataFrame([
            {"": name.replace("_", " "), "estimate (interval)": one.words(), "trees": one.trees, "plots": one.plots,
             "note": one.note} for name, one in rows.items()]), hide_index=True, width="stretch")
    if dense := densities(survey):
        st.subheader("Trees on the ground")
        st.markdown("\n".join(f"- {name}: {literal(one.words())}" for name, one in dense.items()))
    if survey.judgements:
        st.subheader("Against tolerances")
        st.markdown("\n".join(f"- {literal(one.words)}" for one in survey.judgements))
    if survey.map is not None:
        st.subheader("Where")
        st.markdown(literal(map_words(survey)))
    if told := cost_words(survey):
        st.subheader("What it cost")
        st.markdown(literal(told))
    if survey.lasting:
        _lasting(survey, seen)
    with st.expander("How this was worked out, and what was not covered", key="methods"):
        st.markdown(literal(survey.methods))
        st.markdown("\n".join(f"- {literal(line)}" for line in survey.not_covered))
    pdf, page = _report(survey, f"{site} {day} {own} {cost} {redraw} {len(table)} {len(seen)} {survey.headline}")
    one, two, three = st.columns(3)
    hand_over(one, "Report as PDF", pdf, "survey.pdf", "application/pdf")
    hand_over(two, "Report as page", page, "survey.html", "text/html")
    hand_over(three, "Table as CSV", table.to_csv(index=False), "survey.csv", "text/csv")


def _lasting(survey: Survey, seen: pd.DataFrame) -> None:
    st.subheader("How long barriers last")
    heading, *rows = lasting_rows(survey)
    st.dataframe(pd.DataFrame(rows, columns=heading), hide_index=True, width="stretch")
    st.caption(LASTING_WORDS)
    if own_lives(seen):
        hand_over(st, "Your own lives of barriers, for a plan (give it to: diagnose protect --prices)",
                  own_lives_file(seen), "own-figures.yaml", "application/yaml")


_PARTS = {"says": "What it says", "tally": "Fill in the tally", "design": "Where to put plots"}


def page() -> None:
    st.title("How much is damaged, and how sure is that?")
    part = st.radio("What now?", list(_PARTS), format_func=_PARTS.__getitem__, horizontal=True, key="survey_part")
    try:
        log = the_log()
        if part != "says":
            st.caption(" ".join(cautions_for(["survey"], short=True)))
        {"says": _says, "tally": _tally, "design": _design}[part](log)
    except CannotUse as reason:
        st.error(literal(reason))


page()
