"""Which values stand after changes that several people made, and where do the people disagree?

Changes of one record form a graph: each names the latest changes it had seen. A change overrules what it had seen
and nothing else, so clocks decide nothing. The state is a function of the set of changes alone; merging logs is
the union of their sets, and thereby free of order, repeatable and associative.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Change:
    """One change of one record.

    Parameters
    ----------
    id, at, by, change
        Its id, when (ISO 8601, UTC), initials of whom, and what kind of change [no unit].
    before, after
        Changed field -> its value, each in the field's unit.
    seen
        Ids of the latest changes that it had seen [no unit].
    """

    id: str
    at: str
    by: str
    change: str
    before: Mapping[str, Any]
    after: Mapping[str, Any]
    seen: tuple[str, ...]


@dataclass(frozen=True)
class Resolved:
    """What stands.

    Parameters
    ----------
    values
        Field -> value, each in the field's unit.
    disputes
        Field -> the changes that disagree, side by side [no unit].
    """

    values: dict[str, Any]
    disputes: dict[str, list[Change]]


def latest(changes: Collection[Change]) -> list[str]:
    """Ids of the changes that no other change had seen, sorted.

    Parameters
    ----------
    changes
        Of one record [no unit].
    """
    seen = {parent for change in changes for parent in change.seen}
    return sorted(change.id for change in changes if change.id not in seen)


def resolve(row: Mapping[str, Any], changes: Collection[Change]) -> Resolved:
    """The values that stand, from any state of the record that these changes or some of them led to.

    A field that several people changed unseen by each other to different values is disputed; the value with the
    later clock is shown meanwhile. A deletion unseen by another change is disputed too, and the record stays.

    Parameters
    ----------
    row
        Field -> value as the record stands [no unit].
    changes
        All of the record [no unit].
    """
    earlier = _ancestors(changes)
    values = dict(row)
    disputes: dict[str, list[Change]] = {}
    for field in sorted({name for change in changes for name in change.after}):
        writers = [change for change in changes if field in change.after]
        overruled = {old for change in writers for old in earlier[change.id]}
        standing = sorted((each for each in writers if each.id not in overruled), key=lambda each: (each.at, each.id))
        values[field] = standing[-1].after[field]
        if len({json.dumps(each.after[field], sort_keys=True) for each in standing}) > 1:
            disputes[field] = standing
    _dispute_deletion(values, disputes, changes, earlier)
    return Resolved(values, disputes)


def _dispute_deletion(
    values: dict[str, Any],
    disputes: dict[str, list[Change]],
    changes: Collection[Change],
    earlier: Mapping[str, set[str]],
) -> None:
    """Somebody deleted what somebody else was changing: both are shown and the record stays."""
    writers = [change for change in changes if "deleted" in change.after]
    overruled = {old for change in writers for old in earlier[change.id]}
    deletions = [each for each in writers if each.after["deleted"] and each.id not in overruled]
    against = [
        change
        for change in changes
        if change.after and not change.after.get("deleted")
        and any(change.id not in earlier[gone.id] and gone.id not in earlier[change.id] for gone in deletions)
        and not any(change.id in earlier[other.id] for other in writers)
    ]
    if deletions and against:
        both = {change.id: change for change in [*deletions, *against, *disputes.get("deleted", [])]}
        disputes["deleted"] = sorted(both.values(), key=lambda each: (each.at, each.id))
    if "deleted" in disputes:
        values["deleted"] = False


def in_order(changes: Collection[Change]) -> list[Change]:
    """Every change after the ones it had seen; the clock decides only between unrelated ones.

    Parameters
    ----------
    changes
        Of one record [no unit].
    """
    waiting = {change.id: change for change in changes}
    ordered: list[Change] = []
    while waiting:
        ready = [each for each in waiting.values() if not any(parent in waiting for parent in each.seen)]
        first = min(ready or waiting.values(), key=lambda each: (each.at, each.id))
        ordered.append(waiting.pop(first.id))
    return ordered


def _ancestors(changes: Collection[Change]) -> dict[str, set[str]]:
    """For each change every change that it had seen, directly or through others (never itself)."""
    parents = {change.id: change.seen for change in changes}
    found: dict[str, set[str]] = {}
    for change in changes:
        above: set[str] = set()
        waiting = list(change.seen)
        while waiting:
            each = waiting.pop()
            if each in above or each not in parents or each == change.id:
                continue
            above.add(each)
            waiting.extend(parents[each] if each not in found else found[each])
        found[change.id] = above
    return found
