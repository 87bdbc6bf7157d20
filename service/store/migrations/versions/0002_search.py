"""Search: which versions are deletions, the index of search values, and tables laid out in partitions where asked for."""

import sqlalchemy as sa
from alembic import context, op

from service.store.migrations.partitions import lay_out

revision = "0002"
down_revision = "0001"

# sorts by code point, whatever the database's own language
_SORTED = "C"
_KEYS = {
    "resource_version": ("type", "id", "version", "case_number"),
    "search_value": ("type", "param", "value", "id", "part", "case_number"),
    "case_row": ("case_number",),
    "fact": ("case_number", "type", "id"),
    "message": ("id", "case_number"),
}


def upgrade() -> None:
    """Add what search needs; the index itself is filled at the next start (`service/store/search_index.py`)."""
    op.add_column("resource_version", sa.Column("deleted", sa.Boolean, nullable=False, server_default=sa.false()))
    op.create_index("ix_resource_version_updated", "resource_version", ["type", "last_updated", "id", "version"])
    sorted_text = sa.String(256).with_variant(sa.String(256, collation=_SORTED), "postgresql")
    op.create_table(
        "search_value",
        sa.Column("type", sa.String(32), primary_key=True),
        sa.Column("param", sa.String(48), primary_key=True),
        sa.Column("value", sorted_text, primary_key=True),
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("part", sa.String(256), primary_key=True),
        sa.Column("ends", sa.String(32)),
        sa.Column("case_number", sa.String(64), nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_search_value_resource", "search_value", ["type", "id"])
    op.create_index(
        "ix_search_value_ends",
        "search_value",
        ["type", "param", "ends", "id"],
        sqlite_where=sa.text("ends IS NOT NULL"),
        postgresql_where=sa.text("ends IS NOT NULL"),
    )
    op.create_table(
        "search_index",
        sa.Column("type", sa.String(32), primary_key=True),
        sa.Column("digest", sa.String(32), nullable=False),
        sa.Column("after", sa.String(64)),
    )
    partitions = context.config.attributes.get("partitions", 0)
    if partitions and op.get_bind().dialect.name == "postgresql":
        for table, key in _KEYS.items():
            lay_out(table, key, partitions)
