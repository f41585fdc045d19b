"""What does the catalogue know of each culprit, as arrays that signs can be weighed with?"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.signs import vocabulary

FILES = ("catalogue.yaml", "classes.yaml", "softness.yaml", "regions.yaml", "sources.yaml")
LATENT = ("cut", "marks", "place")
NOT_LISTED = "not_listed"


@dataclass(frozen=True)
class Catalogue:
    """The catalogue as read from its files.

    keys : culprit keys, in file order (K). tables : sign -> (K, choices) probabilities given the culprit, softened.
    numbers : sign -> (edges, (K, bins) probabilities, softened). classes : latent group -> (K, classes)
    probabilities. lifts : (K,) whether snow lifts what the culprit reaches. version : digest of all files.
    """

    keys: tuple[str, ...]
    names: Mapping[str, str]
    words: Mapping[str, str]
    groups: Mapping[str, str]
    kinds: Mapping[str, str]
    tables: Mapping[str, np.ndarray]
    numbers: Mapping[str, tuple[np.ndarray, np.ndarray]]
    classes: Mapping[str, np.ndarray]
    lifts: np.ndarray
    common: Mapping[str, Mapping[str, float]]
    class_looks: Mapping[str, Any]
    softness: Mapping[str, Any]
    regions: Mapping[str, Any]
    sources: Mapping[str, Any]
    raw: Mapping[str, Any]
    version: str


@cache
def catalogue(without: str | None = None) -> Catalogue:
    """The catalogue; `without` leaves one culprit out, as if nobody had ever described it."""
    raw, looks, softness, regions, sources = (knowledge("diagnose.culprits", name) for name in FILES)
    if without is not None:
        raw = {key: entry for key, entry in raw.items() if key != without}
    digest = hashlib.sha256()
    for name in FILES:
        digest.update((files("diagnose.culprits") / name).read_bytes())
    keys = tuple(raw)
    tables, numbers = {}, {}
    for sign, word in vocabulary().items():
        if word.group in LATENT and not any(sign in raw[key] for key in keys):
            continue
        if word.kind == "choice":
            tables[sign] = _table(raw, sign, list(word.choices), softness)
        elif any(sign in raw[key] for key in keys):
            numbers[sign] = _bins(raw, sign, softness)
    classes = {
        "cut": _table(raw, "cut", list(looks["cut"]["classes"]), softness),
        "marks": _table(raw, "marks", list(looks["marks"]["classes"]), softness),
        "place": _table(raw, "place", list(looks["place"]["zones"]), softness),
    }
    return Catalogue(
        keys,
        {key: raw[key]["name"] for key in keys},
        {key: raw[key]["words"] for key in keys},
        {key: raw[key]["group"] for key in keys},
        {key: raw[key]["kind"] for key in keys},
        tables, numbers, classes,
        np.array([bool(raw[key].get("lifts_with_snow", False)) for key in keys]),
        {key: {r: w for r, w in raw[key].get("common", {}).items() if r != "sources"} for key in keys},
        looks, softness, regions, sources, raw, digest.hexdigest()[:12],
    )


def _soften(row: np.ndarray, grade: str, softness: Mapping[str, Any]) -> np.ndarray:
    weight = softness["uniform_weight"][grade]
    even = np.full(row.shape, 1 / row.size)
    return (1 - weight) * row / row.sum() + weight * even


def _table(
    raw: Mapping[str, Any], sign: str, choices: Sequence[str], softness: Mapping[str, Any]
) -> np.ndarray:
    """(K, choices) P(choice | culprit); background where the culprit's entry is silent, even for the unlisted."""
    rows = []
    for key, entry in raw.items():
        if sign in entry:
            rows.append(_soften(_weights(entry[sign]["p"], choices, f"{key}.{sign}"), entry[sign]["grade"], softness))
        elif key != NOT_LISTED and sign in softness["background"]:
            background = _weights(softness["background"][sign], choices, f"background.{sign}")
            rows.append(_soften(background, softness["background_grade"], softness))
        else:
            rows.append(np.full(len(choices), 1 / len(choices)))
    return np.array(rows)


def _weights(p: Mapping[str, float], choices: Sequence[str], where: str) -> np.ndarray:
    unknown = set(p) - set(choices)
    if unknown:
        raise CannotUse(f"the catalogue's {where} names {', '.join(sorted(unknown))}; choices: {', '.join(choices)}")
    return np.array([float(p.get(choice, 0.0)) for choice in choices])


def _bins(raw: Mapping[str, Any], sign: str, softness: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Edges and (K, bins) P(bin | culprit). The even part is even over bins, which widen as sizes do."""
    edges = next(entry[sign]["edges"] for entry in raw.values() if sign in entry)
    rows = []
    for key, entry in raw.items():
        if sign not in entry:
            rows.append(np.full(len(edges) - 1, 1 / (len(edges) - 1)))
            continue
        if entry[sign]["edges"] != edges:
            raise CannotUse(f"the catalogue's {key}.{sign} has other edges than the first entry of {sign}")
        rows.append(_soften(np.array(entry[sign]["p"], float), entry[sign]["grade"], softness))
    return np.array(edges, float), np.array(rows)


def group_words() -> Mapping[str, str]:
    """Group key -> its name in words."""
    return knowledge("diagnose.culprits", "groups.yaml")
