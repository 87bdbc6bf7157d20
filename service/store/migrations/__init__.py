"""Schema migrations with alembic, applied at start-up; two processes starting at once apply them once."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

HEAD = "0016"
_FOLDER = Path(__file__).parent


def migrate(engine: Engine, partitions: int = 0) -> bool:
    """Bring the schema to `HEAD`; whether it was not there. Costs one query when it is there already.

    With `partitions`, PostgreSQL keeps the tables that hold cases in so many hash partitions by case number. It is
    laid out once, by the revision that makes the search index; later calls leave the layout as it is.
    """
    with engine.connect() as connection:
        if revision_of(connection) == HEAD:
            return False
    with engine.connect().execution_options(writing=True) as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(727001)"))
        if revision_of(connection) != HEAD:
            _upgrade(connection, partitions)
    return True


def revision_of(connection: Connection) -> str | None:
    """The revision of the schema; None for an empty database."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _upgrade(connection: Connection, partitions: int) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_FOLDER))
    config.attributes["connection"] = connection
    config.attributes["partitions"] = partitions
    command.upgrade(config, "head")
