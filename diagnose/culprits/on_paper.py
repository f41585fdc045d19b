"""In which order does a key on paper ask, which cannot wait for an answer before it asks the next?"""

from __future__ import annotations

from functools import cache

from diagnose.culprits.ask import answers_to, gains
from diagnose.culprits.verdict import judge
from diagnose.culprits.weighing import Bench
from diagnose.signs import Answer, Word, vocabulary

ON_PAPER = 145.0  # lines that one page holds
GAP = 0.8  # between two questions [lines]


@cache
def printed_key() -> tuple[Word, ...]:
    """The questions of a one-page key, best first: see `fixed_order`; whoever holds it looks for everything.

    Of questions about one thing the one that tells more a line is printed; what no longer fits on the page is left out, with
    what hangs on it.
    """
    gain, found, left = _gains(), list[Word](), ON_PAPER
    for word in fixed_order():
        alike = [other for other in fixed_order() if other.about == word.about]
        best = max(alike, key=lambda one: gain.get(one.name, 0.0) / _lines(one))
        hangs_on = set(word.asked_where) - {other.name for other in found}
        if word == best and not hangs_on and _lines(word) <= left:
            found.append(word)
            left -= _lines(word)
    return tuple(found)


def _lines(word: Word) -> float:
    """Its question, its answers and the gap below [lines]."""
    return 1 + len(word.choices) + GAP


def fixed_order() -> tuple[Word, ...]:
    """The best fixed order of questions: the wound first, then by mean expected gain per effort.

    The mean is over the kinds of wound, each as often as the catalogue expects it. What hangs on another answer follows it.
    """
    total = _gains()
    ranked = sorted(total, key=lambda name: -total[name])
    hanging = {name: word for word in vocabulary().values() for name in word.asked_where}
    return (vocabulary()["wound"],
            *(word for name in ranked for word in (vocabulary()[name], hanging.get(name)) if word is not None))


@cache
def _gains() -> dict[str, float]:
    """Question -> its mean expected gain once it is known what was hurt [nat per fourth root of effort]."""
    total: dict[str, float] = {}
    for turn in answers_to(Bench(judge({}).case), vocabulary()["wound"]):
        for name, gain in gains(judge({"wound": Answer(turn.choice)})).items():
            total[name] = total.get(name, 0.0) + turn.chance * gain
    return total
