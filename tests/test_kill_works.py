"""Whatever is killed while it merges, upgrades, backs up, restores or rebuilds: nothing that was acknowledged is lost.

Killed inside the work or just after it, in a process of its own; what the work left is opened, looked at, and the work done
again. DIAGNOSE_KILLS=200 makes it 200 kills of these works together (the writer and the inbox have tests of their own).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.backup import back_up, restore
from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.rebuild import rebuild
from diagnose.fieldlog.store import DATABASE, open_log
from diagnose.fieldlog.tables import KINDS
from diagnose.fieldlog.verify import verify, verify_at
from tests.conftest import PHOTOS
from tests.test_migrate import _first_shape

KILLS = -(-int(os.environ.get("DIAGNOSE_KILLS", "15")) // 5)  # of each work
SEED = os.environ.get("DIAGNOSE_SEED", "3")  # of the moments at which they are killed
PICTURES = [each.read_bytes() for each in sorted((PHOTOS / "twig_on_card").glob("*.jpg"))[:6]]

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be forked and killed here")

Records = dict[str, tuple[str, str | None]]


def _written(folder: Path, by: str) -> Records:
    """A log with photos, corrections and other records, closed; what it must keep: id -> note or site, photo."""
    log, kept = open_log(folder), {}
    for number, picture in enumerate(PICTURES):
        own = log.save_observation(picture + by.encode() * number, f"{number}.jpg", site=by, by=by).id
        log.correct(own, by=by, note=f"note {number}")
        kept[own] = (f"note {number}", log.observation(own)["photo"])
    log.save_many("tally", [{"site": by, "day": "2026-04-01", "plot": f"P{number}"} for number in range(100)])
    kept |= {name: ("", None) for name in log.records("tally")["id"]}
    log.engine.dispose()
    return kept


def _lost(folder: Path, kept: Records) -> list[str]:
    log = open_log(folder, make=False)
    there = {row["id"]: (row["note"], row.get("photo")) for kind in KINDS for row in log.records(kind).to_dict("records")}
    found = verify(log)
    bad = [f"{name}: {there.get(name)}" for name, (note, photo) in kept.items()
           if name not in there or there[name][0] != note or (photo is not None and there[name][1] != photo)]
    log.engine.dispose()
    return bad + found.missing + found.changed + found.without_history + found.damaged


def _each(work: str, folder: Path, begun: Path) -> list[tuple[Path, bool]]:
    """Copies what each kill begins with, kills, and gives each folder and whether its work had said that it was done."""
    for name in ["whole", *map(str, range(KILLS))]:
        shutil.copytree(begun, folder / name)
    command = [sys.executable, str(Path(__file__).parent / "kill_works.py"), work, str(folder), str(KILLS), SEED]
    told = subprocess.run(command, capture_output=True, text=True)
    assert told.returncode == 0, told.stderr
    lines = [json.loads(line) for line in told.stdout.splitlines()]
    assert len(lines) == KILLS and sum(line["done"] for line in lines) <= KILLS / 2
    return [(folder / str(line["kill"]), line["done"]) for line in lines]


def test_a_merge_that_is_killed_leaves_all_of_it_or_nothing_and_is_done_again(tmp_path: Path) -> None:
    mine, theirs = _written(tmp_path / "begun" / "log", "AB"), _written(tmp_path / "begun" / "other", "CD")
    for folder, done in _each("merge", tmp_path / "kills", tmp_path / "begun"):
        assert _lost(folder / "log", mine) == [] and _lost(folder / "other", theirs) == []
        here = set(open_log(folder / "log").records("tally")["id"])
        assert not done or _lost(folder / "log", theirs) == []
        assert here >= theirs.keys() & here and len(here) in (100, 200)
        merge(open_log(folder / "log"), folder / "other")
        assert _lost(folder / "log", mine | theirs) == []


def test_an_upgrade_that_is_killed_keeps_every_observation_and_goes_on(tmp_path: Path) -> None:
    (tmp_path / "begun" / "log").mkdir(parents=True)
    _first_shape(f"sqlite:///{tmp_path}/begun/log/{DATABASE}")
    for folder, _ in _each("upgrade", tmp_path / "kills", tmp_path / "begun"):
        found = open_log(folder / "log").observation("5c7a2f64")
        assert (found["site"], len(found["history"])) == ("west", 3) and verify_at(folder / "log").good
        copies = list((folder / "log").glob("log.before-*.sqlite"))
        assert copies  # each whole: one that was cut off has no such name
        for copy in copies:
            restore(copy, folder / f"from {copy.name}")
            assert open_log(folder / f"from {copy.name}").observation("5c7a2f64")["site"] == "west"


def test_a_backup_that_is_killed_leaves_the_earlier_backup_or_the_new_one(tmp_path: Path) -> None:
    kept = _written(tmp_path / "begun" / "log", "AB")
    back_up(open_log(tmp_path / "begun" / "log"), tmp_path / "begun" / "backup")
    more = _written(tmp_path / "begun" / "log", "EF")
    for folder, done in _each("backup", tmp_path / "kills", tmp_path / "begun"):
        assert _lost(folder / "log", kept | more) == []
        assert _lost(folder / "backup", kept | more if done else kept) == []
        back_up(open_log(folder / "log"), folder / "backup")
        assert _lost(folder / "backup", kept | more) == []


def _damaged_log(folder: Path) -> None:
    (folder / DATABASE).write_bytes(b"scribbled over " * 5_000)


def _emptied_log(folder: Path) -> None:
    (folder / DATABASE).write_bytes(b"")


LOSE = pytest.mark.parametrize("lose", [_damaged_log, _emptied_log])


def _tells_that_it_is_lost(folder: Path) -> bool:
    """Does the log refuse to be read as an empty one?"""
    try:
        return len(open_log(folder).records("tally")) > 0
    except CannotUse:
        return True


@LOSE
def test_a_restore_that_is_killed_never_leaves_an_empty_log_and_is_done_again(
    tmp_path: Path, lose: Callable[[Path], None]
) -> None:
    kept = _written(tmp_path / "begun" / "log", "AB")
    back_up(open_log(tmp_path / "begun" / "log"), tmp_path / "begun" / "backup")
    lose(tmp_path / "begun" / "log")
    for folder, done in _each("restore", tmp_path / "kills", tmp_path / "begun"):
        assert _lost(folder / "backup", kept) == []
        assert _tells_that_it_is_lost(folder / "log")
        if not done:
            try:
                restore(folder / "backup", folder / "log")
            except CannotUse as reason:
                assert "is whole" in str(reason)  # killed after it had taken its place
        assert _lost(folder / "log", kept) == []


def test_a_rebuilding_that_is_killed_never_leaves_an_empty_log_and_is_done_again(tmp_path: Path) -> None:
    kept = _written(tmp_path / "begun" / "log", "AB")
    _damaged_log(tmp_path / "begun" / "log")
    photos = {photo for _, photo in kept.values() if photo is not None}
    for folder, done in _each("rebuild", tmp_path / "kills", tmp_path / "begun"):
        try:
            assert set(open_log(folder / "log").observations()["photo"]) == photos
        except CannotUse:
            assert not done
        rebuild(folder / "log")
        assert set(open_log(folder / "log").observations()["photo"]) == photos and verify_at(folder / "log").good
