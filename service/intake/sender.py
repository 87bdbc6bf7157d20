"""Who sent a message: what they were granted, and in which role of the referral they act."""

from __future__ import annotations

from dataclasses import dataclass

from service.access.grant import OPEN, Grant, Office
from service.fhir.referral_task import Role

_ROLES = {Office.DENTAL_OFFICE: Role.FULFILLER, Office.PHYSICIAN: Role.PLACER, Office.SLEEP_LAB: Role.PLACER}


@dataclass(frozen=True, slots=True)
class Bound:
    """What a sender is held to beside the grant: one case, and the kinds of facts it may tell there."""

    case_number: str
    kinds: frozenset[str]


@dataclass(frozen=True, slots=True)
class Sender:
    """The grant of whoever sends, and their role; unknown while neither a door nor a grant tells it.

    While access control is off, a plain door knows the role and a FHIR client's is unknown. With a grant, the role is
    that of the offices as which the client acts in the case.
    """

    role: Role = Role.UNKNOWN
    grant: Grant = OPEN
    bound: Bound | None = None

    @property
    def organisation(self) -> str | None:
        """The sender's organisation as `Organization/id`; None while access control is off."""
        return self.grant.organisation if self.is_limited else None

    @property
    def is_limited(self) -> bool:
        """Whether access control tells who it is."""
        return not self.grant.is_open


def role_as(offices: frozenset[Office]) -> Role:
    """The role in which offices act on a referral; unknown when they are on both sides of it."""
    roles = {_ROLES[office] for office in offices}
    return roles.pop() if len(roles) == 1 else Role.UNKNOWN
