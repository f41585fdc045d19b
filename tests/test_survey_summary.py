"""A whole survey: one object, and what the report shows of it. All data here are invented."""

from __future__ import annotations

import json
import re
from html import escape

import numpy as np
import pandas as pd
import pytest
from reportlab.graphics.shapes import Polygon
from shapely import box

from diagnose.cannot_use import CannotUse
from diagnose.report.damage_map import map_drawing, map_words
from diagnose.report.survey_report import sections, survey_html, survey_pdf, table_text
from diagnose.report.tally_sheet import tally_sheet_pdf
from diagnose.survey.attribution import with_shares
from diagnose.survey.choosing import chosen_target
from diagnose.survey.summary import summarise
from diagnose.survey.tally import ASKED
from diagnose.survey.target import own_target


def invented(plots: int = 20, visit: str = "2026-03-31", seed: int = 5) -> pd.DataFrame:
    rng, rows = np.random.default_rng(seed), []
    for plot in range(plots):
        for tree in range(8):
            shut = "mesh tube" if tree % 4 == 0 else ""
            rows.append({"site": "Invented Wood", "visit": visit, "plot": str(plot), "plot_area_m2": 20.0, "reached": 1,
                         "x": 10.0 * plot, "y": float(37 * plot % 100), "tree": str(tree), "protection": shut,
                         "species": ("oak", "silver fir")[tree % 2], "height_class": "under 50 cm", "alive": 1,
                         "severity": 1, "browsed": float(rng.random() < (0.1 if shut else 0.45))})
    rows.append({"site": "Invented Wood", "visit": visit, "plot": "empty", "plot_area_m2": 20.0, "reached": 1, "tree": None})
    rows.append({"site": "Invented Wood", "visit": visit, "plot": "cliff", "plot_area_m2": 20.0, "reached": 0, "tree": None})
    frame = pd.DataFrame(rows)
    return with_shares(frame, [{"deer": 0.8, "hare": 0.2} if b == 1 else None for b in frame["browsed"]])


def test_the_headline_is_the_share_of_unprotected_trees_and_nothing_is_lost() -> None:
    trees = invented()
    found = summarise(trees, targets=[own_target(0.2)], country="Switzerland", area=box(0, 0, 200, 100))
    free = trees[trees["tree"].notna() & (trees["protection"] == "")]
    assert found.unprotected.value == pytest.approx(free["browsed"].mean())
    assert (found.plots, found.empty_plots, found.unreached_plots) == (21, 1, 1)
    assert found.by_culprit["deer"].value == pytest.approx(0.8 * found.unprotected.value)
    assert sum(one.trees for one in found.by_protection.values()) == found.trees == 160
    assert found.density.value == pytest.approx(160 / (21 * 20) * 10_000)  # the empty plot counts
    assert any("not reached" in line for line in found.not_covered)
    assert found.decisions[0].target == own_target(0.2) and len(found.decisions) == 1
    assert "silver fir" in found.asked and found.asked.count("(ch_silver_fir_") == 3  # three belts: which is asked
    belt = summarise(trees, targets=[own_target(0.2), chosen_target("ch_silver_fir_montane")], country="Switzerland")
    assert len(belt.decisions) == 2 and "silver fir" not in belt.asked


def test_trees_that_could_not_be_told_are_shown_counted_either_way() -> None:
    trees = invented()
    trees.loc[1:5, "browsed"] = float("nan")
    found = summarise(trees)
    assert found.if_no.value < found.unprotected.value < found.if_yes.value
    assert found.undecided_trees == 4  # one of the five is protected


def test_an_earlier_visit_in_the_table_becomes_the_change() -> None:
    both = pd.concat([invented(visit="2025-03-31", seed=6), invented()], ignore_index=True)
    found = summarise(both)
    assert found.visits == ("2026-03-31",) and found.change.plots >= 20
    assert found.unprotected == summarise(invented()).unprotected


def test_the_page_the_paper_and_the_machine_show_the_same_figures() -> None:
    found = summarise(invented(), targets=[own_target(0.2)], country="Switzerland", area=box(0, 0, 200, 100))
    told = json.loads(json.dumps(found.as_json(), allow_nan=False))
    page = survey_html(found)
    assert told["unprotected"]["value"] == found.unprotected.value and told["headline"] == found.headline
    for _, rows in sections(found):
        for one in rows.values():
            assert one.words() in page
    for one in found.decisions:
        assert escape(one.sentence) in page and escape(one.target.words) in page
    assert set(found.long()["group"]) >= {"unprotected", "by_species", "severity", "decision_1"}
    assert found.answer in table_text(found) and "By species:" in table_text(found)
    clips = re.findall(r'clipPath id="([^"]+)"', page)
    assert len(clips) == len(set(clips)) > 3
    assert survey_pdf(found).startswith(b"%PDF")


@pytest.mark.parametrize("wide", [340.0, 480.0])
def test_every_piece_of_the_map_of_damage_lies_on_the_paper_and_the_boundary_round_them(wide: float) -> None:
    drawn = map_drawing(summarise(invented(), area=box(0, 0, 200, 100)), wide)
    pieces = [one.points for one in drawn.contents if isinstance(one, Polygon)]
    *cells, outline = [(min(one[::2]), max(one[::2]), min(one[1::2]), max(one[1::2])) for one in pieces]
    assert len(cells) > 10
    assert 0 <= outline[0] < outline[1] <= wide and 0 <= outline[2] < outline[3] <= drawn.height
    for west, east, south, north in cells:
        assert outline[0] - 0.1 <= west < east <= outline[1] + 0.1 and outline[2] - 0.1 <= south < north <= outline[3] + 0.1


def test_where_no_map_is_drawn_page_and_report_say_what_it_lacks() -> None:
    trees = invented()
    for plots, told in ((0, "of the 22 plots here, none has both"), (5, "of the 22 plots here, 5 have both")):
        some = trees.assign(x=trees["x"].where(trees["plot"].isin([str(one) for one in range(plots)])))
        found = summarise(some)
        assert found.map is None and told in map_words(found)
        assert escape(map_words(found)) in survey_html(found)
    two = summarise(pd.concat([trees, trees.assign(site="Other Wood")]))
    assert "choose one" in map_words(two)
    assert "No map" not in map_words(summarise(trees))


def test_plots_that_all_hold_the_same_share_are_not_told_to_be_worth_trees_without_end() -> None:
    trees = invented(3)
    alike = summarise(trees.assign(browsed=np.where(trees["tree"].isin(["1", "5"]), 1.0, 0.0)))
    assert alike.unprotected.value == pytest.approx(1 / 3) and "drawn one by one" not in alike.methods
    assert "drawn one by one" in summarise(invented()).methods


def test_a_small_survey_is_told_without_a_map_or_an_interval() -> None:
    one = pd.DataFrame({"site": "a", "plot": "1", "tree": ["1", "2"], "browsed": [1, 0]})
    found = summarise(one)
    assert found.unprotected.low is None and "no interval" in found.headline and found.map is None
    assert survey_pdf(found, "Letter").startswith(b"%PDF") and "no interval" in survey_html(found)


def test_names_that_look_like_markup_stay_words() -> None:
    found = summarise(pd.DataFrame({"site": "<b>a & b", "plot": ["1", "2"], "tree": ["1", "2"], "browsed": [1, 0],
                                    "species": "<i>oak"}))
    assert "<b>a" not in survey_html(found) and "<i>oak" not in survey_html(found)
    assert survey_pdf(found).startswith(b"%PDF")


def test_a_table_that_is_no_survey_is_refused_in_one_line() -> None:
    for trees, told in ((pd.DataFrame({"a": [1]}), "lacks the column"),
                        (pd.DataFrame({"site": ["a"], "plot": ["1"], "tree": [None], "browsed": [None]}), "no living tree"),
                        (pd.DataFrame({"site": ["a"], "plot": ["1"], "tree": ["1"], "browsed": [2]}), "browsed is 2")):
        with pytest.raises(CannotUse, match=told) as refused:
            summarise(trees)
        assert "\n" not in str(refused.value)


def test_the_paper_tally_prints_the_fields_of_the_screen() -> None:
    from reportlab import rl_config

    kept, rl_config.pageCompression = rl_config.pageCompression, 0
    try:
        sheet = tally_sheet_pdf("Invented Wood", ("1", "2"))
    finally:
        rl_config.pageCompression = kept
    for field in ASKED:
        assert field.title.split()[0].encode() in sheet
    assert sheet.count(b"/Type /Page\n") == 2 or sheet.count(b"/Type /Page ") == 2 or sheet.count(b"/Contents") == 2
