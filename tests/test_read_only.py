"""A log on a disk that cannot be written is listed, exported and merged from; a full disk is told by name."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.store import DATABASE, open_log
from tests.conftest import missing
from tests.test_migrate import _first_shape
from tests.warm import Warm, warm

Medium = Callable[[Path], Path]


@pytest.fixture
def medium(tmp_path: Path) -> Iterator[Medium]:
    """Gives a read-only disk with a copy of a folder: a file system in memory of our own, mounted so."""
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "none", str(disk)], capture_output=True).returncode:
        missing("the right to mount a disk")

    def copied(folder: Path) -> Path:
        shutil.copytree(folder, disk / "log")
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        return disk / "log"

    yield copied
    subprocess.run(["umount", "-l", str(disk)], check=True)


def _log(folder: Path, kept_open: list[object]) -> None:
    log = open_log(folder)
    with log.engine.connect() as connection:
        connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    log.save_observation(b"photo", site="north", plant="17")
    kept_open.append(log)


def _closed(folder: Path, kept_open: list[object]) -> None:
    _log(folder, kept_open)
    kept_open.pop().engine.dispose()  # type: ignore[attr-defined]


def _in_use(folder: Path, kept_open: list[object]) -> None:
    _log(folder, kept_open)  # the newest rows wait in the write-ahead log


def _without_its_index(folder: Path, kept_open: list[object]) -> None:
    _log(folder, kept_open)
    other = folder.with_name("copied")
    shutil.copytree(folder, other, ignore=shutil.ignore_patterns("*-shm"))
    shutil.rmtree(folder)
    other.rename(folder)


def _older(folder: Path, kept_open: list[object]) -> None:
    folder.mkdir()
    _first_shape(f"sqlite:///{folder}/{DATABASE}")
    with sqlite3.connect(folder / DATABASE) as raw:
        raw.execute("update observation set site = 'north'")
        raw.execute("pragma journal_mode=wal")
    raw.close()


@pytest.mark.parametrize("made", [_closed, _in_use, _without_its_index, _older])
def test_a_log_on_a_read_only_disk_is_listed_exported_packed_merged_from_and_backed_up(
    tmp_path: Path, medium: Medium, made: Callable[[Path, list[object]], None], capsys: pytest.CaptureFixture[str]
) -> None:
    kept_open: list[object] = []
    made(tmp_path / "made", kept_open)
    at = ["--log", str(medium(tmp_path / "made"))]
    assert main(["log", "list", *at, "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["observations"]
    assert row["site"] == "north" and row["plant"] == "17"
    assert main(["log", "list", *at]) == 0 and "north" in capsys.readouterr().out
    assert main(["log", "export", str(tmp_path / "out.csv"), *at, "--exact"]) == 0
    assert "north" in (tmp_path / "out.csv").read_text()
    assert main(["log", "verify", *at]) == 0
    assert main(["upkeep", "list", *at]) == 0
    for other in (["log", "merge", at[1]], ["backup"], None):
        into = tmp_path / f"into-{other and other[0]}"
        if other is None:
            assert main(["log", "pack", *at, str(tmp_path / "out.pack")]) == 0
            assert main(["log", "merge", str(tmp_path / "out.pack"), "--log", str(into)]) == 0
        elif other == ["backup"]:
            assert main(["backup", str(into), *at]) == 0
        else:
            assert main([*other, "--log", str(into)]) == 0
        assert list(open_log(into, make=False).observations()["plant"]) == ["17"]


@pytest.fixture(scope="module")
def another() -> Iterator[Warm]:
    """The command as somebody runs it who has only the rights that a file gives him, whoever runs the tests."""
    bare: list[str] = []
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            missing("setpriv, to put the superuser's own rights aside")
        without = "-dac_override,-dac_read_search"
        bare = ["setpriv", f"--bounding-set={without}", f"--inh-caps={without}"]
    with warm(*bare) as ready:
        yield ready


@pytest.mark.parametrize("made", [_in_use, _older, pytest.param(_closed, marks=pytest.mark.slow),
                                  pytest.param(_without_its_index, marks=pytest.mark.slow)])
def test_a_log_in_a_folder_that_only_its_owner_may_write_is_listed_verified_and_merged_from(
    tmp_path: Path, another: Warm, made: Callable[[Path, list[object]], None]
) -> None:
    kept_open: list[object] = []
    made(tmp_path / "made", kept_open)
    shutil.copytree(tmp_path / "made", tmp_path / "theirs")
    for each in (tmp_path / "theirs", *(tmp_path / "theirs").rglob("*")):
        each.chmod(0o555 if each.is_dir() else 0o444)
    at = ["--log", str(tmp_path / "theirs")]
    told = another.run("log", "list", *at)
    assert told.returncode == 0 and b"north" in told.stdout, told.stderr
    told = another.run("log", "verify", *at)
    assert told.returncode == 0 and b"damaged" not in told.stdout, told.stdout
    assert another.run("log", "merge", at[1], "--log", str(tmp_path / "mine")).returncode == 0
    assert list(open_log(tmp_path / "mine", make=False).observations()["plant"]) == ["17"]
    told = another.run("upkeep", "register", "cage", *at)
    assert told.returncode == 2 and b"can only be read" in told.stderr and told.stderr.count(b"\n") == 1
    (tmp_path / "theirs" / DATABASE).chmod(0)
    for command in ("list", "verify"):
        told = another.run("log", command, *at)
        assert told.returncode == 2 and b"may not be read" in told.stderr and told.stderr.count(b"\n") == 1


def test_saving_on_a_read_only_disk_is_refused_in_one_line_that_says_what_to_do(tmp_path: Path, medium: Medium) -> None:
    _without_its_index(tmp_path / "made", [])
    log = open_log(medium(tmp_path / "made"))
    works: list[Callable[[], object]] = [
        lambda: log.save_observation(site="a"), lambda: log.save_observation(b"photo"),
        lambda: log.delete(log.observations()["id"][0])]
    for work in works:
        with pytest.raises(CannotUse, match=r"only be read.*backup") as said:
            work()
        assert "\n" not in str(said.value)
    assert list(log.observations()["plant"]) == ["17"]


def test_a_new_log_on_a_read_only_disk_is_refused_in_one_line(tmp_path: Path, medium: Medium) -> None:
    (tmp_path / "made").mkdir()
    with pytest.raises(CannotUse, match="cannot be made"):
        open_log(medium(tmp_path / "made") / "new")


@pytest.mark.parametrize("name", ["out.csv", "out.geojson", "out.gpkg", "out.gpx", "out.zip", "out.pack"])
def test_what_does_not_fit_on_a_full_disk_is_named_and_leaves_nothing(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16k", "none", str(disk)], capture_output=True).returncode:
        missing("the right to mount a disk")
    try:
        log = open_log(tmp_path / "log")
        log.save_observations({"lat": 46.0, "lon": -71.0, "note": f"{number:x}" * 40} for number in range(3_000))
        how = ["pack"] if name.endswith("pack") else ["export", "--exact"]
        assert main(["log", *how, str(disk / name), "--log", str(tmp_path / "log")]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1 and str(disk / name) in said and ("space" in said or "full" in said)
        assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)
