"""Which question is worth asking next, and when is asking over?"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from diagnose.culprits.catalogue import NOT_LISTED, Catalogue, catalogue, group_words
from diagnose.culprits.likelihood import capped_group, group_likelihoods, is_weighed, raw_group
from diagnose.knowledge import knowledge
from diagnose.signs import Answer, Shares, Signs, Word, vocabulary

if TYPE_CHECKING:
    from diagnose.culprits.verdict import Verdict

CLEAR = 0.90  # probability of one group from which no more is asked; our choice, no source
LISTED = 0.80  # probability of all that is listed, below which no barrier is taken as the answer; our choice
LEAST_GAIN = 0.015  # expected gain [nat] below which a question is not worth asking; chosen on the simulated observers


@dataclass(frozen=True)
class Step:
    """What to do next: a sign to ask for, or None with the reason why asking is over."""

    question: str | None
    reason: str


@dataclass(frozen=True)
class Turn:
    """One possible answer: how likely it is, and the culprits' probabilities (K,) if it were given."""

    word: Word
    choice: str
    chance: float
    culprits: np.ndarray


def questions() -> list[Word]:
    """Every question that is answered by a choice."""
    return [word for word in vocabulary().values() if word.kind == "choice" and word.question is not None]


def askable(signs: Signs) -> list[Word]:
    """The questions that are still open: those whose subject nobody has told of yet."""
    told = {vocabulary()[name].about for name in signs if name in vocabulary()}
    return [word for word in questions() if word.about not in told and fits(word, signs)]


def share_told(counts: Mapping[str, tuple[int, int]]) -> dict[str, float]:
    """Question -> how likely somebody can answer it, from how many of how many did (half a case added to each side)."""
    return {name: (k + 0.5) / (n + 1) for name, (k, n) in counts.items()}


@cache
def usually_told() -> Mapping[str, float]:
    """Question -> the share of published descriptions of a fitting wound that tell of its subject."""
    return share_told(knowledge("diagnose.culprits", "told.yaml")["told"])


def fits(word: Word, signs: Signs) -> bool:
    """Does the question make sense for this wound?"""
    wound = signs.get("wound")
    if not word.asked_of or wound is None:
        return True
    if isinstance(wound, Answer):
        return wound.choice in word.asked_of
    return isinstance(wound, Shares) and sum(wound.shares.get(kind, 0.0) for kind in word.asked_of) > 0.5


def turns(verdict: Verdict) -> Iterator[list[Turn]]:
    """For each open question, every answer it may get; only the answered sign's group is weighed anew."""
    from diagnose.culprits.verdict import with_season

    known = catalogue(verdict.without)
    signs = with_season(known, verdict.signs, verdict.place, verdict.month)
    parts = group_likelihoods(known, signs, verdict.snow_mm)
    prior = np.array(verdict.prior)
    for word in askable(verdict.signs):
        beside = [part for group, part in parts.items() if group != word.group]
        rest = np.prod([prior, *beside], axis=0)
        members = {name: sign for name, sign in signs.items()
                   if name in vocabulary() and vocabulary()[name].group == word.group
                   and is_weighed(known, vocabulary()[name])}
        yield _answers(known, word, members, rest, verdict.snow_mm)


def _answers(known: Catalogue, word: Word, members: Signs, rest: np.ndarray, snow_mm: float | None) -> list[Turn]:
    chances, after = [], []
    for choice in word.choices:
        answered = {**members, word.name: Answer(choice)}
        chances.append(float(rest @ raw_group(known, word.group, answered, snow_mm)) * _common(known, word, choice))
        unnormalised = rest * capped_group(known, word.group, answered, snow_mm)
        after.append(unnormalised / unnormalised.sum())
    total = sum(chances)
    return [Turn(word, *one) for one in zip(word.choices, (c / total for c in chances), after, strict=True)]


def _common(known: Catalogue, word: Word, choice: str) -> float:
    """How common an answer is before the culprit is thought of; only past snow is weighed given, not with, it."""
    return float(known.class_looks["place"]["snow_unknown"][choice]) if word.name == "past_snow" else 1.0


def falls(verdict: Verdict) -> dict[str, float]:
    """Question -> expected fall of uncertainty about the culprit [nat] if it is answered."""
    now = _entropy(np.array(list(verdict.culprits.values())))
    return {
        answers[0].word.name: (now - sum(one.chance * _entropy(one.culprits) for one in answers))
        * _applies(answers[0].word, verdict)
        for answers in turns(verdict)
    }


def gains(verdict: Verdict, told: Mapping[str, float] | None = None) -> dict[str, float]:
    """Question -> expected fall of uncertainty about the culprit [nat], per effort of answering.

    told : question -> how likely it is answered, not passed; None when each is.
    """
    return {name: fall * (1.0 if told is None else told[name]) / vocabulary()[name].effort
            for name, fall in falls(verdict).items()}


def _applies(word: Word, verdict: Verdict) -> float:
    """Probability that the question makes sense at all: the snow's surface can only be told of where snow lay."""
    if word.name != "snow_line" or verdict.snow_mm is not None:
        return float(word.name != "snow_line" or bool(verdict.snow_mm))
    past = verdict.signs.get("past_snow")
    if isinstance(past, Answer):
        return float(past.choice != "none")
    return 1.0 - float(catalogue(verdict.without).class_looks["place"]["snow_unknown"]["none"])


def _membership(known: Catalogue) -> np.ndarray:
    """(kinds, K) one where the culprit is of the kind."""
    kinds = list(dict.fromkeys(known.groups.values()))
    return np.array([[known.groups[key] == kind for key in known.keys] for kind in kinds], float)


def next_step(
    verdict: Verdict,
    passed: Collection[str] = (),
    barrier_of: Mapping[str, str] | None = None,
    told: Mapping[str, float] | None = None,
) -> Step:
    """The sign most worth asking for, or why asking is over.

    passed : signs that the person could not tell, not asked again. barrier_of : culprit -> what stops it; when all
    that is likely needs the same barrier, telling them apart changes nothing and is not asked for. told : question ->
    how likely it is answered, as published descriptions tell by default.
    """
    kind = max(verdict.groups, key=lambda key: verdict.groups[key])
    if verdict.groups[kind] >= CLEAR:
        return Step(None, f"{group_words()[kind]} is clear enough")
    if "wound" not in verdict.signs and "wound" not in passed:
        return Step("wound", "what was hurt decides which other questions make sense")
    if barrier_of is not None and (alike := _same_barrier(verdict, barrier_of)):
        return Step(None, f"{' and '.join(alike)} need the same barrier, so telling them apart changes nothing")
    told = usually_told() if told is None else told
    left = [name for name, fall in falls(verdict).items() if name not in passed and fall >= LEAST_GAIN]
    if not left:
        return Step(None, "no question that is left can help much")
    worth = gains(verdict, told)
    best = max(left, key=lambda name: worth[name])
    return Step(best, "it is expected to tell most for the least trouble")


def _same_barrier(verdict: Verdict, barrier_of: Mapping[str, str]) -> list[str]:
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
    return [catalogue(verdict.without).names[key] for key in alike] if len(alike) > 1 else []


def would_change(verdict: Verdict, most: int = 3) -> list[str]:
    """Answers, likeliest first, that would make another kind of culprit the likeliest, in words."""
    known = catalogue(verdict.without)
    kinds = list(dict.fromkeys(known.groups.values()))
    member = _membership(known)
    now = max(verdict.groups, key=lambda key: verdict.groups[key])
    found = []
    for answers in turns(verdict):
        for one in answers:
            then = kinds[int(np.argmax(member @ one.culprits))]
            if then != now and then != NOT_LISTED:
                words = f"{one.word.label}: {one.word.choices[one.choice]} would point to {group_words()[then]}"
                found.append((one.chance, words))
    return [words for _, words in sorted(found, reverse=True)[:most]]


@cache
def printed_key() -> tuple[Word, ...]:
    """The fixed order of questions for a one-page key: see `fixed_order`; whoever holds it looks for everything."""
    return fixed_order()


def fixed_order(told: Mapping[str, float] | None = None) -> tuple[Word, ...]:
    """The best fixed order of questions: the wound first, then by mean expected gain per effort.

    The mean is over the kinds of wound, each as often as the catalogue expects it. told : as for `gains`.
    """
    from diagnose.culprits.verdict import judge

    known = catalogue()
    wound = vocabulary()["wound"]
    often = np.array(judge({}).prior) @ known.tables["wound"]
    total: dict[str, float] = {}
    for choice, share in zip(wound.choices, often, strict=True):
        for name, gain in gains(judge({"wound": Answer(choice)}), told).items():
            total[name] = total.get(name, 0.0) + float(share) * gain
    ranked = sorted(total, key=lambda name: -total[name])
    return (wound, *(vocabulary()[name] for name in ranked))


def _entropy(shares: np.ndarray) -> float:
    kept = shares[shares > 0]
    return float(-(kept * np.log(kept)).sum()) if kept.size else math.nan
