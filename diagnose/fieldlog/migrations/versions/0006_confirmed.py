"""How a person's naming of a wound was confirmed from outside."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.add_column("observation", sa.Column("confirmed", sa.Text, nullable=False, server_default=""))
