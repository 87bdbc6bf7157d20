"""Facts of a referral: the order, its state, what came with it, and what is on record and not counted."""

from __future__ import annotations

from datetime import date

from service.fhir.facts.base import FactOfAKind, TimedFact
from service.fhir.facts.words import CancellationState, FactKind, Undelivered
from service.rules.kinds import ReferralState
from service.rules.patient_record import OutOfCare


class ReferralFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.REFERRAL.value):
    """An order for oral appliance therapy: its day, and the references of who prescribes and who is to treat."""

    day: date
    prescriber: str | None = None
    dental_office: str | None = None


class TaskFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.TASK.value):
    """The state of a referral: the start (`began`) and end (`acted`) of its period, and the days of its version.

    `moves` are the days on which each state was entered, from all versions of the Task (`referral_moves.py`).
    """

    state: ReferralState
    began: date | None = None
    acted: date | None = None
    modified: date | None = None
    stored: date | None = None
    undelivered: Undelivered | None = None
    moves: tuple[tuple[date, ReferralState], ...] = ()
    undelivered_since: date | None = None


class CancellationFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.CANCELLATION.value):
    """A request to cancel after work began."""

    state: CancellationState
    asked_on: date
    answered_on: date | None = None
    reason: str = ""


class DiagnosisFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.DIAGNOSIS.value):
    """A diagnosis by its codes, of whatever system."""

    codes: tuple[str, ...]


class ConditionFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.CONDITION.value):
    """A symptom or comorbidity in the words of `rules/coverage_us.py`."""

    condition: str


class EvaluationFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.EVALUATION.value):
    """A face-to-face evaluation before the referral."""

    visited_on: date


class DocumentationFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.DOCUMENTATION.value):
    """What is documented for a payer."""

    ordered_by_treating_practitioner: bool | None = None
    dentist_licensed: bool | None = None


class PapHistoryFact(TimedFact, frozen=True, kw_only=True, tag=FactKind.PAP_HISTORY.value):
    """What is known of treatment by positive airway pressure, in lower case."""

    text: str = ""


class NotCountedFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.NOT_COUNTED.value):
    """What is on record and not counted: what it is, and the status for which it is not counted."""

    what: str
    status: str
    day: date | None = None


class ClosingRecordFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.CLOSING_RECORD.value):
    """A patient's record that closes the patient's cases; `stored_on` is the day of its version."""

    why: OutOfCare
    stored_on: date
    died_on: date | None = None
