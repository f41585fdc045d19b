"""Given the signs of one wound, how likely is each culprit, why, who else is about, and what is still worth asking?

The model: place, season and setting give how often each cause makes such wounds. One cause made this one. The wound
depends on who bit, the traces on who was about; who bit was about for sure (traces.py). How common animals and their
traces are is hardly published, so the verdict is worked out at a low and a high end of both too, and a headline stands
only where the same group leads at each.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.culprits import ask
from diagnose.culprits.catalogue import NOT_LISTED, TRACES, Catalogue, group_words, lineage_of
from diagnose.culprits.here import Where, place_from
from diagnose.culprits.old_names import name_of
from diagnose.culprits.prior import place_words, prior_words
from diagnose.culprits.tables import words
from diagnose.culprits.weighing import HIGH, LOW, MIDDLE, Bench, Case
from diagnose.figures import figure, percent
from diagnose.given import a_share, one_of
from diagnose.places import Place
from diagnose.signs import Answer, Several, Shares, Sign, Signs, vocabulary

OUTSIDE = 0.30  # probability of something not listed from which the evidence is called unusual; our choice
_ALIKE = 0.015  # probability from which shears beside a rabbit or hare are worth a word; our choice
HOLDS = 0.75  # share of its group from which a headline names a culprit; our choice
CLEARLY = 0.8  # share of animals, or of other causes, from which only a look for those is advised; our choice
ALL_BUT = 0.9  # share of its group from which a list names a culprit; our choice


@dataclass(frozen=True)
class Reason:
    """How much one sign speaks for the likeliest culprit, or against it.

    Parameters
    ----------
    sign, words, weight
        Its name, what was found, and the change of the culprit's log odds, positive for it [no unit, no unit, nat].
    """

    sign: str
    words: str
    weight: float


@dataclass(frozen=True)
class Verdict:
    """Who made one wound, and who is about.

    Parameters
    ----------
    culprits, groups
        Culprit, or group of the top -> probability that it made the wound; each add up to 1 [no unit].
    presence
        Animal -> probability that it is about and bites there, each by itself; they do not add up to 1 [no unit].
    leading, ends
        Key of what leads clearly, None when nothing does; likeliest group at the low and the high end of what is held of
        presence and traces [no unit].
    case, moved_by
        What was judged; what moved the start away from the place's, a line each [no unit].
    """

    culprits: Mapping[str, float]
    groups: Mapping[str, float]
    presence: Mapping[str, float]
    leading: str | None
    ends: tuple[str, str]
    case: Case
    moved_by: tuple[str, ...] = ()

    @property
    def signs(self) -> Signs:
        """What was told of the wound."""
        return self.case.signs

    @property
    def place(self) -> Place | None:
        """Where it is; None where that is not known."""
        return self.case.place

    @property
    def version(self) -> str:
        """Digest of the catalogue that judged."""
        return self.case.known.version

    @property
    def first(self) -> str:
        """The likeliest culprit, clear or not."""
        return max(self.culprits, key=lambda key: self.culprits[key])

    def probability(self, name: str) -> float:
        """Probability that a culprit, or any of a group, made the wound.

        Parameters
        ----------
        name
            Key of the culprit or the group, else CannotUse is raised [no unit].
        """
        return share_of(self.case.known, self.culprits, name)

    @cached_property
    def tree(self) -> dict[str, float]:
        """Every group of every level -> probability; those of one level under one group sum to that group."""
        found: dict[str, float] = {}
        for key, share in self.culprits.items():
            for group in lineage_of(self.case.known.parents[key]):
                found[group] = found.get(group, 0.0) + share
        return found

    @cached_property
    def ranked(self) -> list[tuple[str, float]]:
        """(culprit or group, probability), likeliest first, each group at the level that the signs support.

        A group is told as one, unless one of its members holds nearly all of it; nothing is told twice.
        """
        found = []
        for group, share in self.groups.items():
            chances = {**self.tree, **self.culprits}
            name = _lowest(self.case.known, self.culprits, group, ALL_BUT)
            found.append((name, share if name == group else chances[name]))
        return sorted(found, key=lambda item: -item[1])

    @cached_property
    def reasons(self) -> tuple[Reason, ...]:
        """What each sign does to the likeliest culprit (or its group), strongest first."""
        target = self.leading if self.leading is not None else self.first
        whole = _logit(self.probability(target))
        found = []
        for name, sign in self.signs.items():
            others = {other: value for other, value in self.signs.items() if other != name}
            bare = posterior(replace(self.case, signs=others))
            found.append(Reason(name, sign_words(name, sign), whole - _logit(share_of(self.case.known, bare, target))))
        return tuple(sorted(found, key=lambda reason: -abs(reason.weight)))

    @cached_property
    def next_question(self) -> str | None:
        """The sign most worth asking for, by expected gain in certainty for the trouble, or `place`; None when none is."""
        return self.question_beside(())

    def question_beside(
        self, passed: Collection[str], barrier_of: Mapping[str, str] | None = None,
        built_of: Mapping[str, str] | None = None,
    ) -> str | None:
        """As `next_question`, when some questions were answered with "don't know".

        Parameters
        ----------
        passed
            Signs that the person could not tell [no unit].
        barrier_of
            Culprit -> what stops it; the groups of culprits decide where None [no unit].
        built_of
            Culprit -> what is built against it; asking ends when the answers that are left would hardly change that.
            `barrier_of` where None [no unit].
        """
        return ask.next_step(self, passed, barrier_of, None, built_of).question

    @cached_property
    def turns(self) -> list[list[ask.Turn]]:
        """For each open question, every answer it may get."""
        return ask.turns(self.case)

    @cached_property
    def would_change(self) -> list[str]:
        """Answers that would make another kind of culprit the likeliest, in words."""
        return ask.would_change(self)

    @property
    def warning(self) -> str | None:
        """A line when the evidence lies outside what the catalogue knows."""
        if self.culprits.get(NOT_LISTED, 0.0) >= OUTSIDE:
            return ("The signs do not fit anything listed well. Look again at the freshest damage, or ask "
                    "somebody local who knows animal signs.")
        return None

    @property
    def where(self) -> str:
        """What is known of who lives there, in one line."""
        return place_words(self.case.known, self.place)

    @property
    def statement(self) -> str:
        """The verdict in one sentence."""
        if self.leading is None:
            ranked = sorted(self.groups, key=lambda key: -self.groups[key])[:2]
            pair = ", ".join(f"{group_words()[key]} {percent(self.groups[key])}" for key in ranked)
            return f"Cannot tell yet. Likeliest: {pair}."
        return f"Most likely {name_of(self.leading)}: {percent(self.probability(self.leading))}."

    def with_sign(self, name: str, sign: Sign) -> Verdict:
        """The verdict if this sign were known too.

        Parameters
        ----------
        name
            Of the sign [no unit].
        sign
            What would be known, in the sign's unit.
        """
        return judge_case(replace(self.case, signs={**self.signs, name: sign}), self.moved_by)

    def as_json(self) -> dict[str, Any]:
        """The object that the command prints under `verdict`."""
        ranked = sorted(self.culprits.items(), key=lambda item: -item[1])
        asked = self.next_question
        about = sorted(self.presence.items(), key=lambda item: -item[1])
        return {
            "culprits": {key: round(share, 4) for key, share in ranked},
            "groups": {key: round(share, 4) for key, share in sorted(self.groups.items(), key=lambda g: -g[1])},
            "presence": {key: round(share, 4) for key, share in about},
            "leading": self.leading,
            "statement": self.statement,
            "next_question": None if asked is None else ask.question_of(asked),
            "next_sign": asked,
            "for": [reason.words for reason in self.reasons if reason.weight > 0.05],
            "prior": list(self.moved_by),
            "against": [reason.words for reason in self.reasons if reason.weight < -0.05],
            "would_change": self.would_change,
            "settle": self.settle,
            "warning": self.warning,
            "region": None if self.place is None else self.place.name,
            "where": self.where,
            "catalogue": self.version,
        }

    @property
    def settle(self) -> str:
        """Which look would settle the matter: for animals, for other causes, or for both where either may be it."""
        animals = sum(share for key, share in self.culprits.items() if self.case.known.kinds[key] in ("mammal", "bird"))
        told = []
        if animals >= 1 - CLEARLY:
            told.append(self._shears + "A trail camera for a week or two, or tracks in fresh snow or raked soil, would "
                                       "settle it; saliva DNA can while the bite is fresh.")
        if animals <= CLEARLY:
            told.append(f"Look for the cause itself{' too' if told else ''}: insects, frass, recent frost, spraying or "
                        "machine work.")
        return " ".join(told)

    @property
    def _shears(self) -> str:
        """A clean cut alone does not tell teeth from shears (source U2 of the catalogue): somebody has to be asked."""
        alike = self.groups.get("rabbit_or_hare", 0.0) >= _ALIKE and self.culprits.get("shears", 0.0) >= _ALIKE
        return "Ask first whether anybody pruned or cleared there: shears leave the same clean cut. " if alike else ""


def judge(
    signs: Signs,
    place: Where = None,
    month: int | None = None,
    prior: Mapping[str, float] | None = None,
    snow_mm: float | None = None,
    confirmed: Mapping[str, float] | None = None,
    without: str | None = None,
    without_sources: Collection[str] = (),
) -> Verdict:
    """The verdict on one wound: the posterior of each culprit by Bayes' rule, with what speaks for and against it.

    Parameters
    ----------
    signs
        What is known of it, each sign in its own unit.
    place
        A Place; latitude and longitude [degree]; or the name or code of a country or a part of one. None where it is not
        known: then the wound alone is judged.
    month
        Of finding, 1 to 12; the season of making it is then a soft guess, if not answered [no unit].
    prior
        Own weights by culprit or group, in place of the place's [no unit].
    snow_mm
        Depth of snow that lay when it was made, 0 to 6000 [mm]; None where not known.
    confirmed
        Wounds here confirmed from outside, by culprit [wounds].
    without
        Culprit to leave out of the catalogue [no unit].
    without_sources
        Keys of sources to leave out, as if they had never been read [no unit].

    Raises
    ------
    CannotUse
        For a name that is no place, a month that is none, weights or a depth that make no sense.

    References
    ----------
    Bayes' rule; likelihoods of signs from the rows of the catalogue, each with its source (*What each culprit leaves, and
    who says so*). Its form, the power of the wound's signs and how traces enter: our own (*How a verdict is reached*).

    Examples
    --------
    >>> from diagnose.signs import parse_signs
    >>> verdict = judge(parse_signs({"wound": "severed_shoot", "cut_form": "torn"}), place="DE")
    >>> max(verdict.groups, key=verdict.groups.get)
    'deer'
    """
    if month is not None and month not in range(1, 13):
        raise CannotUse(f"{month} is no month: say 1 to 12")
    if snow_mm is not None and not (math.isfinite(snow_mm) and 0 <= snow_mm <= 6000):
        raise CannotUse("the snow depth must lie between 0 and 6000 mm")
    case = Case(signs, place_from(place), month, snow_mm, prior, confirmed, without, frozenset(without_sources))
    return judge_case(case, prior_words(prior, confirmed))


def judge_case(case: Case, moved_by: tuple[str, ...] = ()) -> Verdict:
    """The verdict on one case.

    Parameters
    ----------
    case
        What the wound is judged from [no unit].
    moved_by
        What moved the start away from the place's, a line each [no unit].
    """
    known = case.known
    bench = Bench(case)
    middle = bench.weighed(MIDDLE)
    culprits = by_culprit(known, middle.made_by)
    groups = by_group(known, culprits)
    has_traces = any(name in TRACES for name in case.signs)
    ends = []
    for end in (LOW, HIGH):
        there = by_group(known, by_culprit(known, bench.weighed(end).made_by)) if has_traces else groups
        ends.append(max(there, key=lambda key: there[key]))
    presence = {key: float(middle.about[row]) for row, key in enumerate(known.keys) if known.animal[row]}
    return Verdict(culprits, groups, presence, _leading(known, culprits, groups, ends), (ends[0], ends[1]), case, moved_by)


def posterior(case: Case) -> dict[str, float]:
    """Culprit -> probability that it made the wound.

    Parameters
    ----------
    case
        What the wound is judged from [no unit].
    """
    return by_culprit(case.known, Bench(case).weighed(MIDDLE).made_by)


def by_culprit(known: Catalogue, made_by: np.ndarray) -> dict[str, float]:
    """Culprit -> probability, summed over what it does.

    Parameters
    ----------
    known
        The catalogue [no unit].
    made_by
        (C,) probability of each cause [no unit].
    """
    shares = np.bincount(known.of, made_by, len(known.keys))
    shares = np.maximum(shares, 1e-12)  # nothing is impossible
    return dict(zip(known.keys, (shares / shares.sum()).tolist(), strict=True))


def by_group(known: Catalogue, culprits: Mapping[str, float]) -> dict[str, float]:
    """Group at the top of the tree -> probability.

    Parameters
    ----------
    known
        The catalogue [no unit].
    culprits
        Culprit -> probability, 0 to 1 [no unit].
    """
    groups: dict[str, float] = {}
    for key, share in culprits.items():
        a_share(share, "A probability"), one_of(key, known.groups, "The culprit")
        groups[known.groups[key]] = groups.get(known.groups[key], 0.0) + share
    return groups


def share_of(known: Catalogue, culprits: Mapping[str, float], name: str) -> float:
    """Probability of a culprit or of all of a group.

    Parameters
    ----------
    known
        The catalogue [no unit].
    culprits
        Culprit -> probability, 0 to 1 [no unit].
    name
        Key of the culprit or the group [no unit].

    Raises
    ------
    CannotUse
        For a name that is neither.
    """
    if name in culprits:
        return a_share(culprits[name], "A probability")
    if name not in group_words():
        raise CannotUse(f"'{name}' is no culprit and no group")
    return sum(share for key, share in culprits.items() if name in lineage_of(known.parents[key]))


def _above(known: Catalogue, key: str) -> str | None:
    """The group right above a culprit or group; None at the top."""
    if known.parents.get(key, key) != key:
        return known.parents[key]
    chain = lineage_of(key) if key in group_words() else ()
    return chain[1] if len(chain) > 1 else None


def _leading(
    known: Catalogue, culprits: Mapping[str, float], groups: Mapping[str, float], ends: Collection[str]
) -> str | None:
    """The group that leads, at all `ends` too, or the part of it that holds most; None where none or one not listed does."""
    ranked = sorted(groups, key=lambda key: -groups[key])
    first, second = ranked[0], ranked[1]
    least, ratio = words()["lead_probability"], words()["lead_ratio"]
    if any(end != first for end in ends) or groups[first] < least or groups[first] < ratio * groups[second]:
        return None
    return None if first == known.groups.get(NOT_LISTED) else _lowest(known, culprits, first, HOLDS)


def _lowest(known: Catalogue, culprits: Mapping[str, float], group: str, holds: float) -> str:
    """The lowest group or culprit below a group that holds at least a share of all of it."""
    chances: dict[str, float] = dict(culprits)
    for key, share in culprits.items():
        for above in lineage_of(known.parents[key]):
            if above != key:
                chances[above] = chances.get(above, 0.0) + share
    name = group
    while True:
        below = [key for key in chances if _above(known, key) == name and key != name]
        best = max(below, key=lambda key: chances[key], default=None)
        if best is None or chances[best] < holds * chances[group]:
            return name
        name = best


def sign_words(name: str, sign: Sign) -> str:
    """A sign in words: what it is and what was found.

    Parameters
    ----------
    name
        Of the sign [no unit].
    sign
        What was found, in the sign's unit.
    """
    word = vocabulary().get(name)
    label = name.replace("_", " ") if word is None else word.label
    if word is not None and isinstance(sign, Answer):
        return f"{label}: {word.choices[sign.choice]}"
    if word is not None and isinstance(sign, Several):
        return f"{label}: {' and '.join(word.choices[choice] for choice in sign.found)}" + (
            "; nothing else there" if sign.complete else "")
    if word is not None and word.kind == "choice" and isinstance(sign, Shares):
        likeliest = max(sign.shares, key=lambda choice: sign.shares[choice])
        return f"{label}: {word.choices[likeliest]} ({percent(sign.shares[likeliest])})"
    return f"{label}: {figure(name, sign)}"


def _logit(share: float) -> float:
    share = min(max(share, 1e-9), 1 - 1e-9)
    return math.log(share / (1 - share))
