"""The first page: what do you want to do?"""

from __future__ import annotations

import streamlit as st

from diagnose.screens import drawer
from diagnose.screens.start import page_link, pages

# page, what a person would say, what it leads to
_WAYS = (
    ("wound", "Something bit my plant", "A photo or a few answers: what did it, how sure, and what stops it."),
    ("planting", "I want to protect a planting", "Which barrier, how big, how many, at what price, and how to build it."),
    ("upkeep", "My barriers stand already", "What to check, mend, widen or take off, and when."),
    ("survey", "I count damage in plots", "Where to put plots, a tally to fill in, and estimates with their intervals."),
    ("inbox", "People sent me photos", "A pile of submissions, ranked, with a reply for each to look over."),
    ("log", "I want to see what was kept", "Map, table and history of everything in the log."),
    ("guide", "I need the card, or some help", "The scale card to print, how to take the photo, how far to trust it."),
)


def page() -> None:
    st.title("What do you want to do?")
    st.caption("Something eats the trees you planted: find out what, and what stops it.")
    if drawer.kept("wound"):
        page_link("wound", "**Go on with your wound**  \nIt is not yet saved in the log.")
    known = {one.url_path: one for one in pages()}
    for path, said, leads_to in _WAYS:
        if path in known:
            st.page_link(known[path], label=f"**{said}**  \n{leads_to}", width="stretch")
    st.caption("Everything stays on the computer that runs this app. Nothing is sent anywhere.")


page()
