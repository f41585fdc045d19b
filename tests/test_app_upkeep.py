"""The page for upkeep leads from an empty register to works, a look, papers and a map, at a desk and on a phone."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
import vobject
from pypdf import PdfReader

from diagnose.fieldlog.store import open_log
from diagnose.upkeep.register import found_by_chance, register
from tests.conftest import WIDTHS, as_new, drawn, served, still, words_of

DESK, PHONE = (1280, 900), (360, 740)


def _open(page: Any, address: str, size: tuple[int, int]) -> list[str]:
    as_new(page, size)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{address}/upkeep")
    _part(page, "Due")
    return asked


def _part(page: Any, name: str) -> None:
    button = page.get_by_test_id("stButtonGroup").get_by_role("radio", name=name, exact=True)
    button.wait_for(timeout=60_000)
    still(page)  # a click on what is just being drawn anew is lost
    if button.get_attribute("aria-checked") != "true":
        button.click()
        page.locator("[aria-checked=true]", has_text=name).first.wait_for(timeout=60_000)
        still(page)


def _choose(page: Any, site: str) -> None:
    page.locator("h1").first.scroll_into_view_if_needed()
    page.wait_for_timeout(900)
    from playwright.sync_api import TimeoutError as PlaywrightTimeout

    field, option = page.get_by_label("Planting").first, page.get_by_role("option", name=site)
    for _ in range(6):  # a page drawn anew on a slow machine folds the choices or the list again
        if not field.is_visible():
            page.get_by_text("Planting, day, winters").click()
        field.click()
        try:
            option.click(timeout=5_000)
            break
        except PlaywrightTimeout:
            page.keyboard.press("Escape")
    else:
        raise AssertionError(f"the planting {site} is not among the choices")
    drawn(page, 1000)


@pytest.mark.parametrize("size", WIDTHS)
def test_a_look_that_finds_a_barrier_too_tight_raises_an_alarm_and_taking_it_off_ends_it(
    page: Any, app: tuple[str, Path], size: tuple[int, int],
) -> None:
    address, folder = app
    log, site = open_log(folder), f"upkeep {size[0]}"
    own = register(log, "cage", site=site, label="K1", inner_mm=900, built="2026-04-01", lat=46.1, lon=-71.6, error_m=8.0)
    asked = _open(page, address, size)
    _choose(page, site)
    _part(page, "Enter a check")
    page.get_by_text("too tight", exact=True).click()
    page.get_by_label("Stem's diameter at the guard").fill("120")
    page.get_by_role("button", name="Save this check").click()
    page.get_by_text("Saved: K1").wait_for(timeout=30_000)
    _part(page, "Due")
    page.get_by_text("ALARM: act today: 1").wait_for(timeout=30_000)
    page.get_by_text("Wire under tension").first.wait_for()
    assert log.records("check", barrier=own)["stem_diameter_mm"].tolist() == [120.0]
    _part(page, "Enter a check")
    page.get_by_text("taken off", exact=True).click()
    page.get_by_label("Taken off: what stayed").fill("two stakes")
    page.get_by_role("button", name="Save this check").click()
    page.get_by_text("taken off.").first.wait_for(timeout=30_000)
    assert log.record("barrier", own)["left_behind"] == "two stakes"
    _part(page, "Metal")
    page.get_by_text("Every wire, post and stake").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 1
    assert [url for url in asked if not url.startswith((address, address.replace("http", "ws"), "data:", "blob:"))] == []


@pytest.mark.slow
def test_a_barrier_found_by_chance_is_registered_with_its_place(page: Any, app: tuple[str, Path]) -> None:
    address, folder = app
    _open(page, address, DESK)
    _part(page, "Register")
    page.get_by_text("Found by chance").click()
    page.locator("[data-testid=stCheckbox]", has_text="Grown into the stem").click()
    page.get_by_label("or type it").fill("46.2, -71.7")
    page.get_by_label("or type it").press("Enter")
    page.get_by_text("Place: 46.2").wait_for(timeout=30_000)
    page.get_by_label("Plant's tag, or what stands").fill("old ash")
    page.get_by_role("button", name="Register it").click()
    page.get_by_text("never pull").first.wait_for(timeout=30_000)
    row = next(row for row in open_log(folder).records("barrier").to_dict("records") if row["label"] == "old ash")
    assert row["found"] and row["embedded"] and (row["lat"], row["lon"], row["form"]) == (46.2, -71.7, "old wire")


def test_a_plan_that_was_built_is_registered_in_one_step(page: Any, app: tuple[str, Path]) -> None:
    address, folder = app
    as_new(page, (360, 740))
    page.goto(f"{address}/planting")
    page.get_by_text("They are up: put them into the register").click(timeout=60_000)
    page.get_by_label("Name of the planting").fill("built plan")
    page.get_by_role("button", name="Register them").click()
    page.get_by_text("Kinds of barrier registered: 1. The page Upkeep").wait_for(timeout=30_000)
    rows = open_log(folder).records("barrier", site="built plan")
    assert len(rows) >= 1 and rows["pieces"].iloc[0] == 100


@pytest.mark.slow
def test_a_csv_file_and_the_papers_go_through_the_page(page: Any, app: tuple[str, Path], tmp_path: Path) -> None:
    address, folder = app
    found_by_chance(open_log(folder), "old wire", True, site="papers", label="W", lat=46.3, lon=-71.3)
    _open(page, address, PHONE)
    _part(page, "Register")
    page.get_by_text("From a plan, or many from a CSV file").click()
    (tmp_path / "many.csv").write_text("site,label,form,built\npapers,P1,cage,2020-04-01\npapers,P2,castle,2020-04-01\n")
    takes = page.locator("[data-testid=stFileUploader]").filter(has_text="barriers as CSV")
    takes.locator("input[type=file]").set_input_files(str(tmp_path / "many.csv"))
    page.wait_for_timeout(1500)
    page.get_by_role("button", name="Register them").click()
    page.get_by_text("1 barriers registered, 1 lines refused").wait_for(timeout=30_000)
    _choose(page, "papers")
    for tab, button, start in (("Due", "The year as calendar file", b"BEGIN:VCALENDAR"), ("Due", "The list as PDF", b"%PDF"),
                               ("Metal", "Map as PDF", b"%PDF"), ("Metal", "As GPX", b"<?xml")):
        _part(page, tab)
        with page.expect_download(timeout=30_000) as waiting:
            page.get_by_role("button", name=button).click()
        saved = Path(waiting.value.path()).read_bytes()
        assert saved.startswith(start)
        if start.startswith(b"BEGIN"):
            assert len(vobject.readOne(saved.decode()).vevent_list) > 5


def test_whether_it_held_can_be_taken_along_on_a_phone_in_the_size_of_ones_own_paper(
        page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIAGNOSE_PAPER", "Letter")
    log = open_log(tmp_path / "log")
    for tree in range(20):
        inside = tree < 10
        log.save("tally", site="a", day="2026-04-01", plot="P1", tree=f"{tree}", entry={
            "browsed": "0" if inside else str(tree % 2), "alive": "1", "protection": "cage" if inside else ""})
        if inside:
            register(log, "cage", site="a", plant=f"{tree}", label=f"{tree}", inner_mm=900, built="2024-04-01")
    with served(tmp_path / "log") as (address, _):
        _open(page, address, PHONE)
        _part(page, "Did it hold?")
        page.get_by_text("comparison and no trial").first.wait_for(timeout=30_000)
        got = {}
        for name in ("Page as PDF", "Figures as CSV"):
            with page.expect_download() as waited:
                page.get_by_role("button", name=name).click()
            got[name] = Path(waited.value.path()).read_bytes()
        page.screenshot(path=str(tmp_path / "held.png"), full_page=True)
    sheet = PdfReader(BytesIO(got["Page as PDF"])).pages[0]
    assert (round(sheet.mediabox.width), round(sheet.mediabox.height)) == (612, 792)
    assert "damaged outside" in words_of(got["Page as PDF"]) and b"damaged outside,trees,0.5," in got["Figures as CSV"]
