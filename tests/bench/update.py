"""A validated progress update beside a one-row durable insert: how many a second, by one client and by eight."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

from tests.bench.course import opened, updates
from tests.bench.databases import NewDatabase, references_on, service_on
from tests.bench.load import Ask, load_on
from tests.bench.report import Figure
from tests.servers import Service

_WEEKS, _UPDATES_OF_A_CASE = 8, 16


@dataclass(frozen=True, slots=True)
class Plan:
    """Clients, the share of the reference that is asked of them, slices that take turns, and requests in a slice."""

    clients: int
    target: float
    slices: int
    requests: int


_PLANS = (Plan(1, 0.5, 25, 32), Plan(8, 0.3, 25, 96))
_QUICK = (Plan(1, 0.5, 2, 8), Plan(8, 0.3, 2, 8))


def measure(kind: str, new_database: NewDatabase, quick: bool) -> list[Figure]:
    """The share of the reference's throughput, for each number of clients."""
    plans = _QUICK if quick else _PLANS
    needed = sum((plan.slices + 1) * plan.requests for plan in plans)
    url = new_database()
    asked = iter(_asks(url, needed))
    with service_on(url) as service, references_on(new_database()) as references:
        return [_compared(kind, plan, asked, service, references) for plan in plans]


def _asks(database_url: str, count: int) -> list[Ask]:
    """Updates of many cases: the same case again only after all others, so that eight clients do not meet at one."""
    cases = -(-count // _UPDATES_OF_A_CASE // 8) * 8
    numbers = opened(database_url, [_WEEKS] * cases)
    bodies = list(updates(_WEEKS, _UPDATES_OF_A_CASE))
    return [Ask(f"/intake/cases/{number}/progress", body) for body in bodies for number in numbers]


def _compared(kind: str, plan: Plan, asked: Iterator[Ask], service: Service, references: Service) -> Figure:
    with load_on(service, plan.clients) as ours, load_on(references, plan.clients) as theirs:
        pairs = []
        for _ in range(plan.slices + 1):
            asks = [next(asked) for _ in range(plan.requests)]
            pairs.append((ours.per_second(asks), theirs.per_second([Ask("/rows", ask.body) for ask in asks])))
    shares = [update / insert for update, insert in pairs[1:]]
    who = "1 client" if plan.clients == 1 else f"{plan.clients} clients"
    return Figure(
        f"progress update, share of a one-row insert, {who}",
        kind,
        median(shares),
        plan.target,
        at_least=True,
        unit="%",
        details={
            "updates_per_second": median(update for update, _ in pairs[1:]),
            "inserts_per_second": median(insert for _, insert in pairs[1:]),
            "lowest_share_of_a_slice": min(shares),
            "highest_share_of_a_slice": max(shares),
        },
    )
