"""Where in the picture did the person tap?"""

from __future__ import annotations

import base64
from typing import Any

import cv2
import numpy as np
import streamlit as st

_HTML = '<figure><img alt="" tabindex="0"><span class="mark" hidden></span></figure>'
_CSS = """
figure { margin: 0; position: relative; line-height: 0; touch-action: manipulation; }
img { width: 100%; height: auto; border-radius: 6px; cursor: crosshair; display: block; }
img:focus-visible { outline: 3px solid var(--st-primary-color); outline-offset: 2px; }
.mark { position: absolute; width: 34px; height: 34px; margin: -17px 0 0 -17px; border: 3px solid #fff;
        border-radius: 50%; box-shadow: 0 0 0 2px #000; pointer-events: none; }
"""
_JS = """
export default function({ parentElement, data, setTriggerValue }) {
    const img = parentElement.querySelector('img');
    const mark = parentElement.querySelector('.mark');
    if (img.src !== data.picture) { img.src = data.picture; mark.hidden = true; }
    img.alt = data.alt;
    img.onclick = (event) => {
        const box = img.getBoundingClientRect();
        const x = (event.clientX - box.left) / box.width;
        const y = (event.clientY - box.top) / box.height;
        mark.style.left = 100 * x + '%';
        mark.style.top = 100 * y + '%';
        mark.hidden = false;
        setTriggerValue('tap', { x, y });
    };
}
"""

_tappable = st.components.v2.component("diagnose_tap", html=_HTML, css=_CSS, js=_JS)


def tap_on(bgr: np.ndarray, alt: str, key: str, longest_side: int = 1280) -> tuple[float, float] | None:
    """Shows the picture, (h, w, 3) uint8 BGR; returns the tap as shares of its width and height, or None."""
    small = _shrunk(bgr, longest_side)
    ok, jpeg = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 85])
    picture = "data:image/jpeg;base64," + base64.b64encode(jpeg.tobytes()).decode() if ok else ""
    result: Any = _tappable(data={"picture": picture, "alt": alt}, key=key, on_tap_change=lambda: None)
    tap = getattr(result, "tap", None)
    return None if not tap else (float(tap["x"]), float(tap["y"]))


def _shrunk(bgr: np.ndarray, longest_side: int) -> np.ndarray:
    factor = longest_side / max(bgr.shape[:2])
    if factor >= 1:
        return bgr
    return cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
