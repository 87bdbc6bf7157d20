"""What a database full of cases costs: the worklist, pages for people, reads and an update at each size, in turns."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from random import Random
from statistics import median

from tests.bench.course import updates
from tests.bench.databases import NewDatabase, service_on
from tests.bench.fill import Filled, fill
from tests.bench.load import Ask, Load, load_on, turns_ms
from tests.bench.report import Curve, Figure

_SIZES, _ROUNDS = (1_000, 10_000, 100_000), 400
_QUICK_SIZES, _QUICK_ROUNDS = (20, 60), 8
_WEEKS, _UPDATES_OF_A_CASE = 8, 8
_WORKLIST, _BOARD = "worklist page", "board, as a page for people"
_ONE_CASE, _CASE_PAGE = "one case, as JSON", "one case, as a page for people"
_PAGES = ((_BOARD, _WORKLIST), (_CASE_PAGE, _ONE_CASE))
"""Pages beside the call to the API that tells the same."""


@dataclass(frozen=True, slots=True)
class _Size:
    cases: int
    filled: Filled
    load: Load

    def asks(self, rounds: int) -> dict[str, list[Ask]]:
        """The requests of each kind, the same at each size but for whom they name."""
        chosen = Random(7)
        copies = [chosen.randint(1, self.cases) for _ in range(rounds)]
        real = [self.filled.real_cases[n % len(self.filled.real_cases)] for n in range(rounds)]
        bodies = list(updates(_WEEKS, _UPDATES_OF_A_CASE))
        written = [Ask(f"/intake/cases/{case}/progress", body) for body in bodies for case in self.filled.real_cases]
        return {
            _WORKLIST: [Ask("/cases")] * rounds,
            "worklist page of one party": [Ask("/cases?whose_move=dentist")] * rounds,
            _BOARD: [Ask("/")] * rounds,
            _ONE_CASE: [Ask(f"/cases/{number}") for number in real],
            _CASE_PAGE: [Ask(f"/cases/{number}/page") for number in real],
            "read by id": [Ask(self.filled.patient(n)) for n in copies],
            "patient search": [Ask(self.filled.patient_search(n)) for n in copies],
            "progress update": written[:rounds],
        }


def measure(kind: str, new_database: NewDatabase, quick: bool) -> tuple[list[Figure], list[Curve]]:
    """The worklist at the largest size as a multiple of the smallest, and how each request grows."""
    sizes, rounds = (_QUICK_SIZES, _QUICK_ROUNDS) if quick else (_SIZES, _ROUNDS)
    with ExitStack() as running:
        held: list[_Size] = []
        for cases in sizes:
            url = new_database()
            filled = fill(url, cases, -(-rounds // _UPDATES_OF_A_CASE), _WEEKS)
            service = running.enter_context(service_on(url))
            held.append(_Size(cases, filled, running.enter_context(load_on(service))))
        asked = [size.asks(rounds) for size in held]
        curves = [Curve(name, kind, "cases", _points(held, [asks[name] for asks in asked])) for name in asked[0]]
    points = {curve.name: curve.points for curve in curves}
    (smallest, low_ms), (largest, high_ms) = points[_WORKLIST][0], points[_WORKLIST][-1]
    figure = Figure(
        f"worklist page at {largest:,.0f} cases, multiple of {smallest:,.0f}",
        kind,
        high_ms / low_ms,
        1.3,
        details={"page_of_most_ms": high_ms, "page_of_fewest_ms": low_ms},
    )
    return [figure, *(_beside(kind, largest, page, call, points) for page, call in _PAGES)], curves


def _beside(kind: str, cases: float, page: str, call: str, points: dict[str, list[tuple[float, float]]]) -> Figure:
    page_ms, call_ms = points[page][-1][1], points[call][-1][1]
    name = f"{page}, at {cases:,.0f} cases, multiple of the call behind it"
    return Figure(name, kind, page_ms / call_ms, 3.0, details={"page_ms": page_ms, "call_ms": call_ms})


def _points(sizes: list[_Size], asks: list[list[Ask]]) -> list[tuple[float, float]]:
    sides = [(size.load, wanted) for size, wanted in zip(sizes, asks, strict=True)]
    times = turns_ms(sides)
    return [(float(s.cases), median(taken[len(taken) // 10 :])) for s, taken in zip(sizes, times, strict=True)]
