"""A database as two told cases left it: told once in a process, copied for every test that begins with them."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Engine, create_engine, text
from sqlalchemy.engine import make_url

if TYPE_CHECKING:
    from tests.access.world import Trio

_FOLDER = Path(tempfile.mkdtemp(prefix="relay-played-"))
atexit.register(shutil.rmtree, _FOLDER, ignore_errors=True)


@dataclass
class Played:
    """What is kept of one kind of database, and the database at hand."""

    name: str
    database_url: str = ""
    trios: tuple[Trio, Trio] | None = None

    def keep(self, trios: tuple[Trio, Trio]) -> None:
        """Remember the cases."""
        self.trios = deepcopy(trios)

    def trios_anew(self) -> tuple[Trio, Trio]:
        """The cases, for one test to change."""
        assert self.trios is not None
        return deepcopy(self.trios)

    def save(self) -> None:
        """Copy the database at hand, which nobody has open."""
        if file := _file_of(self.database_url):
            shutil.copyfile(file, _FOLDER / self.name)
            return
        _copied(self.database_url, self._own_database(), self.name)
        atexit.register(_dropped, self.database_url, self.name)

    def restore(self) -> None:
        """Put the copy in the place of the database at hand, which nobody has open."""
        if file := _file_of(self.database_url):
            shutil.copyfile(_FOLDER / self.name, file)
            return
        _dropped(self.database_url, self._own_database())
        _copied(self.database_url, self.name, self._own_database())

    def _own_database(self) -> str:
        return make_url(self.database_url).database or ""


_played: dict[str, Played] = {}


def played_before(database_url: str, what: str) -> Played:
    """What this process keeps of this kind of database, for what was told on it."""
    key = f"{make_url(database_url).get_backend_name()} {what}"
    found = _played.setdefault(key, Played(f"relay_played_{os.getpid()}_{len(_played)}"))
    found.database_url = database_url
    return found


def _file_of(database_url: str) -> Path | None:
    url = make_url(database_url)
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def _admin(database_url: str) -> Engine:
    url = make_url(database_url).set(drivername="postgresql+psycopg", database="postgres")
    return create_engine(url, isolation_level="AUTOCOMMIT")


def _copied(database_url: str, source: str, target: str) -> None:
    admin = _admin(database_url)
    with admin.connect() as connection:
        connection.execute(text(f'CREATE DATABASE "{target}" TEMPLATE "{source}"'))
    admin.dispose()


def _dropped(database_url: str, name: str) -> None:
    admin = _admin(database_url)
    with admin.connect() as connection:
        connection.execute(text(f'DROP DATABASE "{name}" WITH (FORCE)'))
    admin.dispose()
