"""Sites, visits, plots, plants, further photos and barriers; changes know what they had seen, so logs can be merged."""

import json
import uuid
from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    _widen()
    _new_kinds()
    _new_history()
    op.drop_table("about")
    op.create_table("about", sa.Column("id", sa.Integer, primary_key=True), sa.Column("salt", sa.String(36), nullable=False))
    op.execute(f"insert into about (id, salt) values (1, '{uuid.uuid4()}')")


def _widen() -> None:
    op.add_column("photo", sa.Column("likeness", sa.String(64)))
    op.create_table(
        "original", sa.Column("sha256", sa.String(64), primary_key=True), sa.Column("data", sa.LargeBinary, nullable=False)
    )
    op.add_column("observation", sa.Column("plot", sa.Text, nullable=False, server_default=""))
    op.add_column("observation", sa.Column("visit", sa.String(36)))
    op.add_column("observation", sa.Column("disputed", sa.Boolean, nullable=False, server_default=sa.false()))


def _recorded() -> list[sa.Column[Any]]:
    return [
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("saved_at", sa.String(32), nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("deleted", sa.Boolean, nullable=False),
        sa.Column("disputed", sa.Boolean, nullable=False),
    ]


def _new_kinds() -> None:
    def text(name: str, index: bool = False) -> sa.Column[Any]:
        return sa.Column(name, sa.Text, nullable=False, index=index)

    op.create_table(
        "picture", *_recorded(),
        sa.Column("observation", sa.String(36), sa.ForeignKey("observation.id"), nullable=False, index=True),
        sa.Column("photo", sa.String(64), sa.ForeignKey("photo.sha256"), nullable=False),
        sa.Column("role", sa.String(16), nullable=False),
    )
    op.create_table("site", *_recorded(), text("name", True), sa.Column("boundary", sa.JSON, nullable=False))
    op.create_table(
        "visit", *_recorded(), text("site", True), sa.Column("day", sa.String(10), nullable=False),
        sa.Column("role", sa.String(16), nullable=False),
    )
    op.create_table(
        "plot", *_recorded(), text("site", True), text("name"),
        *(sa.Column(name, sa.Float) for name in ("area_m2", "lat", "lon", "error_m")),
    )
    op.create_table(
        "plant", *_recorded(), text("site", True), text("plot"), text("tag", True), text("species"),
        *(sa.Column(name, sa.Float) for name in ("height_mm", "stem_diameter_mm", "bearing_deg", "distance_m")),
        text("protected"),
    )
    op.create_table(
        "barrier", *_recorded(), text("site", True), text("plant"), text("form"),
        sa.Column("built", sa.String(10)), sa.Column("removed", sa.String(10)),
        sa.Column("figures", sa.JSON, nullable=False),
    )


def _new_history() -> None:
    """The old history says what stood before each change; what stood after is before of the next, or stands now."""
    op.drop_index("ix_history_observation", "history")
    op.rename_table("history", "history_0001")
    history = op.create_table(
        "history",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("record", sa.String(36), nullable=False, index=True),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("change", sa.String(16), nullable=False),
        sa.Column("before", sa.JSON, nullable=False),
        sa.Column("after", sa.JSON, nullable=False),
        sa.Column("seen", sa.JSON, nullable=False),
    )
    connection = op.get_bind()
    columns = sa.table("observation", sa.column("id"), sa.column("deleted", sa.Boolean))
    records = connection.execute(sa.select(columns.c.id)).scalars().all()
    for record in records:
        rows = _with_after(connection, str(record))
        if rows:
            connection.execute(history.insert(), rows)
    op.drop_table("history_0001")


def _with_after(connection: sa.Connection, record: str) -> list[dict[str, Any]]:
    old = sa.table("history_0001", *(sa.column(name) for name in ("id", "observation", "at", "by", "change")),
                   sa.column("before", sa.JSON))
    seen = sa.table("observation", *(sa.column(name) for name in _PLAIN), *(sa.column(name, sa.JSON) for name in _JSON),
                    *(sa.column(name, sa.Boolean) for name in _YES_NO))
    present = dict(connection.execute(sa.select(seen).where(seen.c.id == record)).mappings().one())
    changes = connection.execute(
        sa.select(old).where(old.c.observation == record).order_by(old.c.at, old.c.id)
    ).mappings().all()
    return list(reversed(list(_backwards(record, changes, present))))


def _backwards(record: str, changes: Any, present: dict[str, Any]) -> Iterable[dict[str, Any]]:
    for place in range(len(changes) - 1, -1, -1):
        change = changes[place]
        before = change["before"]
        yield {
            "id": change["id"], "kind": "observation", "record": record, "at": change["at"], "by": change["by"],
            "change": change["change"], "before": before,
            "after": {name: present[name] for name in before},
            "seen": [changes[place - 1]["id"]] if place else [],
        }
        present = {**present, **json.loads(json.dumps(before))}


_PLAIN = ("id", "saved_at", "taken_at", "lat", "lon", "error_m", "site", "plant", "species", "by", "note", "photo",
          "photo_role", "leading", "catalogue", "named")
_JSON = ("signs", "verdict", "barrier")
_YES_NO = ("taken_local", "deleted")
