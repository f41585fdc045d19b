"""What the inbox's list shows of each submission: its first photo, its sender, the verdict, since when and why it waits."""

from __future__ import annotations

from textwrap import shorten
from typing import Any

import cv2
import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of
from diagnose.fieldlog.store import Log
from diagnose.figures import percent
from diagnose.inbox.learning import is_blind
from diagnose.photo.decode import decode_jpeg
from diagnose.photo.picture import read_picture
from diagnose.screens.look import address_of

_KEPT = "\u00a0"  # a space at which no line is broken
ROW = 66  # height of a row [px]: from 65 on the framework breaks what is longer than its column
WIDTHS = {"From": 100, "Verdict": 148, "Since": 98, "Group, and why": 164}  # [px]; all of them show on a desk's screen
# what comes first -> the column by which the list is put in order; None as the tool ranks them
ORDERS = {"what needs you most": None, "what waits longest": "Since", "senders by name": "From"}
_LISTED = 60  # rows with a small picture; each is drawn from its original
_THUMB = 96  # longer side of a small picture [px]
_MOST_WHY = 57  # characters that such a column shows in three lines; all of it stands over the open one


@st.cache_data(max_entries=400, show_spinner=False)
def _small(digest: str, _log: Log, called: str) -> bytes | None:
    """A photo as a small JPEG; None where it cannot be read."""
    try:
        photo = read_picture(_log.original(digest), called)
        bgr = (photo.reduced(8) if photo.decoded is not None else  # a JPEG is small at once where its edge need not be exact
               decode_jpeg(photo.data, cv2.IMREAD_REDUCED_COLOR_8, photo.turned, called))
    except CannotUse:
        return None
    factor = min(1.0, _THUMB / max(bgr.shape[:2]))
    return cv2.imencode(".jpg", cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA))[1].tobytes()


def _table_of(log: Log, rows: pd.DataFrame) -> pd.DataFrame:
    """What the list says of each submission; nothing of the verdict where it waits for a blind naming.

    Parameters
    ----------
    log
        That is read [no unit].
    rows
        Of submissions [no unit].
    """
    senders = log.records("sender")
    names = dict(zip(senders["id"], senders["name"], strict=True)) if len(senders) else {}
    shown = []
    for row in rows.to_dict("records"):
        blind = waits_for_a_name(row)
        shown.append({
            "From": names.get(row["sender"]) or "no name",
            "Verdict": "name it first" if blind else _in_a_cell(row["verdict"]),
            "Since": str(row["received_at"] or row["saved_at"] or "")[:10],
            "Group, and why": "" if blind or not row["pile"] else shorten(f"{row['pile']}: {row['why']}", _MOST_WHY,
                                                                          placeholder=" \u2026"),
        })
    return pd.DataFrame(shown, columns=["From", "Verdict", "Since", "Group, and why"])


def _first_photos(log: Log, rows: pd.DataFrame) -> list[str]:
    """Where the browser gets each submission's first photo from, small; empty where it has none, and far down the list.

    Parameters
    ----------
    log
        That is read [no unit].
    rows
        Of submissions, in the order of the list [no unit].
    """
    found = []
    for place, photos in enumerate(rows["photos"]):
        first = next(iter(photos.items()), None) if place < _LISTED else None
        small = None if first is None else _small(first[0], log, first[1])
        found.append("" if small is None else address_of(small, f"small {place}"))
    return found


def _in_a_cell(verdict: dict[str, Any]) -> str:
    """A verdict that is read in a narrow column: the name and its share."""
    leading = verdict.get("leading")
    if not leading:
        return "cannot tell yet" if verdict else "not judged yet"
    share = {**verdict.get("groups", {}), **verdict.get("culprits", {})}.get(leading)
    # a figure and its sign stay on one line
    return name_of(leading) if share is None else f"{name_of(leading)} {percent(share).replace(' ', _KEPT)}"


def listed_of(log: Log, rows: pd.DataFrame, words: str, by: str | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The submissions whose line in the list holds some words, in the order of a column, and the list of them.

    Parameters
    ----------
    log
        That is read [no unit].
    rows
        Of submissions, as the tool ranks them [no unit].
    words
        That are looked for, in small letters; empty for all [no unit].
    by
        The column that puts them in order; None for the tool's own rank [no unit].
    """
    listed = _table_of(log, rows).reset_index(drop=True)
    if words:
        told = listed.astype(str).agg(" ".join, axis=1).str.replace(_KEPT, " ").str.casefold()
        listed = listed[told.str.contains(words, regex=False).to_numpy(bool)]
    if by is not None:
        listed = listed.sort_values(by, kind="stable")
    some = rows.iloc[listed.index]
    return some, listed.assign(Photo=_first_photos(log, some))[["Photo", *listed.columns]]


def waits_for_a_name(row: dict[str, Any]) -> bool:
    """Is it one of those that a person names before the verdict is shown, and not named yet?

    Parameters
    ----------
    row
        Of the submission [no unit].
    """
    return is_blind(row["id"]) and not row["named_blind"]
