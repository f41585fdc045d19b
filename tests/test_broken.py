"""A small share of what `python -m tests.broken` reads: nothing broken stops the tool or costs what lies beside it."""

from __future__ import annotations

import sys

import pytest

from tests.broken import MANY, OF_PICTURES, run


@pytest.mark.skipif(sys.platform != "linux", reason="the peak of memory is read from /proc")
@pytest.mark.parametrize("kind", MANY)
def test_nothing_broken_stops_the_tool_takes_the_machine_or_costs_what_lies_beside_it(kind: str) -> None:
    assert len(OF_PICTURES) >= 10
    assert run(kind, "ci", {"picture": 60, "mail": 25, "archive": 25, "text": 25}[kind]) == []
