"""The page for the main job: a photo of a wound, a few questions, what bit it, what stops it, save it."""

from __future__ import annotations

import json
from functools import partial
from html import escape
from typing import Any

import cv2
import numpy as np
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from diagnose.cannot_use import CannotUse
from diagnose.culprits.ask import PLACE, PLACE_HELP, PLACE_QUESTION, next_step, questions_left
from diagnose.culprits.here import living_elsewhere
from diagnose.culprits.verdict import Verdict
from diagnose.diagnosis import (
    Circumstances,
    Diagnosis,
    Ground,
    Scale,
    diagnose_answers,
    diagnose_measured,
    diagnose_together,
    measure_picture,
)
from diagnose.figures import MM_PER_INCH
from diagnose.measure.bark_round import Turns, read_turns
from diagnose.measure.join import two_wounds
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture, read_picture
from diagnose.photo.plane import Plane
from diagnose.protect.requirement import NEED_OF, built_of
from diagnose.report.card_sheet import print_scale as print_scale_of
from diagnose.report.overlay import annotate
from diagnose.screens import drawer, preferences, show
from diagnose.screens.answers import UNKNOWN, ask
from diagnose.screens.draft import Draft, Photo, start_over, the_draft
from diagnose.screens.look import bring, literal, pictures
from diagnose.screens.look import picture as picture_of
from diagnose.screens.preferences import place_choices
from diagnose.screens.start import page_link
from diagnose.screens.tap import Point, tap_on
from diagnose.screens.wound_saved import save, what_was_saved
from diagnose.signs import signs_as_json, vocabulary

_MONTHS = ["not known", "January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December"]
_TAPS = ("the wound", "farther back on the stem")
_UPRIGHT_TAPS = ("the wound", "the plant's foot", "the lower end of the known length", "its upper end")
_Seen = tuple[Picture, Plane | None, Measurement]


def _more_photos(draft: Draft) -> None:
    """Takes uploaded and photographed pictures into the draft; each goes into the drawer at once."""
    turn = st.session_state.setdefault("photo_round", 0)
    files = st.file_uploader(
        "Another photo of it" if draft.photos else "Photo of the wound", accept_multiple_files=True, key=f"photos {turn}",
        type=["jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif", "avif"],
        help="Lay the bitten end on the printed scale card and photograph it from straight above.",
    )
    _take(draft, [(file.name, file.getvalue()) for file in files or []])


def _camera(draft: Draft) -> None:
    if st.toggle("Use this computer's camera", key="camera_on",
                 help="On a phone the upload button offers its camera; this one needs a secure (https) address there."):
        shot = st.camera_input("Take the photo", key=f"camera {st.session_state['photo_round']}")
        if shot is not None:
            _take(draft, [("camera.jpg", shot.getvalue())])


def _take(draft: Draft, given: list[tuple[str, bytes]]) -> None:
    if not given:
        return
    known = {photo.digest for photo in draft.photos}
    for name, data in given:
        digest = drawer.keep_file(data)
        if digest not in known:
            draft.photos.append(Photo(name, digest, data))
            known.add(digest)
    draft.before = None
    draft.put_away()
    st.session_state["photo_round"] += 1  # the upload field is empty again: the draft holds the pictures
    st.rerun()


def _circumstances() -> Circumstances:
    with st.expander("Where, when, snow", key="around"):
        names = place_choices(preferences.region())
        region = st.selectbox("Country, or part of one", list(names), key="region",
                              index=list(names).index(preferences.region()), format_func=names.__getitem__)
        month = st.selectbox("Month in which you found it", _MONTHS, key="month")
        unit = "inches" if preferences.inches() else "cm"
        snow = st.number_input(f"Depth of the snow that lay when it happened [{unit}], 0 if none or not known",
                               min_value=0.0, max_value=500.0, step=5.0, key="snow")
    snow_mm = snow * (MM_PER_INCH if unit == "inches" else 10.0)
    return Circumstances(region, _MONTHS.index(month) or None, snow_mm or None)


def _scale() -> tuple[Scale | None, float]:
    with st.expander("No card, or printed too small?", key="no_card"):
        coin = st.number_input("Diameter of a coin held beside the twig [mm], 0 if none", 0.0, 60.0, 0.0, 0.1, key="coin")
        plain = st.toggle("A blank or membership card (85.6 x 54 mm) is held beside the twig", key="plain_card",
                          help="Never a bank or identity card: its numbers would be in the picture.")
        bar = st.number_input("What the card's check bar of 100 mm measures [mm]", 80.0, 120.0, 100.0, 0.5, key="bar")
    return (Scale(coin_mm=coin or None, plain_card=plain) if coin or plain else None), print_scale_of(bar)


def _height() -> tuple[float | None, float | None]:
    """What was said for the height: of the card's lower edge above the ground, and of something upright [mm]."""
    unit, mm = ("inches", MM_PER_INCH) if preferences.inches() else ("cm", 10.0)
    with st.expander("How high is the wound?", key="how_high"):
        card = st.number_input(f"Card upright beside the wound: height of its lower edge above the ground [{unit}], "
                               "0 if it stands on the ground, empty if not known",
                               min_value=0.0, max_value=500.0, value=None, step=1.0, key="card_at")
        upright = st.number_input(f"No card: length of something upright beside the plant, whose two ends you tap [{unit}], "
                                  "empty if none", min_value=1.0, max_value=500.0, value=None, step=1.0, key="upright")
    return None if card is None else card * mm, None if upright is None else upright * mm


@st.cache_resource(max_entries=4, show_spinner=False)  # some 36 MB each at 12 megapixels
def _picture(digest: str, name: str, _data: bytes) -> Picture:
    """Decoded once for each photo, not again with every tap."""
    return read_picture(_data, name)


@st.cache_resource(max_entries=24, show_spinner="Measuring ...")
def _measured(
    digest: str, name: str, taps: tuple[Point, ...], scale: Scale | None, print_scale: float, snow_mm: float | None,
    card_at_mm: float | None, upright_mm: float | None, _data: bytes,
) -> _Seen:
    """Measured once for each photo and taps, not again with every answer.

    With something upright of known length the taps are the wound, the plant's foot and its two ends.
    """
    picture = _picture(digest, name, _data)
    width, height = picture.size
    points = [(min(x * width, width - 1.0), min(y * height, height - 1.0)) for x, y in taps]
    ground = None if card_at_mm is None else Ground(card_at_mm)
    if upright_mm is not None and len(points) == len(_UPRIGHT_TAPS):
        scale, ground = Scale(None, upright_mm, points[2], points[3]), Ground(card_at_mm, points[1])
    points = points[:1] if upright_mm is not None else points[:2]
    return picture, *measure_picture(picture, points, scale, print_scale, Circumstances(snow_mm=snow_mm), ground)


@st.cache_data(max_entries=24, show_spinner=False)
def _annotated(key: tuple[Any, ...], _seen: _Seen, inches: bool) -> bytes:
    """The annotated picture as JPEG."""
    picture, plane, measurement = _seen
    shown: np.ndarray = annotate(picture, measurement, measurement.px_per_mm(plane), inches)
    return cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes()


def _see(
    photos: list[Photo], around: Circumstances, scale: Scale | None, print_scale: float,
    card_at_mm: float | None, upright_mm: float | None,
) -> dict[str, _Seen]:
    """Measures the photos and shows those that are not there to be tapped, with their outlines, in one row.

    Returns what was seen by the photo's digest.
    """
    seen: dict[str, _Seen] = {}
    drawn = []
    for photo in photos:
        key = (photo.digest, photo.name, tuple(photo.taps), scale, print_scale, around.snow_mm, card_at_mm, upright_mm)
        try:
            seen[photo.digest] = one = _measured(*key, photo.data)
        except CannotUse as reason:
            st.error(literal(f"{photo.name}: {reason}"))
            continue
        # where the picture to tap stood first it stays: a tap that changes the finding must not move it from the finger
        photo.first = photo.first if photo.first is not None else not one[2].measured
        labels = [vocabulary()[name].label for name in one[2].measured if name in vocabulary()]
        words = f"The wound in {photo.name} enlarged, with lines where it was measured: {', '.join(labels)}"
        photo.shown = (_annotated(key, one, preferences.inches()), words) if labels else None
        if photo.shown is not None and not photo.first:
            drawn.append(photo.shown)
    pictures(drawn)
    return seen


def _details(photo: Photo, draft: Draft, seen: _Seen | None, upright_mm: float | None) -> None:
    """What was measured in one photo, and the photo itself to tap where the finding was wrong."""
    measurement = seen[2] if seen is not None else Measurement()
    lost = seen is not None and not measurement.measured
    label = "Tap the wound" if lost else f"Figures, or another place: {literal(photo.name)}"
    with st.expander(label, expanded=lost, key=f"wrong {photo.digest}"):
        if seen is not None:
            above, taps, below = st.container(), st.container(key=f"screen_taps {photo.digest}"), st.container()
            _to_tap(taps, photo, draft, seen, upright_mm)
            with below if photo.first else above:  # what a tap tells comes in below the finger
                if photo.first and photo.shown is not None:
                    picture_of(*photo.shown, place=f"shown {photo.digest}")
                show.figures_of(measurement, preferences.inches())
                for remark in measurement.remarks:
                    st.info(literal(remark))
        if photo.taps:
            st.button("Remove the taps", key=f"forget {photo.digest}", on_click=draft.tap, args=(photo, []))
        st.button("Remove this photo", key=f"away {photo.digest}", on_click=draft.remove, args=(photo,))


def _to_tap(where: DeltaGenerator, photo: Photo, draft: Draft, seen: _Seen, upright_mm: float | None) -> None:
    """The photo itself, with what to tap in it."""
    picture, _, measurement = seen
    second = ("a point farther back on the same stem, or the plant's foot" if upright_mm is None else
              "the plant's foot. Third and fourth: the lower and upper end of what is of known length")
    why = next(iter(measurement.not_measured.values()), "") if not (measurement.measured or photo.taps) else ""
    where.caption(f"{literal(why[:1].upper() + why[1:])}." if why else
                  "Wrong place? Tap the severed end, the gnawed patch or the browsed tip. Second tap: "
                  f"{second}. Drag a point, or move it with the arrow keys.")
    names = _TAPS if upright_mm is None else _UPRIGHT_TAPS
    with where:
        tap_on(picture.bgr, photo.digest, f"{photo.name}: tap the wound", f"tap {photo.digest}",
               partial(draft.tap, photo), photo.taps[: len(names)], names)


def _question(found: Diagnosis, draft: Draft) -> bool:
    """The one next question; is there one?"""
    # a photo may tell the place: before anything is measured, answered or passed it is not asked for
    passed = draft.passed if found.verdict.signs or draft.passed else {PLACE}
    step = next_step(found.verdict, passed, NEED_OF, None, built_of())
    asked, before = step.question, st.session_state.get("asked_last")
    st.session_state["asked_last"] = asked
    if asked is None:
        why = f", this will hardly change: {step.reason}" if found.verdict.signs else ""
        st.html(f'<p class="left">Nothing more to ask{escape(why)}.</p>')
        return False
    if asked == PLACE:
        with st.container(key="place_question"):
            _question_of_place(draft)
        if before is not None and before != PLACE:
            bring(".st-key-place_question", wherever=False)
        return True
    elsewhere = living_elsewhere(found.verdict.place) if asked == "seen" else ()

    def take(name: str, said: str | list[str]) -> None:
        draft.before = None if draft.is_empty else show.in_short(found.verdict)
        draft.answer(name, None if said == UNKNOWN else said)

    ask(vocabulary()[asked], f"answers {st.session_state.get('photo_round', 0)}", take, elsewhere, before == PLACE)
    return True


def _question_of_place(draft: Draft) -> None:
    """Asked where neither a photo nor the person's settings tell it; the answer stands under "Where, when, snow"."""
    names = place_choices(None)
    del names[None]

    def take() -> None:
        st.session_state["region"] = st.session_state["place_asked"]

    st.subheader(PLACE_QUESTION)
    st.caption(PLACE_HELP)
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    told = left.selectbox("Country, or part of one, where the plant stands", list(names), index=None, key="place_asked",
                          format_func=names.__getitem__, placeholder="type its name", on_change=take)
    right.button("don't know", key="place_passed", on_click=draft.answer, args=(PLACE, None), width="stretch")
    if told is not None:
        st.rerun()  # what is judged in another place is drawn anew as a whole


@st.cache_data(max_entries=64, show_spinner=False)
def _left(told: str, passed: tuple[str, ...], _verdict: Verdict) -> int:
    """About how many questions are left. told : the signs that the verdict stands on, as JSON, and where it was."""
    return questions_left(_verdict, passed, NEED_OF, built_of())


def _how_many_left(where: DeltaGenerator, verdict: Verdict, draft: Draft) -> None:
    """Says it where room was kept for it: looking ahead takes longer than the verdict, which does not wait for it."""
    told = json.dumps([signs_as_json(verdict.signs), verdict.where], sort_keys=True)
    many = _left(told, tuple(sorted(draft.passed)), verdict)
    words = "About the last question." if many <= 1 else f"About {many} questions left."
    where.html(f'<p class="left">{words}</p>')


def _answered(draft: Draft) -> None:
    told = draft.told()
    if not told:
        return
    with st.expander(f"Answered so far: {len(told)}", key="answered"):
        for name, (question, words) in told.items():
            left, right = st.columns([4, 1], vertical_alignment="center")
            left.write(f"{question} **{words}**")
            right.button("Undo", key=f"undo {name}", on_click=draft.take_back, args=(name,))


def _turns(found: list[Diagnosis]) -> Turns:
    """How far round the stem the photos of gnawed bark were taken, where the person can tell."""
    if sum(one.measurement.round is not None for one in found) < 2:
        return None
    told = st.text_input("How far round the stem was each photo taken? Degrees counterclockwise from above, in their order "
                         "(0, 90, 180, 270), or all-round if they show every side; empty if not known", key="turns")
    try:
        turns = read_turns(told)
    except CannotUse as reason:
        st.error(literal(reason))
        return None
    if turns is not None and not isinstance(turns, str) and len(turns) != len(found):
        st.error(f"{len(found)} measured photos need as many turns, not {len(turns)}")
        return None
    return turns


def _same_wound(measured: list[Diagnosis]) -> bool:
    """Do the photos show one wound? Asked; taken for granted only where no length differs beyond doubt."""
    names = [one.picture.name for one in measured if one.picture is not None]
    apart = two_wounds([one.measurement for one in measured], names, preferences.inches())
    if apart:
        with st.expander("These photos may show different wounds", icon=":material/warning:", key="apart"):
            st.markdown("\n".join(f"- {literal(line)}" for line in apart))
    these = " ".join(one.picture.sha256 for one in measured if one.picture is not None)
    return st.toggle("These photos show the same wound", value=not apart, key=f"same {bool(apart)} {these}")


@st.fragment
def _judged(draft: Draft, seen: dict[str, _Seen], around: Circumstances) -> None:
    """Verdict, next question, what to do now, and saving: the part of the page that an answer draws anew."""
    if draft is not the_draft():
        st.rerun()  # it was started over: the whole page is drawn anew
    found = [diagnose_measured(*one, draft.answers, around) for one in seen.values()]
    judged, further = found or [diagnose_answers(draft.answers, around)], []
    measured = [one for one in found if one.measurement.measured]
    best = max(judged, key=lambda one: max(one.verdict.culprits.values()))
    together = len(measured) > 1 and _same_wound(measured)
    if together:
        best = diagnose_together(measured, draft.answers, around, _turns(measured))
        first = best.picture.sha256 if best.picture is not None else ""
        judged, further = [best], [photo for photo in draft.photos if photo.digest != first]
    # the page for a planting may take it over, where it carries a barrier
    told = {} if draft.is_empty or best.find_out_first else best.plan_against
    st.session_state["wound_presence"] = (told, best.common_beside) if told else None
    if not draft.is_empty:
        with st.container(key="verdict"):
            show.headline_of(best.verdict, draft.before)
        if len(judged) > 1 and best.picture is not None:
            st.caption(f"From {literal(best.picture.name)}, the surest.")
    asks = _question(best, draft)
    if draft.is_empty:
        return
    left = st.empty()
    if asks:
        left.html('<p class="left">&nbsp;</p>')
    show.now_of(best, asks, preferences.inches())
    _answered(draft)
    with st.expander("Why, and what else", key="why"):
        show.grounds_of(best.verdict)
    show.advice_of(best, preferences.inches())
    if st.session_state["wound_presence"]:
        page_link("planting", "Plan it for a whole planting: what to buy, what it costs")
    if together:
        with st.expander("All photos together", key="together"):
            for remark in best.measurement.remarks:
                st.info(literal(remark))
            show.figures_of(best.measurement, preferences.inches())
    with st.container(key="screen_saving"):
        save(draft, judged, further)
    st.button("Start over", width="stretch", on_click=start_over)
    if asks:
        _how_many_left(left, best.verdict, draft)


@st.fragment
def _found(
    draft: Draft, photos: list[Photo], around: Circumstances, scale: Scale | None, print_scale: float,
    card_at_mm: float | None, upright_mm: float | None,
) -> None:
    """The photos, what was measured in them and what follows from it: the part of the page that a tap draws anew."""
    if draft is not the_draft() or draft.photos != photos:
        st.rerun()  # a photo was taken out, or all started over: the whole page is drawn anew
    seen = _see(photos, around, scale, print_scale, card_at_mm, upright_mm)
    for photo in photos:
        if photo.first is not False:
            _details(photo, draft, seen.get(photo.digest), upright_mm)
    with st.container(key="judged"):
        _judged(draft, seen, around)
    for photo in photos:
        if photo.first is False:
            _details(photo, draft, seen.get(photo.digest), upright_mm)


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("What bit it?")
    draft = the_draft()
    what_was_saved(draft)
    if draft.came_back:
        st.info("What you had not yet saved is back.")
        draft.came_back = False
    if not draft.photos:
        with st.container(key="photo_field"):
            _more_photos(draft)
    top = st.container()
    around = _circumstances()
    scale, print_scale = _scale()
    card_at_mm, upright_mm = _height()
    with top:
        _found(draft, list(draft.photos), around, scale, print_scale, card_at_mm, upright_mm)
    if draft.photos:
        _more_photos(draft)
    _camera(draft)


page()
