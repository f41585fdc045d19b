"""A tenth of what `python -m tests.broken` reads: nothing broken stops the tool or costs what lies beside it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from diagnose.fieldlog.store import open_log
from tests.broken import MANY, OF_PICTURES, read_one, run, whole

SHARE, MEASURED = 10, 40  # a tenth of all is read; of the pictures every fortieth is measured, which takes most of the time


@pytest.mark.skipif(sys.platform != "linux", reason="the peak of memory is read from /proc")
@pytest.mark.parametrize(("kind", "many"), MANY.items())
def test_nothing_broken_stops_the_tool_takes_the_machine_or_costs_what_lies_beside_it(kind: str, many: int) -> None:
    assert len(OF_PICTURES) >= 10
    assert run(kind, "ci", many // SHARE, MEASURED) == []


@pytest.mark.parametrize("kind", MANY)
def test_what_is_broken_afterwards_is_read_while_it_is_whole(kind: str, tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    for name, data in whole(kind).items():
        (tmp_path / f"00001 {name}").write_bytes(data)
        read_one(kind, tmp_path / f"00001 {name}", log, False)
