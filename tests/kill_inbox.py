"""Works off a pile and is killed, again and again; prints what each run had said until then.

Run as: kill_inbox.py PILE LOGS KILLS. Whenever a log is done, a new one is begun, until there were so many kills and
the last log is done too. One JSON line a run: its log, whether it was killed, and what it said, in order.
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
from pathlib import Path
from typing import Any

from diagnose.fieldlog.store import open_log
from diagnose.inbox import work


def work_off(pile: str, log_folder: str, report: Callable[[str], None]) -> None:
    """Takes in, measures and judges in this process; says which photo is looked at and which is kept."""
    look_at, looking = work.look_at, [""]

    def look_reported(data: bytes, name: str) -> dict[str, Any]:
        looking[0] = hashlib.sha256(data).hexdigest()
        report(f"look {looking[0]}")
        return look_at(data, name)

    work.look_at = look_reported
    log = open_log(log_folder)
    work.take_in(log, pile, progress=lambda _step, done, _of: report(f"taken {done}"))
    work.measure(log, 1, progress=lambda _step, _done, _of: report(f"kept {looking[0]}"))
    work.judge(log, "east", progress=lambda _step, done, _of: report(f"judged {done}"), workers=1)
    report("done")


def main(pile: str, logs: str, kills: int) -> None:
    chance = random.Random(os.environ.get("DIAGNOSE_SEED", "11"))  # the moments at which it is killed
    killed = number = 0
    done = True
    while killed < kills or not done:
        number += done
        name = f"log{number}"
        Path(logs).mkdir(exist_ok=True)
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                work_off(pile, str(Path(logs) / name), partial(_say, writing))
            except BaseException as problem:
                _say(writing, f"failed {problem!r}")
            os._exit(0)
        os.close(writing)
        said = _until_killed(child, reading, chance, killed < kills)
        os.close(reading)
        done = bool(said) and said[-1] == "done"
        was_killed = killed < kills and not done
        killed += was_killed
        print(json.dumps({"log": name, "killed": was_killed, "said": said}), flush=True)
        if said and said[-1].startswith("failed"):
            break


def _say(pipe: int, line: str) -> None:
    os.write(pipe, line.replace("\n", " ").encode() + b"\n")


def _until_killed(child: int, pipe: int, chance: random.Random, kill: bool) -> list[str]:
    """What the child said until it ended, or was killed a random while after a random number of its lines."""
    said = b""
    wanted = chance.randint(0, 24)
    while (not kill or said.count(b"\n") < wanted) and (more := os.read(pipe, 65536)):
        said += more
    if kill:
        time.sleep(chance.uniform(0, 0.15))
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while more := os.read(pipe, 65536):
        said += more
    return said.decode().split("\n")[:-1]


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
