"""Which case a message is about, and opening a new one for a referral."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.errors import Category, Problem, Refused, refuse
from service.fhir import build
from service.fhir.build import SHARED, Draft, Resource, references_in
from service.fhir.facts_shape import facts_shape
from service.fhir.json_text import load
from service.fhir.read_other import is_referral, is_referral_task
from service.fhir.reading import reference_of
from service.fhir.referral_task import ENDED
from service.inbound.plain import Mapped
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
    """(type, id) of the resources a draft refers to that could belong to its case; what it replaces is another's."""
    inside = {d.local for d in drafts}
    keys: set[tuple[str, str]] = set()
    for path, reference in references_in(draft.resource, ""):
        if path.startswith(".replaces["):
            continue
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
        facts_shape=facts_shape(),
    )


def follow_referral(items: Sequence[Identified], case: Case) -> bool:
    """Let the case row name the offices that its referral now names; whether the dental office is another one."""
    referral = next((i for i in items if i.reference == case.referral and i.written), None)
    if referral is None:
        return False
    performers = [reference_of(p) for p in referral.resource.get("performer") or []]
    before, case.dental_office = case.dental_office, next((p for p in performers if p), None)
    case.physician = reference_of(referral.resource.get("requester"))
    return case.dental_office != before


def addresses(connection: Connection, case: Case | None, appliance: str, mapped: Mapped) -> dict[str, str]:
    """What the addresses stand for by which a plain message speaks of its case."""
    known = {build.CASE_REPLACED: _replaced(connection, mapped)}
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


def _replaced(connection: Connection, mapped: Mapped) -> str:
    """The earlier referral a plain message names, by case number or by its own number."""
    if mapped.replaces is None:
        return ""
    number, identity = mapped.replaces
    case = cases.get(connection, number)
    if case is not None:
        return case.referral
    key = ("ServiceRequest", *identity)
    found = resources.find_identities(connection, [key]).get(key)
    if found is None:
        sentence = f"«{number}» is neither a case nor the number of an earlier referral of this practice."
        raise refuse(Category.BUSINESS_RULE, sentence, "replaces")
    return f"ServiceRequest/{found[0]}"


def note_replaced(connection: Connection, items: Sequence[Identified], case: Case) -> str | None:
    """Put into the case row which earlier case its referral replaces; how that one ended, None when nothing was written.

    Refused unless that one is ended and the patient's.
    """
    item = next((i for i in items if i.reference == case.referral and i.written), None)
    if item is None:
        return None
    case.replaces, because = None, ""
    for index, held in enumerate(item.resource.get("replaces") or []):
        path = f"{item.draft.path}.replaces[{index}]" if item.draft.path else "replaces"
        kind, _, name = (reference_of(held) or "").partition("/")
        number = resources.cases_of(connection, [(kind, name)]).get((kind, name))
        old = cases.get(connection, number) if number else None
        if old is None or old.referral != f"{kind}/{name}" or old.case_number == case.case_number:
            raise refuse(Category.BUSINESS_RULE, "A referral replaces an earlier referral that is here.", path)
        if old.patient != case.patient:
            sentence = (
                f"The referral of case {old.case_number} is another patient's; it cannot be replaced by this one."
            )
            raise refuse(Category.BUSINESS_RULE, sentence, path)
        task = resources.current(connection, *old.task.split("/"))
        if task is None or load(task.body)["status"] not in ENDED:
            sentence = f"The referral of case {old.case_number} is still open; it is replaced once it has ended."
            raise refuse(Category.BUSINESS_RULE, sentence, path)
        case.replaces, because = old.case_number, _how_it_ended(load(task.body))
    return because


def _how_it_ended(task: Resource) -> str:
    """How an earlier referral ended, and why, as its Task tells."""
    why = str(task.get("statusReason", {}).get("text") or "no reason is told")
    return f"The earlier referral ended as {task['status'].replace('-', ' ')}: {why}."


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
