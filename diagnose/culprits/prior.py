"""Before any sign is looked at, how likely is each culprit here, and what have confirmed verdicts taught?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from os import PathLike

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, Catalogue, catalogue
from diagnose.texts import read_values, shown

STRAY = 0.02  # commonness of an animal outside its stated regions: strays and wrong maps happen; our choice
CONFIRMED_BY = ("animal seen", "camera", "DNA")
PSEUDO_CAP = 20.0  # confirmed wounds never count for more than this many observations; our choice


def region_of(place: str | tuple[float, float] | None) -> str | None:
    """Region key of a key or a (latitude, longitude) [degree]; None where no region holds it.

    Raises CannotUse for a key that is no region.
    """
    regions = catalogue().regions
    if place is None:
        return None
    if isinstance(place, str):
        if place not in regions:
            raise CannotUse(f"'{place}' is no region; choose one of {', '.join(regions)}")
        return place
    lat, lon = place
    for key, region in regions.items():
        for south, north, west, east in region["boxes"]:
            if south <= lat < north and west <= lon < east:
                return str(key)
    return None


def prior_of(
    known: Catalogue,
    region: str | None = None,
    own: Mapping[str, float] | None = None,
    confirmed: Mapping[str, float] | None = None,
) -> np.ndarray:
    """(K,) prior probabilities.

    own : the user's weights by culprit key, in place of the regional ones. confirmed : wounds by culprit key whose
    culprit was confirmed from outside (animal seen, camera, DNA); a conjugate Dirichlet update of a prior worth
    PSEUDO_CAP observations, the confirmed ones scaled down to at most as many. Something not listed keeps at
    least its own share. Raises CannotUse for weights that are no weights.
    """
    weights = _weights(known, region) if own is None else _own(known, own)
    prior = weights / weights.sum()
    if confirmed:
        seen = _own(known, confirmed, least=0.0)
        if seen.sum() > 0:
            seen = seen * min(1.0, PSEUDO_CAP / seen.sum())
            prior = (PSEUDO_CAP * prior + seen) / (PSEUDO_CAP + seen.sum())
    share = known.softness["not_listed_prior"]
    here = known.keys.index(NOT_LISTED)
    prior[here] = 0.0
    prior *= (1 - share) / prior.sum()
    prior[here] = share
    return prior


def read_prior(path: str | PathLike[str]) -> dict[str, float]:
    """Own weights by culprit key from a YAML or JSON file; culprits left out become next to impossible.

    Raises CannotUse, in one line, for a file that cannot be read and for weights that are none.
    """
    loaded = read_values(path)
    if not isinstance(loaded, dict) or not loaded:
        raise CannotUse(f"{path} holds no weights; write one `culprit: weight` a line, e.g. `hare: 3`")
    weights = {}
    for key, weight in loaded.items():
        if isinstance(weight, bool) or not isinstance(weight, int | float):
            raise CannotUse(f"'{shown(weight)}' is no weight for '{shown(key)}' in {path}; write a number, 0 or more")
        weights[str(key)] = float(weight)
    if not sum(_own(catalogue(), weights, least=0.0)) > 0:
        raise CannotUse(f"{path} makes every culprit impossible; give at least one a weight above 0")
    return weights


def prior_words(own: Mapping[str, float] | None, confirmed: Mapping[str, float] | None) -> tuple[str, ...]:
    """What moved the prior away from the region's, a line each; empty where nothing did."""
    names, told = catalogue().names, []
    if own is not None:
        ranked = sorted((key for key in own if own[key] > 0), key=lambda key: -own[key])
        told.append("started from your own weights: " + ", ".join(f"{names[key]} {own[key]:g}" for key in ranked))
    if confirmed and sum(confirmed.values()) > 0:
        seen = ", ".join(f"{names[key]} {confirmed[key]:g}" for key in sorted(confirmed, key=lambda key: -confirmed[key]))
        told.append(f"sharpened by what was confirmed here from outside: {seen} (all together count as {PSEUDO_CAP:g} at "
                    "most)")
    return tuple(told)


def confirmed_counts(records: Iterable[Mapping[str, object]]) -> dict[str, float]:
    """Confirmed wounds by culprit key, for `prior_of`; the wounds of one plant on one visit count once.

    records : mappings with `culprit`, `confirmed_by`, `plant` and `visit`. Only what was confirmed from outside
    counts (CONFIRMED_BY); a verdict that somebody merely accepted does not, or the tool would teach itself. Two
    culprits confirmed on one plant and visit share its one count. Leaving a record out undoes what it taught.
    """
    seen: dict[tuple[object, object], set[str]] = {}
    for number, record in enumerate(records):
        if record.get("confirmed_by") in CONFIRMED_BY:
            plant, visit = record.get("plant"), record.get("visit")
            alone = plant in (None, "") and visit in (None, "")
            seen.setdefault((number, None) if alone else (plant, visit), set()).add(str(record["culprit"]))
    counts: dict[str, float] = {}
    for culprits in seen.values():
        for culprit in culprits:
            counts[culprit] = counts.get(culprit, 0.0) + 1 / len(culprits)
    return counts


def _weights(known: Catalogue, region: str | None) -> np.ndarray:
    regions = [region] if region is not None else list(known.regions)
    rows = [[known.common[key].get(where, STRAY) for key in known.keys] for where in regions]
    table = np.array(rows, float)
    return (table / table.sum(axis=1, keepdims=True)).mean(axis=0)


def _own(known: Catalogue, weights: Mapping[str, float], least: float = 1e-4) -> np.ndarray:
    unknown = set(weights) - set(known.keys)
    if unknown:
        raise CannotUse(f"'{sorted(unknown)[0]}' is no culprit; choose from {', '.join(known.keys)}")
    values = np.array([float(weights.get(key, 0.0)) for key in known.keys])
    if not np.isfinite(values).all() or (values < 0).any():
        raise CannotUse("a prior's weights must be numbers, 0 or more")
    return np.maximum(values, least)
