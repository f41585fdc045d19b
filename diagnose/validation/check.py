"""How good is the tool, part by part: measurements, verdicts, questions, speed?

Every part runs by itself, so that one that cannot run on this machine takes nothing from the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from diagnose.cannot_use import CannotUse
from diagnose.progress import Progress, silent

_WOUNDS = 40  # drawn for the questions here; `python -m tests.believed` draws 300


def _measurements(photos: Path | None, progress: Progress) -> str:
    from diagnose.validation import accuracy

    rows = accuracy.error_table(accuracy.PHOTOS if photos is None else photos, progress)
    return ("Measurements on pictures with exact truth (renderings, not photographs of real twigs):\n"
            f"{accuracy.table_as_text(rows)}\n\nMissed, picture by picture:\n{accuracy.misses_as_text(rows)}")


def _simulated() -> str:
    from diagnose.validation.coverage import summary

    return summary()


def _verdicts() -> str:
    from diagnose.culprits.check import check
    from diagnose.report.check_text import check_as_text

    return check_as_text(check())


def _questions() -> str:
    from diagnose.culprits.observers import questions_saved
    from diagnose.report.check_text import saved_as_text

    return saved_as_text(questions_saved(_WOUNDS, shuffle=False))


def _speed(files: Sequence[Path]) -> str:
    from diagnose.validation.speed import measure_speed, speed_as_text, stated_speeds

    return "\n\n".join(map(speed_as_text, [measure_speed(file) for file in files] or stated_speeds()))


PARTS = ("measurements", "simulated", "verdicts", "questions", "speed")


def check_parts(
    wanted: Sequence[str] = PARTS, photos: Path | None = None, speed: Sequence[Path] = (), progress: Progress = silent
) -> Iterator[tuple[str, str | CannotUse]]:
    """Each wanted part's name with its lines, or with the reason why it cannot run here.

    Parameters
    ----------
    wanted
        Of PARTS [no unit].
    photos
        Folder of scenes with truth, the bundled ones when None [no unit].
    speed
        Pictures to time, three drawn ones when empty [no unit].
    progress
        Called with how many of how many pictures are measured [no unit].
    """
    run: dict[str, Callable[[], str]] = {
        "measurements": lambda: _measurements(photos, progress), "simulated": _simulated, "verdicts": _verdicts,
        "questions": _questions, "speed": lambda: _speed(speed),
    }
    for name in PARTS:
        if name in wanted:
            try:
                yield name, run[name]()
            except CannotUse as reason:
                yield name, reason
