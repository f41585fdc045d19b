"""An older log is upgraded after a backup and keeps everything; a fresh one has the same tables."""

import sqlite3
from collections.abc import Callable
from pathlib import Path

from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, text

from diagnose.fieldlog.migrate import SHAPES, upgrade
from diagnose.fieldlog.store import DATABASE, open_log
from diagnose.fieldlog.tables import Base


def _first_shape(address: str) -> None:
    """A log of the first shape with one observation, saved and twice corrected."""
    with create_engine(address).begin() as connection:
        upgrade(connection, SHAPES[0])
        connection.execute(text(
            "insert into observation (id, saved_at, taken_local, site, plant, species, \"by\", note, photo_role, signs, "
            "verdict, barrier, catalogue, deleted) values ('5c7a2f64-9f4c-4a7e-8f5c-0d9a3a1b2c3d', '2026-01-05T10:00:00', "
            "false, 'west', '17', '', 'AB', '', 'close-up', '{\"wound\":\"severed_shoot\"}', '{}', '{}', '1', false)"
        ))
        for number, change, before in ((1, "saved", "{}"), (2, "corrected", '{"site":"east"}'),
                                       (3, "corrected", '{"site":"north"}')):
            connection.execute(text(
                "insert into history (id, observation, at, \"by\", change, before) values "
                f"('5c7a2f64-9f4c-4a7e-8f5c-00000000000{number}', '5c7a2f64-9f4c-4a7e-8f5c-0d9a3a1b2c3d', "
                f"'2026-01-0{number + 4}T10:00:00.000000', 'CD', '{change}', :before)"
            ), {"before": before})


def _address(place: str) -> str:
    if "://" in place:
        return place
    Path(place).mkdir()
    return f"sqlite:///{place}/{DATABASE}"


def test_an_older_log_keeps_its_observations_and_their_history(place: Callable[[str], str]) -> None:
    _first_shape(_address(place("old")))
    log = open_log(place("old"))
    found = log.observation("5c7a2f64")
    assert (found["site"], found["plot"], found["signs"]) == ("west", "", {"wound": "severed_shoot"})
    assert [(each["before"], each["after"]) for each in found["history"]] == [
        ({}, {}), ({"site": "east"}, {"site": "north"}), ({"site": "north"}, {"site": "west"})]
    log.correct("5c7a2f64", by="EF", site="south")
    again = open_log(place("old")).observation("5c7a2f64")
    assert again["site"] == "south" and again["disputes"] == {}


def test_the_older_log_is_backed_up_before_it_is_changed(tmp_path: Path) -> None:
    _first_shape(_address(str(tmp_path / "old")))
    open_log(tmp_path / "old")
    backups = list((tmp_path / "old").glob("log.before-0001-*.sqlite"))
    assert len(backups) == 1
    with sqlite3.connect(backups[0]) as raw:
        assert raw.execute("select site from observation").fetchall() == [("west",)]
        assert raw.execute("select version_num from alembic_version").fetchall() == [("0001",)]
    open_log(tmp_path / "old")
    assert len(list((tmp_path / "old").glob("log.before-*.sqlite"))) == 1


def test_an_upgraded_log_has_the_tables_of_a_fresh_one(place: Callable[[str], str]) -> None:
    _first_shape(_address(place("old")))
    for name in ("old", "fresh"):
        log = open_log(place(name))
        with log.engine.connect() as connection:
            assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
