"""AuditEvent for one interaction, in the shape of the RESTful audit events of FHIR R4.

https://hl7.org/fhir/R4/auditevent.html
"""

from __future__ import annotations

from collections.abc import Sequence

from service.fhir.build import Resource

_TYPE = {
    "system": "http://terminology.hl7.org/CodeSystem/audit-event-type",
    "code": "rest",
    "display": "Restful Operation",
}
_ACTIONS = {"create": "C", "read": "R", "update": "U", "delete": "D", "transaction": "E", "operation": "E"}


def audit_event(
    interaction: str, recorded: str, who: str, touched: Sequence[str], request_id: str, description: str
) -> Resource:
    """One successful interaction: what was done, when (instant), by whom, and every version it made."""
    return {
        "resourceType": "AuditEvent",
        "type": _TYPE,
        "subtype": [{"system": "http://hl7.org/fhir/restful-interaction", "code": interaction}],
        "action": _ACTIONS[interaction],
        "recorded": recorded,
        "outcome": "0",
        "outcomeDesc": description,
        "agent": [{"who": {"display": who}, "requestor": True}],
        "source": {"observer": {"display": "Airway Relay"}},
        "entity": [
            {"what": {"identifier": {"value": request_id}}, "description": "message as received"},
            *({"what": {"reference": reference}} for reference in touched),
        ],
    }
