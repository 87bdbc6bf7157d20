"""Emergency accesses, kept until they are reviewed; a notice says of which topic it is."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0013"


def upgrade() -> None:
    """Make the table; every notice there is tells whose move it is."""
    op.create_table(
        "emergency_access",
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("opened_at", sa.String(32), nullable=False),
        sa.Column("expires_at", sa.String(32), nullable=False),
        sa.Column("client", sa.String(255), nullable=False),
        sa.Column("organisation", sa.String(80), nullable=False),
        sa.Column("person", sa.String(255), nullable=False),
        sa.Column("named", sa.String(255), nullable=False),
        sa.Column("patient", sa.String(80), nullable=False),
        sa.Column("case_number", sa.String(64), nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("reviewed_at", sa.String(32), nullable=False),
        sa.Column("reviewed_by", sa.String(255), nullable=False),
        sa.Column("note", sa.Text, nullable=False),
    )
    op.create_index("ix_emergency_access_asker", "emergency_access", ["client", "organisation", "opened_at"])
    op.create_index("ix_emergency_access_patient", "emergency_access", ["patient", "opened_at"])
    op.create_index("ix_emergency_access_reviewed", "emergency_access", ["reviewed_at", "opened_at"])
    op.add_column("notice", sa.Column("topic", sa.String(32), nullable=False, server_default="whose-move"))
