"""Barriers know their place, make and what they leave behind; they are checked."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    for name in ("label", "material", "species", "left_behind"):
        op.add_column("barrier", sa.Column(name, sa.Text, nullable=False, server_default=""))
    for name in ("lat", "lon", "error_m", "pieces", "inner_mm", "height_mm"):
        op.add_column("barrier", sa.Column(name, sa.Float))
    for name in ("found", "embedded"):
        op.add_column("barrier", sa.Column(name, sa.Boolean, nullable=False, server_default=sa.false()))
    op.add_column("barrier", sa.Column("photo", sa.String(64)))
    op.create_table(
        "check",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("saved_at", sa.String(32), nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("deleted", sa.Boolean, nullable=False),
        sa.Column("disputed", sa.Boolean, nullable=False),
        sa.Column("barrier", sa.String(36), nullable=False, index=True),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("finding", sa.String(24), nullable=False),
        sa.Column("stem_diameter_mm", sa.Float),
        sa.Column("height_mm", sa.Float),
        sa.Column("stands_alone", sa.Boolean),
        sa.Column("bark_safe", sa.Boolean),
        sa.Column("photo", sa.String(64)),
    )
