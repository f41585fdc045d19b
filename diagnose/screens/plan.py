"""The page for a planting: what lives there, how many trees, and the barriers that are worth their price."""

from __future__ import annotations

import json
from datetime import date

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import catalogue
from diagnose.protect.ground import Ground, ground_from_geojson, square_ground
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import planting
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.report.plan_sheet import materials_csv, plan_pdf, sections
from diagnose.screens import preferences
from diagnose.screens.log_folder import the_log
from diagnose.upkeep.register import register_plan


def _animals() -> list[str]:
    """Culprits that a barrier can stop."""
    return [key for key in catalogue().names if key in NEED_OF and needs()[NEED_OF[key]]["kind"] != "none"]


def _ground() -> Ground:
    file = st.file_uploader("Boundary as GeoJSON, if you have one", type=["geojson", "json"], key="boundary")
    hectares = st.number_input("Area [hectares], when there is no boundary", 0.01, 10_000.0, 0.5, 0.1, key="hectares")
    slope = st.number_input("Mean slope of the ground [%]", 0.0, 150.0, 0.0, 5.0, key="slope")
    if file is None:
        return square_ground(hectares * 10_000, slope)
    try:
        told = json.loads(file.getvalue())
    except ValueError:
        raise CannotUse(f"{file.name} is no GeoJSON; export the boundary as GeoJSON") from None
    return ground_from_geojson(told, slope)


def _show(plan: Plan, inches: bool) -> None:
    for place, (heading, lines) in enumerate(sections(plan, inches)):
        with st.expander(heading, expanded=place < 3):
            for line in lines:
                st.markdown(f"- {line}")
    left, right = st.columns(2)
    left.download_button("The plan as PDF", plan_pdf(plan, inches), "barrier-plan.pdf", "application/pdf", width="stretch")
    right.download_button("The buying list as CSV", materials_csv(plan), "buying-list.csv", "text/csv", width="stretch")


def _put_up(plan: Plan) -> None:
    """Puts what the plan chose into the register, for its upkeep, once it stands."""
    with st.expander("They are up: put them into the register"), st.form("put_up", border=False):
        site = st.text_input("Name of the planting")
        built = st.date_input("Put up on", date.today())
        species = st.text_input("Species in it")
        if st.form_submit_button("Register them"):
            new = register_plan(the_log(), plan, site, built, by=preferences.initials(), species=species)
            st.success(f"{len(new)} kinds of barrier are registered. The page Upkeep says when to look, mend and remove.")


def page() -> None:
    st.title("Which barrier, for how many trees, at what price?")
    inches = st.toggle("Inches", key="plan_inches")
    animals = st.multiselect("What bites there, or is expected to", _animals(), default=["deer_browsing"], key="animals",
                             format_func=lambda key: catalogue().names[key])
    trees = st.number_input("Number of trees", 1, 1_000_000, 100, 10, key="trees")
    damage = st.select_slider("How bad it is", ["light", "moderate", "heavy", "severe"], "moderate", key="damage")
    years = st.number_input("Years until the trees are out of reach", 1, 60, 6, key="years")
    snow = st.number_input("Deepest snow, drifts included [cm]", 0.0, 500.0, 0.0, 10.0, key="plan_snow")
    try:
        ground = _ground()
        if not animals:
            st.info("Choose at least one animal.")
            return
        place = planting(ground, int(trees), animals, damage=damage, years=int(years), snow_mm=snow * 10)
        plan = plan_for(place)
        _show(plan, inches)
        _put_up(plan)
    except CannotUse as reason:
        st.error(str(reason))


page()
