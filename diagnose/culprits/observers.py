"""Does asking the most telling question next save questions, and is what it stops at still true after all of them?

Persons are simulated before wounds drawn from the model with misreading (worlds.py). They answer a question as often as
somebody at the plant can, the same way whenever asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.culprits.ask import SURE, answerable, askable, fits, next_step
from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.check import clopper_pearson
from diagnose.culprits.verdict import Verdict, judge
from diagnose.culprits.worlds import THE_MODELS, World, Wound, draw_wounds
from diagnose.given import MOST_SEED, a_whole
from diagnose.signs import Sign, vocabulary

PLACES = ("DE", "US-NY", "GB", "US-OR", "FI", "CA-BC")


@dataclass(frozen=True)
class Run:
    """One person before one wound.

    Parameters
    ----------
    asked
        Questions until the end [no unit].
    named, in_the_end
        What is built, when asking stopped and after every question [no unit].
    regret
        How much less likely what is built is, after every question, than what would be built then [share].
    same_need
        Is what stops the culprit the same then, too, where no barrier does as well? [no unit]
    surely_wrong
        Was another group than the maker's at SURE or more then? [no unit]
    """

    asked: int
    named: str
    in_the_end: str
    regret: float
    same_need: bool
    surely_wrong: bool


def seen_by(wound: Wound, seed: int) -> dict[str, Sign]:
    """The answers that a person can give: each question as often as it is answerable.

    Parameters
    ----------
    wound
        A drawn wound with an answer to every question [no unit].
    seed
        Of the draws [no unit].
    """
    draw = np.random.default_rng(a_whole(seed, "The seed", most=MOST_SEED))
    chance = answerable()
    return {name: sign for name, sign in wound.answers.items() if draw.random() < chance.get(name, 1.0)}


def class_of(verdict: Verdict, barrier_of: Mapping[str, str] | None) -> str:
    """The likeliest class that decides: what stops the culprit, or its group where nothing is given.

    Parameters
    ----------
    verdict
        Of one wound [no unit].
    barrier_of
        Culprit -> what stops it; the groups of culprits decide where None [no unit].
    """
    shares = _by_class(verdict, barrier_of)
    return max(shares, key=lambda name: shares[name])


def _by_class(verdict: Verdict, barrier_of: Mapping[str, str] | None) -> dict[str, float]:
    """Class that decides -> its probability."""
    shares: dict[str, float] = {}
    for key, share in verdict.culprits.items():
        name = catalogue().groups[key] if barrier_of is None else barrier_of.get(key, key)
        shares[name] = shares.get(name, 0.0) + share
    return shares


def guided(
    wound: Wound, seen: Mapping[str, Sign], barrier_of: Mapping[str, str] | None = None,
    built_of: Mapping[str, str] | None = None,
) -> Run:
    """The run in which each next question is the one that is expected to tell most.

    Parameters
    ----------
    wound
        A drawn wound [no unit].
    seen
        The answers that the person can give, by sign [no unit].
    barrier_of
        As for `class_of` [no unit].
    built_of
        Culprit -> what is built against it, which may be one thing for several; `barrier_of` where None [no unit].
    """
    verdict, passed = judge({}, wound.place), set[str]()
    while (asked := next_step(verdict, passed, barrier_of, None, built_of).question) is not None:
        passed.add(asked)
        if asked in seen:
            verdict = verdict.with_sign(asked, seen[asked])
    return _run(wound, seen, verdict, len(passed), barrier_of, built_of)


def shuffled(
    wound: Wound, seen: Mapping[str, Sign], seed: int, barrier_of: Mapping[str, str] | None = None,
    built_of: Mapping[str, str] | None = None,
) -> Run:
    """The run down the same questions in a random order, until the guided one would stop.

    Parameters
    ----------
    wound
        A drawn wound [no unit].
    seen
        The answers that the person can give, by sign [no unit].
    seed
        Of the order [no unit].
    barrier_of
        As for `class_of` [no unit].
    built_of
        Culprit -> what is built against it, which may be one thing for several; `barrier_of` where None [no unit].
    """
    draw = np.random.default_rng(a_whole(seed, "The seed", most=MOST_SEED))
    verdict, passed = judge({}, wound.place), set[str]()
    while next_step(verdict, passed, barrier_of, None, built_of).question is not None:
        left = [word.name for word in askable(verdict.signs) if word.name not in passed]
        if not left:
            break
        asked = str(draw.choice(left))
        passed.add(asked)
        if asked in seen:
            verdict = verdict.with_sign(asked, seen[asked])
    return _run(wound, seen, verdict, len(passed), barrier_of, built_of)


def _run(
    wound: Wound, seen: Mapping[str, Sign], verdict: Verdict, asked: int, barrier_of: Mapping[str, str] | None,
    built_of: Mapping[str, str] | None,
) -> Run:
    every = {name: sign for name, sign in seen.items() if fits(vocabulary()[name], seen)}
    whole = judge(every, wound.place)
    kind = max(verdict.groups, key=lambda key: verdict.groups[key])
    wrong = verdict.groups[kind] >= SURE and kind != catalogue().groups[wound.maker]
    built = barrier_of if built_of is None else built_of
    named, then = class_of(verdict, built), _by_class(whole, built)
    return Run(asked, named, class_of(whole, built), max(then.values()) - then[named],
               class_of(verdict, barrier_of) == class_of(whole, barrier_of), wrong)


def questions_saved(
    wounds: int = 300, seed: int = 1, barrier_of: Mapping[str, str] | None = None, world: World = THE_MODELS,
    shuffle: bool = True, built_of: Mapping[str, str] | None = None,
) -> dict[str, float]:
    """Questions asked, how often what was named then stays, and how often it is surely wrong.

    Parameters
    ----------
    wounds
        How many are drawn, one or more [no unit].
    seed
        Of the draws [no unit].
    barrier_of
        As for `class_of` [no unit].
    built_of
        Culprit -> what is built against it, which may be one thing for several; `barrier_of` where None [no unit].
    world
        That the wounds are drawn from [no unit].
    shuffle
        True to run the shuffled order too, which takes long [no unit].

    Returns
    -------
    dict of str to float
        `median` and `mean` are questions until asking is over. `stays` is the share in which what is built by what was
        known then is built after every question too, `same_need` the same of what stops the culprit. `regret` is how much less
        likely what is built is, after every question, than what would be built then, on average. `surely_wrong` is the
        share that stops at 0.8 or more for a wrong group, with its upper limit, of 95 % on both sides, in
        `surely_wrong_at_most`. `shuffled` is the mean of questions in a random order, `runs` the number of wounds.
    """
    drawn = draw_wounds(wounds, PLACES, seed, world)
    seen = [seen_by(wound, seed + number) for number, wound in enumerate(drawn)]
    runs = [guided(wound, told, barrier_of, built_of) for wound, told in zip(drawn, seen, strict=True)]
    wrong = sum(run.surely_wrong for run in runs)
    found = {
        "runs": float(wounds),
        "median": float(np.median([run.asked for run in runs])),
        "mean": float(np.mean([run.asked for run in runs])),
        "stays": float(np.mean([run.named == run.in_the_end for run in runs])),
        "regret": float(np.mean([run.regret for run in runs])),
        "same_need": float(np.mean([run.same_need for run in runs])),
        "surely_wrong": wrong / wounds,
        "surely_wrong_at_most": clopper_pearson(wrong, wounds)[1],
    }
    if shuffle:
        found["shuffled"] = _mean([shuffled(wound, told, seed + number, barrier_of, built_of).asked
                                   for number, (wound, told) in enumerate(zip(drawn, seen, strict=True))])
    return found


def _mean(values: Sequence[int]) -> float:
    return float(np.mean(values))
