"""The log's page in a real browser: taken in, filtered, shown with what was measured, deleted, restored, given out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diagnose.diagnosis import Circumstances, diagnose_photo
from diagnose.fieldlog import kept_measurement, save_diagnosis
from diagnose.fieldlog.store import open_log
from diagnose.figures import figure
from diagnose.signs import parse_signs, vocabulary
from tests.conftest import PHOTOS, WIDTHS, as_new, drawn, served

CARD = PHOTOS / "twig_on_card" / "IMG_0016.jpg"
WAIT = 60_000


@pytest.mark.parametrize("size", WIDTHS)
def test_what_comes_in_is_shown_deleted_restored_and_given_out(
    page: Any, tmp_path: Path, size: tuple[int, int]
) -> None:
    table = tmp_path / "told.csv"
    table.write_text("plant,site,lat,lon\n7,slope,46.8,-71.2\n8,slope,46.9,-71.2\n9,slope,95,-71.2\n")
    with served(tmp_path / "log") as (address, _):
        as_new(page, size)
        page.goto(f"{address}/log")
        page.get_by_text("Take in photos, a table").click()
        page.locator('input[type="file"]').set_input_files([str(CARD), str(table)])
        page.get_by_role("button", name="Take them in").wait_for(timeout=WAIT)
        page.get_by_label("Planting of the photos").fill("slope")
        page.get_by_label("Planting of the photos").press("Tab")
        drawn(page)  # what is pressed while the page is drawn anew may be lost
        page.get_by_role("button", name="Take them in").click()
        page.get_by_text("told.csv: 2 saved").wait_for(timeout=WAIT)  # latitude 95 is refused
        log = open_log(tmp_path / "log")
        assert len(log.observations()) == 3
        drawn(page)
        page.get_by_text("More filters").click()
        page.get_by_label("Near a point").fill("46.8005, -71.2, 200")
        page.get_by_label("Near a point").press("Enter")
        page.get_by_text("Place: 46.80000").wait_for(timeout=WAIT)
        drawn(page)
        page.get_by_role("button", name="Mark it as deleted").click()
        page.get_by_text("No observation is like that").wait_for(timeout=WAIT)
        assert len(log.observations()) == 2
        page.get_by_text("Only those marked as deleted").click()
        drawn(page)
        page.get_by_role("button", name="Restore it").click()
        page.get_by_text("No observation is like that").wait_for(timeout=WAIT)
        assert len(log.observations()) == 3
        page.get_by_text("Only those marked as deleted").click()
        drawn(page)
        page.get_by_label("Near a point").fill("here")
        page.get_by_label("Near a point").press("Enter")
        page.get_by_text("is not a point").wait_for(timeout=WAIT)
        page.get_by_label("Near a point").fill("")
        page.get_by_label("Near a point").press("Enter")
        drawn(page)
        page.get_by_text("Export the filtered ones").click()
        page.get_by_label("As", exact=False).first.wait_for(timeout=WAIT)
        page.get_by_role("button", name="Make the file").click()
        with page.expect_download(timeout=WAIT) as fetched:
            page.get_by_role("button", name="Save observations.csv").click()
        assert len(Path(fetched.value.path()).read_text().splitlines()) == 4
        assert "slope" in Path(fetched.value.path()).read_text() and "46.8," not in Path(fetched.value.path()).read_text()
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 1


@pytest.mark.slow
def test_a_kept_photo_of_which_nothing_was_measured_is_shown_as_it_is(page: Any, tmp_path: Path) -> None:
    open_log(tmp_path / "log").save_observation(CARD.read_bytes(), CARD.name, plant="7")
    with served(tmp_path / "log") as (address, _):
        as_new(page, (1280, 900))
        page.goto(f"{address}/log")
        page.get_by_alt_text("The kept photo").wait_for(timeout=WAIT)
        assert page.locator(".figures").count() == 0


def test_what_was_saved_of_a_tapped_photo_is_shown_with_its_figures_answers_reasons_barrier_and_lines(
    page: Any, tmp_path: Path
) -> None:
    photo = PHOTOS / "twig_free" / "IMG_0008.jpg"  # nothing is measured in it without taps
    twig = json.loads(photo.with_suffix(".json").read_text())["twig"]
    end = np.array(twig["end_centre_px"])
    taps = [tuple(end), tuple(end + 3 * twig["diameter_px"] * np.array(twig["axis_px_dir"]))]
    found = diagnose_photo(photo, taps=taps, answers=parse_signs({"position": "middle", "tracks": "small_hoof"}),
                           circumstances=Circumstances("east", snow_mm=300.0))
    assert found.measurement.measured and found.verdict.leading is not None
    log = open_log(tmp_path / "log")
    saved = save_diagnosis(log, found, plant="7")
    told = kept_measurement(log.observation(saved.id))
    assert set(told.measured) == set(found.measurement.measured)
    np.testing.assert_allclose(told.shapes["taps"], taps, atol=0.1)
    np.testing.assert_allclose(told.shapes["face_line"], found.measurement.shapes["face_line"], atol=0.1)
    with served(tmp_path / "log") as (address, _):
        as_new(page, (1280, 900))
        page.goto(f"{address}/log")
        page.get_by_alt_text("with the lines that were measured along").wait_for(timeout=WAIT)
        page.get_by_text("The barrier that was advised").wait_for(timeout=WAIT)  # it is drawn after all that is read here
        shown = page.locator("body").inner_text()
        for name in ("seen_slope_deg", "end_form"):
            assert figure(name, found.measurement.measured[name]) in shown
        answered = vocabulary()["position"]
        assert shown.count(f"{answered.label}: {answered.choices['middle']}") == 1 and "Where on the plant" not in shown
        assert found.verdict.reasons[0].words.split(":")[0] in shown
        page.get_by_text("The barrier that was advised").click()
        page.get_by_text("Take care").wait_for(timeout=WAIT)


@pytest.mark.slow
def test_a_fault_on_a_page_is_told_in_our_words_with_where_the_log_is(page: Any, tmp_path: Path) -> None:
    log = tmp_path / "log"
    open_log(log).save_observation(plant="7", verdict={"for": 5})  # reasons that are no list: nothing of ours writes them
    with served(log) as (address, _):
        as_new(page, (390, 844))
        page.goto(f"{address}/log")
        page.get_by_text("A fault of this tool stopped the page").first.wait_for(timeout=WAIT)
        told = page.locator("body").inner_text().replace("\u2060", "")
        assert str(log) in told
        assert not any(word in told.lower() for word in ("cloud", "streamlit", "manage app", "traceback", "redacted"))


def test_each_row_that_is_ticked_is_brought_into_sight_the_second_like_the_first_and_a_correction_is_told(
    page: Any, tmp_path: Path
) -> None:
    log = open_log(tmp_path / "log")
    log.save_observations([{"plant": f"T{number}", "site": "slope", "lat": 46.8, "lon": -71.2 + 0.0001 * number}
                           for number in range(12)])
    with served(tmp_path / "log") as (address, _):
        as_new(page, (390, 844))
        page.goto(f"{address}/log")
        heading = page.locator(".st-key-log_one h3")
        heading.wait_for(timeout=WAIT)
        drawn(page, 700)
        for row in (3, 6, 1):
            page.locator("[data-testid=stDataFrame]").scroll_into_view_if_needed()
            page.wait_for_timeout(500)
            box, before = page.locator("[data-testid=stDataFrame]").bounding_box(), heading.inner_text()
            page.mouse.click(box["x"] + 15, box["y"] + 36 + (row + 0.5) * 35)
            page.wait_for_function("before => document.querySelector('.st-key-log_one h3').innerText !== before", arg=before,
                                   timeout=WAIT)
            drawn(page, 700)
            assert 0 <= heading.bounding_box()["y"] < 200
        for way in ("Older", "Newer"):
            before = heading.inner_text()
            page.get_by_role("button", name=way).click()
            page.wait_for_function("before => document.querySelector('.st-key-log_one h3').innerText !== before", arg=before,
                                   timeout=WAIT)
            drawn(page, 700)
            page.locator("[data-testid=stDataFrame]").scroll_into_view_if_needed()
            marked = page.locator("[data-testid=stDataFrame] [role=gridcell]").filter(has_text="\u25b8")
            assert [f" {one.split()[-1]} " in heading.inner_text() for one in marked.all_inner_texts()] == [True]
        page.get_by_text("Correct it", exact=True).click()
        drawn(page, 700)  # what is typed while a page is drawn anew may be lost
        page.get_by_label("Note").fill("fox seen")
        page.get_by_role("button", name="Save the correction").click()
        page.get_by_text("The correction is saved.").wait_for(timeout=WAIT)
