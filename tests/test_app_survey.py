"""The survey's page in a real browser: plots laid out, trees written down, the answer with its interval."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from diagnose.fieldlog.store import open_log
from diagnose.survey.from_log import enter
from tests.conftest import WIDTHS, served


@pytest.mark.parametrize("size", WIDTHS)
def test_trees_are_written_down_one_by_one_and_counted(browser: Any, tmp_path: Path, size: tuple[int, int]) -> None:
    from playwright.sync_api import expect

    with served(tmp_path / "log") as (address, _):
        context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        page = context.new_page()
        page.goto(f"{address}/survey")
        page.get_by_role("radio", name="Fill in the tally").click()
        for label, words in (("Planting", "slope"), ("Plot, as on the stake", "P1"), ("Tree: tag", "7")):
            page.get_by_label(label).fill(words)
        page.get_by_label("Species").fill("oak")
        page.get_by_label("Species").press("Tab")
        page.get_by_text("Leader bitten this year").wait_for()
        page.wait_for_timeout(2500)
        page.reload()  # what was typed is back
        page.get_by_text("No tally is saved yet").wait_for(timeout=60_000)
        page.get_by_role("radio", name="Fill in the tally").click()
        page.get_by_label("Plot, as on the stake").wait_for(timeout=60_000)
        expect(page.get_by_label("Plot, as on the stake")).to_have_value("P1", timeout=30_000)
        expect(page.get_by_label("Tree: tag")).to_have_value("7", timeout=30_000)
        page.get_by_role("button", name="Save this tree").click()
        page.get_by_text("Saved: P1 7").wait_for(timeout=30_000)
        expect(page.get_by_label("Tree: tag")).to_have_count(1, timeout=30_000)  # the form of the tree before goes
        expect(page.get_by_label("Tree: tag")).to_have_value("8", timeout=30_000)
        page.get_by_label("Height of the live tip").fill("very tall")
        page.get_by_label("Height of the live tip").press("Tab")
        page.get_by_role("button", name="Save this tree").click()
        page.get_by_text("is no number").wait_for(timeout=30_000)
        log = open_log(tmp_path / "log")
        assert log.records("tally")["tree"].tolist() == ["7"]
        base = {"site": "slope", "visit": log.records("tally")["day"].iloc[0], "species": "oak"}
        enter(log, [{**base, "plot": f"Q{plot}", "tree": str(tree), "browsed": str(int((plot * tree) % 3 == 1))}
                    for plot in range(8) for tree in range(6)])
        page.get_by_text("Results", exact=True).click()
        page.get_by_text(re.compile("[0-9] %.* of unprotected leaders were browsed")).first.wait_for(timeout=60_000)
        page.get_by_role("button", name="Report as PDF").wait_for(timeout=60_000)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 1
        context.close()


def test_a_boundary_gives_a_layout_with_map_and_sheets(browser: Any, app: tuple[str, Path]) -> None:
    ring = [[-71.60, 46.10], [-71.596, 46.10], [-71.596, 46.103], [-71.60, 46.103], [-71.60, 46.10]]
    open_log(app[1]).save("site", name="north", boundary={"type": "Polygon", "coordinates": [ring]})
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(f"{app[0]}/survey")
    page.get_by_text("Where to put plots").click()
    page.get_by_role("button", name="Map as PDF").wait_for(timeout=60_000)
    page.get_by_role("button", name="Plots as GPX").wait_for()
    page.get_by_role("button", name="Tally sheets").wait_for()
    page.close()
