"""In which order does a key on paper ask, which cannot wait for an answer before it asks the next?"""

from __future__ import annotations

from functools import cache

from diagnose.culprits.ask import answers_to, gains
from diagnose.culprits.verdict import judge
from diagnose.culprits.weighing import Bench
from diagnose.signs import Answer, Word, vocabulary

ON_PAPER = 21  # questions that one page holds


@cache
def printed_key() -> tuple[Word, ...]:
    """The questions of a one-page key, best first: see `fixed_order`; whoever holds it looks for everything."""
    return fixed_order()[:ON_PAPER]


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
