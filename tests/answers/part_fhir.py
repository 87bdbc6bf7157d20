"""The FHIR doors: every interaction with what the service holds, with what clients make, and with what is refused."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

from tests.answers.asking import Asker, data_of
from tests.answers.changes import example
from tests.answers.part_plain import DOORS, opened

Resource = dict[str, Any]
FHIR = "application/fhir+json"
KINDS = [
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Organization",
    "Condition",
    "ServiceRequest",
    "Task",
    "Device",
    "DeviceUseStatement",
    "Procedure",
    "Encounter",
    "Observation",
    "DiagnosticReport",
    "CarePlan",
    "Goal",
    "Questionnaire",
    "QuestionnaireResponse",
    "Communication",
    "Composition",
    "DocumentReference",
    "Provenance",
    "AuditEvent",
    "GuidanceResponse",
]
_NUMBERS = "https://x.example/numbers"
_REFUSED_SEARCHES = (
    "Observation?colour=red",
    "Observation?code:text=x",
    "Observation?date=soon",
    "Observation?_count=x",
    "Observation?_sort=code",
    "Observation?_page=x",
    "Observation?patient.colour=x",
    "Observation?_include=Observation:nothing",
    "Observation?_has:Task:nothing:status=x",
    "Basic",
    "Nothing?_id=1",
    "Patient?birthdate=1974-13",
    "Patient?gender:above=male",
    "Task?_lastUpdated=yesterday",
    "Observation/_history?_since=soon",
    "Observation/_history?_count=0",
    "Patient/none/$everything",
    "CarePlan/AR-00000-00000/$readiness",
    "CarePlan/AR-00000-00000/$letter",
    "CarePlan/AR-00000-00000/$nothing",
    "Observation?_format=xml",
    "Observation?_summary=some",
    "Observation?_total=perhaps",
    "Observation?_elements=",
)


def prepared(asker: Asker) -> tuple[str, dict[str, str]]:
    """A case played by the examples up to the decision: its number and its addresses."""
    number = opened(asker)
    for door, name in DOORS.items():
        if door in ("completion", "cancellation", "cancellation-answer"):
            break
        asker.ask("POST", f"/intake/cases/{number}/{door}", example(name))
    return number, data_of(asker.get(f"/cases/{number}")).get("resources", {})


def everything(asker: Asker, links: dict[str, str]) -> dict[str, Resource]:
    """One resource of each type that a case is made of; the first of each."""
    found: dict[str, Resource] = {}
    patient = links.get("patient", "Patient/none")
    kinds = ",".join(k for k in KINDS if k != "AuditEvent")
    for entry in data_of(asker.get(f"/fhir/{patient}/$everything?_count=200&_type={kinds}")).get("entry", []):
        found.setdefault(entry["resource"]["resourceType"], entry["resource"])
    return found


def reads(asker: Asker) -> None:
    """Reads, versions, histories and lists of every type, plain and conditional."""
    _, links = prepared(asker)
    for kind, resource in everything(asker, links).items():
        address = f"/fhir/{kind}/{resource['id']}"
        asker.get(address)
        asker.ask("HEAD", address)
        asker.get(address, If_None_Match=f'W/"{resource["meta"]["versionId"]}"')
        asker.get(f"{address}/_history/1")
        asker.get(f"{address}/_history/99")
        asker.get(f"{address}/_history")
        asker.get(f"{address}?_elements=status")
        asker.ask("DELETE", address)
    for kind in KINDS:
        asker.get(f"/fhir/{kind}/none")
        asker.get(f"/fhir/{kind}?_count=2")
        asker.get(f"/fhir/{kind}?_summary=count")
        asker.get(f"/fhir/{kind}/_history?_count=2")
    asker.get("/fhir/metadata")
    for accept in ("application/fhir+xml", "text/html", "application/json", "application/fhir+json; fhirVersion=3.0"):
        asker.get("/fhir/Task?_count=1", Accept=accept)


def searches(asker: Asker) -> None:
    """Searches that are understood, page by page, and such as are refused."""
    number, links = prepared(asker)
    asker.ask("POST", "/fhir", example("sleep-lab/referral-bundle"))
    patient = links.get("patient", "Patient/none")
    for query in (
        f"Observation?patient={patient}&_count=4",
        f"Observation?subject={patient}&_sort=-date&_count=3",
        f"Observation?patient={patient}&date=ge2026-09-01&date=lt2026-10-01",
        f"Observation?patient={patient}&code=http://loinc.org|none",
        f"Observation?_id={number}-readiness&_include=Observation:subject&_revinclude=Provenance:target",
        f"CarePlan?patient={patient}",
        f"CarePlan?_id={number}",
        f"Task?patient={patient}&status=accepted,completed",
        f"Task?focus={links.get('referral', 'none')}",
        f"ServiceRequest?patient={patient}&_include=ServiceRequest:requester",
        "Patient?name=calloway",
        "Patient?family:exact=Calloway",
        "Patient?birthdate=lt1980",
        "Patient?identifier=P-2044",
        "Patient?identifier:missing=true",
        "Patient?_has:Observation:patient:status=final",
        "CarePlan?patient.identifier=P-2044",
        "DiagnosticReport?result:missing=false",
        "Observation?value-quantity=gt20",
        "Observation?status:not=final&_count=2",
        "Questionnaire?_count=1",
        "Organization?name=ferry",
        f"AuditEvent?patient={patient}&_count=3",
        f"GuidanceResponse?patient={patient}&_count=1",
        "Observation?_elements=status&_count=2",
        "Observation?_summary=true&_count=2",
        "Task?_total=none",
    ):
        _pages(asker, f"/fhir/{query}")
    for query in _REFUSED_SEARCHES:
        asker.get(f"/fhir/{query}")
        asker.get(f"/fhir/{query}", Prefer="handling=strict")
    form = "application/x-www-form-urlencoded"
    asker.ask("POST", "/fhir/Observation/_search?status=final", f"patient={patient}&_count=2", Content_Type=form)
    asker.ask("POST", "/fhir/Observation/_search", "colour=red", Content_Type=form)
    asker.ask("POST", "/fhir/Observation/_search", "{}")
    _pages(asker, f"/fhir/{patient}/$everything?_count=9&_type=Observation,Task,CarePlan,Patient")
    for query in ("_type=Task,Patient", "_since=2027", "_since=soon", "_type=Nothing"):
        asker.get(f"/fhir/{patient}/$everything?{query}")


def _pages(asker: Asker, address: str, most: int = 4) -> None:
    while address and most:
        told, most = data_of(asker.get(address)), most - 1
        links = {link["relation"]: link["url"] for link in told.get("link", [])}
        address = links.get("next", "").removeprefix("http://127.0.0.1:8080")


def made_anew(resource: Resource) -> Resource:
    """A resource as a client would send it: without id and meta, under a number of its own."""
    made = {k: copy.deepcopy(v) for k, v in resource.items() if k not in ("id", "meta", "text")}
    made["identifier"] = [{"system": _NUMBERS, "value": f"own-{resource['resourceType']}"}]
    return made


def writes(asker: Asker) -> None:
    """Each type created, created again on condition, updated, refused for its version, and deleted."""
    _, links = prepared(asker)
    for kind, resource in everything(asker, links).items():
        body, condition = made_anew(resource), f"identifier={_NUMBERS}|own-{kind}"
        created = asker.ask("POST", f"/fhir/{kind}", body, Content_Type=FHIR, If_None_Exist=condition)
        asker.ask("POST", f"/fhir/{kind}", body, Content_Type=FHIR, If_None_Exist=condition)
        asker.ask("POST", f"/fhir/{kind}", body, Content_Type=FHIR)
        asker.ask("PUT", f"/fhir/{kind}?{condition}", body, Content_Type=FHIR)
        stored = data_of(created)
        if "id" not in stored:
            continue
        address = f"/fhir/{kind}/{stored['id']}"
        for match in ('W/"99"', 'W/"1"', 'W/"1"', "", '"1"', "*"):
            changed = {**stored, "language": "en" if match else "fr"}
            asker.ask("PUT", address, changed, Content_Type=FHIR, **({"If_Match": match} if match else {}))
        asker.ask("PUT", address, {**stored, "id": "another"}, Content_Type=FHIR, If_Match='W/"2"')
        asker.get(f"{address}/_history")
        asker.ask("DELETE", address)
        asker.get(address)
    for kind in ("Organization", "Communication", "Observation", "CarePlan"):
        asker.ask("PUT", f"/fhir/{kind}/own-id", {"resourceType": kind, "id": "own-id"}, Content_Type=FHIR)
    for body in ("", "{", "[]", '{"resourceType": "Patient"}', '{"resourceType": "Task"}', '{"id": "x"}'):
        asker.ask("POST", "/fhir/Patient", body, Content_Type=FHIR)
    asker.ask("POST", "/fhir/Patient", "<Patient/>", Content_Type="application/fhir+xml")
    asker.ask("PATCH", f"/fhir/{links.get('patient')}", "[]", Content_Type="application/json-patch+json")
    asker.ask("DELETE", "/fhir/Communication?status=completed")
    asker.ask("POST", "/fhir/Nothing", {"resourceType": "Nothing"}, Content_Type=FHIR)


def validated(asker: Asker) -> None:
    """$validate of every type, as it is stored and changed in one thing each."""
    _, links = prepared(asker)
    for kind, resource in everything(asker, links).items():
        for about, body in (("as stored", resource), *_spoilt(resource)):
            asker.about(about).ask("POST", f"/fhir/{kind}/$validate", body, Content_Type=FHIR)
        asker.ask("POST", f"/fhir/{kind}/{resource['id']}/$validate", Content_Type=FHIR)
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "mode", "valueCode": "create"}]}
    asker.ask("POST", "/fhir/Patient/$validate", parameters, Content_Type=FHIR)
    asker.ask("POST", "/fhir/Nothing/$validate", {"resourceType": "Nothing"}, Content_Type=FHIR)


def _spoilt(resource: Resource) -> Iterator[tuple[str, Resource]]:
    for name in ("status", "code", "subject", "intent", "text"):
        if name in resource:
            yield f"without {name}", {k: v for k, v in resource.items() if k != name}
    yield "another status", {**resource, "status": "bogus"}
    yield "an unknown element", {**resource, "unknownElement": True}
    yield "identifier is a text", {**resource, "identifier": "a text"}
    changing = [{"url": "https://x.example/changes-all", "valueBoolean": True}]
    yield "an unknown modifier", {**resource, "modifierExtension": changing}
    yield "about nobody", {**resource, "subject": {"reference": "Patient/nobody"}}
    if "component" in resource:
        far = {**resource["component"][0], "valueQuantity": {"value": 250, "code": "mm"}}
        yield "250 mm", {**resource, "component": [far]}
    if "effectiveDateTime" in resource:
        yield "in five years", {**resource, "effectiveDateTime": "2031-01-01"}


def bundles(asker: Asker) -> None:
    """Transactions and batches: repeated, broken, with reads, and with references of every form."""
    number, links = prepared(asker)
    referral = example("sleep-lab/referral-bundle")
    for body in (referral, referral, {**referral, "type": "batch"}):
        asker.ask("POST", "/fhir", body, Content_Type=FHIR)
    for index in range(len(referral["entry"])):
        for name in ("resource", "request", "fullUrl"):
            broken = copy.deepcopy(referral)
            del broken["entry"][index][name]
            asker.ask("POST", "/fhir", broken, Content_Type=FHIR)
    patient = links.get("patient", "Patient/none")
    entries = [
        ("GET", patient),
        ("GET", f"CarePlan/{number}"),
        ("GET", f"Observation?patient={patient}&_count=1"),
        ("GET", "Patient/none"),
        ("DELETE", patient),
        ("POST", "Nothing"),
        ("PATCH", patient),
        ("GET", "Observation?date=soon"),
    ]
    for kind in ("batch", "transaction"):
        made = [{"request": {"method": method, "url": url}} for method, url in entries]
        asker.ask("POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": made}, Content_Type=FHIR)
        for entry in made:
            asker.ask("POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": [entry]}, Content_Type=FHIR)
    for kind in ("document", "message", "collection", "", None):
        asker.ask("POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": []}, Content_Type=FHIR)
    setting = copy.deepcopy(example("dental-office/setting-observation"))
    setting["basedOn"] = [{"reference": links.get("referral", "none")}]
    for about in (
        patient,
        f"http://127.0.0.1:8080/fhir/{patient}",
        "Patient?identifier=P-2044",
        "Patient/none",
        "urn:x",
    ):
        setting["subject"] = {"reference": about}
        setting["identifier"][0]["value"] = about
        posted = {"resource": setting, "request": {"method": "POST", "url": "Observation"}}
        asker.ask(
            "POST", "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": [posted]}, Content_Type=FHIR
        )
        asker.ask("POST", "/fhir/Observation", setting, Content_Type=FHIR)
    asker.get(f"/cases/{number}")
