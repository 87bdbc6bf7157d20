"""What a number means when several organisations gave it: the sender's own, else what is of the same patient.

A laboratory may send a practice's referral under the practice's number before the practice does, and so may another one.
What others sent is what the sender means only where it is about the same patient; else the sender's is new.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.deciding.snapshot import Snapshot
from service.fhir.build import CASE_PATIENT, SHARED, Draft
from service.fhir.json_text import load
from service.fhir.reading import reference_of
from service.rows import EVERYBODY, GivenNumber, Number

_ABOUT = ("subject", "patient", "for")


def meant(snapshot: Snapshot, drafts: Sequence[Draft]) -> dict[Number, tuple[str, int]]:
    """The id and revision behind each number of some drafts that is known to mean what they do."""
    numbers = {(d.type, *d.identity): d for d in drafts if d.identity}
    own, found = snapshot.organisation or "", dict[Number, GivenNumber]()
    rows = snapshot.given(numbers)
    for row in sorted(rows, key=lambda r: (r.scope.startswith(EVERYBODY), r.scope == own, r.scope)):
        found[row.number] = row
    if snapshot.organisation is not None:
        _leave_out_other_patients(snapshot, numbers, rows, found)
    return {number: (row.id, row.revision) for number, row in found.items()}


def _leave_out_other_patients(
    snapshot: Snapshot, numbers: dict[Number, Draft], rows: Sequence[GivenNumber], found: dict[Number, GivenNumber]
) -> None:
    """Of what others gave a number, keep what is about the patient of the draft."""
    own = snapshot.organisation
    others = [n for n, row in found.items() if n[0] not in SHARED and row.scope != own]
    if not others:
        return
    candidates = [row for row in rows if row.number in others]
    held = snapshot.current_of((row.number[0], row.id) for row in candidates)
    for number in others:
        patient = _patient_of(numbers[number], list(numbers.values()), found)
        same = [
            row
            for row in candidates
            if row.number == number
            and (one := held.get((number[0], row.id))) is not None
            and not one.deleted
            and (patient == CASE_PATIENT or patient in _about(load(one.body)))
        ]
        del found[number]
        if same:
            found[number] = min(same, key=lambda row: row.id)


def _about(resource: dict[str, object]) -> set[str | None]:
    return {reference for element in _ABOUT if (reference := reference_of(resource.get(element)))}


def _patient_of(draft: Draft, drafts: Sequence[Draft], found: dict[Number, GivenNumber]) -> str:
    """The patient a draft is about, as `Patient/id`, or that of the case it is sent to; empty for one who is new."""
    address = next(iter(sorted(r for r in _about(draft.resource) if r)), "")
    told = next((d for d in drafts if d.local == address and d.type == "Patient"), None)
    if told is None:
        return address
    if told.target_id or told.found:
        return f"Patient/{told.target_id or told.found}"
    known = found.get(("Patient", *told.identity)) if told.identity else None
    return f"Patient/{known.id}" if known else ""


def is_anothers(snapshot: Snapshot, holder: GivenNumber | None) -> bool:
    """Whether another organisation gave a number to what has it, so that the sender's own use of it is no conflict."""
    own = snapshot.organisation
    return own is not None and holder is not None and holder.number[0] not in SHARED and holder.scope != own
