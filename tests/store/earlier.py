"""Databases as earlier releases left them: a schema at some revision, and the rows of the landings kept here."""

from __future__ import annotations

import lzma
from collections.abc import Callable
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Boolean, Engine, MetaData, create_engine, select
from sqlalchemy.engine import make_url

from service.store import migrations

FOLDER = Path(__file__).parent / "landings"
LANDINGS = {"318bc83": "0001", "5399dd4": "0011"}
"""Each landing kept, by its commit, with the revision of its schema."""
WITH_ACCESS = {"09af4e0-access": "0012"}
"""Those written with access control on."""


def engine_of(url: str) -> Engine:
    """An engine of the tests' own for a database."""
    held = make_url(url)
    return create_engine(held.set(drivername="postgresql+psycopg") if held.get_backend_name() == "postgresql" else held)


def lay_out(engine: Engine, revision: str) -> None:
    """Bring an empty database to an earlier revision."""
    with engine.begin() as connection:
        config = Config()
        config.set_main_option("script_location", str(Path(migrations.__file__).parent))
        config.attributes["connection"] = connection
        command.upgrade(config, revision)


def landing(name: str, kind: str, folder: Path, new_postgres: Callable[[], str]) -> str:
    """The URL of a database as a landing wrote it: its own SQLite file, or its rows on PostgreSQL."""
    file = folder / f"{name}.db"
    file.write_bytes(lzma.decompress((FOLDER / f"{name}.db.xz").read_bytes()))
    url = f"sqlite:///{file}"
    if kind == "sqlite":
        return url
    copied = new_postgres()
    _copy(url, copied, (LANDINGS | WITH_ACCESS)[name])
    return copied


def _copy(source_url: str, url: str, revision: str) -> None:
    """Lay a database out at a revision and put every row of another one into it."""
    source, target = engine_of(source_url), engine_of(url)
    lay_out(target, revision)
    held, tables = MetaData(), MetaData()
    held.reflect(source)
    tables.reflect(target)
    assert set(held.tables) == set(tables.tables)
    with source.connect() as reading, target.begin() as writing:
        for name, table in tables.tables.items():
            flags = {c.name for c in table.columns if isinstance(c.type, Boolean)}
            columns = [held.tables[name].c[c.name] for c in table.columns]
            rows = [
                {k: bool(v) if k in flags else v for k, v in row.items()}
                for row in reading.execute(select(*columns)).mappings()
            ]
            writing.execute(table.delete())
            if rows:
                writing.execute(table.insert(), rows)
    source.dispose()
    target.dispose()
