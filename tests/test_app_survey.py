"""The survey's page in a real browser: plots laid out, trees written down, the answer with its interval."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from diagnose.fieldlog.store import open_log
from diagnose.survey.from_log import enter
from tests.conftest import WIDTHS, as_new, drawn, served, still


@pytest.mark.parametrize("size", WIDTHS)
def test_trees_are_written_down_one_by_one_and_counted(page: Any, tmp_path: Path, size: tuple[int, int]) -> None:
    from playwright.sync_api import expect

    with served(tmp_path / "log") as (address, _):
        as_new(page, size)
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
        page.get_by_text("Set a target below").wait_for(timeout=60_000)
        page.get_by_text(re.compile(r"[0-9]\s%.* of unprotected leaders were browsed")).first.wait_for(timeout=60_000)
        page.get_by_role("button", name="Report as PDF").wait_for(timeout=60_000)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 1


def test_a_boundary_gives_a_layout_with_map_and_sheets(page: Any, app: tuple[str, Path]) -> None:
    ring = [[-71.60, 46.10], [-71.596, 46.10], [-71.596, 46.103], [-71.60, 46.103], [-71.60, 46.10]]
    open_log(app[1]).save("site", name="north", boundary={"type": "Polygon", "coordinates": [ring]})
    as_new(page, (1280, 900))
    page.goto(f"{app[0]}/survey")
    page.get_by_role("radio", name="Where to put plots").click()
    page.get_by_role("button", name="Map as PDF").wait_for(timeout=60_000)
    page.get_by_role("button", name="Plots as GPX").wait_for()
    page.get_by_role("button", name="Tally sheets").wait_for()


RING = [[8.2, 48.05], [8.204, 48.05], [8.204, 48.0525], [8.2, 48.0525], [8.2, 48.05]]


def test_a_survey_goes_on_a_phone_from_its_plan_through_a_reload_to_a_mended_row(browser: Any, tmp_path: Path) -> None:
    from playwright.sync_api import expect

    boundary = tmp_path / "wood.geojson"
    boundary.write_text(json.dumps({"type": "Polygon", "coordinates": [RING]}))
    with served(tmp_path / "log") as (address, _):
        context = browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.goto(f"{address}/survey")
        page.get_by_text("Begin with Where to put plots").wait_for()
        page.get_by_role("radio", name="Where to put plots").click()
        page.locator("input[type=file]").set_input_files(boundary)
        page.get_by_text("Give the planting a name to keep its plan").wait_for()
        keep = page.get_by_role("button", name="Keep this plan")
        expect(keep).to_be_disabled(timeout=60_000)  # it would be kept for no planting, and found by none
        page.get_by_label("Its name").fill("wood")
        page.get_by_label("Its name").press("Tab")
        expect(keep).to_be_enabled(timeout=60_000)
        page.get_by_role("combobox", name="What is it for?").click()
        page.get_by_role("option", name="So many plots").click()
        page.get_by_label("What is to be decided").fill("10% browsed")
        page.get_by_label("What is to be decided").press("Tab")
        page.get_by_text("30 are fewer: it decides less often").wait_for()  # the target is not lost with the number
        keep.click()
        page.get_by_text("Kept on this device").wait_for()
        expect(page.get_by_text("Another plan is kept")).to_have_count(0)
        with page.expect_download() as handed:
            page.get_by_role("button", name="Tally as CSV").click()
        planned = pd.read_csv(handed.value.path())
        assert planned["plot"].tolist() == list(range(1, 31)) and set(planned["plot_area_m2"]) == {50.01}
        assert planned["x"].between(8.2, 8.204).all() and planned["y"].between(48.05, 48.0525).all()
        # for the tally on a phone, which need not ask for area and place
        kept = open_log(tmp_path / "log").records("plot", site="wood")
        assert set(kept["name"]) == {str(one) for one in planned["plot"]} and set(kept["area_m2"]) == {50.01}
        page.reload()  # asks for what it asked for at first, which are other plots
        page.get_by_role("radio", name="Where to put plots").click()
        page.get_by_text("Another plan is kept for this planting: 30 plots").wait_for()
        page.get_by_role("radio", name="Fill in the tally").click()
        expect(page.get_by_role("textbox", name="Planting")).to_have_value("wood", timeout=60_000)
        expect(page.get_by_label("Its area")).to_have_value("50.01", timeout=60_000)
        rows = planned.assign(visit="2026-03-31", tree=1, species="oak", height_cm="40", browsed=1)
        rows.loc[2, "height_cm"] = "knee high"
        rows.head(3).to_csv(tmp_path / "filled.csv", index=False)
        page.get_by_text("From or to a file").click()
        page.locator("input[type=file]").set_input_files(tmp_path / "filled.csv")
        page.get_by_role("button", name="Take it in").click()
        page.get_by_text("2 entries saved, 1 refused.").wait_for()
        page.get_by_text("line 4: Height cm: 'knee high' is no number.").wait_for()
        with page.expect_download() as handed:
            page.get_by_role("button", name="The refused rows as CSV").click()
        (tmp_path / "mended.csv").write_text(handed.value.path().read_text().replace("knee high", "42", 1))
        page.locator("input[type=file]").set_input_files(tmp_path / "mended.csv")
        expect(page.get_by_text("2 entries saved, 1 refused.")).to_have_count(0, timeout=60_000)  # said of the file before
        page.get_by_role("button", name="Take it in").click()
        page.get_by_text("1 entry saved, 0 refused.").wait_for()
        page.get_by_role("radio", name="Where to put plots").click()  # a plan made now was not made before the first plot
        page.get_by_text("Plots are tallied here already, last on 2026-03-31").wait_for()
        context.close()


def test_a_published_target_chosen_while_planning_decides_on_another_device_too(page: Any, tmp_path: Path) -> None:
    boundary = tmp_path / "wood.geojson"
    boundary.write_text(json.dumps({"type": "Polygon", "coordinates": [RING]}))

    def choose(page: Any, label: str, option: str) -> None:
        drawn(page)  # a list that is being drawn anew loses the choice
        page.get_by_role("combobox", name=label).click()
        page.keyboard.type(option)  # of a long list only a part is there at a time
        page.get_by_role("option", name=option).click()
        drawn(page)

    with served(tmp_path / "log") as (address, _):
        as_new(page, (390, 844))
        page.set_default_timeout(60_000)
        page.goto(f"{address}/survey")
        page.get_by_role("radio", name="Where to put plots").click()
        page.locator("input[type=file]").set_input_files(boundary)
        page.get_by_label("Its name").fill("wood")
        page.get_by_label("Its name").press("Tab")
        choose(page, "What is it for?", "So many plots")
        choose(page, "Published targets of", "Switzerland")
        page.get_by_text("Say which published target of Switzerland holds on this ground").wait_for()
        choose(page, "Which of them holds here?", "silver fir; montane: at most 9 %")
        page.get_by_text("Eiberle & Nigg 1987").wait_for()
        page.get_by_text("Asked of the layout: 30 plots spread evenly, up to the edge.").wait_for()
        with page.expect_download() as handed:
            page.get_by_role("button", name="Tally as CSV").click()
        planned = pd.read_csv(handed.value.path(), dtype=str)
        assert set(planned["plan"]) == {"ch_silver_fir_montane; one addition; 30 plots"}
        rows = [planned.assign(visit="2026-03-31", tree=str(tree), species="Abies alba", browsed="1") for tree in range(3)]
        pd.concat(rows).to_csv(tmp_path / "filled.csv", index=False)
        as_new(page, (390, 844))  # another device: no plan is kept there
        page.set_default_timeout(60_000)
        page.goto(f"{address}/survey")
        page.get_by_role("radio", name="Fill in the tally").click()
        page.get_by_text("From or to a file").click()
        page.locator("input[type=file]").set_input_files(tmp_path / "filled.csv")
        page.get_by_role("button", name="Take it in").click()
        page.get_by_text("90 entries saved, 0 refused.").wait_for()
        page.get_by_role("radio", name="Results").click()
        page.get_by_text("of leaders were browsed, 9 % is the limit for silver fir (95 % sure)").first.wait_for()
        # another target changes the sentence, and says that it was chosen afterwards
        page.get_by_text("Planting, target and plan", exact=True).click()
        page.get_by_label("Your own target").fill("50% browsed")
        page.get_by_label("Your own target").press("Tab")
        page.locator(".verdict", has_text="50 % is the limit").wait_for()
        page.get_by_text("Targets, the change since the last visit").click()
        page.get_by_text("The tally was planned for at most 9 %; another target was chosen after that.").wait_for()


def test_two_folded_parts_that_are_opened_in_the_same_instant_are_both_drawn(browser: Any, in_use: str) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(f"{in_use}/survey")
    page.get_by_text("All figures as tables").wait_for(timeout=60_000)
    still(page)
    page.evaluate("""() => [...document.querySelectorAll('details:not([open]) > summary')]
        .filter(one => /more chart|All figures/.test(one.innerText)).forEach(one => one.click())""")
    page.get_by_role("table").first.wait_for(timeout=60_000)
    page.get_by_role("heading", name="By culprit").wait_for(timeout=60_000)
    # on a phone no figure of a table is cut off
    page.set_viewport_size({"width": 360, "height": 740})
    still(page)
    assert page.locator(".table").evaluate_all("all => all.filter(one => one.scrollWidth > one.clientWidth + 1).length") == 0
    page.close()
