"""Who sent a message, as far as the service knows."""

from __future__ import annotations

from dataclasses import dataclass

from service.fhir.referral_task import Role


@dataclass(frozen=True, slots=True)
class Sender:
    """The role of the sender, and their organisation as `Organization/id`; None while nothing proves it.

    Plain doors know the role; a FHIR client's is unknown until access tokens tell it. No header tells it.
    """

    role: Role = Role.UNKNOWN
    organisation: str | None = None
