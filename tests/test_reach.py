"""A phone whose laptop is gone says so, keeps what was typed, and goes on by itself."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import TOP, drawn


def _serve(log: Path, port: int) -> subprocess.Popen[bytes]:
    running = subprocess.Popen(
        [sys.executable, "-m", "diagnose.cli", "app", "--port", str(port), "--log", str(log)], cwd=TOP,
        env=os.environ | {"PYTHONPATH": str(TOP)}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 60
    while time.monotonic() < until:
        with suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1):
            return running
        time.sleep(0.2)
    running.kill()
    pytest.fail("the app did not start within 60 s")


def test_a_page_whose_computer_is_gone_says_so_keeps_what_was_typed_and_goes_on_by_itself(
    browser: Any, tmp_path: Path
) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    running = _serve(tmp_path / "log", port)
    try:
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(f"http://127.0.0.1:{port}/send")
        page.locator("textarea").wait_for(timeout=60_000)
        drawn(page)
        page.locator("textarea").fill("typed before it went")
        running.terminate()
        running.wait(timeout=10)
        page.get_by_role("alert").get_by_text("out of reach").wait_for(timeout=30_000)
        page.wait_for_timeout(2_000)  # the framework's own message comes later
        assert not page.get_by_text("Connection error").is_visible()
        running = _serve(tmp_path / "log", port)
        page.get_by_role("alert").get_by_text("The computer is back.").wait_for(timeout=30_000)
        page.get_by_role("alert").wait_for(state="detached", timeout=30_000)
        assert page.locator("textarea").input_value() == "typed before it went"
        page.close()
    finally:
        running.terminate()
        running.wait(timeout=10)
