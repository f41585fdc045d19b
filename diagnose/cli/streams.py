"""What does `-` stand for where a file is taken?

A file that is read: standard input. A file that is written: standard output; what the command would say there goes to
standard error instead.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click

_OF_A_LINE = re.compile(r"(?P<file>.*?)line (?P<line>\d+): (?P<why>.*)", re.DOTALL)
INPUT, OUTPUT = "standard input", "standard output"  # how their files are called


class Read(click.Path):
    """The type of a file that is read: `-` is standard input."""


class Written(click.Path):
    """The type of a file that is written: `-` is standard output.

    Parameters
    ----------
    ending
        What the name of the file behind `-` ends with, e.g. ".pdf": files of several formats are told apart by it [no unit].
    """

    def __init__(self, ending: str) -> None:
        super().__init__()
        self.ending = ending


class Verb(click.Command):
    """A command in which `-` stands for a stream wherever a file is taken."""

    def invoke(self, ctx: click.Context) -> Any:
        """The command's exit code; UsageError where more than one `-` would have to share a stream.

        Parameters
        ----------
        ctx
            Of click [no unit].
        """
        with _standing_for(self.params, ctx) as given:
            ctx.params = given
            return super().invoke(ctx)


@contextmanager
def _standing_for(options: list[click.Parameter], ctx: click.Context) -> Iterator[dict[str, Any]]:
    """The same values with a file in place of each `-`; what was written goes out at the end."""
    given = dict(ctx.params)
    reads = [each.name for each in options if isinstance(each.type, Read) and each.name and "-" in _values(given, each.name)]
    writes = {each.name: each.type.ending for each in options
              if isinstance(each.type, Written) and each.name and given.get(each.name) == "-"}
    if sum(_values(given, name).count("-") for name in reads) > 1:
        raise click.UsageError("only one - can be read; give the others as files", ctx)
    if len(writes) > 1:
        raise click.UsageError("only one - can be written; give the others as files", ctx)
    if writes and given.get("as_json"):
        raise click.UsageError("--json is written to standard output too; give a file in place of -", ctx)
    if not reads and not writes:
        yield given
        return
    with TemporaryDirectory(prefix="browse-") as folder:
        for name in reads:
            place = Path(folder) / INPUT
            with place.open("wb") as whole:
                shutil.copyfileobj(sys.stdin.buffer, whole)
            value = given[name]
            given[name] = str(place) if value == "-" else tuple(str(place) if one == "-" else one for one in value)
        if not writes:
            yield given
            return
        ((name, ending),) = writes.items()
        out = Path(folder) / f"{OUTPUT}{ending}"
        given[name] = str(out)
        told = io.StringIO()
        try:
            with redirect_stdout(told):
                yield given
        finally:
            print(told.getvalue().replace(str(out), OUTPUT), end="", file=sys.stderr)
        if out.exists():
            with out.open("rb") as whole:
                shutil.copyfileobj(whole, sys.stdout.buffer)


def _values(given: dict[str, Any], name: str) -> list[object]:
    value = given.get(name)
    return list(value) if isinstance(value, tuple) else [value]


def said(done: Any) -> int:
    """Says what was taken in, and on standard error each thing that was refused; the exit code.

    Parameters
    ----------
    done
        What came of it: `refused` holds what was refused, and as a text it ends with a line for each [no unit].
    """
    lines = str(done).split("\n")
    kept = len(lines) - len(done.refused)
    print("\n".join(lines[:kept]))
    say_refused(lines[kept:])
    return 1 if done.refused else 0


def say_refused(refused: Iterable[str]) -> None:
    """Says on standard error what was refused: a line for each reason, with all lines of a table that it holds for.

    Parameters
    ----------
    refused
        Each with its reason, those of a table as `line 12: why`, behind the file's name where there are several [no unit].
    """
    numbers: dict[tuple[str, str], list[int]] = {}
    for one in refused:
        told = _OF_A_LINE.fullmatch(one)
        of = numbers.setdefault((told["file"], told["why"]) if told else ("", one), [])
        of += [int(told["line"])] if told else []
    for (file, why), lines in numbers.items():
        print(f"{file}line{'s' * (len(lines) > 1)} {_runs(lines)}: {why}" if lines else why, file=sys.stderr)


def _runs(numbers: list[int]) -> str:
    """Numbers in words: 2, 4 to 7, 9."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1][1:] = [number]
        else:
            runs.append([number])
    return ", ".join(" to ".join(map(str, run)) for run in runs)


def close_quietly() -> None:
    """Nobody reads standard output any more: what is still to be written to it goes nowhere, and says nothing."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
