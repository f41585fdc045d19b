"""The page for help: papers to print, the guides, and how far to trust the tool."""

from __future__ import annotations

import re

import streamlit as st

from diagnose.guide import GUIDES, PICTURES, counted_at, guide_text
from diagnose.places import places
from diagnose.report.card_sheet import card_and_staff
from diagnose.report.field_key import field_key
from diagnose.screens import preferences
from diagnose.screens.look import address_of, bring
from diagnose.screens.show import hand_over

_PICTURE = re.compile(r"(?<=\]\()pictures/([\w.]+)(?=\))")
_LINK = re.compile(r"(?<!!)\[([^\]]+)\]\(([\w/.]+)\.md\)")  # to another guide, whose file the app does not serve


@st.cache_data(show_spinner="Drawing ...")
def _card(paper: str) -> bytes:
    return card_and_staff(paper)


@st.cache_data(show_spinner="Drawing ...")
def _key(paper: str) -> bytes:
    return field_key(paper)


def _as_shown(text: str) -> tuple[str, list[str]]:
    """A guide as the page shows it, with addresses of its pictures, and the other guides that it leads to."""
    named = [found[2] for found in _LINK.finditer(text) if found[2] in GUIDES]
    text = _PICTURE.sub(lambda found: address_of((PICTURES / found[1]).read_bytes(), f"guide {found[1]}", "image/png"), text)
    return _LINK.sub(r"\1", text), list(dict.fromkeys(named))


def _read(name: str) -> None:
    st.session_state["guide_read"] = name


def _opened(name: str) -> None:
    """One guide, brought into sight when it was chosen, and the way to those that it names."""
    text, named = _as_shown(guide_text(name))
    with st.container(key="guide_text"):
        st.header(GUIDES[name])
        if name == "animals":
            place = st.selectbox("What is counted in", places(), index=None, format_func=lambda one: one.name,
                                 placeholder="A country, a state or an island")
            if place is not None:
                st.info(counted_at(place))
        st.markdown(text)
        for other in named:
            st.button(f"Read on: {GUIDES[other]}", key=f"read {other}", on_click=_read, args=(other,))
    if st.session_state.get("guide_shown") != name:
        bring(".st-key-guide_text")  # it stands below the list of all
    st.session_state["guide_shown"] = name


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("Guide")
    papers = ["A4", "Letter"]
    paper = st.radio("Paper", papers, index=papers.index(preferences.paper()), horizontal=True)
    left, right = st.columns(2)
    hand_over(left, "Scale card and height staff", _card(paper), "scale-card.pdf", "application/pdf")
    hand_over(right, "Key for the field", _key(paper), "field-key.pdf", "application/pdf")
    st.caption("Print at 100 %, not fitted to the page; the card's check bar must measure 100 mm.")
    chosen = st.radio("Read", list(GUIDES), index=None, format_func=GUIDES.__getitem__, key="guide_read")
    if chosen is not None:
        _opened(chosen)


page()
