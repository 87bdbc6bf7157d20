"""Indexes in whose order the board's pages are read, one for each way of asking that would otherwise sort."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

_INDEXES = {
    "ix_case_row_waiting": ["waiting_since", "case_number"],
    "ix_case_row_stage": ["stage", "waiting_since", "case_number"],
    "ix_case_row_stage_mover": ["stage", "whose_move", "waiting_since", "case_number"],
    "ix_case_row_urgent": ["urgent", "waiting_since", "case_number"],
}
_SOMEBODY = sa.text("whose_move != 'nobody'")


def upgrade() -> None:
    """Add them, and a partial one of the cases in which it is somebody's move."""
    for name, columns in _INDEXES.items():
        op.create_index(name, "case_row", columns)
    columns = ["waiting_since", "case_number"]
    op.create_index("ix_case_row_open", "case_row", columns, sqlite_where=_SOMEBODY, postgresql_where=_SOMEBODY)
