"""Which case a message is about, and opening a new one for a referral."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.deciding.snapshot import Snapshot
from service.errors import Category, refuse
from service.fhir import build
from service.fhir.build import SHARED, Draft, references_in
from service.fhir.facts_shape import facts_shape
from service.fhir.read_other import is_referral, is_referral_task
from service.fhir.reading import reference_of
from service.inbound.plain import Mapped
from service.intake.identified import Identified, Known
from service.intake.identify import look_up
from service.rows import Case, Key


def case_and_known(snapshot: Snapshot, drafts: Sequence[Draft], case_number: str | None) -> tuple[Case | None, Known]:
    """The case a message names or is about, locked, and what is known of its drafts; None for a new referral and for
    shared resources alone.
    """
    if case_number is not None:
        case = snapshot.locked_case(case_number)
        if case is None:
            raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
        return case, look_up(snapshot, drafts)
    known = look_up(snapshot, drafts)
    return case_of_message(snapshot, drafts, known), known


def case_of_message(snapshot: Snapshot, drafts: Sequence[Draft], known: Known) -> Case | None:
    """The case the drafts belong to, locked; None for a new referral or for shared resources alone."""
    there = snapshot.cases_of((d.type, d.target_id or "") for d in drafts if d.deletes)
    drafts = [d for d in drafts if not d.deletes or (d.type, d.target_id) in there]
    if all(d.type in SHARED for d in drafts):
        return None
    referrals = [d for d in drafts if is_referral(d.resource)]
    if len(referrals) > 1:
        raise refuse(Category.BUSINESS_RULE, "One message is about one referral.", referrals[1].path)
    keys: set[Key] = set()
    for draft in drafts:
        if draft.type not in SHARED and draft.local in known.ids:
            keys.add((draft.type, known.ids[draft.local]))
        keys.update(_local_keys(draft, drafts))
    numbers = {n for n in snapshot.cases_of(sorted(keys)).values() if n}
    if len(numbers) > 1:
        raise refuse(Category.BUSINESS_RULE, "One message is about one case; this one refers to several.")
    if numbers:
        return _locked(snapshot, numbers.pop())
    if referrals:
        return None
    return _case_of_patient(snapshot, drafts, known)


def _local_keys(draft: Draft, drafts: Sequence[Draft]) -> set[Key]:
    """(type, id) of the resources a draft refers to that could belong to its case; what it replaces is another's."""
    inside = {d.local for d in drafts}
    keys: set[Key] = set()
    for path, reference in references_in(draft.resource, ""):
        if path.startswith(".replaces["):
            continue
        parts = reference.split("/_history/")[0].split("/")
        if reference not in inside and len(parts) == 2 and parts[0] not in SHARED:
            keys.add((parts[0], parts[1]))
    return keys


def _case_of_patient(snapshot: Snapshot, drafts: Sequence[Draft], known: Known) -> Case:
    """The only case of the patient the drafts are about."""
    patients: set[str] = set()
    for draft in drafts:
        for element in ("subject", "patient", "for"):
            reference = reference_of(draft.resource.get(element))
            if reference:
                patients.add(f"Patient/{known.ids[reference]}" if reference in known.ids else reference)
    if len(patients) > 1:
        raise refuse(Category.BUSINESS_RULE, "One message is about one patient; this one refers to several.")
    numbers = snapshot.cases_of_patients(sorted(patients))
    if len(numbers) == 1:
        return _locked(snapshot, numbers[0])
    path = drafts[0].path
    if not numbers:
        raise refuse(Category.NOT_FOUND, "No case of this patient is here; a referral opens one.", path)
    sentence = "The patient has several cases; name one with basedOn and the referral's ServiceRequest."
    raise refuse(Category.BUSINESS_RULE, sentence, path)


def _locked(snapshot: Snapshot, number: str) -> Case:
    case = snapshot.locked_case(number)
    assert case is not None, "a resource belongs to a case that is not there"
    return case


def open_case(items: Sequence[Identified], case_number: str, now: str) -> Case:
    """A new case row for the referral among the items; its Task is added by the caller, its stage by the decision."""
    referral = next(i for i in items if is_referral(i.resource))
    task = next((i for i in items if is_referral_task(i.resource)), None)
    subject = reference_of(referral.resource.get("subject"))
    if not subject or not subject.startswith("Patient/"):
        raise refuse(Category.INVALID, "A referral is about a Patient.", f"{referral.draft.path}.subject")
    performers = [reference_of(p) for p in referral.resource.get("performer") or []]
    return Case(
        case_number=case_number,
        patient=subject,
        referral=referral.reference,
        task=task.reference if task else f"Task/{case_number}-referral",
        physician=reference_of(referral.resource.get("requester")),
        dental_office=next((p for p in performers if p), None),
        opened_at=now,
        changed_at=now,
        decided_on="",
        stage="",
        whose_move="",
        waiting_since="",
        outcome="",
        urgent=False,
        summary="{}",
        derived="",
        facts_shape=facts_shape(),
    )


def following_referral(items: Sequence[Identified], case: Case) -> Case:
    """The case row with the offices that its referral names, when the message writes it."""
    referral = next((i for i in items if i.reference == case.referral and i.written), None)
    if referral is None:
        return case
    performers = [reference_of(p) for p in referral.resource.get("performer") or []]
    return replace(
        case,
        dental_office=next((p for p in performers if p), None),
        physician=reference_of(referral.resource.get("requester")),
    )


def addresses(snapshot: Snapshot, case: Case | None, appliance: str, mapped: Mapped) -> dict[str, str]:
    """What the addresses stand for by which a plain message speaks of its case."""
    known = {build.CASE_REPLACED: _replaced(snapshot, mapped)}
    if case is not None:
        known |= {
            build.CASE_PATIENT: case.patient,
            build.CASE_REFERRAL: case.referral,
            build.CASE_DENTAL_OFFICE: case.dental_office or "",
            build.CASE_PHYSICIAN: case.physician or "",
            build.CASE_APPLIANCE: appliance,
        }
    for draft in mapped.drafts:
        for _, reference in references_in(draft.resource, ""):
            if case is not None and reference == build.CASE_APPLIANCE and not appliance:
                raise refuse(Category.BUSINESS_RULE, "No appliance is on record that could have been worn.", draft.path)
    return {address: reference for address, reference in known.items() if reference}


def _replaced(snapshot: Snapshot, mapped: Mapped) -> str:
    """The earlier referral a plain message names, by case number or by its own number."""
    if mapped.replaces is None:
        return ""
    number, identity = mapped.replaces
    case = snapshot.case(number)
    if case is not None:
        return case.referral
    key = ("ServiceRequest", *identity)
    found = snapshot.identities([key]).get(key)
    if found is None:
        sentence = f"«{number}» is neither a case nor the number of an earlier referral of this practice."
        raise refuse(Category.BUSINESS_RULE, sentence, "replaces")
    return f"ServiceRequest/{found[0]}"
