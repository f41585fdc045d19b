"""A log whose database was lost is told from an empty one, backed up, put back, and made anew from its photos."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image
from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

from diagnose.cannot_use import CannotSave, CannotUse
from diagnose.cli import main
from diagnose.fieldlog.backup import back_up, restore
from diagnose.fieldlog.place import copy_database
from diagnose.fieldlog.rebuild import rebuild
from diagnose.fieldlog.store import DATABASE, ORIGINALS, Log, open_log
from diagnose.fieldlog.tables import KINDS
from diagnose.fieldlog.verify import verify, verify_at
from tests.conftest import PHOTOS

CARD = PHOTOS / "twig_on_card" / "IMG_0016.jpg"


@pytest.fixture
def log(tmp_path: Path) -> Log:
    """A log with a photographed observation, one without a photo, a barrier and its check; closed."""
    made = open_log(tmp_path / "log")
    made.save_observation(CARD.read_bytes(), CARD.name, site="north", plant="17")
    made.save_observation(site="north", plant="18")
    barrier = made.save("barrier", site="north", form="cage", label="C1")
    made.save("check", barrier=barrier, day="2026-05-01", photo=b"no picture, kept all the same")
    made.engine.dispose()
    return made


def _folder(log: Log) -> Path:
    assert log.folder is not None
    return log.folder


def _gone(folder: Path) -> None:
    (folder / DATABASE).unlink()


def _emptied(folder: Path) -> None:
    (folder / DATABASE).write_bytes(b"")


def _without_tables(folder: Path) -> None:
    (folder / DATABASE).unlink()
    with sqlite3.connect(folder / DATABASE) as raw:
        raw.execute("create table bare (x)")
        raw.execute("drop table bare")


LOST = pytest.mark.parametrize("lose", [_gone, _emptied, _without_tables])


@LOST
@pytest.mark.parametrize("command", [["log", "list"], ["log", "list", "--json"], ["log", "verify"], ["upkeep", "list"],
                                     ["inbox", "list"],
                                     ["log", "import-photos", str(CARD.parent)], ["backup", "elsewhere"]])
def test_a_lost_database_beside_photos_is_said_and_nothing_is_started(
    log: Log, lose: Callable[[Path], None], command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = _folder(log)
    lose(folder)
    before = {each: each.stat().st_size for each in folder.rglob("*")}
    assert main([*command, "--log", str(folder)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "2 photos of it are there" in said
    assert "diagnose restore" in said and "diagnose rebuild" in said and "may be deleted" not in said
    assert {each: each.stat().st_size for each in folder.rglob("*")} == before


def test_a_database_that_is_gone_with_no_photo_but_its_write_ahead_log_left_is_lost_too(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    log.save_observation(site="a")
    shutil.copytree(tmp_path / "log", tmp_path / "torn")  # while it is open: its newest rows wait beside it
    (tmp_path / "torn" / DATABASE).unlink()
    with pytest.raises(CannotUse, match="is gone"):
        open_log(tmp_path / "torn")
    assert (tmp_path / "torn" / f"{DATABASE}-wal").stat().st_size > 0


def test_an_emptied_database_is_no_new_log_even_without_photos(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    log.save("tally", site="a", day="2026-04-01", plot="P1")
    log.engine.dispose()
    (tmp_path / DATABASE).write_bytes(b"")
    with pytest.raises(CannotUse, match="is empty"):
        open_log(tmp_path)


def test_originals_that_no_record_names_are_never_called_something_to_delete(tmp_path: Path) -> None:
    full, bare = open_log(tmp_path / "full"), open_log(tmp_path / "bare")
    full.save_observation(CARD.read_bytes())
    shutil.copytree(tmp_path / "full" / ORIGINALS, tmp_path / "bare" / ORIGINALS)
    found = verify(bare)
    assert len(found.unnamed) == 1 and not found.orphaned
    assert "diagnose rebuild" in str(found) and "delete" not in str(found)


def _spoilt(file: Path, table: str) -> int:
    """Fills a table's first page with rubbish; returns the page's number."""
    with sqlite3.connect(file) as raw:
        raw.execute("pragma wal_checkpoint(truncate)")
        page = int(raw.execute("select rootpage from sqlite_master where name = ?", (table,)).fetchone()[0])
        size = int(raw.execute("pragma page_size").fetchone()[0])
    raw.close()
    data = bytearray(file.read_bytes())
    data[(page - 1) * size:page * size] = b"\xaa" * size
    file.write_bytes(data)
    return page


# the pages are those that SQLite's own integrity check names
@pytest.mark.parametrize("table", ["observation", "history", "photo", "ix_observation_site"])
def test_verify_names_the_damaged_page_and_ends_with_an_error(
    log: Log, table: str, capsys: pytest.CaptureFixture[str]
) -> None:
    page = _spoilt(_folder(log) / DATABASE, table)
    assert main(["log", "verify", "--log", log.where]) == 1
    shown = capsys.readouterr()
    assert f"page {page}:" in shown.out.lower() and f"{table}: " in shown.out
    assert "diagnose restore" in shown.out and "Traceback" not in shown.out + shown.err


def test_verify_of_what_is_no_database_is_told_too(log: Log, capsys: pytest.CaptureFixture[str]) -> None:
    (_folder(log) / DATABASE).write_bytes(b"scribbled over" * 1000)
    assert main(["log", "verify", "--log", log.where]) == 1
    assert "not a database" in capsys.readouterr().out


def test_verify_of_a_damaged_log_still_compares_the_photos(log: Log) -> None:
    _spoilt(_folder(log) / DATABASE, "photo")
    place = next(each for each in (_folder(log) / ORIGINALS).rglob("*") if each.is_file())
    place.write_bytes(b"changed")
    found = verify_at(log.where)
    assert found.damaged and found.changed == [place.name] and found.photos == 2


def _records(log: Log) -> list[list[dict[str, object]]]:
    return [json.loads(log.records(kind, deleted=True).to_json(orient="records")) for kind in KINDS]


@LOST
def test_a_backup_is_a_log_and_puts_back_what_was_lost(
    log: Log, tmp_path: Path, lose: Callable[[Path], None], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["backup", str(tmp_path / "disk" / "copy"), "--log", log.where]) == 0
    before = _records(open_log(log.where))
    assert _records(open_log(tmp_path / "disk" / "copy", make=False)) == before
    lose(_folder(log))
    shutil.rmtree(_folder(log) / ORIGINALS)
    assert main(["restore", str(tmp_path / "disk" / "copy"), "--log", log.where]) == 0
    assert "4 records and 2 photos" in capsys.readouterr().out
    assert _records(open_log(log.where)) == before and verify(open_log(log.where)).good


def test_a_backup_takes_in_what_waits_beside_the_database_while_another_writes(log: Log, tmp_path: Path) -> None:
    other = open_log(log.where)
    kept = other.save_observation(site="still open").id
    back_up(open_log(log.where), tmp_path / "copy")
    assert open_log(tmp_path / "copy").observation(kept)["site"] == "still open"


def test_a_second_backup_brings_the_first_up_to_date(log: Log, tmp_path: Path) -> None:
    back_up(open_log(log.where), tmp_path / "copy")
    place = next(each for each in (tmp_path / "copy" / ORIGINALS).rglob("*") if each.is_file())
    first = place.stat().st_mtime_ns
    open_log(log.where).save_observation(b"another", site="south")
    assert str(back_up(open_log(log.where), tmp_path / "copy")).startswith("5 records and 3 photos")
    assert place.stat().st_mtime_ns == first  # what is there is not written again
    assert verify(open_log(tmp_path / "copy")).good


def test_a_backup_is_not_put_over_another_log_nor_over_more_than_the_log_has(log: Log, tmp_path: Path) -> None:
    open_log(tmp_path / "other").save("site", name="another's")
    with pytest.raises(CannotUse, match="another log"):
        back_up(open_log(log.where), tmp_path / "other")
    back_up(open_log(log.where), tmp_path / "copy")
    open_log(tmp_path / "copy").save("site", name="only in the backup")
    with pytest.raises(CannotUse, match="lacks"):
        back_up(open_log(log.where), tmp_path / "copy")
    for folder in (log.where, f"{log.where}/inside", str(tmp_path)):
        with pytest.raises(CannotUse, match="own folder"):
            back_up(open_log(log.where), folder)
    (tmp_path / "file").write_text("x")
    with pytest.raises(CannotUse):
        back_up(open_log(log.where), tmp_path / "file")


def test_a_damaged_database_is_not_put_over_a_good_backup(log: Log, tmp_path: Path) -> None:
    back_up(open_log(log.where), tmp_path / "copy")
    opened = open_log(log.where)
    opened.engine.dispose()
    _spoilt(_folder(log) / DATABASE, "ix_observation_site")
    with pytest.raises(CannotUse, match="damaged"):
        back_up(opened, tmp_path / "copy")
    assert verify(open_log(tmp_path / "copy")).good


def test_restoring_keeps_the_damaged_database_and_tells_of_later_photos(log: Log, tmp_path: Path) -> None:
    back_up(open_log(log.where), tmp_path / "copy")
    later = open_log(log.where)
    later.save_observation((PHOTOS / "twig_on_card" / "IMG_0000.jpg").read_bytes(), "later.jpg")
    later.engine.dispose()
    _spoilt(_folder(log) / DATABASE, "observation")
    damaged = (_folder(log) / DATABASE).read_bytes()
    done = restore(tmp_path / "copy", log.where)
    assert done.aside is not None and done.aside.read_bytes() == damaged
    assert done.unnamed == 1 and "diagnose rebuild" in str(done)
    assert rebuild(log.where).saved == 1
    found = open_log(log.where).observations()
    assert len(found) == 3 and verify(open_log(log.where)).good


def test_a_whole_log_is_never_put_aside_for_a_backup_and_a_bad_backup_never_used(log: Log, tmp_path: Path) -> None:
    back_up(open_log(log.where), tmp_path / "copy")
    with pytest.raises(CannotUse, match="whole"):
        restore(tmp_path / "copy", log.where)
    _spoilt(tmp_path / "copy" / DATABASE, "observation")
    with pytest.raises(CannotUse, match="damaged itself"):
        restore(tmp_path / "copy", tmp_path / "new")
    for nothing in (tmp_path / "nowhere", PHOTOS, tmp_path):
        with pytest.raises(CannotUse, match="no backup"):
            restore(nothing, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@LOST
def test_a_log_is_made_anew_from_its_photos_with_their_place_and_time(
    log: Log, lose: Callable[[Path], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """Place and time against Pillow's own EXIF reader."""
    lose(_folder(log))
    assert main(["rebuild", "--log", log.where, "--by", "AB"]) == 0
    said = capsys.readouterr().out
    assert "1 photos became observations" in said and "1 refused" in said and "kept" in said
    found = open_log(log.where).observations()
    exif = Image.open(CARD).getexif()
    degrees, minutes, seconds = (float(part) for part in exif.get_ifd(0x8825)[2])
    sign = 1 if exif.get_ifd(0x8825)[1] == "N" else -1
    assert found["lat"][0] == pytest.approx(sign * (degrees + minutes / 60 + seconds / 3600), abs=1e-6)
    assert found["taken_at"][0][:10] == exif.get_ifd(0x8769)[0x9003][:10].replace(":", "-")
    assert open_log(log.where).original(found["photo"][0]) == CARD.read_bytes()
    assert main(["rebuild", "--log", log.where]) == 0  # again: nothing twice
    assert "0 photos became observations" in capsys.readouterr().out and len(open_log(log.where).observations()) == 1


def test_rebuilding_a_newer_versions_log_or_where_no_photo_is_changes_nothing(log: Log, tmp_path: Path) -> None:
    with sqlite3.connect(_folder(log) / DATABASE) as raw:
        raw.execute("update alembic_version set version_num = '9999'")
    raw.close()
    with pytest.raises(CannotUse, match="newer"):
        rebuild(log.where)
    with pytest.raises(CannotUse, match="no original"):
        rebuild(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


def test_a_log_on_a_server_tells_the_commands_that_back_it_up_and_put_it_back(postgresql: str, tmp_path: Path) -> None:
    """The commands are run as they are told, by PostgreSQL's own programs."""
    names = ("first", "second")
    with create_engine(postgresql).connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        for name in names:
            connection.execute(text(f"drop database if exists browse_{name}"))
            connection.execute(text(f"create database browse_{name}"))
    first, second = (postgresql.replace("@/postgres", f"@/browse_{name}") for name in names)
    kept = open_log(first).save_observation(b"photo", site="north").id
    with pytest.raises(CannotUse) as backup:
        back_up(open_log(first), tmp_path / "copy")
    with pytest.raises(CannotUse) as back:
        restore(tmp_path, second)
    for said in (backup, back):
        line = str(said.value).split(": ", 1)[1]
        subprocess.run(line, shell=True, check=True, cwd=tmp_path)
    again = open_log(second, make=False)
    assert again.original(again.observation(kept)["photo"]) == b"photo"


def test_every_kind_of_record_can_be_deleted_found_and_undeleted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = open_log(tmp_path / "log")
    barrier = log.save("barrier", site="north", form="cage", label="C1")
    seen = log.save_observation(site="north").id
    fields = {
        "site": {"name": "north"}, "visit": {"site": "north", "day": "2026-04-01"}, "plot": {"site": "north", "name": "P1"},
        "plant": {"site": "north", "tag": "17"}, "check": {"barrier": barrier, "day": "2026-05-01"},
        "tally": {"site": "north", "day": "2026-04-01", "plot": "P1"}, "sender": {"address": "ada@example.org"},
        "submission": {"key": "k1", "about": "oak"},
    }
    ids = {"barrier": barrier, "observation": seen, **{kind: log.save(kind, **told) for kind, told in fields.items()}}
    log.add_photo(seen, b"far")
    ids["picture"] = log.records("picture")["id"][0]
    assert set(ids) == set(KINDS)
    at = ["--log", str(tmp_path / "log")]
    for kind, name in ids.items():
        assert main(["log", "delete", name[:8], *at, "--by", "AB"]) == 0
        assert "log undelete" in capsys.readouterr().out
        assert name not in set(log.records(kind)["id"])
        assert main(["log", "list", *at, "--deleted"]) == 0
        assert name[:8] in capsys.readouterr().out
        assert main(["log", "undelete", name[:8], *at]) == 0
        assert capsys.readouterr().out.lower().startswith(kind)
        assert name in set(log.records(kind)["id"])
        assert [each["change"] for each in log.record(kind, name)["history"]] == ["saved", "deleted", "restored"]


class _Full:
    """A database whose copy finds no room: what SQLite says where a disk is full (SQLITE_FULL)."""

    def backup(self, _copy: sqlite3.Connection) -> None:
        raise sqlite3.OperationalError("database or disk is full")


def test_a_disk_without_room_for_a_copy_or_a_new_log_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CannotSave, match="full"):
        copy_database(_Full(), tmp_path / "copy.sqlite")  # type: ignore[arg-type]

    def full(*_given: object) -> None:
        raise OperationalError("commit", None, sqlite3.OperationalError("database or disk is full"))

    monkeypatch.setattr("diagnose.fieldlog.store.make_whole", full)
    with pytest.raises(CannotSave, match="is full"):
        open_log(tmp_path / "log")
