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
from diagnose.screens.look import as_table, drawing, literal, once_opened
from diagnose.screens.show import hand_over
from diagnose.screens.survey_design import design, kept_plan
from diagnose.screens.survey_read import At, as_it_stands, tallied, visits_of
from diagnose.screens.survey_target import target_fields
from diagnose.survey.boundary import Ground
from diagnose.survey.decide import ACT, NOT_NEEDED
from diagnose.survey.from_log import enter, import_tally
from diagnose.survey.lasting import lasting_of, own_lives, own_lives_file
from diagnose.survey.plan import Plan, plan_of
from diagnose.survey.summary import Survey, held_against, summarise
from diagnose.survey.tally import TALLY, doubts, template, to_mend

_DRAWER = "tally"
_YES_NO = {"1": "yes", "0": "no", "": "cannot tell"}
_DRAWS = 2_000
_LOOKS = {ACT: " alarm", NOT_NEEDED: ""}  # of the answer; all others are open
_SHOWN, _NAMED = 2, 3  # charts that stand open, and that are named of those that do not; our choice


# ---- the tally ----


def _told(name: str, default: str = "") -> str:
    """A field of the tree that is being written down, as the device's drawer holds it."""
    return str(st.session_state.setdefault("tally", drawer.kept(_DRAWER)).get(name) or default)


def _remember(entry: dict[str, str]) -> None:
    if entry != st.session_state.get("tally"):
        st.session_state["tally"] = entry
        drawer.keep(_DRAWER, entry)


def _as_typed(keys: dict[str, str]) -> dict[str, str]:
    """The tree as its fields hold it at this moment. keys : field of the tally -> its field on the page."""
    told = {name: st.session_state[key] for name, key in keys.items()}
    return {name: said.isoformat() if isinstance(said, datetime.date) else str(said).strip() for name, said in told.items()}


def _save_tree(log: Log, keys: dict[str, str]) -> None:
    """Saves the tree, and empties what the next one will not share with it."""
    entry = _as_typed(keys)
    plan = kept_plan(entry["site"])
    try:
        kept, refused = enter(log, [entry if plan is None else {**entry, "plan": plan.in_tally}], preferences.initials())
    except CannotUse as reason:
        st.session_state["tally_refused"] = literal(reason)
        return
    if refused:
        st.session_state["tally_refused"] = literal(refused[0].why)
        return
    st.session_state["tally_said"] = literal(f"{'Saved' if kept else 'Already there'}: {entry['plot']} {entry['tree']}")
    same = {name: entry[name] for name in ("site", "visit", "plot", "plot_area_m2", "stratum", "x", "y", "crs", "species",
                                         "protection")}
    _remember({**same, "tree": _next_tag(entry["tree"])})
    st.session_state["tally_turn"] += 1


def _tally(log: Log) -> None:
    turn = st.session_state.setdefault("tally_turn", 0)
    fields = {field.name: field for field in TALLY}
    keys: dict[str, str] = {}

    def field(where: DeltaGenerator, name: str, label: str, default: str = "", stays: bool = False) -> None:
        keys[name] = f"tally {name}" if stays else f"tally {name} {turn}"
        where.text_input(label, _told(name, default), key=keys[name])

    def choice(where: DeltaGenerator, name: str, title: str, choices: dict[str, str], tell: str = "") -> None:
        told, keys[name] = _told(name), f"tally {name} {turn}"
        place = list(choices).index(told) if told in choices else len(choices) - 1
        where.radio(title, list(choices), index=place, horizontal=True, help=tell or None,
                    format_func=choices.__getitem__, key=keys[name])

    sites = log.records("site")
    only = str(sites["name"].iloc[0]) if len(sites) == 1 else ""
    left, right = st.columns(2)
    field(left, "site", "Planting", only, stays=True)
    keys["visit"] = "tally day"
    day = _told("visit") or datetime.date.today().isoformat()
    right.date_input("Day", datetime.date.fromisoformat(day), key=keys["visit"])
    left, right = st.columns(2)  # pair by pair, so that a phone shows them in this order
    field(left, "plot", "Plot, as on the stake", stays=True)
    plan = kept_plan(_told("site", only))
    field(right, "plot_area_m2", "Its area [m²]", "" if plan is None else f"{plan.plot_m2:g}", stays=True)
    left, right = st.columns(2)
    field(left, "tree", "Tree: tag or number; empty for a plot without trees")
    field(right, "species", "Species")
    left, right = st.columns(2)
    field(left, "height_cm", "Height of the live tip [cm]")
    field(right, "protection", "Protected by; empty when not")
    here = st.container()
    choice(here, "free_of_weeds", "Above the weeds", _YES_NO, fields["free_of_weeds"].tell)
    choice(here, "browsed", "Leader bitten this year", _YES_NO, fields["browsed"].tell)
    choice(here, "stem_damage", "Stem", {"rubbed": "rubbed", "stripped": "stripped", "gnawed": "gnawed", "broken": "broken",
                                         "": "whole"})
    more = st.expander("More: bitten before, laterals, state of the guard, dead, note", key="tally_more")
    with more:
        choice(more, "browsed_before", "Bitten before", _YES_NO, fields["browsed_before"].tell)
        one, two = st.columns(2)
        field(one, "laterals_seen", "Laterals looked at, up to 10")
        field(two, "laterals_browsed", "of them bitten")
        choice(more, "protection_state", "State of the guard",
               {"whole": "whole", "damaged": "damaged", "down": "down", "": "not told"})
        choice(more, "alive", "Alive", {"1": "yes", "0": "dead", "": "not told"})
        choice(more, "reached", "Plot reached", {"1": "yes", "0": "no", "": "not told"})
        choice(more, "well_spaced", "Counts: far enough from the others", {"1": "yes", "0": "too near", "": "not judged"},
               fields["well_spaced"].tell)
        for pair in (("stratum", "crs"), ("x", "y")):  # so that a phone shows them in this order
            for name, where in zip(pair, st.columns(2), strict=True):
                field(where, name, f"{fields[name].title}: {fields[name].tell}", stays=True)
        field(more, "note", "Note")
    entry = _as_typed(keys)
    _remember(entry)
    for doubt in doubts(entry):
        st.warning(f"Is that right? {literal(doubt)}")
    st.button("Save this tree", type="primary", width="stretch", on_click=_save_tree, args=(log, keys))
    if refused := st.session_state.pop("tally_refused", None):
        st.error(refused)
    if said := st.session_state.pop("tally_said", None):
        st.success(said)
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
        file = st.file_uploader("A filled tally", type=["csv"], key="tally_file", on_change=st.session_state.pop,
                                args=("tally_taken", None))  # what was told of the file before goes
        if file is not None and st.button("Take it in"):
            with tempfile.TemporaryDirectory() as folder:
                place = Path(folder) / "tally.csv"
                place.write_bytes(file.getvalue())
                st.session_state["tally_taken"] = import_tally(log, place, preferences.initials())
        if (taken := st.session_state.get("tally_taken")) is not None:
            kept, refused = taken
            st.success(f"{kept} {'entry' if kept == 1 else 'entries'} saved, {len(refused)} refused.")
            if refused:
                hand_over(st, "The refused rows as CSV, to be mended", to_mend(refused), "to-mend.csv", "text/csv")
            for line in refused[:50]:
                st.error(literal(str(line)))


# ---- what it says ----


@st.cache_resource(max_entries=8, show_spinner="Working it out ...")
def _figures_of(at: At, site: str, day: str | None, cost: float | None, _table: pd.DataFrame, _seen: pd.DataFrame,
                _ground: Ground | None) -> Survey:
    """Every figure that no target changes."""
    return summarise(_table, area=_ground, lasting=lasting_of(_seen), cost_per_tree=cost)


def _redrawn(table: pd.DataFrame, seen: pd.DataFrame, cost: float | None, ground: Ground | None) -> Survey:
    """The same with the plots redrawn; not kept for later, as what shows progress cannot be."""
    bar = st.progress(0.0, "Redrawing the plots")

    def progress(share: float) -> None:
        bar.progress(share, "Redrawing the plots")

    found = summarise(table, area=ground, lasting=lasting_of(seen), cost_per_tree=cost, redraw=_DRAWS, progress=progress)
    bar.empty()
    return found


@st.cache_resource(max_entries=8, show_spinner="Drawing ...")
def _pictures(at: At, site: str, day: str | None, _survey: Survey) -> tuple[str, list[str]]:
    """The map and the curves of lasting: made once for what was tallied, whatever its target."""
    return map_picture(_survey), lasting_pictures(_survey.lasting)


def _plan(site: str) -> Plan | None:
    """The plan that was made for this planting on this device, or that is given here."""
    file = st.file_uploader("The plan that was made before the first plot", type=["yaml", "yml"], key="plan_file")
    if file is not None:
        return plan_of(file.getvalue().decode("utf-8", "replace"), file.name)
    return kept_plan(site)


@st.fragment
def _decided(figures: Survey, table: pd.DataFrame, plan: Plan | None, shown: dict[str, Survey],
             places: dict[str, DeltaGenerator]) -> None:
    """Target, and what follows from it: the part of the page that another target draws anew, wherever it stands.

    shown : holds the survey as it was held against its targets, for the papers. places : where the answer, what to do
    where there is none, and the lines of each target stand.
    """
    try:
        own, published, country = target_fields("results", "Your own target")
    except CannotUse as reason:
        st.error(literal(reason))
        return
    targets = [one for one in (own, published) if one is not None]
    if not targets and plan is not None and plan.target is not None:
        targets = [plan.target]
    survey = held_against(figures, table, targets, country, None if plan is None else plan.rule)
    shown["survey"] = survey
    look = _LOOKS.get(survey.decisions[0].verdict, " open") if survey.decisions else " open"
    places["answer"].html(f'<p class="verdict{look}" role="status">{escape(survey.answer)}</p>')
    if survey.decisions:
        places["ask"].empty()
    else:
        places["ask"].caption("Set a target below, under Planting, target and plan.")
    lines = [*decision_lines(survey), *change_lines(survey), *survey.bands]
    places["lines"].markdown("\n".join(f"- {literal(line)}" for line in lines))


def _says(log: Log, top: DeltaGenerator) -> None:
    """The answer at the top of the page, then what it goes by and stands on."""
    at = as_it_stands(log)
    known = visits_of(at, log)
    if known.empty:
        st.info("No tally is saved yet. Begin with Where to put plots; then write the trees down, or import a file, under "
                "Fill in the tally.")
        return
    first = st.container()  # the answer stands on the first screen, what it goes by below it
    with st.expander("Planting, target and plan", key="survey_choices"):
        sites = list(dict.fromkeys(known["site"]))
        site = st.selectbox("Planting", sites, key="survey_site")
        days = known[known["site"] == site]["day"].tolist()
        day = st.selectbox("Visit", [None, *days], key="survey_day",
                           format_func=lambda one: f"the last, and its change ({days[0]})" if one is None else one)
        plan = _plan(site)
        wanted = st.container()
        cost = st.number_input("Cost of the protection of one tree, 0 if not known", 0.0, 10_000.0, 0.0, key="tree_cost")
        redraw = st.toggle("Check what protection saved by redrawing whole plots", key="redraw")
    table, seen, ground = tallied(at, site, day, log)
    survey = (_redrawn(table, seen, cost or None, ground) if redraw else
              _figures_of(at, site, day, cost or None, table, seen, ground))
    charts = [(title, shown) for title, rows in sections(survey) if not (shown := interval_figures(rows)).empty]
    drawn, curves = _pictures(at, site, day, survey)
    places, held = {"answer": top.empty()}, {"survey": survey}
    with first:
        places["ask"] = st.empty()
        st.markdown(literal(survey.headline))
        for title, shown in charts[:1]:  # what is asked most, above what it goes by
            st.subheader(literal(title))
            chart(partial(intervals_of, shown, title), shown, title, "survey_0")
    with st.expander("Targets, the change since the last visit, and what bounds it", key="decisions"):
        places["lines"] = st.empty()
        st.caption(literal(survey.caution))
    with wanted:
        _decided(survey, table, plan, held, places)
    _charted(charts[1:_SHOWN], 1)
    if len(charts) > _SHOWN:
        _more_charts(charts[_SHOWN:])
    _figures(survey)
    if dense := densities(survey):
        st.subheader("Trees on the ground")
        st.markdown("\n".join(f"- {name}: {literal(one.words())}" for name, one in dense.items()))
    st.subheader("Where")
    if survey.map is not None:
        drawing(drawn, "map of damage")
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
    hand_over(one, "Report as PDF", lambda: survey_pdf(held["survey"], preferences.paper()), "survey.pdf", "application/pdf")
    hand_over(two, "Report as page", lambda: survey_html(held["survey"]), "survey.html", "text/html")
    hand_over(three, "Table as CSV", lambda: table.to_csv(index=False), "survey.csv", "text/csv")
    hand_over(four, "Figures as CSV", lambda: held["survey"].long().to_csv(index=False), "figures.csv", "text/csv")


@st.fragment
def _figures(survey: Survey) -> None:
    """Every estimate, a table for each section."""
    if (part := once_opened("All figures as tables", "figures")) is None:
        return
    with part:
        for title, rows in sections(survey):
            st.markdown(f"**{literal(title)}**")
            as_table([{"": "\n".join((name.replace("_", " "), one.note)), "trees": one.trees, "plots": one.plots,
                       "estimate (interval)": _parted(one.words())} for name, one in rows.items()], title)


def _parted(words: str) -> str:
    """An estimate that breaks only before its interval."""
    return words.replace(" ", "\u00a0").replace("\u00a0(", " (")


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


def _lasting(survey: Survey, seen: pd.DataFrame, curves: list[str]) -> None:
    st.subheader("How long barriers last")
    named = list(zip(survey.lasting, curves, strict=True))
    for pair in (named[at:at + 2] for at in range(0, len(named), 2)):  # a desk shows two beside each other, as paper does
        for (kind, picture), place in zip(pair, st.columns(2), strict=False):
            with place:
                drawing(picture, f"share of {kind} still whole, against its age")
    heading, *rows = lasting_rows(survey.lasting)
    as_table([dict(zip(heading, row, strict=True)) for row in rows], "How long barriers last")
    st.caption(LASTING_WORDS)
    if own_lives(seen):
        hand_over(st, "Your own lives of barriers, for a plan (give it to: diagnose protect --prices)",
                  own_lives_file(seen), "own-figures.yaml", "application/yaml")


_PARTS = {"says": "Results", "tally": "Fill in the tally", "design": "Where to put plots"}


@st.fragment
def _asked(part: str, log: Log) -> None:
    """The tally, or the layout: the part of the page that its fields draw anew."""
    try:
        {"tally": _tally, "design": design}[part](log)
    except CannotUse as reason:
        st.error(literal(reason))


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
            _asked(part, log)
        else:
            _says(log, top)
    except CannotUse as reason:
        st.error(literal(reason))


page()
