"""The page for a survey: what it says, a tally to fill in, and (survey_design.py) where to put plots."""

from __future__ import annotations

import datetime
import tempfile
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import Log
from diagnose.protect.requirement import cautions_for
from diagnose.report.damage_map import map_picture, map_words
from diagnose.report.lasting_drawing import LASTING_WORDS, lasting_pictures, lasting_rows
from diagnose.report.survey_report import (
    change_lines,
    cost_words,
    decision_lines,
    densities,
    sections,
    survey_html,
    survey_pdf,
)
from diagnose.screens import drawer, preferences
from diagnose.screens.chart import chart
from diagnose.screens.intervals import interval_figures, intervals_of
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import drawing, literal, once_opened
from diagnose.screens.show import hand_over
from diagnose.screens.survey_design import design, plan_drawer
from diagnose.survey.boundary import Ground, from_geojson
from diagnose.survey.decide import ACT, NOT_NEEDED
from diagnose.survey.from_log import enter, import_tally, survey_table, visits
from diagnose.survey.lasting import lasting_of, own_lives, own_lives_file, watched
from diagnose.survey.plan import Plan, plan_of
from diagnose.survey.stopping import StoppingRule
from diagnose.survey.summary import Survey, summarise
from diagnose.survey.tally import TALLY, doubts, template, to_mend
from diagnose.survey.target import Target, countries, own_target

_DRAWER = "tally"
_YES_NO = {"1": "yes", "0": "no", "": "cannot tell"}
_DRAWS = 2_000
_LOOKS = {ACT: " alarm", NOT_NEEDED: ""}  # of the answer; all others are open
_SHOWN, _NAMED = 2, 3  # charts that stand open, and that are named of those that do not; our choice


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
    sites = log.records("site")
    only = str(sites["name"].iloc[0]) if len(sites) == 1 else ""
    left, right = st.columns(2)
    entry["site"] = left.text_input("Planting", _told("site", only), key="tally site").strip()
    day = datetime.date.fromisoformat(_told("visit") or datetime.date.today().isoformat())
    entry["visit"] = right.date_input("Day", day, key="tally day").isoformat()
    left, right = st.columns(2)  # pair by pair, so that a phone shows them in this order
    entry["plot"] = left.text_input("Plot, as on the stake", _told("plot"), key="tally plot").strip()
    entry["plot_area_m2"] = right.text_input("Its area [m²]", _told("plot_area_m2"), key="tally area").strip()
    left, right = st.columns(2)
    entry["tree"] = left.text_input("Tree: tag or number; empty for a plot without trees", _told("tree"),
                                    key=f"tally tree {turn}").strip()
    entry["species"] = right.text_input("Species", _told("species"), key=f"tally species {turn}").strip()
    left, right = st.columns(2)
    entry["height_cm"] = left.text_input("Height of the live tip [cm]", _told("height_cm"),
                                         key=f"tally height {turn}").strip()
    entry["protection"] = right.text_input("Protected by; empty when not", _told("protection"),
                                           key=f"tally protection {turn}").strip()
    entry["free_of_weeds"] = _choice("free_of_weeds", "Above the weeds", _YES_NO, fields["free_of_weeds"].tell)
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
        entry["well_spaced"] = _choice("well_spaced", "Counts: far enough from the others",
                                       {"1": "yes", "0": "too near", "": "not judged"}, fields["well_spaced"].tell)
        one, two = st.columns(2)
        for name, where in (("stratum", one), ("crs", two), ("x", one), ("y", two)):
            label = f"{fields[name].title}: {fields[name].tell}"
            entry[name] = where.text_input(label, _told(name), key=f"tally {name}").strip()
        entry["note"] = st.text_input("Note", _told("note"), key=f"tally note {turn}")
    _remember(entry)
    for doubt in doubts(entry):
        st.warning(f"Is that right? {literal(doubt)}")
    if st.button("Save this tree", type="primary", width="stretch"):
        kept, refused = enter(log, [entry], preferences.initials())
        if refused:
            st.error(literal(refused[0].why))
        else:
            st.session_state["tally_said"] = f"{'Saved' if kept else 'Already there'}: {entry['plot']} {entry['tree']}"
            same = {name: entry[name] for name in ("site", "visit", "plot", "plot_area_m2", "stratum", "x", "y", "crs",
                                                 "species", "protection")}
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
    st.caption(f"{len(rows)} saved on plot {literal(entry['plot'])}. To correct one, write it again with the same tree.")
    st.dataframe(shown, hide_index=True, width="stretch")


def _from_file(log: Log) -> None:
    with st.expander("From or to a file", key="tally_files"):
        hand_over(st, "An empty tally as CSV", template(), "tally.csv", "text/csv")
        file = st.file_uploader("A filled tally", type=["csv"], key="tally_file")
        if file is not None and st.button("Take it in"):
            with tempfile.TemporaryDirectory() as folder:
                place = Path(folder) / "tally.csv"
                place.write_bytes(file.getvalue())
                st.session_state["tally_taken"] = import_tally(log, place, preferences.initials())
        if (taken := st.session_state.get("tally_taken")) is not None:
            kept, refused = taken
            st.success(f"{kept} entries saved, {len(refused)} refused.")
            if refused:
                hand_over(st, "The refused rows as CSV, to be mended", to_mend(refused), "to-mend.csv", "text/csv")
            for line in refused[:50]:
                st.error(literal(str(line)))


# ---- what it says ----


@st.cache_data(max_entries=8, show_spinner="Working it out ...", hash_funcs={Target: repr, StoppingRule: repr})
def _survey(table: pd.DataFrame, targets: tuple[Target, ...], country: str, rule: StoppingRule | None, seen: pd.DataFrame,
            cost: float | None, _ground: Ground | None) -> Survey:
    return summarise(table, None, targets, country, rule, _ground, lasting=lasting_of(seen), cost_per_tree=cost)


def _redrawn(table: pd.DataFrame, targets: tuple[Target, ...], country: str, rule: StoppingRule | None, seen: pd.DataFrame,
             cost: float | None, ground: Ground | None) -> Survey:
    """The same with the plots redrawn; not kept for later, as what shows progress cannot be."""
    bar = st.progress(0.0, "Redrawing the plots")

    def progress(share: float) -> None:
        bar.progress(share, "Redrawing the plots")

    found = summarise(table, None, targets, country, rule, ground, lasting=lasting_of(seen), cost_per_tree=cost,
                      redraw=_DRAWS, progress=progress)
    bar.empty()
    return found


@st.cache_resource(max_entries=8, show_spinner="Drawing ...")
def _pictures(_survey: Survey, key: str) -> tuple[list[tuple[str, pd.DataFrame]], str, list[str]]:
    """The shares that are drawn, with their titles, the map and the curves of lasting: made once for each survey."""
    charts = [(title, shown) for title, rows in sections(_survey) if not (shown := interval_figures(rows)).empty]
    return charts, map_picture(_survey), lasting_pictures(_survey.lasting)


def _plan(site: str) -> Plan | None:
    """The plan that was made for this planting on this device, or that is given here."""
    file = st.file_uploader("The plan that was made before the first plot", type=["yaml", "yml"], key="plan_file")
    if file is not None:
        return plan_of(file.getvalue().decode("utf-8", "replace"), file.name)
    kept = drawer.kept(plan_drawer(site))
    return plan_of(str(kept["plan"])) if kept else None


def _targets(plan: Plan | None) -> tuple[tuple[Target, ...], str]:
    left, right = st.columns(2)
    typed = left.text_input("Your own target", key="own_target", placeholder="1100/ha, 70% plots or 10% browsed").strip()
    country = right.selectbox("Published targets of", ["", *countries()], key="country",
                              format_func=lambda name: name or "no country")
    if typed:
        return (own_target(typed),), country
    return ((plan.target,) if plan is not None and plan.target is not None else ()), country


def _says(log: Log, top: DeltaGenerator) -> None:
    """The answer at the top of the page, then what it goes by and stands on."""
    known = visits(log)
    if known.empty:
        st.info("No tally is saved yet. Fill it in, or import a file, under Fill in the tally.")
        return
    first = st.container()  # the answer stands on the first screen, what it goes by below it
    with st.expander("Planting, target and plan", key="survey_choices"):
        sites = list(dict.fromkeys(known["site"]))
        site = st.selectbox("Planting", sites, key="survey_site")
        days = known[known["site"] == site]["day"].tolist()
        day = st.selectbox("Visit", [None, *days], key="survey_day",
                           format_func=lambda one: f"the last, and its change ({days[0]})" if one is None else one)
        plan = _plan(site)
        targets, country = _targets(plan)
        cost = st.number_input("Cost of the protection of one tree, 0 if not known", 0.0, 10_000.0, 0.0, key="tree_cost")
        redraw = st.toggle("Check what protection saved by redrawing whole plots", key="redraw")
    table, seen = survey_table(log, site, day), watched(log, site)
    rule = None if plan is None else plan.rule
    survey = (_redrawn if redraw else _survey)(table, targets, country, rule, seen, cost or None, _boundary(log, site))
    key = (f"{site} {day} {targets} {country} {rule} {cost} {redraw} {len(table)} {len(seen)} {survey.headline} "
           f"{survey.answer}")
    charts, where, curves = _pictures(survey, key)
    with top:
        look = _LOOKS.get(survey.decisions[0].verdict, " open") if survey.decisions else " open"
        st.html(f'<p class="verdict{look}" role="status">{escape(survey.answer)}</p>')
    with first:
        st.markdown(literal(survey.headline))
        for title, shown in charts[:1]:  # what is asked most, above what it goes by
            st.subheader(literal(title))
            chart(partial(intervals_of, shown, title), shown, title, "survey_0")
    lines = [*decision_lines(survey), *change_lines(survey), *survey.bands]
    with st.expander("Targets, the change since the last visit, and what bounds it", key="decisions"):
        st.markdown("\n".join(f"- {literal(line)}" for line in lines))
        st.caption(literal(survey.caution))
    _charted(charts[1:_SHOWN], 1)
    if len(charts) > _SHOWN:
        _more_charts(charts[_SHOWN:])
    _figures(survey)
    if dense := densities(survey):
        st.subheader("Trees on the ground")
        st.markdown("\n".join(f"- {name}: {literal(one.words())}" for name, one in dense.items()))
    if survey.map is not None:
        st.subheader("Where")
        drawing(where, "map of damage")
        st.markdown(literal(map_words(survey)))
    if told := cost_words(survey):
        st.subheader("What it cost")
        st.markdown(literal(told))
    if survey.lasting:
        _lasting(survey, seen, curves)
    with st.expander("How this was worked out, and what was not covered", key="methods"):
        st.markdown(literal(survey.methods))
        st.markdown("\n".join(f"- {literal(line)}" for line in survey.not_covered))
    one, two, three, four = st.columns(4)
    hand_over(one, "Report as PDF", lambda: survey_pdf(survey, preferences.paper()), "survey.pdf", "application/pdf")
    hand_over(two, "Report as page", lambda: survey_html(survey), "survey.html", "text/html")
    hand_over(three, "Table as CSV", table.to_csv(index=False), "survey.csv", "text/csv")
    hand_over(four, "Figures as CSV", survey.long().to_csv(index=False), "figures.csv", "text/csv")


@st.fragment
def _figures(survey: Survey) -> None:
    """Every estimate, a table for each section."""
    if (part := once_opened("All figures as tables", "figures")) is None:
        return
    with part:
        for title, rows in sections(survey):
            st.markdown(f"**{literal(title)}**")
            st.dataframe(pd.DataFrame([
                {"": name.replace("_", " "), "estimate (interval)": one.words(), "trees": one.trees, "plots": one.plots,
                 "note": one.note} for name, one in rows.items()]), hide_index=True, width="stretch")


def _charted(charts: list[tuple[str, pd.DataFrame]], first: int) -> None:
    for place, (title, shown) in enumerate(charts, first):
        st.subheader(literal(title))
        chart(partial(intervals_of, shown, title), shown, title, f"survey_{place}", title)


@st.fragment
def _more_charts(charts: list[tuple[str, pd.DataFrame]]) -> None:
    """Drawn only when it is opened: a browser takes long for so many charts."""
    first = ", ".join(title.split(",")[0] for title, _ in charts[:_NAMED]).replace(", By", ", by")
    rest = f" and {len(charts) - _NAMED} more charts" if len(charts) > _NAMED else ""
    if (more := once_opened(literal(first + rest), "survey_more")) is not None:
        with more:
            _charted(charts, _SHOWN)


def _boundary(log: Log, site: str) -> Ground | None:
    sites = log.records("site", name=site)
    drawn = [one for one in sites["boundary"] if one] if len(sites) else []
    return from_geojson(drawn[-1]) if drawn else None


def _lasting(survey: Survey, seen: pd.DataFrame, curves: list[str]) -> None:
    st.subheader("How long barriers last")
    for kind, picture in zip(survey.lasting, curves, strict=True):
        drawing(picture, f"share of {kind} still whole, against its age")
    heading, *rows = lasting_rows(survey.lasting)
    st.dataframe(pd.DataFrame(rows, columns=heading), hide_index=True, width="stretch")
    st.caption(LASTING_WORDS)
    if own_lives(seen):
        hand_over(st, "Your own lives of barriers, for a plan (give it to: diagnose protect --prices)",
                  own_lives_file(seen), "own-figures.yaml", "application/yaml")


_PARTS = {"says": "Results", "tally": "Fill in the tally", "design": "Where to put plots"}


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("How much is damaged?")
    top = st.container()
    part = st.segmented_control("What now?", list(_PARTS), format_func=_PARTS.__getitem__, default="says", required=True,
                                key="survey_part", label_visibility="collapsed")
    try:
        log = the_log()
        if part != "says":
            st.caption(" ".join(cautions_for(["survey"], short=True)))
            {"tally": _tally, "design": design}[part](log)
        else:
            _says(log, top)
    except CannotUse as reason:
        st.error(literal(reason))


page()
