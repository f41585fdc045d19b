"""How well does each culprit explain the signs of one wound?

Signs are weighed by group. Within a group that hangs together (form of the cut, tooth marks, place) signs speak
through one latent class, which is summed out; signs `about` the same thing are pooled and count once. An unknown
sign is absent and changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.special import ndtr

from diagnose.culprits.catalogue import Catalogue
from diagnose.signs import Answer, Bounded, Measured, Shares, Sign, Signs, Word, vocabulary

_TINY = 1e-12


def group_likelihoods(known: Catalogue, signs: Signs, snow_mm: float | None = None) -> dict[str, np.ndarray]:
    """Group -> (K,) likelihood of its known signs under each culprit, in no absolute unit, ratios capped."""
    by_group: dict[str, dict[str, Sign]] = {}
    for name in sorted(signs):
        word = vocabulary().get(name)
        if word is not None and is_weighed(known, word):
            by_group.setdefault(word.group, {})[name] = signs[name]
    return {group: capped_group(known, group, members, snow_mm) for group, members in by_group.items()}


def is_weighed(known: Catalogue, word: Word) -> bool:
    """Raggedness, fibres and the like are told but not weighed: the end's form already holds what they say."""
    named = {"cut": _CUT_SIGNS, "marks": _MARK_SIGNS, "place": _PLACE_SIGNS}.get(word.group, ())
    return word.name in named or word.name in known.tables or word.name in known.numbers


_CUT_SIGNS = (
    "end_form", "cut_form", "seen_slope_deg", "true_slope_deg", "clean_part_slope_deg", "cut_slant", "crushed",
)
_MARK_SIGNS = ("groove_look", "groove_spacing_mm")
_HEIGHT_SIGNS = ("wound_height_mm", "position")
_PLACE_SIGNS = (*_HEIGHT_SIGNS, "past_snow", "snow_line")


def capped_group(known: Catalogue, group: str, members: Signs, snow_mm: float | None) -> np.ndarray:
    """(K,) likelihood of a group's signs relative to the best, never below what the caps allow."""
    subjects = {vocabulary()[name].about for name in members}
    ratio = known.softness["sign_ratio"] if len(subjects) == 1 else known.softness["group_ratio"]
    likelihood = raw_group(known, group, members, snow_mm)
    return np.maximum(likelihood / likelihood.max(), 1 / ratio)


def raw_group(known: Catalogue, group: str, members: Signs, snow_mm: float | None) -> np.ndarray:
    """(K,) likelihood of a group's signs, uncapped: over the choices of one answered sign it sums to one."""
    if group == "cut":
        return known.classes["cut"] @ _cut_classes(known, members)
    if group == "place":
        return _place(known, members, snow_mm)
    likelihood = np.ones(len(known.keys))
    if group == "marks":
        through = {name: sign for name, sign in members.items() if name in _MARK_SIGNS}
        if through:
            likelihood = known.classes["marks"] @ _mark_classes(known, through)
        members = {name: sign for name, sign in members.items() if name not in _MARK_SIGNS}
    readings: dict[str, list[np.ndarray]] = {}
    for name, sign in members.items():
        readings.setdefault(vocabulary()[name].about, []).append(_own_table(known, name, sign))
    for alike in readings.values():
        sign_cap = 1 / known.softness["sign_ratio"]
        pooled = _pooled(alike)
        likelihood = likelihood * np.maximum(pooled / pooled.max(), sign_cap)
    return likelihood


def _own_table(known: Catalogue, name: str, sign: Sign) -> np.ndarray:
    """(K,) likelihood of a sign that each culprit has a table of its own for."""
    if name in known.tables:
        return known.tables[name] @ _choice_reading(vocabulary()[name], sign)
    edges, rows = known.numbers[name]
    return rows @ bin_reading(edges, sign)


def _pooled(readings: Sequence[np.ndarray]) -> np.ndarray:
    """One likelihood from several readings of one thing: their geometric mean, each weighted by how much it tells.

    Two equal readings give just that reading, so a sign repeated under another name moves nothing.
    """
    if len(readings) == 1:
        return readings[0]
    logs = np.log(np.maximum(np.array(readings), _TINY))
    logs -= logs.max(axis=1, keepdims=True)
    told = -logs.min(axis=1)
    weights = told / told.sum() if told.sum() > 0 else np.full(len(readings), 1 / len(readings))
    return np.exp(weights @ logs)


def _choice_reading(word: Word, sign: Sign) -> np.ndarray:
    """(choices,) likelihood of the reading given each true choice."""
    choices = list(word.choices)
    if isinstance(sign, Answer):
        return np.array([float(choice == sign.choice) for choice in choices])
    if isinstance(sign, Shares):
        return np.array([float(sign.shares.get(choice, 0.0)) for choice in choices])
    raise TypeError(f"{word.name} is a choice, not a number")


def bin_reading(edges: np.ndarray, sign: Sign) -> np.ndarray:
    """(bins,) likelihood density of a reading, given that the true value is somewhere in each bin.

    Measured: the normal error folded in, the mean over the bin of N(value; x, sigma). Bounded: `level` spread
    evenly over the interval, the rest over the other places.
    """
    low, high = edges[:-1], edges[1:]
    width = high - low
    if isinstance(sign, Measured):
        sigma = max(sign.sigma, 1e-3 * float(width.min()))
        inside = ndtr((high - sign.value) / sigma) - ndtr((low - sign.value) / sigma)
        return np.maximum(inside / width, _TINY)
    if isinstance(sign, Bounded):
        span = max(sign.high - sign.low, 1e-6)
        overlap = np.clip(np.minimum(high, sign.low + span) - np.maximum(low, sign.low), 0, None)
        rest = max(float(edges[-1] - edges[0]) - span, 1e-6)
        within, without = overlap / width, 1 - overlap / width
        return np.maximum(sign.level * within / span + (1 - sign.level) * without / rest, _TINY)
    raise TypeError("a number is measured or bounded")


def _cut_classes(known: Catalogue, members: Signs) -> np.ndarray:
    """(classes,) likelihood of the cut's signs given each class of cut."""
    looks = known.class_looks["cut"]
    classes = list(looks["classes"].values())
    readings: dict[str, list[np.ndarray]] = {}
    for name, sign in members.items():
        if name in ("cut_form", "end_form"):
            form = _form_reading(looks, name, sign)
            reading = np.array([_shares(entry["form"], looks["form_choices"]) @ form for entry in classes])
        elif name == "crushed":
            told = _choice_reading(vocabulary()[name], sign)
            reading = np.array([told @ (entry["crushed"], 1 - entry["crushed"]) for entry in classes])
        else:
            which = "true_slope" if name == "true_slope_deg" else "seen_slope"
            slope = _slope_reading(looks, name, sign)
            reading = np.array([_even(entry[which]) @ slope for entry in classes])
        readings.setdefault(vocabulary()[name].about, []).append(reading)
    return np.prod([_pooled(alike) for alike in readings.values()], axis=0)


def _form_reading(looks: Mapping[str, Any], name: str, sign: Sign) -> np.ndarray:
    forms = looks["form_choices"]
    if name == "end_form":
        if isinstance(sign, Answer):
            sign = Shares({sign.choice: 1.0})
        assert isinstance(sign, Shares)
        seen = _shares(sign.shares, ("clean", "half", "torn"))
        return np.array([_shares(looks["photo_form"][form], ("clean", "half", "torn")) @ seen for form in forms])
    return _misread(_choice_reading(vocabulary()[name], sign), looks["misread"])


def _slope_reading(looks: Mapping[str, Any], name: str, sign: Sign) -> np.ndarray:
    edges = np.array(looks["slope_edges"], float)
    if name != "cut_slant":
        return bin_reading(edges, sign)
    told = _choice_reading(vocabulary()[name], sign)
    spans = list(looks["slant_of_slope"].values())
    middle = (edges[:-1] + edges[1:]) / 2
    belongs = np.array([[low <= m < high for low, high in spans] for m in middle], float)  # (bins, answers)
    answered = _misread(told, looks["misread"])
    return belongs @ answered


def _mark_classes(known: Catalogue, members: Signs) -> np.ndarray:
    """(classes,) likelihood of the tooth marks' signs given each class of marks."""
    looks = known.class_looks["marks"]
    readings = []
    for name, sign in members.items():
        if name == "groove_look":
            readings.append(_misread(_choice_reading(vocabulary()[name], sign), looks["misread"]))
        else:
            spacing = bin_reading(np.array(looks["spacing_edges"], float), sign)
            readings.append(np.array([_even(entry["spacing"]) @ spacing for entry in looks["classes"].values()]))
    return _pooled(readings)


def _place(known: Catalogue, members: Signs, snow_mm: float | None) -> np.ndarray:
    """(K,) likelihood of height and place, past snow lifting those who walk on it."""
    looks = known.class_looks["place"]
    edges = np.array(looks["zone_edges"], float)
    heights = {name: sign for name, sign in members.items() if name in _HEIGHT_SIGNS}
    beside_snow = np.ones(len(known.keys))
    if "snow_line" in members:
        beside_snow = known.tables["snow_line"] @ _choice_reading(vocabulary()["snow_line"], members["snow_line"])
    if not heights:
        return beside_snow
    level = known.classes["place"] @ _zones(looks, edges, heights)
    depths = _depths(looks, members.get("past_snow"), snow_mm)
    lifted = sum(share * (known.classes["place"] @ _lifted(looks, edges, depth, heights)) for depth, share in depths)
    return beside_snow * np.where(known.lifts, lifted, level)


def _lifted(looks: Mapping[str, Any], edges: np.ndarray, depth: float, heights: Signs) -> np.ndarray:
    """(zones,) as `_zones`, for who stands on snow [mm]; what is done below the ground stays there."""
    zones = _zones(looks, edges + depth, heights)
    zones[0] = _zones(looks, edges, heights)[0]
    return zones


def _depths(looks: Mapping[str, Any], past: Sign | None, snow_mm: float | None) -> list[tuple[float, float]]:
    """Snow depths [mm] with their shares; a stated depth is exact."""
    if snow_mm is not None:
        return [(snow_mm, 1.0)]
    depths = looks["snow_mm"]
    if past is None:
        return _each_depth(depths, looks["snow_unknown"])
    told = _misread(_choice_reading(vocabulary()["past_snow"], past), looks["misread"])
    return _each_depth(depths, dict(zip(depths, told / told.sum(), strict=True)))


def _each_depth(depths: Mapping[str, Sequence[float]], shares: Mapping[str, float]) -> list[tuple[float, float]]:
    return [(depth, share / len(depths[state])) for state, share in shares.items() for depth in depths[state]]


def _zones(looks: Mapping[str, Any], edges: np.ndarray, heights: Signs) -> np.ndarray:
    """(zones,) likelihood of the height readings, given the zone reached, its edges lifted by snow [mm]."""
    readings = []
    for name, sign in heights.items():
        if name == "wound_height_mm":
            readings.append(bin_reading(edges, sign))
            continue
        told = _choice_reading(vocabulary()[name], sign)
        answered = _misread_near(told, looks["misread"])
        named = np.array(looks["zone_edges"], float)
        overlap = np.clip(
            np.minimum(edges[1:, None], named[None, 1:]) - np.maximum(edges[:-1, None], named[None, :-1]), 0, None
        )
        share = overlap / np.maximum(overlap.sum(axis=1, keepdims=True), _TINY)
        readings.append(share @ answered)
    return _pooled(readings)


def _misread(told: np.ndarray, share: float) -> np.ndarray:
    return (1 - share) * told + share * (told.sum() - told) / max(told.size - 1, 1)


def _misread_near(told: np.ndarray, share: float) -> np.ndarray:
    """As `_misread`, but a place is mistaken for a neighbouring one only."""
    beside = np.zeros_like(told)
    beside[1:] += told[:-1] / 2
    beside[:-1] += told[1:] / 2
    return (1 - share) * told + share * beside + 0.005


def _shares(weights: Mapping[str, float], choices: Sequence[str]) -> np.ndarray:
    row = np.array([float(weights.get(choice, 0.0)) for choice in choices])
    return row / row.sum()


def _even(weights: Sequence[float]) -> np.ndarray:
    row = np.array(weights, float)
    return row / row.sum()
