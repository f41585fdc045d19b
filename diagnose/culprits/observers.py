"""Does asking the most telling question next save questions, when people err as they are known to?

Observers are simulated from the published cases, never from the tool's own tables: what a case does not say is
"don't know", and what it says is misread as often as studies found or as stated here. How often each question is
answered at all is learnt for each case from the other pages' cases only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.culprits.ask import CLEAR, askable, fits, fixed_order, next_step, questions, share_told
from diagnose.culprits.check import Case, read_cases
from diagnose.culprits.verdict import Verdict, judge
from diagnose.signs import Answer, Bounded, Measured, Shares, Sign, Word, vocabulary

DONT_KNOW = 0.15  # share of questions that even somebody who could see the answer passes; our choice
ONE_WRONG = 0.20  # share of runs in which one sign is wrong; our choice
# Doubting dung, Eur. J. Wildlife Research 2019 (3,889 DNA-checked samples): roe dung was misnamed in 41.1 %, and all
# dung in 14 % in winter and spring, 26 % in summer and autumn, of which this is the middle.
DROPPINGS_WRONG = {"oval_pellets": 0.411}
DROPPINGS_WRONG_ELSE = 0.20
# Heights [mm] and slopes [degree] that a case states as numbers, as the answers they would be.
_POSITIONS = {"base": 150, "low": 500, "middle": 1000, "high": 2000, "crown": np.inf}
_SLANTS = {"square": 25, "between": 35, "slanting": np.inf}


@dataclass(frozen=True)
class Run:
    """One simulated person with one case: questions asked, until when the first-named kind still changed, the score.

    settled : questions after which the likeliest kind stayed what it was in the end. log : natural logarithm of the
    probability that the truth got in the end.
    """

    asked: int
    settled: int
    log: float


def truth_of(case: Case, word: Word) -> Sign | None:
    """What the case says of a question's subject, as an answer; None when it says nothing."""
    for name, sign in case.signs.items():
        if name == word.name and isinstance(sign, Answer | Shares):
            return sign
        if vocabulary()[name].about == word.about and isinstance(sign, Measured | Bounded):
            number = sign.value if isinstance(sign, Measured) else (sign.low + sign.high) / 2
            tops = {"position": _POSITIONS, "cut_slant": _SLANTS}.get(word.name)
            if tops is not None:
                return Answer(next(choice for choice, top in tops.items() if number < top))
    return None


class Observer:
    """A person before one case, who passes some questions and misreads some signs, the same way whenever asked."""

    def __init__(self, case: Case, seed: int) -> None:
        draw = np.random.default_rng(seed)
        told = {word.name: sign for word in vocabulary().values() if (sign := truth_of(case, word)) is not None}
        wrong = str(draw.choice(list(told))) if told and draw.random() < ONE_WRONG else None
        self.answers: dict[str, Answer] = {}
        for name, sign in told.items():
            choice = _drawn(sign, draw)
            misread = name == wrong
            if name == "droppings":
                misread |= draw.random() < DROPPINGS_WRONG.get(choice, DROPPINGS_WRONG_ELSE)
            if misread:
                choice = str(draw.choice([other for other in vocabulary()[name].choices if other != choice]))
            if draw.random() >= DONT_KNOW:
                self.answers[name] = Answer(choice)


def _drawn(sign: Sign, draw: np.random.Generator) -> str:
    if isinstance(sign, Shares):
        return str(draw.choice(list(sign.shares), p=np.array(list(sign.shares.values()))))
    assert isinstance(sign, Answer)
    return sign.choice


def told_counts(cases: Sequence[Case], without: str | None = None) -> dict[str, tuple[int, int]]:
    """Question -> how many of how many cases, whose wound it fits, tell of its subject. without : a page left out."""
    counts = {}
    for word in questions():
        fitting = [case for case in cases if case.page != without and fits(word, case.signs)]
        counts[word.name] = sum(truth_of(case, word) is not None for case in fitting), len(fitting)
    return counts


def guided(case: Case, observer: Observer, told: Mapping[str, float] | None = None) -> Run:
    """The run in which each next question is the one that is expected to tell most."""
    verdicts = [judge({}, place=case.place)]
    passed: set[str] = set()
    while (asked := next_step(verdicts[-1], passed, told=told).question) is not None:
        verdicts.append(_answered(verdicts[-1], asked, observer, passed))
    return _run(case, verdicts)


def fixed(case: Case, observer: Observer, order: Sequence[Word]) -> Run:
    """The run down a printed list, past questions that do not fit the wound, until a kind is clear or the list ends."""
    verdicts = [judge({}, place=case.place)]
    passed: set[str] = set()
    for word in order:
        if max(verdicts[-1].groups.values()) >= CLEAR:
            break
        if word.name in {open_.name for open_ in askable(verdicts[-1].signs)}:
            verdicts.append(_answered(verdicts[-1], word.name, observer, passed))
    return _run(case, verdicts)


def _answered(verdict: Verdict, asked: str, observer: Observer, passed: set[str]) -> Verdict:
    passed.add(asked)
    answer = observer.answers.get(asked)
    return verdict if answer is None else verdict.with_sign(asked, answer)


def _run(case: Case, verdicts: Sequence[Verdict]) -> Run:
    firsts = [max(v.groups, key=lambda key, v=v: v.groups[key]) for v in verdicts]  # type: ignore[misc]
    settled = max((i for i, first in enumerate(firsts) if first != firsts[-1]), default=-1) + 1
    share = sum(verdicts[-1].culprits[key] for key in case.truth)
    return Run(len(verdicts) - 1, settled, float(np.log(max(share, 1e-6))))


def questions_saved(cases: Sequence[Case] | None = None, people: int = 3, start: int = 1) -> dict[str, float]:
    """Mean questions until the verdict is final, asked in all, and log scores: guided, and down two printed lists.

    The `fixed` list is the best fixed order by mean expected gain; the `fixed_told` one was told, too, how often each
    question is answered. people : simulated persons for each case. saved : share of the questions saved until the
    likeliest kind is what it stays; saved_asked : of all that are asked.
    """
    cases = read_cases() if cases is None else cases
    told = {page: share_told(told_counts(cases, page)) for page in {case.page for case in cases}}
    plain, knowing = fixed_order(), {page: fixed_order(shares) for page, shares in told.items()}
    rows = []
    for number, case in enumerate(cases):
        for person in range(people):
            observer = Observer(case, start + 1000 * number + person)
            runs = (guided(case, observer, told[case.page]), fixed(case, observer, plain),
                    fixed(case, observer, knowing[case.page]))
            rows.append([value for run in runs for value in (run.asked, run.settled, run.log)])
    means = np.array(rows, float).mean(axis=0)
    names = [f"{way}_{what}" for way in ("guided", "fixed", "fixed_told") for what in ("asked", "settled", "log")]
    found = dict(zip(names, means.tolist(), strict=True))
    found["runs"] = float(len(rows))
    found["saved"] = 1 - found["guided_settled"] / found["fixed_settled"]
    found["saved_told"] = 1 - found["guided_settled"] / found["fixed_told_settled"]
    found["saved_asked"] = 1 - found["guided_asked"] / found["fixed_asked"]
    gaps = np.array(rows)[:, 2] - np.array(rows)[:, 5]
    found["log_difference"] = float(gaps.mean())
    found["log_difference_error"] = float(gaps.std(ddof=1) / np.sqrt(len(rows)))
    return found
