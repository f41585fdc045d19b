"""How far can the stated probabilities be believed? Three checks that are never mixed.

(a) Wounds drawn from the model itself, with misreading: proves the arithmetic only. (b) Wounds from worlds that differ
from it: tables drawn round ours as loosely as their grade, misreading doubled, presence halved and doubled: how wrong it
gets where we are wrong. (c) The published cases, every table rebuilt without that case's own source; here, and nowhere
else, one number is fitted: the strength. Intervals come from drawing sources anew, not cases.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.check import Case, Scored, clopper_pearson, own_sources, read_cases, reliability, score, word_of
from diagnose.culprits.here import place_from
from diagnose.culprits.observers import PLACES, seen_by
from diagnose.culprits.tables import words
from diagnose.culprits.verdict import judge, posterior
from diagnose.culprits.weighing import Case as ToJudge
from diagnose.culprits.worlds import OTHERS, THE_MODELS, World, draw_wounds
from diagnose.given import MOST_SEED, a_whole

STRENGTHS = (0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.6)
BINS = (0.0, 0.5, 0.8, 1.0)  # of the first-named probability


@dataclass(frozen=True)
class Fit:
    """What the published cases ask for.

    Parameters
    ----------
    strengths
        That were tried, powers of the likelihoods [no unit].
    log
        Mean log score of each [nat].
    best
        The strength where it is highest [no unit].
    behind, error
        How far the strength in use lies behind it, and the standard error of that, over sources [nat].
    """

    strengths: tuple[float, ...]
    log: tuple[float, ...]
    best: float
    behind: float
    error: float


def fitted_strength(cases: Sequence[Case] | None = None, strengths: Sequence[float] = STRENGTHS) -> Fit:
    """Check (c): the strength that published cases ask for, each judged without its own source.

    The cases are clean descriptions by people who knew the answer, so that what suits them best is too sure for what
    people find: the strength in use (`words.yaml`) stays below it. Intervals are over sources, never over cases.

    Parameters
    ----------
    cases
        Published cases; those of reference_cases where None [no unit].
    strengths
        That are tried, powers to which likelihoods are raised [no unit].
    """
    cases = read_cases() if cases is None else cases
    logs = np.array([[_log(case, strength) for case in cases] for strength in strengths])
    means = logs.mean(axis=1)
    best = int(np.argmax(means))
    pages = sorted({case.page for case in cases})
    index = np.array([pages.index(case.page) for case in cases])
    used = np.array([_log(case, words()["strength"]) for case in cases])
    return Fit(tuple(strengths), tuple(means.tolist()), float(strengths[best]), float(means[best] - used.mean()),
               _error(logs[best] - used, index, len(pages)))


def _error(gaps: np.ndarray, index: np.ndarray, pages: int) -> float:
    """Standard error of a mean difference over pages."""
    sums, sizes = np.bincount(index, gaps, pages), np.bincount(index, minlength=pages)
    residual = sums - sizes * gaps.mean()
    return float(np.sqrt((residual**2).sum() * pages / (pages - 1)) / len(gaps))


def _log(case: Case, strength: float) -> float:
    to_judge = ToJudge(case.signs, place_from(case.place), without_sources=own_sources(case), strength=strength)
    shares: dict[str, float] = {}
    for key, share in posterior(to_judge).items():
        shares[word_of(key)] = shares.get(word_of(key), 0.0) + share
    return float(np.log(max(sum(shares[word] for word in {word_of(key) for key in case.truth}), 1e-6)))


def drawn(wounds: int, world: World = THE_MODELS, seed: int = 5) -> list[Scored]:
    """Checks (a) and (b): drawn wounds, judged from what a person could answer of all questions, by kind of culprit.

    Parameters
    ----------
    wounds
        How many are drawn [no unit].
    world
        That they are drawn from [no unit].
    seed
        Of the draws [no unit].
    """
    a_whole(seed, "The seed", most=MOST_SEED)
    groups = catalogue().groups
    found = []
    for number, wound in enumerate(draw_wounds(wounds, PLACES, seed, world)):
        shares = dict(judge(seen_by(wound, seed + number), wound.place).groups)
        truth = groups[wound.maker]
        share = shares.pop(truth)
        worst = max(shares, key=lambda key: shares[key])
        brier = (1 - share) ** 2 + sum(other**2 for other in shares.values())
        found.append(Scored(str(number), str(number), True, share, shares[worst], worst,
                            sum(other >= share for other in shares.values()), brier))
    return found


def summed(scored: Sequence[Scored]) -> dict[str, Any]:
    """Log and Brier score, first named, surely wrong (0.8 or more for another), and a reliability diagram in three bins.

    Parameters
    ----------
    scored
        Cases judged; one or more [no unit].

    Returns
    -------
    dict
        `log` is the mean natural logarithm, `surely_wrong_interval` that of Clopper and Pearson [share].
    """
    wrong = sum(one.wrong >= 0.8 for one in scored)
    return {
        "cases": len(scored), "first": sum(one.better == 0 for one in scored),
        "log": float(np.mean([one.log for one in scored])), "brier": float(np.mean([one.brier for one in scored])),
        "surely_wrong": wrong, "surely_wrong_interval": clopper_pearson(wrong, len(scored)),
        "reliability": reliability(scored, BINS),
    }


def believe(wounds: int = 300) -> dict[str, Any]:
    """All three checks, as plain records for printing.

    Parameters
    ----------
    wounds
        How many are drawn in (a) and in each world of (b) [no unit].
    """
    fit = fitted_strength()
    cases = read_cases()
    return {
        "a": summed(drawn(wounds)),
        "b": [{"about": world.about, **summed(drawn(wounds, world))} for world in OTHERS],
        "c": {"strengths": fit.strengths, "log": fit.log, "best": fit.best, "behind": fit.behind, "error": fit.error,
              **summed(score(cases, lambda case: judge(case.signs, case.place,
                                                       without_sources=own_sources(case)).culprits))},
    }

