"""The first page: what is this, what is due, and what do you want to do?"""

from __future__ import annotations

from collections import Counter
from datetime import date

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of
from diagnose.fieldlog.query import Query
from diagnose.screens import drawer
from diagnose.screens.log_folder import the_log, where
from diagnose.screens.look import literal
from diagnose.screens.start import page_link, pages
from diagnose.upkeep.due import due_of
from diagnose.upkeep.standing import standing

# page, what a person would say, what it leads to
_WAYS = (
    ("wound", "Something bit my plant", "What did it, and what stops it."),
    ("planting", "I want to protect a planting", "Which barrier, its price, how to build it."),
    ("upkeep", "My barriers stand already", "What to check, mend or take off, and when."),
    ("survey", "I count damage in plots", "Where to put plots; what the counts say."),
    ("inbox", "People sent me photos", "Each with a verdict and a letter."),
    ("log", "I want to see what was saved", "Map, table and history."),
    ("guide", "I need the card, or some help", "To print, and to read."),
)
_PRESSING = {"alarm": "to do today", "overdue": "overdue"}
_FRESH_S = 60  # for so long what is due is not worked out anew


@st.cache_data(ttl=_FRESH_S, max_entries=8, show_spinner=False)
def _due(place: str, today: date) -> str:
    """What presses at the barriers of the log in this place, in a few words; empty where nothing does."""
    kinds = Counter(item.kind for item in due_of(standing(the_log()), today))
    told = [f"{kinds[kind]} {words}" for kind, words in _PRESSING.items() if kinds[kind]]
    return f"{' and '.join(told)}." if told else ""


@st.cache_data(ttl=_FRESH_S, max_entries=8, show_spinner=False)
def _waiting(place: str) -> int:
    """How many submissions wait for an answer."""
    rows = the_log().records("submission")
    return int(rows["answered_at"].isna().sum()) if len(rows) else 0


def _news() -> dict[str, str]:
    """Page -> what is new there: what is due, how many wait, what was saved last."""
    newest = the_log().observations(Query(), ("saved_at", "site", "plant", "leading"), newest=1)
    told = {"upkeep": _due(where(), date.today())}
    if many := _waiting(where()):
        told["inbox"] = f"{many} wait for an answer."
    if len(newest):
        last = newest.iloc[0]
        parts = [last["site"], last["plant"], name_of(last["leading"]) if last["leading"] else "cannot tell yet"]
        told["log"] = f"Saved last: {', '.join(part for part in parts if part)}, {last['saved_at'][:10]}."
    return told


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("What do you want to do?")
    st.caption("Find out what eats the trees you planted, and what stops it. Everything stays on this computer.")
    if drawer.kept("wound"):
        page_link("wound", "**Go on with your wound**  \nIt is not yet saved in the log.")
    known = {one.url_path: one for one in pages()}
    try:
        news = _news()
    except CannotUse as reason:
        st.error(literal(reason))
        news = {}
    with st.container(key="ways"):
        for path, said, leads_to in _WAYS:
            if path in known:
                told = literal(news.get(path) or leads_to)
                st.page_link(known[path], label=f"**{said}**  \n{told}", width="stretch")


page()
