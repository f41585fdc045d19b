"""How far can the verdicts be believed, measured on published cases?

A case is a published description of damage, read as signs, with the culprit that its source names. Nearly all
cases come from pages that the catalogue was drawn from as well: a match there shows agreement. The few from other
pages are predictions and are counted apart. Cases from one page stand or fall together, so everything that is
left out or drawn again is a page, never a case.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import beta

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, catalogue
from diagnose.culprits.old_names import spread
from diagnose.culprits.tables import lineage, sources
from diagnose.culprits.verdict import judge
from diagnose.given import MOST_SEED, a_number, a_whole
from diagnose.knowledge import read_yaml, reference_cases
from diagnose.signs import Answer, Shares, Signs, parse_signs

CASES = reference_cases("signs")
MEASURED = (
    "seen_slope_deg", "true_slope_deg", "end_diameter_mm", "raggedness", "longest_fibre", "end_form",
    "groove_spacing_mm", "groove_direction_deg", "patch_height_mm", "patch_width_mm", "bark_loss", "stem_diameter_mm",
    "wound_height_mm",
)
SLOPES = ("seen_slope_deg", "true_slope_deg", "clean_part_slope_deg", "cut_slant")
_LEAST = 1e-6  # probability below which the log score is no longer punished


@dataclass(frozen=True)
class Case:
    """One published description.

    Parameters
    ----------
    name, page
        Its key, and what it was read from [no unit].
    signs
        Our reading of it, each sign in its own unit.
    place
        Where it was; None where that is not told [no unit].
    truth
        The culprits that its source's word covers, today's names [no unit].
    prediction
        Is it from a page that the catalogue was not drawn from? [no unit]
    """

    name: str
    page: str
    signs: Signs
    place: str | None
    truth: frozenset[str]
    prediction: bool


@dataclass(frozen=True)
class Scored:
    """One case judged.

    Parameters
    ----------
    name, page, prediction
        As of the case [no unit].
    share
        Summed probability of the truth, 0 to 1 [no unit].
    wrong, wrong_key
        Largest probability of any other listed culprit, and its key [no unit].
    better
        How many others are as likely as the truth or likelier [no unit].
    brier
        Brier score, 0 to 2 [no unit].
    """

    name: str
    page: str
    prediction: bool
    share: float
    wrong: float
    wrong_key: str
    better: int
    brier: float

    @property
    def log(self) -> float:
        """Natural logarithm of the share, which counts as `_LEAST` at least [nat]."""
        return float(np.log(max(self.share, _LEAST)))


@dataclass(frozen=True)
class Summary:
    """How well some cases were judged.

    Parameters
    ----------
    cases, first, within_two
        How many there are, and in how many the truth came first, or within the first two [no unit].
    first_interval, within_two_interval
        Clopper-Pearson intervals of their shares, 95 % [share].
    log
        Mean natural logarithm of the truth's probability [nat].
    brier
        Mean Brier score [no unit].
    worst, worst_key, worst_case
        Largest wrong probability, its culprit and its case [no unit].
    """

    cases: int
    first: int
    first_interval: tuple[float, float]
    within_two: int
    within_two_interval: tuple[float, float]
    log: float
    brier: float
    worst: float
    worst_key: str
    worst_case: str

    def as_json(self) -> dict[str, Any]:
        """As plain values, by the names of the fields."""
        return asdict(self)


def read_cases(folder: Path = CASES) -> list[Case]:
    """The published cases with our reading of them.

    Parameters
    ----------
    folder
        With cases.yaml and reading.yaml [no unit].

    Raises
    ------
    CannotUse
        Where they are missing or do not fit each other.
    """
    try:
        told = read_yaml(folder / "cases.yaml")["cases"]
        readings = read_yaml(folder / "reading.yaml")
    except OSError:
        raise CannotUse(f"{folder} does not hold the published cases; run the check in a clone of the repository") from None
    if {case["id"] for case in told} != set(readings):
        raise CannotUse("every case of cases.yaml needs one reading in reading.yaml, and none more")
    return [_case(case, readings[case["id"]]) for case in told]


def other_reading(folder: Path = CASES) -> list[Case]:
    """The same cases as a second person read them as signs: how much does the reading matter?

    Parameters
    ----------
    folder
        As for `read_cases` [no unit].
    """
    told = {case["id"]: case for case in read_yaml(folder / "cases.yaml")["cases"]}
    return [
        Case(case.name, case.page, parse_signs(told[case.name]["signs"]), told[case.name]["region"], case.truth,
             case.prediction)
        for case in read_cases(folder)
    ]


def _case(told: Mapping[str, Any], reading: Mapping[str, Any]) -> Case:
    signs = parse_signs({name: value for name, (value, _) in reading["signs"].items()})
    page = told["url"] or told["source"]
    truth = frozenset(key for name in reading["truth"] for key in spread(name))
    return Case(told["id"], page, signs, reading["place"], truth, bool(reading.get("prediction", False)))


Judge = Callable[[Case], Mapping[str, float]]


def verdict_of(case: Case) -> Mapping[str, float]:
    """Culprit -> probability, as the tool judges the case.

    Parameters
    ----------
    case
        A published case [no unit].
    """
    return judge(case.signs, place=case.place).culprits


def own_sources(case: Case) -> frozenset[str]:
    """Keys of the sources that the case itself was read from, and of those that tell of the same data.

    Sources that only share a teaching tradition stay; the one project behind four of them (LWF) goes as a whole.

    Parameters
    ----------
    case
        A published case [no unit].
    """
    page = _bare(case.page)
    own = {key for key, source in sources().items() if page in _bare(source["url"]) or _bare(source["source"]) in page}
    same = {lineage(key) for key in own} & {"LWF"}
    return frozenset(own | {key for key in sources() if lineage(key) in same})


def _bare(address: str) -> str:
    return address.lower().replace("https://", "").replace("http://", "").replace("www.", "").rstrip("/")


def without_own(case: Case) -> Mapping[str, float]:
    """As `verdict_of`, every table rebuilt as if the case's own source had never been read.

    Parameters
    ----------
    case
        A published case [no unit].
    """
    return judge(case.signs, place=case.place, without_sources=own_sources(case)).culprits


def at_words(judged: Judge) -> Judge:
    """The same judge, at the level of the words that sources use: small deer, not roe.

    Parameters
    ----------
    judged
        Judge of a case, culprit -> probability [no unit].
    """
    def summed(case: Case) -> Mapping[str, float]:
        shares: dict[str, float] = {}
        for key, share in judged(case).items():
            shares[word_of(key)] = shares.get(word_of(key), 0.0) + share
        return shares
    return summed


def word_of(key: str) -> str:
    """The word that sources use for a culprit: its group where they do not tell its members apart, else itself.

    Parameters
    ----------
    key
        Of a culprit [no unit].
    """
    group = catalogue().parents.get(key, key)
    return group if group in _TOGETHER else key


_TOGETHER = ("small_deer", "large_deer", "livestock", "mountain_ruminant", "bear", "grouse_or_capercaillie")


def by_kind(judged: Judge) -> Judge:
    """The same judge, asked for kinds of culprit (deer, rabbit or hare, ...) only.

    Parameters
    ----------
    judged
        Judge of a case, culprit -> probability [no unit].
    """
    def summed(case: Case) -> Mapping[str, float]:
        shares: dict[str, float] = {}
        for key, share in judged(case).items():
            shares[_kind(key)] = shares.get(_kind(key), 0.0) + share
        return shares
    return summed


def _kind(key: str) -> str:
    return catalogue().groups.get(key, key)


def score(cases: Iterable[Case], judged: Judge = verdict_of, kinds: bool = False) -> list[Scored]:
    """Every case judged and compared with its truth, at the level of its source's word or by kind of culprit.

    Parameters
    ----------
    cases
        Published cases [no unit].
    judged
        Judge of a case, culprit -> probability [no unit].
    kinds
        True to compare by kind of culprit, False at the level of the source's word [no unit].

    References
    ----------
    .. [1] Brier, G. W. (1950). Monthly Weather Review 78:1-3: the score, summed over all names (from memory).
    """
    found = []
    for case in cases:
        shares = dict((by_kind if kinds else at_words)(judged)(case))
        truth = {_kind(key) if kinds else word_of(key) for key in case.truth}
        share = sum(shares.get(key, 0.0) for key in truth)
        others = {key: p for key, p in shares.items() if key not in truth}
        listed = {key: p for key, p in others.items() if key != NOT_LISTED}
        worst = max(listed, key=lambda key: listed[key])
        better = sum(p >= share for p in others.values())
        brier = (1 - share) ** 2 + sum(p**2 for p in others.values())
        found.append(Scored(case.name, case.page, case.prediction, share, listed[worst], worst, better, brier))
    return found


def clopper_pearson(k: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a share, k of n.

    Parameters
    ----------
    k, n
        The count, and of how many, one or more [no unit].
    level
        Level of confidence, 0.5 to below 1 [no unit].

    Returns
    -------
    low, high : float
        [share]

    Raises
    ------
    CannotUse
        For a count outside 0 to n, or a level that is none.

    References
    ----------
    Clopper & Pearson, Biometrika 26 (1934) 404-413.
    """
    if not 0.5 <= a_number(level, "The level") < 1:
        raise CannotUse(f"A level lies between 0.5 and 1: write 0.95 for 95 %, not {level:g}.")
    a_whole(k, "The count", 0, a_whole(n, "The number", 1))
    tail = (1 - level) / 2
    low = 0.0 if k == 0 else float(beta.ppf(tail, k, n - k + 1))
    high = 1.0 if k == n else float(beta.ppf(1 - tail, k + 1, n - k))
    return low, high


def summary(scored: Sequence[Scored]) -> Summary:
    """How often the truth came first or within the first two, the scores, and the worst wrong naming.

    Parameters
    ----------
    scored
        Cases judged [no unit].

    Raises
    ------
    CannotUse
        For no case.
    """
    if not scored:
        raise CannotUse("there are no cases to sum up")
    n = len(scored)
    first = sum(one.better == 0 for one in scored)
    two = sum(one.better <= 1 for one in scored)
    worst = max(scored, key=lambda one: one.wrong)
    return Summary(
        n, first, clopper_pearson(first, n), two, clopper_pearson(two, n),
        float(np.mean([one.log for one in scored])), float(np.mean([one.brier for one in scored])),
        worst.wrong, worst.wrong_key, worst.name,
    )


def reliability(scored: Sequence[Scored], edges: Sequence[float] = (0, 0.2, 0.4, 0.6, 0.8, 1.0)) -> list[dict[str, Any]]:
    """For each band of the first-named culprit's probability: cases, how many were right, mean stated probability.

    With so few cases nothing is fitted to this table, and it proves no calibration.

    Parameters
    ----------
    scored
        Cases judged [no unit].
    edges
        Of the bands of probability, rising from 0 to 1 [no unit].

    Returns
    -------
    list of dict
        A band each: from, to, cases, right, stated, and the `interval` of the share that were right [share]; empty bands are
        left out.
    """
    stated = np.array([max(one.share, one.wrong) for one in scored])
    right = np.array([one.share > one.wrong for one in scored])
    rows = []
    for low, high in pairwise(edges):
        here = (stated > low) & (stated <= high)
        n = int(here.sum())
        if n:
            k = int(right[here].sum())
            rows.append({"from": low, "to": high, "cases": n, "right": k, "stated": float(stated[here].mean()),
                         "interval": clopper_pearson(k, n)})
    return rows


def commonest_for_the_part(cases: Sequence[Case]) -> Judge:
    """A judge that knows only which culprits other pages' cases name for the same part hurt.

    Parameters
    ----------
    cases
        All published cases; those of a case's own page are left out for it [no unit].

    References
    ----------
    .. [1] Our own; half a case for each culprit at the start follows Jeffreys' prior.
    """
    def judged(case: Case) -> Mapping[str, float]:
        counts = dict.fromkeys(catalogue().keys, 0.5)  # Jeffreys' half a case for each
        mine = _wound_shares(case)
        for other in cases:
            if other.page != case.page:
                alike = sum(mine.get(wound, 0.0) * share for wound, share in _wound_shares(other).items())
                for key in other.truth:
                    counts[key] += alike / len(other.truth)
        total = sum(counts.values())
        return {key: count / total for key, count in counts.items()}
    return judged


def _wound_shares(case: Case) -> Mapping[str, float]:
    wound = case.signs.get("wound")
    if isinstance(wound, Answer):
        return {wound.choice: 1.0}
    return wound.shares if isinstance(wound, Shares) else {"": 1.0}


# The rule list of a plain field key: the first rule whose choices are all met names its culprits. Common practice, no
# source; the share of 0.7 for what it names is our choice.
RULES: tuple[tuple[Mapping[str, tuple[str, ...]], tuple[str, ...]], ...] = (
    ({"special_mark": ("ring_cut_with_core",)}, ("twig_girdler",)),
    ({"special_mark": ("hollow_twig",)}, ("twig_pruner",)),
    ({"special_mark": ("lengthwise_slits",)}, ("cicada",)),
    ({"special_mark": ("rows_of_holes",)}, ("sapsucker",)),
    ({"special_mark": ("small_bark_patches",)}, ("weevil",)),
    ({"special_mark": ("dead_strip_sunny_side",)}, ("sunscald",)),
    ({"special_mark": ("leaves_twisted",)}, ("herbicide",)),
    ({"special_mark": ("growth_blackened",)}, ("frost",)),
    ({"special_mark": ("bruises_one_side",)}, ("hail",)),
    ({"setting": ("mown",)}, ("mower",)),
    ({"setting": ("waterside",)}, ("beaver",)),
    ({"wound": ("root_cut",)}, ("pocket_gopher", "vole_below")),
    ({"wound": ("bark_rubbed",)}, ("deer_rubbing",)),
    ({"severed_piece": ("many_left",)}, ("tree_squirrel",)),
    ({"cut_form": ("torn", "half")}, ("deer_browsing", "elk_browsing", "moose_browsing")),
    ({"cut_form": ("clean",)}, ("rabbit", "hare")),
    ({"cut_slant": ("slanting",)}, ("rabbit", "hare")),
    ({"groove_look": ("broad_upward",)}, ("elk_stripping", "moose_stripping")),
    ({"groove_look": ("even_pairs",)}, ("rabbit", "hare")),
    ({"groove_look": ("narrow_scratches",)}, ("tree_squirrel",)),
    ({"groove_look": ("broad_crossing",)}, ("porcupine",)),
    ({"wound": ("bark_gnawed",), "position": ("base", "below_ground")}, ("vole_surface", "vole_below")),
    ({"wound": ("bark_gnawed",)}, ("rabbit", "hare", "vole_surface")),
    ({"wound": ("bark_stripped",)}, ("elk_stripping", "tree_squirrel")),
    ({"wound": ("cut_at_ground",)}, ("cutworm_or_caterpillar", "rabbit")),
    ({}, ("deer_browsing",)),
)


def by_rules(case: Case) -> Mapping[str, float]:
    """Culprit -> probability, by the first rule of RULES that fits.

    Parameters
    ----------
    case
        A published case [no unit].
    """
    named = next(culprits for needed, culprits in RULES if all(_met(case, name, c) for name, c in needed.items()))
    named = tuple(key for name in named for key in spread(name))
    rest = [key for key in catalogue().keys if key not in named]
    return {**{key: 0.7 / len(named) for key in named}, **{key: 0.3 / len(rest) for key in rest}}


def _met(case: Case, name: str, choices: Sequence[str]) -> bool:
    sign = case.signs.get(name)
    if isinstance(sign, Shares):
        return sum(sign.shares.get(choice, 0.0) for choice in choices) >= 0.5
    return isinstance(sign, Answer) and sign.choice in choices


def paired_difference(
    ours: Sequence[Scored], theirs: Sequence[Scored], draws: int = 4000, start: int = 1
) -> dict[str, float]:
    """Mean difference of the log scores, ours less theirs, with a 95 % interval from drawing pages again.

    Parameters
    ----------
    ours, theirs
        Scores of the same cases in the same order [no unit].
    draws
        How often pages are drawn again, 2 to 1,000,000 [no unit].
    start
        Seed of the draws [no unit].

    Returns
    -------
    dict
        `difference`, `low` and `high` [nat], and the number of `pages`.

    Raises
    ------
    CannotUse
        For no case, or not as many of both.

    References
    ----------
    .. [1] Efron, B. & Tibshirani, R. J. (1993). An Introduction to the Bootstrap: percentile limits (from memory).
    """
    if not ours or len(ours) != len(theirs):
        raise CannotUse("Each case has a score of ours and one of theirs.")
    a_whole(draws, "Draws", 2, 1_000_000), a_whole(start, "The seed", most=MOST_SEED)
    pages = sorted({one.page for one in ours})
    gaps = np.array([a.log - b.log for a, b in zip(ours, theirs, strict=True)])
    index = np.array([pages.index(one.page) for one in ours])
    sums = np.bincount(index, gaps, len(pages))
    sizes = np.bincount(index, minlength=len(pages))
    drawn = np.random.default_rng(start).integers(0, len(pages), (draws, len(pages)))
    means = sums[drawn].sum(axis=1) / sizes[drawn].sum(axis=1)
    low, high = np.quantile(means, (0.025, 0.975))
    return {"difference": float(gaps.mean()), "low": float(low), "high": float(high), "pages": len(pages)}


def left_out(cases: Iterable[Case], bar: float = 0.8) -> dict[str, Any]:
    """Each culprit left out of the catalogue in turn: how many of its cases then give over `bar` to another kind?

    Cases whose source names one culprit only; a fooled case is listed with what it was given to.

    Parameters
    ----------
    cases
        Published cases [no unit].
    bar
        Probability above which a case counts as fooled, 0 to 1 [no unit].
    """
    single = [case for case in cases if len(case.truth) == 1]
    fooled = {}
    for case in single:
        (key,) = case.truth
        shares = judge(case.signs, place=case.place, without=key).groups
        best = max((k for k in shares if k not in (NOT_LISTED, _kind(key))), key=lambda k: shares[k])
        if shares[best] > bar:
            fooled[case.name] = {"given_to": best, "probability": shares[best]}
    return {"cases": len(single), "fooled": fooled, "interval": clopper_pearson(len(fooled), len(single))}


def camera_gain(cases: Sequence[Case]) -> list[dict[str, Any]]:
    """What measured signs add: log score and first-named with and without them, all at once and sign by sign.

    Only cases that hold the sign count, so most rows rest on very few.

    Parameters
    ----------
    cases
        Published cases [no unit].
    """
    rows = [_without(cases, "all measured signs", MEASURED), _without(cases, "slope, measured or answered", SLOPES)]
    rows += [_without(cases, name, (name,)) for name in MEASURED]
    return [row for row in rows if row["cases"]]


def _without(cases: Sequence[Case], label: str, names: Sequence[str]) -> dict[str, Any]:
    having = [case for case in cases if any(name in case.signs for name in names)]
    if not having:
        return {"sign": label, "cases": 0}
    bare = [
        Case(c.name, c.page, {n: s for n, s in c.signs.items() if n not in names}, c.place, c.truth, c.prediction)
        for c in having
    ]
    whole, less = summary(score(having)), summary(score(bare))
    return {"sign": label, "cases": len(having), "log_with": whole.log, "log_without": less.log,
            "first_with": whole.first, "first_without": less.first}


def check(folder: Path = CASES) -> dict[str, Any]:
    """Everything above on the published cases, as plain records for printing.

    Parameters
    ----------
    folder
        As for `read_cases` [no unit].

    Returns
    -------
    dict
        `agreement` are cases from pages that fed the catalogue, `prediction` the others, `kinds` all cases by kind of
        culprit; scores in nat, intervals as shares.
    """
    cases = read_cases(folder)
    ours = score(cases)
    commonest, rules = score(cases, commonest_for_the_part(cases)), score(cases, by_rules)
    apart = {
        "agreement": [one for one in ours if not one.prediction],
        "prediction": [one for one in ours if one.prediction],
    }
    return {
        "catalogue": catalogue().version,
        "all": summary(ours).as_json(),
        "kinds": summary(score(cases, kinds=True)).as_json(),
        "read by another person": summary(score(other_reading(folder))).as_json(),
        **{name: summary(some).as_json() for name, some in apart.items() if some},
        "baselines": {
            "commonest culprit for the part hurt": {**summary(commonest).as_json(), **paired_difference(ours, commonest)},
            "plain rule list": {**summary(rules).as_json(), **paired_difference(ours, rules)},
        },
        "independent": [one.name for one in ours if one.prediction],
        "reliability": reliability(ours),
        "left_out": left_out(cases),
        "camera": camera_gain(cases),
        "missed": [
            {"case": one.name, "share": one.share, "given_to": one.wrong_key, "probability": one.wrong}
            for one in ours if one.better
        ],
    }
