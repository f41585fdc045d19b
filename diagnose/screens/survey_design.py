"""The survey's page, where plots are planned: how many, where, looked at when; all decided before the first one."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import Log
from diagnose.report.layout_map import layout_pdf
from diagnose.report.tally_sheet import tally_sheet_pdf
from diagnose.screens import drawer, preferences
from diagnose.screens.chart import chart
from diagnose.screens.look import literal
from diagnose.screens.plain_map import map_of
from diagnose.screens.show import hand_over
from diagnose.screens.survey_read import as_it_stands, tallied, visits_of
from diagnose.screens.survey_target import one_target
from diagnose.survey.boundary import Ground, from_geojson, read_ground
from diagnose.survey.design import as_gpx
from diagnose.survey.from_log import keep_plots
from diagnose.survey.layout import Layout, lay_out, start_of
from diagnose.survey.plan import Asked, Known, Plan, asked_plots, made, plan_of, planned_plots, seen_before, size_of
from diagnose.survey.stopping import ADDITION, RULES
from diagnose.survey.tally import template
from diagnose.survey.target import Target

_NEW = "another planting"
_PURPOSES = {"target": "To decide: act, or not", "margin": "To know a share, plus or minus",
             "change": "To see a change between two visits", "plots": "So many plots"}  # short enough for a phone


def _plan_drawer(site: str) -> str:
    """Name under which a planting's plan lies in the device's drawer."""
    return f"plan-{hashlib.sha256(site.encode()).hexdigest()[:16]}"


def kept_plan(site: str) -> Plan | None:
    """The plan that was kept for a planting on this device.

    Parameters
    ----------
    site
        Name of the planting [no unit].
    """
    kept = drawer.kept(_plan_drawer(site))
    return plan_of(str(kept["plan"])) if kept else None


def design(log: Log) -> None:
    """Asks what the survey is for, lays it out, and hands over plan, points, map and sheets.

    Parameters
    ----------
    log
        Whose plantings can be chosen [no unit].
    """
    ground, site, parts_by = _ground(log)
    purpose = st.selectbox("What is it for?", list(_PURPOSES), format_func=_PURPOSES.__getitem__, key="purpose")
    one, two = st.columns(2)
    target, plots, expect, margin, change = None, None, None, None, None
    if purpose == "target":
        target = one_target("design", "What must the stand hold, or what may be browsed?", "1100/ha")
    elif purpose == "plots":
        plots = int(st.number_input("Plots", 2, 5000, 30, key="design_plots"))
        target = one_target("plots", "What is to be decided, empty if nothing")
    else:
        left, right = st.columns(2)
        expect = left.number_input("Share browsed that you expect [%]", 1, 99, 30, key="expected") / 100
        words = "Plus or minus how much [%]" if purpose == "margin" else "Smallest change to see [points]"
        reach = right.number_input(words, 1, 90, 10, key="half") / 100
        margin, change = (reach, None) if purpose == "margin" else (None, reach)
    rule = st.radio("When may it be looked at? Chosen now, printed on every sheet.", list(RULES),
                    format_func=RULES.__getitem__, index=list(RULES).index(ADDITION), key="design_rule")
    if one.radio("A plot is", ["a circle", "a strip"], horizontal=True, key="design_shape") == "a circle":
        across = 2 * two.number_input("Radius of a plot [m]; 3.99 is 50 m²", 0.3, 100.0, 3.99, 0.01, key="design_radius")
        size = size_of(across / 2)
    else:
        across = two.number_input("Length of a strip [m]", 1.0, 500.0, 25.0, 1.0, key="design_long")
        size = size_of(transect=(across, two.number_input("Its width [m]", 0.3, 100.0, 2.0, 0.1, key="design_wide")))
    with st.expander("Parts, edge, hours, how plots vary", key="design_more"):
        one, two = st.columns(2)
        alike = one.slider("How alike are trees of one plot? 0 not at all, 1 wholly", 0.0, 0.6, 0.1, 0.05, key="alike")
        vary = two.slider("How much do plots vary in their trees? Coefficient of variation [%]", 20, 200, 80, 5,
                          key="vary") / 100
        trees = one.number_input("Trees on a plot, about", 1, 500, 10, key="trees_a_plot")
        edge = two.number_input("Keep how far inside the edge [m]", 0.0, 100.0, 0.0, 1.0, key="edge")
        hours = one.number_input("Hours to walk and tally, 0 if it does not matter", 0.0, 500.0, 0.0, key="hours")
        spacing = two.number_input("Spacing of a square grid [m], 0: plots spread evenly", 0.0, 1000.0, 0.0, key="spacing")
        at = as_it_stands(log)
        earlier = site in set(visits_of(at, log)["site"]) and st.toggle(
            "Take likeness and variation from the last visit", True, key="from_visit")
    known = (seen_before(tallied(at, site, None, log)[0], target) if earlier else
             seen_before(None, target, alike, vary, float(trees)))
    number, why = (None, "") if spacing else _needed(target, rule, size, known, plots, expect, margin, change)
    if number is not None:
        st.markdown(f"**{number} plots.** {literal(why)}")
    if ground is None:
        st.caption("Give the boundary to get a layout.")
        return
    asked = Asked(number, edge, spacing or None, bool(spacing), parts_by, hours or None)
    _laid(log, ground, site, asked, size, across, target, rule, tuple(part for part in (why, known.words) if part))


@st.cache_data(max_entries=32, show_spinner="Working it out ...", hash_funcs={Target: repr, Known: repr})
def _needed(target: Target | None, rule: str, size: float, known: Known, plots: int | None, expect: float | None,
            margin: float | None, change: float | None) -> tuple[int | None, str]:
    """As `asked_plots`: it draws hundreds of surveys, and is asked again whenever anything else changes."""
    return asked_plots(target, rule, size, known, plots, expect, margin, change)


@st.fragment
def _laid(log: Log, ground: Ground, site: str, asked: Asked, size: float, across: float, target: Target | None, rule: str,
          why: tuple[str, ...]) -> None:
    """The plots on the map, and the papers: the part that another random start draws anew."""
    seed = start_of(site, asked.plots, st.session_state.get("layout_turn", 0))
    laid = lay_out(ground, asked.plots, asked.spacing_m, asked.edge_m, seed, not asked.grid, size, asked.hours, across)
    plan = made(site, laid, size, target, rule, seed, why, asked)
    st.markdown(f"{plan.plots} plots on {ground.area_m2 / 1e4:.2f} ha, the two nearest {laid.apart_m:.0f} m apart; the walk "
                f"is {laid.walk_m:.0f} m, about {laid.hours:.1f} hours with the tally. {literal(plan.rule.words)}")
    for note in (plan.asked.words, *laid.notes, *(f"{name}: {many} plots" for name, many in plan.strata.items())):
        st.caption(literal(note))
    kept = kept_plan(site)
    if kept is not None and (kept.plots, kept.seed) != (plan.plots, seed):  # as after a reload; sheets of both would mix
        st.warning(literal(f"Another plan is kept for this planting: {kept.plots} plots, random start {kept.seed}. "
                           f"{kept.asked.words} Here stand {plan.plots} plots of random start {seed}; keeping them replaces "
                           "that plan."))
    _drawn(ground, laid.points)
    st.button("Draw another random start", on_click=_another_start)
    _handed(log, ground, site, plan, laid)


def _another_start() -> None:
    st.session_state["layout_turn"] = st.session_state.get("layout_turn", 0) + 1


def _drawn(ground: Ground, points: np.ndarray) -> None:
    """The plots within the boundary, on the map of the other pages: a boundary that is read lies on earth."""
    places = [ground.degrees(float(x), float(y)) for x, y in points]
    plots = pd.DataFrame([(str(number), *place) for number, place in enumerate(places, 1)], columns=["name", "lat", "lon"])
    nothing = pd.DataFrame(columns=["lat", "lon", "error_m", "culprit", "label"]).astype(
        {"lat": float, "lon": float, "error_m": float})
    boundary = ground.as_geojson()
    chart(lambda: map_of(nothing, plots=plots, boundary=boundary, told=f"Map of {len(plots)} plots"), plots,
          "Map of the plots", "layout", boundary)


def _handed(log: Log, ground: Ground, site: str, plan: Plan, laid: Layout) -> None:
    points, parts = laid.points, laid.parts
    if not site:
        st.caption("Give the planting a name to keep its plan.")
    been = log.records("tally", site=site) if site else None
    if been is not None and len(been):
        st.caption(f"Plots are tallied here already, last on {been['day'].max()}. A plan kept now is one for the next "
                   "visit: for these plots the rule holds that was chosen before them.")
    if st.button("Keep this plan, before the first plot", type="primary", width="stretch", disabled=not site):
        drawer.keep(_plan_drawer(site), {"plan": plan.as_yaml()})
        if ground.epsg is not None and log.records("site", name=site).empty:
            log.save("site", name=site, boundary=ground.as_geojson())  # maps and distances to the edge go by it
        stay = []
        if ground.epsg is not None:
            stay = keep_plots(log, planned_plots(plan, ground, laid), preferences.initials())
        if stay:
            st.warning(literal("Kept on this device. In the log these plots stay as they were, since something was recorded "
                               f"on them or no plan laid them: {', '.join(stay)}. To lay all anew, give the planting "
                               "another name."))
        else:
            st.success("Kept on this device, and its plots in the log; take the file along too.")
    one, two, three, four, five = st.columns(5)
    hand_over(one, "Plan", plan.as_yaml(), "plan.yaml", "application/yaml")
    paper = preferences.paper()
    hand_over(two, "Map as PDF", lambda: layout_pdf(ground, points, site, paper, plan),  # type: ignore[arg-type]
              "plots.pdf", "application/pdf")
    if ground.epsg is not None:
        hand_over(three, "Plots as GPX", lambda: as_gpx(ground, points, site, parts),  # type: ignore[arg-type]
                  "plots.gpx", "application/gpx+xml")
    names = tuple(str(number) for number in range(1, plan.plots + 1))
    degrees = tuple(ground.degrees(*map(float, point)) for point in points) if ground.epsg is not None else ()
    hand_over(four, "Tally sheets", lambda: tally_sheet_pdf(site, names, paper, plan, parts, degrees), "tally.pdf",
              "application/pdf")
    if ground.epsg is not None:
        hand_over(five, "Tally as CSV", lambda: template(planned_plots(plan, ground, laid)), "tally.csv", "text/csv")


def _ground(log: Log) -> tuple[Ground | None, str, str]:
    """The planting's area, its name, and the property that names its parts."""
    sites = log.records("site")
    drawn = sites[sites["boundary"].map(bool)] if len(sites) else sites
    names = [*drawn["name"].tolist(), _NEW] if len(drawn) else [_NEW]
    site = st.selectbox("Planting", names, key="design_site")
    if site != _NEW:
        return from_geojson(drawn[drawn["name"] == site]["boundary"].iloc[0]), site, ""
    file = st.file_uploader("Its boundary", type=["geojson", "json", "gpx", "gpkg"], key="survey_boundary")
    name = st.text_input("Its name", key="survey_name").strip()
    if file is None:
        return None, name, ""
    strata = st.text_input("Property that names its parts, empty without parts", key="survey_strata").strip() or None
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / f"boundary{Path(file.name).suffix.lower()}"
        place.write_bytes(file.getvalue())
        try:
            return read_ground(place, strata), name, strata or ""
        except CannotUse as reason:
            raise CannotUse(str(reason).replace(place.name, file.name)) from None
