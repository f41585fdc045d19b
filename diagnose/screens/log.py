"""The page for the log: a map, a table, and one observation whole with its photo and history."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from html import escape
from typing import Any

import cv2
import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of, nameable
from diagnose.culprits.prior import CONFIRMED_BY
from diagnose.fieldlog import kept_measurement
from diagnose.fieldlog.query import Query
from diagnose.fieldlog.store import Log
from diagnose.measure.record import Measurement
from diagnose.photo.picture import read_picture
from diagnose.report.over_time import shares_over_time
from diagnose.report.overlay import SIDE, annotate
from diagnose.screens import preferences, show
from diagnose.screens.chart import chart
from diagnose.screens.inbox_list import OPEN
from diagnose.screens.log_folder import the_log
from diagnose.screens.log_in_out import give_out, take_in
from diagnose.screens.look import bring, literal, once_opened
from diagnose.screens.look import picture as picture_of
from diagnose.screens.over_time import over_time
from diagnose.screens.plain_map import map_of, picked
from diagnose.screens.underlay import ask_underlay, under
from diagnose.signs import Answer, parse_signs, vocabulary

_ANY = "all"
_SHOWN = ("id", "saved_at", "taken_at", "site", "plant", "lat", "lon", "error_m", "leading", "by", "note", "deleted")
_MOST_SHOWN = 5_000  # rows of the table; a page with more is slow on a phone
_MOST_ON_MAP = 1_000
_MOST_KINDS = 6  # verdicts with a colour and shape of their own on the map
_MOST_TOLD = 3  # verdicts that the first line counts
_TABLE_HIGH = 320  # [px]; the table scrolls in itself


def with_own(names: list[str | None], own: str | None) -> list[str | None]:
    """The names to choose from, with one that an older version kept.

    Parameters
    ----------
    names
        To choose from; None for no choice [no unit].
    own
        What was chosen before, or None [no unit].
    """
    return names if not own or own in names else [*names, own]


def _verdict_name(leading: object) -> str:
    if not isinstance(leading, str):
        return "cannot tell yet"
    return name_of(leading)


def _numbers(text: str, count: int, words: str) -> tuple[float, ...] | None:
    """Numbers between commas; None where nothing is written. Raises CannotUse for anything else."""
    if not text.strip():
        return None
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    if len(found) != count:
        raise CannotUse(f"'{text}' is not {words}; write {count} numbers with commas between them")
    return found


def _asked(log: Log) -> Query:
    """What the person filters by, as Log.observations takes it."""
    with st.container(horizontal=True, key="log_filters"):
        left, right = st.container(width="stretch"), st.container(width="stretch")
    site = left.selectbox("Planting", [_ANY, *log.values_of("site")], key="log_site")
    verdict = right.selectbox("Verdict", [_ANY, *log.values_of("leading")], key="log_verdict",
                              format_func=lambda key: key if key == _ANY else _verdict_name(key))
    asked = Query(None if site == _ANY else site, None if verdict == _ANY else verdict)
    if (part := once_opened("More filters", "log_filters_open")) is None:
        return asked
    with part:
        one, two = st.columns(2)
        since = one.date_input("From this day", None, key="log_since")
        until = two.date_input("To this day", None, key="log_until")
        one, two = st.columns(2)  # pair by pair, so that a phone shows them in this order
        near = one.text_input("Near a point: latitude, longitude, metres", key="log_near", placeholder="46.81, -71.21, 200")
        box = two.text_input("In a box: south, north, west, east", key="log_box", placeholder="46.8, 46.9, -71.3, -71.2")
        deleted = st.toggle("Only those marked as deleted", key="log_deleted")
    return replace(asked, since=_iso(since), until=_iso(until), box=_numbers(box, 4, "a box"),
                   near=_numbers(near, 3, "a point"), deleted=deleted)


def _iso(day: object) -> str | None:
    return day.isoformat() if isinstance(day, datetime.date) else None


def _rows(log: Log, asked: Query) -> pd.DataFrame:
    """The newest observations that were asked for, without what only one observation's view needs."""
    few = None if asked.deleted or asked.near else _MOST_SHOWN
    rows = log.observations(asked, _SHOWN, few)
    if asked.deleted:
        rows = rows[rows["deleted"].astype(bool)]
    rows = rows.head(_MOST_SHOWN).reset_index(drop=True)
    taken = rows["taken_at"].fillna(rows["saved_at"]).str[:16].str.replace("T", " ")
    return rows.assign(verdict_name=rows["leading"].map(_verdict_name), taken=taken)


def _ground(log: Log, rows: pd.DataFrame) -> tuple[str, dict[str, Any] | None]:
    """The one planting that all of these are of, and its boundary; empty and None where there is none."""
    if rows["site"].nunique() != 1 or not rows["site"].iloc[0]:
        return "", None
    site = str(rows["site"].iloc[0])
    sites = log.records("site", name=site)
    return site, next((one for one in reversed(sites["boundary"].tolist()) if one), None) if len(sites) else None


def _placed(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["lat"].notna() & rows["lon"].notna()]


def _map(log: Log, rows: pd.DataFrame) -> str | None:
    """The observations, with plots and boundary where they are of one planting; the id of the one that was clicked."""
    placed = _placed(rows)
    if placed.empty:
        st.caption("None of these observations has a position; the photo's file held none that could be believed.")
        return None
    drawn = placed.head(_MOST_ON_MAP)
    places = pd.DataFrame({
        "id": drawn["id"], "lat": drawn["lat"].astype(float), "lon": drawn["lon"].astype(float),
        "error_m": drawn["error_m"].astype(float), "culprit": _few(drawn["verdict_name"]),
        "label": drawn["plant"].where(drawn["plant"] != "", drawn["id"].str[:8]),
    })
    site, boundary = _ground(log, drawn)
    known = log.records("plot", site=site) if site else pd.DataFrame()
    plots = known[["name", "lat", "lon"]] if len(known) else None
    below = under(site) if site else None
    state = chart(lambda: map_of(places, plots=plots, boundary=boundary, told="Map of the observations", under=below),
                  places.drop(columns="id"), "Map of the observations", "log",
                  (places["id"].tolist(), None if plots is None else plots.to_csv(), boundary, below),
                  on_select="rerun", key="log_map")
    without, more = len(rows) - len(placed), len(placed) - len(drawn)
    told = [*([f"{without:,} without a position are not on the map."] if without else []),
            *([f"The newest {len(drawn):,} of {len(placed):,} are on the map; filter to see the others."] if more else [])]
    if told:
        st.caption(" ".join(told))
    return picked(state)


def _few(names: pd.Series) -> pd.Series:
    """The most frequent names, all others as one: more colours and shapes than so many are not told apart."""
    often = names.value_counts().index[:_MOST_KINDS]
    return names if names.nunique() <= _MOST_KINDS + 1 else names.where(names.isin(often), "others")


def _table(rows: pd.DataFrame, place: int) -> None:
    """Every observation as a row, with a mark at the one that is open; the one that is ticked is opened."""
    ids = rows["id"].tolist()
    plants = rows["plant"].tolist()
    plants[place] = f"{OPEN}{plants[place]}"

    def pick() -> None:
        ticked = st.session_state["log_table"]["selection"]["rows"]
        if ticked and ticked[0] < len(ids):
            _open(ids[ticked[0]], bringing=True)

    shown = rows[["plant", "verdict_name", "taken", "site", "by", "note"]].assign(plant=plants)
    st.dataframe(shown.rename(columns={"site": "planting", "verdict_name": "verdict"}), hide_index=True, width="stretch",
                 height=_TABLE_HIGH, on_select=pick, selection_mode="single-row", key="log_table")
    with st.container(key="screen_tick"):
        # the browser sorts such a table for itself, and tells the page nothing of it
        st.caption("Tick a row, or click a mark on the map, to open it. Newer and Older go by when it was saved, "
                   "however the table is sorted.")


def _in_short(rows: pd.DataFrame) -> None:
    """How many there are, and what did it most often."""
    many = (f"The newest {len(rows):,}" if len(rows) == _MOST_SHOWN else
            f"{len(rows):,} observations" if len(rows) > 1 else "1 observation")
    often = rows["verdict_name"].value_counts()
    told = ", ".join(f"{literal(name)} {count:,}" for name, count in often.head(_MOST_TOLD).items())
    st.markdown(f"**{many}**: {told}{f', others {often.iloc[_MOST_TOLD:].sum():,}' if len(often) > _MOST_TOLD else ''}.")


@st.fragment
def _over_time(rows: pd.DataFrame) -> None:
    """The share of each verdict from month to month; nothing where all are of one month."""
    shares = shares_over_time(rows["taken"], _few(rows["verdict_name"]))
    if shares.empty:
        return
    if (part := once_opened("Verdicts over time", "log_over_time")) is None:
        return
    with part:
        chart(lambda: over_time(shares), shares, "Verdicts over time", "over_time")
        least, most = shares["of"].min(), shares["of"].max()
        many = f"{least:,}" if least == most else f"{least:,} to {most:,}"
        st.caption(f"A bar is {many} observations. What was looked at and saved, not what happened: more photos of one "
                   "animal may only mean that more were taken.")


def _own_map(log: Log, rows: pd.DataFrame) -> None:
    site, boundary = _ground(log, rows)
    placed = _placed(rows)
    if site and len(placed):
        ask_underlay(site, placed, boundary)


def _newly(name: str, now: str | None) -> str | None:
    """What was picked on the map since the page was last drawn."""
    before = st.session_state.get(name)
    st.session_state[name] = now
    return now if now != before else None


@st.cache_data(max_entries=32, show_spinner="Drawing ...")
def _overlay(_data: bytes, _measurement: Measurement, digest: str, as_saved: str, px_per_mm: float | None,
             inches: bool) -> bytes:
    """The kept photo as JPEG with the lines and figures that were saved; the photo alone where nothing was measured."""
    picture = read_picture(_data, digest[:8])
    shown = annotate(picture, _measurement, px_per_mm, inches) if _measurement.measured else picture.bgr
    shrink = min(1.0, SIDE / max(shown.shape[:2]))
    if shrink < 1:
        shown = cv2.resize(shown, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    return cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes()


def _photo(log: Log, found: dict[str, Any], measurement: Measurement) -> None:
    """The kept photo with what was measured when it was saved: nothing is measured anew."""
    if not found["photo"]:
        return
    as_saved = json.dumps([found["signs"], found["verdict"].get("lines", {})])
    try:
        jpeg = _overlay(log.original(found["photo"]), measurement, found["photo"], as_saved,
                        found["verdict"].get("px_per_mm"), preferences.inches())
    except CannotUse as reason:
        st.warning(f"The photo is kept but cannot be shown: {literal(reason)}")
        return
    lines = set(measurement.shapes) - {"taps"}
    picture_of(jpeg, f"The kept photo{', enlarged at the wound, with the lines that were measured along' if lines else ''}")
    if measurement.measured and not lines:
        st.caption("Its lines were not kept: it was saved by an older version, or its figures came from elsewhere.")


def _what_was_said(found: dict[str, Any], measurement: Measurement) -> None:
    """Verdict, figures, answers, reasons and barrier as they were saved."""
    verdict, barrier = found["verdict"], found["barrier"]
    if statement := verdict.get("statement", ""):
        told = escape(str(statement)).replace(" %", "&nbsp;%")  # a figure and its sign stay on one line
        st.html(f'<p class="verdict{"" if found["leading"] else " open"}">{told}</p>')
    show.figures_of(measurement, preferences.inches())
    answered = [f"{vocabulary()[name].label}: {vocabulary()[name].choices[sign.choice]}"
                for name, sign in parse_signs(found["signs"]).items() if isinstance(sign, Answer)]
    for_it, against = verdict.get("for", []), verdict.get("against", [])
    rest = [words for words in answered if words not in (*for_it, *against)]  # each answer stands once
    for heading, lines in (("What spoke for it", for_it), ("What spoke against it", against),
                           ("Also answered" if len(rest) < len(answered) else "What was answered", rest)):
        if lines:
            st.markdown(f"**{heading}**\n" + "\n".join(f"- {literal(words)}" for words in lines))
    if not barrier.get("kind"):
        return
    told = f"{barrier['kind']}, against {' and '.join(barrier.get('stops', []))}"
    if found["leading"] is None:
        st.markdown("**No barrier was advised yet**: it could not be told what did it.")
    with st.expander(f"{'What would suit' if found['leading'] is None else 'The barrier that was advised'}: {literal(told)}",
                     key="log_barrier_open"):
        show.lengths_of({name.replace("_", " "): figure["mm"] for name, figure in barrier.get("figures", {}).items()},
                        preferences.inches())
        if barrier.get("cautions"):
            st.warning("**Take care**\n" + "\n".join(f"- {literal(line)}" for line in barrier["cautions"]))


def _correction(log: Log, found: dict[str, Any]) -> None:
    with st.form("correct", border=False):
        site = st.text_input("Planting", found["site"])
        plant = st.text_input("Plant's tag", found["plant"])
        names = with_own([None, *nameable()], found["named"])
        named = st.selectbox("Your own naming", names, index=names.index(found["named"] or None),
                             format_func=lambda key: "none" if key is None else name_of(key))
        ways = ["", *CONFIRMED_BY]
        confirmed = st.selectbox("That naming was confirmed by", ways, index=ways.index(found["confirmed"]),
                                 format_func=lambda way: way or "nothing from outside",
                                 help="Only what was confirmed from outside can teach the tool what lives here.")
        note = st.text_input("Note", found["note"])
        by = st.text_input("Your initials", preferences.initials(), max_chars=8)
        if st.form_submit_button("Save the correction"):
            given = {"site": site, "plant": plant, "named": named, "confirmed": confirmed, "note": note}
            if changed := {name: value for name, value in given.items() if value != found[name]}:
                log.correct(found["id"], by=by, **changed)
            st.session_state["log_corrected"] = "The correction is saved." if changed else "Nothing was changed."
            st.rerun()
    if told := st.session_state.pop("log_corrected", ""):
        st.success(told)


def _change_and_history(log: Log, found: dict[str, Any]) -> None:
    if (part := once_opened("Correct it", "log_correct_open")) is not None:
        with part:
            _correction(log, found)
    if found["deleted"]:
        if st.button("Restore it", type="primary"):
            log.restore(found["id"], preferences.initials())
            st.rerun()
    elif st.button("Mark it as deleted", help="Nothing is lost: it can be restored."):
        log.delete(found["id"], preferences.initials())
        st.rerun()
    with st.expander(f"History: {len(found['history'])}", key="log_history_open"):
        for change in found["history"]:
            before = ", ".join(f"{name} was {value!r}" for name, value in change["before"].items())
            st.markdown(literal(f"{change['at'][:19].replace('T', ' ')} UTC, {change['by'] or 'nobody named'}: "
                                f"{change['change']}{': ' + before if before else ''}"))


def _open(observation: str, bringing: bool = False) -> None:
    """Opens an observation. bringing : it is scrolled to, since it opens far below what was clicked."""
    st.session_state["log_here"], st.session_state["log_bring"] = observation, bringing


@st.fragment
def _table_and_one(log: Log, rows: pd.DataFrame) -> None:
    """The table and the one of it that is open: the part of the page that going to the next one draws anew."""
    ids = rows["id"].tolist()
    here = st.session_state.get("log_here")
    place = ids.index(here) if here in ids else 0
    _table(rows, place)
    with st.container(key="log_one"):
        _one(log, rows, place)
    if st.session_state.pop("log_bring", False):
        bring(".st-key-log_one")


def _one(log: Log, rows: pd.DataFrame, place: int) -> None:
    """The one that is open, with the way to those before and after it."""
    row, ids = rows.iloc[place], rows["id"].tolist()
    st.subheader(literal(" ".join((row["taken"], row["plant"] or row["id"][:8], row["verdict_name"]))))
    with st.container(horizontal=True, vertical_alignment="center", key="screen_log_walk"):
        for label, to in (("Newer", place - 1), ("Older", place + 1)):
            there = ids[min(max(to, 0), len(ids) - 1)]
            st.button(label, disabled=there == ids[place], on_click=_open, args=(there,))
        st.markdown(f"{place + 1} of {len(ids)}", width="content")
    found = log.observation(ids[place])
    measurement = kept_measurement(found)
    _photo(log, found, measurement)
    _what_was_said(found, measurement)
    if found["named"]:
        st.markdown(f"Named by a person: **{literal(_verdict_name(found['named']))}**")
    for field, label in (("site", "Planting"), ("by", "By"), ("note", "Note")):  # the tag stands in the heading
        if found[field]:
            st.markdown(f"{label}: {literal(found[field])}")
    if found["lat"] is not None and found["lon"] is not None:
        error = "how good is not known" if found["error_m"] is None else f"good to {found['error_m']:.0f} m"
        st.markdown(f"Place: {found['lat']:.5f}, {found['lon']:.5f}, {error}; a position never says which plant it is")
    _change_and_history(log, found)


@st.fragment
def _shown(log: Log, rows: pd.DataFrame) -> None:
    """Map, table and the one that is open: the part of the page that a click on the map draws anew."""
    from_map = _newly("log_on_map", _map(log, rows))
    just_saved = st.session_state.pop("log_saved", None)  # on the page for a wound
    if opened := from_map or (just_saved if just_saved in set(rows["id"]) else None):
        _open(opened, bringing=True)
    _table_and_one(log, rows)


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("The log")
    try:
        log = the_log()
        if log.observations(Query(deleted=True), ("id",), newest=1).empty:
            st.info("Nothing is saved yet. Judge a wound and save it, or take in what you have.")
            take_in(log)
            return
        top = st.container()  # the answer stands above what is filtered by
        asked = _asked(log)
        rows = _rows(log, asked)
        if rows.empty:
            st.info("No observation is like that; change the filters.")
        else:
            with top:
                _in_short(rows)
            _shown(log, rows)
            _over_time(rows)
            _own_map(log, rows)
        take_in(log)
        give_out(log, asked)
    except CannotUse as reason:
        st.error(literal(reason))


page()
