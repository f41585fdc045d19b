"""What README and guides show is what the tool prints; a line of three dots stands for lines that are left out."""

from __future__ import annotations

import re
import shlex

import pytest

from diagnose.cli import main
from tests.conftest import TOP

README = (TOP / "README.md").read_text(encoding="utf-8")
PAGES = [README, *(file.read_text("utf-8") for file in sorted((TOP / "diagnose" / "guide").glob("*.md")))]
SHOWN = [shown for page in PAGES for shown in re.findall(r"```console\n\$ diagnose (.*?)\n(.*?)```", page, re.DOTALL)]


@pytest.mark.parametrize(("command", "output"), SHOWN)
def test_the_readmes_output_is_the_real_one(
    command: str, output: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(TOP)
    assert main(shlex.split(command)) == 0
    printed = capsys.readouterr().out
    pieces = output.split("...\n")
    assert printed.startswith(pieces[0]) and printed.endswith(pieces[-1]) and len(pieces) <= 2
    assert len(pieces) == 2 or printed == output


def test_the_readme_shows_output_and_one_test_command() -> None:
    assert "```console" in README
    assert any("..." not in output for _, output in SHOWN)  # somewhere all of it is shown
    assert len(re.findall(r"^python3 -m venv .*pytest$", README, re.MULTILINE)) == 1
