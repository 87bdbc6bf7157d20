"""What was removed at the end of its retention: the audit keeps its type, id, version and hash."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.pipeline.verify.entries import AuditEntry, entry_of
from service.pipeline.verify.report import Report
from service.store import record
from service.store.audit_chain import AUDIT_EVENT


class Removals:
    """The removals that the entries of one case tell, and those that tell of the patients whom an entry names."""

    def __init__(self, entries: Sequence[AuditEntry], report: Report) -> None:
        self._report = report
        self._hashes = _hashes_in(entries)
        self._unnamed = any(entry.removed_unnamed for entry in entries)
        self._of_patients: dict[tuple[str, ...], tuple[dict[str, str], bool]] = {}

    @property
    def are_told(self) -> bool:
        """Whether the case was removed."""
        return bool(self._hashes) or self._unnamed

    def has(self, tx: Connection, entry: AuditEntry, key: str) -> bool:
        """Whether what an entry wrote, by `Type/id/_history/version` or `Message/id`, was removed as it was written."""
        recorded = _recorded(entry, key)
        found = self._fits(self._hashes, self._unnamed, recorded, key)
        if not found:
            found = self._fits(*self._about(tx, entry.patients), recorded, key)
        self._report.counts.removed += found
        return found

    def _fits(self, hashes: dict[str, str], unnamed: bool, recorded: str, key: str) -> bool:
        if key not in hashes:
            return unnamed
        if recorded and hashes[key] != recorded:
            self._report.found(f"removed {key}", "was not what the audit recorded when it was removed")
        return True

    def _about(self, tx: Connection, patients: tuple[str, ...]) -> tuple[dict[str, str], bool]:
        """The removals told by the entries about some patients."""
        if patients not in self._of_patients:
            ids = {event for patient in patients for event in record.entries_about(tx, patient.partition("/")[2])}
            rows = record.versions_of(tx, [(AUDIT_EVENT, event) for event in sorted(ids)])
            told: list[AuditEntry] = []
            for row in rows:
                with self._report.reading(f"resource_version {AUDIT_EVENT}/{row.id}"):
                    entry = entry_of(row)
                    told += [entry] if entry.removed_unnamed or (entry.commits and entry.commits.removed) else []
            gone = any(entry.removed_unnamed and set(patients) & set(entry.touched) for entry in told)
            self._of_patients = {patients: (_hashes_in(told), gone)}
        return self._of_patients[patients]


def _hashes_in(entries: Sequence[AuditEntry]) -> dict[str, str]:
    return {key: digest for e in entries if e.commits for key, digest in e.commits.removed.items()}


def _recorded(entry: AuditEntry, key: str) -> str:
    """The hash of what an entry wrote; empty when it tells none."""
    if entry.commits is None:
        return ""
    return entry.commits.versions.get(key) or entry.commits.message
