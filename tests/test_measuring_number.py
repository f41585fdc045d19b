"""What an older measuring measured is measured again, once, and nothing of it is lost."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, select, text

from diagnose.fieldlog.migrate import upgrade
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.tables import Looked
from diagnose.inbox import work
from diagnose.inbox.intake import Message, Photo
from diagnose.knowledge import read_yaml
from diagnose.measure import number
from tests import bundled_figures as bundled
from tests.conftest import PHOTOS

TWIG = PHOTOS / "twig_on_card" / "IMG_0016.jpg"
OTHER = PHOTOS / "twig_on_card" / "IMG_0020.jpg"


def _with_two_letters(folder: Path) -> Log:
    """A log with two letters, measured and judged, of which the second was answered."""
    log = open_log(folder)
    letters = [Message(f"sent <{file.stem}>", f"{file.stem.lower()}@example.org", "Bo", (f"<{file.stem}>",),
                       datetime(2026, 5, day, tzinfo=UTC), words="Who did it?",
                       photos=(Photo(file.name, file.read_bytes()),))
               for day, file in ((1, TWIG), (20, OTHER))]
    work.take_in(log, letters)
    work.measure(log, workers=1)
    work.judge(log, workers=1)
    rows = log.records("submission").sort_values("saved_at").to_dict("records")
    log.correct(rows[1]["id"], "AB", "submission", answer="agree", answered_at="2026-05-21T10:00:00")
    return log


def _kept(log: Log) -> list[tuple[str, str]]:
    with log.reading() as session:
        return sorted((row.number, row.sha256) for row in session.scalars(select(Looked)))


def test_a_raised_number_measures_every_photo_once_more_and_keeps_what_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = _with_two_letters(tmp_path)
    assert work.measure(log, workers=1) == 0
    before = _kept(log)
    monkeypatch.setattr(number, "NUMBER", number.NUMBER + 1)
    new = {"measured": {"end_form": {"clean": 0.1, "half": 0.2, "torn": 0.7}}, "not_measured": {}, "remarks": [],
           "taken": {}, "plane": None, "size": [1, 1]}
    monkeypatch.setattr(work, "look_at", lambda data, name: new)
    answered = log.records("submission").set_index("answer").loc["agree", "verdict"]
    assert work.measure(log, workers=1) == 2
    assert work.measure(log, workers=1) == 0
    assert _kept(log) == sorted([*before, *((number.measuring(), digest) for _, digest in before)])
    digest = before[0][1]
    assert work.looked(log, [digest])[digest] == new
    # who waits for an answer is judged anew, what was answered stays as it was
    assert work.judge(log, workers=1) == 1
    rows = log.records("submission").set_index("answer")
    assert rows.loc["agree", "verdict"] == answered
    assert rows.loc["", "signs"]["end_form"]["torn"] == 0.7


def test_until_a_photo_is_measured_again_what_was_measured_last_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = _with_two_letters(tmp_path)
    digest = _kept(log)[0][1]
    before = work.looked(log, [digest])
    monkeypatch.setattr(number, "NUMBER", number.NUMBER + 1)
    assert work.looked(log, [digest]) == before and "measured" in before[digest]


def test_other_weights_are_another_measuring_and_without_any_there_is_the_number_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(number, "WEIGHTS", tmp_path / "none")
    assert number.measuring() == str(number.NUMBER)
    told = set()
    for content in (b"one", b"two"):
        place = tmp_path / content.decode()
        place.mkdir()
        (place / "map.onnx.gz").write_bytes(content)
        monkeypatch.setattr(number, "WEIGHTS", place)
        told.add(number.measuring())
    assert len(told) == 2 and all(one.startswith(f"{number.NUMBER}-") and len(one) <= 24 for one in told)


def test_an_older_log_keeps_its_measurements_under_the_number_they_had(tmp_path: Path) -> None:
    tmp_path.joinpath("old").mkdir()
    with create_engine(f"sqlite:///{tmp_path}/old/log.sqlite").begin() as connection:
        upgrade(connection, "0006")
        connection.execute(text("insert into looked (sha256, version, found) values ('ab', '0.1.0', '{\"size\": [1, 2]}')"))
    log = open_log(tmp_path / "old")
    assert _kept(log) == [("0.1.0", "ab")]
    found: dict[str, Any] = work.looked(log, ["ab"])
    assert found == {"ab": {"size": [1, 2]}}


def test_no_figure_of_the_bundled_photos_changes_while_the_number_stays() -> None:
    """The kept figures are our own output: they are compared to notice a change, and prove nothing else."""
    kept = read_yaml(bundled.FILE)
    assert kept["number"] == number.NUMBER, "write the figures anew: python -m tests.bundled_figures"
    told = list(bundled.changed(bundled.bundled_figures(), kept["figures"], kept["elsewhere"]))
    assert not told, "\n".join(["raise NUMBER in diagnose/measure/number.py, then python -m tests.bundled_figures:", *told])


def test_a_figure_that_moves_by_a_fifth_of_its_sigma_or_comes_or_goes_is_a_change() -> None:
    kept = {"a": {"x": {"value": 10.0, "sigma": 1.0}, "y": {"clean": 0.9, "torn": 0.1}, "z": {"low": 0.2, "high": 0.9}}}
    assert not list(bundled.changed(kept, kept, {}))
    for other in ({"x": {"value": 10.2, "sigma": 1.0}}, {"x": {"value": 10.0, "sigma": 1.2}},
                  {"y": {"clean": 0.86, "torn": 0.14}}, {"z": {"low": 0.25, "high": 0.9}}):
        assert len(list(bundled.changed({"a": {**kept["a"], **other}}, kept, {}))) == 1
        (name, figure), = other.items()
        assert not list(bundled.changed({"a": {**kept["a"], **other}}, kept, {"a": {name: [figure]}}))
    assert len(list(bundled.changed({"a": {}}, kept, {}))) == 3
    assert len(list(bundled.changed(kept, {}, {}))) == 3
