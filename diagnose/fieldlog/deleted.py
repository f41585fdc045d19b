"""What is marked as deleted, of every kind of record, and who marked it when?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from sqlalchemy import select

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import names
from diagnose.fieldlog.store import Log
from diagnose.fieldlog.tables import KINDS, History

_TOLD = ("name", "site", "plot", "plant", "tag", "label", "form", "day", "finding", "address", "about", "role")


class Deleted(NamedTuple):
    """A record that is marked as deleted.

    Parameters
    ----------
    kind, id, words
        Its kind and id, and what tells it apart [no unit].
    at, by
        When (ISO 8601, UTC), and initials of whom, of the latest mark [no unit].
    """

    kind: str
    id: str
    at: str
    by: str
    words: str


def deleted(log: Log, *kinds: str) -> Iterator[Deleted]:
    """Every record of these kinds that is marked as deleted, kind by kind.

    Parameters
    ----------
    log
        That is read [no unit].
    *kinds
        Of KINDS; all when none is named [no unit].
    """
    with log.reading() as session:
        for kind in kinds or tuple(KINDS):
            table = KINDS[kind]
            for row in session.scalars(select(table).where(table.deleted.is_(True)).order_by(table.saved_at, table.id)):
                mark = session.execute(
                    select(History.at, History.by).where(History.record == row.id, History.change == "deleted")
                    .order_by(History.at.desc()).limit(1)
                ).first()
                told = [str(getattr(row, field)) for field in _TOLD if field in names(kind) and getattr(row, field)]
                yield Deleted(kind, row.id, mark[0] if mark else "", mark[1] if mark else "", " ".join(told))


def other_kinds() -> tuple[str, ...]:
    """Every kind of record but the observations."""
    return tuple(kind for kind in KINDS if kind != "observation")


def kind_of(log: Log, start_of_id: str) -> str:
    """The kind of the record whose id starts so.

    Parameters
    ----------
    log
        That is read [no unit].
    start_of_id
        First characters of the record's id [no unit].

    Raises
    ------
    CannotUse
        For none, and for more than one.
    """
    with log.reading() as session:
        found = [(kind, each) for kind, table in KINDS.items() for each in session.scalars(
            select(table.id).where(table.id.startswith(start_of_id, autoescape=True)).limit(2))]
    if not start_of_id or len(found) != 1:
        which = "more than one record has" if found and start_of_id else "no record has"
        raise CannotUse(f"{which} an id that starts with '{start_of_id}'; list them with: diagnose log, or with --deleted")
    return found[0][0]
