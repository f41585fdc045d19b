"""How far is a step, and how long will it still take? Said on a terminal only."""

from __future__ import annotations

import sys
from time import monotonic

LEAST_S = 2.0  # what takes less says nothing [s]


class Progress:
    """Called with a step's name and how much of it is done; says so on the terminal, with the time left."""

    def __init__(self) -> None:
        self._step, self._since, self._shown = "", monotonic(), False

    def __call__(self, step: str, done: int, of: int) -> None:
        """step : what is done. done, of : how many of how many, 0 for an unknown total."""
        if step != self._step:
            self._step, self._since, self._shown = step, monotonic(), False
        if not sys.stderr.isatty():
            return
        took = monotonic() - self._since
        ended = done == of
        if not self._shown and (took < LEAST_S or ended):
            return
        self._shown = True
        left = took / done * (of - done) if done and of else 0.0
        said = f"{step}: {done} of {of}, {left / 60:.0f} min {left % 60:.0f} s left" if of else f"{step}: {done}"
        print(f"\r{said:<60}", end="\n" if ended else "", file=sys.stderr, flush=True)

    def of_step(self, step: str) -> Step:
        """The same, called with counts alone."""
        return Step(self, step)


class Step:
    """One step's progress, called with how much of it is done."""

    def __init__(self, progress: Progress, step: str) -> None:
        self._progress, self._step = progress, step

    def __call__(self, done: int, of: int) -> None:
        """done, of : how many of how many."""
        self._progress(self._step, done, of)
