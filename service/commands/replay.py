"""`airway-relay replay`: make every stored decision anew from the stored inputs and thresholds, and compare."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence

from service.commands.with_database import with_existing_database
from service.pipeline.replay import Replayed, case_numbers, replay
from service.rules.words import count
from service.store.engine import Database


def replay_decisions(wanted: Sequence[str]) -> int:
    """Replay some cases, or all; 0 when every decision came out the same, 1 when one did not, 2 when it cannot run.

    Decisions of earlier versions of the rules are told and counted apart.
    """
    return with_existing_database(lambda database, _: _report(database, wanted))


def _report(database: Database, wanted: Sequence[str]) -> int:
    done: list[Replayed] = []
    for number in wanted or _all(database):
        found = replay(database, number)
        if found is None:
            print(f"airway-relay: there is no case {number}.", file=sys.stderr)
            return 2
        for address in found.differing:
            print(f"{number}: {address} comes out otherwise")
        for rule, version, made in found.earlier:
            by = f"made by version {version} of {rule}" if rule else "made by a version that is not told"
            print(f"{number}: {count(made, 'decision')} {by}, not replayed")
        done.append(found)
    decisions, differing = sum(r.decisions for r in done), sum(len(r.differing) for r in done)
    same = "all the same to the byte" if not differing else f"{differing} otherwise"
    earlier = sum(made for r in done for _, _, made in r.earlier)
    print(
        f"{count(len(done), 'case')}, {count(decisions, 'decision')} made anew: {same};"
        f" {earlier} made by other versions, not replayed."
    )
    return 1 if differing else 0


def _all(database: Database) -> Iterator[str]:
    after = ""
    while numbers := case_numbers(database, after):
        yield from numbers
        after = numbers[-1]
