"""The page for the log: a map, a table, and one observation whole with its photo and history."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import catalogue, group_words
from diagnose.fieldlog.store import Log
from diagnose.screens.log_folder import the_log
from diagnose.screens.plain_map import map_of

_ANY = "all"


def _verdict_name(leading: object) -> str:
    if not isinstance(leading, str):
        return "cannot tell yet"
    return catalogue().names.get(leading) or group_words().get(leading, leading)


def _filtered(log: Log) -> pd.DataFrame:
    rows = log.observations()
    if rows.empty:
        return rows
    left, right = st.columns(2)
    site = left.selectbox("Planting", [_ANY, *sorted(set(rows["site"]))], key="log_site",
                          format_func=lambda name: name or "not named")
    rows["verdict_name"] = rows["leading"].map(_verdict_name)
    verdict = right.selectbox("Verdict", [_ANY, *sorted(set(rows["verdict_name"]))], key="log_verdict")
    if site != _ANY:
        rows = rows[rows["site"] == site]
    return rows if verdict == _ANY else rows[rows["verdict_name"] == verdict]


def _map(rows: pd.DataFrame) -> None:
    placed = rows[rows["lat"].notna() & rows["lon"].notna()]
    if placed.empty:
        st.caption("None of these observations has a position; the photo's file held none that could be believed.")
        return
    places = pd.DataFrame({
        "lat": placed["lat"].astype(float), "lon": placed["lon"].astype(float),
        "error_m": placed["error_m"].astype(float), "culprit": placed["verdict_name"],
        "label": placed["plant"].where(placed["plant"] != "", placed["id"].str[:8]),
    })
    st.altair_chart(map_of(places), width="stretch")
    if len(placed) < len(rows):
        st.caption(f"{len(rows) - len(placed)} without a position are not on the map.")


def _one(log: Log, rows: pd.DataFrame) -> None:
    labels = {row.id: f"{(row.taken_at or row.saved_at)[:16].replace('T', ' ')}  {row.plant or row.id[:8]}  "
                      f"{row.verdict_name}" for row in rows.itertuples()}
    chosen = st.selectbox("Look at one", list(labels), key="log_one", format_func=lambda key: labels[key])
    found = log.observation(chosen)
    if found["photo"]:
        st.image(log.original(found["photo"]), width=420)
    st.markdown(f"**{found['verdict'].get('statement', '')}**")
    if found["named"]:
        st.markdown(f"Named by a person: **{_verdict_name(found['named'])}**")
    for field, label in (("site", "Planting"), ("plant", "Tag"), ("by", "By"), ("note", "Note")):
        if found[field]:
            st.markdown(f"{label}: {found[field]}")
    with st.expander("Correct it"), st.form("correct", border=False):
        site = st.text_input("Planting", found["site"])
        plant = st.text_input("Plant's tag", found["plant"])
        names = [None, *catalogue().names]
        named = st.selectbox("Your own naming", names, index=names.index(found["named"]) if found["named"] in names else 0,
                             format_func=lambda key: "none" if key is None else catalogue().names[key])
        note = st.text_input("Note", found["note"])
        by = st.text_input("Your initials", max_chars=8)
        if st.form_submit_button("Save the correction"):
            log.correct(chosen, by=by, site=site, plant=plant, named=named, note=note)
            st.rerun()
    with st.expander(f"History: {len(found['history'])}"):
        for change in found["history"]:
            before = ", ".join(f"{name} was {value!r}" for name, value in change["before"].items())
            st.markdown(f"{change['at'][:19].replace('T', ' ')} UTC, {change['by'] or 'nobody named'}: "
                        f"{change['change']}{': ' + before if before else ''}")


def page() -> None:
    st.title("The log")
    try:
        log = the_log()
        rows = _filtered(log)
        if rows.empty:
            st.info("Nothing is kept yet. Judge a wound on the first page and keep it.")
            return
        _map(rows)
        shown = rows.assign(taken=rows["taken_at"].fillna(rows["saved_at"]).str[:16].str.replace("T", " "))
        st.dataframe(shown[["taken", "site", "plant", "verdict_name", "by", "note"]].rename(
            columns={"site": "planting", "verdict_name": "verdict"}), hide_index=True, width="stretch")
        _one(log, rows)
    except CannotUse as reason:
        st.error(str(reason))


page()
