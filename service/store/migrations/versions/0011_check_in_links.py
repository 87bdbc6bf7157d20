"""Links by which a patient checks in, each known by its hash alone."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "check_in_link",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("case_number", sa.String(64), nullable=False),
        sa.Column("made_at", sa.String(32), nullable=False),
        sa.Column("expires_at", sa.String(32), nullable=False),
        sa.Column("uses", sa.Integer, nullable=False),
        sa.Column("revoked", sa.Boolean, nullable=False),
    )
    op.create_index("ix_check_in_link_case_number", "check_in_link", ["case_number"])
