"""Where in the picture did the person tap, and where did they drag a point to?"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
import streamlit as st

from diagnose.screens.look import address_of

Point = tuple[float, float]

_HTML = '<figure><img alt=""><div class="near" hidden></div></figure>'
_CSS = """
figure { margin: 0; position: relative; line-height: 0; touch-action: manipulation; width: fit-content; }
/* the verdict stands on the screen with it; whoever drags a point sees its surroundings enlarged */
img { max-width: 100%; max-height: 45vh; height: auto; border-radius: 6px; cursor: crosshair; display: block;
      user-select: none; }
.mark { position: absolute; width: 46px; height: 46px; margin: -23px 0 0 -23px; padding: 0; border-radius: 50%;
        border: 3px solid #fff; box-shadow: 0 0 0 2px #000, inset 0 0 0 2px #000; background: none; cursor: grab;
        touch-action: none; color: #fff; font: 700 15px system-ui, sans-serif; text-shadow: 0 0 3px #000, 0 0 3px #000;
        display: flex; align-items: flex-start; justify-content: center; line-height: 1; }
.mark::after { content: ''; position: absolute; left: 50%; top: 50%; width: 6px; height: 6px; margin: -3px;
               border-radius: 50%; background: #fff; box-shadow: 0 0 0 1.5px #000; }
.mark:focus-visible { outline: 4px solid var(--st-primary-color); outline-offset: 3px; }
.near { position: absolute; top: 8px; width: 128px; height: 128px; border: 3px solid #fff; border-radius: 50%;
        box-shadow: 0 0 0 2px #000; background-repeat: no-repeat; pointer-events: none; }
.near::after { content: ''; position: absolute; left: 50%; top: 50%; width: 8px; height: 8px; margin: -4px;
               border-radius: 50%; box-shadow: 0 0 0 2px #fff, 0 0 0 3px #000; }
"""
_JS = """
const ENLARGED = 4;

export default function({ parentElement, data, setTriggerValue }) {
    const figure = parentElement.querySelector('figure');
    const img = figure.querySelector('img');
    const near = figure.querySelector('.near');
    if (img.src !== data.picture) img.src = data.picture;
    img.alt = data.alt;
    let points = data.points.map(point => [...point]);
    const tell = () => setTriggerValue('points', points);
    const share = event => {
        const box = img.getBoundingClientRect();
        const of = (at, from, size) => Math.min(1, Math.max(0, (at - from) / size));
        return [of(event.clientX, box.left, box.width), of(event.clientY, box.top, box.height)];
    };
    const enlarge = point => {
        near.hidden = !point;
        if (!point) return;
        const w = img.clientWidth * ENLARGED, h = img.clientHeight * ENLARGED;
        near.style.backgroundImage = `url(${data.picture})`;
        near.style.backgroundSize = `${w}px ${h}px`;
        near.style.backgroundPosition = `${61 - point[0] * w}px ${61 - point[1] * h}px`;
        near.style.left = point[0] > 0.5 ? '8px' : 'auto';
        near.style.right = point[0] > 0.5 ? 'auto' : '8px';
    };
    const draw = () => {
        figure.querySelectorAll('.mark').forEach(mark => mark.remove());
        points.forEach((point, place) => {
            const mark = document.createElement('button');
            mark.className = 'mark';
            mark.type = 'button';
            mark.textContent = place + 1;
            mark.setAttribute('aria-label', `${data.names[place]}: move with the arrow keys, or drag`);
            const put = () => { mark.style.left = 100 * point[0] + '%'; mark.style.top = 100 * point[1] + '%'; };
            put();
            let held = false, moved = false;
            mark.onpointerdown = event => { held = true; moved = false; mark.setPointerCapture(event.pointerId);
                                            event.preventDefault(); mark.focus(); };
            mark.onpointermove = event => { if (!held) return; moved = true; [point[0], point[1]] = share(event);
                                            put(); enlarge(point); };
            mark.onpointerup = mark.onpointercancel = () => { held = false; enlarge(null); if (moved) tell(); };
            let waiting = null;
            mark.onkeydown = event => {
                const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
                if (!by) return;
                event.preventDefault();
                const step = event.shiftKey ? 0.02 : 0.004;
                point[0] = Math.min(1, Math.max(0, point[0] + by[0] * step));
                point[1] = Math.min(1, Math.max(0, point[1] + by[1] * step));
                put(); enlarge(point);
                clearTimeout(waiting);
                waiting = setTimeout(() => { enlarge(null); tell(); }, 600);
            };
            figure.appendChild(mark);
        });
    };
    img.onclick = event => {
        const point = share(event);
        if (points.length < data.most) points.push(point);
        else {
            const far = other => (other[0] - point[0]) ** 2 + (other[1] - point[1]) ** 2;
            points[points.reduce((best, other, place) => far(other) < far(points[best]) ? place : best, 0)] = point;
        }
        draw();
        tell();
    };
    draw();
}
"""

_tappable = st.components.v2.component("diagnose_tap", html=_HTML, css=_CSS, js=_JS)


@st.cache_data(max_entries=12, show_spinner=False)
def _as_jpeg(picture_key: str, _bgr: np.ndarray, longest_side: int) -> bytes:
    return cv2.imencode(".jpg", _shrunk(_bgr, longest_side), [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()


def tap_on(
    bgr: np.ndarray, picture_key: str, alt: str, key: str, take: Callable[[list[Point]], None],
    points: Sequence[Point] = (), names: Sequence[str] = ("the wound", "farther back on the stem"), longest_side: int = 1280,
) -> None:
    """Shows the picture with its marked points, which can be tapped, dragged and moved with the arrow keys.

    Parameters
    ----------
    bgr
        (h, w, 3) uint8 blue, green, red [0 to 255].
    picture_key
        What tells this picture from others [no unit].
    alt
        Words for who cannot see it [no unit].
    key
        Tells it from the other pictures on the page [no unit].
    take
        Is given the new points before the page is drawn anew, so that it is drawn once [shares of width and height].
    points
        Those marked already [shares of width and height].
    names
        What each point is, one a point, as many as there may be [no unit].
    longest_side
        To which a larger picture is made smaller for showing [px].
    """
    def moved() -> None:
        if (told := st.session_state[key].points) is not None:
            take([(float(x), float(y)) for x, y in told])

    address = address_of(_as_jpeg(picture_key, bgr, longest_side), key)
    shown = {"picture": address, "alt": alt, "names": list(names), "most": len(names),
             "points": [list(point) for point in points]}
    _tappable(data=shown, key=key, on_points_change=moved)


def _shrunk(bgr: np.ndarray, longest_side: int) -> np.ndarray:
    factor = longest_side / max(bgr.shape[:2])
    if factor >= 1:
        return bgr
    return cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
