"""Which units, region, log and prices did this person choose?"""

from __future__ import annotations

import os
from typing import Any

import streamlit as st

from diagnose.culprits.here import old_regions
from diagnose.places import places
from diagnose.screens import drawer
from diagnose.screens.door import logins
from diagnose.settings import settings

_NAME = "preferences"


def _chosen() -> dict[str, Any]:
    if "_preferences" not in st.session_state:
        st.session_state["_preferences"] = drawer.kept(_NAME)
    chosen: dict[str, Any] = st.session_state["_preferences"]
    return chosen


def choose(**values: Any) -> None:
    """Remembers these choices on this device.

    Parameters
    ----------
    **values
        Name of each choice -> what was chosen, each in its own unit.
    """
    _chosen().update(values)
    drawer.keep(_NAME, _chosen())


def inches() -> bool:
    """Are lengths shown in inches and feet, not in mm and metres?"""
    return bool(_chosen().get("inches", settings().inches))


def region() -> str | None:
    """Code of the place that the person works in, or an older region; None to take it from the photo's position."""
    value = _chosen().get("region", settings().place)
    return value if isinstance(value, str) else None


def initials() -> str:
    """The person's initials, for the log's history; those of the settings file are its owner's alone."""
    return str(_chosen().get("initials", "" if is_for_several() else settings().initials))


def single_keys() -> bool:
    """May one key alone answer a letter? Who dictates or types by accident switches that off (WCAG 2.2, 2.1.4)."""
    return bool(_chosen().get("single_keys", True))


def letter_frame() -> tuple[str, str]:
    """The head and the foot of this person's letters; empty where none was written."""
    return str(_chosen().get("letter_head", "")), str(_chosen().get("letter_foot", ""))


def paper() -> str:
    """The size of sheets that is printed on here: A4 or Letter."""
    return settings().paper


def log_chosen() -> str | None:
    """The log folder chosen on the settings page; None for the one that the app was started with.

    In an app for several nobody chooses a folder: it would be one of the computer that serves it.
    """
    value = _chosen().get("log")
    return value if isinstance(value, str) and value and not is_for_several() else None


def is_shared() -> bool:
    """Does a code let others in?"""
    return bool(os.environ.get("DIAGNOSE_SHARE"))


def is_for_several() -> bool:
    """Does a code or a login let others in?"""
    return is_shared() or bool(logins())


def place_choices(own: str | None) -> dict[str | None, str]:
    """Code -> name of every place that can be chosen, none first; with one's own older choice, if it is none of them.

    Parameters
    ----------
    own
        Code that was chosen before, or None [no unit].
    """
    names: dict[str | None, str] = {None: "from the photo's position"}
    names.update({place.code: place.name for place in places()})
    if own is not None and own not in names:
        names[own] = old_regions()[own]["name"] if own in old_regions() else own
    return names
