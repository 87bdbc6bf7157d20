"""Audit entries as the verification reads them: what each says was written, and by which hashes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.fhir.audit_commitment import Commitment, commitment_of
from service.fhir.audit_event import SIGN_IN_CODES
from service.fhir.json_text import load
from service.pipeline.verify.report import Report
from service.rows import Stored, nobodys
from service.store.audit_chain import AUDIT_EVENT

_RETENTION = "retention over, "
_WRITE_NOTHING = ("read ", "refused ", "subscription", "emergency access ")
_WITHOUT_MESSAGE = ("decided anew ", "a check-in link was made", "the check-in link was ended", _RETENTION)
VERSION = "/_history/"


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One AuditEvent: `named` are the versions that it says were written; `commits` is None where it tells no hashes.

    `touched` is everything that it names, `patients` whom it is about.
    """

    row: Stored
    description: str
    request: str
    touched: tuple[str, ...]
    patients: tuple[str, ...]
    named: tuple[str, ...]
    is_write: bool
    commits: Commitment | None

    @property
    def name(self) -> str:
        """As a finding names it."""
        return f"{AUDIT_EVENT}/{self.row.id}"

    @property
    def has_message(self) -> bool:
        """Whether a message was kept with it."""
        if self.commits is not None:
            return bool(self.commits.message)
        return self.is_write and not self.description.startswith(_WITHOUT_MESSAGE)

    @property
    def case_number(self) -> str:
        """The case that it says it is of; of an earlier release the one it is stored under. Empty for none."""
        if self.commits is not None:
            return self.commits.case_number
        return "" if self.row.case_number.startswith("-") else self.row.case_number

    @property
    def removed_unnamed(self) -> bool:
        """Whether it tells a removal by an earlier release, which did not name what it removed."""
        return self.commits is None and self.description.startswith(_RETENTION)


def entry_of(row: Stored) -> AuditEntry:
    """An AuditEvent read. LookupError, TypeError or ValueError when it is none."""
    body = load(row.body)
    description, code = body.get("outcomeDesc", ""), body["subtype"][0]["code"]
    entities = body.get("entity", [])
    touched = tuple(e["what"]["reference"] for e in entities if "reference" in e.get("what", {}))
    patients = {r for e in entities if (r := e.get("what", {}).get("reference", "")).startswith("Patient/")}
    request = next((e["what"]["identifier"]["value"] for e in entities if "identifier" in e.get("what", {})), "")
    commits = commitment_of(body)
    is_write = commits is not None or not (description.startswith(_WRITE_NOTHING) or code in SIGN_IN_CODES)
    named = [r for r in touched if VERSION in r and not r.startswith("Subscription/")] if is_write else []
    if commits is not None:
        named = list(commits.versions)
    about = tuple(sorted({patient.split(VERSION)[0] for patient in patients}))
    return AuditEntry(row, description, request, touched, about, tuple(named), is_write, commits)


def entries_of(rows: Sequence[Stored], report: Report) -> Iterator[AuditEntry]:
    """The entries among AuditEvents; one that cannot be read is a finding."""
    for row in rows:
        with report.reading(place_of_version(row)):
            entry = entry_of(row)
            _check_case(entry, report)
            yield entry


def _check_case(entry: AuditEntry, report: Report) -> None:
    """An entry is stored under its case, or under a number of its own that is no case's."""
    wanted = {entry.case_number or nobodys(entry.row.id)}
    if entry.commits is None:
        wanted = {nobodys(entry.row.id), *([entry.row.case_number] if entry.is_write else [])}
    if entry.row.case_number not in wanted:
        report.found(place_of_version(entry.row), "is stored under another case_number than it tells")


def place_of_version(row: Stored) -> str:
    """Table and key of a version."""
    return f"resource_version {reference_of(row)}"


def reference_of(row: Stored) -> str:
    """The reference to exactly this version."""
    return f"{row.type}/{row.id}{VERSION}{row.version}"


def key_of(reference: str) -> tuple[str, str, int]:
    """Type, id and version of a reference to a version. ValueError when it is none."""
    address, _, version = reference.partition(VERSION)
    kind, _, name = address.partition("/")
    return kind, name, int(version)
