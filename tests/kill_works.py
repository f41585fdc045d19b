"""Does one piece of work with logs and is killed at a random moment, again and again; prints what was said until then.

Run as: kill_works.py WORK FOLDER KILLS SEED, WORK being merge, upgrade, backup, restore or rebuild. One JSON line a kill:
its number, and whether the work had said that it was done. Each kill has its own folder, made by the test beforehand.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from diagnose.fieldlog.backup import back_up, restore
from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.rebuild import rebuild
from diagnose.fieldlog.store import open_log

WORKS: dict[str, Callable[[Path], object]] = {
    "merge": lambda folder: merge(open_log(folder / "log"), folder / "other"),
    "upgrade": lambda folder: open_log(folder / "log"),
    "backup": lambda folder: back_up(open_log(folder / "log"), folder / "backup"),
    "restore": lambda folder: restore(folder / "backup", folder / "log"),
    "rebuild": lambda folder: rebuild(folder / "log"),
}


# what the interpreter tells of a program's work with files, by its own audit events
EVENTS = {"open", "os.rename", "os.remove", "os.mkdir", "os.link", "sqlite3.connect"}


def _run(work: Callable[[Path], object], folder: Path, kill_at: int, delay_s: float) -> str:
    """What the work, in a process of its own, had said until it was killed: that it is done, after so many steps.

    kill_at : the step with a file of the folder at which it is killed, a delay later; 0 for never.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        steps = 0

        def watch(event: str, told: tuple[object, ...]) -> None:
            nonlocal steps
            if event in EVENTS and any(str(folder) in str(each) for each in told):
                steps += 1
                if steps == kill_at:
                    threading.Thread(target=_end, args=(delay_s,), daemon=True).start()

        sys.addaudithook(watch)
        try:
            work(folder)
            os.write(writing, f"done {steps}".encode())
        except BaseException as problem:
            os.write(writing, f"failed {problem!r}".encode())
        os._exit(0)
    os.close(writing)
    os.waitpid(child, 0)
    with os.fdopen(reading, "rb") as pipe:
        said = pipe.read().decode()
    if said.startswith("failed"):
        raise SystemExit(f"{folder}: {said}")
    return said


def _end(delay_s: float) -> None:
    time.sleep(delay_s)
    os.kill(os.getpid(), signal.SIGKILL)


def main(name: str, folder: str, kills: int, seed: int) -> None:
    chance = random.Random(seed)
    work = WORKS[name]
    steps = int(_run(work, Path(folder) / "whole", 0, 0.0).split()[1])
    for kill in range(kills):
        delay = chance.choice((0.0, chance.uniform(0, 0.02)))
        said = _run(work, Path(folder) / str(kill), chance.randint(1, steps), delay)
        print(json.dumps({"kill": kill, "done": said.startswith("done")}), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
