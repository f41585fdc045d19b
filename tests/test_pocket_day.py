"""A crew's day of three plots with the phone alone, as the guide tells it: offline, with a phone that goes dark at noon."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from diagnose.cli import main
from diagnose.fieldlog.store import open_log
from tests.conftest import PHOTOS
from tests.pocket_phone import RABBIT, SITE, make_page, opened, press, step_of

WORDS_A_MINUTE = 238  # silent reading of plain English: M. Brysbaert, Journal of Memory and Language 109, 2019, 104047
TAP_S = 1.0  # to move a thumb to a large target; our guess, no source


class Thumb:
    """A person at the page, whose taps and typing are counted."""

    def __init__(self, page: Any) -> None:
        self.page, self.taps, self.words = page, 0, 0

    def read(self) -> None:
        self.words += len(self.page.locator("main").inner_text().split())

    def tap(self, words: str, exact: bool = True) -> None:
        press(self.page, words, exact)
        self.taps += 1

    def answer(self) -> None:
        told = RABBIT[step_of(self.page)]
        self.page.locator(".answers button").filter(has_text=told).first.click()
        self.taps += 1


def _keeps(page: Any, words: str) -> None:
    page.get_by_text(f"Kept: {words}.").wait_for()


def test_a_day_of_three_plots_comes_home_whole_from_a_phone_that_went_dark_at_noon(
    browser: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = make_page(tmp_path)
    context = browser.new_context(viewport={"width": 360, "height": 740}, offline=True, accept_downloads=True)
    page = opened(context.new_page(), file.as_uri())
    thumb = Thumb(page)
    thumb.tap("Tally trees on plots")
    thumb.tap("P1")
    thumb.tap("07")
    page.get_by_label("Height [cm]").fill("44")
    thumb.tap("no")
    thumb.tap("Keep this tree")
    _keeps(page, "tree 07")
    page.get_by_label("Height [cm]").fill("41")
    thumb.tap("yes")
    thumb.tap("Keep this tree")
    _keeps(page, "tree 08")
    assert thumb.taps == 7  # a tree of the last visit takes two, and its height
    thumb.tap("Start")  # the bitten one is looked at more closely
    thumb.tap("What bit it?")
    thumb.answer()
    thumb.answer()
    thumb.tap("Keep")
    assert page.get_by_label("Plot, as on the stake").input_value() == "P1"
    page.get_by_label("Tag of the plant").fill("08")
    page.locator("input[type=file]").set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
    page.locator(".photos img").first.wait_for()
    thumb.tap("Keep it")
    _keeps(page, "the wound on 08")
    thumb.tap("Tally trees on plots")
    thumb.tap("Another plot")
    thumb.tap("P2")
    thumb.tap("01")
    page.get_by_label("Height [cm]").fill("60")
    thumb.tap("Keep this tree")
    _keeps(page, "tree 01")
    page.close()  # the battery

    page = opened(context.new_page(), file.as_uri())
    assert "4 kept on this phone" in page.locator("main").inner_text()
    press(page, "Tally trees on plots")
    assert page.get_by_label("Plot, as on the stake").input_value() == "P2"
    press(page, "Another plot")
    page.get_by_label("Plot, as on the stake").fill("P3")
    page.get_by_label("Plot, as on the stake").press("Tab")
    press(page, "No trees in this plot")
    _keeps(page, "plot P3 without trees")
    press(page, "Start")
    press(page, "Barriers due (", exact=False)
    page.get_by_role("button", name="I looked at it").first.click()
    press(page, "sound")
    press(page, "Tick it off")
    page.get_by_text("1 ticked off here").wait_for()
    press(page, "Start")
    press(page, "Hand over")
    press(page, "Make the file of 6 not yet handed over")
    with page.expect_download() as download:
        page.get_by_role("link", name="Save the file").click()
    download.value.save_as(tmp_path / "day.zip")
    press(page, "It is there: count these as handed over")
    context.close()

    assert main(["log", "merge", str(tmp_path / "day.zip"), "--log", str(tmp_path / "log")]) == 0
    log = open_log(tmp_path / "log")
    rows = log.records("tally", site=SITE)
    today = rows[rows["day"] == rows["day"].max()]
    assert sorted(zip(today["plot"], today["tree"], strict=True)) == [("P1", "07"), ("P1", "08"), ("P2", "01"), ("P3", "")]
    assert log.observations(columns=("plant", "plot")).values.tolist() == [["08", "P1"]]
    assert log.records("check")["finding"].tolist() == ["sound"]


def test_a_first_verdict_takes_at_most_eight_taps_and_forty_seconds_of_reading(browser: Any, tmp_path: Path) -> None:
    # every word of each step is counted, answers that are passed over too
    page = opened(browser.new_page(viewport={"width": 360, "height": 740}), make_page(tmp_path).as_uri())
    thumb = Thumb(page)
    thumb.words += 9  # "What do you want to do? What bit it?": the button that one came for stands first
    thumb.tap("What bit it?")
    thumb.read()
    thumb.answer()
    page.locator(".verdict").wait_for()
    assert "Likeliest" in page.locator(".verdict").inner_text() or "Most likely" in page.locator(".verdict").inner_text()
    first = thumb.words / WORDS_A_MINUTE * 60 + thumb.taps * TAP_S
    while "Most likely" not in page.locator(".verdict").inner_text():
        thumb.read()
        thumb.answer()
    named = thumb.words / WORDS_A_MINUTE * 60 + thumb.taps * TAP_S
    page.close()
    print(f"first verdict after {first:.0f} s, a culprit named after {named:.0f} s and {thumb.taps} taps")
    assert thumb.taps <= 8 and first <= 40
