"""A cohort under one set of thresholds, spread over processes; the outcome does not depend on how many."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from service.rehearsal.parameters import Parameters
from service.rehearsal.treatment import SimulatedCase, rehearse_case
from service.rules.thresholds import Thresholds

_CASES_OF_A_CHUNK = 200


@dataclass(frozen=True, slots=True)
class Plan:
    """What is simulated: `cases` patients drawn from `seed`, each followed for at most `weeks` weeks."""

    cases: int = 1000
    seed: int = 1
    weeks: int = 52
    parameters: Parameters = Parameters()


def rehearse(plan: Plan, sets: Sequence[Thresholds], processes: int | None = None) -> list[list[SimulatedCase]]:
    """The cases under each set of thresholds: patient `i` of every list is the same person with the same luck."""
    starts = range(0, plan.cases, _CASES_OF_A_CHUNK)
    work = [(plan, thresholds, start) for thresholds in sets for start in starts]
    wanted = min(processes or _processors(), len(work))
    if wanted == 1:
        chunks = [_chunk(item) for item in work]
    else:
        with ProcessPoolExecutor(wanted) as pool:
            chunks = list(pool.map(_chunk, work))
    each = len(starts)
    return [[case for chunk in chunks[i * each : (i + 1) * each] for case in chunk] for i in range(len(sets))]


def _chunk(work: tuple[Plan, Thresholds, int]) -> list[SimulatedCase]:
    plan, thresholds, start = work
    numbers = range(start, min(start + _CASES_OF_A_CHUNK, plan.cases))
    return [rehearse_case(plan.seed, number, thresholds, plan.parameters, plan.weeks) for number in numbers]


def _processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
