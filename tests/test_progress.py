"""What takes long says on a terminal how far it is and how long it will still take; what is quick says nothing."""

from __future__ import annotations

import io
from collections.abc import Callable

import pytest

from diagnose.cli import progress as told
from diagnose.progress import counted


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Moves the clock on by so many seconds."""
    at = [0.0]
    monkeypatch.setattr(told, "monotonic", lambda: at[0])

    def pass_by(seconds: float) -> None:
        at[0] += seconds

    return pass_by


def _worked(clock: Callable[[float], None], each_s: float) -> None:
    for _ in counted(range(4), told.Progress().of_step("measuring")):
        clock(each_s)


def test_the_time_left_is_that_of_what_is_left_at_the_pace_so_far(
    clock: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = _Terminal()
    monkeypatch.setattr("sys.stderr", out)
    _worked(clock, 50.0)  # 4 things of 50 s: after the first, 150 s are left
    lines = [line.strip() for line in out.getvalue().split("\r")[1:]]
    assert lines[0] == "measuring: 1 of 4, 2 min 30 s left" and lines[-1] == "measuring: 4 of 4, 0 min 0 s left"
    assert out.getvalue().endswith("\n")


def test_what_is_done_within_two_seconds_says_nothing(
    clock: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = _Terminal()
    monkeypatch.setattr("sys.stderr", out)
    _worked(clock, 0.45)
    assert out.getvalue() == ""


def test_a_file_gets_no_progress(
    clock: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = io.StringIO()
    monkeypatch.setattr("sys.stderr", out)
    _worked(clock, 50.0)
    assert out.getvalue() == ""


def test_a_step_of_unknown_length_counts_and_its_line_can_be_ended(
    clock: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = _Terminal()
    monkeypatch.setattr("sys.stderr", out)
    say = told.Progress()
    clock(3.0)
    say("taking in", 1, 0)
    clock(3.0)
    say("taking in", 7, 0)
    say.end()
    say.end()
    assert out.getvalue().split("\r")[-1].rstrip(" \n") == "taking in: 7" and out.getvalue().count("\n") == 1
