"""The answer of every page stands on a phone's first screen, in light and dark, and is printed dark on white."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import ANSWERS, FIRST_SCREEN_WORDS, PHOTOS, WORDS, as_new, drawn, on_first_screen, still

PHONE, DESK = (390, 844), (1280, 900)


@pytest.mark.slow  # on a phone in the light each page is looked at in test_access.py
@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESK, "light"), (DESK, "dark")])
def test_the_answer_of_every_page_stands_on_its_first_screen(
    page: Any, in_use: str, size: tuple[int, int], scheme: str
) -> None:
    as_new(page, size, scheme)
    below, long, wide = {}, {}, {}
    for path, answer in ANSWERS.items():
        page.goto(f"{in_use}/{'' if path == 'start' else path}")
        page.locator(f"{answer} >> visible=true").first.wait_for(timeout=60_000)
        drawn(page)
        still(page)
        if not on_first_screen(page, answer, size[1]):
            below[path] = answer
        if (words := page.evaluate(WORDS)) > FIRST_SCREEN_WORDS:
            long[path] = words
        if (over := page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")) > 1:
            wide[path] = over
    assert (below, long, wide) == ({}, {}, {})


def test_photo_verdict_question_and_what_to_do_now_stand_on_one_screen_of_a_phone_with_how_many_questions_are_left(
    page: Any, in_use: str
) -> None:
    as_new(page, PHONE)
    page.goto(f"{in_use}/wound")
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
    page.get_by_text("questions left").wait_for(timeout=60_000)
    still(page)
    for what in (".pictures img", ".verdict", ".left", ".now"):
        box = page.locator(what).bounding_box()
        assert box["y"] >= 44 and box["y"] + box["height"] <= PHONE[1], what
    assert page.evaluate(WORDS) <= FIRST_SCREEN_WORDS


def test_a_page_is_printed_dark_on_white_with_its_reasons_laid_open_and_nothing_to_press(page: Any, in_use: str) -> None:
    as_new(page, DESK, "dark")
    page.goto(f"{in_use}/planting")
    page.locator("details", has_text="Steps").first.wait_for(state="attached", timeout=60_000)
    still(page)
    page.locator(".verdict").first.wait_for(timeout=60_000)
    page.emulate_media(media="print", color_scheme="dark")
    found = page.evaluate("""() => {
        const seen = element => element.checkVisibility() && element.getBoundingClientRect().height > 0;
        const steps = [...document.querySelectorAll('details')].find(one => one.innerText.startsWith('Steps'))
            || [...document.querySelectorAll('details')].find(one => one.textContent.includes('Steps'));
        const style = getComputedStyle(document.querySelector('.verdict'));
        return { ink: style.color, ground: getComputedStyle(document.querySelector('.stApp')).backgroundColor,
                 steps: seen(steps.querySelector('li')),
                 buttons: [...document.querySelectorAll('.stDownloadButton, .stButton')].filter(seen).length };
    }""")
    assert found == {"ink": "rgb(23, 32, 29)", "ground": "rgb(255, 255, 255)", "steps": True, "buttons": 0}


CONTROLS = """() => [document, ...[...document.querySelectorAll('*')].map(element => element.shadowRoot)]
    .flatMap(root => root ? [...root.querySelectorAll('button, input, select, [role=combobox]')] : [])
    .filter(element => element.checkVisibility() && element.getBoundingClientRect().height > 0)
    .map(element => element.outerHTML.slice(0, 120))"""


@pytest.mark.parametrize("path", ["start", "wound", "planting", "log", "inbox", "upkeep", "survey"])
def test_paper_holds_nothing_to_press_or_to_fill_in_no_empty_part_and_every_letter_whole(
    page: Any, in_use: str, path: str
) -> None:
    as_new(page, DESK, "dark")
    page.goto(f"{in_use}/{'' if path == 'start' else path}")
    if path == "wound":
        page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
        page.get_by_text("questions left").wait_for(timeout=60_000)
    else:
        page.locator(f"{ANSWERS[path]} >> visible=true").first.wait_for(timeout=60_000)
    if path == "inbox":
        letter = page.locator(".st-key-screen_letter textarea")
        asked = page.get_by_role("button", name="That is what I say")  # of one submission in five, before its letter shows
        letter.or_(asked).first.wait_for(timeout=60_000)
        if asked.is_visible():
            asked.click()
            letter.wait_for(timeout=60_000)
    drawn(page)
    still(page)
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(CONTROLS) == []
    found = page.evaluate("""() => {
        const seen = element => element.checkVisibility() && element.getBoundingClientRect().height > 0;
        return {
            empty: [...document.querySelectorAll('details')].filter(seen)
                .filter(one => !one.querySelector('[data-testid=stElementContainer]')
                               || !one.querySelector('[data-testid=stExpanderDetails]').getBoundingClientRect().height)
                .map(one => one.innerText),
            fields: [...document.querySelectorAll('textarea')].filter(seen).length,
            // a chart that keeps a height of its own stands between empty bands
            stretched: [...document.querySelectorAll('svg.marks')].filter(seen).filter(one => {
                const box = one.getBoundingClientRect(), drawn = one.viewBox.baseVal;
                return Math.abs(box.width / box.height - drawn.width / drawn.height) > 0.05;
            }).length };
    }""")
    assert found == {"empty": [], "fields": 0, "stretched": 0}
    if path == "inbox":
        typed = page.locator(".st-key-screen_letter textarea").input_value()
        assert page.locator(".on_paper").inner_text().split() == typed.split() != []
    if path == "start":
        assert page.get_by_text("Something bit my plant").is_visible()
