"""What a physician's office sends without FHIR: the order for the efficacy test, the decision."""

from __future__ import annotations

from typing import Any, Literal

from service.fhir.build import (
    CASE_PATIENT,
    CASE_PHYSICIAN,
    CASE_REFERRAL,
    Draft,
    Resource,
    component,
    identifier,
    ref,
    sid,
)
from service.fhir.codes import PROCEDURE_CATEGORY, SLEEP_BREATHING_TEST, local
from service.fhir.referral_task import PLACER
from service.inbound.plain import Day, DayOrTime, Entry, Key, Mapped, Move, OfficeChoice, Plain, checked


class TestOrderMessage(Plain):
    """The physician's order for an efficacy test; `proposal` names the proposal it answers, if any.

    Sent again as `cancelled` the order is taken back, which no later message undoes: another test is another order.
    """

    order_number: Key
    ordered_on: Day
    proposal: Key | None = None
    cancelled: bool = False


class DecisionMessage(Entry):
    """What the physician decided, with the physician's own reading of the response.

    `responsible` is the office that starts what was decided, by the day `start_by`, which may lie ahead.
    """

    decided_on: DayOrTime
    decision: Literal[
        "continue-treatment",
        "keep-titrating",
        "advance-and-test-again",
        "add-positional-therapy",
        "combination-or-another-therapy",
        "stop-treatment",
    ]
    own_reading: Literal["complete", "partial", "non-response"] | None = None
    responsible: OfficeChoice | None = None
    start_by: Day | None = None


class CompletionMessage(Plain):
    """The physician's office takes the treatment as told: its referral is completed."""

    on: Day


def map_test_order(body: dict[str, Any], case_number: str) -> Mapped:
    """The order as a ServiceRequest with intent order."""
    message = checked(TestOrderMessage, body)
    number = (sid("test-order-number", case_number), message.order_number)
    based_on = [ref(CASE_REFERRAL)]
    if message.proposal:
        based_on = [ref(f"ServiceRequest/{message.proposal}")]
    resource: Resource = {
        "resourceType": "ServiceRequest",
        "identifier": [identifier(*number)],
        "basedOn": based_on,
        "status": "revoked" if message.cancelled else "active",
        "intent": "order",
        "code": {"coding": [local("efficacy-test").coding, SLEEP_BREATHING_TEST.coding]},
        "subject": ref(CASE_PATIENT),
        "authoredOn": message.ordered_on,
        "requester": ref(CASE_PHYSICIAN),
    }
    revision = 2 if message.cancelled else 1
    draft = Draft(resource, "urn:new:test-order", "", "ordered_on", identity=number, revision=revision, revises=True)
    return Mapped([draft], agent=PLACER)


def map_physician_decision(body: dict[str, Any], case_number: str) -> Mapped:
    """The decision as an Observation."""
    message = checked(DecisionMessage, body)
    number = (sid("physician-decision-entry", case_number), message.entry_id)
    resource: Resource = {
        "resourceType": "Observation",
        "identifier": [identifier(*number)],
        "basedOn": [ref(CASE_REFERRAL)],
        "status": "entered-in-error" if message.entered_in_error else "final",
        "category": [PROCEDURE_CATEGORY.concept],
        "code": local("physician-decision").concept,
        "subject": ref(CASE_PATIENT),
        "effectiveDateTime": message.decided_on,
        "performer": [ref(CASE_PHYSICIAN)],
        "valueCodeableConcept": local(message.decision).concept,
    }
    parts = [
        component(local(code), "valueCodeableConcept", local(said).concept)
        for code, said in (("own-reading", message.own_reading), ("responsible-office", message.responsible))
        if said
    ]
    if message.start_by:
        parts.append(component(local("start-by"), "valueDateTime", message.start_by))
    if parts:
        resource["component"] = parts
    draft = Draft(resource, "urn:new:decision", "", "decided_on", identity=number, revision=message.order, revises=True)
    return Mapped([draft], agent=PLACER)


def map_completion(body: dict[str, Any]) -> Mapped:
    """The completion of the referral's ServiceRequest, after the dental office completed its Task."""
    message = checked(CompletionMessage, body)
    return Mapped([], Move("completed", PLACER, message.on), agent=PLACER)
