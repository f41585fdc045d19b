"""Which log does the app write to?"""

from __future__ import annotations

import os

import streamlit as st

from diagnose.cli import DEFAULT_LOG
from diagnose.fieldlog.store import Log, open_log


@st.cache_resource
def _opened(folder: str) -> Log:
    return open_log(folder)


def the_log() -> Log:
    """The log that the app was started with. Raises CannotUse in one line."""
    return _opened(os.environ.get("DIAGNOSE_LOG", str(DEFAULT_LOG)))
