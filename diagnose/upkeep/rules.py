"""Which rules hold of every form of barrier: when it is too tight, what it keeps away, how high is out of reach?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect.barriers import catalogue
from diagnose.protect.requirement import NEED_OF, needs
from diagnose.upkeep.growth import Rate, default_rate

CLEARANCE_MM = 25.0  # to the stem on each side; our threshold
THICKER_MM = 10.0  # than when it did not stand, before a stem is tried again; our choice
SNUG_SHARE = 0.1  # of the width, left on each side of a guard that is made to lie close; our choice


def forms() -> Mapping[str, Any]:
    """What is known of the forms of barriers: forms.yaml."""
    known: Mapping[str, Any] = knowledge("diagnose.upkeep", "forms.yaml")
    return known


def trait(form: str, name: str) -> Any:
    """What a form of barrier is like.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    name : str
        A trait as forms.yaml explains it, such as `closed` [no unit].

    Returns
    -------
    bool, str or int
        False where the trait does not hold.

    Raises
    ------
    CannotUse
        For no such form.
    """
    if form not in forms()["forms"]:
        raise CannotUse(f"'{form}' is no form of barrier; choose one of {', '.join(forms()['forms'])}")
    return forms()["forms"][form].get(name, False)


def known_form(form: str) -> str:
    """The form itself, or `other` for one that a newer tool wrote.

    Parameters
    ----------
    form : str
        As a log holds it [no unit].
    """
    return form if form in forms()["forms"] else "other"


def name_of(form: str, figures: Mapping[str, Any]) -> str:
    """What a barrier is called: as the plan called it that it is from, else by its form.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    figures : mapping
        The barrier's figures; `part` is its key in the plan's catalogue [no unit].

    Returns
    -------
    str
    """
    part = catalogue().get(str(figures.get("part", "")))
    return str(part["name"]) if part else "barrier" if form == "other" else form


@cache
def reach_mm(culprits: tuple[str, ...], snow_mm: float = 0.0) -> float:
    """How high the leader must be before none of these culprits reaches it.

    Parameters
    ----------
    culprits : tuple of str
        Keys of the catalogue [no unit].
    snow_mm : float
        Deepest snow, on which they stand [mm].

    Returns
    -------
    float
        [mm]; 0 where none bites leaders.

    Raises
    ------
    CannotUse
        For no depth of snow.

    References
    ----------
    The heights that size barriers: protect/needs.yaml.

    Examples
    --------
    >>> reach_mm(("deer_browsing",)), reach_mm(("deer_browsing",), 300.0), reach_mm(("vole_surface",))
    (1500.0, 1800.0, 0.0)
    """
    if not 0 <= snow_mm < math.inf:
        raise CannotUse(f"'{snow_mm}' is no depth of snow in mm")
    biting = [needs()[NEED_OF[one]] for one in culprits if NEED_OF.get(one) in forms()["leader_biters"]]
    return max((max(float(need["top"]["value"]), snow_mm + float(need["snow_margin"]["value"]) if snow_mm else 0.0)
                for need in biting), default=0.0)


@cache
def bark_safe_mm(culprits: tuple[str, ...]) -> float:
    """The stem's diameter from which the bark is safe.

    Parameters
    ----------
    culprits : tuple of str
        Keys of the catalogue. Who browses and carries antlers rubs too, until the stem is too thick for it [no unit].

    Returns
    -------
    float
        [mm]; infinite where it never is, 0 where none hurts bark.

    References
    ----------
    forms.yaml, bark_safe_mm

    Examples
    --------
    >>> bark_safe_mm(("deer_browsing",)), bark_safe_mm(("beaver",)), bark_safe_mm(("pocket_gopher",))
    (75.0, inf, 0.0)
    """
    limits = forms()["bark_safe_mm"]
    hurting = [limits[NEED_OF[one]] for one in culprits if NEED_OF.get(one) in limits]
    return max((float(limit["value"]) for limit in hurting), default=0.0)


def alone_mm(form: str, stands_alone: bool | None, stem_mm: float = 0.0) -> float:
    """The stem's diameter from which one in this form is likely to stand by itself.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    stands_alone : bool or None
        What a look found; None when nobody looked [no unit].
    stem_mm : float
        The stem's diameter at that look [mm]: one that did not stand is tried again when it is thicker.

    Returns
    -------
    float
        [mm]; 0 where it was never held.
    """
    if not trait(form, "tube") or stands_alone:
        return 0.0
    told = forms()["stands_alone_mm"]
    return float(told["nobody_looked"]) if stands_alone is None else max(float(told["it_did_not"]), stem_mm + THICKER_MM)


def tight_at_mm(form: str, inner_mm: Any) -> Any:
    """The stem's diameter at which too little clearance is left.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    inner_mm : array_like
        Clear width, one or many; NaN where it is not known [mm].

    Returns
    -------
    array
        [mm]; infinite where nothing closes round the stem.

    Raises
    ------
    CannotUse
        For no such form.

    Examples
    --------
    >>> float(tight_at_mm("cage", 150)), float(tight_at_mm("vole guard", 50)), float(tight_at_mm("fence", 50))
    (100.0, 40.0, inf)
    """
    inner = np.asarray(inner_mm, float)
    if not trait(form, "closed"):
        return np.full_like(inner, np.inf)
    left = 2 * SNUG_SHARE * inner if trait(form, "snug") else 2 * CLEARANCE_MM
    return np.where(np.isnan(inner), np.inf, np.maximum(inner - left, 0.0))


def waits_for(form: str, culprits: tuple[str, ...], snow_mm: float, stands_alone: bool | None,
              bark_safe: bool | None) -> tuple[str, ...]:
    """What must hold, all of it, before a barrier comes off.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    culprits : tuple of str
        What it is there against [no unit].
    snow_mm : float
        Deepest snow [mm].
    stands_alone, bark_safe : bool or None
        What a look found; None when nobody looked [no unit].

    Returns
    -------
    tuple of str
        In words.

    Raises
    ------
    CannotUse
        For no such form, or no depth of snow.
    """
    lines = []
    if (reach := reach_mm(culprits, snow_mm)) > 0:
        lines.append(f"leader above {reach / 1000:.1f} m, snow counted in")
    limit = 0.0 if trait(form, "leader_only") else bark_safe_mm(culprits)
    if np.isinf(limit):
        lines.append("never while beavers live near, the bark stays in danger")
    elif limit and not bark_safe:
        lines.append(f"stem {limit:.0f} mm thick at the guard, or bark that you judge thick and corky")
    if trait(form, "tube") and not stands_alone:
        lines.append("the stem stands by itself when the tube is lifted")
    return tuple(lines)


def usual(form: str, species: str = "", vigour: str = "usual") -> tuple[Rate, Rate]:
    """Usual growth of a plant in this form of barrier.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    species : str
        A common or scientific name, or empty [no unit].
    vigour : {'slow', 'usual', 'fast'}
        How well the plant grows for its species [no unit].

    Returns
    -------
    stem, leader : Rate
        [mm a season]

    Raises
    ------
    CannotUse
        For no such form, or no vigour.
    """
    in_tube = bool(trait(form, "tube"))
    return default_rate("stem", species, vigour, in_tube), default_rate("leader", species, vigour, in_tube)
