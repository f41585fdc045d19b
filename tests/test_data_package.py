"""A table goes out with a description that a validator of data packages holds it to."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from diagnose.cli import main
from diagnose.diagnosis import diagnose_answers, diagnose_photo
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.wide import columns
from diagnose.signs import parse_signs
from tests.conftest import PHOTOS


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Log:
    """A measured photo, answers, and words that a careless table would break on."""
    log = open_log(tmp_path_factory.mktemp("log"))
    save_diagnosis(log, diagnose_photo(PHOTOS / "twig_on_card" / "IMG_0016.jpg"), site="north", note='a "b", c\nd; =1+1')
    save_diagnosis(log, diagnose_answers(parse_signs({"wound": "bark_gnawed"})), site="Łódź", taken_at="2026-04-01")
    log.save_observation()
    return log


@pytest.mark.parametrize("exact", [True, False])
def test_a_validator_finds_the_package_whole_and_every_column_of_its_type(exact: bool, log: Log, tmp_path: Path) -> None:
    import frictionless

    place = tmp_path / "datapackage.json"
    assert main(["log", "export", str(place), *(["--exact"] if exact else []), "--log", log.where]) == 0
    report = frictionless.validate(str(place))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    fields = json.loads(place.read_text("utf-8"))["resources"][0]["schema"]["fields"]
    assert all(field["description"] == columns()[field["name"]].words + (
        f" [{columns()[field['name']].unit}]" if columns()[field["name"]].unit else "") for field in fields)


def test_a_cell_of_another_type_is_seen(log: Log, tmp_path: Path) -> None:
    import frictionless

    place = tmp_path / "datapackage.json"
    assert main(["log", "export", str(place), "--exact", "--log", log.where]) == 0
    table = tmp_path / "observations.csv"
    rows = pd.read_csv(table, dtype=str, keep_default_na=False)
    rows.assign(end_diameter_mm="thick").to_csv(table, index=False)
    assert not frictionless.validate(str(place)).valid
