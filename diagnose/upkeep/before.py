"""Does a barrier stand in the register already, so that entering it again would make two of one?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from diagnose.fieldlog.fields import checked

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

# what tells one barrier from another and is not changed by checking, widening and removing it
KNOWN_BY = ("site", "plant", "label", "form", "material", "species", "built", "lat", "lon", "pieces")
_ASKED_BY = ("site", "form", "plant", "label")  # texts that are never missing: the log looks only through those alike


def there_before(log: Log, rows: Sequence[Mapping[str, Any]]) -> list[bool]:
    """For each barrier, whether the register holds one like it, removed ones among them; of equal ones each counts once.

    Parameters
    ----------
    log : Log
        The log with the register [no unit].
    rows : sequence of mapping
        Columns of the log's barriers, each in its own unit.

    Returns
    -------
    list of bool
    """
    told = [checked("barrier", {name: row[name] for name in KNOWN_BY if name in row}) for row in rows]
    same = {name: told[0][name] for name in _ASKED_BY if told and name in told[0]
            and all(own.get(name) == told[0][name] for own in told)}
    held = log.records("barrier", **same)
    there = Counter(tuple(map(_plain, row)) for row in held.reindex(columns=KNOWN_BY).itertuples(index=False))
    found = []
    for own in told:
        key = tuple(_plain(own.get(name)) for name in KNOWN_BY)
        found.append(there[key] > 0)
        there[key] -= 1
    return found


def _plain(value: Any) -> str:
    return "" if value is None or value != value else str(float(value)) if isinstance(value, int | float) else str(value)
