"""The invented planting hangs together: what was made up is what the tool finds, and it is marked as made up."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.demo import INVENTED, lay
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.verify import verify
from diagnose.knowledge import knowledge
from diagnose.screens.start import PAGES
from diagnose.survey.summary import summarise
from diagnose.survey.tally import read_tally
from tests.conftest import TOP


@pytest.fixture(scope="module")
def laid(planting_in_use: Path) -> tuple[Path, Log]:
    return planting_in_use, open_log(planting_in_use)


def test_every_record_says_that_it_is_invented(laid: tuple[Path, Log]) -> None:
    folder, log = laid
    assert log.observations()["note"].str.contains(INVENTED).all()
    assert log.records("barrier")["note"].str.contains(INVENTED).all()
    assert "invented" in log.records("site")["name"].iloc[0]
    assert INVENTED in (folder / "READ ME.txt").read_text()
    assert all(INVENTED in letter.read_text() for letter in (folder / "inbox").glob("*.eml"))


def test_most_wounds_are_judged_to_be_by_the_animal_that_was_made_up(laid: tuple[Path, Log]) -> None:
    _, log = laid
    rows = log.observations()
    parts = knowledge("diagnose.demo", "story.yaml")["parts"]
    fitting = {"upper": "deer", "middle": "rabbit_or_hare", "lower": "vole"}
    for part in parts:
        here = rows[rows["plot"].str.startswith(part[0].upper())]
        first = here["verdict"].map(lambda verdict: max(verdict["groups"], key=verdict["groups"].get))
        assert (first == fitting[part]).mean() > 0.8


def test_the_barriers_of_the_story_work_in_its_survey(laid: tuple[Path, Log]) -> None:
    folder, _ = laid
    trees, refused = read_tally(folder / "tally-2026.csv")
    assert refused == []
    before, _ = read_tally(folder / "tally-2025.csv")
    survey = summarise(trees, before).as_json()
    assert "inside" in survey["headline"]


def test_nothing_is_missing_from_the_log(laid: tuple[Path, Log]) -> None:
    assert verify(laid[1]).good


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(CannotUse, match="not empty"):
        lay(tmp_path)
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("page", [file for file, _, _, _ in PAGES])
def test_every_page_has_something_to_show_and_no_error(
    laid: tuple[Path, Log], page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    monkeypatch.setenv("DIAGNOSE_LOG", str(laid[0]))
    shown = AppTest.from_file(str(TOP / "diagnose" / "screens" / f"{page}.py"), default_timeout=120).run()
    assert [str(one.value) for one in (*shown.exception, *shown.error)] == []
    assert shown.title[0].value
