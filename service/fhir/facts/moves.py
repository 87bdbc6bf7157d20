"""The moves of a referral, from the versions of its Task."""

from __future__ import annotations

from datetime import date

import msgspec

from service.fhir.facts.referral import TaskFact
from service.rules.kinds import ReferralState


def with_moves(task: TaskFact, before: TaskFact | None) -> TaskFact:
    """The fact in a stored Task with the days on which the referral entered each of its states, carried on from `before`.

    A move is dated by the end of `executionPeriod`, when a client left that as it was by `lastModified`, and when it
    left that as well by the day on which the version was stored; never before the move it follows. A referral is
    requested from its own day on, so that is no move; that it was received says nothing any more once it moved on. An
    acceptance reported after the work began is dated by the start of `executionPeriod`, as if it had come in order.
    ValueError for a Task that was not stored.
    """
    if task.stored is None:
        raise ValueError("A stored Task names the day of its version.")
    past = before.moves if before else ()
    kept = [m for m in past if m[1] is not ReferralState.RECEIVED or task.state is ReferralState.RECEIVED]
    if task.state is not (kept[-1][1] if kept else ReferralState.REQUESTED):
        on = _moved_on(task, before) or task.stored
        kept.append((max(on, kept[-1][0]) if kept else on, task.state))
    if task.began and kept and kept[0][1] is ReferralState.IN_PROGRESS and task.began < kept[0][0]:
        kept.insert(0, (task.began, ReferralState.ACCEPTED))
    return msgspec.structs.replace(task, moves=tuple(kept), undelivered_since=_undelivered_since(task, before))


def _moved_on(task: TaskFact, before: TaskFact | None) -> date | None:
    """The day that a client gave for a move; None when it left both elements as they were."""
    if task.acted and (before is None or task.acted != before.acted):
        return task.acted
    return task.modified if before is None or task.modified != before.modified else None


def _undelivered_since(task: TaskFact, before: TaskFact | None) -> date | None:
    """The day from which a referral waits undelivered, carried on from the version before; None for one delivered."""
    if not task.undelivered:
        return None
    return (before.undelivered_since if before else None) or task.stored
