"""Whether an update costs more on a long history: cases of 12 to 1,500 resources beside each other, in turns."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from statistics import linear_regression, median

from sqlalchemy import func, select

from service.store.engine import Database
from service.store.query import VERSIONS
from tests.bench.course import opened, updates
from tests.bench.databases import NewDatabase, service_on
from tests.bench.load import Ask, load_on, turns_ms
from tests.bench.report import Curve, Figure

_V = VERSIONS.c


@dataclass(frozen=True, slots=True)
class Rung:
    """A length of history: weeks of reports, and how many updates one case gets so that it stays about that long."""

    weeks: int

    @property
    def updates(self) -> int:
        return 1 + self.weeks // 12


_RUNGS = (Rung(0), Rung(12), Rung(36), Rung(100), Rung(240))
_QUICK = (Rung(0), Rung(12))


def measure(kind: str, new_database: NewDatabase, quick: bool) -> tuple[list[Figure], list[Curve]]:
    """The slope of log time over log size, from the median of each length of history."""
    rungs, rounds = (_QUICK, 6) if quick else (_RUNGS, 60)
    url = new_database()
    cases_of = [-(-rounds // rung.updates) for rung in rungs]
    numbers = iter(opened(url, [r.weeks for r, count in zip(rungs, cases_of, strict=True) for _ in range(count)]))
    held = [[next(numbers) for _ in range(count)] for count in cases_of]
    sizes = [_resources(url, cases) for cases in held]
    with service_on(url) as service, load_on(service) as load:
        sides = [(load, _asks(rung, cases)[:rounds]) for rung, cases in zip(rungs, held, strict=True)]
        times = [median(taken[len(taken) // 10 :]) for taken in turns_ms(sides)]
    slope = linear_regression([log(n) for n in sizes], [log(ms) for ms in times]).slope
    figure = Figure(
        f"growth of an update over {sizes[0]:,.0f} to {sizes[-1]:,.0f} resources, exponent",
        kind,
        slope,
        0.05,
        details={"shortest_ms": times[0], "longest_ms": times[-1]},
    )
    points = list(zip(sizes, times, strict=True))
    return [figure], [Curve("progress update", kind, "resources of the case", points)]


def _asks(rung: Rung, numbers: list[str]) -> list[Ask]:
    bodies = list(updates(rung.weeks, rung.updates))
    return [Ask(f"/intake/cases/{number}/progress", body) for body in bodies for number in numbers]


def _resources(database_url: str, numbers: list[str]) -> float:
    """How many resources those cases have, median; entries of the audit trail are none of them."""
    database = Database(database_url)
    counted = select(_V.case_number, func.count()).where(_V.version == 1, _V.type != "AuditEvent")
    counted = counted.where(_V.case_number.in_(numbers)).group_by(_V.case_number)
    with database.engine.connect() as connection:
        found = [count for _, count in connection.execute(counted)]
    database.close()
    return float(median(found))
