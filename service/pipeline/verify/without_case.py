"""What is of no case: shared resources, the rules as a Device, messages and entries of no case; and all that is left over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from sqlalchemy import Connection

from service.fhir.audit_commitment import MESSAGE
from service.fhir.engine import ENGINE_ID
from service.pipeline.verify.entries import VERSION, AuditEntry, entries_of, key_of, place_of_version, reference_of
from service.pipeline.verify.messages import check_message, check_missing
from service.pipeline.verify.removals import Removals
from service.pipeline.verify.report import Report
from service.pipeline.verify.search import Index
from service.pipeline.verify.versions import Loose, check_named, check_text
from service.rows import Stored
from service.store import verify_reads
from service.store.audit_chain import AUDIT_EVENT

_RULES = f"Device/{ENGINE_ID}{VERSION}"


def check_entries_without_case(tx: Connection, number: str, index: Index, report: Report, loose: Loose) -> None:
    """The entries stored under one of the numbers that are no case's, and what they tell."""
    for rows in verify_reads.entries(tx, number):
        report.counts.entries += len(rows)
        index.check([row for row in rows if row.version == 1])
        for row in rows:
            check_text(row, report)
        entries = list(entries_of(rows, report))
        removals = Removals(entries, report)
        for entry in entries:
            loose.rules |= {key_of(r)[2] for r in entry.named if r.startswith(_RULES)}
        check_named(tx, entries, (), removals, report, loose)
        _check_messages(tx, entries, removals, report, loose)
        report.goes_on()
    for row in verify_reads.others_than_entries(tx, number):
        report.found(place_of_version(row), "is stored under a case_number that no case has")


def _check_messages(
    tx: Connection, entries: list[AuditEntry], removals: Removals, report: Report, loose: Loose
) -> None:
    by_id = {entry.request: entry for entry in entries if entry.has_message}
    for message in verify_reads.messages_by_id(tx, list(by_id)):
        check_message(by_id.pop(message.id), message, report)
        if not message.case_number:
            loose.keys.add(f"{MESSAGE}/{message.id}")
    check_missing(tx, by_id, removals, report)


def check_versions_without_case(tx: Connection, index: Index, report: Report, loose: Loose) -> None:
    """The versions and messages of no case, each of which an entry of some case or none must tell."""
    for page in verify_reads.versions_without_case(tx):
        index.check([row for row, is_current in page if is_current])
        for row, _ in page:
            _check_version(row, report, loose)
        report.goes_on()
    for message in verify_reads.messages_of_case(tx, ""):
        report.counts.messages += 1
        loose.keys.take(f"{MESSAGE}/{message.id}")


def _check_version(row: Stored, report: Report, loose: Loose) -> None:
    if row.type == AUDIT_EVENT:
        report.found(place_of_version(row), "is stored without the case_number that an entry has")
        return
    report.counts.versions += 1
    check_text(row, report)
    reference = reference_of(row)
    # a release that told no hashes wrote no entry of the rules it put on record
    if reference.startswith(_RULES) and row.version < min(loose.rules, default=row.version + 1):
        report.counts.uncommitted += 1
    else:
        loose.keys.take(reference)


def name_left_over(tx: Connection, report: Report, loose: Loose) -> None:
    """Name what is stored and told by no entry, or by more than one; reads all keys again, as there is some of it."""
    if loose.keys.is_even:
        return
    told = Counter(key for key in _told(tx) if loose.keys.is_doubtful(key))
    for key in _stored(tx):
        if not loose.keys.is_doubtful(key) or _is_of_earlier_rules(key, loose):
            continue
        name = f"message {key.partition('/')[2]}" if key.startswith(f"{MESSAGE}/") else f"resource_version {key}"
        if told[key] == 0:
            report.found(name, "is in no entry of the audit, so it was put in")
        elif told[key] > 1:
            report.found(name, f"is written by {told[key]} entries of the audit")


def _is_of_earlier_rules(key: str, loose: Loose) -> bool:
    return key.startswith(_RULES) and key_of(key)[2] < min(loose.rules, default=key_of(key)[2] + 1)


def _told(tx: Connection) -> Iterator[str]:
    silent = Report(lambda line: None)
    for page in verify_reads.entries(tx):
        for entry in entries_of(page, silent):
            yield from entry.named
            if entry.has_message:
                yield f"{MESSAGE}/{entry.request}"


def _stored(tx: Connection) -> Iterator[str]:
    for page in verify_reads.version_keys(tx):
        yield from (f"{kind}/{name}{VERSION}{version}" for kind, name, version in page)
    yield from (f"{MESSAGE}/{message.id}" for message in verify_reads.messages_of_case(tx, ""))
