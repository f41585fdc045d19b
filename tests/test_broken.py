"""A tenth of what `python -m tests.broken` reads: nothing broken stops the tool or costs what lies beside it."""

from __future__ import annotations

import sys

import pytest

from tests.broken import MANY, OF_PICTURES, run

SHARE, MEASURED = 10, 20  # a tenth of all is read; of the pictures every twentieth is measured, which takes most of the time


@pytest.mark.skipif(sys.platform != "linux", reason="the peak of memory is read from /proc")
@pytest.mark.parametrize(("kind", "many"), MANY.items())
def test_nothing_broken_stops_the_tool_takes_the_machine_or_costs_what_lies_beside_it(kind: str, many: int) -> None:
    assert len(OF_PICTURES) >= 10
    assert run(kind, "ci", many // SHARE, MEASURED) == []
