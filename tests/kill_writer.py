"""Writes to a log and is killed, again and again; prints what each writer had reported until then.

Run as: kill_writer.py FOLDER KILLS SEED ORDER. One JSON line a kill: the writer's reports in order. ORDER is
`right`, or a write order broken on purpose: `row first` (the row before its photo) or `said first` (the answer
before the row).
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Any

from sqlalchemy import event

from diagnose.fieldlog import originals, store


def write(folder: str, order: str, seed: int, report: Callable[[str], None]) -> None:
    """Saves and corrects observations for ever, reporting each step: what it begins, and what it has been told."""
    chance = random.Random(seed)
    keep = originals.keep

    def keep_reported(place: Any, data: bytes) -> str:
        report("photo")
        digest = keep(place, data)
        report("photo kept")
        return digest

    if order == "row first":
        store.Log._keep_file = lambda self, data: hashlib.sha256(data).hexdigest()  # type: ignore[method-assign]
    else:
        originals.keep = keep_reported
    log = store.open_log(folder)
    report("open")
    event.listen(log.engine, "begin", lambda connection: _report_writer(connection, report))
    number = 0
    while True:
        number += 1
        photo = chance.randbytes(chance.randint(1_000, 300_000))
        digest = hashlib.sha256(photo).hexdigest()
        if order == "said first":
            report(f"saved {digest} {digest}")
        name = log.save_observation(photo, "invented.jpg", site="invented", by="AB").id
        if order == "row first":
            keep_reported(log.folder / store.ORIGINALS, photo)  # type: ignore[operator]
        if order != "said first":
            report(f"saved {name} {digest}")
        if number % 2 == 0:
            report(f"changed {log.correct(name, by='CD', note=f'seen {number}')} {number}")


def _report_writer(connection: Any, report: Callable[[str], None]) -> None:
    if connection.get_execution_options().get("writing"):
        report("transaction")


def main(folder: str, kills: int, seed: int, order: str) -> None:
    chance = random.Random(seed)
    for kill in range(kills):
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                write(folder, order, seed * 100_003 + kill, partial(_send, writing))
            except BaseException as problem:
                _send(writing, f"failed {problem!r}")
            os._exit(1)
        os.close(writing)
        reports = _until_killed(child, reading, chance)
        os.close(reading)
        print(json.dumps(reports), flush=True)


def _send(pipe: int, line: str) -> None:
    os.write(pipe, line.replace("\n", " ").encode() + b"\n")


def _until_killed(child: int, pipe: int, chance: random.Random) -> list[str]:
    """What the child reported until it was killed, at a random moment after a random number of its reports."""
    said = b""
    wanted = chance.randint(0, 14)  # none: it may still be opening the log
    while said.count(b"\n") < wanted and (more := os.read(pipe, 65536)):
        said += more
    time.sleep(chance.uniform(0, 0.03))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while more := os.read(pipe, 65536):
        said += more
    return said.decode().split("\n")[:-1]


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
