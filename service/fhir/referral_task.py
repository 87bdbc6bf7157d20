"""The referral's states as one table: who may move its Task where, and under which guards.

https://hl7.org/fhir/R4/task.html#statemachine. Every cell of from, to and role that no row of `_ROWS` names is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """Who acts on a referral. `UNKNOWN` may do what either office may, never what the service alone does."""

    PLACER = "physician's office"
    FULFILLER = "dental office"
    SERVICE = "service"
    UNKNOWN = "client"


class Guard(StrEnum):
    """What must hold beside from, to and role."""

    REASON = "a reason is given"
    OWNER = "the dental office's organisation owns the Task"
    REVOKED = "the ServiceRequest is revoked in the same transaction"
    WORK = "an appliance was delivered or a visit took place"
    OUTPUT = "at least one output is of the same patient"
    AGREED = "the dental office agreed to a request to cancel"


class Verdict(StrEnum):
    """What the table says of a cell."""

    ALLOWED = "allowed"
    SAME = "same"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the table; guards only where the move is allowed."""

    verdict: Verdict
    guards: tuple[Guard, ...] = ()


FULFILLER, PLACER = Role.FULFILLER, Role.PLACER
STATUSES = (
    "draft",
    "requested",
    "received",
    "accepted",
    "rejected",
    "ready",
    "cancelled",
    "in-progress",
    "on-hold",
    "failed",
    "completed",
    "entered-in-error",
)
"""Every status of an R4 Task (https://hl7.org/fhir/R4/valueset-task-status.html)."""
ENDED = frozenset({"rejected", "completed", "failed", "cancelled", "entered-in-error"})
WORKING = frozenset({"in-progress", "on-hold"})

_BEFORE_WORK = ("requested", "received", "accepted")
_OPEN = tuple(status for status in STATUSES if status not in ENDED)
_G = Guard
_ROWS: tuple[tuple[tuple[str, ...], str, Role, tuple[Guard, ...]], ...] = (
    (("requested",), "received", FULFILLER, (_G.OWNER,)),
    (("requested", "received"), "accepted", FULFILLER, (_G.OWNER,)),
    (_BEFORE_WORK, "rejected", FULFILLER, (_G.OWNER, _G.REASON)),
    (_BEFORE_WORK, "cancelled", PLACER, (_G.REVOKED,)),
    (("accepted",), "in-progress", FULFILLER, (_G.OWNER, _G.WORK)),
    (("in-progress",), "on-hold", FULFILLER, (_G.OWNER, _G.REASON)),
    (("on-hold",), "in-progress", FULFILLER, (_G.OWNER, _G.REASON)),
    (("accepted", "in-progress", "on-hold"), "completed", FULFILLER, (_G.OWNER, _G.OUTPUT)),
    (("in-progress", "on-hold"), "failed", FULFILLER, (_G.OWNER, _G.REASON)),
    (("in-progress", "on-hold"), "cancelled", Role.SERVICE, (_G.AGREED, _G.REVOKED)),
    (_OPEN, "entered-in-error", PLACER, (_G.REASON,)),
)
_CELLS = {(start, end, role): guards for starts, end, role, guards in _ROWS for start in starts}
NEEDS_REASON = frozenset(
    end for _, end, _, _ in _ROWS if all(_G.REASON in guards for _, other, _, guards in _ROWS if other == end)
)
"""States that no referral enters without a reason."""
_ORDER = ("requested", "received", "accepted", "in-progress")


def cell(start: str, end: str, role: Role) -> Cell:
    """What the table says when `role` asks for `end` of a referral that is `start`."""
    if start == end:
        return Cell(Verdict.SAME)
    asking = (FULFILLER, PLACER) if role is Role.UNKNOWN else (role,)
    for held in asking:
        guards = _CELLS.get((start, end, held))
        if guards is not None:
            return Cell(Verdict.ALLOWED, guards)
    return Cell(Verdict.REFUSED)


def already_past(start: str, end: str) -> bool:
    """Whether `end` is an earlier step of the usual way, as when an acceptance arrives late."""
    return start in _ORDER and end in _ORDER and _ORDER.index(start) > _ORDER.index(end)


def refusal(start: str, end: str, role: str) -> str:
    """Why a move is refused, naming from, to and role."""
    hint = " Work has begun: ask for it with a Task of code abort." if end == "cancelled" and start in WORKING else ""
    return f"A referral that is «{start}» cannot be made «{end}» by the {role}.{hint}"
