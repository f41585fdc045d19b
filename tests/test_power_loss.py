"""What was acknowledged survives a power cut: replayed with the writes dropped that were not yet synced.

The replay cuts the write-ahead log anywhere behind what was synced at a commit, or fills the rest with rubbish, as a disk
may leave it. That SQLite's own calls reach the platters is SQLite's and the disk's word, and is not tested here.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from diagnose.fieldlog import originals
from diagnose.fieldlog.store import DATABASE, Log, open_log
from diagnose.fieldlog.verify import verify
from tests.conftest import PHOTOS

PHOTO = (PHOTOS / "twig_on_card" / "IMG_0016.jpg").read_bytes()


def _written(log: Log, folder: Path, records: int) -> list[tuple[int, str]]:
    """Saves records one by one; gives the length of the write-ahead log at each acknowledgement, and the id."""
    with log.engine.connect() as connection:
        connection.exec_driver_sql("pragma wal_autocheckpoint=0")
        connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    acknowledged = []
    for number in range(records):
        name = log.save_observation(PHOTO + bytes([number]) if number % 5 == 0 else None, plant=str(number)).id
        log.correct(name, note=f"note {number}")
        acknowledged.append(((folder / f"{DATABASE}-wal").stat().st_size, name))
    return acknowledged


def test_every_acknowledged_record_stands_after_the_unsynced_writes_are_lost(tmp_path: Path) -> None:
    folder, chance = tmp_path / "log", np.random.default_rng(8)
    writer = open_log(folder)  # held open: closing it would move the write-ahead log into the database
    acknowledged = _written(writer, folder, 40)
    whole = (folder / f"{DATABASE}-wal").read_bytes()
    assert acknowledged[-1][0] == len(whole) and acknowledged[0][0] > 0  # nothing was moved into the database meanwhile
    for turn in range(60):
        cut = int(chance.integers(acknowledged[0][0], len(whole)))
        replayed = tmp_path / "replayed"
        shutil.copytree(folder, replayed, ignore=shutil.ignore_patterns("*-wal", "*-shm"))
        rubbish = chance.bytes(len(whole) - cut) if turn % 2 else b""
        (replayed / f"{DATABASE}-wal").write_bytes(whole[:cut] + rubbish)
        log = open_log(replayed)
        rows = log.observations().set_index("id")
        promised = [name for length, name in acknowledged if length <= cut]
        assert promised and set(promised) <= set(rows.index)
        for number, name in enumerate(promised):
            assert rows.loc[name, "note"] == f"note {number}"
            assert len(log.observation(name)["history"]) == 2
        told = verify(log)
        assert not told.missing and not told.changed
        log.engine.dispose()
        with sqlite3.connect(replayed / DATABASE) as raw:
            assert raw.execute("pragma integrity_check").fetchone() == ("ok",)
        shutil.rmtree(replayed)
    writer.engine.dispose()


def test_a_photos_bytes_and_name_are_synced_before_its_row_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = open_log(tmp_path / "log")
    synced: list[str] = []
    real = os.fsync

    def fsync(handle: int) -> None:
        real(handle)
        synced.append(os.readlink(f"/proc/self/fd/{handle}"))

    monkeypatch.setattr(os, "fsync", fsync)
    kept: list[tuple[int, int]] = []
    keep = originals.keep

    def watched(folder: Path, photo: bytes) -> str:
        digest = keep(folder, photo)
        with sqlite3.connect(tmp_path / "log" / DATABASE) as raw:
            kept.append((len(synced), raw.execute("select count(*) from photo").fetchone()[0]))
        return digest

    monkeypatch.setattr(originals, "keep", watched)
    log.save_observation(PHOTO)
    ((count, rows),) = kept
    assert rows == 0 and count >= 2  # the file and its folder, before any row names it
    place = originals.path_of(tmp_path / "log" / "originals", log.observations()["photo"][0])
    assert any(Path(name).parent == place.parent or Path(name) == place for name in synced[:count])
    assert any(Path(name) == place.parent for name in synced[:count])
