"""Facts that decisions no longer read are marked, so that a message loads the others alone."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the mark to the facts; none is marked until its case is decided again."""
    op.add_column("fact", sa.Column("spent", sa.Boolean, nullable=False, server_default=sa.false()))
    op.create_index("ix_fact_spent", "fact", ["case_number", "spent"])
