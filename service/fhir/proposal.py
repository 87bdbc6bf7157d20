"""A proposed efficacy test: a draft ServiceRequest with intent proposal, and a Task for the physician.

The service never makes an order: the physician posts one with intent=order, basedOn the proposal.
https://hl7.org/fhir/R4/servicerequest.html
"""

from __future__ import annotations

from service.fhir.build import Resource
from service.fhir.codes import SLEEP_BREATHING_TEST, local
from service.fhir.engine import CAUTION, ENGINE_ID


def proposal_id(case_number: str, onset: str) -> str:
    """One proposal per case and setting."""
    return f"{case_number}-test-proposal-{onset}"


def test_proposal(
    resource_id: str, status: str, subject: Resource, referral: Resource, decision: Resource, sentence: str, on: str
) -> Resource:
    """The proposal; status draft while it waits, completed once ordered, revoked when it no longer holds."""
    return {
        "resourceType": "ServiceRequest",
        "id": resource_id,
        "basedOn": [referral],
        "status": status,
        "intent": "proposal",
        "code": {"coding": [local("efficacy-test").coding, SLEEP_BREATHING_TEST.coding]},
        "subject": subject,
        "authoredOn": on,
        "requester": {"reference": f"Device/{ENGINE_ID}"},
        "supportingInfo": [decision],
        "note": [{"text": sentence}, {"text": CAUTION}],
    }


def approval_task(
    task_id: str, status: str, subject: Resource, proposal: str, physician: Resource | None, on: str
) -> Resource:
    """The physician's Task to approve the proposal (https://hl7.org/fhir/R4/task.html)."""
    built: Resource = {
        "resourceType": "Task",
        "id": task_id,
        "status": status,
        "intent": "proposal",
        "code": {
            "coding": [
                {
                    "system": "http://hl7.org/fhir/CodeSystem/task-code",
                    "code": "approve",
                    "display": "Activate/approve the focal resource",
                }
            ]
        },
        "focus": {"reference": proposal},
        "for": subject,
        "authoredOn": on,
        "requester": {"reference": f"Device/{ENGINE_ID}"},
    }
    if physician:
        built["owner"] = physician
    return built
