"""How is a chart shown, and taken along as a picture with its figures?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import altair as alt
import pandas as pd
import streamlit as st

Drawn = alt.Chart | alt.LayerChart
alt.data_transformers.disable_max_rows()  # what is drawn is bounded by the pages themselves
_TYPE = 12  # size of a chart's lettering [px]
_HTML = '<p>Save this chart <button type="button"></button> <button type="button"></button></p>'
_CSS = """
p { margin: 0; color: var(--st-text-color); font: .85rem system-ui, 'Segoe UI', Roboto, sans-serif; }
button { min-height: 44px; min-width: 44px; padding: 0 .5rem; border: 0; background: none; color: var(--st-link-color);
         font: inherit; font-weight: 600; text-decoration: underline; cursor: pointer; }
button:focus-visible { outline: 3px solid var(--st-primary-color); outline-offset: -4px; border-radius: 6px; }
@media print { p { display: none; } }
"""
# the browser has drawn the chart as SVG already: it is saved as it stands, on a ground of its own, its figures inside it
_JS = """
const SVG = 'http://www.w3.org/2000/svg';

export default function({ parentElement, data }) {
    const [picture, figures] = parentElement.querySelectorAll('button');
    picture.textContent = 'as SVG';
    picture.setAttribute('aria-label', `Save ${data.title} as SVG`);
    figures.textContent = 'figures as CSV';
    figures.setAttribute('aria-label', `Save the figures of ${data.title} as CSV`);
    const save = (words, kind, ending) => {
        const link = document.createElement('a');
        link.href = URL.createObjectURL(new Blob([words], { type: kind }));
        link.download = `${data.file}.${ending}`;
        link.click();
        setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    };
    figures.onclick = () => save(data.csv, 'text/csv', 'csv');
    picture.onclick = () => {
        const drawn = parentElement.getRootNode().host.closest('[class*=st-key-chart]').querySelector('svg.marks');
        if (!drawn) return;
        const whole = drawn.cloneNode(true);
        whole.setAttribute('style', '');
        const ground = document.createElementNS(SVG, 'rect');
        ground.setAttribute('width', '100%');
        ground.setAttribute('height', '100%');
        ground.setAttribute('fill', getComputedStyle(document.querySelector('.stApp')).backgroundColor);
        const title = document.createElementNS(SVG, 'title');
        title.textContent = data.title;
        const inside = document.createElementNS(SVG, 'metadata');
        inside.textContent = data.csv;
        whole.prepend(title, inside, ground);
        save(new XMLSerializer().serializeToString(whole), 'image/svg+xml', 'svg');
    };
}
"""
_saves = st.components.v2.component("diagnose_chart", html=_HTML, css=_CSS, js=_JS)


@st.cache_data(max_entries=64, show_spinner=False)
def _spec(name: str, figures: pd.DataFrame, also: str, _make: Callable[[], Drawn]) -> dict[str, Any]:
    """The chart as Vega-Lite: made once for the same figures, since that takes longer than all else on its page."""
    told: dict[str, Any] = _make().to_dict(validate=False)
    # the framework's grow with the type size, until on a phone they leave no room for what is drawn; zooming enlarges both
    told["config"] = {**told.get("config", {}), "axis": {"labelFontSize": _TYPE, "titleFontSize": _TYPE},
                      "legend": {"labelFontSize": _TYPE}}
    return told


def chart(make: Callable[[], Drawn], figures: pd.DataFrame, title: str, name: str, also: Any = "", **selecting: Any) -> Any:
    """Shows a chart with a way to save it as SVG, its figures inside, and the figures as CSV; returns what was picked on it.

    Parameters
    ----------
    make
        Makes the chart; called only for figures that were not shown lately [no unit].
    figures
        What it shows, a row a mark, each column in the unit that it names.
    title
        What it is called where it is saved [no unit].
    name
        Tells it from the other charts of the app, in letters, digits and "_"; the name of the saved file [no unit].
    also
        What else the chart depends on, as something whose words tell it from any other [no unit].
    **selecting
        Further arguments of `streamlit.vega_lite_chart`, for a chart on which something can be picked [no unit].
    """
    with st.container(key=f"chart_{name}", gap=None):
        state = st.vega_lite_chart(spec=_spec(name, figures, repr(also), make), width="stretch", **selecting)
        _saves(data={"title": title, "file": name.replace("_", "-"), "csv": figures.to_csv(index=False)}, key=f"save_{name}")
    return state
