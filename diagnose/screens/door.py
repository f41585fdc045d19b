"""The one door of a shared app."""

from __future__ import annotations

import os

import streamlit as st

from diagnose.screens.share import Door


@st.cache_resource
def the_door() -> Door:
    """The door for as long as the app runs; its first code stands in the terminal."""
    return Door(code=os.environ["DIAGNOSE_SHARE"])
