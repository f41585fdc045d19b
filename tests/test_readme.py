"""What the README shows is what the tool prints."""

from __future__ import annotations

import re
import shlex

import pytest

from diagnose.cli import main
from tests.conftest import TOP

README = (TOP / "README.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"```console\n\$ diagnose (.*?)\n(.*?)```", README, re.DOTALL)


@pytest.mark.parametrize(("command", "output"), SHOWN)
def test_the_readmes_output_is_the_real_one(
    command: str, output: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(TOP)
    assert main(shlex.split(command)) == 0
    assert capsys.readouterr().out == output


def test_the_readme_shows_output_and_one_test_command() -> None:
    assert SHOWN
    assert len(re.findall(r"^python3 -m venv .*pytest$", README, re.MULTILINE)) == 1
