"""`airway-relay record export | expire`: one patient's record in a file, and the end of what is kept."""

from __future__ import annotations

import argparse
import os
import stat
from datetime import UTC, datetime
from pathlib import Path

from service.commands.with_database import refused, with_database
from service.fhir.dates import day_of
from service.fhir.json_text import write
from service.pipeline import record
from service.rules.words import count
from service.settings import Settings
from service.store.engine import Database

_SHORTEST_REASON = 5


def keep_record(options: argparse.Namespace) -> int:
    """Run one of the record commands; 1 when there is no such patient or a case had to stay, 2 when it cannot be run."""
    work = _export if options.what == "export" else _expire
    return with_database(lambda database, settings: work(options, database, settings))


def _export(options: argparse.Namespace, database: Database, _settings: Settings) -> int:
    """Write the record into a new file that only its owner can read."""
    bundle = record.exported(database, options.patient.removeprefix("Patient/"))
    if bundle is None:
        print(f"There is no patient {options.patient}.")
        return 1
    try:
        file = os.open(Path(options.file), os.O_WRONLY | os.O_CREAT | os.O_EXCL, stat.S_IRUSR | stat.S_IWUSR)
        with open(file, "w", encoding="utf-8") as out:
            out.write(write(bundle))
    except OSError as error:
        return refused(f"{options.file}: {error.strerror}.")
    print(f"{options.file}: {count(len(bundle['entry']), 'entry', 'entries')}.")
    return 0


def _expire(options: argparse.Namespace, database: Database, settings: Settings) -> int:
    """List the cases that are past their retention, or remove them."""
    try:
        day = day_of(options.before or "")
    except ValueError as error:
        return refused(f"--before: {error}.")
    if day > datetime.now(UTC).astimezone(settings.zone).date():
        return refused("--before must not lie in the future.")
    reason = " ".join((options.reason or "").split())
    if options.delete and len(reason) < _SHORTEST_REASON:
        return refused(f"--delete needs --reason with at least {_SHORTEST_REASON} characters; it is kept in the audit.")
    kept = 0
    for case in record.due(database, day.isoformat()):
        if not options.delete:
            print(f"{case.case_number}: {'stays, ' + case.kept if case.kept else 'can be removed'}")
            continue
        why = record.expire(database, case.case_number, day.isoformat(), reason)
        kept += bool(why)
        print(f"{case.case_number}: {'stays, ' + why if why else 'removed'}")
    return 1 if kept else 0
