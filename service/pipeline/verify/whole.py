"""The verification from its beginning to its end: chains, each case, what is of no case, what is left over."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.pipeline.audit_check import check_chains
from service.pipeline.verify.case_row import CaseChecks
from service.pipeline.verify.entries import entries_of
from service.pipeline.verify.messages import check_messages_of_case
from service.pipeline.verify.parties import check_parties_of_case, check_seen
from service.pipeline.verify.removals import Removals
from service.pipeline.verify.report import Report
from service.pipeline.verify.search import Index
from service.pipeline.verify.versions import Loose, check_named, check_text
from service.pipeline.verify.without_case import (
    check_entries_without_case,
    check_versions_without_case,
    name_left_over,
)
from service.store import audit_chain, cases, resources, verify_reads
from service.store.audit_chain import AUDIT_EVENT, Head
from service.store.engine import Database


class Verification:
    """Holds a database against itself for one release; findings and counts go to the report."""

    def __init__(self, database: Database, version: str, report: Report) -> None:
        self._database, self._version, self._report = database, version, report

    def everything(self, exported: Sequence[Head] = ()) -> None:
        """Verify the whole database as of one moment; `exported` are ends of chains kept elsewhere."""

        def work(tx: Connection) -> None:
            audit_chain.as_of_one_moment(tx)
            report, loose, index = self._report, Loose(), Index(tx, self._report)
            report.counts.links = check_chains(tx, lambda line: report.found("audit_chain", line), exported)
            for number in verify_reads.case_numbers(tx):
                if number.startswith("-"):
                    check_entries_without_case(tx, number, index, report, loose)
                elif number:
                    self._case(tx, number, index, loose)
            check_versions_without_case(tx, index, report, loose)
            index.check_strangers()
            check_seen(tx, loose.earlier, report)
            name_left_over(tx, report, loose)

        self._database.read(work)

    def some(self, case_numbers: Sequence[str]) -> list[str]:
        """Verify some cases, without the chains and without what is of no case; the numbers of which there is nothing."""

        def work(tx: Connection) -> list[str]:
            audit_chain.as_of_one_moment(tx)
            index = Index(tx, self._report)
            return [number for number in case_numbers if not self._case(tx, number, index, Loose())]

        return self._database.read(work)

    def _case(self, tx: Connection, number: str, index: Index, loose: Loose) -> bool:
        """Verify all that is stored under a case number; whether that is anything."""
        report = self._report
        every, case = resources.of_case(tx, number), cases.get(tx, number)
        rows = [row for row in every if row.type != AUDIT_EVENT]
        events = [row for row in every if row.type == AUDIT_EVENT]
        report.counts.cases += 1
        report.counts.versions += len(rows)
        report.counts.entries += len(events)
        entries = list(entries_of(events, report))
        removals = Removals(entries, report)
        for row in every:
            check_text(row, report)
        check_named(tx, entries, rows, removals, report, loose)
        check_messages_of_case(tx, number, entries, removals, report)
        last = {(row.type, row.id): row for row in sorted(every, key=lambda row: row.version)}
        index.check(list(last.values()))
        if case is not None:
            check_parties_of_case(tx, number, entries, report)
            CaseChecks(tx, case, every, report, self._version).check(entries)
        else:
            for table in verify_reads.left_of_case(tx, number):
                report.found(f"{table} {number}", "is of a case that is not there")
            if rows or (events and not removals.are_told):
                report.found(f"case_row {number}", "is not there")
        report.goes_on()
        return bool(every) or case is not None
