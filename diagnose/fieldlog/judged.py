"""What does the log teach about who is at work: namings confirmed from outside, and the wounds of one site?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import is_known
from diagnose.culprits.prior import confirmed_counts
from diagnose.fieldlog.query import Query
from diagnose.signs import parse_signs

if TYPE_CHECKING:
    from diagnose.diagnosis import Wounds
    from diagnose.fieldlog.store import Log

_MOST = 500  # wounds of one site that are judged together; the newest


def confirmed_in(log: Log, site: str | None = None) -> dict[str, float]:
    """Culprit -> number of its wounds whose naming was confirmed from outside, one plant and visit counting once.

    Deleting the observation or taking the confirmation back undoes what it taught.

    Parameters
    ----------
    log
        That is read [no unit].
    site
        Only this planting; None for every one [no unit].
    """
    wanted = ("named", "confirmed", "site", "plot", "plant", "visit", "taken_at", "saved_at")
    rows = log.observations(Query(site=site), wanted)
    return confirmed_counts(_confirmations(rows.to_dict("records")))


def _confirmations(rows: list[dict[str, Any]]) -> Iterator[dict[str, object]]:
    for row in rows:
        if is_known(row["named"] or "") and row["confirmed"]:
            plant = (row["site"], row["plot"], row["plant"]) if row["plant"] else None
            visit = row["visit"] or str(row["taken_at"] or row["saved_at"])[:10]
            yield {"culprit": row["named"], "confirmed_by": row["confirmed"], "plant": plant,
                   "visit": visit if plant else None}


def wounds_of(log: Log, site: str, plant: str | None = None, region: str | None = None) -> Wounds:
    """The wounds of a site, or of one plant of it, judged each and together.

    Parameters
    ----------
    log
        That is read [no unit].
    site
        Name of the planting [no unit].
    plant
        Only this plant's; None for every one [no unit].
    region
        Where the planting is, where positions do not say; None for not known [no unit].

    Raises
    ------
    CannotUse
        Where the log holds no wound with signs there.
    """
    from diagnose.diagnosis import Circumstances, diagnose_answers, diagnose_wounds

    rows = log.observations(Query(site=site), ("signs", "plant", "lat", "lon", "taken_at"), _MOST)
    found = []
    for row in rows.to_dict("records"):
        if row["signs"] and (plant is None or row["plant"] == plant):
            placed = row["lat"] == row["lat"] and row["lat"] is not None
            here = region if region is not None or not placed else (row["lat"], row["lon"])
            month = int(row["taken_at"][5:7]) if row["taken_at"] else None
            found.append(diagnose_answers(parse_signs(row["signs"]), Circumstances(here, month)))
    if not found:
        of = f"plant '{plant}' of '{site}'" if plant is not None else f"'{site}'"
        raise CannotUse(f"the log holds no wound with signs of {of}; save one first, or check the name")
    return diagnose_wounds(found)
