"""What a device keeps in its drawer stays for a season after it was opened last, and no longer."""

from __future__ import annotations

import os
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from diagnose.screens import drawer

DAY = 86_400


def _age(folder: Path, days: float) -> None:
    """Makes a folder and all in it so old [day]."""
    for one in (*folder.rglob("*"), folder):
        os.utime(one, (then := time.time() - days * DAY, then))


@pytest.fixture
def drawers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DIAGNOSE_LOG", str(tmp_path))
    return tmp_path / "drawers"


def _visit(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A device comes anew: a session of its own, with the cookie that it was given."""
    told = SimpleNamespace(context=SimpleNamespace(cookies={drawer.COOKIE: name}), session_state={})
    monkeypatch.setattr(drawer, "st", told)


def test_drawers_that_nobody_opened_for_a_season_go_and_no_others(drawers: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for device in ("a" * 32, "b" * 32, "c" * 32):
        _visit(monkeypatch, device)
        drawer.keep("wound", {"of": device})
        drawer.keep_file(device.encode())
    for one in drawers.iterdir():
        _age(one, 110 if "b" * 32 in (one / "wound.json").read_text() else 130)
    (drawers / "not ours").mkdir()
    _age(drawers / "not ours", 500)
    _visit(monkeypatch, "c" * 32)
    assert drawer.kept("wound") == {"of": "c" * 32}  # opened, though nothing was changed
    drawer.clear_out()
    assert (drawers / "not ours").is_dir() and len(list(drawers.iterdir())) == 3
    for device, there in (("a" * 32, False), ("b" * 32, True), ("c" * 32, True)):
        _visit(monkeypatch, device)
        assert bool(drawer.kept("wound")) is there


def test_where_there_is_no_drawer_there_is_none_to_clear_out(drawers: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _visit(monkeypatch, "a" * 32)
    assert drawer.kept("wound") == {}
    drawer.clear_out()
    assert not drawers.exists()
