"""How is the work of one day told to a crew: equal works once, with their count and where they are?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date
from typing import Any, NamedTuple

from diagnose.upkeep.due import CLASSES, Item
from diagnose.upkeep.forecast import by_row

_NO_NAME = "no named planting"
_MOST_NAMED = 4  # plantings that a sentence names; our choice
_SAID = {"alarm": "to do today", "overdue": "overdue", "soon": "coming up", "may come off": "to try off"}


class Job(NamedTuple):
    """Equal works at one planting, or of several whole ones.

    Parameters
    ----------
    kind : str
        Of due.CLASSES [no unit].
    site, what : str
        Where, empty for work of several whole plantings, and what is done [no unit].
    many : int
        How many; 0 for work of the whole planting [barriers].
    where : str
        Their labels by row, or what they are [no unit].
    why : str
        Their reasons, each with its count [no unit].
    act_by : str
        ISO day of the most pressing, or empty [no unit].
    caution : str
        What to mind [no unit].
    items : tuple of Item
        In walking order [no unit].
    """

    kind: str
    site: str
    what: str
    many: int
    where: str
    why: str
    act_by: str
    caution: str
    items: tuple[Item, ...]

    def as_json(self) -> dict[str, Any]:
        """For machines: the items by their barriers' ids."""
        return {**self._asdict(), "items": [item.barrier for item in self.items if item.barrier]}


def jobs(items: Sequence[Item]) -> list[Job]:
    """The works of a day, equal ones together: those at barriers by planting, those of whole plantings over all of them.

    Parameters
    ----------
    items : sequence of Item
        Of due.due [no unit].

    Returns
    -------
    list of Job
        By class; in a class the one that presses most, then the largest, first.
    """
    groups: dict[tuple[str, str, str, str], list[Item]] = {}
    for item in items:
        site, label = (item.site, "") if item.barrier else ("", item.label)
        groups.setdefault((item.kind, site, label, item.what), []).append(item)
    told = [_job(some) for some in groups.values()]
    return sorted(told, key=lambda job: (CLASSES.index(job.kind), job.site, job.act_by or "9", -job.many))


def _job(some: list[Item]) -> Job:
    kind, site, what = some[0].kind, some[0].site, some[0].what
    at = [item for item in some if item.barrier]
    if not at:
        sites = list(dict.fromkeys(item.site for item in some))
        where = some[0].label
        if len(sites) > 1:
            named = ", ".join(name or _NO_NAME for name in sites) if len(sites) <= _MOST_NAMED else f"{len(sites)} plantings"
            site, where = "", ", ".join(part for part in (where, named) if part)
        why = "; ".join(dict.fromkeys(item.why for item in some))
        return Job(kind, site, what, 0, where, why, "", some[0].caution, tuple(some))
    reasons = Counter(item.reason for item in at)
    why = at[0].why if len(at) == 1 else ", ".join(f"{reason}: {many}" if len(reasons) > 1 else reason
                                                   for reason, many in reasons.most_common())
    cautions = " ".join(dict.fromkeys(item.caution for item in at if item.caution))
    return Job(kind, site, what, len(at), by_row([item.label for item in at]), why,
               min((item.act_by for item in at if item.act_by), default=""), cautions, tuple(some))


def answer(items: Sequence[Item], on: date) -> str:
    """What is due, where and by when, in a sentence or two.

    Parameters
    ----------
    items : sequence of Item
        Of due.due [no unit].
    on : date
        The day that they are due on [no unit].

    Returns
    -------
    str
        A sentence.

    Examples
    --------
    >>> answer([], date(2026, 11, 28))
    'Nothing is due at the barriers on 28 November 2026.'
    """
    told, sites = [], {item.site for item in items if item.kind in _SAID}
    for kind, said in _SAID.items():
        at = [item for item in items if item.kind == kind]
        if not at:
            continue
        most = Counter(item.site for item in at).most_common()
        named, rest = (most, []) if len(most) <= _MOST_NAMED else (most[:_MOST_NAMED - 1], most[_MOST_NAMED - 1:])
        places = [f"{many} at {site or _NO_NAME}" for site, many in named]
        if rest:
            places.append(f"{sum(many for _, many in rest)} at {len(rest)} others")
        where = "" if len(sites) == 1 else f" ({'; '.join(places)})"
        by = min((item.act_by for item in at if item.act_by > on.isoformat()), default="")
        told.append(f"{len(at)} {said}{where}{f', the first by {by}' if by and kind == 'soon' else ''}")
    if told:
        there = f" at {next(iter(sites))}" if len(sites) == 1 and next(iter(sites)) else ""
        return f"On {on:%d %B %Y}{there}: {', '.join(told[:-1])}{' and ' if len(told) > 1 else ''}{told[-1]}."
    season = any(item.kind == "season" for item in items)
    return f"Nothing is due at the barriers on {on:%d %B %Y}{', only the work of the season' if season else ''}."
