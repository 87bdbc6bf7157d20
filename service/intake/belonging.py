"""What a message must agree with: its case's patient, the resources it refers to, the referral it replaces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.deciding.snapshot import Snapshot
from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import SHARED, Resource, references_in
from service.fhir.json_text import load
from service.fhir.read_other import is_referral_task
from service.fhir.reading import reference_of
from service.fhir.referral_task import ENDED
from service.intake.deleting import deleted_among
from service.intake.identified import Identified
from service.rows import Case, Key


def following_replaced(snapshot: Snapshot, items: Sequence[Identified], case: Case, because: str) -> tuple[Case, str]:
    """The case row with the earlier case that its referral replaces, and how that one ended; as they are when no referral
    is written.

    Refused unless that one is ended and the patient's.
    """
    item = next((i for i in items if i.reference == case.referral and i.written), None)
    if item is None:
        return case, because
    replaces, because = None, ""
    for index, named in enumerate(item.resource.get("replaces") or []):
        path = f"{item.draft.path}.replaces[{index}]" if item.draft.path else "replaces"
        kind, _, name = (reference_of(named) or "").partition("/")
        number = snapshot.cases_of([(kind, name)]).get((kind, name))
        old = snapshot.case(number) if number else None
        if old is None or old.referral != f"{kind}/{name}" or old.case_number == case.case_number:
            raise refuse(Category.BUSINESS_RULE, "A referral replaces an earlier referral that is here.", path)
        if old.patient != case.patient:
            sentence = (
                f"The referral of case {old.case_number} is another patient's; it cannot be replaced by this one."
            )
            raise refuse(Category.BUSINESS_RULE, sentence, path)
        task = snapshot.current(old.task)
        if task is None or load(task.body)["status"] not in ENDED:
            sentence = f"The referral of case {old.case_number} is still open; it is replaced once it has ended."
            raise refuse(Category.BUSINESS_RULE, sentence, path)
        replaces, because = old.case_number, _how_it_ended(load(task.body))
    return replace(case, replaces=replaces), because


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


def check_references(snapshot: Snapshot, items: Sequence[Identified], own: set[str]) -> None:
    """Every literal reference leads to something in the message or in the store. Refused otherwise."""
    wanted: dict[Key, list[str]] = {}
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
    there = snapshot.cases_of(wanted)
    gone = deleted_among(snapshot, items, list(wanted))
    for key, paths in wanted.items():
        if key in gone:
            problems.append(Problem(Category.INVALID, f"{'/'.join(key)} is deleted.", paths[0]))
        elif key not in there:
            problems.append(Problem(Category.INVALID, f"{'/'.join(key)} is not here.", paths[0]))
    if problems:
        raise Refused(problems)
