"""What can each culprit reach, from the surface that it stood on, and what can it bite through?

Reach is a hard law with a soft edge: a rabbit on bare ground does not bite at two metres, whatever else fits. It is
counted from the surface stood on when it happened; where nobody says how deep the snow lay, what lies in that season
is summed over. Who works under the snow works from the ground up to its surface; climbers have no reach; who bends or
breaks stems reaches the tops of what broke.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from diagnose.culprits.catalogue import Catalogue
from diagnose.culprits.readings import choice_reading, misread, misread_near, number_reading
from diagnose.culprits.tables import within
from diagnose.given import from_nought
from diagnose.knowledge import knowledge
from diagnose.signs import Answer, Shares, Sign, Signs, vocabulary

STEP_MM = 20.0
HEIGHTS = np.arange(-400.0, 6000.0, STEP_MM) + STEP_MM / 2  # middles of the height steps [mm]
EDGE_MM, EDGE_SHARE = 30.0, 0.04  # soft edge of a reach: the larger of the two; our choice
EDGE_BITE = 0.10  # soft edge of a bite's thickness, in its logarithm; our choice
DIAMETERS = np.exp(np.linspace(np.log(0.3), np.log(80.0), 400))  # [mm]
BROKEN = ("stem_broken",)


def snow_table() -> Mapping[str, Any]:
    """Depths behind each answer, and how likely each is where nobody says, as `snow.yaml` holds it."""
    return knowledge("diagnose.culprits", "snow.yaml")


def depths_of(signs: Signs, snow_mm: float | None, winters: Mapping[str, float]) -> list[tuple[float, float]]:
    """Snow depths with their shares.

    Parameters
    ----------
    signs
        What is known of the wound; `past_snow` and `season` are read [no unit].
    snow_mm
        Depth that somebody stated [mm]; None where not known.
    winters
        Kind of winter (snowy, changing, mild, unknown) -> its share at the place; they add up to 1 [no unit].

    Returns
    -------
    list of (float, float)
        Depth [mm] and its share; the shares add up to 1.

    Raises
    ------
    CannotUse
        For a depth below nought or that is no number.

    References
    ----------
    .. [1] Our own; the figures are those of `snow.yaml`.
    """
    if snow_mm is not None:
        return [(from_nought(snow_mm, "The snow depth"), 1.0)]
    told = snow_table()
    states = list(told["depth_mm"])
    past = signs.get("past_snow")
    if past is not None:
        shares = misread(choice_reading(vocabulary()["past_snow"], past), told["misread"])
    else:
        lying = told["lying"]
        seasons = list(vocabulary()["season"].choices)
        season = signs.get("season")
        weights = (np.ones(len(seasons)) if season is None else choice_reading(vocabulary()["season"], season))
        rows = sum(share * np.array([lying[kind][name] for name in seasons], float) for kind, share in winters.items())
        shares = (weights / weights.sum()) @ rows
    shares = shares / shares.sum()
    return [(depth, float(share) / len(told["depth_mm"][state]))
            for state, share in zip(states, shares, strict=True) for depth in told["depth_mm"][state]]


def height_likelihoods(
    known: Catalogue, signs: Signs, snow_mm: float | None, winters: Mapping[str, float]
) -> tuple[np.ndarray, np.ndarray] | None:
    """How well each cause explains the height of the wound, and how far the height lies within its reach.

    Parameters
    ----------
    known
        The catalogue [no unit].
    signs
        What is known of the wound; height [mm], position, past snow, its surface, season and kind of wound are read.
    snow_mm, winters
        As for `depths_of` [mm, no unit].

    Returns
    -------
    likelihood, inside : numpy.ndarray, shape (C,)
        The likelihood of the height, in no absolute unit, and nan where nothing is known of the cause; and the share of it
        that the reach leaves, 0 to 1. None for both where nothing is known of the height.

    References
    ----------
    .. [1] Our own.
    """
    seen = _height_reading(known.class_looks, signs)
    line = signs.get("snow_line")
    if seen is None and line is None:
        return None
    depths = depths_of(signs, snow_mm, winters)
    # only the place in words is told from the snow at times; a height in mm is from the ground
    from_surface = seen if "position" in signs and "wound_height_mm" not in signs else None
    if seen is None:
        seen = np.ones(len(HEIGHTS))
    if line is not None and any(depth > 0 for depth, _ in depths):  # somebody saw the surface, so snow lay
        depths = [(depth, share) for depth, share in depths if depth > 0]
    broken = _share_of(signs.get("wound"), BROKEN)
    bends = known.bends[known.of]
    free, held = np.zeros(len(known.of)), np.zeros(len(known.of))
    for depth, share in depths:
        beside = np.ones(len(HEIGHTS)) if line is None else _beside_surface(line, depth)
        read = seen * beside
        stood = read  # by those who stand on the snow: some count the place in words from its surface
        if from_surface is not None and depth > 0:
            share_up = snow_table()["from_surface"]
            stood = (1 - share_up) * read + share_up * _shifted(from_surface, depth) * beside
        standing, density, within_reach = _placed(known, depth)
        whole, kept = (np.where(standing, there @ stood, there @ read) for there in (density, within_reach))
        kept = np.where(bends, broken * whole + (1 - broken) * kept, kept)
        if depth > 0:  # snow only adds places to what is gnawed below it: what was gnawed without snow still is
            bare = _placed(known, 0.0)[1] @ read
            more = known.under_snow[known.of] & (bare > whole)
            kept = np.where(more, kept * bare / np.maximum(whole, 1e-300), kept)
            whole = np.where(more, bare, whole)
        free += share * whole
        held += share * kept
    likelihood = np.where(np.isnan(known.tables["place"][:, 0]), np.nan, free)
    return likelihood, np.where(free > 0, held / np.maximum(free, 1e-300), 1.0)


@lru_cache(maxsize=64)
def _placed(known: Catalogue, depth: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where each cause's wounds lie on snow of some depth [mm]; not to be changed.

    (C,) who stands on the snow; (C, G) probability of each height step; (C, G) the same of those within reach.
    """
    rows = known.of
    standing = np.isfinite(known.reach_mm[rows]) & ~known.under_snow[rows]
    fine = _density(np.nan_to_num(known.tables["place"]), np.array(known.class_looks["place"]["zone_edges"], float))
    density = np.where(standing[:, None], _lifted(fine, depth), fine)
    density = np.where(known.under_snow[rows][:, None], _below_snow(fine, depth), density)
    return standing, density, density * _inside(known.reach_mm[rows], depth)


def _inside(most: np.ndarray, depth: float) -> np.ndarray:
    """(C, G) share of each cause's animals that reach each height, standing on snow of some depth [mm]."""
    finite = np.where(np.isfinite(most), most, 1e9)
    edge = np.maximum(EDGE_MM, EDGE_SHARE * np.where(np.isfinite(most), most, 0.0))
    return within((finite + depth)[:, None], HEIGHTS[None, :], edge[:, None])


def _share_of(wound: Sign | None, kinds: Sequence[str]) -> float:
    """Probability that the wound is of one of these kinds; 0 where nobody says."""
    if isinstance(wound, Answer):
        return float(wound.choice in kinds)
    return sum(wound.shares.get(kind, 0.0) for kind in kinds) if isinstance(wound, Shares) else 0.0


def _height_reading(looks: Mapping[str, Any], signs: Signs) -> np.ndarray | None:
    """(G,) likelihood of everything told of the height, given the true height; None where nothing is told."""
    found: list[np.ndarray] = []
    if "wound_height_mm" in signs:
        found.append(number_reading(HEIGHTS, STEP_MM, signs["wound_height_mm"]))
    if "position" in signs:
        answered = misread_near(choice_reading(vocabulary()["position"], signs["position"]), looks["place"]["misread"])
        zone = np.clip(np.searchsorted(looks["place"]["zone_edges"], HEIGHTS) - 1, 0, len(answered) - 1)
        found.append(answered[zone])
    return np.prod(found, axis=0) if found else None


def _density(zones: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """(C, G) probability of each height step, even within a zone."""
    zone = np.clip(np.searchsorted(edges, HEIGHTS) - 1, 0, zones.shape[1] - 1)
    return zones[:, zone] * (STEP_MM / np.diff(edges)[zone])


def _shifted(reading: np.ndarray, depth_mm: float) -> np.ndarray:
    """(G,) a reading of the height above the snow's surface, as one of the height above the ground."""
    steps = round(depth_mm / STEP_MM)
    moved = np.zeros_like(reading)
    moved[steps:] = reading[:-steps] if steps else reading
    return moved


def _beside_surface(line: Sign, depth_mm: float) -> np.ndarray:
    """(G,) likelihood of what was said of the damage and the snow's surface, given height and depth [mm]."""
    above = depth_mm <= HEIGHTS
    said = misread(choice_reading(vocabulary()["snow_line"], line), snow_table()["misread"])
    return np.where(above, said[0], said[1])


def _lifted(density: np.ndarray, depth_mm: float) -> np.ndarray:
    """(C, G) the same counted from the top of the snow; what is done below the ground stays there."""
    steps = round(depth_mm / STEP_MM)
    if steps == 0:
        return density
    ground = int(np.searchsorted(HEIGHTS, 0.0))
    lifted = np.zeros_like(density)
    lifted[:, :ground] = density[:, :ground]
    lifted[:, ground + steps:] = density[:, ground:-steps]
    return lifted


def _below_snow(density: np.ndarray, depth_mm: float) -> np.ndarray:
    """(C, G) of who works under the snow: the foot as ever, the rest spread up to the snow's surface."""
    if depth_mm <= 0:
        return density
    foot = int(np.searchsorted(HEIGHTS, 150.0))
    top = max(int(np.searchsorted(HEIGHTS, depth_mm + 150.0)), foot + 1)
    rest = density[:, foot:].sum(axis=1)
    spread = density.copy()
    spread[:, foot:] = 0.0
    spread[:, foot:top] = rest[:, None] / (top - foot)
    return spread


def diameter_likelihoods(known: Catalogue, signs: Signs) -> tuple[np.ndarray, np.ndarray] | None:
    """How well each cause explains the thickness at the cut, and how far it lies within what the culprit bites through.

    Parameters
    ----------
    known
        The catalogue [no unit].
    signs
        What is known of the wound; thickness at the cut [mm] and kind of wound are read.

    Returns
    -------
    likelihood, inside : numpy.ndarray, shape (C,)
        As of `height_likelihoods`; None where nobody tells of the thickness.

    References
    ----------
    .. [1] Our own.
    """
    if "end_diameter_mm" not in signs:
        return None
    steps = np.gradient(DIAMETERS)
    seen = number_reading(DIAMETERS, steps, signs["end_diameter_mm"])
    severed = 1 - _share_of(signs.get("wound"), BROKEN)
    likelihood, inside = np.full(len(known.causes), np.nan), np.ones(len(known.causes))
    for row, told in enumerate(known.numbers["end_diameter_mm"]):
        density = steps / DIAMETERS if told is None else told.density(DIAMETERS) * steps
        if told is not None:
            likelihood[row] = density @ seen
        most = known.severs_mm[known.of[row]]
        if np.isfinite(most):
            cut = within(np.log(most), np.log(DIAMETERS), EDGE_BITE)
            cut = severed * cut + (1 - severed)
            inside[row] = (density * seen) @ cut / max(density @ seen, 1e-300)
    return likelihood, inside
