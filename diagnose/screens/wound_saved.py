"""How is a judged wound saved in the log, and what is said of it afterwards?"""

from __future__ import annotations

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of, nameable
from diagnose.diagnosis import Diagnosis
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.fields import CONFIRMED_BY
from diagnose.screens import preferences
from diagnose.screens.draft import Draft, Photo, start_over
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import literal
from diagnose.screens.position import Place, ask_place
from diagnose.screens.start import page_link


def _place(found: list[Diagnosis]) -> Place | None:
    """Asked for where no photo tells its position."""
    taken = [one.picture.taken for one in found if one.picture is not None]
    if any(one.lat is not None for one in taken):
        return None
    with st.expander("Where was it?", key="where"):
        st.caption("No photo says it: phones often take the position out before they upload one.")
        try:
            return ask_place(the_log().observations(columns=("lat", "lon"), newest=200), "wound")
        except CannotUse as reason:
            st.error(literal(reason))
            return None


def save(draft: Draft, found: list[Diagnosis], further: list[Photo]) -> None:
    """Asks for planting, tag and what else goes with it, and saves each diagnosis as an observation once that is pressed.

    Parameters
    ----------
    draft
        Of this device; it is begun anew after saving [no unit].
    found
        What is saved [no unit].
    further
        Photos that belong to the first of them [no unit].
    """
    st.subheader("Save it in the log")
    place = _place(found)
    turn = st.session_state.get("photo_round", 0)
    left, middle, right = st.columns(3)
    usual = st.session_state.get("last_site", "")
    site = draft.say("site", left.text_input("Planting", draft.words.get("site", usual), key=f"site {turn}"))
    plant = draft.say("plant", middle.text_input("Plant's tag", draft.words.get("plant", ""), key=f"plant {turn}"))
    by = right.text_input("Your initials", preferences.initials(), max_chars=8, key=f"by {turn}")
    named = st.selectbox("What you say did it", [None, *nameable()], key=f"named {turn}",
                         format_func=lambda key: "none" if key is None else name_of(key))
    confirmed = st.selectbox("How was that confirmed, if it was?", ["", *CONFIRMED_BY], key=f"confirmed {turn}",
                             format_func=lambda how: how or "it was not")
    note = draft.say("note", st.text_input("Note", draft.words.get("note", ""), key=f"note {turn}"))
    if not st.button("Save", type="primary", width="stretch"):
        return
    where = {} if place is None else {"lat": place.lat, "lon": place.lon, "error_m": place.error_m}
    try:
        log = the_log()
        saved = [save_diagnosis(log, one, site=site, plant=plant, by=by, note=note, named=named,
                                confirmed=confirmed, **where) for one in found]
        for photo in further:
            if saved[0].new:
                log.add_photo(saved[0].id, photo.data, photo.name, "close-up", by)
    except CannotUse as reason:
        st.error(literal(reason))
        return
    called = ", ".join(part for part in (site, plant) if part)
    st.session_state["saved_lines"] = [(one.new, called, one.message) for one in saved]
    st.session_state["log_saved"] = saved[0].id
    st.session_state["last_site"] = site
    start_over()
    st.rerun()


def what_was_saved(draft: Draft) -> None:
    """Says what was saved, until the next plant is begun.

    Parameters
    ----------
    draft
        Of this device [no unit].
    """
    if not draft.is_empty:
        st.session_state.pop("saved_lines", None)
    lines = st.session_state.get("saved_lines", [])
    for new, called, message in lines:
        (st.success if new else st.info)(literal(f"Saved: {called}" if new and called else message))
    if lines:
        page_link("log", "See it in the log")
        st.subheader("Next plant")
