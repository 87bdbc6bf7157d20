"""What a message does to the referral of its case: the move, the revoked request, requests to cancel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.deciding.fact_rows import state_of
from service.errors import Category, Problem, Refused
from service.fhir.cancellation import is_cancellation
from service.fhir.json_text import load
from service.fhir.read_other import is_referral
from service.fhir.referral_task import ENDED, WORKING, Role
from service.inbound.plain import Move
from service.intake.identified import Identified
from service.intake.referral import cancellation
from service.intake.referral.moves import Moved, Situation, by_message, completed_referral, revoked_referral
from service.intake.referral.updates import problems_of_updates
from service.intake.sender import Sender
from service.rows import Stored


def moved(at: Situation, items: Sequence[Identified], move: Move | None, implied: bool, task: Stored | None) -> Moved:
    """The versions to write beside the message's own; `task` is the Task when the message itself updates it."""
    problems = problems_of_updates(at, items)
    if problems:
        raise Refused(problems)
    start = state_of(at.before)
    done = Moved(task)
    if move is not None:
        done = _by_message(at, move, implied, start)
    for item in items:
        if item.written and cancellation.concerns(item):
            answered = cancellation.by_update(at, item)
            done = replace(done, task=answered.task or done.task, others=(*done.others, *answered.others))
    if done.task is None or start in ENDED:
        return done
    end = load(done.task.body)["status"]
    others = list(done.others)
    if end in ("cancelled", "entered-in-error") and not _revokes(at, items):
        revoked = revoked_referral(at)
        others.extend([revoked] if revoked else [])
    written = {(r.type, r.id) for r in others}
    if end in ENDED:
        others.extend(r for r in cancellation.closed_with(at, end) if (r.type, r.id) not in written)
    return replace(done, others=tuple(others))


def check_opening(items: Sequence[Identified], sender: Sender) -> None:
    """Refused when a dental office refers, or when a message cancels the referral it opens."""
    problems: list[Problem] = []
    for item in items:
        path = item.draft.path or item.draft.type
        if sender.role is Role.FULFILLER and is_referral(item.resource):
            sentence = f"A referral is written by the physician's office, not by the {sender.role}."
            problems.append(Problem(Category.BUSINESS_RULE, sentence, path))
        if is_cancellation(item.resource):
            sentence = "A request to cancel follows a referral on which work has begun; this one is new."
            problems.append(Problem(Category.BUSINESS_RULE, sentence, path))
    if problems:
        raise Refused(problems)


def _by_message(at: Situation, move: Move, implied: bool, start: str) -> Moved:
    if move.agrees is not None:
        return cancellation.answer(at, move)
    if move.state == "completed" and move.role is Role.PLACER:
        completed = completed_referral(at)
        return Moved(others=(completed,) if completed else ())
    if move.state == "cancelled" and start in WORKING:
        return cancellation.ask(at, move)
    return by_message(at, move, implied)


def _revokes(at: Situation, items: Sequence[Identified]) -> bool:
    """Whether the message itself revokes the referral's request."""
    return any(i.reference == at.case.referral and i.written and i.resource.get("status") == "revoked" for i in items)
