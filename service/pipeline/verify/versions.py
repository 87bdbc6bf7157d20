"""Versions held against the entries that wrote them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection

from service.deciding.commitments import case_of
from service.fhir.audit_commitment import sha256_of
from service.fhir.json_text import load
from service.pipeline.verify.entries import VERSION, AuditEntry, key_of, place_of_version, reference_of
from service.pipeline.verify.removals import Removals
from service.pipeline.verify.report import Report
from service.pipeline.verify.tally import Marks, Tally
from service.rows import Stored
from service.store import verify_reads


@dataclass(slots=True)
class Loose:
    """What the entries of one case and its rows do not settle among themselves, to be settled over all cases.

    `keys` are of versions and messages, added where an entry names one and taken away where one is stored; `earlier` are
    resources whose first version is of a release that told no hashes, `rules` the versions of the rules' Device that
    entries name.
    """

    keys: Tally = field(default_factory=Tally)
    earlier: Marks = field(default_factory=Marks)
    rules: set[int] = field(default_factory=set)


def check_text(row: Stored, report: Report) -> None:
    """A version's columns say what its text says."""
    if row.deleted or not row.body:
        if not (row.deleted and row.version > 1 and not row.body):
            report.found(place_of_version(row), "is deleted and has a text, or is not and has none")
        return
    with report.reading(place_of_version(row)):
        body = load(row.body)
        told = (body["resourceType"], body["id"], body["meta"]["versionId"], body["meta"]["lastUpdated"])
        if told != (row.type, row.id, str(row.version), row.last_updated):
            report.found(place_of_version(row), "its text tells another type, id, version or last_updated")


def check_named(
    tx: Connection,
    entries: Sequence[AuditEntry],
    rows: Sequence[Stored],
    removals: Removals,
    report: Report,
    loose: Loose,
) -> None:
    """Each version that the entries name is there as they tell it, or its removal is on record.

    `rows` are the versions of the same case; those that no entry names, and those of no case, are settled by `loose`.
    """
    here = {reference_of(row): row for row in rows}
    named: Counter[str] = Counter(reference for entry in entries for reference in entry.named)
    elsewhere = _elsewhere(tx, [reference for reference in named if reference not in here], report)
    for entry in entries:
        for reference in entry.named:
            _note_earlier(entry, reference, report, loose)
            row = here.get(reference) or elsewhere.get(reference)
            if row is not None:
                _check_one(entry, reference, row, report)
                if reference not in here:
                    loose.keys.add(reference)
            elif not removals.has(tx, entry, reference):
                report.found(f"resource_version {reference}", f"is not there; {entry.name} tells that it was written")
    for reference in here:
        if named[reference] > 1:
            report.found(f"resource_version {reference}", f"is written by {named[reference]} entries of the audit")
        if not named[reference]:
            loose.keys.take(reference)


def _elsewhere(tx: Connection, references: Iterable[str], report: Report) -> dict[str, Stored]:
    keys = []
    for reference in references:
        with report.reading(f"resource_version {reference}"):
            keys.append(key_of(reference))
    return {reference_of(row): row for row in verify_reads.versions(tx, keys).values()}


def _note_earlier(entry: AuditEntry, reference: str, report: Report, loose: Loose) -> None:
    if entry.commits is not None:
        return
    report.counts.uncommitted += 1
    address, _, version = reference.partition(VERSION)
    if version == "1":
        loose.earlier.add(address)


def _check_one(entry: AuditEntry, reference: str, row: Stored, report: Report) -> None:
    place = f"resource_version {reference}"
    if entry.commits is None:
        if entry.case_number and row.case_number not in ("", entry.case_number):
            report.found(place, f"is stored under another case_number than {entry.name}, which wrote it")
        return
    if sha256_of(row.body) != entry.commits.versions[reference]:
        report.found(place, f"its text is not the one that {entry.name} recorded")
    if row.case_number != entry.commits.elsewhere.get(reference, case_of(row.type, entry.commits.case_number)):
        report.found(place, f"is stored under another case_number than {entry.name} recorded")
    if row.last_updated != entry.row.last_updated:
        report.found(place, f"its last_updated is not the one that {entry.name} recorded")
