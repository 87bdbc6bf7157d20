"""The board's pages: the cases asked for, once each, in the order of an index."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import Connection, text

from service.pipeline import Pipeline
from service.rows import Case
from service.settings import Settings
from service.store import board, cases
from service.store.board import Filter
from service.wiring import build_pipeline
from tests.conftest import Clock

_MOVERS = ("dentist", "physician", "patient", "nobody")
_STAGES = ("titrating", "ready-for-test", "closed")
TODAY = "2026-11-20"


def _case(number: int) -> Case:
    """Cases that differ in everything the board asks for; several wait since one day."""
    return Case(
        case_number=f"AR-{number:05d}",
        patient=f"Patient/{number}",
        referral="ServiceRequest/1",
        task="Task/1",
        physician=None,
        dental_office=None,
        opened_at="2026-01-01",
        changed_at="2026-01-01",
        decided_on=TODAY,
        stage=_STAGES[number % 3],
        whose_move=_MOVERS[number // 3 % 4],
        waiting_since=f"2026-{10 - number % 7:02d}-1{number % 3}",
        outcome="not-yet",
        urgent=number % 5 == 0,
        summary=f'{{"case_number":"AR-{number:05d}","why":"Because of \\"{number}\\"."}}',
        derived="{}",
        overdue_from=f"2026-1{number % 3}-0{number % 9 + 1}" if number % 4 else None,
    )


CASES = [_case(n) for n in range(150)]


def _filters() -> Iterator[Filter]:
    for mover, stage, only in itertools.product(("", *_MOVERS), ("", *_STAGES), ("", "urgent", "overdue")):
        yield Filter(mover, stage, only == "urgent", TODAY if only == "overdue" else "")


def _expected(wanted: Filter) -> list[str]:
    """The same, by reading every case."""

    def meets(case: Case) -> bool:
        late = case.overdue_from is not None and case.overdue_from <= wanted.overdue_on
        anybody = wanted != Filter() or case.whose_move != "nobody"
        return (
            anybody
            and wanted.whose_move in ("", case.whose_move)
            and wanted.stage in ("", case.stage)
            and (case.urgent or not wanted.urgent)
            and (late or not wanted.overdue_on)
        )

    found = [c for c in CASES if meets(c)]
    since = [((c.overdue_from or "") if wanted.overdue_on else c.waiting_since, c.case_number) for c in found]
    return [number for _, number in sorted(since)]


@pytest.fixture
def full(pipeline: Pipeline) -> Pipeline:
    def work(tx: Connection) -> None:
        for case in CASES:
            cases.add(tx, case)

    pipeline._database.write(work)
    return pipeline


def test_every_case_asked_for_stands_on_one_page_in_order(full: Pipeline) -> None:
    for wanted in _filters():
        seen: list[str] = []
        after: tuple[str, str] | None = None
        while rows := full._database.read(lambda tx, w=wanted, a=after: board.page_of(tx, w, a, 7)):
            seen += [r.case_number for r in rows]
            last = rows[-1]
            after = ((last.overdue_from or "") if wanted.overdue_on else last.waiting_since, last.case_number)
        assert seen == _expected(wanted), wanted
    assert sum(bool(_expected(w)) for w in _filters()) > 30


def test_sqlite_reads_each_page_in_the_order_of_an_index(sqlite_pipeline: Pipeline) -> None:
    def work(tx: Connection) -> int:
        number = 0
        for wanted, after in itertools.product(_filters(), (None, ("2026-08-11", "AR-00003"))):
            built = board.statement(tx, wanted, after, 31)
            literal = str(built.compile(tx.engine, compile_kwargs={"literal_binds": True}))
            plan = [row[3] for row in tx.exec_driver_sql(f"EXPLAIN QUERY PLAN {literal}")]
            assert not [line for line in plan if "TEMP B-TREE" in line or "USING INDEX" not in line], (literal, plan)
            number += 1
        return number

    assert sqlite_pipeline._database.read(work) == 120


def test_postgresql_reads_each_page_in_the_order_of_an_index(new_postgres: Callable[[], str], clock: Clock) -> None:
    """With sorting switched off as far as it goes, a plan that still sorts has no index to read from."""

    def work(tx: Connection) -> int:
        for setting in ("enable_sort", "enable_seqscan", "enable_bitmapscan"):
            tx.execute(text(f"SET LOCAL {setting} = off"))
        number = 0
        for wanted in _filters():
            built = board.statement(tx, wanted, None, 31)
            literal = str(built.compile(tx.engine, compile_kwargs={"literal_binds": True}))
            plan = "\n".join(row[0] for row in tx.exec_driver_sql(f"EXPLAIN {literal}"))
            assert "Index Scan" in plan, (literal, plan)
            assert "Sort" not in plan, (literal, plan)
            number += 1
        return number

    pipeline = build_pipeline(Settings(database_url=new_postgres()), clock=clock)
    assert pipeline._database.read(work) == 60
    pipeline.close()
