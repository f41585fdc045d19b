"""The page for settings: units, region, initials, the log, and letting a phone join."""

from __future__ import annotations

import os
from urllib.parse import quote

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import open_log
from diagnose.screens import preferences
from diagnose.screens.door import logins, the_codes
from diagnose.screens.log_folder import shown
from diagnose.screens.look import literal
from diagnose.screens.preferences import place_choices
from diagnose.screens.share import scheme_of


def _person() -> None:
    unit = st.radio("Lengths", ["mm", "inches"], index=int(preferences.inches()), horizontal=True,
                    format_func={"mm": "millimetres and metres", "inches": "inches and feet"}.__getitem__)
    names = place_choices(preferences.region())
    region = st.selectbox("Where you work", list(names), index=list(names).index(preferences.region()),
                          format_func=names.__getitem__)
    initials = st.text_input("Your initials, for the log's history", preferences.initials(), max_chars=8)
    keys = st.toggle("Single-key commands in the inbox", preferences.single_keys(), key="single_keys")
    chosen = {"inches": unit == "inches", "region": region, "initials": initials, "single_keys": keys}
    if chosen != {"inches": preferences.inches(), "region": preferences.region(), "initials": preferences.initials(),
                  "single_keys": preferences.single_keys()}:
        preferences.choose(**chosen)
        st.toast("Remembered on this device.")


def _log() -> None:
    st.subheader("The log")
    st.markdown(f"Observations are kept in {literal(shown())}.")
    if preferences.is_for_several():
        return
    with st.form("log", border=False):
        folder = st.text_input("Use another folder, or the address of a shared log", placeholder="/home/me/another-log")
        if st.form_submit_button("Use it"):
            try:
                open_log(folder)
            except CannotUse as reason:
                st.error(literal(reason))
            else:
                preferences.choose(log=folder)
                st.rerun()
    if preferences.log_chosen() and st.button("Back to the log that the app was started with"):
        preferences.choose(log=None)
        st.rerun()


def _login() -> None:
    st.subheader("Your login")
    st.markdown(f"You are logged in as {literal(st.user.get('email') or st.user.get('name') or st.user.get('sub') or '')}.")
    if st.button("Log out"):
        st.logout()


def _sharing() -> None:
    st.subheader("Let a phone join")
    if logins() and not preferences.is_shared():
        st.markdown("Whoever may log in opens the address of this page.")
        return
    if not preferences.is_shared():
        st.markdown("Only this computer can reach the app now. To let phones on the same network or hotspot in, stop it "
                    "and start it with `diagnose app --share`, or `diagnose app --share --https`.")
        return
    import segno

    from diagnose.screens.share import joining_address

    address = joining_address(int(os.environ.get("DIAGNOSE_PORT", "8501")), the_codes().code)
    st.image(segno.make(address).svg_inline(scale=6, border=3, dark="#000", light="#fff"), width=260)
    st.markdown(f"Scan it with the phone's camera, or open `{address}`. The code lets one browser in; then a new one "
                "stands here.")
    if st.button("Show the newest code"):
        st.rerun()
    over_http = ("The live camera inside the page needs a secure address (`diagnose app --share --https`); the phone's own "
                 "camera app and an upload do the same. Everybody on this network could read what passes, so use your own "
                 "hotspot.")
    st.caption(f"Uploading photos works on every phone. {over_http if scheme_of() == 'http' else ''}")


def _pocket() -> None:
    st.subheader("A page for the pocket")
    site = st.text_input("Planting", "", key="pocket_site", placeholder="its name, as in the log")
    if not site.strip():
        st.markdown("Key, tally, records and barriers due in one page for a phone that goes where no signal is. Name the "
                    "planting to get its link.")
        return
    address = f"/pocket/?site={quote(site.strip())}"
    kept = ("The phone keeps the page and opens it without a network, once it trusts this computer: download "
            "[its certificate](/pocket/authority.crt), install it in the phone's settings, and compare the fingerprint with "
            "the terminal's."
            if scheme_of() == "https" else
            "Over plain http the phone does not keep the page: start the app with `diagnose app --share --https`, or copy "
            "the file that `diagnose pocket` writes.")
    st.markdown(f"On the phone, [open the page]({address}). {kept}")


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("Settings")
    _person()
    _log()
    if logins():
        _login()
    _sharing()
    _pocket()


page()
