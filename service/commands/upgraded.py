"""`airway-relay upgraded`: the cases whose decision changed when this release read their facts anew."""

from __future__ import annotations

from service.commands.with_database import with_existing_database
from service.pipeline.upgraded import changed
from service.rules.words import count
from service.settings import Settings
from service.store.engine import Database


def list_upgraded() -> int:
    """Print each such case with what it came to before and after; 0, or 2 when the database cannot be used."""
    return with_existing_database(_print)


def _print(database: Database, settings: Settings) -> int:
    listed = 0
    for one in changed(database):
        listed += 1
        print(f"{one.case_number}: decided anew on {one.on}; before: {one.before}; now: {one.after}")
    print(f"{count(listed, 'case')} came out otherwise when this release read the facts anew.")
    return 0
