"""The app as a whole: its way in, what a device keeps, who may use it when it is shared."""

from __future__ import annotations

import os
import random
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from diagnose.screens.drawer import COOKIE
from tests.conftest import PHOTOS, TOP, WIDTHS, served
from tests.presses import wound_presses

DESK = (1280, 900)


def _context(browser: Any, size: tuple[int, int] = DESK, **more: Any) -> Any:
    return browser.new_context(viewport={"width": size[0], "height": size[1]}, **more)


@pytest.mark.parametrize("size", WIDTHS)
def test_the_main_job_is_one_tap_from_the_start_and_a_phones_menu_goes_once_a_page_was_chosen(
    browser: Any, app: tuple[str, Path], size: tuple[int, int]
) -> None:
    context = _context(browser, size)
    page = context.new_page()
    page.goto(app[0])
    page.get_by_role("link", name="Something bit my plant").click()
    page.locator("input[type=file]").first.wait_for(state="attached", timeout=30_000)
    assert page.url.endswith("/wound")
    if size[0] < 768:  # the menu lies over the page until a page was chosen in it
        page.get_by_test_id("stExpandSidebarButton").click()
        entry = page.get_by_test_id("stSidebarNavLink").filter(has_text="Guide")
        page.wait_for_function("document.querySelector('[data-testid=stSidebar]').getBoundingClientRect().x === 0")
        assert entry.bounding_box()["height"] >= 44
        entry.click()
        page.get_by_role("heading", name="Guide").wait_for(timeout=30_000)
        page.wait_for_function("document.querySelector('[data-testid=stSidebar]').getBoundingClientRect().right <= 0")
    context.close()


def test_a_reload_loses_neither_the_photo_nor_the_answers_nor_the_taps(browser: Any, app: tuple[str, Path]) -> None:
    context = _context(browser)
    page = context.new_page()
    page.goto(f"{app[0]}/wound")
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0003.jpg"))
    page.locator(".verdict").first.wait_for(timeout=60_000)
    page.locator(".answers button").nth(1).click()
    page.get_by_text("Answered so far: 1").wait_for(timeout=30_000)
    _known(context)
    page.reload()
    page.get_by_text("not yet saved is back").wait_for(timeout=60_000)
    page.get_by_text("Answered so far: 1").wait_for(timeout=60_000)
    page.get_by_alt_text("IMG_0003.jpg enlarged").wait_for(timeout=60_000)
    context.close()


def test_another_device_does_not_see_what_this_one_has_not_kept(browser: Any, app: tuple[str, Path]) -> None:
    mine, other = _context(browser), _context(browser)
    page = mine.new_page()
    page.goto(f"{app[0]}/wound")
    page.get_by_role("button", name="a shoot or twig is cut or torn off").click()
    page.get_by_text("Answered so far: 1").wait_for(timeout=30_000)
    foreign = other.new_page()
    foreign.goto(f"{app[0]}/wound")
    foreign.get_by_text("What happened to the plant?").wait_for(timeout=30_000)
    assert foreign.get_by_text("Answered so far").count() == 0
    mine.close()
    other.close()


@pytest.mark.slow
@pytest.mark.parametrize("size", WIDTHS)
def test_units_are_remembered_and_switch_everywhere(
    browser: Any, app: tuple[str, Path], size: tuple[int, int]
) -> None:
    context = _context(browser, size)
    page = context.new_page()
    page.goto(f"{app[0]}/settings")
    page.get_by_text("inches and feet").click()
    page.get_by_text("Remembered on this device").wait_for(timeout=30_000)
    _known(context)
    page.goto(f"{app[0]}/wound")
    page.get_by_role("button", name="a shoot or twig is cut or torn off").click()
    page.get_by_text("What would suit if the likeliest did it").click()
    page.locator(".figures").last.get_by_text(re.compile(r"\d ft|\d in")).first.wait_for(timeout=30_000)
    context.close()


@pytest.mark.slow
def test_dragging_the_point_measures_another_place_at_once(browser: Any, app: tuple[str, Path]) -> None:
    context = _context(browser)
    page = context.new_page()
    page.goto(f"{app[0]}/wound")
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
    page.locator(".verdict").first.wait_for(timeout=60_000)
    page.get_by_text("Figures, or another place").click()
    picture = page.get_by_alt_text("IMG_0016.jpg: tap the wound")
    picture.wait_for(timeout=30_000)
    picture.click(position={"x": 20, "y": 20})  # a corner, where no twig is
    page.get_by_role("button", name="Remove the taps").wait_for(timeout=60_000)
    # the picture stays where it was tapped: there is one of it at every moment, else this finds two
    page.get_by_role("button", name="the wound: move with the arrow keys, or drag").wait_for(timeout=30_000)
    verdict, tapped = page.locator(".verdict").bounding_box(), picture.bounding_box()
    assert verdict["y"] < tapped["y"]
    context.close()


def _known(context: Any) -> None:
    """Waits until the browser holds the device's name."""
    for _ in range(100):
        if any(cookie["name"] == COOKIE for cookie in context.cookies()):
            return
        context.pages[0].wait_for_timeout(200)
    pytest.fail("the device got no name")


def test_a_shared_app_shows_nothing_before_the_code_and_lets_each_code_in_once(browser: Any, tmp_path: Path) -> None:
    old = tmp_path / "log" / "drawers" / ("0" * 32)
    old.mkdir(parents=True)
    os.utime(old, (0, 0))
    with served(tmp_path / "log", "--share") as (address, told):
        assert not old.exists()  # a drawer that nobody opened for years went when the app started
        code = re.search(r"code=(\w+)", told)
        assert code is not None
        stranger = _context(browser)
        page = stranger.new_page()
        page.goto(f"{address}/log")
        page.get_by_text("Which code were you given?").wait_for(timeout=30_000)
        assert page.get_by_text("The log").count() == 0
        owner = _context(browser)
        mine = owner.new_page()
        mine.goto(f"{address}/?code={code[1]}")
        mine.get_by_text("What do you want to do?").wait_for(timeout=30_000)
        _known(owner)
        mine.reload()
        mine.get_by_text("What do you want to do?").wait_for(timeout=30_000)
        page.goto(f"{address}/?code={code[1]}")
        page.get_by_text("This code is wrong or was used before").wait_for(timeout=30_000)
        mine.goto(f"{address}/settings")
        mine.locator("img, svg").filter(visible=True).last.wait_for(timeout=30_000)
        fresh = re.search(r"code=(\w+)", mine.get_by_text("or open").inner_text())
        assert fresh is not None and fresh[1] != code[1]
        page.goto(f"{address}/?code={fresh[1]}")
        page.get_by_text("What do you want to do?").wait_for(timeout=30_000)
        stranger.close()
        owner.close()


@pytest.mark.slow
@pytest.mark.parametrize("size", WIDTHS)
def test_the_guide_gives_papers_and_every_text(browser: Any, app: tuple[str, Path], size: tuple[int, int]) -> None:
    context = _context(browser, size)
    page = context.new_page()
    page.goto(f"{app[0]}/guide")
    with page.expect_download(timeout=60_000) as waiting:
        page.get_by_role("button", name="Scale card and height staff").click()
    assert Path(waiting.value.path()).read_bytes().startswith(b"%PDF")
    page.get_by_text("Something eats my trees: for owners").click()
    page.get_by_text("Take the photo.").wait_for(timeout=30_000)
    page.get_by_text("Weeks in the field: for survey crews").click()
    page.get_by_text("You log damage plot by plot").wait_for(timeout=30_000)
    context.close()


def test_in_whatever_order_questions_are_answered_and_taken_back_each_can_be_taken_back_and_all_be_started_over(
    browser: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DIAGNOSE_PLACE", "US-VT")  # so that every question is one with drawn answers
    context = _context(browser, (390, 844))
    with served(tmp_path) as (address, _):
        assert list(wound_presses(context.new_page(), address, 10, random.Random(1))) == []
    context.close()


def test_the_collector_does_not_look_at_what_stays_for_good() -> None:
    look = ("import gc; from diagnose.screens.start import _load; _load(); kept = gc.get_freeze_count(); gc.unfreeze(); "
            "print(kept / len(gc.get_objects()))")
    told = subprocess.run([sys.executable, "-c", look], cwd=TOP, capture_output=True, text=True, check=True, timeout=300)
    assert float(told.stdout) > 0.95
