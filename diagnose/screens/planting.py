"""The page for a planting: what is wanted, what answers it, how the kinds compare, and all it takes to build it."""

from __future__ import annotations

from datetime import date
from html import escape
from typing import Any

import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.here import country_of
from diagnose.culprits.old_names import name_of
from diagnose.diagnosis import Wounds
from diagnose.fieldlog.judged import wounds_of
from diagnose.fieldlog.query import Query
from diagnose.figures import length
from diagnose.knowledge import knowledge
from diagnose.protect.barriers import buildable
from diagnose.protect.barriers import catalogue as barriers
from diagnose.protect.ground import Ground, ground_from_geojson, square_ground
from diagnose.protect.materials import COST_WORDS
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import SOILS, STOCK, TARGET_SHARE, Planting, planting
from diagnose.protect.prices import checked_currency, default_of, default_price, default_prices, rates
from diagnose.protect.requirement import NEED_OF
from diagnose.report.kinds_figures import as_saved, kinds_figures, kinds_rows
from diagnose.report.plan_sheet import (
    KINDS_HEADING,
    PAPERS,
    answer,
    drawings,
    materials_csv,
    plan_pdf,
    sections,
)
from diagnose.screens import preferences
from diagnose.screens.chart import chart
from diagnose.screens.kinds import alive_of, costs_of
from diagnose.screens.log_folder import the_log, where
from diagnose.screens.look import as_table, literal, once_opened, sheet
from diagnose.screens.show import hand_over
from diagnose.texts import from_json
from diagnose.upkeep.register import register_plan

_ROW = 66  # height of a row [px]: from 65 on the framework breaks what is longer than its column
_FIRST_LINES = 2  # of the figures, on the first screen: money and trees
EXPECTED, FROM_LOG, JUST_JUDGED = "Expected: nothing was diagnosed", "Wounds in the log", "The wound just judged"


def _animals() -> list[str]:
    """Culprits that some barrier holds."""
    held = {need for key in buildable() for need in barriers()[key]["against"]}
    return [key for key in NEED_OF if NEED_OF[key] in held]


@st.cache_resource(max_entries=4, show_spinner="Judging the wounds ...")
def _wounds(place: str, site: str, region: str | None, many: int, newest: str) -> Wounds:
    """The wounds of a planting of the log in this place; judged once for as long as none is added or taken away."""
    return wounds_of(the_log(), site, region=region)


def _presence() -> tuple[dict[str, float], tuple[str, ...], bool, str]:
    """Who is there, each with a probability of its own; who is common beside them; was it diagnosed; what to find out.

    Raises CannotUse where nobody is.
    """
    judged: tuple[dict[str, float], tuple[str, ...]] | None = st.session_state.get("wound_presence")
    ways = [EXPECTED, FROM_LOG, *([JUST_JUDGED] if judged else [])]
    st.session_state.setdefault("plan_basis", JUST_JUDGED if judged else EXPECTED)
    way = st.radio("How do you know who is there?", ways, key="plan_basis", horizontal=True)
    if way == JUST_JUDGED and judged:
        return _with_expected(judged[0]), judged[1], True, ""
    if way == FROM_LOG:
        sites = the_log().values_of("site")
        if not sites:
            raise CannotUse("the log holds no named planting yet; keep a wound under its name first")
        site = st.selectbox("Planting", sites, key="plan_site")
        kept = the_log().observations(Query(site=site), ("id", "saved_at"))
        wounds = _wounds(where(), site, preferences.region(), len(kept), str(kept["saved_at"].max()))
        many = f"{len(wounds.each)} wounds" if len(wounds.each) > 1 else "One wound"
        st.caption(f"{many}. {literal(wounds.together.statement)}")
        doubt = wounds.find_out_first
        return _with_expected(wounds.plan_against), wounds.common_beside, not doubt, doubt
    chosen = st.multiselect("Who lives there, or is expected to", _animals(), default=["deer_browsing"], key="animals",
                            format_func=name_of)
    if not chosen:
        raise CannotUse("choose at least one animal")
    told = _table([(name_of(key), 100.0) for key in chosen], "how likely [%]", f"plan_presence {' '.join(chosen)}", 100.0)
    return {key: share / 100 for key, share in zip(chosen, told, strict=True)}, (), False, ""


def _with_expected(told: dict[str, float]) -> dict[str, float]:
    """Who was diagnosed, and who else the person expects there, surely. Raises CannotUse where nobody is."""
    more = st.multiselect("Who else you expect there", [key for key in _animals() if key not in told], key="animals_too",
                          format_func=name_of)
    if not (told or more):
        raise CannotUse("the wounds tell of no animal that a barrier stops; choose whom you expect there")
    return {**told, **dict.fromkeys(more, 1.0)}


def _ground() -> Ground:
    hectares = st.number_input("Area [hectares], when there is no boundary", 0.01, 10_000.0, 0.5, 0.1, key="hectares")
    with st.expander("Boundary and slope", key="plan_ground"):
        file = st.file_uploader("Boundary as GeoJSON, if you have one", type=["geojson", "json"], key="boundary")
        slope = st.number_input("Mean slope of the ground [%]", 0.0, 150.0, 0.0, 5.0, key="slope")
    if file is None:
        return square_ground(hectares * 10_000, slope)
    told = from_json(file.getvalue(), file.name)
    if not isinstance(told, dict):
        raise CannotUse(f"{file.name} is no GeoJSON; export the boundary as GeoJSON")
    return ground_from_geojson(told, slope)


def _aim(ground: Ground, trees: int) -> dict[str, Any]:
    """What is wanted, as `planting` takes it."""
    left, right = st.columns(2)
    planted = trees / ground.area_m2 * 10_000
    share = left.slider("Trees alive at the end [% of the planted]", 0, 100, round(100 * TARGET_SHARE), 5, key="plan_target")
    sure = right.slider("How surely [%]", 50, 95, 80, 5, key="plan_sure")
    left.caption(f"{planted * share / 100:,.0f} of {planted:,.0f} trees a hectare")
    budget = right.number_input("Budget for the first year (0: not limited)", 0.0, 1e9, 0.0, 100.0, key="plan_budget")
    must = st.multiselect("Must be kept out, whatever it costs", _animals(), key="plan_must", format_func=name_of)
    return {"target_per_ha": planted * share / 100, "sureness": sure / 100, "budget": budget or None, "must": must}


def _place() -> dict[str, Any]:
    """What else there is to know of the place, as `planting` takes it."""
    words = knowledge("diagnose.protect", "site.yaml")
    with st.expander("The place: snow, wind, soil, way, paths, birds, power lines", key="plan_more"):
        left, right = st.columns(2)
        snow = left.number_input("Deepest snow, drifts included [cm]", 0.0, 500.0, 0.0, 10.0, key="plan_snow")
        frost = right.number_input("Depth of frost [cm]", 0.0, 300.0, 0.0, 10.0, key="plan_frost")
        wind = left.toggle("Strong wind", key="plan_wind")
        conifers = right.toggle("The trees are conifers", key="plan_conifers")
        large = left.toggle("Large trees (trunk bands)", key="plan_large")
        soil = right.selectbox("Soil", SOILS, key="plan_soil")
        stock = left.number_input("Height of the planted stock [cm]", 0.0, 1000.0, 0.0, 10.0, key="plan_stock_height")
        gates = right.number_input("Gates in a fence", 0, 100, 1, key="plan_gates")
        carry = left.number_input("Way from the track [m]", 0.0, 50_000.0, 0.0, 50.0, key="plan_carry")
        line = right.number_input("Overhead power line over the fence line [kV], 0 for none", 0.0, 1500.0, 0.0, 1.0,
                                  key="plan_line")
        day = left.date_input("Day of planting, if it is still to come", None, key="plan_day")
        site = st.multiselect("What else the place is like", list(words), key="plan_site_words",
                              format_func=lambda word: str(words[word]["label"]))
    return {"snow_mm": snow * 10, "frost_mm": frost * 10, "strong_wind": wind, "conifers": conifers, "large_trees": large,
            "soil": soil, "stock_mm": stock * 10, "gates": int(gates), "carry_m": carry, "power_line_kv": line,
            "planted_on": day if isinstance(day, date) else None, "site": site, "country": country_of(preferences.region())}


def _prices() -> dict[str, Any]:
    """The prices that the person changed, as `planting` takes them."""
    part = once_opened("Your own prices", "plan_prices")
    if part is None:
        return checked_currency({"currency": default_prices()["currency"]})
    with part:
        code = st.selectbox("Currency", [default_prices()["currency"], *rates()["a_dollar"], "another"], key="plan_currency")
        money: dict[str, Any] = {"currency": code}
        if code == "another":
            code = st.text_input("Its short name", "", max_chars=8, key="plan_currency_name")
            dollar = st.number_input("Units of it for one US dollar", min_value=0.0, value=1.0, key="plan_exchange")
            money = {"currency": code or "money", "exchange": dollar or 1.0}
        money = checked_currency(money)
        st.caption("The defaults are prices of the United States of 2024, most of them from memory, in the currency named; "
                   "in euros and pounds many are prices of Germany and Austria or the United Kingdom, from memory. Write "
                   "your own over them.")
        names = [name for name in default_prices() if name != "currency"]
        rows = [(default_of(name, money).words, default_price(name, money)) for name in names]
        rows += [(f"{barriers()[key]['name']}: {COST_WORDS[barriers()[key]['unit']]}", 0.0) for key in buildable()]
        told = _table(rows, "price", "plan_price_table")
    changed = {key: value for key, (_, before), value in zip([*names, *buildable()], rows, told, strict=True)
               if value != before}
    own = {key: {"material": value} if key in buildable() else value for key, value in changed.items()}
    return {**own, **money}


def _stock() -> dict[str, float]:
    """What lies in stock already."""
    part = once_opened("Already in stock: used first", "plan_stock")
    if part is None:
        return {}
    with part:
        keys = [*buildable(), *STOCK]
        rows = [(barriers()[key]["name"] if key in buildable() else key.replace("_", " "), 0.0) for key in keys]
        told = _table(rows, "pieces or metres", "plan_stock_table")
    return {key: value for key, value in zip(keys, told, strict=True) if value > 0}


def _table(rows: list[tuple[str, float]], heading: str, key: str, most: float | None = None) -> list[float]:
    """A table whose numbers can be written over; the numbers as they stand now, 0 where one was emptied."""
    shown = pd.DataFrame(rows, columns=["what", heading])
    # a phone shows both columns, since what is longer than its own breaks
    number = st.column_config.NumberColumn(heading, min_value=0.0, max_value=most, width=140)
    told = st.data_editor(shown, hide_index=True, disabled=["what"], width="stretch", row_height=_ROW, key=key,
                          column_config={"what": st.column_config.Column(width=160), heading: number})
    return [float(value) for value in told[heading].fillna(0.0)]


def _answer(top: Any, plan: Plan, doubt: str, inches: bool) -> None:
    """What is wanted, and the answer to it, above everything that is asked. doubt : what to find out first, if anything."""
    place = plan.place
    with top:
        share = 100 * place.target_trees / place.trees
        st.markdown(literal(f"Wanted: {share:.0f} % of {place.trees} trees alive after {place.years} years, "
                            f"{100 * place.sureness:.0f} % surely, against "
                            f"{', '.join(name_of(culprit) for culprit, _ in place.threats)}."))
        first, *more = answer(plan, inches)
        st.html(f'<p class="verdict{" open" if plan.broken or doubt else ""}" role="status">{escape(first)}</p>')
        if doubt:
            st.warning(literal(doubt))
        for line in more[:_first_lines(plan)]:
            st.markdown(literal(line))
        st.caption(f"{escape(plan.basis.capitalize())}. What was taken for granted stands below.")
        _what_is_known()


def _what_is_known() -> None:
    """A way to plan against what was diagnosed, where the plan stands on what is only expected."""
    judged = st.session_state.get("wound_presence")
    if st.session_state.get("plan_basis", EXPECTED) == EXPECTED and (judged or the_log().values_of("site")):
        basis = JUST_JUDGED if judged else FROM_LOG
        st.button(f"Plan by: {basis[0].lower()}{basis[1:]}", on_click=_plan_by, args=(basis,))


def _plan_by(basis: str) -> None:
    st.session_state["plan_basis"] = basis


def _first_lines(plan: Plan) -> int:
    """How many lines follow what to do: which wish breaks it, money, trees."""
    return _FIRST_LINES + bool(plan.broken)


def _kinds(plan: Plan, inches: bool) -> None:
    """The alternatives: money and work, trees alive, and all of it as a table one tap deeper."""
    st.subheader(f"Cost over {plan.place.years} years [{plan.currency}] and hours of work")
    figures = kinds_figures(plan)
    saved = as_saved(figures, plan.currency)
    chart(lambda: costs_of(plan, figures), saved, "Cost of each kind", "costs", plan.place.years)
    for line in answer(plan, inches)[1 + _first_lines(plan):]:  # whether it pays, beside the money
        st.markdown(literal(line))
    st.subheader("Trees left alive")
    chart(lambda: alive_of(plan, figures), saved, "Trees left alive by each kind", "alive",
          (plan.place.trees, plan.place.target_trees, plan.place.years))
    st.caption("Dot: surely alive. Line: from 10 to 90 %. Dashed: what is wanted.")
    for line in dict(sections(plan, inches))[KINDS_HEADING][len(plan.kinds):]:
        st.markdown(literal(line))
    if (part := once_opened("The same as a table, with what each fails", "plan_kinds")) is not None:
        with part:
            as_table([{name: round(told) if isinstance(told, float) else told for name, told in row.items()}
                      for row in kinds_rows(plan)], "The kinds, and what each fails")


def _part(place: int, heading: str, lines: list[str]) -> None:
    with st.expander(literal(heading), expanded=heading in ("Not kept out", "Take care"), key=f"part {place}"):
        st.markdown("\n".join(map(_item, lines)))


def _item(line: str) -> str:
    """A line as one of a list, which counts itself where the line begins with its number."""
    number, dot, rest = line.partition(". ")
    return f"{number}. {literal(rest)}" if dot and number.isdigit() else f"- {literal(line)}"


def _depth(plan: Plan, inches: bool) -> None:
    *told, sources = list(sections(plan, inches))[1:]
    for place, (heading, lines) in enumerate(told):
        if heading != KINDS_HEADING:
            _part(place, heading, lines)
    with st.expander("Drawings to scale", expanded=True, key="plan_drawings"):
        for drawing in drawings(plan, inches):
            st.markdown(f"**{literal(drawing.title)}**")
            sheet(drawing.as_svg(), drawing.title,
                  "; ".join(f"{one.name} {length(one.world_mm, inches)}" for one in drawing.dimensions))
    _part(len(told), *sources)
    paper = st.radio("Paper", list(PAPERS), list(PAPERS).index(preferences.paper()), horizontal=True, key="plan_paper")
    files = st.container(horizontal=True)  # a phone would set columns one below the other
    hand_over(files, "The plan as PDF", lambda: plan_pdf(plan, inches, paper), "barrier-plan.pdf", "application/pdf")
    hand_over(files, "The buying list as CSV", lambda: materials_csv(plan, inches), "buying-list.csv", "text/csv")


@st.fragment
def _put_up(plan: Plan) -> None:
    """Puts what the plan chose into the register, for its upkeep, once it stands."""
    if (part := once_opened("They are up: put them into the register", "they_are_up")) is None:
        return
    with part, st.form("put_up", border=False):
        known = st.session_state.get("plan_site", "") if st.session_state.get("plan_basis") == FROM_LOG else ""
        site = st.text_input("Name of the planting", known)
        built = st.date_input("Put up on", date.today())
        species = st.text_input("Species in it")
        if st.form_submit_button("Register them"):
            new = register_plan(the_log(), plan, site, built, by=preferences.initials(), species=species)
            st.success(f"Kinds of barrier registered: {len(new)}. The page Upkeep says when to look, mend and remove.")


def _asked() -> tuple[Planting, str]:
    """Everything that is asked, what is wanted first, and what to find out before anything is bought. Raises CannotUse."""
    left, right = st.columns(2)
    trees = left.number_input("Number of trees", 1, 1_000_000, 100, 10, key="trees")
    years = right.number_input("Years until the trees are out of reach", 1, 60, 6, key="years")
    presence, common, diagnosed, doubt = _presence()
    ground = _ground()
    aim = _aim(ground, int(trees))
    damage = st.select_slider("How bad it is where they are", ["light", "moderate", "heavy", "severe"], "moderate",
                              key="damage")
    place, prices, stock = _place(), _prices(), _stock()
    return planting(ground, int(trees), presence, damage=damage, years=int(years), diagnosed=diagnosed, prices=prices,
                    owned=stock, common=common, **aim, **place), doubt


@st.cache_data(max_entries=16, show_spinner="Working it out ...", hash_funcs={Planting: repr})
def _planned(asked: Planting) -> Plan:
    return plan_for(asked)


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("A planting")
    top, inches = st.container(), preferences.inches()
    try:
        with st.expander("Change what you want, and where", key="plan_asked"):
            asked, doubt = _asked()
        plan = _planned(asked)
        _answer(top, plan, doubt, inches)
        _kinds(plan, inches)
        _depth(plan, inches)
        _put_up(plan)
    except CannotUse as reason:
        top.error(literal(reason))


page()
