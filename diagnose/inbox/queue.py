"""In which order does the adviser look at what waits?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.here import old_regions, place_from
from diagnose.inbox.ranking import PILES

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log


def waiting(log: Log, pile: str | None = None, answered: bool = False) -> pd.DataFrame:
    """Submissions that wait, pile by pile, the one that is worth most attention first.

    Parameters
    ----------
    log
        That is read [no unit].
    pile
        Only this pile; None for all [no unit].
    answered
        Whether answered ones are listed too [no unit].

    Raises
    ------
    CannotUse
        For a pile that there is not.
    """
    rows = log.records("submission")
    if rows.empty:
        return rows
    if not answered:
        rows = rows[rows["answered_at"].isna()]
    if pile is not None:
        if pile not in PILES:
            raise CannotUse(f"'{pile}' is no pile; the piles are {', '.join(PILES)}")
        rows = rows[rows["pile"] == pile]
    order = {name: place for place, name in enumerate(PILES)}
    ranked = rows.assign(place=rows["pile"].map(order).fillna(len(PILES)))
    # what was put off comes last in its pile
    ranked["off"] = ranked["answer"].eq("later")
    found: pd.DataFrame = ranked.sort_values(["place", "off", "worth", "saved_at"], ascending=[True, True, False, True])
    return found.drop(columns=["place", "off"]).reset_index(drop=True)


def judged_for(row: Mapping[str, Any], region: str | None) -> str | None:
    """The region that a submission is looked at in: the one asked for, or else the one that it was judged for.

    None where neither is known, as of Georgia, whose name alone may be a state or a part of one.

    Parameters
    ----------
    row
        Of the submission [no unit].
    region
        That is asked for; None for none [no unit].
    """
    if region is not None:
        return region
    name = (row["verdict"] or {}).get("region")
    kept = next((key for key, old in old_regions().items() if old["name"] == name), name)
    try:
        place_from(kept)
    except CannotUse:
        return None
    return kept


def outdated(rows: pd.DataFrame, region: str | None) -> list[str]:
    """Ids of submissions that were judged for another region than the one asked for, or with another catalogue than today's.

    A list that tells what was judged so disagrees with the letter that is opened from it.

    Parameters
    ----------
    rows
        Of submissions, as `waiting` gives them [no unit].
    region
        Where the senders' plantings are; None where none is asked for, and each keeps its own [no unit].

    Raises
    ------
    CannotUse
        For a region that is no place.
    """
    place, found = place_from(region), []
    for row in rows.to_dict("records"):
        told = row["verdict"]
        elsewhere = place is not None and bool(told) and told.get("region") != place.name
        if row["pile"] and told and (elsewhere or told.get("catalogue") != catalogue().version):
            found.append(row["id"])
    return found


def queue_as_text(rows: pd.DataFrame) -> str:
    """A line a submission: pile, what it is about, likeliest kind, why it lies there.

    Parameters
    ----------
    rows
        Of `waiting` [no unit].
    """
    if rows.empty:
        return "Nothing waits."
    lines = []
    for row in rows.itertuples():
        told = row.verdict.get("statement", "not judged yet")
        lines.append(f"{row.id[:8]}  {row.pile:<13}  {(row.about or 'no subject')[:32]:<32}  {told}  ({row.why})")
    return "\n".join(lines)
