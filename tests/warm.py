"""The command, run in a fork of a process in which its libraries are loaded: a start takes a tenth of the processor time.

Every run is a process of its own that reads and writes the pipes or files that it is given, and ends as the command does.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path

TOP = Path(__file__).parent.parent
LOADED = (
    "diagnose.cli.progress", "diagnose.diagnosis", "diagnose.fieldlog.exchange", "diagnose.fieldlog.merge",
    "diagnose.fieldlog.verify", "diagnose.inbox.work", "diagnose.report.card_sheet", "diagnose.report.plan_sheet",
    "diagnose.survey.summary", "diagnose.upkeep.due", "diagnose.upkeep.register",
)


class Warm:
    """Runs `diagnose` with given words, one run at a time."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end

    def run(self, *words: str, data: bytes = b"", cwd: Path = TOP) -> subprocess.CompletedProcess[bytes]:
        """What it wrote, read from pipes, and its exit code. data : on its standard input. cwd : where it runs."""
        given, told, complaint = os.pipe(), os.pipe(), os.pipe()
        socket.send_fds(self._end, [json.dumps([*words, str(cwd)]).encode()], [given[0], told[1], complaint[1]])
        for handed in (given[0], told[1], complaint[1]):
            os.close(handed)
        with ThreadPoolExecutor() as beside:
            beside.submit(_feed, given[1], data)
            told_all, complained = (beside.submit(_read, end) for end in (told[0], complaint[0]))
        return subprocess.CompletedProcess(words, int(self._end.recv(16)), told_all.result(), complained.result())


def _feed(end: int, data: bytes) -> None:
    with suppress(BrokenPipeError), os.fdopen(end, "wb") as into:
        into.write(data)


def _read(end: int) -> bytes:
    with os.fdopen(end, "rb") as told:
        return told.read()


@contextmanager
def warm(*before: str) -> Iterator[Warm]:
    """A process that is ready to run the command. before : a program, with its words, that starts it."""
    ours, theirs = socket.socketpair()
    with ours, theirs, subprocess.Popen([*before, sys.executable, "-m", "tests.warm", str(theirs.fileno())], cwd=TOP,
                                        pass_fds=[theirs.fileno()]) as process:
        theirs.close()
        yield Warm(ours)
        ours.close()
        process.wait(60)


def _serve(end: socket.socket) -> None:
    import gc
    from importlib import import_module

    for name in LOADED:
        import_module(name)
    gc.freeze()
    while True:
        asked, streams, _, _ = socket.recv_fds(end, 1 << 20, 3)
        if not asked:
            return
        child = os.fork()
        if not child:
            end.close()
            for place, stream in enumerate(streams):
                os.dup2(stream, place)
                os.close(stream)
            *words, cwd = json.loads(asked)
            os.chdir(cwd)
            from diagnose.cli import main

            sys.exit(main(words))
        for stream in streams:
            os.close(stream)
        end.send(str(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])).encode())


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
