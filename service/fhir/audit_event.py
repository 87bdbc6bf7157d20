"""AuditEvents in the shape of IHE's Basic Audit Log Patterns: who did what with which resources, of which patient.

https://profiles.ihe.net/ITI/BALP/ and https://hl7.org/fhir/R4/auditevent.html
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import ip_address

from service.fhir.audit_commitment import Commitment, details_of_entry, details_of_version
from service.fhir.build import Resource

SUCCESS, MINOR_FAILURE, SERIOUS_FAILURE = "0", "4", "8"
NAME = "Airway Relay"
ACT_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
REQUEST_ID_TYPE = {"system": "https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType", "code": "XrequestId"}
_TYPE = {
    "system": "http://terminology.hl7.org/CodeSystem/audit-event-type",
    "code": "rest",
    "display": "Restful Operation",
}
_SIGN_IN = {"login": ("110122", "Login"), "logout": ("110123", "Logout")}
"""Interactions of people with the door, not with resources: a DICOM User Authentication, as IHE ATNA has it."""
SIGN_IN_CODES = tuple(number for number, _ in _SIGN_IN.values())
_ACTIONS = {
    "create": "C",
    "update": "U",
    "delete": "D",
    "read": "R",
    "vread": "R",
    "history-instance": "R",
}
"""What is none of these is a search or an operation, which BALP records as executed."""

_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
USER_AUTHENTICATION = {"system": _DICOM, "code": "110114", "display": "User Authentication"}
_SOURCE = {"system": _DICOM, "code": "110153", "display": "Source Role ID"}
_DESTINATION = {"system": _DICOM, "code": "110152", "display": "Destination Role ID"}
_APPLICATION = {"system": _DICOM, "code": "110150", "display": "Application"}
_CUSTODIAN = {
    "system": "http://terminology.hl7.org/CodeSystem/provenance-participant-type",
    "code": "custodian",
    "display": "Custodian",
}
_PARTICIPATION = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
_RECIPIENT = {"system": _PARTICIPATION, "code": "IRCP", "display": "information recipient"}
_AUTHOR = {"system": _PARTICIPATION, "code": "AUT", "display": "author (originator)"}
_ENTITY_TYPE = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
_ROLE = "http://terminology.hl7.org/CodeSystem/object-role"
_DATA_ROLE = {"system": _ROLE, "code": "4", "display": "Domain Resource"}


@dataclass(frozen=True, slots=True)
class Asker:
    """Who asks: client id, organisation (`Organization/id`), person, what else they are called, network addresses.

    All empty when the service does something of itself. `emergency` is the reason given for emergency access, `named` the
    person whom a client named for it, whom nobody has verified.
    """

    client: str = ""
    organisation: str = ""
    person: str = ""
    called: str = ""
    address: str = ""
    server: str = ""
    emergency: str = ""
    named: str = ""


@dataclass(frozen=True, slots=True)
class Interaction:
    """One interaction by its FHIR code, and what it was about.

    `touched` are references to what was written or read, what was asked for first; `query` is the request as it was
    sent, when what was read depends on it. `commits` is what was written, with its hashes.
    """

    code: str
    request_id: str
    description: str
    touched: Sequence[str] = ()
    patients: Sequence[str] = ()
    query: str = ""
    outcome: str = SUCCESS
    commits: Commitment = Commitment()


def audit_event(done: Interaction, asker: Asker, recorded: str) -> Resource:
    """The AuditEvent of one interaction at an instant."""
    action = _ACTIONS.get(done.code, "E")
    event: Resource = {
        "resourceType": "AuditEvent",
        **_kind_of(done.code),
        "action": action,
        "recorded": recorded,
        "outcome": done.outcome,
        "outcomeDesc": done.description,
    }
    if asker.emergency:
        break_the_glass = {"system": ACT_REASON, "code": "BTG", "display": "break the glass"}
        event["purposeOfEvent"] = [{"coding": [break_the_glass], "text": asker.emergency}]
    event["agent"] = _agents(asker, action)
    kind = {"system": "http://terminology.hl7.org/CodeSystem/security-source-type", "code": "4"}
    event["source"] = {"observer": {"display": NAME}, "type": [kind]}
    event["entity"] = _entities(done)
    return event


def _kind_of(code: str) -> Resource:
    if code in _SIGN_IN:
        number, display = _SIGN_IN[code]
        return {"type": USER_AUTHENTICATION, "subtype": [{"system": _DICOM, "code": number, "display": display}]}
    return {"type": _TYPE, "subtype": [{"system": "http://hl7.org/fhir/restful-interaction", "code": code}]}


def _agents(asker: Asker, action: str) -> list[Resource]:
    """The client, the server, and the person if there is one; the server alone when it acts of itself."""
    client_role, server_role = _roles(action)
    server = _agent(server_role, {"display": NAME}, asker.server)
    if not (asker.client or asker.called or asker.address):
        return [{**server, "requestor": True}]
    who: Resource = {"identifier": {"value": asker.client}} if asker.client else {}
    if asker.organisation:
        who["reference"] = asker.organisation
    if asker.called or not who:
        who["display"] = asker.called or "a client that is not known"
    agents = [{**_agent(client_role, who, asker.address), "requestor": not asker.person}, server]
    if asker.person:
        role = _RECIPIENT if action in "RE" else _AUTHOR
        agents.append({**_agent(role, {"identifier": {"value": asker.person}}, ""), "requestor": True})
    if asker.named:
        role = _RECIPIENT if action in "RE" else _AUTHOR
        agents.append(_agent(role, {"display": f"{asker.named} (as the client says; not verified)"}, ""))
    return agents


def _roles(action: str) -> tuple[Resource, Resource]:
    """The roles of client and server: data flow to the client when it reads, as BALP has it."""
    if action == "R":
        return _DESTINATION, _SOURCE
    return (_APPLICATION, _CUSTODIAN) if action == "D" else (_SOURCE, _DESTINATION)


def _agent(role: Resource, who: Resource, address: str) -> Resource:
    agent: Resource = {"type": {"coding": [role]}, "who": who, "requestor": False}
    if address:
        agent["network"] = {"address": address, "type": "2" if _is_ip(address) else "1"}
    return agent


def _is_ip(address: str) -> bool:
    try:
        ip_address(address)
    except ValueError:
        return False
    return True


def _entities(done: Interaction) -> list[Resource]:
    """The request, what it was about, the patients, and what else came of it, which has the type of its resource."""
    found: list[Resource] = []
    if done.request_id:
        request: Resource = {"what": {"identifier": {"value": done.request_id}}, "type": REQUEST_ID_TYPE}
        found.append(_with_details(request, details_of_entry(done.commits)))
    if done.query:
        role = {"system": _ROLE, "code": "24", "display": "Query"}
        found.append({"type": _system_object(), "role": role, "query": b64encode(done.query.encode()).decode()})
    for place, reference in enumerate(done.touched):
        kind = reference.split("/")[0]
        first = place == 0 and not done.query
        coded = _system_object() if first else {"system": "http://hl7.org/fhir/resource-types", "code": kind}
        touched: Resource = {"what": {"reference": reference}, "type": coded, "role": _DATA_ROLE}
        found.append(_with_details(touched, details_of_version(done.commits, reference)))
    person = {"system": _ENTITY_TYPE, "code": "1", "display": "Person"}
    role = {"system": _ROLE, "code": "1", "display": "Patient"}
    found += [{"what": {"reference": patient}, "type": person, "role": role} for patient in done.patients]
    return found


def _with_details(entity: Resource, details: list[Resource]) -> Resource:
    return {**entity, "detail": details} if details else entity


def _system_object() -> Resource:
    return {"system": _ENTITY_TYPE, "code": "2", "display": "System Object"}
