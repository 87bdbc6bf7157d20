"""People who sign in for the pages, their sessions, and links that sign in once."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Make the tables of signing in."""
    op.create_table(
        "person",
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("issuer", sa.String(255), nullable=False),
        sa.Column("subject", sa.String(255), nullable=False),
        sa.Column("name", sa.String(255), nullable=False),
        sa.Column("offices", sa.String(64), nullable=False),
        sa.Column("organisation", sa.String(80), nullable=False),
        sa.Column("revoked", sa.Boolean, nullable=False),
        sa.Column("added_at", sa.String(32), nullable=False),
        sa.Column("changed_at", sa.String(32), nullable=False),
    )
    op.create_index("ix_person_subject", "person", ["issuer", "subject"], unique=True)
    op.create_table(
        "page_session",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("created_at_s", sa.Double, nullable=False),
        sa.Column("seen_at_s", sa.Double, nullable=False),
        sa.Column("expires_at_s", sa.Double, nullable=False),
    )
    op.create_table(
        "sign_in_link",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("person", sa.String(64), nullable=False),
        sa.Column("expires_at_s", sa.Double, nullable=False),
    )
    for table in ("page_session", "sign_in_link"):
        op.create_index(f"ix_{table}_person", table, ["person"])
        op.create_index(f"ix_{table}_expires_at_s", table, ["expires_at_s"])
