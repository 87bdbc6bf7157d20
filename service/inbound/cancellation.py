"""Taking a referral back: what the physician's office sends, and the dental office's answer once work has begun."""

from __future__ import annotations

from typing import Any

from service.fhir.referral_task import FULFILLER, PLACER
from service.inbound.plain import DayOrTime, Mapped, Move, Plain, Text, checked


class CancellationMessage(Plain):
    """The physician's office takes the referral back; `entered_in_error` says that it should never have been made.

    Before work began the referral is cancelled. After that the dental office is asked to agree.
    """

    on: DayOrTime
    reason: Text
    entered_in_error: bool = False


class CancellationAnswerMessage(Plain):
    """The dental office agrees to a request to cancel, or declines it with a reason."""

    accept: bool
    on: DayOrTime
    reason: Text | None = None


def map_cancellation(body: dict[str, Any]) -> Mapped:
    """A cancellation of the referral, or the request for one."""
    message = checked(CancellationMessage, body)
    state = "entered-in-error" if message.entered_in_error else "cancelled"
    return Mapped([], Move(state, PLACER, message.on, message.reason), agent=PLACER)


def map_cancellation_answer(body: dict[str, Any]) -> Mapped:
    """The answer to a request to cancel."""
    message = checked(CancellationAnswerMessage, body)
    move = Move("cancelled", FULFILLER, message.on, message.reason or "", agrees=message.accept)
    return Mapped([], move, agent=FULFILLER)
