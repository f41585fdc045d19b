"""The inbox in a real browser: from saved mail to an answered letter, by mouse and by keyboard, and back."""

from __future__ import annotations

import random
import re
import shutil
import time
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from diagnose.fieldlog.store import open_log
from diagnose.inbox import workers
from diagnose.inbox.learning import is_blind
from diagnose.inbox.queue import waiting
from diagnose.inbox.work import FEW, judge, measure, take_in, unseen
from diagnose.report.letters import reply_to
from diagnose.screens.inbox_list import ORDERS, listed_of, marked
from diagnose.texts import says
from tests.conftest import PHOTOS, TOP, WIDTHS, as_new, drawn, served, still
from tests.presses import inbox_presses

WORDS = "Something cut it off about 20 cm up and left small round droppings."


def _mail(subject: str, sender: str = "Ada <ada@example.org>", photo: str = "IMG_0016.jpg") -> bytes:
    mail = EmailMessage()
    mail["From"], mail["Subject"], mail["Message-ID"] = sender, subject, f"<{subject}@x>"
    mail.set_content(f"{WORDS} <script>document.title='taken over'</script>")
    mail.add_attachment((PHOTOS / "twig_on_card" / photo).read_bytes(), "image", "jpeg", filename="a.jpg")
    return mail.as_bytes()


@pytest.mark.parametrize("size", WIDTHS)
def test_saved_mail_becomes_an_answered_letter_and_the_answer_can_be_undone(
    page: Any, tmp_path: Path, size: tuple[int, int]
) -> None:
    with served(tmp_path / "log") as (address, _):
        as_new(page, size)
        page.goto(f"{address}/inbox")
        page.locator("input[type=file]").first.set_input_files(
            {"name": "../a.eml", "mimeType": "message/rfc822", "buffer": _mail("oak")})
        page.get_by_role("button", name="Take in").click()
        page.get_by_text("1 of 1", exact=True).wait_for(timeout=60_000)
        page.locator("[data-testid=stDataFrame]").wait_for()  # the list, above the one that is open
        page.get_by_text("Not judged yet.", exact=True).wait_for(state="hidden", timeout=60_000)
        drawn(page, 700)
        words = page.get_by_label("Filter by any words of the list")
        page.get_by_role("button", name="Show: all 1").click()
        # what it filters, and what was told and goes, draw the page anew: it stays open under the hands
        for typed, told in (("nobody", "Nothing in the list is like that."), ("ada", "1 of 1")):
            words.fill(typed)
            words.press("Enter")
            page.get_by_text(told, exact=True).wait_for(timeout=60_000)
            assert words.is_visible()
        page.keyboard.press("Escape")
        log = open_log(tmp_path / "log")
        name = log.records("submission")["id"].iloc[0]
        if is_blind(name):
            page.get_by_role("button", name="That is what I say").click()
        page.get_by_text("The letter, yours to change").wait_for(timeout=60_000)
        assert "taken over" not in page.title()
        before = reply_to(log, log.record("submission", name))
        for proposed in range(2):  # round droppings, and the height: what one alone tells may leave the letter as it is
            page.get_by_text(f"from “{WORDS}”").nth(proposed).click()
            drawn(page, 700)
        assert len(log.record("submission", name)["told"]["confirmed"]) == 2
        page.get_by_role("button", name="Agree").wait_for(timeout=30_000)
        page.get_by_role("button", name="Later").wait_for(timeout=30_000)  # the page is whole
        assert page.locator("[data-testid=stException]").count() == 0
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 1
        page.locator("h1").click()
        drawn(page, 700)
        page.keyboard.press("a")
        page.get_by_text("Nothing waits.").wait_for(timeout=30_000)
        assert log.record("submission", name)["answer"] == "agree"
        # the letter tells what was confirmed after it stood there
        assert log.record("submission", name)["letter"] == reply_to(log, log.record("submission", name)) != before
        page.get_by_role("button", name="Undo the last answer").click()
        page.get_by_text("1 of 1", exact=True).wait_for(timeout=30_000)
        assert log.record("submission", name)["answer"] == ""


@pytest.mark.parametrize("size", WIDTHS)
def test_what_is_sent_in_by_the_apps_own_page_is_in_the_inbox(
    page: Any, app: tuple[str, Path], size: tuple[int, int]
) -> None:
    as_new(page, size)
    page.goto(f"{app[0]}/send")
    words = f"Bitten, knee high {time.time()}"
    page.get_by_label("What did you see?").fill(words)
    page.get_by_label("Your name").fill("Bo")
    page.get_by_label("Your name").press("Tab")
    page.get_by_role("button", name="Send in").click()
    page.get_by_text("Thank you. It came in").wait_for(timeout=30_000)
    assert words in set(open_log(app[1]).records("submission")["words"])


def test_one_pages_to_the_next_letter_and_back_and_agrees_to_two_in_a_row(page: Any, tmp_path: Path) -> None:
    with served(tmp_path / "log") as (address, _):
        as_new(page, (1280, 900))
        page.goto(f"{address}/inbox")
        page.locator("input[type=file]").first.set_input_files([
            {"name": "oak.eml", "mimeType": "message/rfc822", "buffer": _mail("oak")},
            {"name": "ash.eml", "mimeType": "message/rfc822",
             "buffer": _mail("ash", "Bo <bo@example.org>", "IMG_0020.jpg")}])
        page.get_by_role("button", name="Take in").click()
        page.get_by_text("1 of 2", exact=True).wait_for(timeout=60_000)
        page.get_by_text("Not judged yet.", exact=True).wait_for(state="hidden", timeout=60_000)
        drawn(page, 700)
        assert "2" in page.locator("[data-testid=stAlert]").first.inner_text()  # what was taken in is still told
        log = open_log(tmp_path / "log")
        for name, told in (("Next", "2 of 2"), ("Previous", "1 of 2")):  # each leads back from where the other led
            drawn(page, 700)
            page.get_by_role("button", name=name).click()
            page.get_by_text(told, exact=True).wait_for(timeout=30_000)
        for left in (2, 1):
            page.get_by_text(f"1 of {left}", exact=True).wait_for(timeout=60_000)
            if is_blind(waiting(log)["id"].iloc[0]):
                page.get_by_role("button", name="That is what I say").click()
            page.get_by_role("button", name="Later").wait_for(timeout=60_000)
            drawn(page, 700)
            page.get_by_role("button", name="Agree").click()
        page.get_by_text("Nothing waits.").wait_for(timeout=30_000)
        assert page.locator("[data-testid=stException]").count() == 0
        assert list(log.records("submission")["answer"]) == ["agree", "agree"]


def test_the_list_comes_at_once_on_a_phone_and_keeps_its_place_when_a_row_is_ticked_on_a_first_visit(
    page: Any, in_use: str
) -> None:
    as_new(page, (390, 844))  # without a cookie yet
    page.goto(f"{in_use}/inbox")
    page.get_by_text("1 of 4", exact=True).wait_for(timeout=60_000)
    drawn(page, 700)
    table = page.locator("[data-testid=stDataFrame]")
    box = table.bounding_box()
    assert box["y"] <= 200
    walk = page.get_by_role("button", name="Next").bounding_box()
    assert walk["y"] + walk["height"] <= 844  # what is open begins on the same screen
    table.evaluate("element => { element.isTheSame = true; }")
    page.mouse.click(box["x"] + 15, box["y"] + 36 + 1.5 * 66)
    page.get_by_text("2 of 4", exact=True).wait_for(timeout=30_000)
    drawn(page, 700)
    assert table.evaluate("element => element.isTheSame === true")


def test_a_large_pile_is_judged_by_the_page_itself_without_processes_that_would_run_the_page_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    for number in range(FEW + 1):
        mail = EmailMessage()
        mail["From"], mail["Subject"], mail["Message-ID"] = f"a{number}@example.org", f"tree {number}", f"<{number}@x>"
        mail.set_content(WORDS)
        (tmp_path / f"{number}.eml").write_bytes(mail.as_bytes())
    log = open_log(tmp_path / "log")
    take_in(log, tmp_path)
    started: list[object] = []
    monkeypatch.setattr(workers, "ProcessPoolExecutor", lambda *given, **more: started.append(given))
    monkeypatch.setenv("DIAGNOSE_LOG", str(tmp_path / "log"))
    page = AppTest.from_file(str(TOP / "diagnose" / "screens" / "inbox.py"), default_timeout=300)
    for _ in range(10 * FEW):  # a browser asks again and again: a little is done each time
        page.run()
        if (log.records("submission")["pile"] != "").all():
            break
    assert started == [] and (log.records("submission")["pile"] != "").all()


def test_one_reads_on_and_what_is_opened_stays_open_while_photos_are_measured(
    page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DIAGNOSE_TEST_REST_S", "2")  # so that some are unmeasured yet when the second is opened
    photos = [file.name for file in sorted((PHOTOS / "twig_on_card").glob("*.jpg"))][:5]
    sent = [{"name": f"{number}.eml", "mimeType": "message/rfc822",
             "buffer": _mail(f"tree {number}", f"a{number}@example.org", photo)} for number, photo in enumerate(photos)]
    with served(tmp_path / "log") as (address, _):
        as_new(page, (1280, 900))
        page.goto(f"{address}/inbox")
        page.locator("input[type=file]").first.set_input_files(sent)
        page.get_by_role("button", name="Take in").click()
        measuring = page.get_by_text("measuring:")
        measuring.wait_for(timeout=60_000)
        words = page.get_by_label("Filter by any words of the list")
        page.get_by_role("button", name=f"Show: all {len(sent)}").click()
        page.get_by_role("button", name="Next").click()
        page.get_by_text(f"2 of {len(sent)}", exact=True).wait_for(timeout=60_000)
        assert measuring.is_visible() and len(unseen(open_log(tmp_path / "log")))
        page.get_by_role("button", name=f"Show: all {len(sent)}").click()
        words.wait_for()
        page.get_by_text("Not judged yet.", exact=True).wait_for(state="hidden", timeout=120_000)
        measuring.wait_for(state="hidden", timeout=120_000)
        drawn(page, 1500)
        assert words.is_visible()


def test_letters_that_wait_longest_come_first_where_that_is_wanted_and_the_walk_follows(page: Any, in_use: str) -> None:
    as_new(page, (390, 844))
    page.goto(f"{in_use}/inbox")
    page.get_by_text("1 of 4", exact=True).wait_for(timeout=60_000)
    drawn(page, 700)
    page.get_by_role("button", name="Show: all 4").click()
    page.get_by_text("what waits longest").click()
    drawn(page, 700)
    page.get_by_text("First: what waits longest.").wait_for(timeout=60_000)
    page.keyboard.press("Escape")
    days = [re.search(r"2026-04-\d\d", words)[0] for words in _gone_through(page)]
    assert days == sorted(days) and len(set(days)) == 4


def _gone_through(page: Any) -> list[str]:
    """What the page says of each of four letters, from the first of the list to the last."""
    place = int(page.get_by_text(re.compile(r"^\d of 4$")).inner_text()[0])
    for before in range(place - 1, 0, -1):
        page.get_by_role("button", name="Previous").click()
        page.get_by_text(f"{before} of 4", exact=True).wait_for(timeout=60_000)
    told = []
    for after in range(1, 5):
        if after > 1:
            page.get_by_role("button", name="Next").click()
        page.get_by_text(f"{after} of 4", exact=True).wait_for(timeout=60_000)
        still(page)
        told.append(page.locator("body").inner_text())
    return told


def test_next_follows_the_header_that_was_pressed_and_ticks_never_pass_to_other_letters(page: Any, in_use: str) -> None:
    as_new(page, (1280, 900))
    page.goto(f"{in_use}/inbox")
    page.get_by_text("1 of 4", exact=True).wait_for(timeout=60_000)
    still(page)
    box = page.locator("[data-testid=stDataFrame]").bounding_box()
    for row in (0, 1):
        page.mouse.click(box["x"] + 15, box["y"] + 36 + (row + 0.5) * 66)
        page.get_by_text(f"{row + 1} of 4", exact=True).wait_for(timeout=60_000)
        still(page)
    page.get_by_role("button", name="Put off 2").wait_for(timeout=60_000)
    page.mouse.click(box["x"] + 150, box["y"] + 18)  # the header From
    page.get_by_text("First: senders by name.").wait_for(timeout=60_000)
    page.get_by_role("button", name="Put off").wait_for(state="hidden", timeout=60_000)
    still(page)
    senders = [re.search(r"(?:from (.+?), )?2026-04-\d\d", words)[1] or "no name" for words in _gone_through(page)]
    assert senders == sorted(senders) and len(set(senders)) == 4


def test_the_row_that_is_open_is_marked_in_the_list_and_every_row_has_its_picture(planting_in_use: Path) -> None:
    log = open_log(planting_in_use)
    rows = waiting(log)
    _, listed = listed_of(log, rows, "", next(iter(ORDERS)))
    for place in range(len(listed)):
        senders = marked(listed, place)["From"].tolist()
        assert [at for at, sender in enumerate(senders) if sender not in set(listed["From"])] == [place]
    many = pd.concat([rows] * 50, ignore_index=True)
    assert [bool(address) for address in listed_of(log, many, "", next(iter(ORDERS)))[1]["Photo"]] == [
        bool(photos) for photos in many["photos"]]


def test_what_is_typed_into_a_letter_stays_when_something_else_is_pressed_before_the_page_has_heard_of_it(
    page: Any, tmp_path: Path
) -> None:
    log = open_log(tmp_path / "log")
    (tmp_path / "mail").mkdir()
    (tmp_path / "mail" / "oak.eml").write_bytes(_mail("oak"))
    take_in(log, tmp_path / "mail")
    measure(log, workers=1)
    judge(log, "US-VT", workers=1)
    name = log.records("submission")["id"].iloc[0]
    with served(tmp_path / "log") as (address, _):
        as_new(page, (1280, 900))
        page.goto(f"{address}/inbox")
        page.get_by_text("1 of 1", exact=True).wait_for(timeout=60_000)
        drawn(page, 700)
        if is_blind(name):
            page.get_by_role("button", name="That is what I say").click()
        letter = page.get_by_label("The letter, yours to change")
        letter.wait_for(timeout=60_000)
        drawn(page, 700)
        letter.fill(letter.input_value() + "We come on Friday.")
        for proposed in range(2):
            page.get_by_text(f"from “{WORDS}”").nth(proposed).click()
        drawn(page, 1500)
        assert "We come on Friday." in page.get_by_label("The letter, yours to change").input_value()


def test_going_on_draws_list_and_letter_alone_and_small_pictures_come_when_they_are_seen(browser: Any, in_use: str) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})  # which has seen no picture yet
    told: list[bytes] = []
    page.on("websocket", lambda socket: socket.on(
        "framereceived", lambda frame: told.append(frame if isinstance(frame, bytes) else frame.encode())))
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{in_use}/inbox")
    page.get_by_text("1 of 4", exact=True).wait_for(timeout=60_000)
    drawn(page, 700)
    whole = b"".join(told)
    assert b"Mara Field" in whole and b"data:image/jpeg" not in whole  # a sender of the list
    for _ in range(40):  # the list asks for what it shows of them
        if len({one for one in asked if "/small/" in one}) >= 3:
            break
        page.wait_for_timeout(250)
    else:
        pytest.fail("the small pictures of three letters were not asked for as files")
    told.clear()
    page.get_by_role("button", name="Next").click()
    page.get_by_text("2 of 4", exact=True).wait_for(timeout=30_000)
    drawn(page, 700)
    alone = b"".join(told)
    assert "▸\u00a0Jon Weir".encode() in alone and b"Take in more" in whole and b"Take in more" not in alone
    page.close()


def test_the_list_stays_where_nothing_was_ticked_when_a_letter_is_put_off(
    page: Any, planting_in_use: Path, tmp_path: Path
) -> None:
    with served(Path(shutil.copytree(planting_in_use, tmp_path / "log"))) as (address, _):
        as_new(page, (1280, 900))
        page.goto(f"{address}/inbox")
        later, name = page.get_by_role("button", name="Later"), page.get_by_role("button", name="That is what I say")
        later.or_(name).first.wait_for(timeout=60_000)
        drawn(page, 700)
        for place in range(2, 5):  # one in some is named before it is judged, the next one too now and then
            if later.is_visible():
                break
            page.get_by_role("button", name="Next").click()
            page.get_by_text(f"{place} of 4", exact=True).wait_for(timeout=60_000)
            later.or_(name).first.wait_for(timeout=60_000)
            drawn(page, 700)
        page.locator("[data-testid=stDataFrame]").evaluate("element => { element.isTheSame = true; }")
        later.click()
        page.get_by_role("button", name="Undo the last answer").wait_for(timeout=60_000)
        drawn(page, 700)
        assert page.locator("[data-testid=stDataFrame]").evaluate("element => element.isTheSame === true")


def test_in_whatever_order_letters_are_gone_through_put_off_and_taken_back_the_buttons_know_where_they_lead(
    page: Any, planting_in_use: Path, tmp_path: Path
) -> None:
    with served(Path(shutil.copytree(planting_in_use, tmp_path / "log"))) as (address, _):
        as_new(page, (390, 844))
        assert list(inbox_presses(page, address, 10, random.Random(2))) == []


def test_a_letter_says_a_culprit_by_its_whole_name_alone() -> None:
    assert says("Most likely a Hare, 61 %.", "hare") and says("deer: roe", "deer")
    assert not says("We share your worry, rather more than that.", "hare") and not says("It is rather late.", "rat")
