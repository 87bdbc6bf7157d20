"""Which case a message is about, and opening a new one for a referral."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import SHARED, Draft, references_in
from service.fhir.read_other import is_referral, is_referral_task
from service.fhir.reading import reference_of
from service.pipeline.deleting import deleted_among
from service.pipeline.identify import Identified, Known, look_up
from service.store import cases, resources
from service.store.cases import Case
from service.store.ids import new_case_number


def case_and_known(
    connection: Connection, drafts: Sequence[Draft], case_number: str | None
) -> tuple[Case | None, Known]:
    """The case a message names or is about, locked, and what is known of its drafts.

    Drafts of a case are looked up under its lock, because another writer may have corrected them meanwhile.
    Those of a new referral are not looked up again: one opened meanwhile must collide and be tried anew.
    """
    if case_number is not None:
        case = cases.lock(connection, case_number)
        if case is None:
            raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
        return case, look_up(connection, drafts)
    known = look_up(connection, drafts)
    case = case_of_message(connection, drafts, known)
    return case, look_up(connection, drafts) if case else known


def case_of_message(connection: Connection, drafts: Sequence[Draft], known: Known) -> Case | None:
    """The case the drafts belong to, locked; None for a new referral or for shared resources alone."""
    there = resources.cases_of(connection, [(d.type, d.target_id or "") for d in drafts if d.deletes])
    drafts = [d for d in drafts if not d.deletes or (d.type, d.target_id) in there]
    if all(d.type in SHARED for d in drafts):
        return None
    referrals = [d for d in drafts if is_referral(d.resource)]
    if len(referrals) > 1:
        raise refuse(Category.BUSINESS_RULE, "One message is about one referral.", referrals[1].path)
    keys: set[tuple[str, str]] = set()
    for draft in drafts:
        if draft.type not in SHARED and draft.local in known.ids:
            keys.add((draft.type, known.ids[draft.local]))
        keys.update(_local_keys(draft, drafts))
    numbers = {n for n in resources.cases_of(connection, keys).values() if n}
    if len(numbers) > 1:
        raise refuse(Category.BUSINESS_RULE, "One message is about one case; this one refers to several.")
    if numbers:
        return _locked(connection, numbers.pop())
    if referrals:
        return None
    return _case_of_patient(connection, drafts, known)


def _local_keys(draft: Draft, drafts: Sequence[Draft]) -> set[tuple[str, str]]:
    """(type, id) of the resources a draft refers to that could belong to a case."""
    inside = {d.local for d in drafts}
    keys: set[tuple[str, str]] = set()
    for _, reference in references_in(draft.resource, ""):
        parts = reference.split("/_history/")[0].split("/")
        if reference not in inside and len(parts) == 2 and parts[0] not in SHARED:
            keys.add((parts[0], parts[1]))
    return keys


def _case_of_patient(connection: Connection, drafts: Sequence[Draft], known: Known) -> Case:
    """The only case of the patient the drafts are about."""
    patients: set[str] = set()
    for draft in drafts:
        for element in ("subject", "patient", "for"):
            reference = reference_of(draft.resource.get(element))
            if reference:
                patients.add(f"Patient/{known.ids[reference]}" if reference in known.ids else reference)
    if len(patients) > 1:
        raise refuse(Category.BUSINESS_RULE, "One message is about one patient; this one refers to several.")
    numbers = cases.of_patient(connection, patients) if patients else []
    if len(numbers) == 1:
        return _locked(connection, numbers[0])
    path = drafts[0].path
    if not numbers:
        raise refuse(Category.NOT_FOUND, "No case of this patient is here; a referral opens one.", path)
    sentence = "The patient has several cases; name one with basedOn and the referral's ServiceRequest."
    raise refuse(Category.BUSINESS_RULE, sentence, path)


def _locked(connection: Connection, number: str) -> Case:
    case = cases.lock(connection, number)
    assert case is not None, "a resource belongs to a case that is not there"
    return case


def open_case(items: Sequence[Identified], now: str) -> Case:
    """A new case row for the referral among the items; its Task is added by the caller."""
    referral = next(i for i in items if is_referral(i.resource))
    task = next((i for i in items if is_referral_task(i.resource)), None)
    subject = reference_of(referral.resource.get("subject"))
    if not subject or not subject.startswith("Patient/"):
        raise refuse(Category.INVALID, "A referral is about a Patient.", f"{referral.draft.path}.subject")
    performers = [reference_of(p) for p in referral.resource.get("performer") or []]
    case_number = new_case_number()
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
        derived="{}",
    )


def check_belonging(items: Sequence[Identified], case: Case, opened: bool) -> None:
    """Every resource is about the case's own patient, and a referral has one Task, which begins as requested."""
    problems: list[Problem] = []
    for item in items:
        if not item.written or item.draft.type in SHARED:
            continue
        path = item.draft.path or item.draft.type
        for element in ("subject", "patient", "for"):
            patient = reference_of(item.resource.get(element))
            if patient and patient.startswith("Patient/") and patient != case.patient:
                sentence = f"«{patient}» is not the patient of case {case.case_number}, who is {case.patient}."
                problems.append(Problem(Category.BUSINESS_RULE, sentence, f"{path}.{element}"))
        if item.what == "created" and is_referral_task(item.resource):
            if not opened:
                sentence = f"The referral has its Task already, {case.task}; update that one."
                problems.append(Problem(Category.BUSINESS_RULE, sentence, path))
            elif item.resource.get("status") != "requested":
                sentence = "The Task of a new referral is «requested»; the dental office moves it from there."
                problems.append(Problem(Category.BUSINESS_RULE, sentence, f"{path}.status"))
    if problems:
        raise Refused(problems)


def check_references(connection: Connection, items: Sequence[Identified], own: set[str]) -> None:
    """Every literal reference leads to something in the message or in the store. Refused otherwise."""
    wanted: dict[tuple[str, str], list[str]] = {}
    problems: list[Problem] = []
    for item in items:
        if not item.written:
            continue
        for path, reference in references_in(item.resource, item.draft.path or item.draft.type):
            plain = reference.split("/_history/")[0]
            if plain in own or reference.startswith("#"):
                continue
            parts = plain.split("/")
            if len(parts) != 2:
                problems.append(Problem(Category.INVALID, f"«{reference}» leads to nothing in this message.", path))
            else:
                wanted.setdefault((parts[0], parts[1]), []).append(path)
    there = resources.cases_of(connection, wanted)
    gone = deleted_among(connection, items, list(wanted))
    for key, paths in wanted.items():
        if key in gone:
            problems.append(Problem(Category.INVALID, f"{'/'.join(key)} is deleted.", paths[0]))
        elif key not in there:
            problems.append(Problem(Category.INVALID, f"{'/'.join(key)} is not here.", paths[0]))
    if problems:
        raise Refused(problems)
