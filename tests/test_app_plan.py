"""The page for a planting says its answer first, takes who is there, prices and stock, and says which wish breaks a plan."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from diagnose.diagnosis import Circumstances, diagnose_answers
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.store import open_log
from diagnose.signs import parse_signs
from tests.conftest import TOP, as_new, drawn

DESK = (1280, 900)
WIDTHS = [pytest.param(DESK, marks=pytest.mark.slow), (390, 844)]


def _open(page: Any, address: str, size: tuple[int, int]) -> None:
    as_new(page, size)
    page.goto(f"{address}/planting")
    page.get_by_text("The buying list as CSV").wait_for(timeout=60_000)


@pytest.mark.slow
@pytest.mark.parametrize("size", WIDTHS)
def test_the_answer_stands_on_the_first_screen_above_what_is_asked(
    page: Any, app: tuple[str, Path], size: tuple[int, int]
) -> None:
    _open(page, app[0], size)
    for words in ("Act: build", "First year", "Alive after 6 years"):
        place = page.get_by_text(words).first.bounding_box()
        assert place is not None and place["y"] + place["height"] <= size[1], words
    page.get_by_text("Expected, not diagnosed").wait_for()
    assert page.get_by_text("To buy").count() >= 1
    asked = page.get_by_text("Change what you want, and where").bounding_box()
    assert asked is not None and asked["y"] > place["y"]
    assert page.locator("img[alt*='top']").count() >= 1
    page.get_by_label(re.compile("^Cost over 6 years: .*cages and stock guards [0-9,]+, [0-9]+ hours")).wait_for()
    page.get_by_label(re.compile("^Trees alive after 6 years, wanted [0-9]+: .*surely")).wait_for()
    too_wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert too_wide <= 1


@pytest.mark.slow
def test_the_wounds_of_a_planting_in_the_log_are_taken_over(page: Any, app: tuple[str, Path]) -> None:
    address, folder = app
    log = open_log(folder)
    for told in ({"wound": "severed_shoot", "cut_form": "torn", "position": "high"},
                 {"wound": "bark_gnawed", "position": "base", "groove_look": "fine_many_angles"}):
        save_diagnosis(log, diagnose_answers(parse_signs(told), Circumstances("east")), site="Taken over")
    _open(page, address, DESK)
    drawn(page)  # a plan is still being worked out: what is pressed meanwhile may be drawn anew
    page.get_by_role("button", name="Plan by: wounds in the log").click()  # it stands beside a plan that is only expected
    drawn(page)
    page.get_by_text("Change what you want, and where").click()
    drawn(page)
    page.get_by_label("Planting", exact=True).first.click()
    page.get_by_role("option", name="Taken over").click()
    page.get_by_text("At work here:").wait_for(timeout=30_000)
    page.get_by_text("Diagnosed. What was taken for granted stands below.").wait_for(timeout=30_000)
    page.get_by_text("If the animals are not certain").wait_for()


def test_a_plan_by_wounds_that_tell_nobody_yet_says_what_to_find_out_before_anything_is_bought(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    open_wound = diagnose_answers(parse_signs({"wound": "severed_shoot"}), Circumstances("east"))
    assert open_wound.find_out_first
    save_diagnosis(open_log(tmp_path / "log"), open_wound, site="Open")
    monkeypatch.setenv("DIAGNOSE_LOG", str(tmp_path / "log"))
    page = AppTest.from_file(str(TOP / "diagnose" / "screens" / "planting.py"), default_timeout=120)
    page.session_state["plan_basis"] = "Wounds in the log"
    page.run()
    told = " ".join(one.value for one in (*page.warning, *page.caption)).replace("\\", "")
    assert open_wound.find_out_first.split(":")[0] in told and "Expected, not diagnosed" in told


def test_a_budget_that_is_too_small_is_said_to_break_the_plan(page: Any, app: tuple[str, Path]) -> None:
    _open(page, app[0], DESK)
    page.get_by_text("Change what you want, and where").click()
    page.get_by_label("Budget for the first year (0: not limited)").fill("5")
    page.get_by_label("Budget for the first year (0: not limited)").press("Enter")
    page.get_by_text("The budget of 5 is too small and breaks it").wait_for(timeout=30_000)


def test_the_name_of_each_kind_stands_at_the_middle_of_its_bar_in_one_line_or_two(
    page: Any, app: tuple[str, Path]
) -> None:
    _open(page, app[0], (390, 844))
    page.locator(".st-key-chart_costs .role-mark.mark-text text").first.wait_for(timeout=60_000)
    names, ends, lines = page.evaluate("""() => {
        const all = what => [...document.querySelectorAll(`.st-key-chart_costs ${what}`)];
        const middle = one => { const box = one.getBoundingClientRect(); return (box.top + box.bottom) / 2; };
        return [all('.role-axis-label text').map(middle), all('.role-mark.mark-text text').map(middle),
                all('.role-axis-label text').map(one => Math.max(1, one.querySelectorAll('tspan').length))]; }""")
    assert set(lines) == {1, 2} and len(names) == len(ends)
    assert max(abs(one - other) for one, other in zip(sorted(names), sorted(ends), strict=True)) < 4


def test_a_plan_after_a_wound_is_made_against_whom_the_wound_tells_of_and_names_whom_it_leaves_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    found = diagnose_answers(parse_signs({"wound": "severed_shoot", "cut_form": "torn", "position": "high"}),
                             Circumstances("Finland"))
    monkeypatch.setenv("DIAGNOSE_LOG", str(tmp_path / "log"))
    page = AppTest.from_file(str(TOP / "diagnose" / "screens" / "planting.py"), default_timeout=120)
    page.session_state["wound_presence"] = (found.plan_against, found.common_beside)
    page.run()
    told = " ".join(one.value for one in (*page.markdown, *page.caption)).replace("\\", "")
    assert "surely, against moose." in told and "Diagnosed." in told
    assert "Common there, but not reckoned with" in told and "seed-eating mouse" in told
