"""The pull of a CarePlan beside a no-op of the same framework."""

from __future__ import annotations

from statistics import median

from tests.bench.course import opened
from tests.bench.databases import NewDatabase, references_on, service_on
from tests.bench.load import Ask, load_on, turns_ms
from tests.bench.report import Figure

_LIMITS = {"sqlite": 1.5, "postgresql": 4.0}


def measure(kind: str, new_database: NewDatabase, quick: bool) -> list[Figure]:
    """The median of the pull as a multiple of that of the no-op, by one client."""
    rounds = 20 if quick else 1500
    url = new_database()
    number = opened(url, [8])[0]
    with (
        service_on(url) as service,
        references_on(new_database()) as references,
        load_on(service) as ours,
        load_on(references) as theirs,
    ):
        sides = [(ours, [Ask(f"/fhir/CarePlan/{number}")] * rounds), (theirs, [Ask("/nothing")] * rounds)]
        pull, nothing = (median(taken[rounds // 10 :]) for taken in turns_ms(sides))
    details = {"pull_ms": pull, "no_op_ms": nothing}
    return [Figure("CarePlan pull, multiple of a no-op, median", kind, pull / nothing, _LIMITS[kind], details=details)]
