"""Which log does the app write to?"""

from __future__ import annotations

import streamlit as st
from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

from diagnose.fieldlog.store import Log, open_log
from diagnose.screens import preferences
from diagnose.settings import settings


@st.cache_resource
def _opened(folder: str) -> Log:
    return open_log(folder)


def the_log() -> Log:
    """The log chosen in the settings, else the one that the app was started with. Raises CannotUse in one line."""
    return _opened(where())


def where() -> str:
    """Folder or address of the log."""
    return preferences.log_chosen() or settings().log


def shown() -> str:
    """The same, as it may stand on a page: an address without its password."""
    place = where()
    if "://" not in place:
        return place
    try:
        return make_url(place).render_as_string(hide_password=True)
    except ArgumentError:
        return "a database"
