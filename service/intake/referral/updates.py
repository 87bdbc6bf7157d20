"""What a FHIR client's update may change of a referral: its Task by the table of states, its request by its author."""

from __future__ import annotations

from collections.abc import Sequence

from service.errors import Category, Problem
from service.fhir.json_text import load
from service.fhir.read_other import is_referral, is_referral_task
from service.fhir.reading import reference_of
from service.fhir.referral_task import Guard, Role, cell, refusal
from service.intake.identified import Identified, changed_elements
from service.intake.referral.moves import Situation, check_move, own_business_status

_TASK_MAY_CHANGE = frozenset(
    {"status", "statusReason", "businessStatus", "output", "note", "executionPeriod", "lastModified"}
)
_RULE = Category.BUSINESS_RULE


def problems_of_updates(at: Situation, items: Sequence[Identified]) -> list[Problem]:
    """Everything wrong with the updates of a referral's Task and ServiceRequests in a message."""
    problems: list[Problem] = []
    for item in items:
        if item.reference == at.case.task and item.what == "updated":
            problems.extend(_task(at, item, items))
        if item.draft.type == "ServiceRequest" and item.written:
            problems.extend(_service_request(at, item, items))
    return problems


def _task(at: Situation, item: Identified, items: Sequence[Identified]) -> list[Problem]:
    assert item.before is not None
    path, task = item.draft.path or "Task", item.resource
    before = load(item.before.body)
    if not is_referral_task(task):
        return [Problem(_RULE, "The Task of a referral keeps its code, fulfill.", f"{path}.code")]
    start, end, role = before["status"], task["status"], at.sender.role
    changed = changed_elements(before, task)
    fixed = sorted(changed - _TASK_MAY_CHANGE)
    problems = [Problem(_RULE, f"An update of a referral's Task does not change «{e}».", f"{path}.{e}") for e in fixed]
    if start == end and role not in (Role.FULFILLER, Role.UNKNOWN):
        sentence = f"{refusal(start, end, role)} The dental office alone changes what stands in the Task."
        problems.append(Problem(_RULE, sentence, path))
    problems.extend(_business_status(before, task, role, path))
    if start == end:
        return problems
    guards = cell(start, end, role).guards
    if Guard.REVOKED in guards and any(i.reference == at.case.referral and _stands(i) for i in items):
        sentence = "A cancelled referral's ServiceRequest is «revoked» in the same transaction."
        problems.append(Problem(_RULE, sentence, path))
    if Guard.AGREED in guards:
        sentence = f"{refusal(start, end, role)} The service cancels once the dental office has agreed."
        problems.append(Problem(_RULE, sentence, f"{path}.status"))
    if Guard.OUTPUT in guards and not _has_output(at, task):
        sentence = "A referral is completed with at least one output that is of the same patient."
        problems.append(Problem(_RULE, sentence, f"{path}.output"))
    reason = "given" if "statusReason" in task else ""
    held_role = _role_that_may(start, end, role)
    return problems + check_move(at, before, (start, end), held_role, reason, f"{path}.status", f"{path}.statusReason")


def _role_that_may(start: str, end: str, role: Role) -> Role:
    """The role an unknown client acts in: that of the office which may make the move, if either may."""
    if role is not Role.UNKNOWN:
        return role
    return next((r for r in (Role.FULFILLER, Role.PLACER) if cell(start, end, r).guards), role)


def _business_status(before: dict, task: dict, role: Role, path: str) -> list[Problem]:
    """One the service sets cannot be set from outside; left out, it is put back."""
    wanted, was = own_business_status(task), own_business_status(before)
    if not wanted or wanted == was:
        return []
    who = "the physician's order of the test" if wanted == "retest-ordered" else "the service alone"
    sentence = f"The business status cannot be made «{wanted}» from «{was or 'none'}» by the {role}: {who} sets it."
    return [Problem(_RULE, sentence, f"{path}.businessStatus")]


def _stands(item: Identified) -> bool:
    """Whether a message leaves the ServiceRequest other than revoked."""
    return item.written and item.resource.get("status") != "revoked"


def _has_output(at: Situation, task: dict) -> bool:
    for output in task.get("output") or []:
        reference = reference_of(output.get("valueReference")) if isinstance(output, dict) else None
        kind, _, name = (reference or "").split("/_history/")[0].partition("/")
        number = at.snapshot.cases_of([(kind, name)]).get((kind, name), "")
        owner = at.case if number == at.case.case_number else at.snapshot.case(number) if number else None
        if owner is not None and owner.patient == at.case.patient:
            return True
    return False


def _service_request(at: Situation, item: Identified, items: Sequence[Identified]) -> list[Problem]:
    path, role = item.draft.path or "ServiceRequest", at.sender.role
    before = load(item.before.body) if item.before else {}
    if role is Role.FULFILLER and "order" in (item.resource.get("intent"), before.get("intent")):
        sentence = f"An order is written and edited by its author, the physician's office, not by the {role}."
        return [Problem(_RULE, sentence, path)]
    if item.reference != at.case.referral or item.before is None:
        return []
    if not is_referral(item.resource):
        return [Problem(_RULE, "A referral keeps its code and its intent.", path)]
    start, end = before["status"], item.resource.get("status")
    if start == end:
        return []
    task = next((i.resource for i in items if i.reference == at.case.task), None)
    state = task["status"] if task else load(at.stored(at.case.task).body)["status"]
    allowed = {("active", "completed"): "completed", ("active", "revoked"): "cancelled"}
    if allowed.get((start, str(end))) == state:
        return []
    how = {
        "completed": " The dental office completes the referral's Task first.",
        "revoked": " Cancel the referral's Task; the request is revoked with it.",
    }.get(str(end), "")
    sentence = (
        f"A referral's request cannot be made «{end}» from «{start}» by the {role} while its Task is «{state}».{how}"
    )
    return [Problem(_RULE, sentence, f"{path}.status")]
