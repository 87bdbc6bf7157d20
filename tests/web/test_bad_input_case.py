"""Messages that are well formed and still cannot be taken: of other cases, of closed ones, twice, out of turn."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.build import ref
from service.fhir.json_text import load
from service.pipeline import Pipeline
from tests.web.messages import (
    PATIENT,
    Case,
    assert_plain_words,
    bundle,
    example,
    issues,
    post,
    put,
    row_counts,
    second_referral,
)

FULFIL = {"coding": [{"system": "http://hl7.org/fhir/CodeSystem/task-code", "code": "fulfill"}]}


def test_a_bundle_about_two_cases_is_refused(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    first, second = Case(client), Case(client, second_referral())
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", bundle(first.setting(), second.setting()))
    assert answer.status_code == 422
    assert issues(answer) == [("business-rule", "One message is about one case; this one refers to several.", "")]
    by_patient = [{k: v for k, v in c.setting().items() if k != "basedOn"} for c in (first, second)]
    answer = post(client, "/fhir", bundle(*by_patient))
    assert answer.status_code == 422
    assert issues(answer) == [("business-rule", "One message is about one patient; this one refers to several.", "")]
    assert row_counts(sqlite_pipeline) == before


def test_a_fact_about_another_patient_does_not_enter_a_case(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    first, second = Case(client), Case(client, second_referral())
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir/Observation", first.setting(subject=ref(second.patient)))
    assert answer.status_code == 422
    sentence = f"«{second.patient}» is not the patient of case {first.number}, who is {first.patient}."
    assert issues(answer) == [("business-rule", sentence, "Observation.subject")]
    assert row_counts(sqlite_pipeline) == before


def test_two_referrals_in_one_bundle_are_refused(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    body = example("sleep-lab/referral-bundle")
    order = load(post(client, "/fhir/ServiceRequest/$validate", body["entry"][-1]["resource"]).text)
    assert order["issue"][0]["severity"] == "information"
    other = {**body["entry"][-1]["resource"], "identifier": [{"system": "https://x.example", "value": "2"}]}
    body["entry"].append({"resource": other, "request": {"method": "POST", "url": "ServiceRequest"}})
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", body)
    assert answer.status_code == 422
    assert issues(answer)[0][:2] == ("business-rule", "One message is about one referral.")
    assert row_counts(sqlite_pipeline) == before


def _entry(**changes: Any) -> dict[str, Any]:
    return {"resource": PATIENT, "request": {"method": "POST", "url": "Patient"}, **changes}


BUNDLES: list[tuple[Any, str, str]] = [
    ({"entry": []}, "Bundle.entry", "The Bundle has no entries."),
    ({"entry": None}, "Bundle.entry", "The Bundle has no entries."),
    ({"type": "collection", "entry": [_entry()]}, "Bundle.type", "A Bundle of type transaction or batch is needed here."),
    ({"resourceType": "Patient"}, "Bundle.type", "A Bundle of type transaction or batch is needed here."),
    ({"entry": ["x"]}, "Bundle.entry[0].request", "An entry needs a request."),
    ({"entry": [_entry(request=None)]}, "Bundle.entry[0].request", "An entry needs a request."),
    ({"entry": [_entry(request={"url": "Patient"})]}, "Bundle.entry[0].request.method", "A request needs a method."),
    ({"entry": [_entry(request={"method": "POST"})]}, "Bundle.entry[0].request.url", "A request needs a url."),
    ({"entry": [{"request": {"method": "POST", "url": "Patient"}}]}, "Bundle.entry[0].resource", "The entry needs a resource."),
    ({"entry": [_entry(request={"method": "PATCH", "url": "Patient/1"})]}, "Bundle.entry[0].request.method", "Entries are taken with GET, HEAD, POST, PUT and DELETE."),
    ({"entry": [_entry(request={"method": "DELETE", "url": "Patient/1"})]}, "Bundle.entry[0].request.url", "Patient is shared between cases and cannot be deleted; update it, for example with active false."),
    ({"entry": [_entry(request={"method": "DELETE", "url": "Communication?identifier=1"})]}, "Bundle.entry[0].request.url", "A deletion names one resource as Type/id; deleting by a search is not taken."),
    ({"entry": [_entry(request={"method": "POST", "url": "Observation"})]}, "Bundle.entry[0].request.url", "The url must be «Patient» for this resource."),
    ({"entry": [_entry(request={"method": "POST", "url": 5})]}, "Bundle.entry[0].request.url", "Text is needed."),
    ({"entry": [_entry(request={"method": "PUT", "url": "Patient/1"})]}, "Bundle.entry[0].resource.id", "An update needs the id of the resource."),
    ({"entry": [_entry(resource={**PATIENT, "id": "1"}, request={"method": "PUT", "url": "Patient/1", "ifMatch": 1})]}, "Bundle.entry[0].request.ifMatch", "Text is needed."),
    ({"entry": [_entry(resource={**PATIENT, "id": "1"}, request={"method": "PUT", "url": "Patient/1", "ifMatch": "1"})]}, "Bundle.entry[0].request.ifMatch", "If-Match must look like W/\"3\", not 1."),
    ({"entry": [_entry(request={"method": "POST", "url": "Patient", "ifNoneExist": "identifier="})]}, "Bundle.entry[0].resource", "If-None-Exist takes identifier=system|value, or another search."),
    ({"entry": [_entry(fullUrl=5)]}, "Bundle.entry[0].fullUrl", "Text is needed."),
    ({"entry": [_entry(resource={"resourceType": ["Patient"]})]}, "Bundle.entry[0].resource.resourceType", "«resourceType» is required."),
    ({"entry": [_entry(), _entry()]}, "Bundle.entry[1].resource", "The Patient 7 stands in the Bundle already, at Bundle.entry[0].resource; send it once."),
    ({"entry": [_entry(fullUrl="urn:x:1"), _entry(fullUrl="urn:x:1", resource={**PATIENT, "identifier": [{"system": "urn:x", "value": "2"}]})]}, "Bundle.entry[1].resource", "The address urn:x:1 stands in the Bundle already, at Bundle.entry[0].resource; send it once."),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "place", "sentence"), BUNDLES, ids=[f"{p}: {s}" for _, p, s in BUNDLES])
def test_a_bundle_that_cannot_be_is_refused(
    client: TestClient, sqlite_pipeline: Pipeline, changes: dict[str, Any], place: str, sentence: str
) -> None:
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", {"resourceType": "Bundle", "type": "transaction", **changes})
    assert answer.status_code in (400, 422)
    assert [i[1:] for i in issues(answer)] == [(sentence, place)]
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


def test_two_entries_with_one_identifier_are_refused(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    same = [{"system": "https://x.example", "value": "7"}]
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", bundle(case.setting(identifier=same), case.setting(2, identifier=same)))
    assert answer.status_code == 422
    sentence = "The Observation 7 stands in the Bundle already, at Bundle.entry[0].resource; send it once."
    assert issues(answer) == [("invalid", sentence, "Bundle.entry[1].resource")]
    assert row_counts(sqlite_pipeline) == before


def test_all_problems_of_a_bundle_come_in_one_answer(client: TestClient) -> None:
    case = Case(client)
    answer = post(client, "/fhir", bundle(case.setting(40), {"resourceType": "CarePlan"}, case.setting(1, colour=1)))
    assert [place for _, _, place in issues(answer)] == [
        "Bundle.entry[0].resource.component[0].value.value",
        "Bundle.entry[1].resource",
        "Bundle.entry[2].resource.colour",
    ]


@pytest.mark.parametrize("ending", ["rejected", "cancelled"])
def test_nothing_is_added_to_a_referral_that_ended(client: TestClient, sqlite_pipeline: Pipeline, ending: str) -> None:
    case = Case(client)
    reason = {"on": "2026-08-10", "reason": "moved away"}
    if ending == "rejected":
        case.sent("referral-state", {"state": "rejected", **reason})
    else:
        case.sent("cancellation", reason)
    before = row_counts(sqlite_pipeline)
    sentence = f"The referral of case {case.number} is «{ending}»; nothing can be added to it."
    plain = case.send("progress", example("dental-office/progress"))
    by_fhir = post(client, "/fhir/Observation", case.setting())
    for answer in (plain, by_fhir):
        assert answer.status_code == 409
        assert [i[:2] for i in issues(answer)] == [("conflict", sentence)]
    assert row_counts(sqlite_pipeline) == before


def test_the_same_entry_with_other_content_is_409(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    entry = {"entry_id": "s1", "set_on": "2026-09-01", "advance_left_mm": 1, "advance_right_mm": 1}
    case.sent("progress", {"settings": [entry]})
    before = row_counts(sqlite_pipeline)
    answer = case.send("progress", {"settings": [{**entry, "advance_left_mm": 2}]})
    assert answer.status_code == 409
    sentence = "«s1» is on record with other content; send a correction with a higher revision."
    assert issues(answer) == [("conflict", sentence, "settings[0]")]
    assert row_counts(sqlite_pipeline) == before
    assert case.send("progress", {"settings": [{**entry, "advance_left_mm": 2, "revision": 2}]}).status_code == 200


MOVES = [
    ({"state": "on-hold", "on": "2026-08-06", "reason": "ill"}, "A referral that is «requested» cannot be made «on-hold» by the dental office."),
    ({"state": "completed", "on": "2026-08-06"}, "A referral that is «requested» cannot be made «completed» by the dental office."),
    ({"state": "failed", "on": "2026-08-06", "reason": "x"}, "A referral that is «requested» cannot be made «failed» by the dental office."),
    ({"state": "rejected", "on": "2026-08-06"}, "A referral that is «requested» is made «rejected» only with a reason."),
]  # fmt: skip


@pytest.mark.parametrize(("body", "sentence"), MOVES, ids=[m[1] for m in MOVES])
def test_a_move_that_is_not_in_the_table_is_422(
    client: TestClient, sqlite_pipeline: Pipeline, body: dict[str, Any], sentence: str
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = case.send("referral-state", body)
    assert answer.status_code == 422
    assert [i[1] for i in issues(answer)] == [sentence]
    assert row_counts(sqlite_pipeline) == before


def test_a_move_that_is_not_in_the_table_is_422_by_fhir(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    held = client.get(f"/fhir/{case.task}")
    before = row_counts(sqlite_pipeline)
    moved = {**load(held.text), "status": "failed", "statusReason": {"text": "x"}}
    answer = put(client, f"/fhir/{case.task}", moved, **{"If-Match": held.headers["etag"]})
    assert answer.status_code == 422
    ((code, told, place),) = issues(answer)
    assert (code, place) == ("business-rule", "Task.status")
    assert told.startswith("A referral that is «requested» cannot be made «failed»")
    assert row_counts(sqlite_pipeline) == before


def test_a_referral_has_one_task(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    task = {
        "resourceType": "Task",
        "status": "completed",
        "intent": "order",
        "code": FULFIL,
        "focus": ref(case.referral),
        "for": ref(case.patient),
        "authoredOn": "2026-09-01",
        "output": [{"type": {"text": "Summary"}, "valueReference": ref(f"CarePlan/{case.number}")}],
    }
    answer = post(client, "/fhir/Task", task)
    assert answer.status_code == 422
    sentence = f"The referral has its Task already, {case.task}; update that one."
    assert issues(answer) == [("business-rule", sentence, "Task")]
    assert row_counts(sqlite_pipeline) == before


def test_a_new_referral_is_requested(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    body = example("sleep-lab/referral-bundle")
    order, patient = body["entry"][-1]["fullUrl"], body["entry"][0]["fullUrl"]
    body["entry"][-1]["fullUrl"] = order or "urn:uuid:order"
    task = {"resourceType": "Task", "status": "in-progress", "intent": "order", "code": FULFIL, "focus": ref(order)}
    task |= {"for": ref(patient), "authoredOn": "2026-08-03"}
    body["entry"].append({"resource": task, "request": {"method": "POST", "url": "Task"}})
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir", body)
    assert answer.status_code == 422
    assert issues(answer)[0][2] == f"Bundle.entry[{len(body['entry']) - 1}].resource.status"
    assert row_counts(sqlite_pipeline) == before
    body["entry"][-1]["resource"]["status"] = "requested"
    assert post(client, "/fhir", body).status_code == 200


def test_a_fact_of_nobody_on_record_is_404(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    resource = {k: v for k, v in case.setting(subject=ref("Patient/nobody")).items() if k != "basedOn"}
    answer = post(client, "/fhir/Observation", resource)
    assert answer.status_code == 404
    assert issues(answer) == [("not-found", "No case of this patient is here; a referral opens one.", "Observation")]
    assert row_counts(sqlite_pipeline) == before


def test_an_appliance_that_was_never_delivered_cannot_have_been_worn(client: TestClient) -> None:
    answer = Case(client).send("sleep-tests", example("sleep-lab/efficacy-test"))
    assert answer.status_code == 422
    assert issues(answer)[0][:2] == ("business-rule", "No appliance is on record that could have been worn.")
