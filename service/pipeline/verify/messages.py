"""Messages held against the entries of the transactions that kept them."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.fhir.audit_commitment import MESSAGE
from service.pipeline.verify.entries import AuditEntry
from service.pipeline.verify.removals import Removals
from service.pipeline.verify.report import Report
from service.store import verify_reads
from service.store.verify_reads import KeptMessage


def check_messages_of_case(
    tx: Connection, case_number: str, entries: Sequence[AuditEntry], removals: Removals, report: Report
) -> None:
    """The messages of a case are those of its entries, as these tell them."""
    by_id = {entry.request: entry for entry in entries if entry.has_message}
    for message in verify_reads.messages_of_case(tx, case_number):
        report.counts.messages += 1
        entry = by_id.pop(message.id, None)
        if entry is None:
            report.found(f"message {message.id}", "is in no entry of the audit of its case, so it was put in")
        else:
            check_message(entry, message, report)
    check_missing(tx, by_id, removals, report)


def check_missing(tx: Connection, by_id: dict[str, AuditEntry], removals: Removals, report: Report) -> None:
    """Messages that entries tell and that are not where they belong: moved, removed by retention, or gone."""
    moved = {message.id: message for message in verify_reads.messages_by_id(tx, list(by_id))}
    for name, entry in by_id.items():
        if name in moved:
            check_message(entry, moved[name], report)
        elif not removals.has(tx, entry, f"{MESSAGE}/{name}"):
            report.found(f"message {name}", f"is not there; {entry.name} tells that it was kept")


def check_message(entry: AuditEntry, message: KeptMessage, report: Report) -> None:
    """A message is what its entry tells."""
    place = f"message {message.id}"
    if message.digest != message.sha256:
        report.found(place, "its body is not that of its sha256")
    if entry.commits is None:
        report.counts.uncommitted += 1
    elif message.digest != entry.commits.message:
        report.found(place, f"its body is not the one that {entry.name} recorded")
    told = {
        "received_at": (message.received_at, entry.row.last_updated),
        "channel": (message.channel, entry.description),
        "case_number": (message.case_number, entry.case_number),
    }
    for column, (kept, recorded) in told.items():
        if kept != recorded:
            report.found(place, f"its {column} is not the one that {entry.name} recorded")
