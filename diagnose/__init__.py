"""What ate this seedling, how sure is that, and which barrier stops it?

From a notebook or a script:

judge_photo
    A photo of a wound is measured and judged, and the barrier is named.
judge
    The same from answers alone.
plan
    The barriers of a planting, with their cost.
estimate
    How much of a planting is browsed, how surely, from a tally.
Log
    What was seen, kept; as a data frame too.

Each is loaded when it is first used. Below them lie the rooms of the house, packages of plain functions: photo, eye,
measure, culprits, protect, fieldlog, survey, upkeep, inbox, report.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnose.library import Log, estimate, judge, judge_photo, plan

__version__ = "0.2.0"
__all__ = ["Log", "estimate", "judge", "judge_photo", "plan"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'diagnose' has no attribute '{name}'")
    from diagnose import library

    globals().update({each: getattr(library, each) for each in __all__})
    return globals()[name]


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
