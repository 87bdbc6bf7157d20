"""What a message, or a binding of the operator, changes: computed before anything is written, then applied as it is."""

from __future__ import annotations

from dataclasses import dataclass

from service.deciding.decide_case import CaseChange
from service.intake.answers import Answer
from service.intake.identities import IdentityChange
from service.intake.parties.admitting import Admission
from service.rows import Stored


@dataclass(frozen=True, slots=True)
class MessageToKeep:
    """A message as it was received, and the hash of its text."""

    id: str
    received_at: str
    channel: str
    case_number: str
    sha256: str
    text: bytes


@dataclass(frozen=True, slots=True)
class Change:
    """Everything that is to be written, in one transaction.

    `rows` are the new versions of resources, entries of the audit among them, in the order in which they are appended.
    """

    rows: tuple[Stored, ...] = ()
    cases: tuple[CaseChange, ...] = ()
    admission: Admission = Admission()
    identities: IdentityChange = IdentityChange()
    message: MessageToKeep | None = None


@dataclass(frozen=True, slots=True)
class PlannedChange:
    """What a message changes, and the answer to it once that is written."""

    change: Change
    answer: Answer
