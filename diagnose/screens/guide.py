"""The page for help: papers to print, the guides, and how far to trust the tool."""

from __future__ import annotations

import streamlit as st

from diagnose.guide import GUIDES, counted_at, guide_text
from diagnose.places import places
from diagnose.report.card_sheet import card_and_staff
from diagnose.report.field_key import field_key
from diagnose.screens import preferences
from diagnose.screens.show import hand_over


@st.cache_data(show_spinner="Drawing ...")
def _card(paper: str) -> bytes:
    return card_and_staff(paper)


@st.cache_data(show_spinner="Drawing ...")
def _key(paper: str) -> bytes:
    return field_key(paper)


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
    if chosen is None:
        return
    if chosen == "animals":
        place = st.selectbox("What is counted in", places(), index=None, format_func=lambda one: one.name,
                             placeholder="A country, a state or an island")
        if place is not None:
            st.info(counted_at(place))
    st.markdown(guide_text(chosen))


page()
