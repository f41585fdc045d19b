"""Submissions, who sent them, and what was measured in each photo once."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    def recorded() -> list[sa.Column]:
        return [
            sa.Column("id", sa.String(36), primary_key=True), sa.Column("saved_at", sa.String(32), nullable=False),
            sa.Column("by", sa.Text, nullable=False), sa.Column("note", sa.Text, nullable=False),
            sa.Column("deleted", sa.Boolean, nullable=False), sa.Column("disputed", sa.Boolean, nullable=False),
        ]

    def text(name: str, index: bool = False) -> sa.Column:
        return sa.Column(name, sa.Text, nullable=False, index=index)

    op.create_table("sender", *recorded(), text("address", True), text("name"))
    op.create_table(
        "submission", *recorded(), text("key", True), sa.Column("sender", sa.String(36), index=True),
        sa.Column("received_at", sa.String(40)), text("about"), text("words"),
        *(sa.Column(name, sa.JSON, nullable=False) for name in ("letters", "photos", "told", "signs", "verdict", "barrier")),
        text("pile", True), text("why"), sa.Column("worth", sa.Float), text("question"), text("twin"),
        sa.Column("named", sa.Text), sa.Column("named_blind", sa.Text), text("answer"), text("letter"),
        sa.Column("answered_at", sa.String(32)),
    )
    op.create_table(
        "looked", sa.Column("sha256", sa.String(64), primary_key=True), sa.Column("version", sa.String(16), nullable=False),
        sa.Column("found", sa.JSON, nullable=False),
    )
