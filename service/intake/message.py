"""A message on its way through the story: as it came, and as it was mapped."""

from __future__ import annotations

from dataclasses import dataclass

from service.fhir.audit_event import Asker
from service.inbound.plain import Mapped
from service.intake.sender import Sender


@dataclass(frozen=True, slots=True)
class Received:
    """A message as it came: its channel, its text, and the number under which it is logged."""

    channel: str
    text: bytes
    request_id: str
    plain: bool
    interaction: str = "create"
    sender: Sender = Sender()


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message that is mapped: what it holds, the case that it names (None for none), and who asks, for the audit."""

    received: Received
    mapped: Mapped
    case_number: str | None = None
    asker: Asker = Asker()
