"""Every page can be read and used by everybody: axe-core's rules for WCAG 2.2 A and AA, the keyboard, large type."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from diagnose.screens.start import PAGES
from tests.conftest import (
    ANSWERS,
    FIRST_SCREEN_WORDS,
    PHOTOS,
    TOP,
    WORDS,
    as_new,
    drawn,
    on_first_screen,
    served,
    still,
    unfold,
)
from tests.legible import ENOUGH, contrasts, cut_off

# every breach in full; of what is in order one example a rule, since all of it takes many times as long to hand over
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
         "resultTypes": ["violations"]}
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


def _opened(page: Any, address: str, path: str, size: tuple[int, int], scheme: str = "light") -> Any:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.emulate_media(color_scheme=scheme)
    page.goto(f"{address}/{'' if path == 'start' else path}")
    _settled(page)
    return page


@pytest.fixture(scope="module", params=PATHS)
def bare(page: Any, app: tuple[str, Path], request: pytest.FixtureRequest) -> Any:
    """A page over an empty log, opened once for all that is asked of it."""
    return _opened(page, app[0], request.param, (1280, 900))


def test_no_page_over_an_empty_log_breaks_a_rule_of_level_a_or_aa(bare: Any) -> None:
    assert _broken(bare) == []


def test_at_twice_the_type_size_nothing_runs_off_a_page_over_an_empty_log(bare: Any) -> None:
    _nothing_runs_off(bare)


@pytest.mark.slow  # full of work each page is looked at in the dark below
@pytest.mark.parametrize("path", PATHS)
def test_no_page_over_an_empty_log_breaks_a_rule_in_the_dark(page: Any, app: tuple[str, Path], path: str) -> None:
    _opened(page, app[0], path, (1280, 900), "dark")
    assert _broken(page) == []


def test_borders_of_fields_and_buttons_stand_out_from_both_grounds_of_each_theme() -> None:
    # the contrast ratio of WCAG 2.2, and what it asks of controls (1.4.11)
    def luminance(colour: str) -> float:
        parts = [int(colour[at:at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for theme in map(tomllib.loads((TOP / ".streamlit" / "config.toml").read_text())["theme"].get, ("light", "dark")):
        for ground in ("backgroundColor", "secondaryBackgroundColor"):
            low, high = sorted(map(luminance, (theme["borderColor"], theme[ground])))
            assert (high + 0.05) / (low + 0.05) >= 3


def _nothing_runs_off(page: Any) -> None:
    # a browser that zooms to 200 % shows half as many CSS pixels across: 640 of 1280
    for width in (640, 360):
        page.set_viewport_size({"width": width, "height": 740})
        _settled(page)
        assert _over(page) <= 1, f"too wide at {width} px"


def _over(page: Any) -> int:
    """Pixels by which the page is wider than the screen."""
    return page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")


@pytest.fixture(scope="module", params=PATHS)
def full(page: Any, in_use: str, request: pytest.FixtureRequest) -> tuple[str, Any]:
    """A page over the invented planting on a phone, opened once for all that is asked of it, and its name."""
    return request.param, _opened(page, in_use, request.param, (390, 844))


def test_no_page_says_more_than_is_read_at_a_glance_on_its_first_screen(full: tuple[str, Any]) -> None:
    assert 0 < full[1].evaluate(WORDS) <= FIRST_SCREEN_WORDS


def test_the_answer_of_every_page_stands_on_the_first_screen_of_a_phone(full: tuple[str, Any]) -> None:
    path, page = full
    if path in ANSWERS:
        assert on_first_screen(page, ANSWERS[path], 844)


def test_no_page_full_of_work_breaks_a_rule_or_runs_off_a_phone_at_twice_the_type_size(full: tuple[str, Any]) -> None:
    page = full[1]
    _nothing_runs_off(page)
    assert _broken(page) == []


LARGE = "html { font-size: 200% !important; }"
DIALOGS = {"inbox": ("Show:", "Take in more")}  # page -> buttons that open something over it


def test_nothing_is_cut_off_on_a_narrow_phone_at_twice_the_type_size_whatever_is_opened(full: tuple[str, Any]) -> None:
    path, page = full
    page.set_viewport_size({"width": 320, "height": 740})
    large = page.add_style_tag(content=LARGE)
    _settled(page)
    for label in page.locator("[data-testid=stPopoverButton] p").all():
        label.evaluate("one => { one.textContent = 'Show: seen before 199, “beech hedge”'; }")  # as in a long list
    found = set(cut_off(page))
    for name in DIALOGS.get(path, ()):
        page.get_by_role("button", name=name).click()
        page.locator("[data-testid=stPopoverBody], [role=dialog]").first.wait_for()
        _settled(page)
        found |= set(cut_off(page))
        page.keyboard.press("Escape")
        page.locator("[data-testid=stPopoverBody], [role=dialog]").first.wait_for(state="detached")
    _unfold(page)
    found |= set(cut_off(page))
    assert found == set() and _over(page) <= 1
    large.evaluate("style => style.remove()")


def _unfold(page: Any) -> None:
    """Opens what is folded away, and what is folded away in it."""
    for _ in range(3):
        if not unfold(page):
            break
        _settled(page)


def test_no_page_breaks_a_rule_in_the_dark(full: tuple[str, Any]) -> None:
    page = full[1]
    page.emulate_media(color_scheme="dark")
    _settled(page)
    red, green, blue = page.evaluate("getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor"
                                     ".match(/\\d+/g).slice(0, 3).map(Number)")
    assert max(red, green, blue) < 80  # it is dark
    assert _broken(page) == []


def test_a_measured_photo_with_its_verdict_breaks_no_rule_in_light_and_dark(page: Any, app: tuple[str, Path]) -> None:
    _opened(page, app[0], "wound", (360, 740))
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
    page.locator(".verdict").first.wait_for(timeout=60_000)
    page.get_by_text("Figures, or another place").click()
    _settled(page)
    assert _broken(page) == []
    page.emulate_media(color_scheme="dark")
    _settled(page)
    assert _broken(page) == []


def _in_the_sun(page: Any, *lettering: str) -> None:
    """What is asked of contrast in the sun, in the light theme and in the dark one."""
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        _settled(page)
        ground = page.evaluate("getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor"
                               ".match(/\\d+/g).slice(0, 3).map(Number)")
        assert (max(ground) < 80) == (scheme == "dark")
        for what in lettering:
            found = contrasts(page, what)
            assert found and min(found.values()) >= ENOUGH, (scheme, what, found)


def test_verdict_question_answers_and_what_to_do_now_can_be_read_in_the_sun(page: Any, app: tuple[str, Path]) -> None:
    as_new(page, (390, 844))  # which knows of no photo
    _opened(page, app[0], "wound", (390, 844))
    page.get_by_role("button", name="bark is gnawed away").click()
    page.get_by_role("heading", name="In which country").wait_for(timeout=60_000)
    drawn(page, 700)
    page.get_by_role("button", name="don't know").click()
    page.locator(".answers button").first.wait_for(timeout=60_000)
    page.locator(".now").wait_for(timeout=60_000)
    _in_the_sun(page, ".verdict", "[role=group] h2", ".answers button", ".now")


def test_an_alarm_can_be_read_in_the_sun(page: Any, in_use: str) -> None:
    _opened(page, in_use, "upkeep", (390, 844))
    _in_the_sun(page, ".verdict.alarm", ".st-key-due-alarm summary", ".st-key-due-alarm .works", "[data-testid=stAlert]")


@pytest.mark.parametrize(("size", "scheme"), [
    ((1280, 900), "light"), pytest.param((390, 844), "dark", marks=pytest.mark.slow)])
def test_the_keyboard_alone_leads_from_the_start_over_a_photo_to_a_saved_wound_the_log_and_a_plan_and_is_seen_all_along(
    page: Any, app: tuple[str, Path], size: tuple[int, int], scheme: str
) -> None:
    as_new(page, size, scheme)  # where nothing has been begun
    _opened(page, app[0], "start", size, scheme)
    _tab_to(page, "Something bit my plant")
    page.keyboard.press("Enter")
    page.get_by_text("What happened to the plant?").wait_for(timeout=30_000)
    _settled(page)
    with page.expect_file_chooser() as chooser:
        _tab_to(page, "Upload", "button")
        page.keyboard.press("Enter")
    chooser.value.set_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
    page.locator(".now").wait_for(timeout=60_000)
    _settled(page)
    _tab_to(page, "don't know", "button")  # the country
    for words in ("up to the knee", "inside a wood"):
        page.keyboard.press("Enter")
        page.locator(".answers button").filter(has_text=words).wait_for(timeout=60_000)
        drawn(page)
        _tab_to(page, words, "button")
    page.keyboard.press("Enter")
    page.get_by_text("Answered so far: 3").wait_for(timeout=60_000)
    _settled(page)
    _tab_to(page, "Save", "button")
    page.keyboard.press("Enter")
    page.get_by_text("See it in the log").wait_for(timeout=60_000)
    _settled(page)
    _tab_to(page, "See it in the log")
    page.keyboard.press("Enter")
    page.locator(".st-key-log_one h3").wait_for(timeout=60_000)
    page.goto(f"{app[0]}/planting")
    page.locator(".verdict").first.wait_for(timeout=60_000)
    _settled(page)
    _tab_to(page, "Change what you want", "summary")


# what the keyboard has reached, with those round it: drawn otherwise than without its focus?
_SEEN = """async () => {
    let at = document.activeElement;
    while (at.shadowRoot?.activeElement) at = at.shadowRoot.activeElement;
    const box = at.getBoundingClientRect();
    const round = [at];
    while (round.length < 7 && round.at(-1)) round.push(round.at(-1).parentElement || round.at(-1).getRootNode().host);
    const look = () => {
        document.getAnimations().forEach(one => { try { one.finish(); } catch { } });
        return round.filter(Boolean).flatMap(one => [getComputedStyle(one), getComputedStyle(one, '::before')])
            .map(style => style.outlineStyle === 'none' ? [style.boxShadow, style.borderColor] : [style.outline]).join();
    };
    const drawn = () => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)));
    await drawn();  // it may scroll
    const focused = look();
    at.blur();
    await drawn();
    const without = look();
    at.focus({ preventScroll: true });
    return { words: (at.innerText || at.ariaLabel || '').trim(), differs: focused !== without,
             there: box.right > 0 && box.left < innerWidth && box.bottom > 0 && box.top < innerHeight };
}"""


def _tab_to(page: Any, words: str, selector: str = "a") -> None:
    for _ in range(60):
        page.keyboard.press("Tab")
        at = page.evaluate(_SEEN)
        assert at["differs"] and at["there"], f"no focus is seen at {at['words'][:60]}"
        if page.evaluate("([words, selector]) => { let at = document.activeElement; "
                         "while (at.shadowRoot?.activeElement) at = at.shadowRoot.activeElement; "
                         "return at.matches(selector) && (at.innerText || '').includes(words); }", [words, selector]):
            return
    pytest.fail(f"the keyboard does not reach {words or selector}")


def test_the_page_that_asks_for_a_code_breaks_no_rule_in_light_and_dark(browser: Any, tmp_path: Path) -> None:
    with served(tmp_path / "log", "--share") as (address, _):
        context = browser.new_context(viewport={"width": 390, "height": 844}, bypass_csp=True)
        page = context.new_page()
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.goto(f"{address}/?code=WRONG")
            page.get_by_text("This code is wrong").wait_for()
            assert _broken(page) == []
        context.close()
