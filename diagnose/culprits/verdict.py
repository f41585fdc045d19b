"""Given the signs of one wound, how likely is each culprit, why, and what is still worth asking?"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from diagnose.culprits.catalogue import NOT_LISTED, Catalogue, catalogue, group_words
from diagnose.culprits.likelihood import group_likelihoods
from diagnose.culprits.prior import prior_of, prior_words, region_of
from diagnose.signs import Answer, Shares, Sign, Signs, vocabulary

_SEASONS = ("winter", "spring", "summer", "autumn")
_OUTSIDE = 0.30  # probability of something not listed from which the evidence is called unusual; our choice

_ALIKE = 0.04  # probability from which shears beside a rabbit or hare are worth a word; our choice


@dataclass(frozen=True)
class Reason:
    """How much one sign speaks for (positive) or against the culprit, as the change of its log odds [nat]."""

    sign: str
    words: str
    weight: float


@dataclass(frozen=True)
class Verdict:
    """The culprits of one wound with their probabilities, which sum to one.

    leading : key of the culprit or group that leads clearly, None when none does. groups : summed by kind. moved_by :
    what moved the prior away from the region's (own weights, what was confirmed here), a line each.
    """

    culprits: Mapping[str, float]
    groups: Mapping[str, float]
    leading: str | None
    signs: Signs
    place: str | None
    month: int | None
    snow_mm: float | None
    prior: tuple[float, ...]
    without: str | None = None
    moved_by: tuple[str, ...] = ()

    @property
    def version(self) -> str:
        """Digest of the catalogue that judged."""
        return catalogue(self.without).version

    @property
    def first(self) -> str:
        """The likeliest culprit, clear or not."""
        return max(self.culprits, key=lambda key: self.culprits[key])

    def probability(self, name: str) -> float:
        """Probability of a culprit or group key."""
        return self.culprits[name] if name in self.culprits else self.groups[name]

    @cached_property
    def reasons(self) -> tuple[Reason, ...]:
        """What each sign does to the likeliest culprit (or its group), strongest first."""
        target = self.leading if self.leading is not None else self.first
        whole = _logit(self.probability(target))
        found = []
        for name, sign in self.signs.items():
            others = {other: value for other, value in self.signs.items() if other != name}
            bare = self._again(others)
            found.append(Reason(name, sign_words(name, sign), whole - _logit(bare.probability(target))))
        return tuple(sorted(found, key=lambda reason: -abs(reason.weight)))

    @cached_property
    def next_question(self) -> str | None:
        """The sign most worth asking for, by expected gain in certainty per effort; None when none is."""
        return self.question_beside(())

    def question_beside(
        self, passed: Collection[str], barrier_of: Mapping[str, str] | None = None
    ) -> str | None:
        """As `next_question`, when the questions in `passed` were answered with "don't know".

        barrier_of : culprit -> what stops it; asking ends when one barrier answers all that is likely.
        """
        from diagnose.culprits.ask import next_step

        return next_step(self, passed, barrier_of).question

    @cached_property
    def would_change(self) -> list[str]:
        """Answers that would make another kind of culprit the likeliest, in words."""
        from diagnose.culprits.ask import would_change

        return would_change(self)

    @property
    def warning(self) -> str | None:
        """A line when the evidence lies outside what the catalogue knows."""
        if self.culprits.get(NOT_LISTED, 0.0) >= _OUTSIDE:
            return ("The signs do not fit anything listed well. Look again at the freshest damage, or ask "
                    "somebody local who knows animal signs.")
        return None

    @property
    def statement(self) -> str:
        """The verdict in one sentence."""
        known = catalogue(self.without)
        if self.leading is None:
            ranked = sorted(self.groups, key=lambda key: -self.groups[key])[:2]
            pair = ", ".join(f"{group_words()[key]} {_percent(self.groups[key])}" for key in ranked)
            return f"Cannot tell yet. Likeliest: {pair}."
        share = self.probability(self.leading)
        name = known.names.get(self.leading) or group_words()[self.leading]
        return f"Most likely {name}: {_percent(share)}."

    def with_sign(self, name: str, sign: Sign) -> Verdict:
        """The verdict if this sign were known too."""
        return self._again({**self.signs, name: sign})

    def _again(self, signs: Signs) -> Verdict:
        return _judge(signs, self.place, self.month, self.snow_mm, np.array(self.prior), self.without, self.moved_by)

    def as_json(self) -> dict[str, Any]:
        """The object that the command prints under `verdict`."""
        ranked = sorted(self.culprits.items(), key=lambda item: -item[1])
        asked = self.next_question
        return {
            "culprits": {key: round(share, 4) for key, share in ranked},
            "groups": {key: round(share, 4) for key, share in sorted(self.groups.items(), key=lambda g: -g[1])},
            "leading": self.leading,
            "statement": self.statement,
            "next_question": None if asked is None else vocabulary()[asked].question,
            "next_sign": asked,
            "for": [reason.words for reason in self.reasons if reason.weight > 0.05],
            "prior": list(self.moved_by),
            "against": [reason.words for reason in self.reasons if reason.weight < -0.05],
            "would_change": self.would_change,
            "settle": self.settle,
            "warning": self.warning,
            "region": self.place,
            "catalogue": self.version,
        }

    @property
    def settle(self) -> str:
        """Which look would settle the matter."""
        kinds = catalogue(self.without).kinds
        if kinds[self.first] in ("mammal", "bird"):
            return self._shears + ("A trail camera for a week or two, or tracks in fresh snow or raked soil, would settle "
                                   "it; saliva DNA can while the bite is fresh.")
        return "Look for the cause itself: insects, frass, recent frost, spraying or machine work."

    @property
    def _shears(self) -> str:
        """A clean cut alone does not tell teeth from shears (source U2 of the catalogue): somebody has to be asked."""
        alike = self.groups.get("rabbit_or_hare", 0.0) >= _ALIKE and self.culprits.get("shears", 0.0) >= _ALIKE
        return "Ask first whether anybody pruned or cleared there: shears leave the same clean cut. " if alike else ""


def judge(
    signs: Signs,
    place: str | tuple[float, float] | None = None,
    month: int | None = None,
    prior: Mapping[str, float] | None = None,
    snow_mm: float | None = None,
    confirmed: Mapping[str, float] | None = None,
    without: str | None = None,
) -> Verdict:
    """The verdict on one wound.

    signs : what is known of it. place : region key, or latitude and longitude [degree]. month : of finding, 1 to
    12; the season of making it is then a soft guess, if not answered. prior : own weights by culprit, in place of
    the regional ones. snow_mm : depth of snow that lay [mm], None when unknown. confirmed : wounds confirmed from
    outside, by culprit. without : leave one culprit out of the catalogue. Raises CannotUse for an unknown region.
    """
    region = region_of(place)
    start = prior_of(catalogue(without), region, prior, confirmed)
    return _judge(signs, region, month, snow_mm, start, without, prior_words(prior, confirmed))


def _judge(
    signs: Signs, region: str | None, month: int | None, snow_mm: float | None, prior: np.ndarray,
    without: str | None, moved_by: tuple[str, ...] = (),
) -> Verdict:
    known = catalogue(without)
    posterior, _ = weigh(known, signs, region, month, snow_mm, prior)
    culprits = dict(zip(known.keys, posterior.tolist(), strict=True))
    groups: dict[str, float] = {}
    for key, share in culprits.items():
        groups[known.groups[key]] = groups.get(known.groups[key], 0.0) + share
    return Verdict(culprits, groups, _leading(known, culprits, groups), dict(signs), region, month, snow_mm,
                   tuple(prior.tolist()), without, moved_by)


def weigh(
    known: Catalogue, signs: Signs, region: str | None, month: int | None, snow_mm: float | None, prior: np.ndarray
) -> tuple[np.ndarray, float]:
    """(K,) posterior probabilities, and the evidence that they were divided by."""
    weighed = with_season(known, signs, region, month)
    unnormalised = prior.copy()
    for likelihood in group_likelihoods(known, weighed, snow_mm).values():
        unnormalised = unnormalised * likelihood
    total = float(unnormalised.sum())
    return unnormalised / total, total


def with_season(known: Catalogue, signs: Signs, region: str | None, month: int | None) -> Signs:
    """The signs, with a soft guess of the season where only the month of finding is known."""
    if month is None or "season" in signs:
        return signs
    return {**signs, "season": season_guess(month, region, known.softness["season_from_month"])}


def season_guess(month: int, region: str | None, shares: Sequence[float]) -> Shares:
    """How likely a wound found in this month was made in each season (northern: every region is)."""
    now = (month % 12) // 3
    order = [_SEASONS[(now - back) % 4] for back in range(4)]
    return Shares(dict(zip(order, shares, strict=True)), "default")


def _leading(known: Catalogue, culprits: Mapping[str, float], groups: Mapping[str, float]) -> str | None:
    """The culprit that leads clearly, else the group that does, else None; something not listed never leads."""
    for shares in (culprits, groups):
        ranked = sorted(shares, key=lambda key: -shares[key])
        best, second = ranked[0], ranked[1]
        enough = shares[best] >= known.softness["lead_probability"]
        apart = shares[best] >= known.softness["lead_ratio"] * shares[second]
        if enough and apart and best != NOT_LISTED:
            return best
    return None


def sign_words(name: str, sign: Sign) -> str:
    """A sign in words: what it is and what was found."""
    from diagnose.figures import figure

    word = vocabulary().get(name)
    label = name.replace("_", " ") if word is None else word.label
    if word is not None and isinstance(sign, Answer):
        return f"{label}: {word.choices[sign.choice]}"
    if word is not None and word.kind == "choice" and isinstance(sign, Shares):
        likeliest = max(sign.shares, key=lambda choice: sign.shares[choice])
        return f"{label}: {word.choices[likeliest]} ({_percent(sign.shares[likeliest])})"
    return f"{label}: {figure(name, sign)}"


def _logit(share: float) -> float:
    share = min(max(share, 1e-9), 1 - 1e-9)
    return math.log(share / (1 - share))


def _percent(share: float) -> str:
    from diagnose.figures import percent

    return percent(share)
