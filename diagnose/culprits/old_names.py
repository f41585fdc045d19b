"""What does the name of a culprit or group stand for, today's or one that an older log, tally, letter or file holds?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from diagnose.culprits.catalogue import catalogue, group_words, members
from diagnose.knowledge import knowledge


def old_names() -> Mapping[str, Any]:
    """Older name -> its words and what it stands for now, as `old_names.yaml` holds it."""
    return knowledge("diagnose.culprits", "old_names.yaml")


def spread(name: str) -> tuple[str, ...]:
    """Today's culprit keys that a culprit, a group or an older name stands for; none for an unknown name.

    Parameters
    ----------
    name
        Of a culprit, a group, or an older one [no unit].

    Examples
    --------
    >>> spread("moose_browsing")
    ('moose',)
    """
    found: dict[str, None] = {}
    for one in old_names()[name]["is"] if name in old_names() else (name,):
        found.update(dict.fromkeys(members(one)))
    return tuple(found)


def is_known(name: str) -> bool:
    """Is this the name of a culprit, a group, or one that an older version knew?

    Parameters
    ----------
    name
        Any [no unit].
    """
    return bool(spread(name))


def name_of(name: str) -> str:
    """The name in words: of a culprit, a group, or an older name, which keeps its own words; else the key itself.

    Parameters
    ----------
    name
        Of a culprit, a group, or an older one [no unit].
    """
    if name in catalogue().names:
        return catalogue().names[name]
    if name in old_names():
        return str(old_names()[name]["name"])
    return group_words().get(name, name.replace("_", " "))


def group_of(name: str) -> str | None:
    """The group at the top of the tree that holds a culprit, group or older name; None where it stands for several.

    Parameters
    ----------
    name
        Of a culprit, a group, or an older one [no unit].
    """
    tops = {catalogue().groups[key] for key in spread(name)}
    return tops.pop() if len(tops) == 1 else None


def nameable() -> dict[str, str]:
    """What a person may name as culprit: every culprit, and the groups that hold several; key -> name in words."""
    wide = {key: words for key, words in group_words().items() if len(members(key)) > 1}
    return {**wide, **catalogue().names}
