"""The letters of the inbox: one to be changed before it leaves, all of them as a file, the head and foot round each."""

from __future__ import annotations

import io
import zipfile
from functools import partial
from html import escape
from typing import Any
from zlib import crc32

import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import Log
from diagnose.inbox.learning import together
from diagnose.inbox.queue import judged_for
from diagnose.report.letters import as_pdf, file_of, framed, reply_to
from diagnose.screens import preferences
from diagnose.screens.look import literal, once_opened
from diagnose.screens.show import hand_over


def letter_of(log: Log, row: dict[str, Any]) -> str:
    """The letter as the person left it; one that nobody has changed says what the verdict is now.

    Parameters
    ----------
    log
        That is read [no unit].
    row
        Of the submission [no unit].
    """
    proposed = reply_to(log, row, judged_for(row, preferences.region()), inches=preferences.inches())
    kept: dict[str, tuple[str, str]] = st.session_state.setdefault("inbox_letters", {})
    base, text = kept.get(row["id"], (proposed, proposed))
    text = str(st.session_state.get(_field(row["id"], base), text))  # typed, and something else changed before it was drawn
    if text == base:
        base = text = proposed
    elif base != proposed:
        st.warning("What is known has changed since you began to change this letter: read it again, or take the new one.")
        if st.button("Take the new letter"):
            kept.pop(row["id"])
            st.rerun()
    with st.container(key="screen_letter"):
        text = st.text_area("The letter, yours to change and to send", text, height=420,
                            key=_field(row["id"], base))
    st.html(f'<div class="on_paper">{escape(text)}</div>')  # a field cannot be parted between two pages
    kept[row["id"]] = base, text
    return text


def letter_as_typed(submission: str) -> str:
    """The letter as it stands in the field at this moment.

    Parameters
    ----------
    submission
        Id of the one whose letter was shown last [no unit].
    """
    base, text = st.session_state["inbox_letters"][submission]
    return str(st.session_state.get(_field(submission, base), text))


def _field(submission: str, base: str) -> str:
    """Key of the field, another for each text that was proposed."""
    return f"letter {submission} {crc32(base.encode())}"


def letter_frame() -> None:
    """The office's head and foot, written once for all letters, on this device."""
    head, foot = preferences.letter_frame()
    with st.expander("Head and foot of your letters", key="letter_frame"):
        told = (st.text_area("Above each letter: your office, its address", head, key="letter_head", height=110),
                st.text_area("Below each letter: opening hours, who answers for it", foot, key="letter_foot", height=80))
        if told != (head, foot):
            try:
                as_pdf("", head=told[0], foot=told[1])
            except CannotUse as reason:
                st.error(literal(reason))
                return
            preferences.choose(letter_head=told[0], letter_foot=told[1])
        if any(told):
            st.caption("Stands round this letter, and round every other one that leaves here, as text and as PDF.")


@st.fragment
def all_letters(log: Log) -> None:
    """Every answered letter as a file, and how often the person and the tool agree.

    Parameters
    ----------
    log
        That is read [no unit].
    """
    rows = log.records("submission")
    done = rows[rows["answered_at"].notna() & (rows["letter"] != "")] if len(rows) else rows
    if done.empty:
        return
    letters = f"{len(done)} answered letters" if len(done) > 1 else "The answered letter"
    hand_over(st, f"{letters} as ZIP", partial(_packed, done, preferences.letter_frame()), "letters.zip", "application/zip")
    if (part := once_opened("How often do you and the tool agree?", "agreement")) is None:
        return
    with part:
        found = together(log)
        st.markdown(found.words)
        if found.pairs:
            st.dataframe(found.table)
            st.caption("; ".join(f"{month}: {same} of {of}" for month, (same, of) in found.by_month.items()))


def _packed(done: pd.DataFrame, frame: tuple[str, str]) -> bytes:
    """Answered letters as a ZIP of texts. frame : head and foot of each."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as out:
        for row in done.itertuples():
            out.writestr(file_of(row.id, row.about, "txt"), framed(row.letter, *frame))
    return packed.getvalue()
