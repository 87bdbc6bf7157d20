"""`airway-relay rebuild`: facts, decisions, case rows and search index made anew from the versions of resources."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from service.commands.with_pipeline import with_pipeline
from service.pipeline import Pipeline
from service.rules.words import count
from service.settings import Settings
from service.store import cases
from service.store.caller import ALL_SEEING

_BATCH = 200


def rebuild() -> int:
    """Make every case and the search index what the resources say; 0, or 2 when the database cannot be used.

    A second run writes nothing. Progress goes to standard error.
    """
    return with_pipeline("rebuild", _rebuild)


def _rebuild(pipeline: Pipeline, settings: Settings) -> int:
    done = changed = indexed = 0
    for number in _numbers(pipeline):
        changed += pipeline.rebuild(number)
        done += 1
        if done % _BATCH == 0:
            print(f"{done} cases", file=sys.stderr)
    *batches, orphans = pipeline.rebuild_index()
    for batch in batches:
        indexed += batch
    print(
        f"{count(done, 'case')} read anew, {changed} written; {count(indexed, 'resource')} indexed,"
        f" {count(orphans, 'row')} of the index that led nowhere removed."
    )
    return 0


def _numbers(pipeline: Pipeline) -> Iterator[str]:
    database, after = pipeline.database.seen_by(ALL_SEEING), ""
    while numbers := database.read(lambda tx, after=after: cases.numbers(tx, after, _BATCH)):
        yield from numbers
        after = numbers[-1]
