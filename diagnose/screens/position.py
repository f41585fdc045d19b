"""Where was it, when the photo's file does not say: this device's position, a pin, or the place of the last one?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
import streamlit as st

from diagnose.fieldlog.store import METRES_PER_DEGREE
from diagnose.screens.tap import Point, tap_on

_PIN_ERROR_M = 25.0  # how well a finger puts a pin on a bare map; our choice
_SIDE = 700  # of the pin's map [px]

_HTML = '<button type="button">Use this device\'s position</button><span role="status"></span>'
_CSS = """
button { min-height: 3rem; padding: 0 1rem; font: 600 1rem system-ui, sans-serif; color: var(--st-text-color);
         background: var(--st-background-color); border: 1px solid var(--st-border-color); border-radius: 6px; }
button:focus-visible { outline: 3px solid var(--st-primary-color); outline-offset: 2px; }
span { display: block; margin-top: .3rem; color: var(--st-text-color); font: .9rem system-ui, sans-serif; }
"""
_JS = """
export default function({ parentElement, setTriggerValue }) {
    const said = parentElement.querySelector('span');
    parentElement.querySelector('button').onclick = () => {
        if (!window.isSecureContext || !navigator.geolocation) {
            said.textContent = 'Browsers give a position only on the computer itself or over https. Set a pin or type it.';
            return;
        }
        said.textContent = 'Asking the device ...';
        navigator.geolocation.getCurrentPosition(
            found => { said.textContent = '';
                       setTriggerValue('place', { lat: found.coords.latitude, lon: found.coords.longitude,
                                                  error_m: found.coords.accuracy }); },
            problem => { said.textContent = `The device gave no position (${problem.message}). Set a pin or type it.`; },
            { enableHighAccuracy: true, timeout: 20000 });
    };
}
"""
_device_position = st.components.v2.component("diagnose_position", html=_HTML, css=_CSS, js=_JS)


@dataclass(frozen=True)
class Place:
    """Where the person is.

    Parameters
    ----------
    lat, lon
        WGS 84 [degree].
    error_m
        How well it is known; None when not known [m].
    """

    lat: float
    lon: float
    error_m: float | None


def ask_place(known: pd.DataFrame, key: str) -> Place | None:
    """The place that the person gives, or None.

    Parameters
    ----------
    known
        Observations with lat and lon, the newest first [degree].
    key
        Tells these fields from the others on the page [no unit].
    """
    kept: Place | None = st.session_state.get(f"{key} place")
    result: Any = _device_position(key=f"{key} device", on_place_change=lambda: None)
    given = getattr(result, "place", None)
    if given:
        kept = Place(float(given["lat"]), float(given["lon"]), float(given["error_m"]))
    typed = st.text_input("or type it: latitude, longitude in degrees", key=f"{key} typed", placeholder="46.10, -71.60")
    if typed:
        kept = _read(typed) or kept
        if _read(typed) is None:
            st.error("Write latitude and longitude in degrees with a comma between, e.g. 46.10, -71.60")
    placed = known.dropna(subset=["lat", "lon"]) if not known.empty else known
    if not placed.empty:
        _pin(placed, key)
    st.session_state[f"{key} place"] = kept
    if kept is not None:
        good = "" if kept.error_m is None else f", good to about {kept.error_m:.0f} m"
        st.markdown(f"Place: {kept.lat:.5f}, {kept.lon:.5f}{good}")
    return kept


def _read(text: str) -> Place | None:
    try:
        lat, lon = (float(part) for part in text.split(","))
    except ValueError:
        return None
    return Place(lat, lon, None) if abs(lat) <= 90 and abs(lon) <= 180 else None


def _pin(placed: pd.DataFrame, key: str) -> None:
    """A bare map of what was kept near the newest one, on which a pin is set; it takes the place of what was typed."""
    middle = (float(placed["lat"].iloc[0]), float(placed["lon"].iloc[0]))
    picture, span_m = plain_ground(placed, middle)

    def take(tapped: list[Point]) -> None:
        east, north = (tapped[0][0] - 0.5) * span_m, (0.5 - tapped[0][1]) * span_m
        lat = middle[0] + north / METRES_PER_DEGREE
        lon = middle[1] + east / (METRES_PER_DEGREE * math.cos(math.radians(middle[0])))
        st.session_state[f"{key} place"] = Place(lat, lon, _PIN_ERROR_M)
        st.session_state[f"{key} typed"] = ""

    st.caption(f"or tap the place: north is up, the map is {span_m:.0f} m wide, crosses are what was kept before")
    tap_on(picture, f"{middle} {len(placed)}", "map of what was kept before", f"{key} pin", take, names=("the place",))


def plain_ground(placed: pd.DataFrame, middle: tuple[float, float]) -> tuple[np.ndarray, float]:
    """A bare map round the middle, (h, w, 3) uint8, and its width [m].

    Parameters
    ----------
    placed
        Observations with lat and lon, which are marked on it [degree].
    middle
        Latitude and longitude of the map's middle [degree].
    """
    north = (placed["lat"].to_numpy(float) - middle[0]) * METRES_PER_DEGREE
    east = (placed["lon"].to_numpy(float) - middle[1]) * METRES_PER_DEGREE * math.cos(math.radians(middle[0]))
    far = np.hypot(east, north)
    span_m = float(np.clip(2.4 * far[far < 2000].max(initial=0.0), 200.0, 4000.0))
    ground = np.full((_SIDE, _SIDE, 3), 244, np.uint8)
    step_m = 10.0 ** math.floor(math.log10(span_m / 3))
    for line in np.arange(-span_m, span_m, step_m):
        at = round(_SIDE * (0.5 + line / span_m))
        cv2.line(ground, (at, 0), (at, _SIDE), (214, 214, 214), 1)
        cv2.line(ground, (0, at), (_SIDE, at), (214, 214, 214), 1)
    for x, y in zip(_SIDE * (0.5 + east / span_m), _SIDE * (0.5 - north / span_m), strict=True):
        cv2.drawMarker(ground, (round(x), round(y)), (40, 60, 20), cv2.MARKER_TILTED_CROSS, 14, 2, cv2.LINE_AA)
    said, where = f"squares of {step_m:g} m", (12, _SIDE - 14)
    cv2.putText(ground, said, where, cv2.FONT_HERSHEY_SIMPLEX, 0.6, (60, 60, 60), 1, cv2.LINE_AA)
    return ground, span_m
