"""Every path to a case, walked by who is no party to it: nothing shows, and «not yours» is answered as «not there».

Each request is made twice, once for a case of others and once for one that was never made, and the two answers must be
the same but for the names that stand in the request.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import pytest

from service.access.grant import Office
from service.fhir.build import sid
from service.fhir.json_text import load
from service.fhir.validate import TYPES
from service.store import parties
from tests.access.world import Trio, World, world
from tests.conftest import PARTITIONS, Clock
from tests.web.messages import example

_UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+(Z|\+00:00)")


@dataclass(frozen=True)
class Request:
    """One request about a target; with `stores`, one that may leave something behind."""

    name: str
    method: str
    path: str
    body: Any = None
    headers: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Target:
    """What a case is known by, or what one could be known by that was never made."""

    case: str
    patient: str
    ids: dict[str, str]
    """One id by type of resource."""
    number: str
    subscription: str

    def words(self) -> list[str]:
        found = [self.case, self.patient, self.subscription, f"P-{self.number}", f"R-{self.number}", *self.ids.values()]
        return sorted({w for w in found if w}, key=len, reverse=True)


@pytest.fixture
def told(database_url: str, clock: Clock) -> Iterator[World]:
    with world(database_url, clock, PARTITIONS) as made:
        made.add("stranger", None)
        yield made


def target_of(told: World) -> Target:
    """The case of the other trio, with a message and a subscription of its own."""
    trio = told.there
    note = {
        "resourceType": "Communication",
        "status": "completed",
        "subject": {"reference": trio.links["patient"]},
        "basedOn": [{"reference": trio.links["referral"]}],
    }
    ids = {kind: held[0]["id"] for kind, held in told.resources_of(trio).items()}
    ids["Communication"] = told.ask(trio.dentist, "POST", "/fhir/Communication", note).json()["id"]
    made = told.ask(trio.physician, "POST", "/fhir/Subscription", example("physician/subscription"))
    assert made.status_code == 201, made.text
    return Target(trio.case, trio.links["patient"].split("/")[1], ids, trio.number, made.json()["id"])


def never_made(target: Target) -> Target:
    """The same shape, of nothing: some answers depend on the form of an id, which tells nothing of what is here."""
    ids = {kind: _like(name, target) for kind, name in target.ids.items()}
    return Target("AR-00000-00000", ids["Patient"], ids, "00", _like(target.subscription, target))


def _like(name: str, target: Target) -> str:
    found = name.replace(target.case, "AR-00000-00000")
    return _UUID.sub(lambda m: str(uuid5(NAMESPACE_URL, m[0])), found)


def requests(told: World, at: Target) -> Iterator[Request]:
    """Every way to ask about a target."""
    for kind, name in at.ids.items():
        address = f"/fhir/{kind}/{name}"
        yield Request(f"read {kind}", "GET", address)
        yield Request(f"read if changed {kind}", "GET", address, headers=(("If-None-Match", "*"),))
        yield Request(f"vread {kind}", "GET", f"{address}/_history/1")
        yield Request(f"history {kind}", "GET", f"{address}/_history")
        yield Request(f"validate {kind}", "POST", f"{address}/$validate")
        yield Request(f"search id {kind}", "GET", f"/fhir/{kind}?_id={name}")
        yield Request(f"count {kind}", "GET", f"/fhir/{kind}?_id={name}&_summary=count")
        yield Request(f"delete {kind}", "DELETE", address)
        body = {**_small(kind), "id": name}
        for match in ('W/"1"', 'W/"7"', ""):
            headers = (("If-Match", match),) if match else ()
            yield Request(f"update {kind} {match}", "PUT", address, body, headers)
        for bundle in ("batch", "transaction"):
            yield Request(f"{bundle} read {kind}", "POST", "/fhir", _bundle(bundle, "GET", f"{kind}/{name}"))
            yield Request(f"{bundle} search {kind}", "POST", "/fhir", _bundle(bundle, "GET", f"{kind}?_id={name}"))
            yield Request(
                f"{bundle} history {kind}", "POST", "/fhir", _bundle(bundle, "GET", f"{kind}/{name}/_history")
            )
    for kind in ("Observation", "ServiceRequest", "Task", "CarePlan", "DiagnosticReport", "Condition", "AuditEvent"):
        yield Request(f"search patient {kind}", "GET", f"/fhir/{kind}?patient={at.patient}")
    observation, patient = at.ids["Observation"], at.patient
    number = f"P-{at.number}"
    yield Request("chain", "GET", f"/fhir/Observation?patient.identifier={number}")
    yield Request("identifier", "GET", f"/fhir/Patient?identifier={number}")
    yield Request("name", "GET", f"/fhir/Patient?identifier={number}&name=Brackenfell")
    yield Request("has", "GET", f"/fhir/Patient?_id={patient}&_has:Observation:patient:status=final")
    yield Request("include", "GET", f"/fhir/Observation?_id={observation}&_include=Observation:patient")
    yield Request("revinclude", "GET", f"/fhir/Patient?_id={patient}&_revinclude=Observation:patient")
    yield Request("provenance", "GET", f"/fhir/CarePlan?_id={at.case}&_revinclude=Provenance:target")
    yield Request("everything", "GET", f"/fhir/Patient/{patient}/$everything")
    yield Request("readiness", "GET", f"/fhir/CarePlan/{at.case}/$readiness")
    yield Request("create about", "POST", "/fhir/Observation", _small("Observation", patient))
    conditional = {**_small("Observation"), "subject": {"reference": f"Patient?identifier={number}"}}
    yield Request("conditional reference", "POST", "/fhir", _bundle("transaction", "POST", "Observation", conditional))
    held = {**_small("Patient"), "identifier": [_number_of(told, at)]}
    condition = f"identifier={held['identifier'][0]['system']}|{number}"
    yield Request("conditional create", "POST", "/fhir/Patient", held, (("If-None-Exist", condition),))
    yield Request("conditional update", "PUT", f"/fhir/Patient?{condition}", held)
    yield Request("letter", "GET", f"/fhir/CarePlan/{at.case}/$letter")
    for end in ("", "/readiness", "/messages", "/page", "/reasons", "/letter", "/sheet", "/letter.pdf", "/sheet.pdf"):
        yield Request(f"case{end}", "GET", f"/cases/{at.case}{end}")
    yield Request("office's link", "GET", f"/cases/{at.case}/check-in-link")
    yield Request("form", "GET", f"/cases/{at.case}/forms/check-in")
    yield Request("link by intake", "POST", f"/intake/cases/{at.case}/check-in-links")
    yield Request("link ended by intake", "DELETE", f"/intake/cases/{at.case}/check-in-links")
    for _, door, body in told.story(replace(told.there, number=at.number)):
        yield Request(f"intake {door}", "POST", f"/intake/cases/{at.case}/{door}", body)
    yield Request("cancellation", "POST", f"/intake/cases/{at.case}/cancellation", example("physician/cancellation"))
    subscription = f"/fhir/Subscription/{at.subscription}"
    yield Request("subscription", "GET", subscription)
    yield Request("subscriptions", "GET", f"/fhir/Subscription?_id={at.subscription}")
    yield Request("status", "GET", f"{subscription}/$status")
    yield Request("statuses", "GET", f"/fhir/Subscription/$status?id={at.subscription}")
    yield Request("events", "GET", f"{subscription}/$events")
    wanted = {**example("physician/subscription"), "id": at.subscription}
    yield Request("subscription update", "PUT", subscription, wanted, (("If-Match", 'W/"1"'),))
    yield Request("subscription delete", "DELETE", subscription)


def _small(kind: str, patient: str = "") -> dict[str, Any]:
    body: dict[str, Any] = {"resourceType": kind}
    if kind == "Observation":
        body |= {
            "status": "final",
            "category": [
                {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam"}]}
            ],
            "code": {"text": "molars"},
            "effectiveDateTime": "2026-09-01",
            "valueString": "sound",
            "subject": {"reference": f"Patient/{patient or 'never-made-at-all'}"},
        }
    if kind == "Patient":
        number = {"system": "https://x.example/patients", "value": "7"}
        body |= {"identifier": [number], "name": [{"family": "Invented"}], "gender": "unknown"}
    return body


def _number_of(told: World, at: Target) -> dict[str, str]:
    system = f"https://airway-relay.example/fhir/sid/patient/{told.there.lab}"
    return {"system": system, "value": f"P-{at.number}"}


def _bundle(kind: str, method: str, url: str, resource: Any = None) -> dict[str, Any]:
    entry: dict[str, Any] = {"request": {"method": method, "url": url}}
    if resource:
        entry |= {"resource": resource, "fullUrl": "urn:uuid:5f0c6a1e-3b55-4c35-9d0d-0d4c6d3f8a10"}
    return {"resourceType": "Bundle", "type": kind, "entry": [entry]}


def answered(told: World, name: str, request: Request, at: Target) -> tuple[int, str, str]:
    """Status, text and telling headers of an answer, without the names of the target and of what was made."""
    answer = told.ask(name, request.method, request.path, request.body, **dict(request.headers))
    told_headers = {
        k: v for k, v in answer.headers.items() if k in ("etag", "location", "last-modified", "allow", "link")
    }
    text = f"{answer.text}\n{sorted(told_headers.items())}"
    for word in at.words():
        text = text.replace(word, "NAME")
    return answer.status_code, _MOMENT.sub("MOMENT", _UUID.sub("UUID", text)), answer.text


@pytest.mark.sampled("outsider")
@pytest.mark.parametrize("outsider", ["lab-east", "dental-east", "medical-east", "stranger"])
def test_what_is_not_yours_is_answered_as_what_is_not_there(told: World, outsider: str) -> None:
    real = target_of(told)
    nothing = never_made(real)
    before = told.ask(told.there.physician, "GET", f"/cases/{real.case}").json()
    pairs = list(zip(requests(told, real), requests(told, nothing), strict=True))
    assert len(pairs) > 200
    differing = []
    for one, other in pairs:
        assert one.name == other.name
        yours, not_there = answered(told, outsider, one, real), answered(told, outsider, other, nothing)
        if yours[:2] != not_there[:2]:
            differing.append((one.name, yours[:2], not_there[:2]))
        shown = [w for w in (told.there.family, told.there.number) if w in yours[2] and w not in str(one)]
        assert not shown, (one.name, shown)
        assert yours[0] < 500, (one.name, yours)
    for name, one, other in differing:
        print(name, one, other, sep="\n  ")
    assert not differing
    assert told.ask(told.there.physician, "GET", f"/cases/{real.case}").json() == before


@pytest.mark.sampled("outsider")
@pytest.mark.parametrize("outsider", ["lab-east", "dental-east", "medical-east", "stranger"])
def test_no_list_shows_anything_of_a_case_of_others(told: World, outsider: str) -> None:
    real = target_of(told)
    paths = ["/cases?limit=200", "/cases?overdue=true", "/fhir/Subscription", "/fhir/Subscription/$status", "/"]
    paths += [f"/fhir/{kind}?_count=200" for kind in TYPES] + [f"/fhir/{kind}/_history?_count=200" for kind in TYPES]
    paths += ["/fhir/Observation?status=final&_sort=-date&_count=200", "/fhir/Observation?code:not=x&_count=200"]
    paths += ["/fhir/Observation?date=ge2020&_include=Observation:patient&_count=200"]
    for path in paths:
        text = told.ask(outsider, "GET", path).text
        for word in (real.case, real.patient, real.subscription, *real.ids.values()):
            assert word not in text, path
        whole = told.ask("", "GET", path).text
        if "Subscription" not in path and path != "/" and "overdue" not in path:
            seen = told.ask(told.there.physician, "GET", path).text
            assert len(seen) <= len(whole)


@pytest.mark.sampled
def test_everybody_who_is_a_party_reads_on_every_path(told: World) -> None:
    """The same requests show the case to its parties: the matrix above does not pass because nothing works."""
    real = target_of(told)
    names = {r.name for r in requests(told, real) if r.method == "GET" or "batch read" in r.name}
    for name in told.there.clients:
        for request in requests(told, real):
            if request.name not in names or "subscription" in request.name or request.path.startswith("/fhir/Subscr"):
                continue
            answer = told.ask(name, request.method, request.path, request.body, **dict(request.headers))
            if request.name in ("office's link", "form") and name != told.there.dentist:
                assert answer.status_code == 403
                continue
            assert answer.status_code in (200, 304), (request.name, answer.text)
            if request.name.startswith("search") or request.name in ("chain", "include", "identifier", "has"):
                assert load(answer.text).get("entry"), request.name


_READS = {
    "r": ("/fhir/{kind}/{id}", "/fhir/{kind}/{id}/_history/1", "/fhir/{kind}/{id}/_history", "/fhir/{kind}/_history"),
    "s": ("/fhir/{kind}", "/fhir/{kind}?_id={id}", "/fhir/{kind}?_summary=count"),
}


@pytest.mark.sampled
@pytest.mark.parametrize("letter", ["r", "s", "c", "u", "d"])
def test_each_scope_opens_its_own_interaction_and_type_alone(told: World, letter: str) -> None:
    trio = told.there
    ids = {kind: held[0]["id"] for kind, held in told.resources_of(trio).items()}
    organisation = told.grants.held[trio.physician].organisation
    asked = [
        (needs, kind, path.format(kind=kind, id=name))
        for kind, name in ids.items()
        for needs, paths in _READS.items()
        for path in paths
    ]
    entries = [{"request": {"method": "GET", "url": path.removeprefix("/fhir/")}} for _, _, path in asked]
    batch = {"resourceType": "Bundle", "type": "batch", "entry": entries}
    for granted in ids:
        told.add("narrow", Office.PHYSICIAN, f"system/{granted}.{letter}", organisation=organisation)
        within = load(told.ask("narrow", "POST", "/fhir", batch).text)["entry"]
        for (needs, kind, path), entry in zip(asked, within, strict=True):
            expected = 200 if needs == letter and kind == granted else 403
            answer = told.ask("narrow", "GET", path)
            assert answer.status_code == expected, (granted, letter, path, answer.text[:300])
            assert entry["response"]["status"].startswith(str(expected)), (granted, letter, path)


def test_what_comes_along_is_of_the_granted_types(told: World) -> None:
    trio = told.there
    organisation = told.grants.held[trio.physician].organisation
    patient = trio.links["patient"].split("/")[1]
    told.add("narrow", Office.PHYSICIAN, "system/Observation.rs", "system/Patient.rs", organisation=organisation)
    for path in (
        f"/fhir/Patient?_id={patient}&_revinclude=Observation:patient&_revinclude=Task:patient&_count=200",
        f"/fhir/Observation?patient={patient}&_include=Observation:patient&_include=Observation:based-on&_count=200",
        f"/fhir/Patient/{patient}/$everything?_count=200",
    ):
        entries = load(told.ask("narrow", "GET", path).text)["entry"]
        assert {e["resource"]["resourceType"] for e in entries} == {"Patient", "Observation"}, path
    for path in (
        f"/cases/{trio.case}",
        "/cases",
        f"/cases/{trio.case}/messages",
        f"/fhir/CarePlan/{trio.case}/$readiness",
    ):
        assert told.ask("narrow", "GET", path).status_code == 403, path


def test_a_category_limits_every_read(told: World) -> None:
    """Granular scopes: https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html"""
    trio = told.there
    organisation = told.grants.held[trio.physician].organisation
    category = "http://terminology.hl7.org/CodeSystem/observation-category|survey"
    told.add("survey", Office.PHYSICIAN, f"system/Observation.rs?category={category}", organisation=organisation)

    def is_survey(held: dict[str, Any]) -> bool:
        return any(c.get("code") == "survey" for one in held.get("category", []) for c in one.get("coding", []))

    every = told.resources_of(trio)["Observation"]
    found = load(told.ask("survey", "GET", "/fhir/Observation?_count=200").text)["entry"]
    assert {e["resource"]["id"] for e in found} == {o["id"] for o in every if is_survey(o)}
    history = load(told.ask("survey", "GET", "/fhir/Observation/_history?_count=200").text)["entry"]
    assert all(is_survey(e["resource"]) for e in history)
    for one in every:
        status = 200 if is_survey(one) else 404
        for end in ("", "/_history", "/_history/1"):
            assert told.ask("survey", "GET", f"/fhir/Observation/{one['id']}{end}").status_code == status


def _claims(told: World, trio: Trio) -> list[tuple[str, str, Any, dict[str, str]]]:
    """(method, path, body, headers) of what says in every way that its writer is one of a trio's offices."""
    number, national = sid("organization"), "https://registry.example/number"
    found: list[tuple[str, str, Any, dict[str, str]]] = []
    for office in trio.clients:
        own = told.organisation(office)
        held = load(told.ask("", "GET", f"/fhir/{own}").text)
        match = {"If-Match": f'W/"{held["meta"]["versionId"]}"'}
        taken = {"resourceType": "Organization", "identifier": [{"system": number, "value": office}], "active": True}
        taken["name"] = held["name"]
        found += [
            ("POST", "/fhir/Organization", taken, {}),
            ("POST", "/fhir/Organization", taken, {"If-None-Exist": f"identifier={number}|{office}"}),
            ("PUT", f"/fhir/{own}", {**held, "name": "Renamed"}, match),
            ("PUT", f"/fhir/{own}", {**held, "telecom": [{"system": "phone", "value": "1"}]}, match),
            ("PUT", f"/fhir/Organization?identifier={number}|{office}", {**taken, "name": "Renamed"}, {}),
        ]
    physician = {
        "resourceType": "Practitioner",
        "identifier": [{"system": sid("practitioner", trio.physician), "value": f"dr-{trio.number}"}],
        "name": [{"family": "Taken"}],
    }
    role = {"resourceType": "PractitionerRole", "identifier": [{"system": national, "value": "1"}], "active": True}
    role["organization"] = {"reference": told.organisation(trio.dentist)}
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": physician, "request": {"method": "POST", "url": "Practitioner"}}],
    }
    found += [("POST", "/fhir/Practitioner", physician, {}), ("POST", "/fhir/PractitionerRole", role, {})]
    return [*found, ("POST", "/fhir", bundle, {})]


@pytest.mark.sampled("name")
@pytest.mark.parametrize("name", ["stranger", "lab-east", "dental-east", "medical-east"])
def test_strangers_who_write_claims_become_no_party(told: World, name: str) -> None:
    """Whatever an office writes about who it is, no case of others opens to it, before or after."""
    trio = told.there
    before = told.pipeline.database.read(lambda tx: parties.of_case(tx, trio.case))
    for method, path, body, headers in _claims(told, trio):
        assert told.ask(name, method, path, body, **headers).status_code < 500, (method, path)
    assert told.ask(name, "GET", f"/cases/{trio.case}").status_code == 404
    assert told.pipeline.database.read(lambda tx: parties.of_case(tx, trio.case)) == before
    for office in trio.clients:
        held = told.ask("", "GET", f"/fhir/{told.organisation(office)}").text
        assert "Renamed" not in held and "telecom" not in held
    fresh = replace(trio, number=f"{trio.number}9", family="Thornby").referral()
    case = told.ask(trio.lab, "POST", "/intake/referrals", fresh).json()["case_number"]
    assert {told.ask(n, "GET", f"/cases/{case}").status_code for n in trio.clients} == {200}
    assert told.ask(name, "GET", f"/cases/{case}").status_code == 404
