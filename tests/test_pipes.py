"""The command gets on with others: a reader that leaves, a person who stops it, `-` for a file, a disk that is full."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from diagnose.fieldlog.store import open_log
from tests.conftest import PHOTOS
from tests.warm import Warm, warm

CARD = PHOTOS / "twig_on_card" / "IMG_0016.jpg"
RUN = [sys.executable, "-m", "diagnose.cli"]
pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and devices are POSIX'")


@pytest.fixture(scope="module")
def command() -> Iterator[Warm]:
    with warm() as ready:
        yield ready


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pipes") / "log"
    open_log(folder).save_observations({"site": "north", "plant": str(number)} for number in range(3_000))
    return folder


@pytest.mark.parametrize("how", [[], ["--json"]])
def test_a_reader_that_leaves_ends_the_command_quietly(log: Path, how: list[str]) -> None:
    command = [*RUN, "log", "list", "--log", str(log), *how]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as one:
        assert one.stdout is not None and one.stderr is not None
        assert one.stdout.readline()
        one.stdout.close()
        said = one.stderr.read()
        assert one.wait(60) == 141  # 128 + SIGPIPE, as shells count it
    assert said == b""


def test_a_reader_that_is_gone_before_the_first_line_is_no_error_message(log: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    said = subprocess.run([*RUN, "survey", "template"], stdout=writing, stderr=subprocess.PIPE).stderr
    os.close(writing)
    assert said == b""


def _stopped(arguments: list[str], wait_for: str, cwd: Path) -> tuple[int, str]:
    """Starts a command in a group of its own, sends the group what Ctrl+C sends once a line was said, and waits."""
    with subprocess.Popen([*RUN, *arguments], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
                          cwd=cwd, start_new_session=True,
                          # a shell starts what runs in its background deaf to Ctrl+C, and that is handed on
                          preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)) as one:
        assert one.stderr is not None
        said = b""
        os.set_blocking(one.stderr.fileno(), False)
        end = time.monotonic() + 60
        while wait_for.encode() not in said and time.monotonic() < end:
            said += one.stderr.read() or b""
            time.sleep(0.05)
        os.killpg(one.pid, signal.SIGINT)
        os.set_blocking(one.stderr.fileno(), True)
        rest = one.stderr.read()
        return one.wait(60), rest.decode()


def test_ctrl_c_is_one_line_and_130(tmp_path: Path) -> None:
    code, said = _stopped(["ask"], "> ", tmp_path)
    assert code == 130
    assert said.strip().count("\n") == 0 and "stopped" in said


def test_ctrl_c_while_workers_measure_is_one_line_and_130_too(tmp_path: Path) -> None:
    for number in range(12):
        (tmp_path / "pile" / str(number)).mkdir(parents=True)
        (tmp_path / "pile" / str(number) / "a.jpg").write_bytes(CARD.read_bytes() + bytes([number]))
    code, said = _stopped(["inbox", "take", "pile", "--log", "log", "--workers", "2"], "pile: ", tmp_path)
    assert code == 130 and said.strip().count("\n") == 0 and "stopped" in said, said
    kept = open_log(tmp_path / "log").records("submission")
    assert sum(map(len, kept["photos"])) == 12  # what was taken in is kept


def test_a_photo_and_answers_may_come_from_standard_input(command: Warm) -> None:
    found = json.loads(command.run("photo", "-", "--json", data=CARD.read_bytes()).stdout)
    assert found[0]["measured"]["seen_slope_deg"] == json.loads(
        command.run("photo", str(CARD), "--json").stdout)[0]["measured"]["seen_slope_deg"]
    signs = yaml.safe_dump({"wound": "severed_shoot", "cut_form": "torn", "position": "middle"}).encode()
    verdict = command.run("ask", "--signs", "-", "--json", data=signs).stdout
    assert json.loads(verdict)["verdict"]["leading"].startswith("deer")
    plan = command.run("protect", "--trees", "50", "--hectares", "0.2", "--verdict", "-", "--json", data=verdict)
    assert plan.returncode == 0 and json.loads(plan.stdout)


def test_logs_pass_through_pipes(command: Warm, tmp_path: Path) -> None:
    log = tmp_path / "log"
    open_log(log).save_observations({"site": "north", "plant": str(number)} for number in range(1_000))
    out = command.run("log", "export", "-", "--log", str(log), "--exact")
    assert out.stdout.decode("utf-8-sig").startswith("taken_at,") and b"1000 observations" in out.stderr
    assert out.stdout.count(b"\n") == 1_001 and len(out.stdout) > 65_536  # which a pipe holds
    taken = command.run("log", "import", "-", "--log", str(tmp_path / "new"), data=out.stdout)
    assert taken.returncode == 0, taken.stderr
    assert len(open_log(tmp_path / "new").observations()) == 1_000
    packed = command.run("log", "pack", "-", "--log", str(log)).stdout
    assert command.run("log", "merge", "-", "--log", str(tmp_path / "merged"), data=packed).returncode == 0
    assert len(open_log(tmp_path / "merged").observations()) == 1_000
    again = command.run("survey", "estimate", "-", data=b"site,visit,plot,tree,species,browsed\n" + b"".join(
        f"s,2026-04-01,P{plot},{tree},oak,{(plot + tree) % 2}\n".encode() for plot in range(6) for tree in range(5)))
    assert again.returncode == 0, again.stderr


@pytest.mark.parametrize(("arguments", "start"), [
    (["card", "--out", "-"], b"%PDF"), (["key", "--out", "-"], b"%PDF"),
    (["photo", str(CARD), "--picture", "-"], b"\xff\xd8"),
    (["protect", "--trees", "9", "--hectares", "1", "--culprit", "deer", "--pdf", "-"], b"%PDF"),
])
def test_a_file_that_is_written_may_go_to_standard_output_and_nothing_else_does(
    command: Warm, arguments: list[str], start: bytes
) -> None:
    done = command.run(*arguments)
    assert done.returncode == 0 and done.stdout.startswith(start), done.stderr
    assert b"Most likely" not in done.stdout and done.stderr


@pytest.mark.parametrize("arguments", [
    ["photo", "-", "-"], ["protect", "--trees", "9", "--hectares", "1", "--culprit", "deer", "--pdf", "-", "--csv", "-"],
    ["protect", "--trees", "9", "--hectares", "1", "--culprit", "deer", "--pdf", "-", "--json"],
])  # fmt: skip
def test_two_files_cannot_share_one_stream(command: Warm, arguments: list[str]) -> None:
    done = command.run(*arguments)
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and done.stdout == b""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is Linux'")
def test_what_could_not_be_written_is_named(command: Warm, log: Path) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run([*RUN, "log", "list", "--log", str(log)], stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"standard output cannot be written" in done.stderr
    for out in (["card", "--out", "/dev/full"], ["log", "pack", "--log", str(log), "/dev/full"],
                ["card", "--out", "/nonexistent/card.pdf"]):
        done = command.run(*out)
        assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and out[-1].encode() in done.stderr, done.stderr
    assert Path("/dev/full").is_char_device()  # it was written to, not replaced


def test_what_goes_to_standard_output_is_called_so(command: Warm, log: Path) -> None:
    done = command.run("log", "export", "-", "--log", str(log))
    assert done.returncode == 0 and b"3000 observations written to standard output," in done.stderr
