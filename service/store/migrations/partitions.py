"""Lays a PostgreSQL table out in hash partitions by case number, for revisions that make or change such tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


def partitions_of(table: str) -> int:
    """In how many partitions a table is laid out; 0 when it is whole, and always 0 on SQLite."""
    bind = op.get_bind()
    if bind.dialect.name != "postgresql":
        return 0
    counted = "SELECT count(*) FROM pg_inherits WHERE inhparent = to_regclass(:t)"
    return int(bind.execute(sa.text(counted), {"t": table}).scalar_one())


def lay_out(table: str, key: tuple[str, ...], partitions: int) -> None:
    """The same table with its rows and indexes, hash-partitioned by the case number, which its `key` then holds."""
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
    # a table's name cannot be a bound value; these come from our own list of tables
    op.execute(f"INSERT INTO {table} SELECT * FROM {whole}")  # nosec B608
    op.drop_table(whole)
    for name, definition in definitions:
        if name != f"{table}_pkey":
            op.execute(definition)
