"""First release: resources, identities, cases, facts, messages."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables of the first release."""
    op.create_table(
        "resource_version",
        sa.Column("type", sa.String(32), primary_key=True),
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("version", sa.Integer, primary_key=True),
        sa.Column("case_number", sa.String(64), nullable=False),
        sa.Column("last_updated", sa.String(32), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_index("ix_resource_version_case", "resource_version", ["case_number", "type", "id"])
    op.create_table(
        "identity",
        sa.Column("type", sa.String(32), primary_key=True),
        sa.Column("system", sa.String(255), primary_key=True),
        sa.Column("value", sa.String(255), primary_key=True),
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
    )
    op.create_table(
        "case_row",
        sa.Column("case_number", sa.String(64), primary_key=True),
        sa.Column("patient", sa.String(80), nullable=False),
        sa.Column("referral", sa.String(80), nullable=False),
        sa.Column("task", sa.String(80), nullable=False),
        sa.Column("physician", sa.String(80)),
        sa.Column("dental_office", sa.String(80)),
        sa.Column("opened_at", sa.String(32), nullable=False),
        sa.Column("changed_at", sa.String(32), nullable=False),
        sa.Column("decided_on", sa.String(10), nullable=False),
        sa.Column("stage", sa.String(32), nullable=False),
        sa.Column("whose_move", sa.String(32), nullable=False),
        sa.Column("waiting_since", sa.String(10), nullable=False),
        sa.Column("outcome", sa.String(32), nullable=False),
        sa.Column("urgent", sa.Boolean, nullable=False),
        sa.Column("summary", sa.Text, nullable=False),
        sa.Column("derived", sa.Text, nullable=False),
    )
    op.create_index("ix_case_row_patient", "case_row", ["patient"])
    op.create_index("ix_case_row_worklist", "case_row", ["whose_move", "waiting_since", "case_number"])
    op.create_index("ix_case_row_decided", "case_row", ["decided_on"])
    op.create_table(
        "fact",
        sa.Column("case_number", sa.String(64), primary_key=True),
        sa.Column("type", sa.String(32), primary_key=True),
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("small", sa.Text, nullable=False),
    )
    op.create_table(
        "message",
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("received_at", sa.String(32), nullable=False),
        sa.Column("channel", sa.String(64), nullable=False),
        sa.Column("case_number", sa.String(64), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
    op.create_index("ix_message_case_number", "message", ["case_number"])
