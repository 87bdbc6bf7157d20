"""Facts that decisions no longer read are marked, and a case says of which day its resources are."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add both; no fact is marked until its case is decided again, and resources are written anew when next read."""
    op.add_column("fact", sa.Column("spent", sa.Boolean, nullable=False, server_default=sa.false()))
    op.create_index("ix_fact_spent", "fact", ["case_number", "spent"])
    op.add_column("case_row", sa.Column("recorded_on", sa.String(10), nullable=False, server_default=""))
