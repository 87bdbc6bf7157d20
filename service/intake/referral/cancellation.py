"""Cancelling after work began: the physician's office asks, the dental office answers, the service cancels."""

from __future__ import annotations

from service.deciding.fact_rows import state_of
from service.deciding.versions import as_version
from service.errors import Category, Problem, Refused
from service.fhir.build import Resource
from service.fhir.cancellation import OPEN, answered, is_cancellation, may_answer, new_cancellation
from service.fhir.facts.referral import CancellationFact
from service.fhir.json_text import load
from service.fhir.reading import reference_of
from service.fhir.referral_task import WORKING, Role, cell, refusal
from service.inbound.plain import Move
from service.intake.identified import Identified, changed_elements
from service.intake.referral.moves import Moved, Situation, moved_body, role_of
from service.rows import Stored

_MAY_CHANGE = frozenset({"status", "statusReason", "note", "executionPeriod", "lastModified", "output"})


def open_request(at: Situation) -> Stored | None:
    """The request to cancel that waits for an answer, if any."""
    waiting = (f for f in at.before if isinstance(f.fact, CancellationFact) and f.fact.state in OPEN)
    found = next(waiting, None)
    return at.stored(found.source.reference) if found else None


def ask(at: Situation, move: Move) -> Moved:
    """A request to cancel in place of a cancellation, because work has begun."""
    role_of(move, at.sender)
    if open_request(at):
        return Moved(notes=("A request to cancel is open already and waits for the dental office's answer.",))
    case = at.case
    body = new_cancellation(case.task, case.patient, (case.physician, case.dental_office), move.on, move.reason)
    said = "Work on this referral has begun: the dental office was asked to agree to the cancellation."
    return Moved(None, (as_version(body, at.new_id(), 1, case.case_number, at.now),), (said,))


def answer(at: Situation, move: Move) -> Moved:
    """The dental office's answer by message: agreed, and the referral is cancelled; or declined with a reason."""
    role_of(move, at.sender)
    asked = open_request(at)
    if asked is None:
        return _answered_before(at, move)
    if not move.agrees and not move.reason:
        raise Refused(Problem(Category.INVALID, "A request to cancel is declined only with a reason.", "reason"))
    request = load(asked.body)
    on = max(move.on[:10], request["authoredOn"][:10])
    request["lastModified"] = at.now
    if not move.agrees:
        return Moved(None, (at.next(asked, answered(request, "rejected", on, move.reason)),))
    done = at.next(asked, answered(request, "completed", on, move.reason))
    return Moved(_cancelled(at, request, on), (done,))


def _answered_before(at: Situation, move: Move) -> Moved:
    """The same answer again changes nothing; another one is refused."""
    states = {f.fact.state for f in at.before if isinstance(f.fact, CancellationFact)}
    wanted = "completed" if move.agrees else "rejected"
    if wanted in states:
        return Moved(notes=("The request to cancel was answered so already.",))
    raise Refused(Problem(Category.BUSINESS_RULE, "No request to cancel is open on this case.", "accept"))


def _cancelled(at: Situation, request: Resource, on: str) -> Stored:
    """The referral's Task as the service cancels it, for the reason of the request."""
    stored = at.stored(at.case.task)
    task = load(stored.body)
    start = task["status"]
    if not cell(start, "cancelled", Role.SERVICE).guards:
        raise Refused(Problem(Category.BUSINESS_RULE, refusal(start, "cancelled", Role.SERVICE)))
    reason = request.get("reasonCode", {}).get("text", "")
    return at.next(stored, moved_body(at, task, "cancelled", on, reason))


def concerns(item: Identified) -> bool:
    """Whether a resource of a message is a request to cancel, or is about to stop being one."""
    if item.draft.type != "Task":
        return False
    return is_cancellation(item.resource) or (item.before is not None and is_cancellation(load(item.before.body)))


def by_update(at: Situation, item: Identified) -> Moved:
    """What a FHIR client's request, or its answer to one, leads to. Refused where the client may not write it."""
    problems = _of_a_new_one(at, item) if item.what == "created" else _of_a_change(at, item)
    if problems:
        raise Refused(problems)
    status = item.resource["status"]
    if item.what == "created" or status in OPEN:
        return Moved()
    on = max(item.resource.get("executionPeriod", {}).get("end", at.today)[:10], item.resource["authoredOn"][:10])
    final = "completed" if status == "accepted" else status
    done = as_version(answered(item.resource, final, on, ""), item.id, item.version, at.case.case_number, at.now)
    return Moved(_cancelled(at, item.resource, on) if final == "completed" else None, (done,))


def _of_a_new_one(at: Situation, item: Identified) -> list[Problem]:
    path, rule = item.draft.path or "Task", Category.BUSINESS_RULE
    state = state_of(at.before).value
    problems: list[Problem] = []
    if at.sender.role is Role.FULFILLER:
        problems.append(
            Problem(rule, f"A cancellation is asked for by the physician's office, not the {at.sender.role}.", path)
        )
    if reference_of(item.resource.get("focus")) != at.case.task:
        problems.append(Problem(rule, f"Its focus is the Task of the referral, {at.case.task}.", f"{path}.focus"))
    if item.resource.get("status") != "requested":
        problems.append(Problem(rule, "A new request to cancel is «requested».", f"{path}.status"))
    if cell(state, "cancelled", Role.PLACER).guards:
        sentence = f"The referral is «{state}» and work has not begun: make its Task «cancelled»."
        problems.append(Problem(rule, sentence, f"{path}.focus"))
    elif state not in WORKING:
        problems.append(Problem(rule, f"The referral is «{state}»; there is nothing to cancel.", f"{path}.focus"))
    if open_request(at):
        problems.append(Problem(Category.CONFLICT, "A request to cancel is open already.", path))
    return problems


def _of_a_change(at: Situation, item: Identified) -> list[Problem]:
    assert item.before is not None
    path = item.draft.path or "Task"
    before = load(item.before.body)
    start, end, role = before["status"], item.resource["status"], at.sender.role
    if start != end and not may_answer(start, end, role):
        sentence = f"A request to cancel that is «{start}» cannot be made «{end}» by the {role}."
        return [Problem(Category.BUSINESS_RULE, sentence, f"{path}.status")]
    problems: list[Problem] = []
    if end in ("rejected", "entered-in-error") and "statusReason" not in item.resource:
        sentence = f"A request to cancel is made «{end}» only with a statusReason."
        problems.append(Problem(Category.INVALID, sentence, f"{path}.statusReason"))
    for element in sorted(changed_elements(before, item.resource) - _MAY_CHANGE):
        problems.append(Problem(Category.BUSINESS_RULE, f"An answer does not change «{element}».", f"{path}.{element}"))
    return problems


def closed_with(at: Situation, status: str) -> list[Stored]:
    """An open request that nobody needs to answer any more, because the referral ended otherwise."""
    asked = open_request(at)
    if asked is None:
        return []
    request = {**load(asked.body), "lastModified": at.now}
    on = max(at.today, request["authoredOn"][:10])
    return [at.next(asked, answered(request, "cancelled", on, f"The referral is {status}."))]
