"""Search: which versions are deletions, the index of search values, and tables laid out in partitions where asked for."""

import sqlalchemy as sa
from alembic import context, op

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
            _partition(table, key, partitions)


def _partition(table: str, key: tuple[str, ...], partitions: int) -> None:
    """The same table with its rows and indexes, hash-partitioned by the case number, which its key then holds."""
    bind = op.get_bind()
    held = sa.inspect(bind).get_indexes(table)
    definitions = bind.execute(
        sa.text("SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = current_schema() AND tablename = :t"),
        {"t": table},
    ).all()
    whole = f"{table}_whole"
    op.rename_table(table, whole)
    for index in held:
        op.execute(f'DROP INDEX "{index["name"]}"')
    op.execute(f'ALTER TABLE {whole} DROP CONSTRAINT "{table}_pkey"')
    op.execute(f"CREATE TABLE {table} (LIKE {whole} INCLUDING DEFAULTS) PARTITION BY HASH (case_number)")
    op.execute(f"ALTER TABLE {table} ADD PRIMARY KEY ({', '.join(key)})")
    for number in range(partitions):
        op.execute(
            f"CREATE TABLE {table}_{number} PARTITION OF {table}"
            f" FOR VALUES WITH (MODULUS {partitions}, REMAINDER {number})"
        )
    op.execute(f"INSERT INTO {table} SELECT * FROM {whole}")
    op.drop_table(whole)
    for name, definition in definitions:
        if name != f"{table}_pkey":
            op.execute(definition)
