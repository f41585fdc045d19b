"""Is that too much? The interval, not the estimate, is held against a published tolerance or one's own target."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.survey.estimate import Estimate

WITHIN, ABOVE, OPEN = "within", "above", "not decided"


@dataclass(frozen=True)
class Tolerance:
    """low, high : range of the tolerable share of leaders. tag : read, quoted, memory, or own."""

    key: str
    species: str
    region: str
    low: float
    high: float
    source: str
    tag: str


@dataclass(frozen=True)
class Judgement:
    """verdict : within, above or not decided. words : the sentence to show, source included. caution : always shown."""

    tolerance: Tolerance
    verdict: str
    words: str
    caution: str


@cache
def tolerances() -> tuple[Tolerance, ...]:
    """Published tolerances, by species and region."""
    return tuple(Tolerance(row["key"], row["species"], row["region"], row["share"][0], row["share"][1], row["source"],
                           row["tag"]) for row in _data()["tolerances"])


def own_target(share: float) -> Tolerance:
    """The user's own target, which stands on top of the published ones."""
    if not 0 < share < 1:
        raise CannotUse("A target is a share between 0 and 1 (write 0.1 for 10 %).")
    return Tolerance("own", "any", "own target", share, share, "own target", "own")


def caution() -> str:
    """What a share of browsed leaders does not say."""
    return " ".join(_data()["caution"].split())


def fitting(species: str) -> list[Tolerance]:
    """Published tolerances of a species; none where nothing was published, never another species' figure."""
    return [tolerance for tolerance in tolerances() if tolerance.species.lower() == species.strip().lower()]


def judge(estimate: Estimate, tolerance: Tolerance) -> Judgement:
    """Above when the whole interval lies above the range, within when it lies below its lower end, else not decided."""
    upper = f"{100 * tolerance.high:.3g} %"
    span = upper if tolerance.low == tolerance.high else f"{100 * tolerance.low:.3g} to {upper}"
    if estimate.low is None or estimate.high is None:
        verdict = OPEN
    elif estimate.low > tolerance.high:
        verdict = ABOVE
    else:
        verdict = WITHIN if estimate.high <= tolerance.low else OPEN
    told = {ABOVE: "above tolerance", WITHIN: "within tolerance", OPEN: "not decided: more plots would tell"}[verdict]
    whose = "own target" if tolerance.tag == "own" else f"{tolerance.species}, {tolerance.region}; {tolerance.source}"
    if tolerance.tag == "memory":
        whose += "; from memory, check before relying on it"
    words = f"{estimate.words()} against {span} ({whose}): {told}"
    return Judgement(tolerance, verdict, words, caution())


def band(estimate: Estimate) -> tuple[str, ...]:
    """All bands that the interval touches, of the one published set of bands that is known; see its source."""
    if estimate.low is None or estimate.high is None:
        return ()
    bands = _data()["bands"][0]
    edges = [0.0, *bands["upper"], 1.0]
    return tuple(name for name, low, high in zip(bands["names"], edges[:-1], edges[1:], strict=True)
                 if estimate.low <= high and (estimate.high > low or low == 0.0))


def _data() -> dict:
    return knowledge("diagnose.survey", "tolerances.yaml")
