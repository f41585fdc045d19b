"""Every page can be read and used by everybody: axe-core's rules for WCAG 2.2 A and AA, the keyboard, large type."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from diagnose.screens.start import PAGES
from tests.conftest import FIRST_SCREEN_WORDS, PHOTOS, WORDS, drawn, served, still

RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}
PATHS = [path for _, _, _, path in PAGES]


def _broken(page: Any) -> list[str]:
    found = Axe().run(page, options=RULES).response["violations"]
    return [f"{rule['id']}: {node['html'][:160]}" for rule in found for node in rule["nodes"]]


def _settled(page: Any) -> None:
    page.locator("h1").first.wait_for(timeout=60_000)
    drawn(page, 0)
    ours = "[...document.querySelectorAll('style')].some(one => one.textContent.includes('stCaptionContainer'))"
    page.wait_for_function(ours, timeout=60_000)  # our own style comes with the first drawing
    drawn(page, 0)  # and a plan is worked out after it
    still(page)
    assert page.locator("[data-testid=stException]").count() == 0


DARK = ["wound", "planting", "log"]  # with forms, tables, drawings: what the other pages are made of too


@pytest.mark.parametrize(
    ("path", "scheme"),
    [(path, "light") for path in PATHS] + [(path, "dark") for path in DARK]
    + [pytest.param(path, "dark", marks=pytest.mark.slow) for path in PATHS if path not in DARK],
)
def test_no_page_breaks_a_rule_of_level_a_or_aa(browser: Any, app: tuple[str, Path], path: str, scheme: str) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900}, color_scheme=scheme)
    page.goto(f"{app[0]}/{'' if path == 'start' else path}")
    _settled(page)
    assert _broken(page) == []
    page.close()


@pytest.fixture(scope="module")
def in_use(planting_in_use: Path) -> Iterator[str]:
    """Address of an app whose log holds the invented planting, letters and all."""
    with served(planting_in_use) as (address, _):
        yield address


@pytest.mark.parametrize("path", ["planting", "upkeep", "survey", "log", "inbox"])
def test_pages_full_of_work_break_no_rule_either(browser: Any, in_use: str, path: str) -> None:
    page = browser.new_page(viewport={"width": 360, "height": 740})
    page.goto(f"{in_use}/{path}")
    _settled(page)
    assert _broken(page) == []
    over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert over <= 1
    page.close()


def test_no_page_says_more_than_is_read_at_a_glance_on_its_first_screen(browser: Any, in_use: str) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    told = {}
    for path in PATHS:
        page.goto(f"{in_use}/{'' if path == 'start' else path}")
        _settled(page)
        told[path] = page.evaluate(WORDS)
    assert {path: count for path, count in told.items() if not 0 < count <= FIRST_SCREEN_WORDS} == {}
    page.close()


def test_a_measured_photo_with_its_verdict_breaks_no_rule(browser: Any, app: tuple[str, Path]) -> None:
    page = browser.new_page(viewport={"width": 360, "height": 740})
    page.goto(f"{app[0]}/wound")
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
    page.locator(".verdict").first.wait_for(timeout=60_000)
    page.get_by_text("Figures, or another place").click()
    _settled(page)
    assert _broken(page) == []
    page.close()


@pytest.mark.parametrize("path", PATHS)
def test_at_twice_the_type_size_on_a_phone_nothing_runs_off_the_page(
    browser: Any, app: tuple[str, Path], path: str
) -> None:
    # a browser that zooms to 200 % shows half as many CSS pixels across: 640 of 1280
    page = browser.new_page(viewport={"width": 640, "height": 740})
    page.goto(f"{app[0]}/{'' if path == 'start' else path}")
    for width in (640, 360):
        page.set_viewport_size({"width": width, "height": 740})
        _settled(page)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 1, f"{over} px too wide at {width} px"
    page.close()


def test_the_keyboard_alone_leads_from_the_start_to_a_verdict(browser: Any, app: tuple[str, Path]) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(app[0])
    _settled(page)
    _tab_to(page, "Something bit my plant")
    page.keyboard.press("Enter")
    page.get_by_text("What happened to the plant?").wait_for(timeout=30_000)
    _settled(page)
    _tab_to(page, "a shoot or twig is cut", "button")
    page.keyboard.press("Space")
    page.locator(".verdict").first.wait_for(timeout=30_000)
    page.close()


def _tab_to(page: Any, words: str, selector: str = "a") -> None:
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("([words, selector]) => { let at = document.activeElement; "
                         "while (at.shadowRoot?.activeElement) at = at.shadowRoot.activeElement; "
                         "return at.matches(selector) && (at.innerText || '').includes(words); }", [words, selector]):
            return
    pytest.fail(f"the keyboard does not reach {words or selector}")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_that_asks_for_a_code_breaks_no_rule(browser: Any, tmp_path: Path, scheme: str) -> None:
    with served(tmp_path / "log", "--share") as (address, _):
        context = browser.new_context(viewport={"width": 390, "height": 844}, color_scheme=scheme, bypass_csp=True)
        page = context.new_page()
        page.goto(f"{address}/?code=WRONG")
        page.get_by_text("This code is wrong").wait_for()
        assert _broken(page) == []
        context.close()
