"""What the entry of a transaction commits to: the hashes of the versions, the message and the case row it wrote."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.fhir.audit_commitment import Commitment, sha256_of
from service.fhir.build import SHARED
from service.fhir.json_text import write_canonical
from service.rows import Case, Stored

_OF_A_CASE_ROW = (
    *("case_number", "patient", "referral", "task", "physician", "dental_office", "opened_at", "changed_at"),
    *("derived", "replaces", "recorded_on", "facts_shape"),
)
"""The columns that change only where an entry is written; the others tell the decision of a day, and can be recomputed."""


@dataclass(frozen=True, slots=True)
class Admitted:
    """Who may see more since a transaction: `part Organization/id` of its case, and `Type/id Organization/id` each."""

    parties: tuple[str, ...] = ()
    sees: tuple[str, ...] = ()
    wrote: tuple[str, ...] = ()

    def __add__(self, other: Admitted) -> Admitted:
        return Admitted(self.parties + other.parties, self.sees + other.sees, self.wrote + other.wrote)


def commitment(
    rows: Sequence[Stored], case: Case | None, admitted: Admitted | None = None, message: str = ""
) -> Commitment:
    """The commitment to rows and to a case row as it now is; `message` is the hash of the message as received."""
    number, admitted = case.case_number if case else "", admitted or Admitted()
    named = {f"{row.type}/{row.id}/_history/{row.version}": row for row in rows}
    return Commitment(
        case_number=number,
        message=message,
        case_row=hash_of_case_row(case) if case else "",
        versions={reference: sha256_of(row.body) for reference, row in named.items()},
        elsewhere={r: row.case_number for r, row in named.items() if row.case_number != case_of(row.type, number)},
        parties=admitted.parties,
        sees=admitted.sees,
        wrote=admitted.wrote,
    )


def case_of(kind: str, case_number: str) -> str:
    """The case that a version of a type belongs to when an entry of a case wrote it."""
    return "" if kind in SHARED else case_number


def hash_of_case_row(case: Case) -> str:
    """The hash of what of a case row changes only where an entry is written."""
    return sha256_of(write_canonical([getattr(case, name) for name in _OF_A_CASE_ROW]))


def touched_by(rows: Sequence[Stored], items: Sequence[str] = ()) -> list[str]:
    """What a message wrote, by exact versions, what it names first; what it names when it changed nothing."""
    written = [f"{r.type}/{r.id}/_history/{r.version}" for r in rows]
    asked = {reference: place for place, reference in enumerate(items)}
    written.sort(key=lambda reference: asked.get(reference.split("/_history/")[0], len(asked)))
    return written or list(items[:1])
