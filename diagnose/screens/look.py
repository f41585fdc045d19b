"""What do all pages share in looks: the page's frame, and how a number with its uncertainty is written?"""

from __future__ import annotations

import streamlit as st

_CSS = """
<style>
.block-container { max-width: 60rem; padding-top: 4.2rem; padding-bottom: 5rem; }
.stButton button, .stDownloadButton button, .stFormSubmitButton button { min-height: 3rem; font-weight: 600; }
[data-testid="stFileUploaderDropzone"] { padding: 1rem; }
h1 { font-size: 1.7rem !important; padding-bottom: .2rem; }
h2 { font-size: 1.3rem !important; }
h3 { font-size: 1.08rem !important; }
.share { display: grid; grid-template-columns: minmax(8.5rem, 14rem) 1fr 3.4rem; gap: .6rem;
         align-items: center; margin: .3rem 0; }
.share .bar { background: color-mix(in srgb, currentColor 13%, transparent); height: 1.05rem;
              border-radius: 3px; overflow: hidden; }
.share .bar i { display: block; height: 100%; background: #14594F; }
.share .bar i.second { background: #B0702A; }
.share .bar i.rest { background: #7C8783; }
.share b { text-align: right; font-variant-numeric: tabular-nums; }
.verdict { border-left: 6px solid #14594F; padding: .3rem 0 .3rem .9rem; margin: .5rem 0 1rem;
           font-size: 1.15rem; }
.verdict.open { border-left-color: #B0702A; }
.figures { width: 100%; border-collapse: collapse; }
.figures td { padding: .3rem .5rem .3rem 0;
              border-bottom: 1px solid color-mix(in srgb, currentColor 18%, transparent); }
.figures td:last-child { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
</style>
"""


def lay_out() -> None:
    """Sets the frame that every page stands in."""
    st.set_page_config(page_title="What bit it?", page_icon=":material/forest:", layout="centered")
    st.html(_CSS)
