"""States of the referral Task and who may move it (https://hl7.org/fhir/R4/task.html#statemachine)."""

from __future__ import annotations

from service.rules.facts import ReferralState as S

FULFILLER, PLACER = "dental office", "physician's office"

_MOVES: dict[tuple[S, S], str] = {
    (S.REQUESTED, S.RECEIVED): FULFILLER,
    (S.REQUESTED, S.ACCEPTED): FULFILLER,
    (S.RECEIVED, S.ACCEPTED): FULFILLER,
    (S.REQUESTED, S.REJECTED): FULFILLER,
    (S.RECEIVED, S.REJECTED): FULFILLER,
    (S.ACCEPTED, S.REJECTED): FULFILLER,
    (S.REQUESTED, S.CANCELLED): PLACER,
    (S.RECEIVED, S.CANCELLED): PLACER,
    (S.ACCEPTED, S.CANCELLED): PLACER,
    (S.ACCEPTED, S.IN_PROGRESS): FULFILLER,
    (S.IN_PROGRESS, S.ON_HOLD): FULFILLER,
    (S.ON_HOLD, S.IN_PROGRESS): FULFILLER,
    (S.ACCEPTED, S.COMPLETED): FULFILLER,
    (S.IN_PROGRESS, S.COMPLETED): FULFILLER,
    (S.ON_HOLD, S.COMPLETED): FULFILLER,
    (S.IN_PROGRESS, S.FAILED): FULFILLER,
    (S.ON_HOLD, S.FAILED): FULFILLER,
}
ENDED = frozenset({S.REJECTED, S.COMPLETED, S.FAILED, S.CANCELLED, S.ENTERED_IN_ERROR})
NEEDS_REASON = frozenset({S.REJECTED, S.ON_HOLD, S.FAILED, S.ENTERED_IN_ERROR})
_ORDER = (S.REQUESTED, S.RECEIVED, S.ACCEPTED, S.IN_PROGRESS)


def may_move(start: S, end: S, role: str) -> bool:
    """Whether `role` may move the referral from `start` to `end`; staying where it is always may."""
    if start is end:
        return True
    if end is S.ENTERED_IN_ERROR:
        return role == PLACER and start not in ENDED
    return _MOVES.get((start, end)) == role


def already_past(start: S, end: S) -> bool:
    """Whether `end` is an earlier step of the usual way, as when an acceptance arrives late."""
    return start in _ORDER and end in _ORDER and _ORDER.index(start) > _ORDER.index(end)


def refusal(start: S, end: S, role: str) -> str:
    """Why a move is refused, naming from, to and role."""
    return f"A referral that is «{start}» cannot be made «{end}» by the {role}."
