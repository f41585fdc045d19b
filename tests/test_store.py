"""What is logged stays logged."""

import os
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.originals import keep, path_of
from diagnose.fieldlog.query import distance_m
from diagnose.fieldlog.store import DATABASE, ORIGINALS, Query, open_log

Place = Callable[[str], str]


def test_an_observation_is_found_again_in_a_log_that_was_closed(place: Place) -> None:
    saved = open_log(place("log")).save_observation(photo=b"bytes", photo_name="a.jpg", site="north slope", plant="17")
    again = open_log(place("log")).observation(saved.id)
    assert (again["site"], again["plant"]) == ("north slope", "17")
    assert open_log(place("log")).original(again["photo"]) == b"bytes"


def test_the_same_photo_saved_twice_is_one_observation_with_a_message(place: Place) -> None:
    log = open_log(place("log"))
    first, second = log.save_observation(photo=b"same"), log.save_observation(photo=b"same")
    assert first.new and not second.new and second.id == first.id
    assert "already" in second.message
    assert len(log.observations()) == 1


# SHA-256 of "abc": FIPS 180-2, appendix B.1
def test_an_original_lies_under_its_sha256(tmp_path: Path) -> None:
    digest = keep(tmp_path, b"abc")
    assert digest == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert path_of(tmp_path, digest).read_bytes() == b"abc"
    assert not [name for _, _, names in os.walk(tmp_path) for name in names if name.startswith(".part-")]


def test_a_correction_keeps_who_when_and_what_stood_before(place: Place) -> None:
    log = open_log(place("log"))
    saved = log.save_observation(site="east", by="AB")
    log.correct(saved.id[:8], by="CD", site="west", named="vole_surface")
    found = log.observation(saved.id)
    assert (found["site"], found["named"]) == ("west", "vole_surface")
    changes = found["history"]
    assert [change["change"] for change in changes] == ["saved", "corrected"]
    assert changes[1]["by"] == "CD" and changes[1]["before"] == {"site": "east", "named": None}


def test_deletion_is_a_mark(place: Place) -> None:
    log = open_log(place("log"))
    saved = log.save_observation(photo=b"x")
    log.delete(saved.id, by="AB")
    assert log.observations().empty
    assert len(log.observations(Query(deleted=True))) == 1
    assert log.original(log.observation(saved.id)["photo"]) == b"x"


def test_a_row_that_cannot_be_written_leaves_no_half_saved_observation(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    with pytest.raises(Exception, match=r".") as said:
        log.save_observation(photo=b"y", signs={"bad": object()})
    assert said.value is not None
    assert log.observations().empty
    with sqlite3.connect(tmp_path / DATABASE) as raw:
        assert raw.execute("select count(*) from photo").fetchone() == (0,)
        assert raw.execute("select count(*) from history").fetchone() == (0,)


def test_the_photo_is_on_the_disk_before_the_row_that_names_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = open_log(tmp_path)
    monkeypatch.setattr("diagnose.fieldlog.originals.os.replace", _disk_full)
    with pytest.raises(CannotUse, match="free space"):
        log.save_observation(photo=b"z")
    assert log.observations().empty
    assert not [name for _, _, names in os.walk(tmp_path / ORIGINALS) for name in names]


def _disk_full(*_: object) -> None:
    raise OSError(28, "No space left on device")


def test_a_log_held_by_another_program_is_refused_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = open_log(tmp_path)
    other = sqlite3.connect(tmp_path / DATABASE, isolation_level=None)
    other.execute("begin immediate")
    monkeypatch.setattr("diagnose.fieldlog.engines.durable", lambda *_: None)
    with log.engine.connect() as connection:
        connection.exec_driver_sql("pragma busy_timeout=50")
    with pytest.raises(CannotUse, match="another program"):
        log.save_observation(site="a")
    other.execute("rollback")
    assert log.save_observation(site="a").new


def test_a_newer_log_and_a_file_that_is_no_log_are_refused(tmp_path: Path) -> None:
    open_log(tmp_path / "new")
    with sqlite3.connect(tmp_path / "new" / DATABASE) as raw:
        raw.execute("update alembic_version set version_num = '9999'")
    with pytest.raises(CannotUse, match="newer version"):
        open_log(tmp_path / "new")
    (tmp_path / "odd").mkdir()
    (tmp_path / "odd" / DATABASE).write_bytes(b"not a database at all" * 200)
    with pytest.raises(CannotUse, match="is no log"):
        open_log(tmp_path / "odd")
    (tmp_path / "file").write_text("x")
    with pytest.raises(CannotUse, match="log folder"):
        open_log(tmp_path / "file" / "below")


def test_observations_are_filtered_by_site_culprit_date_and_box(place: Place) -> None:
    log = open_log(place("log"))
    log.save_observation(site="a", leading="rabbit", taken_at="2026-01-05T10:00:00", lat=46.0, lon=-71.0)
    log.save_observation(site="b", leading="deer_browsing", taken_at="2026-03-05T10:00:00", lat=47.0, lon=-72.0)
    assert list(log.observations(Query(site="a"))["leading"]) == ["rabbit"]
    assert list(log.observations(Query(leading="deer_browsing"))["site"]) == ["b"]
    assert list(log.observations(Query(since="2026-02-01"))["site"]) == ["b"]
    assert list(log.observations(Query(until="2026-01-05"))["site"]) == ["a"]
    assert list(log.observations(Query(box=(45.5, 46.5, -71.5, -70.5)))["site"]) == ["a"]


def test_an_unknown_id_or_field_gets_one_line(place: Place) -> None:
    log = open_log(place("log"))
    attempts = (lambda: log.observation("zz"), lambda: log.observation(""), lambda: log.save_observation(colour="x"))
    for attempt in attempts:
        with pytest.raises(CannotUse) as said:
            attempt()
        assert "\n" not in str(said.value)


def test_whatever_is_saved_corrected_or_deleted_counts_as_a_change_of_the_log(place: Place) -> None:
    log, told = open_log(place("changes")), []
    told.append(log.changes())
    own = log.save("tally", site="s", day="2026-05-04", plot="1", tree="1", entry={"browsed": "1"})
    told.append(log.changes())
    log.save_many("tally", [{"site": "s", "day": "2026-05-04", "plot": "1", "tree": "2", "entry": {}}])
    told.append(log.changes())
    log.correct(own, "AB", "tally", entry={"browsed": "0"})
    told.append(log.changes())
    log.delete(own, "AB", "tally")
    told.append(log.changes())
    assert told == sorted(set(told))


def test_every_kind_of_record_is_kept_with_its_history(place: Place) -> None:
    log = open_log(place("log"))
    square = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]]}
    kept = {
        "site": {"name": "north", "boundary": square},
        "visit": {"site": "north", "day": "2026-03-09", "role": "check"},
        "plot": {"site": "north", "name": "P1", "area_m2": 50.0},
        "plant": {"site": "north", "plot": "P1", "tag": "17", "height_mm": 640.0, "bearing_deg": 85.0, "distance_m": 2.4},
        "barrier": {"site": "north", "plant": "17", "form": "tree shelter", "built": "2026-04-01"},
    }
    for kind, fields in kept.items():
        name = log.save(kind, by="AB", **fields)
        found = open_log(place("log")).record(kind, name)
        assert {field: found[field] for field in fields} == fields
        assert [change["change"] for change in found["history"]] == ["saved"]
    plant = log.records("plant", tag="17")["id"][0]
    log.correct(plant, by="CD", kind="plant", height_mm=655.0)
    assert log.record("plant", plant)["history"][1]["before"] == {"height_mm": 640.0}


def test_further_photos_have_their_role(place: Place) -> None:
    log = open_log(place("log"))
    saved = log.save_observation(photo=b"close")
    log.add_photo(saved.id, b"far", role="whole plant", by="AB")
    found = log.observation(saved.id)
    assert [each["role"] for each in found["pictures"]] == ["whole plant"]
    assert log.original(found["pictures"][0]["photo"]) == b"far"


def test_a_deleted_observation_can_be_restored(place: Place) -> None:
    log = open_log(place("log"))
    saved = log.save_observation(site="a")
    log.delete(saved.id, by="AB")
    log.restore(saved.id, by="AB")
    assert len(log.observations()) == 1
    assert [each["change"] for each in log.observation(saved.id)["history"]] == ["saved", "deleted", "restored"]


@pytest.mark.parametrize("wrong", [{"lat": 91.0}, {"lon": "east"}, {"taken_at": "yesterday"}, {"error_m": -1},
                                   {"photo_role": "portrait"}, {"signs": {"a": float("nan")}}, {"signs": [1]}])
def test_what_cannot_be_true_is_refused_in_one_line(place: Place, wrong: dict) -> None:
    log = open_log(place("log"))
    with pytest.raises(CannotUse) as said:
        log.save_observation(**wrong)
    assert "\n" not in str(said.value)
    assert log.observations(Query(deleted=True)).empty


# Quebec to Levis: 46.8139 N 71.2080 W to 46.8033 N 71.1779 W, 2.58 km by the haversine formula worked by hand:
# 1.179 km north-south, 2.291 km east-west
def test_what_lies_near_a_point_is_found_by_its_distance(place: Place) -> None:
    log = open_log(place("log"))
    log.save_observation(site="here", lat=46.8139, lon=-71.2080)
    log.save_observation(site="across", lat=46.8033, lon=-71.1779)
    log.save_observation(site="nowhere")
    assert list(log.observations(Query(near=(46.8139, -71.2080, 2540.0)))["site"]) == ["here"]
    assert set(log.observations(Query(near=(46.8139, -71.2080, 2620.0)))["site"]) == {"here", "across"}


def test_a_box_and_a_circle_may_cross_the_180th_meridian(place: Place) -> None:
    log = open_log(place("log"))
    log.save_observation(site="west", lat=-17.0, lon=179.99)
    log.save_observation(site="east", lat=-17.0, lon=-179.99)
    log.save_observation(site="far", lat=-17.0, lon=0.0)
    assert set(log.observations(Query(box=(-18, -16, 179, -179)))["site"]) == {"west", "east"}
    assert {each.site for each in log.window(-18, -16, 179, -179)} == {"west", "east"}
    assert set(log.observations(Query(near=(-17.0, 179.995, 5000.0)))["site"]) == {"west", "east"}


def test_a_log_in_a_folder_that_cannot_be_written_is_refused_in_one_line(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    log.save_observation(site="a")
    with log.engine.connect() as connection:
        connection.exec_driver_sql("pragma query_only=on")
    with pytest.raises(CannotUse, match="can be written"):
        log.save_observation(site="b")


def test_a_full_disk_is_told_and_loses_nothing(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    kept = log.save_observation(site="a").id
    with log.engine.connect() as connection:  # SQLite's own limit stands for the disk's
        pages = connection.exec_driver_sql("pragma page_count").scalar_one()
        connection.exec_driver_sql(f"pragma max_page_count={pages}")
    with pytest.raises(CannotUse, match="full"):
        for _ in range(200):
            log.save_observation(site="b", note="long " * 1000)
    assert open_log(tmp_path / "log").observation(kept)["site"] == "a"


def test_an_address_that_is_no_postgresql_is_refused_in_one_line() -> None:
    for address in ("mysql+nothing://x", "sqlite:///x.db", "postgresql+psycopg://nobody@/x?host=/nowhere"):
        with pytest.raises(CannotUse) as said:
            open_log(address)
        assert "\n" not in str(said.value)


def test_two_who_save_the_same_photo_at_once_make_one_observation(place: Place) -> None:
    open_log(place("log"))
    with ThreadPoolExecutor(4) as crews:
        saved = list(crews.map(lambda _: open_log(place("log")).save_observation(photo=b"same"), range(4)))
    assert len({each.id for each in saved}) == 1 and sum(each.new for each in saved) == 1
    assert len(open_log(place("log")).observations()) == 1


def test_a_text_that_is_missing_leaves_the_log_as_none_beside_others_that_are_there(place: Place) -> None:
    log = open_log(place("log"))
    log.save("submission", key="a", named="hare", received_at="2026-03-01")
    log.save("submission", key="b")
    told = log.records("submission").set_index("key")
    assert told.loc["b", "named"] is None and told.loc["b", "received_at"] is None
    assert told.loc["a", "named"] == "hare"
    assert [row["named"] for row in log.records("submission").to_dict("records")] == ["hare", None]


@pytest.mark.parametrize("asked", [
    {"since": "yesterday"}, {"until": "2025-13-01"}, {"box": (47.0, 46.0, -71.0, -70.0)}, {"box": (46.0, 47.0, -71.0)},
    {"near": (91.0, 0.0, 10.0)}, {"near": (float("nan"), 0.0, 10.0)}, {"near": (46.0, -71.0, -1.0)},
    {"near": (46.0, -71.0, float("inf"))}, {"box": (46.0, float("nan"), -71.0, -70.0)},
])  # fmt: skip
def test_a_query_for_what_cannot_be_is_refused_where_it_is_made(asked: dict[str, Any]) -> None:
    with pytest.raises(CannotUse):
        Query(**asked)


# Flinders Peak to Buninyong, the worked example of Vincenty's formula in the Geocentric Datum of Australia technical manual
# (from memory): 54,972.271 m on GRS 80, which differs from WGS 84 by less than a millimetre here
def test_distances_are_those_of_a_surveyors_worked_example() -> None:
    def degrees(whole: int, minutes: int, seconds: float) -> float:
        return whole + minutes / 60 + seconds / 3600

    far = distance_m(-degrees(37, 57, 3.72030), degrees(144, 25, 29.52440),
                     pd.Series([-degrees(37, 39, 10.15610)]), pd.Series([degrees(143, 55, 35.38390)]))
    assert far[0] == pytest.approx(54_972.271, abs=0.01)
