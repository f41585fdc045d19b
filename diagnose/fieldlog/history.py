"""What happened to one record, and what stands in it after that?"""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.changes import Change, resolve
from diagnose.fieldlog.fields import names
from diagnose.fieldlog.tables import KINDS, History

_LISTED = {"observation": "diagnose log list", "barrier": "diagnose upkeep list", "submission": "diagnose inbox list"}


def row_of(session: Session, start_of_id: str, kind: str = "observation") -> Any:
    """The row whose id starts so.

    Parameters
    ----------
    session
        That reads or writes [no unit].
    start_of_id
        First characters of the id [no unit].
    kind
        Of KINDS [no unit].

    Raises
    ------
    CannotUse
        When there is none or more than one.
    """
    names(kind)
    table = KINDS[kind]
    found = session.scalars(
        select(table).where(table.id.startswith(start_of_id, autoescape=True)).limit(2)
    ).all()
    if not start_of_id or len(found) != 1:
        which = f"no {kind}" if not found else f"more than one {kind}"
        listed = f"; list them with: {_LISTED[kind]}" if kind in _LISTED else ""
        raise CannotUse(f"{which} has an id that starts with '{start_of_id}'{listed}")
    return found[0]


def changes_of(session: Session, record: str) -> list[Change]:
    """Every change of one record, in no order.

    Parameters
    ----------
    session
        That reads or writes [no unit].
    record
        The record's id [no unit].
    """
    found = session.scalars(select(History).where(History.record == record))
    return [as_change(row) for row in found]


def as_change(row: Any) -> Change:
    """A history row as a change.

    Parameters
    ----------
    row
        Of the history [no unit].
    """
    return Change(row.id, row.at, row.by, row.change, row.before, row.after, tuple(row.seen))


def stand(row: Any, changes: list[Change]) -> None:
    """Writes into the row what stands after the changes.

    Parameters
    ----------
    row
        Of a record's table [no unit].
    changes
        All of the record [no unit].
    """
    resolved = resolve({}, changes)
    for field, value in resolved.values.items():
        setattr(row, field, value)
    row.disputed = bool(resolved.disputes)
