"""A writer that is killed at any moment loses nothing that it had reported as saved."""

import json
import os
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from diagnose.fieldlog.store import open_log
from diagnose.fieldlog.verify import verify

WRITER = Path(__file__).parent / "kill_writer.py"
KILLS = int(os.environ.get("DIAGNOSE_KILLS", "60"))
SEED = os.environ.get("DIAGNOSE_SEED", "7")  # of the moments at which it is killed

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be forked and killed here")


@dataclass
class Killed:
    """What the killed writers had reported. inside : kills inside a transaction or a photo's write."""

    kills: int = 0
    inside: int = 0
    failed: list[str] = field(default_factory=list)
    saved: dict[str, str] = field(default_factory=dict)
    changed: dict[str, str] = field(default_factory=dict)


def _killed(folder: Path, kills: int, order: str) -> Killed:
    found = Killed()
    command = [sys.executable, str(WRITER), str(folder), str(kills), SEED, order]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        for line in writer.stdout:
            reports = json.loads(line)
            found.kills += 1
            found.inside += bool(reports) and reports[-1] in ("photo", "transaction")
            for report in reports:
                what, *rest = report.split()
                if what == "failed":
                    found.failed.append(report)
                if what == "saved":
                    found.saved[rest[0]] = rest[1]
                if what == "changed":
                    found.changed[rest[0]] = f"seen {rest[1]}"
    return found


def _lost(folder: Path, reported: Killed) -> list[str]:
    """What was reported as saved and is not there whole: the record, its photo's bytes, its history."""
    log = open_log(folder)
    verified = verify(log)
    rows = log.records("observation")
    there = dict(zip(rows["id"], rows["photo"], strict=True))
    notes = dict(zip(rows["id"], rows["note"], strict=True))
    lost = [name for name, digest in reported.saved.items() if there.get(name) != digest]
    lost += [name for name, note in reported.changed.items() if notes.get(name) != note]
    for name, note in reported.changed.items():
        history = log.observation(name)["history"]
        if [each["change"] for each in history] != ["saved", "corrected"] or history[1]["after"] != {"note": note}:
            lost.append(f"history of {name}")
    return lost + verified.missing + verified.changed + verified.without_history + verified.damaged


@pytest.mark.parametrize("kills", [KILLS, pytest.param(220, marks=pytest.mark.slow)])
def test_a_writer_killed_again_and_again_loses_nothing_that_it_reported(tmp_path: Path, kills: int) -> None:
    reported = _killed(tmp_path / "log", kills, "right")
    assert reported.kills == kills
    assert reported.failed == []  # every next writer opened the log that the last one left
    assert reported.inside >= kills / 3, f"only {reported.inside} kills fell inside a write"
    assert len(reported.saved) > kills / 4 and reported.changed
    assert _lost(tmp_path / "log", reported) == []


@pytest.mark.parametrize("order", ["row first", pytest.param("said first", marks=pytest.mark.slow)])
def test_a_broken_write_order_is_noticed(tmp_path: Path, order: str) -> None:
    reported = _killed(tmp_path / "log", 30, order)
    assert _lost(tmp_path / "log", reported)
