"""The page for the main job: a photo of a wound, a few questions, what bit it, what stops it, keep it."""

from __future__ import annotations

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import catalogue
from diagnose.diagnosis import (
    Circumstances,
    Diagnosis,
    Scale,
    diagnose_answers,
    diagnose_measured,
    diagnose_together,
    measure_picture,
)
from diagnose.fieldlog import save_diagnosis
from diagnose.measure.overlay import annotate
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture, read_picture
from diagnose.photo.plane import Plane
from diagnose.protect.requirement import NEED_OF
from diagnose.report.card_sheet import print_scale as print_scale_of
from diagnose.report.figures import MM_PER_INCH
from diagnose.screens import show
from diagnose.screens.log_folder import the_log
from diagnose.screens.tap import tap_on
from diagnose.signs import Answer, Sign, vocabulary

_MONTHS = ["not known", "January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December"]


def _photos() -> list[tuple[str, bytes]]:
    files = st.file_uploader(
        "Photo of the wound", type=["jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif"],
        accept_multiple_files=True, key="photos",
        help="Lay the bitten end on the printed scale card and photograph it from straight above.",
    )
    given = [(file.name, file.getvalue()) for file in files or []]
    if st.toggle("Use this device's camera", key="camera_on",
                 help="Works on this computer itself; a phone needs a secure (https) address for it. "
                      "Uploading always works."):
        shot = st.camera_input("Take the photo", key="camera")
        if shot is not None:
            given.append(("camera.jpg", shot.getvalue()))
    return given


def _circumstances() -> Circumstances:
    with st.expander("Where, when, snow"):
        regions = catalogue().regions
        region = st.selectbox("Region", [None, *regions], key="region",
                              format_func=lambda key: "from the photo's position" if key is None else regions[key]["name"])
        month = st.selectbox("Month in which you found it", _MONTHS, key="month")
        unit = "inches" if st.session_state.get("inches") else "cm"
        snow = st.number_input(f"Depth of the snow that lay when it happened [{unit}], 0 if none or not known",
                               min_value=0.0, max_value=500.0, step=5.0, key="snow")
    snow_mm = snow * (MM_PER_INCH if unit == "inches" else 10.0)
    return Circumstances(region, _MONTHS.index(month) or None, snow_mm or None)


def _scale() -> tuple[Scale | None, float]:
    with st.expander("No card in the picture, or the card printed too small?"):
        coin = st.number_input("Diameter of a coin held beside the twig [mm], 0 if none", 0.0, 60.0, 0.0, 0.1, key="coin")
        bar = st.number_input("What the card's check bar of 100 mm measures [mm]", 80.0, 120.0, 100.0, 0.5, key="bar")
    return (Scale(coin_mm=coin) if coin else None), print_scale_of(bar)


@st.cache_resource(max_entries=12, show_spinner="Measuring ...")
def _measured(
    data: bytes, name: str, taps: tuple[tuple[float, float], ...], scale: Scale | None, print_scale: float,
    snow_mm: float | None,
) -> tuple[Picture, Plane | None, Measurement]:
    """Measured once for each photo and taps, not again with every answer."""
    picture = read_picture(data, name)
    return picture, *measure_picture(picture, taps, scale, print_scale, Circumstances(snow_mm=snow_mm))


def _picture(
    name: str, data: bytes, answers: dict[str, Sign], around: Circumstances, scale: Scale | None, print_scale: float
) -> Diagnosis | None:
    """One photo: measured, shown, and tapped where the finding was wrong."""
    taps: list[tuple[float, float]] = st.session_state.setdefault(f"taps {name} {len(data)}", [])
    try:
        picture, plane, measurement = _measured(data, name, tuple(taps), scale, print_scale, around.snow_mm)
    except CannotUse as reason:
        st.error(f"{name}: {reason}")
        return None
    found = diagnose_measured(picture, plane, measurement, answers, around)
    st.image(annotate(picture, found.measurement, found.plane, st.session_state.get("inches", False))[..., ::-1],
             caption=f"{name}: what was measured", width="stretch")
    if not found.measurement.measured:
        st.warning(next(iter(dict.fromkeys(found.measurement.not_measured.values()))))
    for remark in found.measurement.remarks:
        st.info(remark)
    with st.expander("Wrong place? Tap the wound", expanded=not found.measurement.measured):
        st.caption("First tap: the severed end, the gnawed patch or the browsed tip. Second tap: a point farther back "
                   "on the same stem.")
        tap = tap_on(picture.bgr, f"{name}: tap the wound", key=f"tap {name} {len(data)}")
        width, height = picture.size
        if tap is not None:
            point = (min(tap[0] * width, width - 1.0), min(tap[1] * height, height - 1.0))
            taps[:] = [*taps, point][-2:] if len(taps) < 2 else [point]
            st.rerun()
        if taps and st.button("Forget the taps", key=f"forget {name}"):
            taps.clear()
            st.rerun()
    show.figures_of(found.measurement, st.session_state.get("inches", False))
    return found


def _questions(found: Diagnosis, answers: dict[str, Sign]) -> None:
    passed: set[str] = st.session_state.setdefault("passed", set())
    asked = found.verdict.question_beside(passed, NEED_OF)
    if answers or passed:
        with st.expander(f"Answered so far: {len(answers) + len(passed)}"):
            for name in [*answers, *passed]:
                told = answers.get(name)
                words = vocabulary()[name].choices[told.choice] if isinstance(told, Answer) else "don't know"
                left, right = st.columns([4, 1], vertical_alignment="center")
                left.write(f"{vocabulary()[name].question} **{words}**")
                if right.button("Undo", key=f"undo {name}"):
                    answers.pop(name, None)
                    passed.discard(name)
                    st.rerun()
    if asked is None:
        st.caption("Nothing more that could be asked would change the barrier or the verdict much.")
        return
    word = vocabulary()[asked]
    st.subheader(word.question)
    st.caption(word.help)
    choice = st.radio("Answer", [*word.choices, "?"], index=None, key=f"ask {asked}", label_visibility="collapsed",
                      format_func=lambda key: word.choices.get(key, "don't know"))
    if choice == "?":
        passed.add(asked)
        st.rerun()
    elif choice is not None:
        answers[asked] = Answer(choice)
        st.rerun()


def _keep(found: list[Diagnosis]) -> None:
    st.subheader("Keep it in the log")
    with st.form("keep", border=False):
        left, middle, right = st.columns(3)
        site = left.text_input("Planting", key="site")
        plant = middle.text_input("Plant's tag", key="plant")
        by = right.text_input("Your initials", key="by", max_chars=8)
        named = st.selectbox("Your own naming, kept beside the tool's", [None, *catalogue().names], key="named",
                             format_func=lambda key: "none" if key is None else catalogue().names[key])
        note = st.text_input("Note", key="note")
        if st.form_submit_button("Keep", type="primary", width="stretch"):
            try:
                log = the_log()
                for one in found:
                    saved = save_diagnosis(log, one, site=site, plant=plant, by=by, note=note, named=named)
                    (st.success if saved.new else st.info)(saved.message)
            except CannotUse as reason:
                st.error(str(reason))


def page() -> None:
    st.title("What bit it, and what stops it?")
    st.toggle("Inches", key="inches")
    answers: dict[str, Sign] = st.session_state.setdefault("answers", {})
    photos = _photos()
    around = _circumstances()
    scale, print_scale = _scale()
    shown = [_picture(name, data, answers, around, scale, print_scale) for name, data in photos]
    found = [one for one in shown if one is not None]
    if not photos:
        st.caption("No photo? Answer the questions, the verdict comes from them alone. The scale card to print: "
                   "`diagnose card`.")
    judged = found or [diagnose_answers(answers, around)]
    measured = [one for one in found if one.measurement.measured]
    if len(measured) > 1 and st.toggle("These photos show the same wound", value=True, key="same"):
        best = diagnose_together(measured, answers, around)
        st.subheader("All photos together")
        for remark in best.measurement.remarks:
            st.info(remark)
        show.figures_of(best.measurement, st.session_state.get("inches", False))
    else:
        best = max(judged, key=lambda one: max(one.verdict.culprits.values()))
    if photos or answers:
        show.verdict_of(best.verdict)
    _questions(best, answers)
    if photos or answers:
        show.barrier_of(best.barrier, st.session_state.get("inches", False))
        _keep(judged)
        if st.button("Start anew", width="stretch"):
            for key in ("answers", "passed"):
                st.session_state.pop(key, None)
            st.rerun()


page()
