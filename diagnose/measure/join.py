"""What do several photographs of one wound say together?

Averaging reduces only the error that they do not share: each sign's variance is split into a shared part, which stays, and a
part of each one's own. A photograph that stands apart from the others is named and counts for less.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from diagnose.measure.bark_round import Turns, share_round, views_disagree
from diagnose.measure.record import Measurement
from diagnose.signs import Answer, Bounded, Measured, Shares, Sign

# Share of the variance that photographs of one wound have in common: our choices, with the reason for each.
SHARED: Mapping[str, tuple[float, str]] = {
    "seen_slope_deg": (0.2, "the twig's roll is often kept from photo to photo"),
    "clean_part_slope_deg": (0.2, "the twig's roll is often kept from photo to photo"),
    "true_slope_deg": (0.2, "the face's own unevenness"),
    "end_diameter_mm": (0.5, "print scale, lift above the card, dark edges that creep inwards on white"),
    "raggedness": (0.5, "the same fibres are seen from the same side"),
    "longest_fibre": (0.5, "the same fibres are seen from the same side"),
    "groove_spacing_mm": (0.3, "print scale and the same few grooves"),
    "groove_direction_deg": (0.3, "the same few grooves"),
    "patch_height_mm": (0.4, "print scale, the card's distance from the stem's face"),
    "patch_width_mm": (0.5, "print scale, the card's distance from the stem's face, the same hidden sides"),
    "stem_diameter_mm": (0.5, "print scale, the card's distance from the stem's face"),
    "wound_height_mm": (0.5, "the staff's lean and print, the ground, the plant's place before or behind the staff"),
}
# Of photographs from several sides these are told by the one that shows most of the patch: the others see less of it.
OF_ONE_VIEW = ("patch_height_mm", "patch_width_mm", "patch_lower_edge_mm", "patch_upper_edge_mm")
USUAL_SHARED = 0.5  # of a sign that the table does not name
APART = 3.0  # sigma beyond which a photograph is named; common practice
TWO_WOUNDS = 5.0  # sigma from which two photographs are not joined unasked; our choice, well beyond what is common
# lengths of the plant itself, which no roll of the twig and no other side changes
SAME_IN_ALL = ("end_diameter_mm", "stem_diameter_mm", "wound_height_mm")
OUTLIERS_WEIGHT = 2.0  # sigma beyond which a photograph counts for less (Huber's weight); common practice


def join(
    measurements: Sequence[Measurement], names: Sequence[str] | None = None, turns: Turns = None
) -> Measurement:
    """One measurement from those of several photographs of the same wound.

    Values are averaged, intervals intersected where they meet, shares averaged (never multiplied: the photographs show the
    same end and err alike). Shapes belong to one picture each and are left out.

    Parameters
    ----------
    measurements, names, turns
        One or more, each sign in its own unit; what to call the photographs in remarks, "photo 1" and so on where None; how
        far round the stem each was taken, to join the bark lost, see `share_round` [degree].

    Raises
    ------
    ValueError
        For no measurement at all, or not as many names or turns.
    """
    if not measurements:
        raise ValueError("at least one measurement is needed")
    if turns is not None and turns != "all-round" and len(turns) != len(measurements):
        raise ValueError(f"{len(measurements)} photographs need as many turns, not {len(turns)}")
    if len(measurements) == 1:
        return measurements[0]
    called = list(names) if names is not None else [f"photo {k + 1}" for k in range(len(measurements))]
    if len(called) != len(measurements):
        raise ValueError("as many names as measurements are needed")
    measured: dict[str, Sign] = {}
    remarks: list[str] = []
    lost = {k: each.round.alone.low for k, each in enumerate(measurements) if each.round is not None}
    for sign in dict.fromkeys(name for each in measurements for name in each.measured):
        having = [k for k, each in enumerate(measurements) if sign in each.measured]
        if turns is not None and lost and sign in OF_ONE_VIEW:
            barest = max(lost, key=lost.__getitem__)
            having = [barest] if barest in having else []
        if sign == "bark_loss" and len(lost) > 1:
            measured[sign], told = _bark_round(measurements, turns)
        elif having:
            values = [measurements[k].measured[sign] for k in having]
            measured[sign], told = _joined(sign, [called[k] for k in having], values)
        else:
            continue
        remarks += told
    missing = {sign: why for each in measurements for sign, why in each.not_measured.items() if sign not in measured}
    own = [f"{name}: {line}" for name, each in zip(called, measurements, strict=True) for line in each.remarks]
    return Measurement(measured, missing, {}, tuple(remarks + own))


def two_wounds(measurements: Sequence[Measurement], names: Sequence[str], inches: bool = False) -> list[str]:
    """Why photographs may be of different wounds: a line for each length that differs beyond doubt; empty where none does.

    Parameters
    ----------
    measurements, names, inches
        One of each photograph, each sign in its own unit; what to call them; are lengths written in inches?
    """
    lines = []
    for sign in SAME_IN_ALL:
        having = [(name, value) for name, each in zip(names, measurements, strict=True)
                  if isinstance(value := each.measured.get(sign), Measured)]
        if len(having) < 2:
            continue
        (small, low), *_, (large, high) = sorted(having, key=lambda item: item[1].value)
        own = np.sqrt(1 - SHARED[sign][0]) * np.hypot(low.sigma, high.sigma)
        if high.value - low.value > TWO_WOUNDS * max(float(own), 1e-12):
            lines.append(_figures(sign, [small, large], [low, high], inches))
    return lines


def taken_alone(measurements: Sequence[Measurement], names: Sequence[str]) -> str:
    """Why the first photograph alone is judged: the lengths that differ beyond doubt, and the question; else empty.

    Parameters
    ----------
    measurements, names
        One of each photograph, each sign in its own unit, and what to call them.
    """
    apart = two_wounds(measurements, names)
    return f"a photo stands apart ({'; '.join(apart)}): are they of one wound? Only {names[0]} is judged" if apart else ""


def _figures(sign: str, names: Sequence[str], values: Sequence[Measured], inches: bool = False) -> str:
    """A sign's values in words, and in which photograph each was read."""
    from diagnose.figures import figure
    from diagnose.signs import vocabulary

    told = ", ".join(f"{figure(sign, value, inches)} in {name}" for name, value in zip(names, values, strict=True))
    return f"{vocabulary()[sign].label if sign in vocabulary() else sign}: {told}"


def _bark_round(measurements: Sequence[Measurement], turns: Turns) -> tuple[Sign, list[str]]:
    """The bark lost from all views that saw it; a photograph without a patch may hide one, so it is not counted as bark."""
    views = [each.round for each in measurements if each.round is not None]
    if turns == "all-round":
        turns = "all-round" if len(views) == len(measurements) else None
    elif turns is not None:
        turns = [float(turn) for turn, each in zip(turns, measurements, strict=True) if each.round is not None]
    told = []
    if views_disagree(views):
        told.append("the photographs do not agree in bark_loss: are they of one wound?")
    elif turns is None:
        told.append("how far round the stem each photograph was taken would narrow down how much bark is gone")
    return share_round(views, turns), told


def _joined(sign: str, names: list[str], values: list[Sign]) -> tuple[Sign, list[str]]:
    numbers = [value for value in values if isinstance(value, Measured)]
    bounds = [value for value in values if isinstance(value, Bounded)]
    if len(values) == 1:
        return values[0], []
    if len(numbers) == len(values):
        return _join_measured(sign, names, numbers)
    if len(numbers) + len(bounds) == len(values):
        owners = [name for name, value in zip(names, values, strict=True) if isinstance(value, Measured)]
        return _join_bounds(bounds, _join_measured(sign, owners, numbers) if numbers else None,
                            f"{', '.join(names)} do not agree in {sign}: are they of one wound?")  # fmt: skip
    return _join_shares([value if isinstance(value, Shares) else Shares({value.choice: 1.0}, value.how)
                         for value in values if isinstance(value, Shares | Answer)]), []  # fmt: skip


def _join_measured(sign: str, names: Sequence[str], values: Sequence[Measured]) -> tuple[Measured, list[str]]:
    """The mean weighted by inverse variances, its sigma, and a line for each photograph that stands apart.

    Each variance s^2 splits into f s^2 that all share and (1 - f) s^2 of the photograph's own. Weights are
    1 / ((1 - f) s^2), less for those far from the median (Huber); where the rest still scatters more than their own parts
    allow, those grow by Birge's ratio. The shared part, of the weighted mean variance, is added unreduced.

    References
    ----------
    .. [1] Huber, P. J. (1964). Annals of Mathematical Statistics 35:73-101; Birge, R. T. (1932). Physical Review 40:207-227
       (both from memory). The shared parts are our own choice.
    """
    many = len(values)
    if many == 1:
        return values[0], []
    value = np.array([each.value for each in values])
    sigma = np.maximum([each.sigma for each in values], 1e-12)
    shared = SHARED.get(sign, (USUAL_SHARED, ""))[0]
    own = sigma * np.sqrt(1 - shared)
    weight = 1 / own**2
    mean, trust = _weighted_median(value, weight), np.ones(many)
    for _ in range(20):
        if many > 2:  # of two none can be told to be the wrong one
            trust = np.minimum(1.0, OUTLIERS_WEIGHT / np.maximum(np.abs(value - mean) / own, 1e-12))
        mean = float((weight * trust * value).sum() / (weight * trust).sum())
    kept = weight * trust
    spread = max(1.0, float((kept * (value - mean) ** 2).sum()) / (many - 1))
    variance = spread / kept.sum() + shared * float((kept * sigma**2).sum() / kept.sum())
    others = kept.sum() - kept
    apart = np.abs(value - ((kept * value).sum() - kept * value) / others) / np.sqrt(own**2 + 1 / others)
    words = _figures(sign, names, values)
    told = [f"{name} stands apart by {by:.1f} sigma and counts for less ({words}): is it the same wound?"
            for name, by, trusted in zip(names, apart, trust, strict=True) if by > APART and trusted < 1]  # fmt: skip
    if many == 2 and apart[0] > APART:
        told = [f"{words}, which differ by {apart[0]:.1f} sigma: are they of one wound? Take a third"]
    return Measured(mean, float(np.sqrt(variance)), values[0].how), told


def _weighted_median(value: np.ndarray, weight: np.ndarray) -> float:
    order = np.argsort(value)
    return float(value[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)])


def _join_bounds(
    bounds: list[Bounded], number: tuple[Measured, list[str]] | None, disagree: str
) -> tuple[Sign, list[str]]:
    """Intervals meet in their common part; where they do not, the whole they span is kept and said so.

    A value that lies within the intervals, or within two of its sigmas of them, says more than they do and stands.
    """
    level = min(each.level for each in bounds)
    low, high = max(each.low for each in bounds), min(each.high for each in bounds)
    told = []
    if low > high:
        low, high = min(each.low for each in bounds), max(each.high for each in bounds)
        told = [disagree]
    if number is None:
        return Bounded(low, high, level), told
    value, spread = number[0].value, 2 * number[0].sigma
    told += number[1]
    if low - spread <= value <= high + spread:
        return number[0], told
    return Bounded(min(low, value - spread), max(high, value + spread), level), [*told, disagree]


def _join_shares(shares: list[Shares]) -> Shares:
    """The plain mean of the probabilities (a linear opinion pool; M. Stone, Annals Math. Statistics 32, 1961)."""
    choices = dict.fromkeys(choice for each in shares for choice in each.shares)
    mean = {choice: float(np.mean([each.shares.get(choice, 0.0) for each in shares])) for choice in choices}
    return Shares(mean, shares[0].how)
