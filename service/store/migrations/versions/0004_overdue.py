"""The day from which a case is overdue, and the earlier case whose referral it takes the place of."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add both; cases on record get their day with their next decision, the day after at the latest."""
    op.add_column("case_row", sa.Column("overdue_from", sa.String(10)))
    op.add_column("case_row", sa.Column("replaces", sa.String(64)))
    op.create_index("ix_case_row_overdue", "case_row", ["overdue_from", "case_number"])
    op.create_index("ix_case_row_replaces", "case_row", ["replaces"])
