"""Entries that were typed over a link that keeps breaking are all in the log, each once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Error

from diagnose.fieldlog.store import Log, open_log
from tests.conftest import served
from tests.weak_link import WeakLink

ENTRIES = int(os.environ.get("DIAGNOSE_ENTRIES", "8"))
EVERY = 4  # entries between two cuts
SOON_MS, LOAD_MS = 10_000, 60_000  # how long an answer, and a page, is waited for on a busy machine
TRIES = 4


@pytest.mark.parametrize("entries", [ENTRIES, pytest.param(30, marks=pytest.mark.slow)])
def test_a_link_cut_again_and_again_loses_no_entry_and_doubles_none(browser: Any, tmp_path: Path, entries: int) -> None:
    with served(tmp_path / "log") as (address, _):
        link, log = WeakLink(urlsplit(address).port or 0), open_log(tmp_path / "log")
        page = browser.new_page(viewport={"width": 360, "height": 740})
        page.set_default_timeout(SOON_MS)
        page.goto(f"http://127.0.0.1:{link.port}/wound", timeout=LOAD_MS)
        _question(page).wait_for(timeout=LOAD_MS)
        cuts = 0
        for number in range(entries):
            cut = number % EVERY == 3
            cuts += cut
            # every second cut comes before the entry, the others while it is on its way
            _enter_until_kept(page, link, log, f"T{number:03d}", cut, on_its_way=number // EVERY % 2 == 0)
        assert cuts == len(range(3, entries, EVERY)) >= 2
        assert sorted(log.observations()["plant"]) == [f"T{number:03d}" for number in range(entries)]
        page.close()
        link.close()


def _enter_until_kept(page: Any, link: WeakLink, log: Log, tag: str, cut: bool, on_its_way: bool) -> None:
    """What a person does: answers, types the tag, saves, looks whether it was saved, and otherwise loads the page anew."""
    if cut and not on_its_way:
        link.cut()
        page.wait_for_timeout(300)
        link.mend()
        cut = False
    for _ in range(TRIES):
        was_cut = cut
        try:
            if not page.get_by_text("Answered so far: 1").count():
                page.get_by_role("button", name="a shoot or twig is cut or torn off").click()
                page.get_by_text("Answered so far: 1").wait_for()
            page.get_by_label("Plant's tag").fill(tag)
            page.get_by_role("button", name="Save", exact=True).click()
            if was_cut:
                link.cut()
                page.wait_for_timeout(300)
                link.mend()
                cut = False
            else:
                page.get_by_text(f"Saved: {tag}", exact=True).wait_for()
        except Error:
            pass
        kept = tag in set(log.observations(columns=("plant",))["plant"])
        if kept and not was_cut:
            return
        page.reload(timeout=LOAD_MS)  # what was answered comes back; the tag is typed again
        _question(page).or_(page.get_by_text("Answered so far: 1")).first.wait_for(timeout=LOAD_MS)
        if tag in set(log.observations(columns=("plant",))["plant"]):
            return
    pytest.fail(f"{tag} is not in the log after {TRIES} tries; the page says: {page.locator('body').inner_text()[:400]}")


def _question(page: Any) -> Any:
    return page.get_by_text("What happened to the plant?")
