"""Is what somebody typed a planting that the log knows, or a verdict that it can hold?

A name that is none of them would find nothing, which reads like an answer: nothing is due there, nothing was bitten there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import culprits_as_written, group_words
from diagnose.culprits.old_names import name_of, old_names
from diagnose.fieldlog.fields import names
from diagnose.fieldlog.tables import KINDS
from diagnose.texts import meant, shown

if TYPE_CHECKING:
    from diagnose.fieldlog.log import Log

_MOST_TOLD = 8  # names in a refusal; our choice


def plantings(log: Log) -> list[str]:
    """The plantings that any record names, sorted; those of deleted records too.

    Parameters
    ----------
    log
        That is asked [no unit].
    """
    with log.reading() as session:
        told_by = [(kind, "site") for kind in KINDS if "site" in names(kind)] + [("site", "name")]
        found = {site for kind, field in told_by for site in session.scalars(select(getattr(KINDS[kind], field)).distinct())}
    return sorted(filter(None, found))


def planting_named(log: Log, site: str | None) -> str | None:
    """The planting as it was typed, where a record names it; None for None.

    Parameters
    ----------
    log
        That is asked [no unit].
    site
        As it was typed [no unit].

    Raises
    ------
    CannotUse
        For one that no record names.
    """
    if site is None or site in (known := plantings(log)):
        return site
    told = meant(site, known, "there is", _MOST_TOLD)
    raise CannotUse(f"the log names no planting '{shown(site)}'; {told or 'it names none at all'}")


def verdict_named(log: Log, verdict: str | None) -> str | None:
    """The culprit or group as verdicts are kept, by that name or the one that is shown; None for None.

    Parameters
    ----------
    log
        That is asked [no unit].
    verdict
        As it was typed [no unit].

    Raises
    ------
    CannotUse
        For one that neither the log nor the catalogue knows.
    """
    if verdict is None:
        return None
    held = log.values_of("leading")
    typed = verdict.strip().lower()
    for one in (*held, *culprits_as_written(), *group_words(), *old_names()):
        if typed in (one.lower(), name_of(one).lower()):
            return one
    told = meant(verdict, [name_of(one) for one in held], "there is", _MOST_TOLD)
    raise CannotUse(f"'{shown(verdict)}' is no verdict; {told or 'the log holds none at all'}")
