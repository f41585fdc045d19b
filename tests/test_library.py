"""`import diagnose` is a library: five names with true examples, whose results show themselves in a notebook."""

from __future__ import annotations

import base64
import doctest
import re
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pandas as pd
import pytest

import diagnose
from diagnose import library
from diagnose.fieldlog.store import open_log
from diagnose.survey.from_log import import_tally
from tests.conftest import TOP

PHOTO = TOP / "reference_cases" / "photos" / "twig_on_card" / "IMG_0016.jpg"
TALLY = "site,visit,plot,tree,species,browsed\n" + "".join(
    f"s,202{4 + number}-04-01,P{plot},{tree},oak,{int((plot + tree) % 4 < number)}\n"
    for number in (1, 2) for plot in range(12) for tree in range(8))


def test_the_examples_are_true(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(TOP)
    found = doctest.testmod(library, extraglobs={"pd": pd})
    assert found.attempted >= 15
    assert found.failed == 0


def test_every_name_has_an_example_and_help_tells_of_all_of_them() -> None:
    for name in diagnose.__all__:
        assert ">>> " in (getattr(diagnose, name).__doc__ or ""), name
        assert name in (diagnose.__doc__ or "") and name in dir(diagnose)
    with pytest.raises(AttributeError):
        _ = diagnose.nothing_of_this_name


def test_no_name_hides_a_room_of_the_house() -> None:
    rooms = {file.stem for file in (TOP / "diagnose").iterdir()}
    assert rooms.isdisjoint(diagnose.__all__)


def test_a_photo_shows_itself_with_its_overlay_its_figures_and_its_cautions() -> None:
    found = diagnose.judge_photo(PHOTO, place="DE", month=2)
    width, shown = found.measurement.measured["end_diameter_mm"], found._repr_html_()
    data = re.search(r'src="data:image/jpeg;base64,([^"]+)"', shown)
    assert data is not None
    picture = cv2.imdecode(np.frombuffer(base64.b64decode(data[1]), np.uint8), cv2.IMREAD_COLOR)
    assert max(picture.shape[:2]) == 1100
    for told in (f"{width.value:.2f} ± {width.sigma:.2f} mm", "rabbit or hare", "Barrier: wire cylinder",
                 "Local codes, product labels"):
        assert told in shown


def test_answers_show_themselves_without_a_photo_and_escaped() -> None:
    shown = diagnose.judge({"wound": "severed_shoot"})._repr_html_()
    assert "<img" not in shown and "<b>" in shown
    ElementTree.fromstring(f"<div>{shown}</div>")  # well-formed: nothing in it breaks out of its element


def test_a_plan_shows_its_drawings_and_a_survey_its_charts() -> None:
    plan = diagnose.plan(200, 0.3, ["roe_deer"])
    assert plan._repr_html_().count("<svg") >= 2 and "To buy" in plan._repr_html_()
    trees = pd.DataFrame([{"site": "s", "plot": plot, "tree": str(tree), "browsed": int(tree < plot % 4)}
                          for plot in range(20) for tree in range(10)])
    shown = diagnose.estimate(trees)._repr_html_()
    assert "<svg" in shown and "15 %" in shown and "What was not covered" in shown


def test_a_tally_says_the_same_from_a_file_a_frame_and_a_log(tmp_path: Path) -> None:
    file = tmp_path / "tally.csv"
    file.write_text(TALLY)
    log = diagnose.Log(tmp_path / "log")
    import_tally(log, file)
    found = [diagnose.estimate(one) for one in (file, pd.read_csv(file), log)]
    assert len({one.unprotected for one in found}) == 1
    assert found[0].unprotected.value == 0.5 and found[0].change is not None
    assert found[0].change.value == pytest.approx(0.25)  # by hand: of each four trees one was browsed, then two


def test_a_log_is_the_one_that_the_command_opens(tmp_path: Path) -> None:
    log = diagnose.Log(tmp_path / "log")
    saved = log.keep(diagnose.judge({"wound": "severed_shoot"}), site="north", lat=46.1, lon=-71.6)
    assert list(open_log(tmp_path / "log").observations()["id"]) == [saved.id]
    assert list(log.frame(site="south")["id"]) == []
    placed = log.frame(geometry=True, site="north")
    assert (placed.geometry.x[0], placed.geometry.y[0], placed.crs.to_epsg()) == (-71.6, 46.1, 4326)
