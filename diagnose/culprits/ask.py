"""Which question is worth asking next, how many are left, and when is asking over?

A question is worth what its answers are expected to tell, above all of what decides (which barrier), for the trouble of
answering it and for how likely somebody at the plant can answer it at all. Asking is over when no answer that is left
would change what to buy.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np

from diagnose.culprits.catalogue import NOT_LISTED, TRACES, Catalogue, group_words
from diagnose.culprits.here import winters_of
from diagnose.culprits.likelihood import filled, group_of_sign, is_weighed, raw_group
from diagnose.culprits.reach import depths_of, snow_table
from diagnose.culprits.weighing import Bench, Case
from diagnose.given import a_whole
from diagnose.knowledge import knowledge
from diagnose.places import Place
from diagnose.signs import Answer, Shares, Sign, Signs, Word, vocabulary

CLEAR = 0.95  # probability of one group, or of one barrier, from which no more is asked; our choice, no source
LISTED = 0.80  # probability of all that is listed, below which no barrier is taken as the answer; our choice
LEAST_GAIN = 0.012  # expected gain [nat] of the decision below which a question is not worth asking; our choice
LEAST_CHANGE = 0.002  # expected gain in the chance of buying the right thing below which it is not; our choice
ALIKE = 1e-9  # gains [nat] that lie no farther apart are equal: the question that stands first is asked
BESIDE = 0.25  # weight of telling culprits apart that need the same barrier; our choice
_MOST_LEFT = 8  # questions looked ahead at most


@dataclass(frozen=True)
class Step:
    """What to do next.

    Parameters
    ----------
    question
        The sign to ask for; None where asking is over [no unit].
    reason
        In words [no unit].
    """

    question: str | None
    reason: str


@dataclass(frozen=True)
class Turn:
    """One possible answer to a question.

    Parameters
    ----------
    word, choice
        The question's sign, and the key of the answer [no unit].
    chance
        How likely it is, 0 to 1 [no unit].
    culprits
        (K,) probabilities of the culprits if it were given [no unit].
    """

    word: Word
    choice: str
    chance: float
    culprits: np.ndarray


class Judged(Protocol):
    """What asking needs to know of a verdict; `verdict.Verdict` is one."""

    @property
    def case(self) -> Case:
        """What was judged."""

    @property
    def signs(self) -> Signs:
        """What was told of the wound."""

    @property
    def place(self) -> Place | None:
        """Where it is; None where that is not known."""

    @property
    def culprits(self) -> Mapping[str, float]:
        """Culprit -> probability that it made the wound."""

    @property
    def groups(self) -> Mapping[str, float]:
        """Group of the top -> probability."""

    @property
    def turns(self) -> list[list[Turn]]:
        """For each open question, every answer it may get."""

    def with_sign(self, name: str, sign: Sign) -> Judged:
        """The verdict if this sign were known too.

        Parameters
        ----------
        name
            Of the sign [no unit].
        sign
            What would be known, in the sign's unit.
        """


def questions() -> list[Word]:
    """Every question that is answered by a choice."""
    return [word for word in vocabulary().values() if word.kind == "choice" and word.question is not None]


def askable(signs: Signs) -> list[Word]:
    """The questions that are still open: those whose subject nobody has told of yet.

    Parameters
    ----------
    signs
        What is known of the wound, each sign in its own unit.
    """
    told = {vocabulary()[name].about for name in signs if name in vocabulary()}
    return [word for word in questions() if word.about not in told and fits(word, signs)]


@cache
def answerable() -> Mapping[str, float]:
    """Question -> how likely somebody who stands at the plant can answer it; each has its reason in `answerable.yaml`."""
    return {name: float(entry["chance"]) for name, entry in knowledge("diagnose.culprits", "answerable.yaml").items()}


def fits(word: Word, signs: Signs) -> bool:
    """Does the question make sense for this wound?

    Parameters
    ----------
    word
        The question's sign [no unit].
    signs
        What is known of the wound; only `wound` is read [no unit].
    """
    wound = signs.get("wound")
    if not word.asked_of or wound is None:
        return not word.asked_of
    if isinstance(wound, Answer):
        return wound.choice in word.asked_of
    return isinstance(wound, Shares) and sum(wound.shares.get(kind, 0.0) for kind in word.asked_of) > 0.5


def answers_to(bench: Bench, word: Word) -> list[Turn]:
    """Every answer that a question may get.

    Parameters
    ----------
    bench
        The case with its wound weighed [no unit].
    word
        The question's sign [no unit].

    Returns
    -------
    list of Turn
        One for each choice; their chances add up to 1.
    """
    now = bench.made_by(bench.parts, bench.traces)
    return _traces_answered(bench, word, now) if word.name in TRACES else _wound_answered(bench, word, now)


def _traces_answered(bench: Bench, word: Word, now: np.ndarray) -> list[Turn]:
    maker = np.bincount(bench.known.of, now, len(bench.known.keys))
    before = bench.traces
    chances, after = [], []
    for choice in word.choices:
        traces = bench.traces_of({**bench.signs, word.name: Answer(choice)}, who=False).likelihood
        chances.append(float(maker @ (traces / before)))
        after.append(_culprits(bench, bench.made_by(bench.parts, traces)))
    return _turns(word, _exclusive(word, chances), after)


def _wound_answered(bench: Bench, word: Word, now: np.ndarray) -> list[Turn]:
    own = group_of_sign(word)
    touched = {own} | ({"height", "end_diameter_mm"} & set(bench.parts) if word.name in ("wound", "season") else set())
    chances, after = [], []
    for choice in word.choices:
        signs = {**bench.signs, word.name: Answer(choice)}
        parts = dict(bench.parts)
        chance = np.ones(len(now))
        for group in touched:
            told = {name: sign for name, sign in signs.items() if name in vocabulary() and name not in TRACES
                    and is_weighed(bench.known, name) and group_of_sign(vocabulary()[name]) == group}
            found = raw_group(bench.known, group, told, signs, bench.case.snow_mm, bench.winters)
            if found is None:
                continue
            raw, inside = found
            parts[group] = filled(raw, bench.prior, bench.power) * inside
            if group == own:
                chance = _mean_filled(raw, bench.prior) * inside
        chances.append(float(now @ chance))
        after.append(_culprits(bench, bench.made_by(parts, bench.traces)))
    if word.name == "past_snow":
        chances = list(_snow_chances(bench))
    return _turns(word, chances, after)


def _culprits(bench: Bench, made_by: np.ndarray) -> np.ndarray:
    return np.bincount(bench.known.of, made_by, len(bench.known.keys))


def _turns(word: Word, chances: list[float], after: list[np.ndarray]) -> list[Turn]:
    total = sum(chances)
    shares = [chance / total for chance in chances] if total > 0 else [1 / len(chances)] * len(chances)
    return [Turn(word, choice, share, culprits)
            for choice, share, culprits in zip(word.choices, shares, after, strict=True)]


def _exclusive(word: Word, chances: list[float]) -> list[float]:
    """Chances of naming one kind each, where several may lie side by side: what is not "none" is shared out."""
    nothing = chances[list(word.choices).index("none")]
    found = sum(chances) - nothing
    return [chance if choice == "none" else chance * max(1 - nothing, 0.0) / max(found, 1e-12)
            for choice, chance in zip(word.choices, chances, strict=True)]


def _mean_filled(raw: np.ndarray, prior: np.ndarray) -> np.ndarray:
    has = ~np.isnan(raw)
    if not has.any():
        return np.ones_like(raw)
    return np.where(has, raw, (prior[has] @ raw[has]) / max(prior[has].sum(), 1e-300))


def _snow_chances(bench: Bench) -> list[float]:
    """How likely each answer about past snow is; it is weighed given, not with, the culprit."""
    depths = snow_table()["depth_mm"]
    lying = depths_of(bench.signs, bench.case.snow_mm, bench.winters)
    return [sum(share for depth, share in lying if depth in depths[choice]) for choice in vocabulary()["past_snow"].choices]


def turns(case: Case) -> list[list[Turn]]:
    """For each open question, every answer it may get.

    Parameters
    ----------
    case
        What the wound is judged from [no unit].

    Returns
    -------
    list of list of Turn
        A list a question.
    """
    bench = Bench(case)
    return [answers_to(bench, word) for word in askable(case.signs)]


def _classes(known: Catalogue, barrier_of: Mapping[str, str] | None) -> np.ndarray:
    """(classes, K) one where the culprit is of the class that decides: its barrier, or its group where none is given."""
    told = [known.groups[key] if barrier_of is None else barrier_of.get(key, key) for key in known.keys]
    return np.array([[one == name for one in told] for name in dict.fromkeys(told)], float)


def falls(verdict: Judged, barrier_of: Mapping[str, str] | None = None) -> dict[str, float]:
    """Expected information gain of each question if it is answered: of what decides, and a little of the culprit.

    Parameters
    ----------
    verdict
        What is held so far [no unit].
    barrier_of
        Culprit -> what stops it; the groups of culprits decide where None [no unit].

    Returns
    -------
    dict of str to float
        Question -> gain [nat], from 0 up but for rounding.

    References
    ----------
    .. [1] Lindley, D. V. (1956). Annals of Mathematical Statistics 27:986-1005: expected information of an experiment (from
       memory). How deciding and telling apart are weighed (BESIDE) is our own choice.
    """
    return {name: fall for name, (fall, _) in _told(verdict, barrier_of).items()}


def _told(verdict: Judged, barrier_of: Mapping[str, str] | None) -> dict[str, tuple[float, float]]:
    """Question -> expected information gain [nat], and expected gain in the chance of the right class [0 to 1]."""
    member = _classes(verdict.case.known, barrier_of)
    now = np.array(list(verdict.culprits.values()))
    found = {}
    for answers in verdict.turns:
        word, applies = answers[0].word, _applies(answers[0].word, verdict)
        deciding = _entropy(member @ now) - sum(one.chance * _entropy(member @ one.culprits) for one in answers)
        apart = _entropy(now) - sum(one.chance * _entropy(one.culprits) for one in answers)
        right = sum(one.chance * float((member @ one.culprits).max()) for one in answers) - float((member @ now).max())
        found[word.name] = (applies * ((1 - BESIDE) * deciding + BESIDE * apart), applies * right)
    return found


def gains(
    verdict: Judged, told: Mapping[str, float] | None = None, barrier_of: Mapping[str, str] | None = None
) -> dict[str, float]:
    """Expected information gain of each question per effort of answering.

    Parameters
    ----------
    verdict
        What is held so far [no unit].
    told
        Question -> how likely it is answered, not passed, 0 to 1; that of `answerable.yaml` where None [no unit].
    barrier_of
        As for `falls` [no unit].

    Returns
    -------
    dict of str to float
        Question -> gain [nat per effort].
    """
    chance = answerable() if told is None else told
    return {name: fall * chance[name] / vocabulary()[name].effort for name, fall in falls(verdict, barrier_of).items()}


def _applies(word: Word, verdict: Judged) -> float:
    """Probability that the question makes sense at all: the snow's surface can only be told of where snow lay."""
    if word.name != "snow_line":
        return 1.0
    depths = depths_of(verdict.case.weighed, verdict.case.snow_mm, winters_of(verdict.place))
    past = verdict.signs.get("past_snow")
    if isinstance(past, Answer):
        return float(past.choice != "none")
    return sum(share for depth, share in depths if depth > 0)


def next_step(
    verdict: Judged,
    passed: Collection[str] = (),
    barrier_of: Mapping[str, str] | None = None,
    told: Mapping[str, float] | None = None,
) -> Step:
    """The sign most worth asking for, or why asking is over.

    Parameters
    ----------
    verdict
        What is held so far [no unit].
    passed
        Signs that the person could not tell; they are not asked again [no unit].
    barrier_of
        Culprit -> what stops it; what needs the same barrier is not told apart for its own sake. The groups of culprits
        decide where None [no unit].
    told
        As for `gains` [no unit].
    """
    kind = max(verdict.groups, key=lambda key: verdict.groups[key])
    if verdict.groups[kind] >= CLEAR:
        return Step(None, f"{group_words()[kind]} is clear enough")
    if "wound" not in verdict.signs and "wound" not in passed:
        return Step("wound", "what was hurt decides which other questions make sense")
    if barrier_of is not None and (alike := _same_barrier(verdict, barrier_of)):
        return Step(None, f"{' and '.join(alike)} need the same barrier, so telling them apart changes nothing")
    worth = _told(verdict, barrier_of)
    left = {name: gain for name, (gain, right) in worth.items()
            if name not in passed and (gain >= LEAST_GAIN and right >= LEAST_CHANGE)}
    if not left:
        return Step(None, "no more answers will change what to buy")
    chance = answerable() if told is None else told
    value = {name: gain * chance[name] / vocabulary()[name].effort for name, gain in left.items()}
    most = max(value.values())
    best = next(name for name in value if value[name] >= most - ALIKE)
    return Step(best, "it is expected to tell most for the least trouble")


def questions_left(
    verdict: Judged, passed: Collection[str] = (), barrier_of: Mapping[str, str] | None = None
) -> int:
    """About how many more questions until asking is over: along the likeliest answers, at most 8.

    Parameters
    ----------
    verdict
        What is held so far [no unit].
    passed
        Signs that the person could not tell [no unit].
    barrier_of
        As for `next_step` [no unit].
    """
    count, done = 0, set(passed)
    while count < _MOST_LEFT and (asked := next_step(verdict, done, barrier_of).question) is not None:
        count += 1
        done.add(asked)
        likeliest = max(answers_to(Bench(verdict.case), vocabulary()[asked]), key=lambda one: one.chance)
        verdict = verdict.with_sign(asked, Answer(likeliest.choice))
    return count


def _same_barrier(verdict: Judged, barrier_of: Mapping[str, str]) -> list[str]:
    """Names of the culprits that one barrier answers, when together they are clear; else none."""
    shares: dict[str, float] = {}
    for key, share in verdict.culprits.items():
        if key in barrier_of and key != NOT_LISTED:
            shares[barrier_of[key]] = shares.get(barrier_of[key], 0.0) + share
    listed = sum(shares.values())
    if not shares or listed < LISTED or max(shares.values()) < CLEAR * listed:
        return []
    barrier = max(shares, key=lambda key: shares[key])
    alike = [key for key in verdict.culprits if barrier_of.get(key) == barrier and verdict.culprits[key] >= 0.05]
    return [verdict.case.known.names[key] for key in alike] if len(alike) > 1 else []


def would_change(verdict: Judged, most: int = 3) -> list[str]:
    """Answers, likeliest first, that would make another kind of culprit the likeliest, in words.

    Parameters
    ----------
    verdict
        What is held so far [no unit].
    most
        How many answers are told at most [no unit].
    """
    a_whole(most, "Answers", 0)
    known = verdict.case.known
    kinds = list(dict.fromkeys(known.groups.values()))
    member = _classes(known, None)
    now = max(verdict.groups, key=lambda key: verdict.groups[key])
    found = []
    for answers in verdict.turns:
        for one in answers:
            then = kinds[int(np.argmax(member @ one.culprits))]
            if then != now and then != known.groups.get(NOT_LISTED):
                told = f"{one.word.label}: {one.word.choices[one.choice]} would point to {group_words()[then]}"
                found.append((one.chance, told))
    return [told for _, told in sorted(found, reverse=True)[:most]]


def _entropy(shares: np.ndarray) -> float:
    kept = shares[shares > 0]
    return float(-(kept * np.log(kept)).sum()) if kept.size else math.nan
