"""Each measuring's findings in a photo, where there was room for the last one's only."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "looked_at", sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("number", sa.String(24), primary_key=True),
        sa.Column("at", sa.String(32), nullable=False), sa.Column("found", sa.JSON, nullable=False),
    )
    op.execute("insert into looked_at (sha256, number, at, found) select sha256, version, '', found from looked")
    op.drop_table("looked")
    op.rename_table("looked_at", "looked")
