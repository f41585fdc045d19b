"""A phone that dies while records are kept loses none that it told as kept; `tests.pocket_kills` tries it for longer."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.conftest import TOP, chromium, missing


@pytest.mark.slow
def test_browser_and_tab_killed_while_records_are_kept_lose_none_that_was_told_as_kept() -> None:
    if chromium() is None:
        missing("a Chromium browser")
    # a process of its own: two of the libraries that drive a browser do not run side by side
    done = subprocess.run([sys.executable, "-m", "tests.pocket_kills", "--records", "6", "--kills", "2"], cwd=TOP,
                          capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-600:]
    assert " 0 wrong" in done.stdout
