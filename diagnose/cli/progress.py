"""How far is a step, and how long will it still take? Said on a terminal only."""

from __future__ import annotations

import sys
from functools import partial
from time import monotonic

from diagnose import progress

LEAST_S = 2.0  # what takes less says nothing [s]


class Progress:
    """Called with a step's name and how much of it is done; says so on the terminal, with the time left."""

    def __init__(self) -> None:
        self._step, self._open = "", False
        self._since = self._last = monotonic()

    def __call__(self, step: str, done: int, of: int) -> None:
        """Say how far a step is.

        Parameters
        ----------
        step
            What is done [no unit].
        done, of
            How many of how many; 0 where it is not known of how many [no unit].
        """
        if step != self._step:
            self.end()
            self._step, self._since = step, self._last  # it began when the one before it was last heard of
        self._last = monotonic()
        took = self._last - self._since
        if not sys.stderr.isatty() or took < LEAST_S:
            return
        left = took / done * (of - done) if done and of else 0.0
        said = f"{step}: {done} of {of}, {left // 60:.0f} min {left % 60:.0f} s left" if of else f"{step}: {done}"
        print(f"\r{said:<60}", end="", file=sys.stderr, flush=True)
        self._open = True
        if done == of:
            self.end()

    def end(self) -> None:
        """End the line that stands on the terminal, if there is one."""
        if self._open:
            print(file=sys.stderr)
            self._open = False

    def of_step(self, step: str) -> progress.Progress:
        """The same, called with counts alone.

        Parameters
        ----------
        step
            What is done [no unit].
        """
        return partial(self, step)
