"""Notices: the outbox, subscriptions and their numbered events."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the tables of notices."""
    op.create_table(
        "notice",
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("case_number", sa.String(64), nullable=False),
        sa.Column("made_at", sa.String(32), nullable=False),
        sa.Column("whose_move", sa.String(32), nullable=False),
        sa.Column("owner", sa.String(80), nullable=False),
        sa.Column("organization", sa.String(80), nullable=False),
        sa.Column("stage", sa.String(32), nullable=False),
        sa.Column("since", sa.String(10), nullable=False),
        sa.Column("urgent", sa.Boolean, nullable=False),
        sa.Column("focus", sa.String(120), nullable=False),
        sa.Column("handed_out", sa.Boolean, nullable=False),
    )
    waiting = sa.text("handed_out = false")
    op.create_index("ix_notice_waiting", "notice", ["made_at", "id"], sqlite_where=waiting, postgresql_where=waiting)
    op.create_index("ix_notice_case", "notice", ["case_number", "made_at"])
    op.create_table(
        "subscription",
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("last_updated", sa.String(32), nullable=False),
        sa.Column("status", sa.String(16), nullable=False),
        sa.Column("error", sa.String(255), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("headers", sa.Text, nullable=False),
        sa.Column("base_url", sa.String(255), nullable=False),
        sa.Column("last_event", sa.BigInteger, nullable=False),
        sa.Column("sent_event", sa.BigInteger, nullable=False),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("next_try_at_s", sa.Double, nullable=False),
        sa.Column("heartbeat_at_s", sa.Double),
        sa.Column("ends_at_s", sa.Double),
        sa.Column("leased_by", sa.String(64), nullable=False),
        sa.Column("leased_until_s", sa.Double, nullable=False),
        sa.Column("timeout_s", sa.Integer, nullable=False),
        sa.Column("deleted", sa.Boolean, nullable=False),
    )
    op.create_table(
        "subscription_event",
        sa.Column("subscription_id", sa.String(64), primary_key=True),
        sa.Column("number", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("notice_id", sa.String(64), nullable=False),
    )
