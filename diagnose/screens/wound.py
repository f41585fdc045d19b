"""The page for the main job: a photo of a wound, a few questions, what bit it, what stops it, keep it."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass, field
from html import escape
from typing import Any

import cv2
import numpy as np
import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of, nameable
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
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.fields import CONFIRMED_BY
from diagnose.figures import MM_PER_INCH
from diagnose.measure.bark_round import Turns, read_turns
from diagnose.measure.join import two_wounds
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture, read_picture
from diagnose.photo.plane import Plane
from diagnose.protect.requirement import NEED_OF
from diagnose.report.answer_drawings import drawing_of
from diagnose.report.card_sheet import print_scale as print_scale_of
from diagnose.report.overlay import annotate
from diagnose.screens import drawer, preferences, show
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import literal
from diagnose.screens.look import picture as picture_of
from diagnose.screens.position import Place, ask_place
from diagnose.screens.preferences import place_choices
from diagnose.screens.tap import Point, tap_on
from diagnose.signs import Answer, Several, Sign, Word, parse_signs, signs_as_json, vocabulary

_MONTHS = ["not known", "January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December"]
_DRAWER = "wound"
_TAPS = ("the wound", "farther back on the stem")
_UPRIGHT_TAPS = ("the wound", "the plant's foot", "the lower end of the known length", "its upper end")


@dataclass
class Photo:
    """A photo on the page. taps : shares of width and height, the wound first."""

    name: str
    digest: str
    data: bytes
    taps: list[Point] = field(default_factory=list)


@dataclass
class Draft:
    """What the person has given and not yet kept in the log."""

    photos: list[Photo] = field(default_factory=list)
    answers: dict[str, Sign] = field(default_factory=dict)
    passed: set[str] = field(default_factory=set)
    words: dict[str, str] = field(default_factory=dict)
    came_back: bool = False

    def put_away(self) -> None:
        """Into the device's drawer, so that a reload or a lost connection loses nothing."""
        if not (self.photos or self.answers or self.passed):
            drawer.forget(_DRAWER)
            return
        drawer.keep(_DRAWER, {
            "photos": [{"name": one.name, "digest": one.digest, "taps": one.taps} for one in self.photos],
            "answers": signs_as_json(self.answers), "passed": sorted(self.passed), "words": self.words,
        })

    def say(self, name: str, words: str) -> str:
        """Remembers the words of a field, and gives them back."""
        if words != self.words.get(name, ""):
            self.words[name] = words
            self.put_away()
        return words


def _taken_out() -> Draft:
    """The draft as the drawer holds it; an empty one when there is none or it cannot be read."""
    kept: dict[str, Any] = drawer.kept(_DRAWER)
    try:
        photos = [Photo(one["name"], one["digest"], data, [(float(x), float(y)) for x, y in one["taps"]])
                  for one in kept.get("photos", []) if (data := drawer.kept_file(one["digest"])) is not None]
        words = {str(name): str(said) for name, said in kept.get("words", {}).items()}
        draft = Draft(photos, parse_signs(kept.get("answers", {})), set(kept.get("passed", [])), words)
    except (AttributeError, KeyError, TypeError, ValueError, CannotUse):
        return Draft()
    draft.came_back = bool(kept)
    return draft


def _draft() -> Draft:
    if "draft" not in st.session_state:
        st.session_state["draft"] = _taken_out()
    draft: Draft = st.session_state["draft"]
    return draft


def _start_anew() -> None:
    drawer.forget(_DRAWER)
    drawer.forget_files(but=set())
    st.session_state["draft"] = Draft()
    st.session_state["photo_round"] = st.session_state.get("photo_round", 0) + 1


def _photos(draft: Draft) -> None:
    """Takes uploaded and photographed pictures into the draft; each goes into the drawer at once."""
    turn = st.session_state.setdefault("photo_round", 0)
    files = st.file_uploader(
        "Photo of the wound", type=["jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif", "avif"],
        accept_multiple_files=True, key=f"photos {turn}",
        help="Lay the bitten end on the printed scale card and photograph it from straight above.",
    )
    given = [(file.name, file.getvalue()) for file in files or []]
    if st.toggle("Use this device's camera", key="camera_on",
                 help="Works on this computer itself; a phone needs a secure (https) address for it. "
                      "Uploading always works."):
        shot = st.camera_input("Take the photo", key=f"camera {turn}")
        if shot is not None:
            given.append(("camera.jpg", shot.getvalue()))
    if not given:
        return
    known = {photo.digest for photo in draft.photos}
    for name, data in given:
        digest = drawer.keep_file(data)
        if digest not in known:
            draft.photos.append(Photo(name, digest, data))
            known.add(digest)
    draft.put_away()
    st.session_state["photo_round"] = turn + 1  # the upload field is empty again: the draft holds the pictures
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
    with st.expander("No card in the picture, or the card printed too small?", key="no_card"):
        coin = st.number_input("Diameter of a coin held beside the twig [mm], 0 if none", 0.0, 60.0, 0.0, 0.1, key="coin")
        bar = st.number_input("What the card's check bar of 100 mm measures [mm]", 80.0, 120.0, 100.0, 0.5, key="bar")
    return (Scale(coin_mm=coin) if coin else None), print_scale_of(bar)


def _height() -> tuple[float | None, float | None]:
    """What was said for the height: of the card's lower edge above the ground, and of something upright [mm]."""
    unit, mm = ("inches", MM_PER_INCH) if preferences.inches() else ("cm", 10.0)
    with st.expander("How high is the wound, where no height staff stands beside it?", key="how_high"):
        card = st.number_input(f"Card upright beside the wound: height of its lower edge above the ground [{unit}], "
                               "0 if it stands on the ground, empty if not known",
                               min_value=0.0, max_value=500.0, value=None, step=1.0, key="card_at")
        upright = st.number_input(f"No card: length of something upright beside the plant, whose two ends you tap [{unit}], "
                                  "empty if none", min_value=1.0, max_value=500.0, value=None, step=1.0, key="upright")
    return None if card is None else card * mm, None if upright is None else upright * mm


@st.cache_resource(max_entries=24, show_spinner="Measuring ...")
def _measured(
    digest: str, name: str, taps: tuple[Point, ...], scale: Scale | None, print_scale: float, snow_mm: float | None,
    card_at_mm: float | None, upright_mm: float | None, _data: bytes,
) -> tuple[Picture, Plane | None, Measurement]:
    """Measured once for each photo and taps, not again with every answer.

    With something upright of known length the taps are the wound, the plant's foot and its two ends.
    """
    picture = read_picture(_data, name)
    width, height = picture.size
    points = [(min(x * width, width - 1.0), min(y * height, height - 1.0)) for x, y in taps]
    ground = None if card_at_mm is None else Ground(card_at_mm)
    if upright_mm is not None and len(points) == len(_UPRIGHT_TAPS):
        scale, ground = Scale(None, upright_mm, points[2], points[3]), Ground(card_at_mm, points[1])
    points = points[:1] if upright_mm is not None else points[:2]
    return picture, *measure_picture(picture, points, scale, print_scale, Circumstances(snow_mm=snow_mm), ground)


@st.cache_data(max_entries=24, show_spinner=False)
def _annotated(key: tuple[Any, ...], _found: Diagnosis, inches: bool) -> bytes:
    """The annotated picture as JPEG."""
    shown: np.ndarray = annotate(_found.picture, _found.measurement, _found.plane, inches)  # type: ignore[arg-type]
    return cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes()


def _picture(
    photo: Photo, draft: Draft, around: Circumstances, scale: Scale | None, print_scale: float,
    card_at_mm: float | None, upright_mm: float | None,
) -> Diagnosis | None:
    """One photo: measured, shown, and tapped where the finding was wrong."""
    key = (photo.digest, photo.name, tuple(photo.taps), scale, print_scale, around.snow_mm, card_at_mm, upright_mm)
    try:
        picture, plane, measurement = _measured(*key, photo.data)
    except CannotUse as reason:
        st.error(literal(f"{photo.name}: {reason}"))
        _away(photo, draft)
        return None
    found = diagnose_measured(picture, plane, measurement, draft.answers, around)
    labels = [vocabulary()[name].label for name in found.measurement.measured if name in vocabulary()]
    told = ", ".join(labels) or "nothing could be measured"
    picture_of(_annotated(key, found, preferences.inches()), f"The wound enlarged, with lines where it was measured: {told}",
               f"{photo.name}: what was measured")
    if not found.measurement.measured:
        st.warning(literal(next(iter(found.measurement.not_measured.values()))))
    for remark in found.measurement.remarks:
        st.info(literal(remark))
    with st.expander("Wrong place? Tap the wound", expanded=not found.measurement.measured,
                     key=f"wrong {photo.digest}"):
        second = ("a point farther back on the same stem, or the plant's foot" if upright_mm is None else
                  "the plant's foot. Third and fourth: the lower and upper end of what is of known length")
        st.caption("First tap: the severed end, the gnawed patch or the browsed tip. Second tap: "
                   f"{second}. Drag a point, or move it with the arrow keys.")
        names = _TAPS if upright_mm is None else _UPRIGHT_TAPS
        moved = tap_on(picture.bgr, photo.digest, f"{photo.name}: tap the wound", f"tap {photo.digest}",
                       photo.taps[: len(names)], names)
        if moved is not None and moved != photo.taps:
            photo.taps = moved
            draft.put_away()
            st.rerun()
        if photo.taps and st.button("Forget the taps", key=f"forget {photo.digest}"):
            photo.taps = []
            draft.put_away()
            st.rerun()
        _away(photo, draft)
    show.figures_of(found.measurement, preferences.inches())
    return found


def _away(photo: Photo, draft: Draft) -> None:
    if st.button("Take this photo away", key=f"away {photo.digest}"):
        draft.photos.remove(photo)
        draft.put_away()
        st.rerun()


def _questions(found: Diagnosis, draft: Draft) -> None:
    answers, passed = draft.answers, draft.passed
    asked = found.verdict.question_beside(passed, NEED_OF)
    if answers or passed:
        with st.expander(f"Answered so far: {len(answers) + len(passed)}", key="answered"):
            for name in [*answers, *sorted(passed)]:
                told = answers.get(name)
                choices = vocabulary()[name].choices
                words = (choices[told.choice] if isinstance(told, Answer) else
                         ", ".join(choices[one] for one in told.found) if isinstance(told, Several) else "don't know")
                left, right = st.columns([4, 1], vertical_alignment="center")
                left.write(f"{vocabulary()[name].question} **{words}**")
                if right.button("Undo", key=f"undo {name}"):
                    answers.pop(name, None)
                    passed.discard(name)
                    draft.put_away()
                    st.rerun()
    if asked is None:
        st.caption("Nothing more that could be asked would change the barrier or the verdict much.")
        return
    word = vocabulary()[asked]
    st.subheader(word.question)
    st.caption(word.help)
    _drawn(word)
    said = _several(word) if word.several else _one(word)
    if said is None:
        return
    if said == "?":
        passed.add(asked)
    else:
        answers.update(parse_signs({asked: said}))
    draft.put_away()
    st.rerun()


def _one(word: Word) -> str | None:
    """The choice that was picked, "?" for not known; None while nothing is."""
    return st.radio("Answer", [*word.choices, "?"], index=None, key=f"ask {word.name}", label_visibility="collapsed",
                    format_func=lambda key: word.choices.get(key, "don't know"))


def _several(word: Word) -> list[str] | str | None:
    """All the choices that were found, once the person says that this is all; "?" for not looked."""
    found = st.multiselect("What you found, all of it", [key for key in word.choices if key != "none"],
                           key=f"ask {word.name}", format_func=word.choices.__getitem__)
    some, none, pass_on = st.columns(3)
    if some.button("Found these", disabled=not found, type="primary", width="stretch", key=f"found {word.name}"):
        return list(found)
    if none.button("Looked, none there", width="stretch", key=f"none {word.name}"):
        return "none"
    return "?" if pass_on.button("Did not look", width="stretch", key=f"pass {word.name}") else None


def _drawn(word: Word) -> None:
    """The answers as drawings of our own, where there are some."""
    drawings = {choice: drawing_of(word.name, choice) for choice in word.choices}
    shown = "".join(f'<figure><img alt="" src="data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}">'
                    f"<figcaption>{escape(word.choices[choice])}</figcaption></figure>"
                    for choice, svg in drawings.items() if svg is not None)
    if shown:
        st.html(f'<div class="drawings">{shown}</div>')


def _place(found: list[Diagnosis]) -> Place | None:
    """Asked for where no photo tells its position."""
    taken = [one.picture.taken for one in found if one.picture is not None]
    if any(one.lat is not None for one in taken):
        return None
    with st.expander("Where was it? The photo does not say", key="where"):
        st.caption("Phones often take the position out of a photo before they upload it.")
        try:
            return ask_place(the_log().observations(columns=("lat", "lon"), newest=200), "wound")
        except CannotUse as reason:
            st.error(literal(reason))
            return None


def _keep(draft: Draft, found: list[Diagnosis], further: list[Photo]) -> None:
    """Keeps each diagnosis as an observation; further : photos that belong to the first one."""
    st.subheader("Keep it in the log")
    place = _place(found)
    turn = st.session_state.get("photo_round", 0)
    left, middle, right = st.columns(3)
    usual = st.session_state.get("last_site", "")
    site = draft.say("site", left.text_input("Planting", draft.words.get("site", usual), key=f"site {turn}"))
    plant = draft.say("plant", middle.text_input("Plant's tag", draft.words.get("plant", ""), key=f"plant {turn}"))
    by = right.text_input("Your initials", preferences.initials(), max_chars=8, key=f"by {turn}")
    named = st.selectbox("Your own naming, kept beside the tool's", [None, *nameable()], key=f"named {turn}",
                         format_func=lambda key: "none" if key is None else name_of(key))
    confirmed = st.selectbox("How was that confirmed, if it was?", ["", *CONFIRMED_BY], key=f"confirmed {turn}",
                             format_func=lambda how: how or "it was not")
    note = draft.say("note", st.text_input("Note", draft.words.get("note", ""), key=f"note {turn}"))
    if not st.button("Keep", type="primary", width="stretch"):
        return
    where = {} if place is None else {"lat": place.lat, "lon": place.lon, "error_m": place.error_m}
    try:
        log = the_log()
        saved = [save_diagnosis(log, one, site=site, plant=plant, by=by, note=note, named=named,
                                confirmed=confirmed, **where) for one in found]
        for photo in further:
            if saved[0].new:
                log.add_photo(saved[0].id, photo.data, photo.name, "close-up", by)
    except CannotUse as reason:
        st.error(literal(reason))
        return
    st.session_state["kept_lines"] = [(one.new, one.message) for one in saved]
    st.session_state["last_site"] = site
    _start_anew()
    st.rerun()


def _what_was_kept() -> None:
    for new, line in st.session_state.pop("kept_lines", []):
        (st.success if new else st.info)(literal(line))


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
        st.warning("These photos may show different wounds, so each stands for itself:\n"
                   + "\n".join(f"- {literal(line)}" for line in apart))
    these = " ".join(one.picture.sha256 for one in measured if one.picture is not None)
    return st.toggle("These photos show the same wound", value=not apart, key=f"same {bool(apart)} {these}")


def page() -> None:
    st.title("What bit it, and what stops it?")
    _what_was_kept()
    draft = _draft()
    if draft.came_back:
        st.info("What you had here and not yet kept is back.")
        draft.came_back = False
    _photos(draft)
    around = _circumstances()
    scale, print_scale = _scale()
    card_at_mm, upright_mm = _height()
    shown = [_picture(photo, draft, around, scale, print_scale, card_at_mm, upright_mm) for photo in list(draft.photos)]
    found = [one for one in shown if one is not None]
    if not draft.photos:
        st.caption("No photo? Answer the questions, the verdict comes from them alone. The scale card to print is in "
                   "the guide.")
    judged, further = found or [diagnose_answers(draft.answers, around)], []
    measured = [one for one in found if one.measurement.measured]
    if len(measured) > 1 and _same_wound(measured):
        best = diagnose_together(measured, draft.answers, around, _turns(measured))
        st.subheader("All photos together")
        for remark in best.measurement.remarks:
            st.info(literal(remark))
        show.figures_of(best.measurement, preferences.inches())
        first = best.picture.sha256 if best.picture is not None else ""
        judged, further = [best], [photo for photo in draft.photos if photo.digest != first]
    else:
        best = max(judged, key=lambda one: max(one.verdict.culprits.values()))
    if draft.photos or draft.answers:
        if len(judged) > 1 and best.picture is not None:
            st.subheader(f"Surest of these, {literal(best.picture.name)}")
        show.verdict_of(best.verdict)
    _questions(best, draft)
    if draft.photos or draft.answers:
        show.advice_of(best, preferences.inches())
        # the page for a planting may take it over, where it carries a barrier
        st.session_state["wound_culprits"] = None if best.find_out_first else dict(best.verdict.culprits)
        _keep(draft, judged, further)
        if st.button("Start anew", width="stretch"):
            _start_anew()
            st.rerun()


page()
