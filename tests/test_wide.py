"""An analyst gets one column a quantity and one its sigma, and every column is described once."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from diagnose.cli import main
from diagnose.diagnosis import diagnose_answers
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.wide import columns, wide
from diagnose.signs import parse_signs

SIGNS = {"wound": "severed_shoot", "end_diameter_mm": {"value": 6.5, "sigma": 0.25}, "bark_loss": {"low": 0.2, "high": 0.6},
         "end_form": {"clean": 0.7, "half": 0.2, "torn": 0.1}, "droppings": ["round_pea", "none"]}


@pytest.fixture
def log(tmp_path: Path) -> Log:
    """Two observations: one with every sort of sign, one of which nothing is known."""
    log = open_log(tmp_path / "log")
    save_diagnosis(log, diagnose_answers(parse_signs(SIGNS)), site="north", plant="T7", lat=46.1, lon=-71.6)
    log.save_observation(site="south")
    return log


def test_a_number_its_sigma_its_limits_and_shares_each_have_a_column(log: Log) -> None:
    told = wide(log.observations()).set_index("site")
    row, bare = told.loc["north"], told.loc["south"]
    assert (row["end_diameter_mm"], row["end_diameter_mm_sigma"]) == (6.5, 0.25)
    assert (row["bark_loss_low"], row["bark_loss_high"]) == (0.2, 0.6) and pd.isna(row["bark_loss"])
    assert (row["end_form"], row["p_end_form_clean"], row["p_end_form_torn"]) == ("clean", 0.7, 0.1)
    assert (row["wound"], row["droppings"]) == ("severed_shoot", "round_pea+none")
    assert bare[[name for name in told if name in SIGNS]].isna().all() and pd.isna(bare["p_deer"])


def test_the_columns_of_culprits_hold_the_verdicts_own_probabilities(log: Log) -> None:
    row = wide(log.observations(columns=("site", "signs", "verdict"))).set_index("site").loc["north"]
    verdict = diagnose_answers(parse_signs(SIGNS)).verdict
    assert row["p_deer"] == pytest.approx(verdict.groups["deer"], abs=1e-3)
    assert row["p_roe_deer"] == pytest.approx(verdict.culprits["roe_deer"], abs=1e-3)
    assert sum(row[f"p_{group}"] for group in verdict.groups) == pytest.approx(1, abs=2e-3)


def test_an_older_name_counts_for_what_it_means_now() -> None:
    rows = pd.DataFrame({"signs": ["{}"], "verdict": [json.dumps({"culprits": {"moose_browsing": 0.75, "hare": 0.25}})]})
    row = wide(rows).iloc[0]
    assert (row["p_moose"], row["p_deer"], row["p_hare"], row["p_rabbit_or_hare"]) == (0.75, 0.75, 0.25, 0.25)


def test_every_column_is_described_and_none_twice(log: Log) -> None:
    told = wide(log.observations())
    assert list(told) == [name for name in columns() if name not in ("generalised", "withheld")]
    assert all(column.words.strip() for column in columns().values())
    assert all(column.unit for name, column in columns().items() if name.endswith(("_mm", "_deg", "_mm_sigma")))


@pytest.mark.parametrize("name", ["plain.csv", "plain.geojson", "plain.gpkg"])
def test_the_plain_table_reads_back_from_each_format(name: str, log: Log, tmp_path: Path) -> None:
    file = tmp_path / name
    assert main(["log", "export", str(file), "--wide", "--exact", "--log", log.where]) == 0
    if name.endswith(".csv"):
        told = pd.read_csv(file)
    else:
        import pyogrio  # a reader of its own: GDAL

        told = pyogrio.read_dataframe(file)
    row = told.set_index("site").loc["north"]
    assert (row["end_diameter_mm"], row["end_diameter_mm_sigma"]) == (6.5, 0.25)
    assert 0 < row["p_deer"] < 1 and "signs" not in told


@pytest.mark.parametrize("name", ["plain.gpx", "plain.zip"])
def test_a_format_that_cannot_hold_the_plain_table_is_refused(name: str, log: Log, tmp_path: Path) -> None:
    assert main(["log", "export", str(tmp_path / name), "--wide", "--log", log.where]) == 2
    assert not (tmp_path / name).exists()


def test_a_public_plain_table_is_coarse(log: Log, tmp_path: Path) -> None:
    file = tmp_path / "public.csv"
    assert main(["log", "export", str(file), "--wide", "--log", log.where]) == 0
    told = pd.read_csv(file).set_index("site")
    assert told.loc["north", "lat"] == 46.105 and "plant" not in told and told["withheld"].notna().all()
