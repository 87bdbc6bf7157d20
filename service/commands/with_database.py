"""What the commands that work on the database share: open it, or say in one plain line why not."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

from sqlalchemy.exc import SQLAlchemyError

from service.settings import Settings, SettingsError
from service.store.caller import ALL_SEEING
from service.store.engine import Database
from service.store.existing import NoDatabase


def with_database(work: Callable[[Database, Settings], int]) -> int:
    """The exit status of `work` on the database that the environment names; 2 when it cannot be used."""
    return _with(lambda settings: Database(settings.database_url, settings.partitions), work)


def with_existing_database(work: Callable[[Database, Settings], int]) -> int:
    """The same for commands that only read: the database is opened read only, and 2 when it is not there."""
    return _with(lambda settings: Database.existing(settings.database_url), work)


def _with(opened: Callable[[Settings], Database], work: Callable[[Database, Settings], int]) -> int:
    try:
        settings = Settings.from_environment(os.environ)
        database = opened(settings).seen_by(ALL_SEEING)
    except SettingsError as error:
        return refused(str(error))
    except NoDatabase as error:
        return refused(f"{error}.")
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
