"""Registered clients, used assertions, revoked tokens."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Make the tables of access."""
    op.create_table(
        "client",
        sa.Column("id", sa.String(255), primary_key=True),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("offices", sa.String(64), nullable=False),
        sa.Column("organisation", sa.String(80), nullable=False),
        sa.Column("scopes", sa.Text, nullable=False),
        sa.Column("keys", sa.Text, nullable=False),
        sa.Column("keys_url", sa.String(1000), nullable=False),
        sa.Column("revoked", sa.Boolean, nullable=False),
        sa.Column("added_at", sa.String(32), nullable=False),
        sa.Column("changed_at", sa.String(32), nullable=False),
    )
    for table, key, length in (("used_assertion", "sha256", 64), ("revoked_token", "jti", 64)):
        op.create_table(
            table,
            sa.Column(key, sa.String(length), primary_key=True),
            sa.Column("expires_at_s", sa.Double, nullable=False),
        )
        op.create_index(f"ix_{table}_expires_at_s", table, ["expires_at_s"])
