"""Transactions (https://hl7.org/fhir/R4/http.html#transaction): all of it or nothing, answers in order."""

from __future__ import annotations

from decimal import Decimal

from starlette.testclient import TestClient

from service.fhir.build import Resource, references_in
from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.web.messages import Case, bundle, example, post, put, row_counts


def locations(text: str) -> list[str]:
    return [e["response"]["location"] for e in load(text)["entry"]]


def test_references_between_entries_are_rewritten(client: TestClient) -> None:
    answer = post(client, "/fhir", example("sleep-lab/referral-bundle"))
    assert answer.status_code == 200
    told = load(answer.text)
    assert told["type"] == "transaction-response"
    assert {e["response"]["status"] for e in told["entry"]} == {"201 Created"}
    kinds = [e["resource"]["resourceType"] for e in example("sleep-lab/referral-bundle")["entry"]]
    assert [place.split("/")[0] for place in locations(answer.text)] == kinds
    addresses = {place.rsplit("/_history")[0] for place in locations(answer.text)}
    for place in locations(answer.text):
        stored = load(client.get(f"/fhir/{place}").text)
        for _, reference in references_in(stored, ""):
            assert reference in addresses
    case = client.get(f"/cases/{answer.headers['x-case-number']}").json()
    assert case["resources"]["referral"] in addresses


def test_one_response_entry_for_each_request_entry_in_order(client: TestClient) -> None:
    case = Case(client).fitted()
    check_in = case.check_in(
        snoring={"valueDecimal": Decimal("3.0")},
        epworth_total={"valueInteger": 7},
        nights_reported={"valueInteger": 7},
        nights_worn={"valueInteger": 6},
    )
    answer = post(client, "/fhir", bundle(check_in, case.setting(), case.setting(2, effectiveDateTime="2026-09-10")))
    places = locations(answer.text)
    assert [p.split("/")[0] for p in places] == ["QuestionnaireResponse", "Observation", "Observation"]
    advanced = [load(client.get(f"/fhir/{p}").text)["component"][0]["valueQuantity"]["value"] for p in places[1:]]
    assert advanced == [1, 2]
    derived = places[0].split("/")[1]
    for suffix, value in (("snoring", "valueQuantity"), ("epworth", "valueInteger"), ("wear", "component")):
        stored = load(client.get(f"/fhir/Observation/{derived}-{suffix}").text)
        assert value in stored
        assert stored["derivedFrom"] == [{"reference": f"QuestionnaireResponse/{derived}"}]


def test_a_repeated_transaction_changes_nothing(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    first = post(client, "/fhir", example("sleep-lab/referral-bundle"))
    before = row_counts(sqlite_pipeline)
    second = post(client, "/fhir", example("sleep-lab/referral-bundle"))
    assert locations(first.text) == locations(second.text)
    assert {e["response"]["status"] for e in second.json()["entry"]} == {"200 OK"}
    after = row_counts(sqlite_pipeline)
    assert {t: after[t] for t in ("case_row", "fact", "identity")} == {
        t: before[t] for t in ("case_row", "fact", "identity")
    }


def test_a_repeat_without_identifiers_and_with_new_addresses_is_the_same(client: TestClient) -> None:
    """Senders make new urn:uuid addresses for every try."""
    case = Case(client)

    def message(address: str) -> Resource:
        test = case.observation(
            "ahi", valueQuantity={"value": 4, "system": "http://unitsofmeasure.org", "code": "{events}/h"}
        )
        report = {
            "resourceType": "DiagnosticReport",
            "status": "final",
            "code": {"text": "Sleep test"},
            "subject": {"reference": case.patient},
            "basedOn": [{"reference": case.referral}],
            "result": [{"reference": address}],
        }
        made = bundle(report, test)
        made["entry"][1]["fullUrl"] = address
        return made

    first = post(client, "/fhir", message("urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b01"))
    second = post(client, "/fhir", message("urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b02"))
    assert locations(first.text) == locations(second.text)


def test_a_transaction_with_one_bad_entry_stores_nothing(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    body = example("sleep-lab/referral-bundle")
    body["entry"][-1]["resource"]["supportingInfo"] = [{"reference": "DiagnosticReport/nowhere"}]
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", body)
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["diagnostics"] == "DiagnosticReport/nowhere is not here."
    assert row_counts(sqlite_pipeline) == before


def test_an_update_in_a_transaction(client: TestClient) -> None:
    case = Case(client).fitted()
    made = load(post(client, "/fhir/Observation", case.setting()).text)
    changed = {**made, "status": "amended", "note": [{"text": "read again"}]}
    entry = {
        "resource": changed,
        "request": {"method": "PUT", "url": f"Observation/{made['id']}", "ifMatch": 'W/"1"'},
    }
    body = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    answer = post(client, "/fhir", body)
    assert locations(answer.text) == [f"Observation/{made['id']}/_history/2"]
    stale = post(client, "/fhir", {**body, "entry": [{**entry, "resource": {**changed, "status": "final"}}]})
    assert stale.status_code == 412


def test_the_dental_office_moves_the_referral_by_fhir(client: TestClient) -> None:
    case = Case(client)
    held = client.get(f"/fhir/{case.task}")
    accepted = {**load(held.text), "status": "accepted"}
    answer = put(client, f"/fhir/{case.task}", accepted, **{"If-Match": held.headers["etag"]})
    assert answer.status_code == 200, answer.text
    assert client.get(f"/cases/{case.number}").json()["stage"] == "accepted"
