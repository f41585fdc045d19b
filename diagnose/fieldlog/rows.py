"""How does a record become a row with the beginning of its history?"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import checked, is_id
from diagnose.fieldlog.tables import Base, Observation

_INTO = {name: insert(Base.metadata.tables[name]) for name in ("observation", "history")}
DEFAULTS: dict[str, Any] = {
    column.key: None if column.default is None else {} if callable(column.default.arg) else column.default.arg
    for column in Observation.__table__.columns
}


def now() -> str:
    """The moment in UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def whole_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """An observation, checked, with every column, so that many are written by one statement.

    Parameters
    ----------
    row
        Field -> value, each in the field's unit; it may bring its own id.

    Raises
    ------
    CannotUse
        For a field or a value that an observation cannot have.
    """
    own = row.get("id")
    if own is not None and not is_id(str(own)):
        raise CannotUse(f"'{own}' is no id as logs make them; leave the id out")
    values = checked("observation", {name: value for name, value in row.items() if name != "id"}, frozenset({"photo"}))
    return {**DEFAULTS, "saved_at": now(), **values, "id": own or str(uuid.uuid4())}


def insert_rows(session: Session, rows: list[dict[str, Any]]) -> int:
    """Writes whole observations and the beginning of their history; returns how many.

    Parameters
    ----------
    session
        That writes [no unit].
    rows
        Of `whole_row` [no unit].
    """
    if rows:
        connection = session.connection()  # the tables themselves: the mapping of objects costs more than the writing
        connection.execute(_INTO["observation"], rows)
        connection.execute(_INTO["history"], [first_change("observation", row) for row in rows])
    return len(rows)


def first_change(kind: str, row: Mapping[str, Any]) -> dict[str, Any]:
    """The history row of a new record, under its id: it is the first change and there is no other first one.

    What the record was saved with stands in the record until it is changed.

    Parameters
    ----------
    kind
        Of KINDS [no unit].
    row
        The new record, column -> value [no unit].
    """
    return {"id": row["id"], "kind": kind, "record": row["id"], "at": row["saved_at"],
            "by": row.get("by", ""), "change": "saved", "before": {}, "after": {}, "seen": []}
