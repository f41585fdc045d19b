"""What the inbox's list shows of each submission: its first photo, its sender, the verdict, since when and why it waits."""

from __future__ import annotations

from textwrap import shorten
from typing import Any

import pandas as pd
import streamlit as st

from diagnose.culprits.old_names import name_of
from diagnose.fieldlog.store import Log
from diagnose.figures import percent
from diagnose.inbox.learning import is_blind
from diagnose.screens.small_served import small_address

_KEPT = "\u00a0"  # a space at which no line is broken
_ROW = 66  # height of a row [px]: from 65 on the framework breaks what is longer than its column
_WIDTHS = {"From": 100, "Verdict": 148, "Since": 98, "Group, and why": 164}  # [px]; all of them show on a desk's screen
# what comes first -> the column by which the list is put in order; by group as the tool ranks them
ORDERS = {"what needs you most": "Group, and why", "what waits longest": "Since", "senders by name": "From",
          "verdicts by name": "Verdict"}
_RANK = "what needs you most"
OPEN = f"\u25b8{_KEPT}"  # before the row that is open
_FIRST = "\u25be"  # behind the column that puts the list in order
_MOST_WHY = 57  # characters that such a column shows in three lines; all of it stands over the open one


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
    """Where the browser gets each submission's first photo from, small; empty where it has none.

    Parameters
    ----------
    log
        That is read [no unit].
    rows
        Of submissions, in the order of the list [no unit].
    """
    return [next((small_address(log, digest, called) for digest, called in photos.items()), "") for photos in rows["photos"]]


def _in_a_cell(verdict: dict[str, Any]) -> str:
    """A verdict that is read in a narrow column: the name and its share."""
    leading = verdict.get("leading")
    if not leading:
        return "cannot tell yet" if verdict else "not judged yet"
    share = {**verdict.get("groups", {}), **verdict.get("culprits", {})}.get(leading)
    # a figure and its sign stay on one line
    return name_of(leading) if share is None else f"{name_of(leading)} {percent(share).replace(' ', _KEPT)}"


def order() -> str:
    """What comes first in the list, as it was chosen last: one of ORDERS."""
    return str(st.session_state.get("inbox_order", _RANK))


def ticked_in(listed: pd.DataFrame, ids: list[str]) -> list[str]:
    """Shows the list, and says which submissions are ticked in it; the one that was ticked last is opened.

    Parameters
    ----------
    listed
        As `listed_of` returns it [no unit].
    ids
        Of its submissions [no unit].
    """
    turn = st.session_state.setdefault("inbox_turn", 0)
    # rows are ticked by their place: in another list those would be others. A new one without ticks takes the browser long
    if st.session_state.get("inbox_ids") != ids and _ticked(turn):
        st.session_state["inbox_turn"] = turn = turn + 1
    st.session_state["inbox_ids"] = ids

    def pick() -> None:
        pressed = st.session_state[f"inbox_list {turn}"]["selection"]["columns"]
        if first := next((first for first, column in ORDERS.items() if column in pressed), None):
            st.session_state["inbox_order"], st.session_state["inbox_anew"] = first, True
            for count in ("inbox_turn", "inbox_pressed"):
                st.session_state[count] += 1
        elif ticked := _ticked(turn):
            st.session_state["inbox_here"] = ids[ticked[-1]]

    with st.container(key="inbox_rows"):  # the list, whose canvas paper shows empty
        # a header that is pressed is told to the page, which puts the list in order: the browser would do it for itself
        st.dataframe(listed, hide_index=True, width="stretch", height=min(38 + _ROW * len(listed), 38 + 8 * _ROW),
                     row_height=_ROW, on_select=pick, selection_mode=["multi-row", "single-column"],
                     key=f"inbox_list {turn}", column_config=_columns())
    return [ids[row] for row in _ticked(turn) if row < len(ids)]


def _ticked(turn: int) -> list[int]:
    """The rows of the list that are ticked."""
    told = st.session_state.get(f"inbox_list {turn}")
    return list(told["selection"]["rows"]) if told else []


def _columns() -> dict[str, Any]:
    """How the list's columns are shown, with a mark at the one that puts it in order."""
    named = {name: f"{name} {_FIRST}" if name == ORDERS[order()] else name for name in _WIDTHS}
    return {"Photo": st.column_config.ImageColumn("Photo", width=64),
            **{name: st.column_config.Column(named[name], width=width) for name, width in _WIDTHS.items()}}


def marked(listed: pd.DataFrame, place: int) -> pd.DataFrame:
    """The list with a mark at the row that is open.

    Parameters
    ----------
    listed
        As `listed_of` returns it [no unit].
    place
        Of that row, from 0 [rows].
    """
    senders = listed["From"].tolist()
    senders[place] = f"{OPEN}{senders[place]}"
    return listed.assign(From=senders)


def listed_of(log: Log, rows: pd.DataFrame, words: str, first: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The submissions whose line in the list holds some words, in the order of a column, and the list of them.

    Parameters
    ----------
    log
        That is read [no unit].
    rows
        Of submissions, as the tool ranks them [no unit].
    words
        That are looked for, in small letters; empty for all [no unit].
    first
        One of ORDERS [no unit].
    """
    listed = _table_of(log, rows).reset_index(drop=True)
    if words:
        told = listed.astype(str).agg(" ".join, axis=1).str.replace(_KEPT, " ").str.casefold()
        listed = listed[told.str.contains(words, regex=False).to_numpy(bool)]
    if first != _RANK:
        listed = listed.sort_values(ORDERS[first], kind="stable")
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
