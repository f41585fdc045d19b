"""How far can verdicts be believed, at length: `python -m tests.believed [WOUNDS]`, 300 by default, some minutes."""

from __future__ import annotations

import sys

from diagnose.culprits.believe import believe
from diagnose.culprits.observers import questions_saved
from diagnose.protect.requirement import NEED_OF, built_of
from diagnose.report.check_text import belief_as_text, saved_as_text


def main() -> None:
    """Prints the three checks, then what asking costs and how often it stops at something wrong."""
    wounds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print(belief_as_text(believe(wounds)), flush=True)
    print(saved_as_text(questions_saved(wounds, barrier_of=NEED_OF, built_of=built_of())))


if __name__ == "__main__":
    main()
