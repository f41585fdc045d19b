"""The page for sending something in to the adviser who runs this app."""

from __future__ import annotations

import secrets
from datetime import UTC, datetime

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.inbox.intake import MOST_PHOTOS, MOST_WORDS, Message, Photo
from diagnose.inbox.work import take_in
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import literal


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("Send in a photo")
    st.caption("It goes to the person who runs this app, and nowhere else.")
    turn = st.session_state.setdefault("send_round", 0)
    files = st.file_uploader("Photos of the wound", accept_multiple_files=True, key=f"send {turn}",
                             type=["jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif", "avif"])
    words = st.text_area("What did you see? Where on the plant, how high, was there snow, are there droppings (do not touch "
                         "them)?",
                         max_chars=MOST_WORDS, key=f"words {turn}")
    name = st.text_input("Your name", max_chars=200, key="send_name")
    address = st.text_input("Your e-mail address, for the answer", max_chars=320, key="send_address")
    if st.button("Send in", type="primary", width="stretch", disabled=not (files or words)):
        photos = tuple(Photo(file.name, file.getvalue()) for file in (files or [])[:MOST_PHOTOS])
        own = f"<{secrets.token_hex(8)}@this-app>"
        who = address.strip().lower()
        try:
            take_in(the_log(), [Message(f"sent {own}", who, name, (own,), datetime.now(UTC), words=words, photos=photos)])
        except CannotUse as reason:
            st.error(literal(reason))
            return
        st.session_state["send_round"] = turn + 1
        st.session_state["sent_said"] = f"Thank you. It came in with {len(photos)} photos."
        st.rerun()
    if said := st.session_state.pop("sent_said", None):
        st.success(said)


page()
