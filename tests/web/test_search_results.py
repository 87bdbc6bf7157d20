"""What a search answers: Bundles with links and modes, inclusions, parts of resources, counts, POST, $everything."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest
from httpx import Response
from starlette.testclient import TestClient

from service.fhir.json_text import load
from tests.conftest import Clock
from tests.web.messages import PATIENT, Case, example, post, put, second_referral

FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@pytest.fixture
def case(client: TestClient) -> Case:
    case = Case(client).fitted()
    case.sent("progress", example("dental-office/progress"))
    return case


def found(answer: Response) -> dict[str, Any]:
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("application/fhir+json")
    told = load(answer.text)
    assert (told["resourceType"], told["type"]) == ("Bundle", "searchset")
    return told


def references(told: dict[str, Any], mode: str = "match") -> list[str]:
    entries = [e for e in told.get("entry", []) if e["search"]["mode"] == mode]
    return [f"{e['resource']['resourceType']}/{e['resource'].get('id', '')}" for e in entries]


def link(told: dict[str, Any], relation: str) -> str | None:
    return next((held["url"] for held in told["link"] if held["relation"] == relation), None)


def test_an_entry_has_its_address_its_mode_and_the_stored_text(client: TestClient, case: Case) -> None:
    told = found(client.get(f"/fhir/CarePlan?patient={case.patient}"))
    (entry,) = told["entry"]
    assert entry["fullUrl"] == f"http://127.0.0.1:8080/fhir/CarePlan/{case.number}"
    assert entry["search"] == {"mode": "match"}
    assert entry["resource"] == load(client.get(f"/fhir/CarePlan/{case.number}").text)
    assert told["total"] == 1


def test_decimals_keep_their_digits_in_a_page(client: TestClient, case: Case) -> None:
    made = load(post(client, "/fhir/Observation", case.setting(2, note=[{"text": "12.50"}])).text)
    page = client.get(f"/fhir/Observation?_id={made['id']}")
    assert client.get(f"/fhir/Observation/{made['id']}").text in page.text


def test_the_next_link_leads_through_everything_once(client: TestClient, case: Case) -> None:
    address: str | None = f"/fhir/Observation?patient={case.patient}&_count=4"
    seen: list[str] = []
    pages = 0
    while address:
        told = found(client.get(address))
        seen += references(told)
        address, pages = link(told, "next"), pages + 1
        assert "total" not in told
    whole = references(found(client.get(f"/fhir/Observation?patient={case.patient}&_count=200")))
    assert pages > 2
    assert seen == whole


def test_the_self_link_says_what_was_understood(client: TestClient, case: Case) -> None:
    told = found(client.get(f"/fhir/Observation?patient={case.patient}&colour=red&_count=2"))
    parts = urlsplit(link(told, "self") or "")
    assert parse_qsl(parts.query) == [("patient", case.patient), ("_count", "2")]
    assert "colour" not in (link(told, "next") or "")
    (outcome,) = [e for e in told["entry"] if e["search"]["mode"] == "outcome"]
    (issue,) = outcome["resource"]["issue"]
    assert (issue["severity"], "«colour»" in issue["diagnostics"]) == ("warning", True)


@pytest.mark.parametrize("prefer", ["handling=strict", "respond-async, handling=strict", "handling=strict; x=y"])
def test_strict_handling_refuses_what_is_not_known(client: TestClient, prefer: str) -> None:
    answer = client.get("/fhir/Observation?colour=red", headers={"Prefer": prefer})
    assert answer.status_code == 400
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == ["colour"]
    assert client.get("/fhir/Observation?colour=red", headers={"Prefer": "handling=lenient"}).status_code == 200


@pytest.mark.parametrize("query", ["code:text=x", "date=soon", "_count=x", "_sort=code", "_page=x", "_sort=date"])
def test_what_cannot_be_understood_is_refused_with_its_name(client: TestClient, query: str) -> None:
    for method in ("get", "post"):
        if method == "get":
            answer = client.get(f"/fhir/Observation?{query}")
        else:
            answer = client.post("/fhir/Observation/_search", content=query, headers=FORM)
        assert answer.status_code == 400
        told = answer.json()
        assert told["resourceType"] == "OperationOutcome"
        assert told["issue"][0]["expression"] == [query.split("=")[0]]


def test_search_by_post_takes_a_form_beside_the_address(client: TestClient, case: Case) -> None:
    form = client.post(
        "/fhir/Observation/_search?status=final", content=f"patient={case.patient}&_count=3", headers=FORM
    )
    asked = client.get(f"/fhir/Observation?status=final&patient={case.patient}&_count=3")
    assert references(found(form)) == references(found(asked))
    following = link(found(form), "next")
    assert following
    assert references(found(client.get(following)))
    assert (
        client.post("/fhir/Observation/_search", content="{}", headers={"Content-Type": "application/json"}).status_code
        == 415
    )
    assert client.post("/fhir/Observation/_search", content=b"\xff=\xff", headers=FORM).status_code == 400


def test_included_and_referring_resources_come_along(client: TestClient, case: Case) -> None:
    told = found(
        client.get(
            f"/fhir/Observation?_id={case.number}-readiness&_include=Observation:subject"
            "&_include=Observation:based-on&_revinclude=Provenance:target"
        )
    )
    assert references(told) == [f"Observation/{case.number}-readiness"]
    expected = [case.patient, case.referral, f"Provenance/{case.number}-decision"]
    assert sorted(references(told, "include")) == sorted(expected)
    assert told["total"] == 1


def test_a_resource_that_matches_is_not_included_again(client: TestClient, case: Case) -> None:
    told = found(client.get(f"/fhir/Observation?patient={case.patient}&_include=Observation:derived-from&_count=200"))
    both = references(told) + references(told, "include")
    assert len(both) == len(set(both))


def test_chains_and_reverse_chains(client: TestClient, case: Case) -> None:
    other = Case(client, second_referral())
    number = load(client.get(f"/fhir/{case.patient}").text)["identifier"][0]
    by_number = found(client.get(f"/fhir/CarePlan?patient.identifier={number['system']}|{number['value']}"))
    assert references(by_number) == [f"CarePlan/{case.number}"]
    assert references(found(client.get("/fhir/CarePlan?patient.identifier=nobody"))) == []
    devices = found(client.get("/fhir/Patient?_has:DeviceUseStatement:patient:device:missing=false"))
    assert references(devices) == [case.patient]
    assert other.patient not in references(devices)


def test_part_of_a_resource_is_marked_and_keeps_what_it_needs(client: TestClient, case: Case) -> None:
    told = found(client.get(f"/fhir/Observation?_id={case.number}-readiness&_elements=value"))
    held = told["entry"][0]["resource"]
    assert {"resourceType", "id", "meta", "status", "code"} <= set(held)
    assert any(name.startswith("value") for name in held)
    assert "derivedFrom" not in held
    assert held["meta"]["tag"][-1]["code"] == "SUBSETTED"


def test_a_count_without_the_resources(client: TestClient, case: Case) -> None:
    whole = references(found(client.get(f"/fhir/Observation?patient={case.patient}&_count=200")))
    for query in ("_summary=count", "_count=0"):
        told = found(client.get(f"/fhir/Observation?patient={case.patient}&{query}"))
        assert (told["total"], "entry" in told) == (len(whole), False)
    assert "total" not in found(client.get(f"/fhir/CarePlan?patient={case.patient}&_total=none"))


def test_a_search_gives_the_decision_of_today(client: TestClient, case: Case, clock: Clock) -> None:
    clock.move(days=30)
    told = found(client.get(f"/fhir/Observation?_id={case.number}-readiness"))
    assert told["entry"][0]["resource"]["effectiveDateTime"] == "2026-12-20"


def test_what_was_changed_is_found_by_its_new_values_alone(client: TestClient) -> None:
    made = load(post(client, "/fhir/Patient", PATIENT).text)
    assert references(found(client.get("/fhir/Patient?name=INVEN"))) == [f"Patient/{made['id']}"]
    changed = {**made, "name": [{"family": "Renamed"}]}
    put(client, f"/fhir/Patient/{made['id']}", changed, **{"If-Match": 'W/"1"'})
    assert references(found(client.get("/fhir/Patient?name=inven"))) == []
    assert references(found(client.get("/fhir/Patient?family:exact=Renamed"))) == [f"Patient/{made['id']}"]


def test_everything_of_a_patient(client: TestClient, case: Case) -> None:
    other = Case(client, second_referral())
    address: str | None = f"/fhir/{case.patient}/$everything?_count=10"
    seen: list[str] = []
    while address:
        told = found(client.get(address))
        seen += references(told)
        address = link(told, "next")
    assert seen[0] == case.patient
    assert len(seen) == len(set(seen))
    assert {case.referral, case.task, f"CarePlan/{case.number}"} <= set(seen)
    assert {"Organization", "Practitioner", "AuditEvent", "Provenance"} <= {r.split("/")[0] for r in seen}
    assert not {other.referral, other.patient, f"CarePlan/{other.number}"} & set(seen)
    some = found(client.get(f"/fhir/{case.patient}/$everything?_type=Task,Patient"))
    assert sorted(references(some)) == sorted([case.patient, case.task])
    assert references(found(client.get(f"/fhir/{case.patient}/$everything?_since=2027"))) == []


@pytest.mark.parametrize(
    ("query", "status"), [("_type=Medication", 400), ("_count=0", 400), ("colour=x", 400), ("_since=soon", 400)]
)
def test_everything_refuses_what_it_does_not_take(client: TestClient, case: Case, query: str, status: int) -> None:
    assert client.get(f"/fhir/{case.patient}/$everything?{query}").status_code == status
    assert client.get("/fhir/Patient/nobody/$everything").status_code == 404


def test_the_history_of_a_type_in_pages(client: TestClient, case: Case) -> None:
    address: str | None = "/fhir/CarePlan/_history?_count=2"
    tags: list[str] = []
    while address:
        told = load(client.get(address).text)
        assert told["type"] == "history"
        tags += [e["response"]["etag"] for e in told["entry"]]
        address = link(told, "next")
    own = load(client.get(f"/fhir/CarePlan/{case.number}/_history").text)
    assert tags == [e["response"]["etag"] for e in own["entry"]]
    assert len(tags) == own["total"] > 2
    last = own["entry"][0]["response"]["lastModified"]
    since = load(client.get(f"/fhir/CarePlan/_history?_since={last}").text)
    assert [e["response"]["lastModified"] for e in since["entry"]] == [last]
    for query in ("_since=soon", "_count=0", "_at=2026", "_since=2026&_since=2027"):
        assert client.get(f"/fhir/CarePlan/_history?{query}").status_code == 400


@pytest.mark.parametrize("address", ["/fhir/Medication?code=x", "/fhir/Medication/_history"])
def test_a_type_that_is_not_held_is_not_searched(client: TestClient, address: str) -> None:
    assert client.get(address).status_code == 404
