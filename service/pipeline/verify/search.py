"""The search index held against what the current versions are found by."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.fhir.json_text import load
from service.fhir.search_values import values_of
from service.pipeline.verify.report import Report
from service.rows import Stored
from service.store import search_index, verify_reads
from service.store.verify_reads import IndexRow


class Index:
    """The search index of a database, of the types whose index is that of this release."""

    def __init__(self, tx: Connection, report: Report) -> None:
        self._tx, self._report = tx, report
        self._stale = set(search_index.stale_types(tx))

    def check(self, current: Sequence[Stored]) -> None:
        """The index tells of current versions what their resources say."""
        self._report.counts.not_indexed |= {row.type for row in current} & self._stale
        compared = [row for row in current if row.type not in self._stale]
        kept = verify_reads.index_rows(self._tx, [(row.type, row.id) for row in compared])
        for row in compared:
            place = f"search_value {row.type}/{row.id}"
            with self._report.reading(place):
                self._compare(place, set(_rows_of(row)), kept.get((row.type, row.id), []))

    def _compare(self, place: str, wanted: set[IndexRow], kept: list[IndexRow]) -> None:
        """Parameters are named, values are not: they are the patient's."""
        missing, extra = wanted.difference(kept), set(kept) - wanted
        for what, rows in (("not told as the resource says it", missing), ("told and not said by the resource", extra)):
            if rows:
                self._report.found(place, f"{', '.join(sorted({row[0] for row in rows}))}: {what}")

    def check_strangers(self) -> None:
        """The index tells of no resource that is not there."""
        for kind, name in verify_reads.indexed_without_version(self._tx):
            self._report.found(f"search_value {kind}/{name}", "is of a resource that is not there")


def _rows_of(row: Stored) -> list[IndexRow]:
    """The rows of a current version; of values that differ in their end alone the first is kept."""
    if row.deleted:
        return []
    found: dict[tuple[str, str, str], IndexRow] = {}
    for value in values_of(load(row.body)):
        key = (value.param, value.value, value.part)
        found.setdefault(key, (*key, value.ends, row.case_number))
    return list(found.values())
