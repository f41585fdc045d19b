"""How well does each cause explain the signs of the wound itself?

Signs are weighed by group. Within a group that hangs together (form of the cut, tooth marks, height) signs speak through
what lies behind them, which is summed out; signs `about` the same thing count once. A sign that tells another more finely
(the kind of tree: conifer or broadleaf) is weighed as that one, and as itself given that one. An unknown sign is absent and
changes nothing; a cause without a table for a sign gets the mean of the others at that place, so that the sign leaves
it where it was. Traces are no signs of the wound (traces.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.culprits.catalogue import TRACES, Catalogue, members
from diagnose.culprits.reach import diameter_likelihoods, height_likelihoods
from diagnose.culprits.readings import TINY, bin_reading, choice_reading, misread, misread_within, number_reading, pooled
from diagnose.culprits.tables import words
from diagnose.knowledge import knowledge
from diagnose.signs import Answer, Shares, Sign, Signs, Word, answered_so, vocabulary, with_what_follows

CUT_SIGNS = ("end_form", "cut_form", "raggedness", "seen_slope_deg", "true_slope_deg", "clean_part_slope_deg",
             "cut_slant")
MARK_SIGNS = ("groove_look", "groove_spacing_mm")
HEIGHT_SIGNS = ("wound_height_mm", "position", "past_snow", "snow_line")
PATCH_SIGNS = ("patch_height_mm", "patch_width_mm")
WRONGLY_TYPED = 0.02  # saliva typed on the bite and yet another animal's; P4 names 100 % rightly, of captive deer
GRID = 400


def is_weighed(known: Catalogue, name: str) -> bool:
    """Does a sign move the verdict? Edges of patches and the like are told but not weighed.

    Parameters
    ----------
    known
        The catalogue [no unit].
    name
        Of a sign [no unit].
    """
    return (name in (*CUT_SIGNS, *MARK_SIGNS, *HEIGHT_SIGNS, "saliva_dna") or name in known.tables
            or name in known.numbers or name in TRACES)


def group_likelihoods(
    known: Catalogue, signs: Signs, prior: np.ndarray, snow_mm: float | None = None,
    winters: Mapping[str, float] | None = None, strength: float | None = None,
) -> dict[str, np.ndarray]:
    """Group of signs -> (C,) its likelihood under each cause, in no absolute unit.

    Parameters
    ----------
    known
        The catalogue [no unit].
    signs
        Of the wound, each in its own unit; traces among them are passed over.
    prior
        (C,) share of wounds that each cause makes, with which the mean for those without a table is weighted [no unit].
    snow_mm
        Depth of snow that lay [mm]; None where not known.
    winters
        Kind of winter -> its share at the place, see `reach.depths_of`; None for `unknown` [no unit].
    strength
        Power to which each group's likelihood is raised; that of `words.yaml` where None. What a culprit can reach and bite
        through is a law and stands as it is [no unit].
    """
    power = float(words()["strength"]) if strength is None else strength
    signs = with_what_follows(signs)
    by_group: dict[str, dict[str, Sign]] = {}
    for name in sorted(signs, key=coarser_first):
        word = vocabulary().get(name)
        if (word is not None and name not in TRACES and is_weighed(known, name)
                and not answered_so(signs, word.void_where)):
            by_group.setdefault(group_of_sign(word), {})[name] = signs[name]
    found: dict[str, np.ndarray] = {}
    for group, told in by_group.items():
        before = prior * found.get(coarser_group(group), 1.0)
        weighed = one_group(known, group, told, signs, before, snow_mm, winters or {"unknown": 1.0}, power)
        if weighed is not None:
            found[group] = weighed
    return found


def group_of_sign(word: Word) -> str:
    """The group that a sign is weighed in; sizes of different things stand each for itself.

    Parameters
    ----------
    word
        A sign [no unit].
    """
    if word.name in HEIGHT_SIGNS:
        return "height"
    if word.name in CUT_SIGNS:
        return "cut"
    if word.name in MARK_SIGNS:
        return "marks"
    return "patch" if word.name in PATCH_SIGNS else word.name


def coarser_first(name: str) -> tuple[bool, str]:
    """The order in which signs are weighed: one that tells another more finely is weighed given that one.

    Parameters
    ----------
    name
        Of a sign [no unit].
    """
    return coarser_group(name) != "", name


def coarser_group(group: str) -> str:
    """The group of the sign that this group's sign tells more finely; empty where it tells none.

    Parameters
    ----------
    group
        One of those that `group_of_sign` names [no unit].
    """
    word = vocabulary().get(group)
    return group_of_sign(vocabulary()[word.kind_of]) if word is not None and word.kind_of else ""


def one_group(
    known: Catalogue, group: str, told: Signs, signs: Signs, prior: np.ndarray, snow_mm: float | None,
    winters: Mapping[str, float], power: float,
) -> np.ndarray | None:
    """(C,) likelihood of one group's signs; None where it tells nothing.

    Filled, raised to the power, and cut to what can be reached.

    Parameters
    ----------
    known
        The catalogue [no unit].
    group
        One of those that `group_of_sign` names [no unit].
    told
        Signs of this group, each in its own unit.
    signs
        All signs of the wound, each in its own unit; the height asks for season and snow too.
    prior
        (C,) share of wounds that each cause makes; of a sign that tells another more finely, of those that fit that one [no
        unit].
    snow_mm
        Depth of snow that lay [mm]; None where not known.
    winters
        Kind of winter -> its share at the place [no unit].
    power
        To which the likelihood is raised [no unit].
    """
    found = raw_group(known, group, told, signs, snow_mm, winters)
    if found is None:
        return None
    raw, inside = found
    return raw if group == "saliva_dna" else filled(raw, prior, power) * inside


def raw_group(
    known: Catalogue, group: str, told: Signs, signs: Signs, snow_mm: float | None, winters: Mapping[str, float]
) -> tuple[np.ndarray, np.ndarray | float] | None:
    """(C,) likelihood of one group's signs, nan where nothing is known of a cause; and how much of it is within reach.

    Parameters
    ----------
    known, group, told, signs, snow_mm, winters
        As for `one_group`, each in its own unit.

    Returns
    -------
    raw, inside : numpy.ndarray (C,), and (C,) or 1.0
        The likelihood in no absolute unit, and the share within reach, 0 to 1; None where the group tells nothing.
    """
    if group == "height":
        return height_likelihoods(known, signs, snow_mm, winters)
    if group == "end_diameter_mm":
        return diameter_likelihoods(known, signs)
    if group in ("cut", "marks"):
        return known.tables[group] @ choices_told(known, group, told), 1.0
    if group == "saliva_dna":
        return _typed(known, told["saliva_dna"]), 1.0
    raw = pooled_where_known([_own_table(known, name, sign) for name, sign in told.items()])
    return raw * _side_by_side(known, told["wound"]) if group == "wound" else raw, 1.0


def has_choices(known: Catalogue, group: str) -> bool:
    """Is a group of signs weighed by one table of choices, or of classes behind them? Heights and other numbers are not.

    Parameters
    ----------
    known
        The catalogue [no unit].
    group
        One of those that `group_of_sign` names [no unit].
    """
    return group in known.tables and group != "place"


def choices_told(known: Catalogue, group: str, told: Signs) -> np.ndarray:
    """(choices,) likelihood of what was told, given each column of the group's table.

    Parameters
    ----------
    known
        The catalogue [no unit].
    group
        One that `has_choices` [no unit].
    told
        Signs of this group, each in its own unit.
    """
    if group == "cut":
        return _cut_classes(known.class_looks["cut"], told)
    if group == "marks":
        return _mark_classes(known.class_looks["marks"], told)
    word, share = vocabulary()[group], misreading(group)
    reading = choice_reading(word, told[group])
    if word.kind_of:
        return misread_within(reading, share, [word.kinds[choice] for choice in word.choices])
    return misread(reading, share)


def _side_by_side(known: Catalogue, wound: Sign) -> np.ndarray:
    """(C,) how well a culprit explains several kinds of wound that somebody told as shares.

    Who does all of them keeps 1, who does but one of them comes near to what `words.yaml` leaves for a doubt between them.
    Shares that a person tells are mostly kinds seen side by side, each made by the one culprit, so that the chances of
    its kinds multiply, each to the power of its share; an average alone would give as much to who makes only one.
    """
    ones = np.ones(len(known.causes))
    if not isinstance(wound, Shares) or wound.how != "answer":
        return ones
    shares = {choice: share for choice, share in wound.shares.items() if share > 0}
    does = {choice: np.bincount(known.of, known.share * _own_table(known, "wound", Answer(choice)), len(known.keys))
            for choice in shares}  # of each culprit, over all that it does
    average = sum(share * does[choice] for choice, share in shares.items())
    together = np.exp(sum(share * np.log(np.maximum(does[choice], TINY)) for choice, share in shares.items()))
    doubt = float(words()["shares_in_doubt"])
    return np.asarray(ones * (doubt + (1 - doubt) * together / np.maximum(average, TINY))[known.of])


def filled(raw: np.ndarray, prior: np.ndarray, power: float) -> np.ndarray:
    """(..., C) the likelihood to a power; causes of which nothing is known (nan) get the others' mean, weighted by prior.

    So a sign that is answered alone leaves such a cause exactly where it was, whatever the answer.

    Parameters
    ----------
    raw
        (..., C) likelihood, nan where nothing is known of a cause; several answers at once may stand before the causes [no
        unit].
    prior
        (C,) or (..., C) share of wounds that each cause makes [no unit].
    power
        To which the likelihood is raised [no unit].

    References
    ----------
    .. [1] Our own.
    """
    has = ~np.isnan(raw)
    there = np.where(has, raw, 0.0)
    scale = there.max(axis=-1, keepdims=True)
    lifted = np.power(there / np.where(scale > 0, scale, 1.0), power)  # 0 where nothing is known
    weight = (prior * has).sum(axis=-1, keepdims=True)
    mean = np.where(weight > 0, (prior * lifted).sum(axis=-1, keepdims=True) / np.where(weight > 0, weight, 1.0),
                    lifted.sum(axis=-1, keepdims=True) / np.maximum(has.sum(axis=-1, keepdims=True), 1))
    return np.where(scale > 0, np.where(has, lifted, mean), 1.0)


def pooled_where_known(readings: Sequence[np.ndarray]) -> np.ndarray:
    """(C,) one likelihood from several readings of one thing, each nan where nothing is known of a cause.

    Parameters
    ----------
    readings
        Each (C,), likelihoods of one thing [no unit]; one or more.

    References
    ----------
    .. [1] Our own.
    """
    if len(readings) == 1:
        return readings[0]
    known = np.array([~np.isnan(each) for each in readings])
    filled_in = [np.where(ok, each, np.nanmean(each)) for ok, each in zip(known, readings, strict=True)]
    return np.where(known.any(axis=0), pooled(filled_in), np.nan)


def misreading(name: str) -> float:
    """Share of answers to a question that are wrong ones; what was measured is not misread.

    Parameters
    ----------
    name
        Of a question's sign [no unit].
    """
    entry = knowledge("diagnose.culprits", "answerable.yaml").get(name, {})
    return float(entry.get("misread", 0.0))


def _own_table(known: Catalogue, name: str, sign: Sign) -> np.ndarray:
    """(C,) likelihood of a sign that causes have tables of their own for; nan where one has none."""
    word = vocabulary()[name]
    if name in known.tables:
        return known.tables[name] @ choices_told(known, name, {name: sign})
    grid = (np.exp(np.linspace(np.log(word.low), np.log(word.high), GRID)) if word.low > 0
            else np.linspace(word.low, word.high, GRID))
    steps = np.gradient(grid)
    seen = number_reading(grid, steps, sign) * steps
    return np.array([np.nan if density is None else float(density.density(grid) @ seen)
                     for density in known.numbers[name]])


def _typed(known: Catalogue, sign: Sign) -> np.ndarray:
    """(C,) likelihood of the animal that saliva on the bite was typed as; it is as sure as the laboratory."""
    shares = {sign.choice: 1.0} if isinstance(sign, Answer) else sign.shares if isinstance(sign, Shares) else {}
    found = np.zeros(len(known.causes))
    for choice, share in shares.items():
        named = np.array([key in members(choice) for key, _ in known.causes])
        found += share * np.where(named, 1 - WRONGLY_TYPED, WRONGLY_TYPED / 20)
    return found


def _cut_classes(looks: Mapping[str, Any], told: Signs) -> np.ndarray:
    """(classes,) likelihood of the cut's signs given each class of cut."""
    classes = list(looks["classes"].values())
    readings: dict[str, list[np.ndarray]] = {}
    for name, sign in told.items():
        if name == "raggedness":
            if "end_form" in told:
                continue  # the form was read off the same outline
            form = _ragged_reading(looks, sign)
            reading = np.array([_shares(entry["form"], looks["form_choices"]) @ form for entry in classes])
        elif name in ("cut_form", "end_form"):
            form = _form_reading(looks, name, sign)
            reading = np.array([_shares(entry["form"], looks["form_choices"]) @ form for entry in classes])
        else:
            which = "true_slope" if name == "true_slope_deg" else "seen_slope"
            slope = _slope_reading(looks, name, sign)
            reading = np.array([_even(entry[which]) @ slope for entry in classes])
        readings.setdefault(vocabulary()[name].about, []).append(reading)
    return np.asarray(np.prod([pooled(alike) for alike in readings.values()], axis=0)) if readings else np.ones(len(classes))


def _form_reading(looks: Mapping[str, Any], name: str, sign: Sign) -> np.ndarray:
    forms = looks["form_choices"]
    if name == "end_form":
        if isinstance(sign, Answer):
            sign = Shares({sign.choice: 1.0})
        assert isinstance(sign, Shares)
        seen = _shares(sign.shares, ("clean", "half", "torn"))
        return np.array([_shares(looks["photo_form"][form], ("clean", "half", "torn")) @ seen for form in forms])
    return misread(choice_reading(vocabulary()[name], sign), looks["misread"])


def _ragged_reading(looks: Mapping[str, Any], sign: Sign) -> np.ndarray:
    """(forms,) likelihood of the measured raggedness given each form of the end."""
    edges = np.array(looks["ragged_edges"], float)
    seen = bin_reading(edges[:-1], edges[1:], sign)
    return np.array([_even(looks["ragged"][form]) @ seen for form in looks["form_choices"]])


def _slope_reading(looks: Mapping[str, Any], name: str, sign: Sign) -> np.ndarray:
    edges = np.array(looks["slope_edges"], float)
    if name != "cut_slant":
        return bin_reading(edges[:-1], edges[1:], sign)
    told = choice_reading(vocabulary()[name], sign)
    spans = list(looks["slant_of_slope"].values())
    middle = (edges[:-1] + edges[1:]) / 2
    belongs = np.array([[low <= m < high for low, high in spans] for m in middle], float)  # (bins, answers)
    return np.asarray(belongs @ misread(told, looks["misread"]))


def _mark_classes(looks: Mapping[str, Any], told: Signs) -> np.ndarray:
    """(classes,) likelihood of the tooth marks' signs given each class of marks."""
    readings = []
    for name, sign in told.items():
        if name == "groove_look":
            readings.append(misread(choice_reading(vocabulary()[name], sign), looks["misread"]))
        else:
            edges = np.array(looks["spacing_edges"], float)
            spacing = bin_reading(edges[:-1], edges[1:], sign)
            readings.append(np.array([_even(entry["spacing"]) @ spacing for entry in looks["classes"].values()]))
    return pooled(readings)


def _shares(weights: Mapping[str, float], choices: Sequence[str]) -> np.ndarray:
    row = np.array([float(weights.get(choice, 0.0)) for choice in choices])
    return row / row.sum()


def _even(weights: Sequence[float]) -> np.ndarray:
    row = np.array(weights, float)
    return row / row.sum()
