"""In which order does a key on paper ask, which cannot wait for an answer before it asks the next?"""

from __future__ import annotations

from functools import cache

from diagnose.culprits.ask import answers_to, gains
from diagnose.culprits.verdict import judge
from diagnose.culprits.weighing import Bench
from diagnose.signs import Answer, Word, vocabulary

ON_PAPER = 145.0  # lines that one page holds: a question takes as many as it has answers, its own and a gap
GAP = 0.8


@cache
def printed_key() -> tuple[Word, ...]:
    """The questions of a one-page key, best first: see `fixed_order`; whoever holds it looks for everything.

    Of questions about one thing the better one is printed; what no longer fits on the page is left out, with what hangs on
    it.
    """
    found: list[Word] = []
    left = ON_PAPER
    for word in fixed_order():
        lines = 1 + len(word.choices) + GAP
        hangs_on = set(word.asked_where) - {other.name for other in found}
        if lines <= left and not hangs_on and word.about not in {other.about for other in found}:
            found.append(word)
            left -= lines
    return tuple(found)


def fixed_order() -> tuple[Word, ...]:
    """The best fixed order of questions: the wound first, then by mean expected gain per effort.

    The mean is over the kinds of wound, each as often as the catalogue expects it. What hangs on another answer follows it.
    """
    wound = vocabulary()["wound"]
    bench = Bench(judge({}).case)
    total: dict[str, float] = {}
    for turn in answers_to(bench, wound):
        for name, gain in gains(judge({"wound": Answer(turn.choice)})).items():
            total[name] = total.get(name, 0.0) + turn.chance * gain
    ranked = sorted(total, key=lambda name: -total[name])
    hanging = {name: word for word in vocabulary().values() for name in word.asked_where}
    return (wound, *(word for name in ranked for word in (vocabulary()[name], hanging.get(name)) if word is not None))
