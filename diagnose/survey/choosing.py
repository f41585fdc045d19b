"""Which target is meant? By its name, a few words, or country and species, where a survey is planned and where it ends."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from diagnose.cannot_use import CannotUse
from diagnose.survey.target import KINDS, Target, asked_for, fitting, from_record, of_country, own_target, published


def chosen_target(words: str | float) -> Target:
    """A target as it is chosen, in a plan, on a page or by the command alike.

    Parameters
    ----------
    words : str or float
        Key of a published target, as `survey targets` lists them; or what `own_target` reads; or a record as JSON [no unit].

    Raises
    ------
    CannotUse
        For words that are none of them.

    Examples
    --------
    >>> chosen_target("ch_silver_fir_montane").wanted
    'at most 9 %'
    >>> chosen_target("1100/ha").wanted
    '1,100 trees/ha'
    """
    text = str(words).strip()
    if text.startswith("{"):
        try:
            return from_record(json.loads(text))
        except ValueError:
            raise CannotUse(f"'{text[:40]}' is no target that can be read.") from None
    for one in published():
        if one.key == text.lower():
            return one
    if re.fullmatch(r"[a-z]{2}_[a-z_]+", text.lower()):
        raise CannotUse(f"No published target is called '{text}'; see: diagnose survey targets.")
    return own_target(words)


def target_of_country(country: str, species: str = "") -> Target:
    """The one published target of a country that a plan can be made for.

    Parameters
    ----------
    country : str
        As in `countries` [no unit].
    species : str
        As the crew writes it; empty where every published target is to be thought of [no unit].

    Raises
    ------
    CannotUse
        Where none is known, or where several are: which of them holds is never ours to say.
    """
    there = fitting(species, country) if species else of_country(country)
    if not there:
        raise CannotUse(asked_for(species, country))
    if len(there) > 1 or there[0].part_of_country:
        raise CannotUse(which_holds(there, species))
    return there[0]


def which_holds(among: Sequence[Target], species: str = "") -> str:
    """Asks which of several published targets holds on this ground.

    Parameters
    ----------
    among : sequence of Target
        Of one country, one at least [no unit].
    species : str
        Whose they are; may be empty [no unit].
    """
    of = f" for {species}" if species else ""
    listed = "; ".join(f"{one.where} ({one.key})" for one in among)
    if len(among) == 1:
        return (f"{among[0].country} has a published target{of} of a part of it only: {listed}. If it holds on this ground, "
                "give its name in brackets as the target.")
    return (f"Say which published target of {among[0].country}{of} holds on this ground: {listed}. Give its name in "
            "brackets as the target.")


def told_and_open(species: str, country: str, chosen: Sequence[Target] = ()) -> tuple[list[Target], list[Target]]:
    """What a country's name alone chooses for a species, and those of which somebody must say which holds.

    Of targets that exclude each other, such as those of three belts of altitude or of two states, none is taken unasked.

    Parameters
    ----------
    species : str
        As the crew writes it [no unit].
    country : str
        As in `countries` [no unit].
    chosen : sequence of Target
        That somebody chose already: what excludes them is no longer asked [no unit].
    """
    there = fitting(species, country)
    in_part = any(one.part_of_country for one in chosen if one in there)
    told: list[Target] = []
    left: list[Target] = []
    for kind in KINDS:
        alike = [one for one in there if one.kind == kind]
        if any(one in chosen for one in alike):
            continue
        if len(alike) == 1 and not alike[0].part_of_country:
            told += alike
        else:
            left += [one for one in alike if not (in_part and one.part_of_country)]
    return told, left
