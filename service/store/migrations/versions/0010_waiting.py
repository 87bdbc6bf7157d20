"""The worklist of every party in its order, so that a page reads its own rows alone."""

from alembic import op

revision = "0010"
down_revision = "0008"


def upgrade() -> None:
    """Add the index."""
    op.create_index("ix_case_row_waiting", "case_row", ["waiting_since", "case_number"])
