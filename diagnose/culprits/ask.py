"""Which question is worth asking next, how many are left, and when is asking over?

A question is worth what its answers are expected to tell, above all of what decides (which barrier), for the trouble of
answering it and for how likely somebody at the plant can answer it at all. Asking is over when what is built would most
likely stay the same, whatever every question that is left might still tell, and a group that is told as sure would stay
the likeliest too. Where no place is known and another one would name another group, the place is asked for before all else.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np
from scipy.special import ndtr

from diagnose.culprits.catalogue import NOT_LISTED, TRACES, Catalogue, group_words
from diagnose.culprits.here import sample_places, seen_there, winters_of
from diagnose.culprits.likelihood import coarser_group, filled, group_of_sign, is_weighed, raw_group
from diagnose.culprits.prior import start_of
from diagnose.culprits.reach import depths_of, snow_table
from diagnose.culprits.weighing import Bench, Case
from diagnose.given import a_whole, one_of
from diagnose.knowledge import knowledge
from diagnose.places import Place
from diagnose.signs import Answer, Shares, Sign, Signs, Word, answered_so, vocabulary, with_what_follows

CLEAR = 0.95  # probability of one barrier from which no more is asked; our choice, no source
LISTED = 0.80  # probability of all that is listed, below which no barrier is taken as the answer; our choice
# Chance that what is built stays, whatever is still told, from which no more is asked: before a handful of questions was
# asked, at the handful, and after. Whoever is asked a sixth is asked until it is nearly certain. Chosen before 1,700 drawn
# wounds (seeds 101, 3001) so that half of them end within the handful and as many as possible of all keep what is built.
BUILT_STAYS, HANDFUL_STAYS, LATER_STAYS, HANDFUL = 0.93, 0.8, 0.998, 5
SURE = 0.80  # probability from which a group is told as sure; our choice
# chance that such a group stays the likeliest, from which no more is asked: with 0.95 37 of 1,000 drawn wounds (seed 9301)
# end surely wrong, with 0.985 29
SURE_STAYS = 0.985
LEAST_WORTH = 0.00002  # gain for the trouble [nat per fourth root of effort] below which a question is not asked; our choice
ALIKE = 1e-9  # gains [nat] that lie no farther apart are equal: the question that stands first is asked
BESIDE = 0.25  # weight of telling culprits apart that need the same barrier; our choice
TINY = 1e-9  # a class or an answer is never held less likely than this
PLACE = "place"  # asked for like a sign, though it is none
PLACE_QUESTION = "In which country, or part of one, does the plant stand?"
PLACE_HELP = "Which animals live there decides much. Without it the mean over far-apart places is taken."
_MOST_LEFT = 8  # questions looked ahead at most


@dataclass(frozen=True)
class Step:
    """What to do next.

    Parameters
    ----------
    question
        The sign to ask for, or PLACE; None where asking is over [no unit].
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


def question_of(name: str) -> str:
    """The question in words: of a sign, or of the place.

    Parameters
    ----------
    name
        Of a question's sign, or PLACE [no unit].

    Raises
    ------
    CannotUse
        For a name that is neither.
    """
    return PLACE_QUESTION if name == PLACE else str(vocabulary()[one_of(name, vocabulary(), "The question")].question)


def place_changes(verdict: Judged) -> bool:
    """Is no place known, and would another group be the likeliest at one of the far-apart places?

    Only how common animals are and how often about is taken from each of them; how snowy its winters are is left open.

    Parameters
    ----------
    verdict
        What is held so far [no unit].
    """
    if verdict.place is not None:
        return False
    case, member = verdict.case, _classes(verdict.case.known, None)
    signs = case.weighed

    def likeliest(bench: Bench) -> int:
        return int(np.argmax(member @ _culprits(bench, bench.made_by(bench.parts, bench.traces))))

    seen = seen_there(signs)
    starts = (start_of(case.known, each, signs, seen, case.own, case.confirmed) for each in sample_places())
    now = likeliest(Bench(case))
    return any(likeliest(Bench(case, start)) != now for start in starts)


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
        What is known of the wound; only `wound` and what the question hangs on are read [no unit].
    """
    if (word.asked_where and not answered_so(signs, word.asked_where)) or answered_so(signs, word.void_where):
        return False
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
    traces = bench.traces_answered(word.name)
    chances = ((traces / bench.traces) @ maker).tolist()
    after = [_culprits(bench, made_by) for made_by in bench.made_by(bench.parts, traces)]
    return _turns(word, _exclusive(word, chances), after)


def _wound_answered(bench: Bench, word: Word, now: np.ndarray) -> list[Turn]:
    own = [group for group in (coarser_group(word.name), group_of_sign(word)) if group]
    voided = {group_of_sign(other) for other in vocabulary().values() if word.name in other.void_where} & set(bench.parts)
    reached = {"height", "end_diameter_mm"} & set(bench.parts) if word.name in ("wound", "season") else set()
    touched = [*own, *sorted((voided | reached) - set(own))]
    rest = bench.made_by({group: likely for group, likely in bench.parts.items() if group not in touched}, bench.traces)
    weighed = [name for name in dict.fromkeys((*bench.signs, *filter(None, (word.name, word.kind_of))))
               if name in vocabulary() and name not in TRACES and is_weighed(bench.known, name)]
    tellers = {group: [name for name in weighed if group_of_sign(vocabulary()[name]) == group] for group in touched}
    signs = [with_what_follows({**bench.signs, word.name: Answer(choice)}) for choice in word.choices]
    made_by, prior = np.tile(rest, (len(signs), 1)), np.tile(bench.prior, (len(signs), 1))
    chance = np.ones_like(made_by)
    for group in touched:
        found = {at: told for at, given in enumerate(signs)
                 if (told := _raw(bench, group, tellers[group], given)) is not None}
        if not found:
            continue
        rows, raw = list(found), np.array([likely for likely, _ in found.values()])
        inside = np.array([np.broadcast_to(inside, raw.shape[1:]) for _, inside in found.values()])
        likely = filled(raw, prior[rows], bench.power) * inside
        made_by[rows] *= likely
        made_by[rows] /= np.maximum(made_by[rows].sum(axis=1, keepdims=True), 1e-300)
        if group in own:
            chance[rows] *= _mean_filled(raw, prior[rows]) * inside
            prior[rows] = bench.prior * likely if group != own[-1] else bench.prior
    chances = _snow_chances(bench) if word.name == "past_snow" else (chance @ now).tolist()
    return _turns(word, chances, [_culprits(bench, row) for row in made_by])


def _raw(
    bench: Bench, group: str, tellers: Sequence[str], signs: Signs
) -> tuple[np.ndarray, np.ndarray | float] | None:
    """(C,) likelihood of a group's signs and what is within reach; None where nothing tells of it, or nothing any more."""
    told = {name: signs[name] for name in tellers if not answered_so(signs, vocabulary()[name].void_where)}
    return raw_group(bench.known, group, told, signs, bench.case.snow_mm, bench.winters) if told else None


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
    """(..., C) the likelihood, with the others' mean for causes of which nothing is known; 1 where nothing is of any."""
    has = ~np.isnan(raw)
    there = np.where(has, raw, 0.0)
    mean = (prior * there).sum(axis=-1, keepdims=True) / np.maximum((prior * has).sum(axis=-1, keepdims=True), 1e-300)
    return np.where(has.any(axis=-1, keepdims=True), np.where(has, raw, mean), 1.0)


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
    member = _classes(verdict.case.known, barrier_of)
    now = np.array(list(verdict.culprits.values()))
    found = {}
    for answers in verdict.turns:
        word, applies = answers[0].word, _applies(answers[0].word, verdict)
        chance, culprits = np.array([one.chance for one in answers]), np.array([one.culprits for one in answers])
        deciding = float(_entropy(member @ now) - chance @ _entropy(culprits @ member.T))
        apart = float(_entropy(now) - chance @ _entropy(culprits))
        found[word.name] = applies * ((1 - BESIDE) * deciding + BESIDE * apart)
    return found


def gains(
    verdict: Judged, told: Mapping[str, float] | None = None, barrier_of: Mapping[str, str] | None = None
) -> dict[str, float]:
    """Expected information gain of each question for the trouble of answering it.

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
        Question -> gain [nat per fourth root of effort].
    """
    chance = answerable() if told is None else told
    return {name: _worth(name, fall, chance) for name, fall in falls(verdict, barrier_of).items()}


def _worth(name: str, gain: float, chance: Mapping[str, float]) -> float:
    """A question's gain for the trouble of answering it [nat per fourth root of effort].

    Before 200 drawn wounds the square root left what is built as it was 1 to 2 % less often after as many questions, and
    no less effort was needed for as much; our choice.
    """
    return gain * chance[name] / vocabulary()[name].effort ** 0.25


def _applies(word: Word, verdict: Judged) -> float:
    """Probability that the question makes sense at all: the snow's surface can only be told of where snow lay."""
    if word.name != "snow_line":
        return 1.0
    depths = depths_of(verdict.case.weighed, verdict.case.snow_mm, winters_of(verdict.place))
    past = verdict.signs.get("past_snow")
    if isinstance(past, Answer):
        return float(past.choice != "none")
    return sum(share for depth, share in depths if depth > 0)


def stays(
    verdict: Judged,
    passed: Collection[str] = (),
    class_of: Mapping[str, str] | None = None,
    told: Mapping[str, float] | None = None,
) -> float:
    """Chance that the likeliest class is still the likeliest when every question that is left was asked [0 to 1].

    Each answer moves the log odds of the likeliest class against a rival; how far on average, and how unevenly, follows
    from how likely each answer is under the one and under the other. Over many questions that sum is nearly normal, so
    that the chance to be overtaken is a tail of it. What is not answered moves nothing.

    Parameters
    ----------
    verdict
        What is known now [no unit].
    passed
        Signs that the person could not tell [no unit].
    class_of
        Culprit -> the class that decides [no unit]; groups when None.
    told
        Question -> how likely it is answered, not passed [0 to 1]; that of `answerable.yaml` when None.

    References
    ----------
    Our own; the questions are taken as independent given the class, and rivals one at a time. At every step of 200 wounds
    drawn from the model, what it put at 0.8 to 0.9 came true in 82 %, at 0.9 to 0.95 in 88 %, at 0.95 to 0.98 in 95 %, from
    there on in over 99 %.
    """
    member = _classes(verdict.case.known, class_of)
    now = np.maximum(member @ np.array(list(verdict.culprits.values())), TINY)
    first = int(np.argmax(now))
    chance = answerable() if told is None else told
    shift, spread = np.zeros((2, len(now))), np.zeros((2, len(now)))  # under the likeliest class, under the rival
    for answers in verdict.turns:
        word = answers[0].word
        if word.name in passed:
            continue
        answered = chance[word.name] * _applies(word, verdict)
        under = np.maximum([one.chance * (member @ one.culprits) / now for one in answers], TINY)
        under = under / under.sum(axis=0)  # (answers, classes) how likely each answer is under each class
        odds = np.log(under[:, [first]] / under)
        for row, likely in enumerate((under[:, [first]], under)):
            mean = answered * (likely * odds).sum(axis=0)
            shift[row] += mean
            spread[row] += answered * (likely * odds**2).sum(axis=0) - mean**2
    ahead = np.log(now[first] / now)
    overtaken = ndtr(-(ahead + shift) / np.sqrt(np.maximum(spread, TINY)))
    lost = np.minimum(now[first] * overtaken[0] + now * overtaken[1], 1.0)
    lost[first] = 0.0
    return max(1.0 - float(lost.sum()), 0.0)


def next_step(
    verdict: Judged,
    passed: Collection[str] = (),
    barrier_of: Mapping[str, str] | None = None,
    told: Mapping[str, float] | None = None,
    built_of: Mapping[str, str] | None = None,
) -> Step:
    """The sign most worth asking for, or why asking is over.

    Parameters
    ----------
    verdict
        What is held so far [no unit].
    passed
        Signs that the person could not tell, PLACE among them; they are not asked again [no unit].
    barrier_of
        Culprit -> what stops it: where all that is likely needs the same barrier, asking is over. The groups of culprits
        decide where None [no unit].
    told
        As for `gains` [no unit].
    built_of
        Culprit -> what is built against it, which may be one thing for several, and decides what is asked; `barrier_of`
        where None [no unit].
    """
    hanging = next((word.name for word in askable(verdict.signs) if word.asked_where and word.name not in passed), None)
    if hanging is not None:
        return Step(hanging, "the answer before it hangs on this one")
    if PLACE not in passed and place_changes(verdict):
        return Step(PLACE, "which animals live there would change the verdict")
    if "wound" not in verdict.signs and "wound" not in passed:
        return Step("wound", "what was hurt decides which other questions make sense")
    if barrier_of is not None and (alike := _same_barrier(verdict, barrier_of)):
        return Step(None, f"{' and '.join(alike)} need the same barrier, so telling them apart changes nothing")
    built = barrier_of if built_of is None else built_of
    worth = gains(verdict, told, built)
    value = {name: each for name, each in worth.items() if name not in passed and each >= LEAST_WORTH}
    if not value or _settled(verdict, passed, built, told):
        return Step(None, "more answers would hardly change what to buy")
    most = max(value.values())
    best = next(name for name in value if value[name] >= most - ALIKE)
    return Step(best, "it is expected to tell most for the least trouble")


def _settled(
    verdict: Judged, passed: Collection[str], built: Mapping[str, str] | None, told: Mapping[str, float] | None
) -> bool:
    """Will what is built most likely stay, and the group, if one is told as sure?"""
    asked = {*passed, *(word.name for word in questions() if word.name in verdict.signs)} - {PLACE}
    least = BUILT_STAYS if len(asked) < HANDFUL else HANDFUL_STAYS if len(asked) == HANDFUL else LATER_STAYS
    if stays(verdict, passed, built, told) < least:
        return False
    return max(verdict.groups.values()) < SURE or stays(verdict, passed, None, told) >= SURE_STAYS


def questions_left(
    verdict: Judged, passed: Collection[str] = (), barrier_of: Mapping[str, str] | None = None,
    built_of: Mapping[str, str] | None = None,
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
    built_of
        Culprit -> what is built against it, which may be one thing for several; `barrier_of` where None [no unit].
    """
    count, done = 0, set(passed)
    while count < _MOST_LEFT and (asked := next_step(verdict, done, barrier_of, None, built_of).question) is not None:
        count += 1
        done.add(asked)
        if asked == PLACE:
            continue
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


def _entropy(shares: np.ndarray) -> np.ndarray:
    """Of shares along the last axis [nat]; nan where there are none."""
    there = shares > 0
    kept = np.where(there, shares, 1.0)
    return np.where(there.any(axis=-1), -(kept * np.log(kept)).sum(axis=-1), np.nan)
