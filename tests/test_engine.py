"""The verdict equals brute-force enumeration, written anew from the files with plain loops, on random evidence."""

from __future__ import annotations

from importlib.resources import files
from itertools import pairwise

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from diagnose.culprits.verdict import judge
from diagnose.signs import Answer, Measured


def _load(name: str) -> dict:
    return yaml.safe_load((files("diagnose.culprits") / name).read_text(encoding="utf-8"))


RAW, LOOKS, SOFT = _load("catalogue.yaml"), _load("classes.yaml"), _load("softness.yaml")
WORDS = yaml.safe_load((files("diagnose") / "signs.yaml").read_text(encoding="utf-8"))
REGIONS = list(_load("regions.yaml"))
PLAIN = [name for name, word in WORDS.items()
         if word["kind"] == "choice" and word["group"] not in ("cut", "marks", "place")]
SIZES = ("end_diameter_mm", "stem_diameter_mm", "patch_height_mm", "patch_width_mm")
MARK_CLASSES = list(LOOKS["marks"]["classes"])
CUT_CLASSES = LOOKS["cut"]["classes"]


def soft(entry: dict, choices: list) -> dict:
    """Choice -> probability: the weights, mixed with the even table by the grade's share."""
    share = SOFT["uniform_weight"][entry["grade"]]
    total = sum(entry["p"].values())
    return {c: (1 - share) * entry["p"].get(c, 0) / total + share / len(choices) for c in choices}


def table(key: str, sign: str, choices: list) -> dict:
    if sign in RAW[key]:
        return soft(RAW[key][sign], choices)
    if key != "not_listed" and sign in SOFT["background"]:
        return soft({"p": SOFT["background"][sign], "grade": SOFT["background_grade"]}, choices)
    return {c: 1 / len(choices) for c in choices}


def size(key: str, sign: str, reading: Measured) -> float:
    edges = next(entry[sign]["edges"] for entry in RAW.values() if sign in entry)
    bins = len(edges) - 1
    if sign in RAW[key]:
        p, share = RAW[key][sign]["p"], SOFT["uniform_weight"][RAW[key][sign]["grade"]]
        p = [(1 - share) * one / sum(p) + share / bins for one in p]
    else:
        p = [1 / bins] * bins
    sigma = max(reading.sigma, 1e-3 * min(b - a for a, b in pairwise(edges)))
    total = 0.0
    for low, high, one in zip(edges[:-1], edges[1:], p, strict=True):
        inside = norm.cdf(high, reading.value, sigma) - norm.cdf(low, reading.value, sigma)
        total += one * max(inside / (high - low), 1e-12)
    return total


def confused(told: str, true: str, choices: list, share: float) -> float:
    return 1 - share if told == true else share / (len(choices) - 1)


def cut(key: str, signs: dict) -> float:
    """Summed over every class of cut and every true form within it."""
    total = 0.0
    for name, share in table(key, "cut", list(CUT_CLASSES)).items():
        look, told = CUT_CLASSES[name], 1.0
        if "cut_form" in signs:
            forms, every = LOOKS["cut"]["form_choices"], sum(look["form"].values())
            told *= sum(look["form"].get(true, 0) / every
                        * confused(signs["cut_form"].choice, true, forms, LOOKS["cut"]["misread"]) for true in forms)
        if "cut_slant" in signs:
            spans, every = LOOKS["cut"]["slant_of_slope"], sum(look["seen_slope"])
            part = 0.0
            edges = LOOKS["cut"]["slope_edges"]
            for low, high, one in zip(edges[:-1], edges[1:], look["seen_slope"], strict=True):
                true = next(c for c, (a, b) in spans.items() if a <= (low + high) / 2 < b)
                part += one / every * confused(signs["cut_slant"].choice, true, list(spans), LOOKS["cut"]["misread"])
            told *= part
        if "crushed" in signs:
            told *= look["crushed"] if signs["crushed"].choice == "crushed" else 1 - look["crushed"]
        total += share * told
    return total


def marks(key: str, told: str) -> float:
    return sum(share * confused(told, true, MARK_CLASSES, LOOKS["marks"]["misread"])
               for true, share in table(key, "marks", MARK_CLASSES).items())


def prior(region: str) -> dict:
    often = {key: entry.get("common", {}).get(region, 0.02) for key, entry in RAW.items()}
    often.pop("not_listed")
    rest = 1 - SOFT["not_listed_prior"]
    return {**{key: rest * one / sum(often.values()) for key, one in often.items()}, "not_listed": 1 - rest}


def enumerated(signs: dict, region: str) -> dict:
    """Culprit -> probability."""
    groups: dict[str, list[str]] = {}
    for name in signs:
        groups.setdefault(WORDS[name]["group"], []).append(name)
    weight = prior(region)
    for group, names in groups.items():
        found = dict.fromkeys(RAW, 1.0)
        through = [name for name in names if name in ("cut_form", "cut_slant", "crushed", "groove_look")]
        for key in RAW:
            if group == "cut":
                found[key] = cut(key, {name: signs[name] for name in names})
            elif through:
                found[key] = marks(key, signs["groove_look"].choice)
        for name in set(names) - set(through):
            if isinstance(signs[name], Answer):
                choices = list(WORDS[name]["choices"])
                one = {key: table(key, name, choices)[signs[name].choice] for key in RAW}
            else:
                one = {key: size(key, name, signs[name]) for key in RAW}
            best = max(one.values())
            found = {key: found[key] * max(one[key] / best, 1 / SOFT["sign_ratio"]) for key in RAW}
        subjects = {WORDS[name].get("about", name) for name in names}
        cap = SOFT["sign_ratio"] if len(subjects) == 1 else SOFT["group_ratio"]
        best = max(found.values())
        weight = {key: weight[key] * max(found[key] / best, 1 / cap) for key in RAW}
    total = sum(weight.values())
    return {key: one / total for key, one in weight.items()}


@st.composite
def evidence(draw) -> dict:
    names = draw(st.lists(st.sampled_from([*PLAIN, "cut_form", "cut_slant", "crushed", "groove_look", *SIZES]),
                          max_size=9, unique=True))
    if {"patch_height_mm", "patch_width_mm"} <= set(names):
        names.remove("patch_width_mm")  # both tell of one patch and are pooled, which is tested on its own
    signs: dict = {}
    for name in names:
        if name in SIZES:
            low, high = WORDS[name]["range"]
            signs[name] = Measured(draw(st.floats(low, high)), draw(st.floats(0.01, 30)))
        else:
            signs[name] = Answer(draw(st.sampled_from(list(WORDS[name]["choices"]))))
    return signs


@given(evidence(), st.sampled_from(REGIONS))
@settings(max_examples=150, deadline=None)
def test_the_verdict_equals_brute_force_enumeration_on_random_evidence(signs: dict, region: str) -> None:
    assert judge(signs, place=region).culprits == pytest.approx(enumerated(signs, region), abs=1e-9)
