"""What do all pages share in looks: the page's frame, and how a number with its uncertainty is written?"""

from __future__ import annotations

import base64
import re
from html import escape
from io import BytesIO
from itertools import count

import numpy as np
import streamlit as st
from PIL import Image
from streamlit.delta_generator import DeltaGenerator
from streamlit.runtime import get_instance

from diagnose.screens.drawer import introduction
from diagnose.screens.reach import AWAY

_CSS = """
<style>
.block-container { max-width: 60rem; padding-top: 3.6rem; padding-bottom: 5rem; }
.stButton button, .stDownloadButton button, .stFormSubmitButton button, .stPopover button {
         min-height: 3rem; font-weight: 600; }
/* the dark theme's own white lettering on its pale green has half the contrast asked for (1.4.3) */
[data-testid^="stBaseButton-primary"]:enabled, [data-testid^="stBaseButton-primary"]:enabled * {
         color: light-dark(#FFF, #0B1210) !important; }
[data-testid="stButtonGroup"] button, [data-testid$="NavLink"] { min-height: 2.75rem; }
[data-testid="stSidebarNavLink"] p { font-size: 1rem; }
[data-testid="stExpandSidebarButton"]::after { content: "Menu"; font-weight: 600; padding-left: .3rem; }
[data-testid="stExpandSidebarButton"] { width: auto !important; min-height: 2.75rem; padding: 0 .5rem; }
[data-testid="stCheckbox"] label [data-testid="stMarkdownContainer"], [data-testid="stCheckbox"] label p {
         white-space: normal; overflow: visible; }
[data-testid="stFileUploaderDropzone"] { padding: 1rem; }
/* words break where there is no room for them: the framework cuts them off */
:is([data-testid^="stBaseButton"], [data-testid="stPopoverButton"], [data-testid="stButtonGroup"] button),
:is([data-testid^="stBaseButton"], [data-testid="stPopoverButton"], [data-testid="stButtonGroup"] button)
    :is(div, p, span:not([data-testid])),
[data-testid="stFileUploaderDropzoneInstructions"] :is(div, span, small) {
         white-space: normal !important; overflow: visible !important; text-overflow: clip !important;
         height: auto !important; }
[data-testid="stCode"] :is(pre, code) { white-space: pre-wrap !important; overflow-wrap: anywhere; }
/* what is chosen of a row of buttons is read in the sun too */
[data-testid="stButtonGroup"] [aria-checked="true"] p { color: light-dark(#17201D, #ECEDE6); }
/* the framework's pale captions and tags fall short of the contrast that WCAG 2.2 asks for (1.4.3) */
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] *, [data-testid="stImageCaption"],
[data-testid="stImageCaption"] *, [data-testid="stFileUploaderDropzoneInstructions"] * { color: inherit !important;
         opacity: 1 !important; }
[data-tag] { background: #14594F !important; }
[data-tag] * { color: #FFF !important; }
[data-tag], [data-tag] span { white-space: normal !important; overflow: visible !important; height: auto !important; }
/* the framework leaves it as it was when the device turns dark at dusk */
[data-testid="stExpander"] details[open] > summary { background: color-mix(in srgb, currentColor 5%, transparent); }
h1 { font-size: 1.7rem !important; padding-bottom: .5rem !important; }
h2 { font-size: 1.3rem !important; }
h3 { font-size: 1.08rem !important; }
/* warnings are read in the sun: as dark as all other text */
[data-testid="stAlert"] * {
         color: light-dark(#17201D, #ECEDE6) !important; }
/* a finger sees the tools of charts and tables always, over what stands above them; what they do, links and exports do */
@media (hover: none) { [data-testid="stElementToolbar"] { display: none !important; } }
figure.shown { margin: 0; }
figure.shown img { width: min(100%, var(--w) * 1px, 65vh * var(--w) / var(--h)); aspect-ratio: var(--w) / var(--h);
                   height: auto; max-height: 65vh; object-fit: contain; object-position: left; border-radius: 6px;
                   display: block; }
.pictures { display: flex; gap: .4rem; overflow-x: auto; }
.pictures img { flex: 1 1 0; min-width: 0; aspect-ratio: var(--w) / var(--h); max-height: 33vh; object-fit: contain;
                object-position: left; border-radius: 6px; }
@media (max-width: 520px) {
  .block-container { padding-top: 3.2rem; padding-inline: min(1rem, 4vw); }  /* large type needs the room itself */
  [data-testid="stExpanderDetails"] { padding-inline: min(1rem, 3vw); }
  .pictures img { max-height: 21vh; }
  .st-key-judged .now { font-size: .97rem; line-height: 1.3; }
  .st-key-judged .now small { font-size: .82rem; padding-top: .1rem; }
  h1 { font-size: 1.35rem !important; padding: .3rem 0 .4rem !important; }
  /* a row of joined buttons that breaks in two would look torn: each stands for itself */
  [data-testid="stButtonGroup"] [role="radio"] { border: 1px solid #7C8783 !important; border-radius: 6px !important;
         margin: 0 .3rem .3rem 0 !important; }
  .st-key-photo_field [data-testid="stFileUploaderDropzoneInstructions"] { display: none; }
}
figure.shown figcaption { font-size: .88rem; padding-top: .3rem; }
[data-testid="stPageLink"] a { min-height: 3rem; border: 1px solid var(--st-border-color, #B9B6A8); padding: .4rem .9rem; }
:is([data-testid="stPageLink"] a, [data-testid$="NavLink"], [data-testid="stExpandSidebarButton"],
    [data-testid="stSidebarCollapseButton"] button):focus-visible {
         outline: 3px solid #2A8576 !important; outline-offset: 1px; }
[data-testid="stMain"]:focus-visible::before { box-shadow: inset 0 0 0 3px #2A8576 !important; }
/* a menu that is put away lies beside the screen, where the keyboard would go through it unseen */
.stApp:has([data-testid="stExpandSidebarButton"]) [data-testid="stSidebar"] { visibility: hidden; }
[data-testid="stHeaderActionElements"] { display: none; }  /* a stop of the keyboard at each heading, which leads nowhere */
[data-testid="stPageLink"] a :is(p, span, div) { white-space: normal; overflow: visible; text-overflow: clip; }
[data-testid="stPageLink"] a p { font-size: .95rem; line-height: 1.3; padding: .1rem 0; }
[data-testid="stPageLink"] a strong { font-size: 1.05rem; }
figure.drawn img { width: 100%; max-width: 30rem; max-height: none; background: #FFF; }
.sheet { overflow-x: auto; background: #FFF; border-radius: 6px; }
.sheet img { width: 100%; min-width: 42rem; display: block; }
.share { display: grid; grid-template-columns: minmax(8.5rem, 14rem) 1fr 4.8rem; gap: .6rem;
         align-items: center; margin: .3rem 0; }
.share .bar { background: color-mix(in srgb, currentColor 13%, transparent); height: 1.05rem;
              border-radius: 3px; overflow: hidden; }
.share .bar i { display: block; height: 100%; background: #2A8576; }
.share .bar i.second { background: #B0702A; }
.share .bar i.rest { background: #7C8783; }
.share.inside { margin-left: .9rem; font-size: .88rem; }
.share.inside .bar { height: .5rem; }
.share b { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
/* lettering of charts is read in the sun too */
.stVegaLiteChart :is(.role-legend-label, .role-axis-label, .role-axis-title, .role-legend-title) text,
.st-key-chart_costs .role-mark text, .stVegaLiteChart .role-mark text[fill="#7C8783"] {
         fill: light-dark(#17201D, #ECEDE6); fill-opacity: 1; }
/* the verdict stays in sight while the question below it is answered; the block round it is what sticks */
.st-key-log_one, .st-key-guide_text, h1 { scroll-margin-top: 3.6rem; }
.st-key-place_question { scroll-margin-top: 11rem; }  /* under the verdict */
div:has(> .st-key-verdict) { position: sticky; top: 3.4rem; z-index: 9; margin-top: -.6rem;
         background: light-dark(#FCFBF7, #121715); border-bottom: 1px solid #7C8783; }
.verdict { border-left: 6px solid #2A8576; padding: .1rem .3rem .3rem .7rem; margin: .1rem 0; font-size: 1.1rem;
           line-height: 1.3; }
.verdict.open { border-left-color: #B0702A; }
.verdict.alarm { border-left-color: #D00000; padding: .4rem .6rem .4rem .7rem;
                 background: color-mix(in srgb, #D00000 10%, transparent); }
.verdict .strength { position: relative; display: block; height: .7rem; margin-top: .3rem; border-radius: 3px;
                     background: color-mix(in srgb, currentColor 13%, transparent); }
.verdict .strength i { display: block; height: 100%; border-radius: 3px; background: #2A8576; }
.verdict.open .strength i { background: #B0702A; }
.verdict .strength u { position: absolute; top: -3px; bottom: -3px; width: 3px; margin-left: -1px;
                       background: currentColor; }
.verdict small { display: block; font-size: .82rem; padding-top: .15rem; }
.now { margin: 0; font-size: 1.02rem; line-height: 1.35; }
.st-key-judged > * > [data-testid="stVerticalBlock"] { gap: .6rem; }
.left { margin: 0; font-size: .85rem; line-height: 1.3; }
.now small { display: block; font-size: .85rem; padding-top: .2rem; }
.figures { width: 100%; border-collapse: collapse; }
.figures td { padding: .3rem .5rem .3rem 0;
              border-bottom: 1px solid color-mix(in srgb, currentColor 18%, transparent); }
.figures td:last-child { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
.figures .whole { white-space: nowrap; }
.table { overflow-x: auto; }
.table table { width: 100%; border-collapse: collapse; font-size: .92rem; line-height: 1.35; }
.table :is(th, td) { padding: .35rem .7rem .35rem 0; text-align: left; vertical-align: top; min-width: 3.4rem;
                     border-bottom: 1px solid color-mix(in srgb, currentColor 18%, transparent); }
.table thead th { font-weight: 600; vertical-align: bottom; }
.table tbody th { font-weight: 400; }
.table .number { text-align: right; font-variant-numeric: tabular-nums; }
.table .number + :not(.number) { padding-left: .8rem; }
/* columns of tables below each other are in line */
.table tr > :first-child:nth-last-child(4) { width: 44%; }
.table tr > :last-child:nth-child(4) { width: 34%; }
.table small { display: block; font-size: .82rem; }
.stRadio [role="radiogroup"] { row-gap: 0 !important; }  /* each choice is as high as a finger: more room parts them */
.stRadio [role="radiogroup"] label { min-height: 2.75rem; align-items: center; padding: .3rem .5rem .3rem 0; }
@media (max-width: 520px) {
  .table tr > * { width: auto !important; min-width: 0; padding-right: .4rem; }
  /* a table of many columns: a row is a paragraph that names each */
  .table.wide :is(table, tbody, tr, th, td) { display: block; border: 0; padding: 0; }
  .table.wide thead { display: none; }
  .table.wide tr { padding: .4rem 0; border-bottom: 1px solid color-mix(in srgb, currentColor 18%, transparent); }
  .table.wide tbody th { font-weight: 600; }
  .table.wide td { text-align: left; }
  .table.wide td.number + td { padding: 0; }
  .table.wide td::before { content: attr(data-of) ": "; }
  .figures td:last-child { white-space: normal; }
  .share { grid-template-columns: 1fr auto; row-gap: .1rem; }
  .share .bar { grid-column: 1 / -1; grid-row: 2; }
}
.on_paper { display: none; }
/* on paper: dark on white whatever the screen shows, nothing to press, and what is folded away laid open */
@media print {
  @page { margin: 14mm; }
  :root, body, .stApp { color-scheme: light !important; background: #FFF !important; }
  .stApp, .stApp *:not(svg *, .bar *, .strength *, .strength) { color: #17201D !important; background-color: #FFF !important;
         border-color: #7C8783 !important; }
  .stVegaLiteChart svg { background: #FFF !important; }
  .stVegaLiteChart svg text { fill: #17201D !important; }
  /* drawn for the screen: as wide as the paper unless lettering grows large by that, its grid pale in the dark too */
  .stVegaLiteChart svg.marks { width: 100% !important; height: auto !important; max-height: 200mm;
         max-width: calc(1.25 * attr(width px)); }
  .stVegaLiteChart :is(div, details) { height: auto !important; min-height: 0 !important; }
  .stVegaLiteChart .role-axis-grid line { stroke: #CCC !important; stroke-width: 1 !important; }
  figure.shown img { max-height: 90mm !important; }
  .strength, .share .bar { background: #DDD !important; print-color-adjust: exact; }
  .strength *, .share .bar * { print-color-adjust: exact; }
  [data-testid="stHeader"], [data-testid="stSidebar"], [data-testid="stFileUploader"], .stButton, .stDownloadButton,
  .stFormSubmitButton, [data-testid="stForm"], [data-testid="stPageLink"], [data-testid="stExpanderIcon"],
  [data-testid="stButtonGroup"], [data-testid="stPopover"], [data-testid="stTextInput"], [data-testid="stNumberInput"],
  [data-testid="stSelectbox"], [data-testid="stMultiSelect"], [data-testid="stDateInput"], [data-testid="stSlider"],
  [data-testid="stRadio"], [data-testid="stCheckbox"], [data-testid="stCameraInput"], [data-testid="stTextArea"],
  [class*="st-key-answers"], .left,
  [class*="st-key-screen_"], [data-testid="stElementToolbar"], #reach { display: none !important; }
  .st-key-ways [data-testid="stPageLink"] { display: block !important; }
  .on_paper { display: block; white-space: pre-wrap; overflow-wrap: anywhere; }
  .block-container { padding: 0 !important; max-width: none !important; }
  /* what is only asked, what was never opened, and tables that are a canvas, which paper shows empty */
  details:has(input, textarea, [data-testid="stDataFrame"]):not([open]),
  details:has(input, textarea):not(:has(li, .figures, .share, svg.marks)),
  [data-testid="stExpander"]:not(:has([data-testid="stElementContainer"])),
  [data-testid="stElementContainer"]:has([data-testid="stDataFrame"]) { display: none !important; }
  /* what scrolls in itself on the screen is parted between two sheets */
  [data-testid="stCode"], [data-testid="stCode"] *, [data-testid="stMarkdownContainer"] :is(pre, pre *) {
         overflow: visible !important; max-height: none !important; }
  [data-testid="stCode"] code { display: block !important; }
  details::details-content { content-visibility: visible !important; height: auto !important; opacity: 1 !important; }
  details [data-testid="stExpanderDetails"] { display: block !important; height: auto !important; opacity: 1 !important;
         visibility: visible !important; overflow: visible !important; }
  /* headings keep to what follows only in blocks: the framework stacks all in flexible boxes */
  [data-testid="stVerticalBlock"]:not([class*="st-key-screen_"], [class*="st-key-answers"]) { display: block !important; }
  [data-testid="stVerticalBlock"] > * { margin-bottom: .7rem; }
  figure, .stVegaLiteChart, tr, li, .share { break-inside: avoid; }
  details:not(:has(li:nth-child(8), .share, .stAlert)) { break-inside: avoid; }
  h1, h2, h3, [data-testid="stElementContainer"]:is(:has(h1, h2, h3), :has(p > strong:first-child)) { break-after: avoid; }
}
</style>
"""


_AT_ONCE = "opened at once"
_FEW_COLUMNS = 5  # of a table, that a phone shows beside each other
_TIMES = count()  # that something was brought into sight


def lay_out() -> None:
    """Sets the frame that every page stands in."""
    st.set_page_config(page_title="What bit it?", page_icon=_icon(), layout="centered")
    st.html(_CSS + _MENU + AWAY + introduction(), unsafe_allow_javascript=True)


# a phone's menu lies over the page: it goes once a page was chosen in it
_MENU = """<script>
if (!window.menuWatched) {
    window.menuWatched = true;
    document.addEventListener('click', event => {
        if (event.target.closest('[data-testid=stSidebarNavLink]') && window.innerWidth < 768)
            document.querySelector('[data-testid=stSidebarCollapseButton] button')?.click();
    });
}
</script>"""
_JOINER = "\u2060"  # takes no room; two characters with it between them mean no link, smiley or arrow
_BEFORE_SIGN = re.compile(r"(?<=\d) (?=%)")
_MEANS_MORE = re.compile(r"(?<=:)(?=//|[\w+-])|(?<=@)|(?<=\bw)(?=ww\.)|(?<=[-<>=~])(?=[-<>=])", re.IGNORECASE)


def literal(words: object) -> str:
    """Words that came from elsewhere, as Markdown that shows them as they stand: nothing is set, linked or fetched.

    A figure and its sign stay on one line.

    Parameters
    ----------
    words
        Anything; its words are taken [no unit].
    """
    apart = _MEANS_MORE.sub(_JOINER, _BEFORE_SIGN.sub("\u00a0", " ".join(str(words).split())))
    return re.sub(r"([!-/:-@\[-`{-~])", r"\\\1", apart)


def bring(selector: str, wherever: bool = True) -> None:
    """Scrolls to what was asked for: once, when this part of the page is drawn.

    Parameters
    ----------
    selector
        Of the element, in CSS [no unit].
    wherever
        Also where it stands whole on the screen already? [no unit]
    """
    # a script that is the same as the one before it at this place would not be run again
    st.html(f"<script>/* {next(_TIMES)} */ {{ const asked = document.querySelector('{selector}');"
            f"if (asked && ({str(wherever).lower()} || asked.getBoundingClientRect().bottom > innerHeight))"
            "asked.scrollIntoView({ block: 'start' }); }</script>", unsafe_allow_javascript=True)


def once_opened(label: str, key: str) -> DeltaGenerator | None:
    """A part folded away that is drawn from its first opening on, since a browser takes long for tables; None before that.

    What was typed in it stays when it is folded up again.

    Parameters
    ----------
    label
        As Markdown [no unit].
    key
        Tells it from the others on the page [no unit].
    """
    part = st.expander(label, key=key, on_change=_opening, args=(key,))
    # of two that are opened in the same instant the browser asks for the first alone: both are drawn with the whole page
    if len(st.session_state.pop(_AT_ONCE, set())) > 1:
        st.rerun()
    opened = f"{key} was opened"
    st.session_state[opened] = bool(part.open) or st.session_state.get(opened, False)
    return part if st.session_state[opened] else None


def _opening(key: str) -> None:
    st.session_state.setdefault(_AT_ONCE, set()).add(key)


def picture(jpeg: bytes, alt: str, caption: str = "", place: str = "picture") -> None:
    """Shows a JPEG with words for who cannot see it; Streamlit's own pictures have none.

    Parameters
    ----------
    jpeg
        The file's bytes [no unit].
    alt
        Words for who cannot see it [no unit].
    caption
        Words below it [no unit].
    place
        Tells it from the other pictures on the page [no unit].
    """
    below = f"<figcaption>{escape(caption)}</figcaption>" if caption else ""
    st.html(f'<figure class="shown">{_img(jpeg, alt, place)}{below}</figure>')


def address_of(data: bytes, place: str, kind: str = "image/jpeg") -> str:
    """Where the browser gets a picture from: as a file, since it is slow to read one inside of what it is told.

    Parameters
    ----------
    data
        The file's bytes [no unit].
    place
        Tells where on the page it stands from other places; what stood there before is forgotten [no unit].
    kind
        Its media type [no unit].
    """
    below = str(st.get_option("server.baseUrlPath")).strip("/")
    return f"{'/' if below else ''}{below}{get_instance().media_file_mgr.add(data, kind, place)}"


def pictures(shown: list[tuple[bytes, str]]) -> None:
    """Shows JPEGs in one row, no higher than two fifths of the screen.

    Parameters
    ----------
    shown
        Each file's bytes with its words for who cannot see it [no unit].
    """
    if shown:
        each = "".join(_img(jpeg, alt, f"picture {place}") for place, (jpeg, alt) in enumerate(shown))
        st.html(f'<div class="pictures">{each}</div>')


def _img(jpeg: bytes, alt: str, place: str) -> str:
    """A picture that takes its room before it has come, so that nothing below it jumps."""
    width, height = Image.open(BytesIO(jpeg)).size
    return f'<img src="{address_of(jpeg, place)}" alt="{escape(alt)}" style="--w: {width}; --h: {height}">'


def drawing(svg: str, alt: str) -> None:
    """Shows a drawing with words for who cannot see it.

    Parameters
    ----------
    svg
        The element, which HTML on a page may not hold itself [no unit].
    alt
        What it shows [no unit].
    """
    whole = svg[svg.index("<svg"):svg.rindex("</svg>") + len("</svg>")]
    data = base64.b64encode(whole.encode()).decode()
    st.html(f'<figure class="shown drawn"><img src="data:image/svg+xml;base64,{data}" alt="{escape(alt)}"></figure>')


def sheet(svg: str, title: str, words: str) -> None:
    """Shows a drawing with lettering, as large as it is read: a phone scrolls it sideways.

    Parameters
    ----------
    svg
        The element, which HTML on a page may not hold itself [no unit].
    title
        What it is called [no unit].
    words
        What it shows, for who cannot see it [no unit].
    """
    data = base64.b64encode(svg.encode()).decode()
    st.html(f'<div class="sheet" tabindex="0" role="group" aria-label="{escape(title)}">'
            f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(title)}. {escape(words)}"></div>')


def as_table(rows: list[dict[str, object]], title: str) -> None:
    """Shows a table whose words break instead of being cut off, and which is printed; a phone shows a wide one row by row.

    Parameters
    ----------
    rows
        Column -> what stands in it: a number, which stands at the right, or words, of which a second line is small.
        The first column names the row [no unit].
    title
        What it is called, for who cannot see it [no unit].
    """
    names = list(rows[0])
    numbers = {name for name in names if any(isinstance(row[name], (int, float)) for row in rows)}

    def cell(name: str, value: object, tag: str) -> str:
        words, *small = escape("-" if value is None else str(value)).split("\n")
        kind = f' data-of="{escape(name)}"{" class=number" if name in numbers else ""}'
        return f"<{tag}{kind}>{words}{''.join(f'<small>{line}</small>' for line in small if line)}</{tag.split()[0]}>"

    head = "".join(cell(name, name, 'th scope="col"') for name in names)
    tags = ['th scope="row"', *["td"] * (len(names) - 1)]
    body = "".join(f"<tr>{''.join(cell(name, row[name], tag) for name, tag in zip(names, tags, strict=True))}</tr>"
                   for row in rows)
    st.html(f'<div class="table{" wide" if len(names) > _FEW_COLUMNS else ""}" tabindex="0" role="group" '
            f'aria-label="{escape(title)}">'
            f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>")


def _icon() -> Image.Image:
    """A stem cut aslant, 32 x 32 px; a named icon would be fetched from the network."""
    v, u = np.mgrid[0:32, 0:32]
    stem = (np.abs(u - 16) < 7) & (v > 18 - 0.7 * (u - 16))
    colours = np.where(stem[..., None], np.array([20, 89, 79]), np.array([252, 251, 247]))
    return Image.fromarray(colours.astype(np.uint8))
