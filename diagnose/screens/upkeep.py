"""The page for upkeep: what is due at the barriers, a check to enter, a barrier to register, metal on the map."""

from __future__ import annotations

import json
import tempfile
from collections import Counter
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
from diagnose.fieldlog.fields import FINDINGS
from diagnose.fieldlog.store import Log
from diagnose.report.bark_drawing import STAGES, draw_bark
from diagnose.report.due_list import HEADINGS, cautions, due_pdf
from diagnose.report.forecast_ranges import PER_CENT, forecast_ranges
from diagnose.report.metal_sheet import metal_lines, metal_pdf
from diagnose.report.proof_sheet import proof_pdf
from diagnose.screens import drawer, preferences
from diagnose.screens.ahead import months_of, ranges_of
from diagnose.screens.chart import chart
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import bring, literal, once_opened, sheet
from diagnose.screens.plain_map import map_of
from diagnose.screens.show import hand_over
from diagnose.screens.underlay import ask_underlay, under
from diagnose.screens.upkeep_register import done, fence, many, new
from diagnose.upkeep.calendar import calendar_file
from diagnose.upkeep.due import CLASSES, Item, due_of
from diagnose.upkeep.fence import BUFFER_M, line_of
from diagnose.upkeep.forecast import by_row, due_months, forecast_lines, labels_of, narrowing_of
from diagnose.upkeep.growth import CLIMATES
from diagnose.upkeep.metal import metal, sort_of, write_metal
from diagnose.upkeep.proof import own_figures, proof, proof_as_text
from diagnose.upkeep.register import (
    check,
    check_many,
    take_away,
)
from diagnose.upkeep.rounds import Job, answer, jobs
from diagnose.upkeep.rules import known_form, trait
from diagnose.upkeep.standing import Register, standing

_ALL = "all plantings"
_MOST_WORKS = 6  # of a class that are shown at once; our choice
_AHEAD, _MOST_RANGES = 4, 8  # forecasts that the page tells at once, and that it draws; our choice
_PARTS = ("Due", "Enter a check", "Register", "Metal", "Did it hold?")
_UNKNOWN, _OFF = "nobody looked", "taken off"
_CSS = """<style>
.works { padding-left: 1.2rem; margin: 0 0 .6rem; }
.works li { margin: .35rem 0; }
.works small { font-size: .9rem; }
.st-key-due-alarm > div > details { border: 2px solid #D00000; }
.st-key-due-alarm > div > details > summary { background: color-mix(in srgb, #D00000 12%, transparent) !important;
                                              font-weight: 700; }
/* of hundreds of barriers the forecasts for years ahead would fill thirty sheets: on paper those that were opened */
@media print { .st-key-ahead details:not([open]) [data-testid="stExpanderDetails"] { display: none; } }
</style>"""
_LOOKED = {_UNKNOWN: None, "yes": True, "no": False}


def _kept() -> dict[str, Any]:
    return drawer.kept("upkeep")


def _where_and_when(sites: list[str]) -> tuple[str | None, date, str]:
    """Planting, day and climate that the page is about; the climate is remembered."""
    with st.expander("Planting, day, winters", key="upkeep_choices"):
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


def _due(log: Log, items: list[Item], several_sites: bool, day: date) -> None:
    """The works by class, equal ones once with their count; several are ticked off at once."""
    for place, (kind, some) in enumerate(groupby(jobs(items), key=lambda job: job.kind)):
        here = list(some)
        count = sum(max(job.many, 1) for job in here)
        with st.expander(f"{HEADINGS[kind]}: {count}", expanded=place == 0,
                         icon=":material/warning:" if kind == "alarm" else None, key=f"due {kind}"):
            st.html(_works(here[:_MOST_WORKS], several_sites))
            if more := here[_MOST_WORKS:]:
                with st.expander(f"{len(more)} more", key=f"more {kind}"):
                    st.html(_works(more, several_sites))
            _careful(cautions([item for job in here for item in job.items]), kind)
    _tick_off(log, items, day)


def _careful(told: list[str], kind: str) -> None:
    """Each caution's first sentence beside the work, all of it one tap deeper."""
    if not told:
        return
    first = [one.split(". ")[0].rstrip(".") + "." for one in told]
    st.warning("\n\n".join(first), icon=":material/warning:")
    if first != told:
        with st.expander("All cautions", key=f"care {kind}"):
            st.markdown("\n".join(f"- {line}" for line in told))


def _works(here: list[Job], several_sites: bool) -> str:
    return f'<ul class="works">{"".join(_line(job, several_sites) for job in here)}</ul>'


def _line(job: Job, several_sites: bool) -> str:
    by = f" <b>Act by {job.act_by}.</b>" if job.act_by else ""
    many = f"{job.many} × " if job.many > 1 else ""
    where = f"{job.site + ': ' if several_sites and job.site else ''}{job.where}"
    return (f"<li><b>{many}{escape(job.what.rstrip('.'))}</b>{': ' + escape(where) if where else ''} "
            f"<small>({escape(job.why)})</small>.{by}</li>")


def _tick_off(log: Log, items: list[Item], day: date) -> None:
    """Several barriers found alike, entered at once where they are listed: all of one work, or one by one."""
    at = {item.barrier: f"{item.label}: {item.what}" for item in items if item.barrier}
    if not at:
        return
    alike = {f"{job.kind} {job.site} {job.what} {job.where}": job for job in jobs(items)}
    several = len({job.site for job in alike.values()}) > 1
    works = {"": "one by one"}
    for key, job in alike.items():
        if job.many > 1:
            works[key] = f"{job.site + ': ' if several and job.site else ''}{job.many} × {job.what.rstrip('.')}"
    if (part := once_opened("Tick off several at once", "tick off")) is None:
        return
    with part:
        work = st.selectbox("Which work", list(works), format_func=works.__getitem__, key="tick_work")
        first = [item.barrier for item in alike[work].items] if work else []
        _ticked(log, at, list(dict.fromkeys(first)), work, day)


def _ticked(log: Log, at: dict[str, str], first: list[str], work: str, day: date) -> None:
    """The form: all of that work are chosen, and what was not done is taken out."""
    with st.form("upkeep_tick", border=False, clear_on_submit=True):
        chosen = st.multiselect("Barriers that were looked at or mended; take out what was not", list(at), first,
                                format_func=at.__getitem__, key=f"ticked {work}")
        finding = st.radio("What they are now", [*FINDINGS, _OFF], horizontal=True)
        left, right = st.columns(2)
        widened = left.number_input("Widened to a clear width of [mm]", 1.0, 100_000.0, None, 10.0, key="tick widened")
        note = right.text_input("Note, or what stayed there of what was taken off", key="tick note")
        if not st.form_submit_button("Save these checks", type="primary"):
            return
    if finding == _OFF:
        for barrier in chosen:
            take_away(log, barrier, day, note, preferences.initials())
    else:
        check_many(log, chosen, finding, day, preferences.initials(), note, widened_to_mm=widened)
    st.session_state["upkeep_ticked"] = chosen
    done(f"Saved: {len(chosen)} barriers, {finding}.")


def _ahead(there: Register, day: date) -> None:
    """When each comes off, the most pressing first; what is ahead as charts once they are asked for."""
    told = forecast_lines(there, day)
    st.subheader("When each comes off")
    st.markdown(_told_ahead(told[:_AHEAD]))
    if more := told[_AHEAD:]:
        with st.expander(f"{len(more)} more", key="ahead"):
            st.markdown(_told_ahead(more))
    grown = "; ".join(dict.fromkeys(part for one in told for part in one["grown"].split("; ")))
    st.caption(literal(f"Rates: {grown}."))
    if (part := once_opened("As charts: work of each month, and when each comes off", "ahead_charts")) is not None:
        with part:
            _drawn_ahead(there, told, day)


def _drawn_ahead(there: Register, told: list[dict[str, Any]], day: date) -> None:
    """Charts of due months and of forecasts."""
    months = due_months(there, day, 12)
    if not months.empty:
        st.subheader("Barriers due, by month")
        chart(lambda: months_of(months), months, "What falls due, month by month", "months")
    if not (ranges := forecast_ranges(told[:_MOST_RANGES], day)).empty:
        st.subheader("When each comes off, as ranges")
        chart(lambda: ranges_of(ranges), ranges, "When plants are out of reach and barriers cut in", "ranges")
        st.caption(f"Dot: likely. Line: {PER_CENT} % of such plants and barriers. Where a barrier may cut in before its "
                   "plant is out of reach, no winter is safe for both.")


def _told_ahead(told: list[dict[str, Any]]) -> str:
    """A paragraph each: a browser takes long for hundreds of elements, and hardly longer for a long one."""
    names = [f"{one['count']} × {one['name']}" if one["count"] > 1 else one["name"] for one in told]
    return "\n\n".join(f"**{literal(name)}** ({literal(by_row(one['labels'], 8))}): {literal(one['words'])}."
                       for name, one in zip(names, told, strict=True))


def _map(log: Log, there: Register, items: list[Item]) -> None:
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
    drawn_as = [names[worst.get(key, "")] for key in placed["id"]]
    lines = [line_of(told if isinstance(told, dict) else json.loads(told or "{}")) for told in placed["figures"]]
    points = placed.assign(culprit=drawn_as, label=labels_of(placed))[[line is None for line in lines]]
    sites = log.records("site", name=placed["site"].iloc[0]) if placed["site"].nunique() == 1 else pd.DataFrame()
    drawn = [one for one in sites["boundary"] if one] if len(sites) else []
    site = placed["site"].iloc[0] if placed["site"].nunique() == 1 else ""
    boundary = drawn[-1] if drawn else None
    below, fences = under(site) if site else None, [
        (kind, list(line.line)) for kind, line in zip(drawn_as, lines, strict=True) if line is not None]
    chart(lambda: map_of(
        points[["lat", "lon", "error_m", "culprit", "label"]].astype({"lat": float, "lon": float, "error_m": float}),
        alarms=(names["alarm"], names["overdue"]), boundary=boundary, told="Map of the barriers, the fences as lines",
        fences=fences, under=below,
    ), points[["label", "culprit", "lat", "lon", "error_m"]], "Map of the barriers", "barriers", (fences, boundary, below))
    if site:
        ask_underlay(site, placed, boundary)
    if rows["site"].nunique() > 1:
        st.caption("Choose one planting above to see its map larger.")
    if len(placed) < len(rows):
        st.caption(f"{len(rows) - len(placed)} without a place are not on the map.")


def _downloads(there: Register, items: list[Item], day: date, site: str) -> None:
    left, right = st.columns(2)
    hand_over(left, "The list as PDF, with its map", lambda: due_pdf(items, day, site, preferences.paper(), there),
              "due.pdf", "application/pdf")
    hand_over(right, "The year as calendar file", lambda: calendar_file(items, there, day), "upkeep.ics",
              "text/calendar")


def _name_of(rows: pd.DataFrame) -> dict[str, str]:
    several = rows["site"].nunique() > 1  # a phone's field holds few words

    def name(row: Any) -> str:
        many = f"{row.pieces:.0f} \u00d7 " if (row.pieces or 1) > 1 and not trait(known_form(row.form), "line") else ""
        parts = (row.label or row.plant, f"{many}{row.name}", row.site if several else "", (row.built or "")[:4])
        return ", ".join(part for part in parts if part)

    told = {row.id: name(row) for row in rows.itertuples()}
    twice = Counter(told.values())
    return {key: words if twice[words] == 1 else f"{words}, {key[:8]}" for key, words in told.items()}


def _look(log: Log, there: Register, day: date) -> None:
    """A look at one barrier, its widening, or that it was taken off."""
    names = _name_of(there.rows)
    if not names:
        st.info("No barrier stands here yet; register one first.")
        return
    with st.expander("Is the bark thick and corky? Hold these beside the stem", key="bark"):
        drawing = draw_bark()
        told = "; ".join(f"{look}: {means}" for look, means in STAGES)
        sheet(drawing.as_svg(), drawing.title, told)
    barrier = st.selectbox("Barrier", list(names), format_func=names.__getitem__, key="upkeep_barrier")
    form = known_form(there.rows.set_index("id").loc[barrier, "form"])
    _narrowed(log, there, barrier)
    stem = leader = alone = bark = widened = None
    with st.form("upkeep_look", border=False, clear_on_submit=True):
        finding = st.radio("What was found", [*FINDINGS, _OFF], horizontal=True)
        if trait(form, "closed"):
            left, right = st.columns(2)
            stem = left.number_input("Stem's diameter at the guard [mm]", 0.0, 2000.0, None, 1.0)
            leader = right.number_input("Height of the leader [mm]", 0.0, 60_000.0, None, 50.0)
            bark = st.radio("Is the bark thick and corky?", list(_LOOKED), horizontal=True)
        if trait(form, "tube"):
            alone = st.radio("Does the stem stand when the tube is lifted?", list(_LOOKED), horizontal=True)
        left, right = st.columns(2)
        if trait(form, "widens"):
            widened = left.number_input("Widened to a clear width of [mm]", 1.0, 100_000.0, None, 10.0)
        left_behind = right.text_input("Taken off: what stayed there, such as two steel stakes")
        note = st.text_input("Note")
        photo = st.file_uploader("Photo of what was found", type=["jpg", "jpeg", "png", "webp", "heic", "avif"])
        if not st.form_submit_button("Save this check", type="primary"):
            return
    by = preferences.initials()
    if finding == _OFF:
        take_away(log, barrier, day, left_behind, by)
    else:
        check(log, barrier, finding, day, by, None if photo is None else photo.getvalue(), photo.name if photo else "",
              widened, stem_diameter_mm=stem, height_mm=leader, stands_alone=_LOOKED[alone or _UNKNOWN],
              bark_safe=_LOOKED[bark or _UNKNOWN],
              note=note)
    done(f"Saved: {names[barrier]}, {finding}.")


def _narrowed(log: Log, there: Register, barrier: str) -> None:
    """How the day of cutting in narrowed with each measured stem of this barrier."""
    row = there.rows.set_index("id").loc[barrier]
    looks = log.records("check", barrier=barrier)
    sizes = sorted((date.fromisoformat(day), float(stem)) for day, stem in zip(
        looks["day"], looks["stem_diameter_mm"], strict=True) if stem is not None and stem == stem) if len(looks) else []
    inner = row["inner_mm"]
    if not sizes or row["built"] is None or inner is None or not trait(known_form(row["form"]), "closed"):
        return
    told = narrowing_of(row["form"], row["species"], date.fromisoformat(row["built"]), float(inner), sizes, there.climate,
                        bool(row["south"]))
    with st.expander("How sure is the day when it cuts in?", key="narrowing"):
        names = ["before anybody measured", *(f"after the stem of {day:%d %b %Y}, {size:.0f} mm" for day, size in sizes)]
        for name, days in zip(names, told, strict=True):
            st.markdown(f"- {name}: {days.words}")


def _metal(log: Log, site: str | None) -> None:
    rows = metal(log, site)
    answer_here = st.container()
    st.caption("Every wire, post and stake that stands or was left, and what is grown into stems. There may be more that "
               "nobody noted: look before a saw or a mower comes near.")
    if rows.empty:
        st.info("Nothing is in the register.")
        return
    placed = rows[rows["lat"].notna() & rows["lon"].notna()]
    kinds = [{"embedded": "grown in"}.get(state, state if state != "standing" else sort_of(one))
             for one, state in zip(placed["metal"], placed["state"], strict=True)]
    if not placed.empty:
        places = pd.DataFrame({
            "lat": placed["lat"].astype(float), "lon": placed["lon"].astype(float),
            "error_m": placed["error_m"].astype(float), "culprit": kinds, "label": labels_of(placed)})
        chart(lambda: map_of(places), places, "Map of the metal", "metal")
    buffer_m = st.number_input("Stay off, beyond the error of each place [m]", 0.0, 100.0, BUFFER_M, 0.5)
    told, *things = metal_lines(rows, buffer_m)
    answer_here.markdown(f"**{literal(told)}**")
    st.markdown("\n".join(f"- {literal(line)}" for line in things[:_MOST_WORKS]))
    if more := things[_MOST_WORKS:]:
        with st.expander(f"{len(more)} more", key="more metal"):
            st.markdown("\n".join(f"- {literal(line)}" for line in more))
    files = st.container(horizontal=True)  # a phone would set columns one below the other
    hand_over(files, "Map as PDF", lambda: metal_pdf(rows, site or "", preferences.paper(), buffer_m), "metal.pdf",
              "application/pdf")
    for ending, name, kind in (("gpx", "GPX", "application/gpx+xml"), ("geojson", "GeoJSON", "application/geo+json")):
        hand_over(files, f"As {name}", partial(_written, rows, ending, buffer_m), f"metal.{ending}", kind)


def _written(rows: pd.DataFrame, ending: str, buffer_m: float) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        return write_metal(rows, Path(folder) / f"metal.{ending}", buffer_m).read_bytes()


def _held(log: Log, site: str | None) -> None:
    """Damage inside and outside, failures by kind, the cost of a living tree, what that says of published figures."""
    left, right = st.columns(2)
    cost = left.number_input("What the protection of one tree has cost", 0.0, 1e6, None, 1.0)
    lots = right.checkbox("Lots were drawn for which trees were guarded")
    told = proof(log, site, cost, lots)
    st.info(literal(told.answer))
    st.markdown("\n".join(f"- {literal(line.strip())}" for line in proof_as_text(told).splitlines()[1:]))
    files = st.container(horizontal=True)
    hand_over(files, "Page as PDF", lambda: proof_pdf(told, site or "", preferences.paper()), "held.pdf", "application/pdf")
    hand_over(files, "Figures as CSV", lambda: told.long().to_csv(index=False), "held.csv", "text/csv")
    hand_over(files, "Own lifetimes for a plan", lambda: own_figures(told).encode(), "own-figures.yaml", "application/yaml")


def _safely(show: Callable[..., None], *given: Any) -> None:
    """Shows a part of the page; what cannot be used gets its line there, and the rest of the page stays."""
    try:
        show(*given)
    except CannotUse as reason:
        st.error(literal(reason))


def _said(items: list[Item]) -> None:
    """What was saved last, where the eye is brought, and what is due in spite of it."""
    if not (said := st.session_state.pop("upkeep_said", "")):
        return
    for line in said.splitlines():
        st.success(literal(line))
    ticked = set(st.session_state.pop("upkeep_ticked", []))
    if still := ticked & {item.barrier for item in items if item.kind in ("alarm", "overdue")}:
        st.warning(f"{len(still)} of them stay on the list, since their growth or age asks for more than a look: give the "
                   "new clear width, take them off, or measure the stem under Enter a check.")
    bring("h1")


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("What is due?")
    st.html(_CSS)
    top = st.container()
    part = st.segmented_control("What to do", _PARTS, default=_PARTS[0], required=True, key="upkeep_part",
                                label_visibility="collapsed")
    try:
        log = the_log()
        sites = sorted(set(log.records("barrier")["site"]))
        site, day, climate = _where_and_when(sites)
        there = standing(log, climate, None, site)
        items = due_of(there, day)
    except CannotUse as reason:
        st.error(literal(reason))
        return
    with top:
        _said(items)
    if len(there):
        alarm = any(item.kind == "alarm" for item in items)
        top.html(f'<p class="verdict{" alarm" if alarm else ""}" role="status">{escape(answer(items, day))}</p>')
    one = site or (sites[0] if len(sites) == 1 else "")
    if part == "Enter a check":
        _safely(_look, log, there, day)
    elif part == "Register":
        _safely(new, log, day, one)
        with st.expander("From a plan, or many from a CSV file", key="many"):
            _safely(many, log, day, one)
        with st.expander("A fence, from the track that was walked along it", key="fence"):
            _safely(fence, log, day, one)
    elif part == "Metal":
        _safely(_metal, log, site)
    elif part == "Did it hold?":
        _safely(_held, log, site)
    elif not len(there):
        st.info("No barrier is registered here. Register one, a plan or a CSV file under Register.")
    else:
        _safely(_due, log, items, site is None and len(sites) > 1, day)
        _map(log, there, items)
        _ahead(there, day)
        _downloads(there, items, day, site or "")


page()
