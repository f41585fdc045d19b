"""The page for the inbox: what people sent, one at a time, with the letter that answers it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import monotonic
from typing import Any

import cv2
import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of, nameable
from diagnose.diagnosis import Diagnosis, measure_picture
from diagnose.fieldlog.store import Log
from diagnose.figures import figure
from diagnose.inbox.learning import answer, name_blind, undo
from diagnose.inbox.queue import judged_for, outdated, waiting
from diagnose.inbox.ranking import PILES
from diagnose.inbox.work import NOT_YET, diagnosis_of, judge, judge_one, looked, measure, measured_in, take_in, unseen
from diagnose.photo.picture import read_picture
from diagnose.report.letters import as_pdf, framed, reply_to, senders_name
from diagnose.report.overlay import annotate
from diagnose.screens import preferences, show
from diagnose.screens.inbox_letters import all_letters, letter_as_typed, letter_frame, letter_of
from diagnose.screens.inbox_list import ORDERS, listed_of, marked, order, ticked_in, waits_for_a_name
from diagnose.screens.log_folder import the_log
from diagnose.screens.look import bring, literal, once_opened
from diagnose.screens.look import picture as picture_of
from diagnose.screens.show import hand_over
from diagnose.signs import Answer, parse_signs, vocabulary
from diagnose.texts import says

_ALL = "all"
_AT_ONCE_S, _EVERY_S, _REST_S = 0.3, 0.3, 0.1  # measuring goes on for so long, so often: a press is heard in between
# list and letter stand side by side; who has no keyboard is told of no keys
_CSS = """<style>
.block-container { max-width: 84rem; }
.st-key-screen_several { min-height: 3rem; }  /* what comes there must not move the letter from the eye */
/* while a letter is read, its list stays beside it; two photos stand beside each other */
@media (min-width: 641px) { [data-testid="stColumn"]:has(.st-key-inbox_rows) > [data-testid="stVerticalBlock"] {
                            position: sticky; top: 4rem; height: fit-content; }
                            .st-key-inbox_photos > :not(:only-child) { max-width: calc(50% - .5rem); } }
/* verdict and letter stand below: no photo is higher than two fifths of the screen */
.st-key-inbox_photos figure.shown img { width: min(100%, var(--w) * 1px, 38vh * var(--w) / var(--h)); max-height: 38vh; }
/* on a phone the letter begins below a list that is no higher than its half */
@media (max-width: 640px) { .st-key-inbox_rows :is([data-testid="stDataFrameResizable"],
                            :has([data-testid="stDataFrameResizable"])) { max-height: 46vh !important; } }
.st-key-screen_walk { scroll-margin-top: 4.2rem; }
@media (hover: none) { .st-key-screen_keys, kbd { display: none !important; } }
</style>"""


def _intake(log: Log) -> None:
    """Takes in the files that are given, and says on the page what became of them."""
    turn = st.session_state.setdefault("inbox_sent", 0)
    kinds = ["eml", "mbox", "zip", "jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif", "avif"]
    files = st.file_uploader("Saved mails, a mail box, a ZIP, or photos", kinds, accept_multiple_files=True,
                             key=f"sent {turn}")
    st.caption("A larger pile is taken in where the app runs: `diagnose inbox take FOLDER`.")
    if st.button("Take in", type="primary", disabled=not files):
        with tempfile.TemporaryDirectory() as folder:
            for number, file in enumerate(files or []):
                # strangers' names are not used for files of ours
                place = Path(folder) / f"{number:04d}{Path(file.name).suffix.lower()}"
                place.write_bytes(file.getvalue())
            done = take_in(log, folder, preferences.initials())
        st.session_state["inbox_said"] = str(done).splitlines()
        st.session_state["inbox_sent"] = turn + 1  # the field is empty again
        st.rerun()


_taking_in = st.dialog("Take in what people sent")(_intake)


def _stop(wanted: bool) -> None:
    st.session_state["inbox_stopped"] = wanted


class _Enough(Exception):
    """The work has gone on long enough: what was pressed meanwhile comes first."""


def _left(log: Log) -> tuple[str, int]:
    """What is to be done next of all that waits, and how many are left of it."""
    if todo := len(unseen(log)):
        return "measuring", todo
    rows, region = log.records("submission"), preferences.region()
    if todo := int((rows["pile"] == "").sum()) if len(rows) else 0:
        return "judging", todo
    if st.session_state.get("inbox_region", "") != region:  # once for each choice: another adviser may have another region
        st.session_state["inbox_region"] = region
        st.session_state["inbox_stale"] = outdated(waiting(log), region)
    return "judging anew", len(st.session_state["inbox_stale"])


def _go_on(log: Log, top: DeltaGenerator) -> bool:
    """Measures and judges what waits for it, with a bar at the top, and says whether anything does; it stays done."""
    step, left = _left(log)
    if not left:
        return False
    with top:
        if st.session_state.get("inbox_stopped"):
            with st.container(horizontal=True, vertical_alignment="center"):
                st.markdown(f"Stopped: {left} left for {step}.", width="content")
                st.button("Go on", on_click=_stop, args=(False,))
        else:
            _a_little(log)
    return True


@st.fragment(run_every=_EVERY_S)
def _a_little(log: Log) -> None:
    """Does as much as takes no longer than a press may be kept waiting; the page is drawn anew when all is done."""
    if st.session_state.get("inbox_stopped"):
        st.rerun()
    # what is asked for in the midst of it comes right after it: the browser shows nothing while there is no rest in between
    if monotonic() - st.session_state.get("inbox_rested", 0.0) > _REST_S:
        _work_on(log)
        st.session_state["inbox_rested"] = monotonic()
    step, left = _left(log)
    if not left:
        st.session_state.pop("inbox_most", None)
        st.rerun()
    before, most = st.session_state.get("inbox_most", ("", 0))
    most = max(left, most if before == step else 0)
    st.session_state["inbox_most"] = step, most
    with st.container(horizontal=True, vertical_alignment="center"):
        st.progress((most - left) / most, f"{step}: {most - left} of {most}")
        st.button("Stop here", help="What is done is kept.", on_click=_stop, args=(True,))


def _work_on(log: Log) -> None:
    """Measures, judges, or judges anew for a while."""
    until, region, by = monotonic() + _AT_ONCE_S, preferences.region(), preferences.initials()

    def tell(step: str, done: int, of: int) -> None:
        if monotonic() > until:
            raise _Enough

    step, _ = _left(log)
    with suppress(_Enough):
        # a process of its own would run this page once more: it is what the server's main module is while it is drawn
        if step == "measuring":
            measure(log, workers=1, progress=tell)
        elif step == "judging":
            judge(log, region, by, workers=1, progress=tell)
        else:  # the region was changed, or the tables
            while stale := st.session_state["inbox_stale"]:
                name = stale.pop(0)
                judge_one(log, name, judged_for(log.record("submission", name), region), by)
                tell(step, 0, 0)


def _wanted(log: Log) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What waits and is asked for by group and words: the submissions, and what the list shows of each."""
    rows = waiting(log)
    counts = rows["pile"].value_counts() if len(rows) else {}
    names = {_ALL: f"all {len(rows)}"} | {pile: f"{pile} {counts[pile]}" for pile in PILES if counts.get(pile)}
    if st.session_state.get("pile") not in names:
        st.session_state["pile"] = _ALL  # a pile that was answered is gone
    with st.container(horizontal=True, key="screen_tools"):  # one row, so that the list comes at once
        if len(rows):
            typed = st.session_state.get("inbox_filter", "").strip()
            with st.popover(literal(f"Show: {names[st.session_state['pile']]}{f', “{typed}”' if typed else ''}")):
                st.pills("Group", list(names), format_func=names.__getitem__, required=True, key="pile")
                st.text_input("Filter by any words of the list", key="inbox_filter")
                # made anew where a header was pressed: a browser that is busy misses what is set in one that it has
                first = st.pills("First", list(ORDERS), required=True, default=order(),
                                 key=f"inbox_order {st.session_state.setdefault('inbox_pressed', 0)}")
            st.session_state["inbox_order"] = first or order()
        if st.button("Take in more"):
            _taking_in(log)
    if rows.empty:
        st.success("Nothing waits.")
        return rows, rows
    pile = st.session_state["pile"]
    wanted = st.session_state["inbox_filter"].casefold().strip()
    some = rows if pile == _ALL else rows[rows["pile"] == pile]
    some, listed = listed_of(log, some, wanted, order())
    if some.empty:
        st.info("Nothing in the list is like that.")
    return some, listed


def _open(submission: str) -> None:
    st.session_state["inbox_here"] = submission


def _undo(log: Log) -> None:
    """A way back from the answer that was given last."""
    if last := st.session_state.get("inbox_last"):
        many = f"{len(last)} answers" if len(last) > 1 else "the last answer"
        st.button(f"Undo {many}", shortcut=_key("u"), on_click=_take_back, args=(log,))


def _take_back(log: Log) -> None:
    with _problem_kept():
        for submission in st.session_state["inbox_last"]:
            undo(log, submission, preferences.initials())
        st.session_state["inbox_here"] = st.session_state.pop("inbox_last")[-1]


@contextmanager
def _problem_kept() -> Iterator[None]:
    """Keeps why an answer could not be kept, for the page that is drawn next: the whole of it, since its list changes."""
    st.session_state["inbox_anew"] = True
    try:
        yield
    except CannotUse as reason:
        st.session_state["inbox_problem"] = literal(reason)


def _place(ids: list[str]) -> int:
    """Where in the list the one stands that is open: where the last one stood, when that is gone from it."""
    here = st.session_state.get("inbox_here")
    return ids.index(here) if here in ids else min(st.session_state.get("inbox_place", 0), len(ids) - 1)


def _chosen(log: Log, some: pd.DataFrame, place: int) -> dict[str, Any]:
    """The one that is open, with the way to those before and after it."""
    ids = some["id"].tolist()
    with st.container(horizontal=True, vertical_alignment="center", key="screen_walk"):
        # told before the page is drawn, so that the buttons know where they lead from there
        st.button("Previous", shortcut=_key("p"), disabled=place == 0, on_click=_open, args=(ids[max(place - 1, 0)],))
        st.button("Next", shortcut=_key("n"), disabled=place == len(ids) - 1, on_click=_open,
                  args=(ids[min(place + 1, len(ids) - 1)],))
        st.markdown(f"**{place + 1} of {len(ids)}**", width="content")
        _undo(log)
    if st.session_state.pop("inbox_new", False):
        bring(".st-key-screen_walk")  # the button that answered stood at the end of the letter before
    row: dict[str, Any] = some.iloc[place].to_dict()
    if not waits_for_a_name(row):  # the reason may tell the verdict: not before a blind naming
        st.caption(literal(f"{row['pile']}, because {row['why']}") if row["pile"] else "Not judged yet.")
    st.session_state["inbox_place"] = place
    if row["pile"]:  # what is not judged yet may come to stand elsewhere: the first is opened then
        st.session_state["inbox_here"] = ids[place]
    return row


def _key(letter: str) -> str | None:
    """A single-key command, where the person did not switch them off."""
    return letter if preferences.single_keys() else None


def _list(log: Log, listed: pd.DataFrame, some: pd.DataFrame) -> None:
    """The list. The row that was ticked last is opened beside it; several ticked ones are answered at once."""
    ticked = ticked_in(listed, some["id"].tolist())
    several = st.container(horizontal=True, vertical_alignment="center", key="screen_several")
    if len(ticked) < 2:
        several.caption(f"First: {order()}. Tick one to open it, several to answer.")
        return
    rows = [row for row in some.to_dict("records") if row["id"] in ticked]
    clear = [row for row in rows if not waits_for_a_name(row) and row["verdict"].get("culprits")]
    with several:
        st.button(f"Agree to {len(clear)} of {len(rows)}", type="primary", disabled=not clear, on_click=_answer_all,
                  args=(log, clear, "agree"), help="Those that you have to name first are left.")
        st.button(f"Put off {len(rows)}", on_click=_answer_all, args=(log, rows, "later"))


def _answer_all(log: Log, rows: list[dict[str, Any]], what: str) -> None:
    """Gives several the same answer, each with the letter that the tool proposes."""
    with _problem_kept():
        for row in rows:
            letter = reply_to(log, row, judged_for(row, preferences.region()),
                              inches=preferences.inches()) if what == "agree" else ""
            answer(log, row["id"], what, letter=letter, by=preferences.initials())
        _answered([row["id"] for row in rows])


def _answer_one(log: Log, submission: str, what: str) -> None:
    """Gives the one that is open an answer, with the letter as it stands in its field."""
    if submission not in st.session_state.get("inbox_letters", {}):
        return  # pressed once more before the next one was drawn
    named = st.session_state[f"named {submission}"] if what == "change" else None
    with _problem_kept():
        answer(log, submission, what, named, letter=letter_as_typed(submission), by=preferences.initials())
        _answered([submission])


def _answered(ids: list[str]) -> None:
    """Remembers what was answered last, so that it can be undone; the next one is open."""
    st.session_state["inbox_last"] = ids
    st.session_state["inbox_new"] = True
    for submission in ids:
        st.session_state.get("inbox_letters", {}).pop(submission, None)
    st.session_state.pop("inbox_here", None)


@st.cache_data(max_entries=60, show_spinner=False)
def _annotated(digest: str, inches: bool, _told: dict[str, Any], _data: bytes, _name: str) -> bytes | None:
    """The photo with the lines that were measured along; measured once more where none were kept, as by an older version."""
    try:
        picture = read_picture(_data, _name)
        measurement, px_per_mm = measured_in(_told), _told.get("px_per_mm")
        if measurement.measured and not measurement.shapes:
            plane, measurement = measure_picture(picture)
            px_per_mm = measurement.px_per_mm(plane)
        shown = annotate(picture, measurement, px_per_mm, inches)
    except CannotUse:
        return None
    return cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()


def _what_came(log: Log, row: dict[str, Any]) -> dict[str, dict[str, Any]]:
    st.subheader(literal(row["about"] or "No subject"))
    name = senders_name(log, row["sender"])
    came = str(row["received_at"] or "")[:16].replace("T", " ")
    many = ", ".join(f"{len(row[of])} {of if len(row[of]) != 1 else of.removesuffix('s')}" for of in ("letters", "photos"))
    st.caption(literal(", ".join(part for part in (f"from {name}" if name else "", came, many) if part)))
    if row["words"]:
        st.text(row["words"])  # as plain text: nothing that was sent is run or set as markup
    found = looked(log, row["photos"])
    photos = st.container(horizontal=True, key="inbox_photos")
    for (digest, told), called in zip(found.items(), row["photos"].values(), strict=True):
        if "error" in told:
            named = told["error"] if told["error"].startswith(called) else f"{called}: {told['error']}"
            (st.info if told["error"] == NOT_YET else st.error)(literal(named))
            continue
        drawn = _annotated(digest, preferences.inches(), told, log.original(digest), called)
        if drawn is not None:
            with photos.container(width="content"):
                picture_of(drawn, "the photo that was sent, with lines where it was measured", called, digest)
    return found


def _proposals(log: Log, row: dict[str, Any]) -> None:
    proposed = row["told"].get("proposed", {})
    if not proposed:
        return
    st.markdown("**The words may mean** (counts once you tick it)")
    confirmed = dict(row["told"].get("confirmed", {}))
    for sign, one in proposed.items():
        parsed = parse_signs({sign: one["value"]})[sign]
        word = vocabulary()[sign]
        told = word.choices[parsed.choice] if isinstance(parsed, Answer) else figure(sign, parsed, preferences.inches())
        on = st.checkbox(f"{word.label}: {told}, from “{literal(one['words'])}”", value=sign in confirmed,
                         key=f"confirm {row['id']} {sign}")
        if on != (sign in confirmed):
            confirmed = {**confirmed, sign: one["value"]} if on else {k: v for k, v in confirmed.items() if k != sign}
            log.correct(row["id"], preferences.initials(), "submission", told={**row["told"], "confirmed": confirmed})
            judge_one(log, row["id"], judged_for(row, preferences.region()), preferences.initials())
            st.rerun()


def _blind(log: Log, row: dict[str, Any]) -> bool:
    """Asks for the adviser's own naming first, for a fifth of the submissions; has it been given?"""
    if not waits_for_a_name(row):
        return True
    st.subheader("What do you say, before you see the verdict?")
    names = [None, *nameable()]
    st.selectbox("Your naming", names, key=f"blind {row['id']}",
                 format_func=lambda key: "cannot tell" if key is None else name_of(key))
    st.button("That is what I say", type="primary", on_click=_name, args=(log, row["id"]))
    st.caption("One submission in five is asked this way; only these count when your agreement with the tool is reckoned.")
    return False


def _name(log: Log, submission: str) -> None:
    with _problem_kept():
        name_blind(log, submission, st.session_state[f"blind {submission}"], preferences.initials())


def _answer(log: Log, row: dict[str, Any], found: Diagnosis) -> None:
    show.headline_of(found.verdict)
    if (part := once_opened("Why, and what else", f"why {row['id']}")) is not None:
        with part:
            show.grounds_of(found.verdict)
    text = letter_of(log, row)
    letter_frame()
    head, foot = preferences.letter_frame()
    files = st.container(horizontal=True)  # a phone would set columns one below the other
    hand_over(files, "As text", framed(text, head, foot), "reply.txt", "text/plain")
    hand_over(files, "As PDF", lambda: as_pdf(text, row["about"] or "Reply", preferences.paper(), head, foot), "reply.pdf",
              "application/pdf")
    names = list(nameable())
    first = max(found.verdict.culprits, key=lambda key: found.verdict.culprits[key])
    named = st.selectbox("Your naming, if you change it", names, key=f"named {row['id']}", format_func=name_of,
                         index=names.index(row["named"] if row["named"] in names else first))
    if named != first and not says(text, name_of(named)):
        st.caption(literal(f"The letter does not say {name_of(named)} yet: write it in before you press Change."))
    ways = st.container(horizontal=True)
    for label, key in (("Agree", "a"), ("Change", "x"), ("Later", "l")):
        ways.button(label, shortcut=_key(key), type="primary" if key == "a" else "secondary", width="stretch",
                    on_click=_answer_one, args=(log, row["id"], label.lower()))
    if preferences.single_keys():
        with st.container(key="screen_keys"):
            st.caption("Keys: a agree, x change, l later, n next, p previous, u undo. Settings switch them off.")


@st.fragment
def _list_and_letter(log: Log, some: pd.DataFrame, listed: pd.DataFrame) -> None:
    """The list, and the one of it that is open: the part of the page that going to the next one draws anew."""
    if st.session_state.pop("inbox_anew", False):
        st.rerun()  # it was answered, named or taken back, or the list is put in another order
    place = _place(some["id"].tolist())
    left, right = st.columns(2, gap="medium")
    with left:
        _list(log, marked(listed, place), some)
    with right:
        _opened(log, some, place)


def _opened(log: Log, some: pd.DataFrame, place: int) -> None:
    """The one that is open, from its photo to its letter."""
    row = _chosen(log, some, place)
    found = _what_came(log, row)
    if _blind(log, row):
        with st.container(key="screen_proposals"):  # nothing to tick on paper
            _proposals(log, row)
        _answer(log, row, diagnosis_of(row, found, judged_for(row, preferences.region())))


def page() -> None:
    """Draw the page, anew at each of the user's answers."""
    st.title("The inbox")
    st.html(_CSS)
    st.session_state.pop("inbox_anew", None)
    try:
        log = the_log()
        with st.container(key="inbox_told"):  # its place is kept while it is empty: what is open below would close
            for line in st.session_state.get("inbox_said", []):
                st.info(literal(line))
            if problem := st.session_state.pop("inbox_problem", ""):
                st.error(problem)
        if log.records("submission").empty:
            _intake(log)
            return
        top = st.container()
        some, listed = _wanted(log)
        if some.empty:
            _undo(log)
        else:
            _list_and_letter(log, some, listed)
        all_letters(log)
        if not _go_on(log, top):
            st.session_state.pop("inbox_said", None)  # what was taken in is told until the first press after it is judged
    except CannotUse as reason:
        st.error(literal(reason))


page()
