"""What the commands that work on the database share: open it, or say in one plain line why not."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

from sqlalchemy.exc import SQLAlchemyError

from service.settings import Settings, SettingsError
from service.store.caller import ALL_SEEING
from service.store.engine import Database


def with_database(work: Callable[[Database, Settings], int]) -> int:
    """The exit status of `work` on the database that the environment names; 2 when it cannot be used."""
    try:
        settings = Settings.from_environment(os.environ)
        database = Database(settings.database_url, settings.partitions).seen_by(ALL_SEEING)
    except SettingsError as error:
        return refused(str(error))
    except SQLAlchemyError as error:
        return refused(f"the database cannot be used ({type(error).__name__}); see DATABASE_URL.")
    try:
        return work(database, settings)
    finally:
        database.close()


def refused(why: str) -> int:
    """Say why a command cannot be run; its exit status."""
    print(f"airway-relay: {why}", file=sys.stderr)
    return 2
