"""The page for a planting: what lives there, how many trees, and the barriers that are worth their price."""

from __future__ import annotations

import base64
from datetime import date
from html import escape
from typing import Any

import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of
from diagnose.fieldlog.judged import wounds_of
from diagnose.figures import length
from diagnose.protect.barriers import buildable
from diagnose.protect.barriers import catalogue as barriers
from diagnose.protect.ground import Ground, ground_from_geojson, square_ground
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import STOCK, default_prices, planting
from diagnose.protect.read import likely_shares
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.report.plan_sheet import drawings, materials_csv, plan_pdf, sections
from diagnose.screens import preferences
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import literal
from diagnose.screens.show import hand_over
from diagnose.texts import from_json
from diagnose.upkeep.register import register_plan

EXPECTED, FROM_LOG, JUST_JUDGED = "Expected: nothing was diagnosed", "Wounds in the log", "The wound just judged"
_OPEN = 3  # sections that are shown unfolded


def _animals() -> list[str]:
    """Culprits that a barrier can stop."""
    return [key for key in NEED_OF if needs()[NEED_OF[key]]["kind"] != "none"]


def _culprits() -> tuple[dict[str, float], bool]:
    """What bites there with its probability, and whether it was diagnosed. Raises CannotUse where nothing is chosen."""
    judged: dict[str, float] | None = st.session_state.get("wound_culprits")
    ways = [EXPECTED, FROM_LOG, *([JUST_JUDGED] if judged else [])]
    way = st.radio("How do you know what bites there?", ways, key="plan_basis", horizontal=True)
    if way == JUST_JUDGED and judged:
        return likely_shares(judged), True
    if way == FROM_LOG:
        sites = the_log().values_of("site")
        if not sites:
            raise CannotUse("the log holds no named planting yet; keep a wound under its name first")
        wounds = wounds_of(the_log(), st.selectbox("Planting", sites, key="plan_site"), region=preferences.region())
        st.caption(f"{len(wounds.each)} wounds. {literal(wounds.together.statement)}")
        return likely_shares(wounds.together.culprits), True
    chosen = st.multiselect("What bites there, or is expected to", _animals(), default=["deer_browsing"], key="animals",
                            format_func=name_of)
    if not chosen:
        raise CannotUse("choose at least one animal")
    return dict.fromkeys(chosen, 1.0), False


def _ground() -> Ground:
    file = st.file_uploader("Boundary as GeoJSON, if you have one", type=["geojson", "json"], key="boundary")
    hectares = st.number_input("Area [hectares], when there is no boundary", 0.01, 10_000.0, 0.5, 0.1, key="hectares")
    slope = st.number_input("Mean slope of the ground [%]", 0.0, 150.0, 0.0, 5.0, key="slope")
    if file is None:
        return square_ground(hectares * 10_000, slope)
    told = from_json(file.getvalue(), file.name)
    if not isinstance(told, dict):
        raise CannotUse(f"{file.name} is no GeoJSON; export the boundary as GeoJSON")
    return ground_from_geojson(told, slope)


def _place_and_money() -> dict[str, Any]:
    """What else there is to know of the place, as `planting` takes it."""
    with st.expander("Wind, way, trees, day, budget", key="plan_more"):
        left, right = st.columns(2)
        wind = left.toggle("Strong wind", key="plan_wind")
        conifers = right.toggle("The trees are conifers", key="plan_conifers")
        carry = left.number_input("Way from the track [m]", 0.0, 50_000.0, 0.0, 50.0, key="plan_carry")
        gates = right.number_input("Gates in a fence", 0, 100, 1, key="plan_gates")
        day = left.date_input("Day of planting, if it is still to come", None, key="plan_day")
        budget = right.number_input("Money there is (0: not limited)", 0.0, 1e9, 0.0, 100.0, key="plan_budget")
    return {"strong_wind": wind, "conifers": conifers, "carry_m": carry, "gates": int(gates),
            "planted_on": day if isinstance(day, date) else None, "budget": budget or None}


def _prices() -> dict[str, Any]:
    """The prices that the person changed, as `planting` takes them."""
    with st.expander("Your own prices", key="plan_prices"):
        currency = st.text_input("Currency", "", placeholder=str(default_prices()["currency"]), key="plan_currency")
        st.caption("The defaults are of 2025 in US dollars, most of them from memory: write your own over them.")
        names = [name for name in default_prices() if name != "currency"]
        rows = [(str(default_prices()[name][3]), float(default_prices()[name][0])) for name in names]
        rows += [(f"{barriers()[key]['name']}, material a {'metre' if barriers()[key]['unit'] == 'm' else 'piece'}",
                  float(barriers()[key]["cost"]["material"][0])) for key in buildable()]
        told = _table(rows, "price", "plan_price_table")
    changed = {key: value for key, (_, before), value in zip([*names, *buildable()], rows, told, strict=True)
               if value != before}
    own = {key: {"material": value} if key in buildable() else value for key, value in changed.items()}
    return {**own, **({"currency": currency} if currency else {})}


def _stock() -> dict[str, float]:
    """What lies in stock already."""
    with st.expander("Already in stock: used first", key="plan_stock"):
        keys = [*buildable(), *STOCK]
        rows = [(barriers()[key]["name"] if key in buildable() else key.replace("_", " "), 0.0) for key in keys]
        told = _table(rows, "pieces or metres", "plan_stock_table")
    return {key: value for key, value in zip(keys, told, strict=True) if value > 0}


def _table(rows: list[tuple[str, float]], heading: str, key: str) -> list[float]:
    """A table whose numbers can be written over; the numbers as they stand now, 0 where one was emptied."""
    shown = pd.DataFrame(rows, columns=["what", heading])
    number = st.column_config.NumberColumn(heading, min_value=0.0)
    told = st.data_editor(shown, hide_index=True, disabled=["what"], column_config={heading: number}, key=key,
                          width="stretch")
    return [float(value) for value in told[heading].fillna(0.0)]


def _show(plan: Plan, inches: bool) -> None:
    basis = escape(plan.basis.capitalize())
    st.html(f'<p class="verdict{"" if plan.place.diagnosed else " open"}" role="status">{basis}</p>')
    for place, (heading, lines) in enumerate(sections(plan, inches)):
        with st.expander(literal(heading), expanded=place < _OPEN, key=f"part {place}"):
            for line in lines:
                st.markdown(f"- {literal(line)}")
    with st.expander("Drawings to scale", expanded=True, key="plan_drawings"):
        for drawing in drawings(plan, inches):
            st.markdown(f"**{literal(drawing.title)}**")
            data = base64.b64encode(drawing.as_svg().encode()).decode()
            told = "; ".join(f"{one.name} {length(one.world_mm, inches)}" for one in drawing.dimensions)
            st.html(f'<div class="sheet" tabindex="0" role="group" aria-label="{escape(drawing.title)}">'
                    f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(drawing.title)}. {escape(told)}"></div>')
    left, right = st.columns(2)
    hand_over(left, "The plan as PDF", plan_pdf(plan, inches), "barrier-plan.pdf", "application/pdf")
    hand_over(right, "The buying list as CSV", materials_csv(plan, inches), "buying-list.csv", "text/csv")


def _put_up(plan: Plan) -> None:
    """Puts what the plan chose into the register, for its upkeep, once it stands."""
    with st.expander("They are up: put them into the register", key="they_are_up"), st.form("put_up", border=False):
        site = st.text_input("Name of the planting")
        built = st.date_input("Put up on", date.today())
        species = st.text_input("Species in it")
        if st.form_submit_button("Register them"):
            new = register_plan(the_log(), plan, site, built, by=preferences.initials(), species=species)
            st.success(f"{len(new)} kinds of barrier are registered. The page Upkeep says when to look, mend and remove.")


def page() -> None:
    st.title("Which barrier, for how many trees, at what price?")
    inches = st.toggle("Inches", value=preferences.inches(), key="plan_inches")
    try:
        culprits, diagnosed = _culprits()
        left, right = st.columns(2)
        trees = left.number_input("Number of trees", 1, 1_000_000, 100, 10, key="trees")
        years = right.number_input("Years until the trees are out of reach", 1, 60, 6, key="years")
        damage = st.select_slider("How bad it is", ["light", "moderate", "heavy", "severe"], "moderate", key="damage")
        snow = st.number_input("Deepest snow, drifts included [cm]", 0.0, 500.0, 0.0, 10.0, key="plan_snow")
        ground = _ground()
        more, prices, stock = _place_and_money(), _prices(), _stock()
        place = planting(ground, int(trees), culprits, damage=damage, years=int(years), snow_mm=snow * 10,
                         diagnosed=diagnosed, prices=prices, owned=stock, **more)
        plan = plan_for(place, culprits if diagnosed else None)
        _show(plan, inches)
        _put_up(plan)
    except CannotUse as reason:
        st.error(literal(reason))


page()
