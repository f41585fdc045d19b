"""What a crew writes down for each tree at each visit."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "tally",
        sa.Column("id", sa.String(36), primary_key=True), sa.Column("saved_at", sa.String(32), nullable=False),
        sa.Column("by", sa.Text, nullable=False), sa.Column("note", sa.Text, nullable=False),
        sa.Column("deleted", sa.Boolean, nullable=False), sa.Column("disputed", sa.Boolean, nullable=False),
        sa.Column("site", sa.Text, nullable=False, index=True), sa.Column("day", sa.String(10), nullable=False),
        sa.Column("plot", sa.Text, nullable=False), sa.Column("tree", sa.Text, nullable=False),
        sa.Column("entry", sa.JSON, nullable=False),
    )
