"""Observations with their photos and a history."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table("about", sa.Column("id", sa.Integer, primary_key=True), sa.Column("shape", sa.Integer, nullable=False))
    op.create_table(
        "photo",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("kept_at", sa.String(32), nullable=False),
    )
    op.create_table(
        "observation",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("saved_at", sa.String(32), nullable=False),
        sa.Column("taken_at", sa.String(40), index=True),
        sa.Column("taken_local", sa.Boolean, nullable=False),
        sa.Column("lat", sa.Float),
        sa.Column("lon", sa.Float),
        sa.Column("error_m", sa.Float),
        sa.Column("site", sa.Text, nullable=False, index=True),
        sa.Column("plant", sa.Text, nullable=False),
        sa.Column("species", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("photo", sa.String(64), sa.ForeignKey("photo.sha256"), index=True),
        sa.Column("photo_role", sa.String(16), nullable=False),
        sa.Column("signs", sa.JSON, nullable=False),
        sa.Column("verdict", sa.JSON, nullable=False),
        sa.Column("barrier", sa.JSON, nullable=False),
        sa.Column("leading", sa.Text, index=True),
        sa.Column("catalogue", sa.String(16), nullable=False),
        sa.Column("named", sa.Text),
        sa.Column("deleted", sa.Boolean, nullable=False),
    )
    op.create_index("ix_observation_place", "observation", ["lat", "lon"])
    op.create_table(
        "history",
        sa.Column("id", sa.String(36), primary_key=True),
        sa.Column("observation", sa.String(36), sa.ForeignKey("observation.id"), nullable=False, index=True),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("change", sa.String(16), nullable=False),
        sa.Column("before", sa.JSON, nullable=False),
    )
