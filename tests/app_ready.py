"""An app that starts from a process in which all that it needs is loaded: a start takes a tenth of the processor time.

The command and the server run as they do for a person, in a fork of that process. Tests that share the app, serve it over
https or from a folder with secrets start `python -m diagnose.cli app` itself.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import time
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, NoReturn

import pytest

TOP = Path(__file__).parent.parent


def started(words: list[str], told: Path, around: dict[str, str]) -> BaseProcess:
    """A running `diagnose` with these words after it. told : the file that gets what it says. around :
    its environment."""
    forks = multiprocessing.get_context("forkserver")
    forks.set_forkserver_preload(["tests.app_loaded", __name__])
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(TOP))  # where the process that is forked, started by the first call, finds that
        begun = sys.modules["__main__"]  # pytest, of which the app needs nothing
        patch.setattr(begun, "__spec__", None)
        patch.delattr(begun, "__file__", raising=False)
        process = forks.Process(target=_run, args=(words, told, around))
        process.start()
    return process


def _run(words: list[str], told: Path, around: dict[str, str]) -> NoReturn:
    os.environ.clear()
    os.environ |= around
    os.chdir(TOP)
    for stream, file in ((1, str(told)), (2, os.devnull)):
        os.dup2(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), stream)
    if rest := os.environ.get("DIAGNOSE_TEST_REST_S"):
        _rested(float(rest))
    os.execv = _serve  # where the command would let the server take its place
    from diagnose.cli import main

    sys.exit(main(words))


def _rested(rest_s: float) -> None:
    """Each photo takes so much longer to measure, as on a slow machine."""
    from diagnose.inbox import work

    look = work._look

    def later(*asked: str) -> dict[str, Any]:
        time.sleep(rest_s)
        return look(*asked)

    work._look = later


def _serve(_program: str, command: list[str]) -> NoReturn:
    from streamlit.web.cli import main

    sys.argv = ["streamlit", *command[3:]]  # after python -m streamlit
    sys.exit(main(prog_name="streamlit"))
