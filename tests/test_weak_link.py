"""Entries that were typed over a link that keeps breaking are all in the log, each once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from playwright.sync_api import Error

from diagnose.fieldlog.store import open_log
from tests.conftest import served
from tests.weak_link import WeakLink

ENTRIES = int(os.environ.get("DIAGNOSE_ENTRIES", "14"))
EVERY = 10  # entries between two cuts


def _enter(page: Any, tag: str) -> None:
    """What a person does: answers, types the tag, keeps, and looks whether it was kept."""
    page.locator("[data-testid=stRadio]").get_by_text("a shoot or twig is cut or torn off").click(timeout=5_000)
    page.get_by_text("Answered so far: 1").wait_for(timeout=5_000)
    page.get_by_label("Plant's tag").fill(tag, timeout=5_000)
    page.get_by_role("button", name="Keep", exact=True).click(timeout=5_000)


def test_a_link_cut_again_and_again_loses_no_entry_and_doubles_none(browser: Any, tmp_path: Path) -> None:
    with served(tmp_path / "log") as (address, _):
        link = WeakLink(urlsplit(address).port or 0)
        log = open_log(tmp_path / "log")
        context = browser.new_context(viewport={"width": 360, "height": 740})
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{link.port}/wound")
        page.get_by_text("What happened to the plant?").wait_for(timeout=30_000)
        cuts = 0
        for number in range(ENTRIES):
            tag = f"T{number:03d}"
            if number % EVERY == 3:  # half of the cuts come before the entry, half while it is on its way
                link.cut()
                cuts += 1
                if number // EVERY % 2:
                    page.wait_for_timeout(300)
                    link.mend()
            for _ in range(8):  # the person tries again until the entry stands in the log
                try:
                    if "Saved as observation" not in page.locator("body").inner_text() or tag not in kept(log):
                        _enter(page, tag)
                    page.get_by_text("Saved as observation").wait_for(timeout=4_000)
                except Error:
                    pass
                link.mend()
                if tag in kept(log):
                    break
                page.reload()
                page.get_by_text("What happened to the plant?").or_(page.get_by_text("Answered so far")).first.wait_for(
                    timeout=30_000)
                if page.get_by_text("Answered so far").count():  # what was answered came back; the tag is typed again
                    page.get_by_label("Plant's tag").fill(tag)
                    page.get_by_role("button", name="Keep", exact=True).click()
                    page.get_by_text("Saved as observation").wait_for(timeout=10_000)
                    break
        tags = log.observations()["plant"].tolist()
        assert sorted(tags) == [f"T{number:03d}" for number in range(ENTRIES)]
        assert cuts == len([number for number in range(ENTRIES) if number % EVERY == 3])
        context.close()
        link.close()


def kept(log: Any) -> set[str]:
    return set(log.observations(columns=("plant",))["plant"])
