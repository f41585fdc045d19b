"""Which question is worth asking next, and when is asking over?"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

import numpy as np

from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.verdict import weigh
from diagnose.signs import Answer, Shares, Signs, Word, vocabulary

if TYPE_CHECKING:
    from diagnose.culprits.verdict import Verdict

CLEAR = 0.90  # probability of one group from which no more is asked; our choice, no source
LEAST_GAIN = 0.02  # expected gain [nat per effort] below which a question is not worth asking; our choice


def askable(signs: Signs) -> list[Word]:
    """The questions that are still open: choices with a question whose subject nobody has told of yet."""
    told = {vocabulary()[name].about for name in signs if name in vocabulary()}
    return [
        word for word in vocabulary().values()
        if word.kind == "choice" and word.question is not None and word.about not in told and _fits(word, signs)
    ]


def _fits(word: Word, signs: Signs) -> bool:
    wound = signs.get("wound")
    if not word.asked_of or wound is None:
        return True
    if isinstance(wound, Answer):
        return wound.choice in word.asked_of
    return isinstance(wound, Shares) and sum(wound.shares.get(kind, 0.0) for kind in word.asked_of) > 0.5


def gains(verdict: Verdict) -> dict[str, float]:
    """Question -> expected fall of uncertainty about the kind of culprit [nat], per effort of answering."""
    known = catalogue(verdict.without)
    prior = np.array(verdict.prior)
    kinds = sorted(set(known.groups.values()))
    member = np.array([[known.groups[key] == kind for key in known.keys] for kind in kinds], float)
    now = _entropy(member @ np.array([verdict.culprits[key] for key in known.keys]))
    found = {}
    for word in askable(verdict.signs):
        weights, left = [], []
        for choice in word.choices:
            signs = {**verdict.signs, word.name: Answer(choice)}
            posterior, _ = weigh(known, signs, verdict.place, verdict.month, verdict.snow_mm, prior)
            weights.append(_chance(verdict, known.tables, word, choice))
            left.append(_entropy(member @ posterior))
        shares = np.array(weights) / sum(weights)
        found[word.name] = (now - float(shares @ left)) / word.effort
    return found


def _chance(verdict: Verdict, tables: Mapping[str, np.ndarray], word: Word, choice: str) -> float:
    """How likely this answer is, given what is known; through the latent class where the sign has no table."""
    known = catalogue(verdict.without)
    shares = np.array([verdict.culprits[key] for key in known.keys])
    if word.name in tables:
        return float(shares @ tables[word.name][:, list(word.choices).index(choice)])
    from diagnose.culprits.likelihood import group_likelihoods

    likelihood = next(iter(group_likelihoods(known, {word.name: Answer(choice)}).values()))
    return float(shares @ likelihood)


def best_question(verdict: Verdict, passed: Collection[str] = ()) -> str | None:
    """The sign most worth asking for; None when a kind of culprit is clear or nothing left can help.

    passed : signs that the person could not tell, not asked again.
    """
    if max(verdict.groups.values()) >= CLEAR:
        return None
    if "wound" not in verdict.signs and "wound" not in passed:
        return "wound"  # what was hurt decides which other questions make sense
    left = {name: gain for name, gain in gains(verdict).items() if name not in passed}
    ranked = sorted(left.items(), key=lambda item: -item[1])
    return ranked[0][0] if ranked and ranked[0][1] >= LEAST_GAIN else None


def _entropy(shares: np.ndarray) -> float:
    kept = shares[shares > 0]
    return float(-(kept * np.log(kept)).sum()) if kept.size else math.nan
