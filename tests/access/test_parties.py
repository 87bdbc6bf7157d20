"""The story of two cases with access control: each office does what is its own, and nobody what is another's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from service.access.grant import Office
from service.fhir.codes import local
from service.fhir.json_text import load
from tests.access.world import World, world
from tests.conftest import PARTITIONS, Clock
from tests.web.messages import example


@pytest.fixture
def told(database_url: str, clock: Clock) -> Iterator[World]:
    with world(database_url, clock, PARTITIONS) as made:
        yield made


def test_each_office_tells_its_part_of_the_story_and_all_three_read_the_case(told: World) -> None:
    for trio in (told.here, told.there):
        cases = [told.ask(name, "GET", f"/cases/{trio.case}").json() for name in trio.clients]
        assert cases[0]["stage"] == cases[1]["stage"] == cases[2]["stage"]
        for name in trio.clients:
            assert [c["case_number"] for c in told.ask(name, "GET", "/cases").json()["cases"]] == [trio.case]


def test_no_office_sends_what_is_anothers(told: World) -> None:
    trio = told.here
    for owner, door, body in told.story(trio):
        for name in trio.clients:
            if name == owner or (door == "sleep-tests" and name == trio.physician):
                continue
            answer = told.ask(name, "POST", f"/intake/cases/{trio.case}/{door}", {**body})
            assert answer.status_code in (403, 422), (name, door, answer.text)
            assert answer.status_code == 403 or "message is" in answer.text, (name, door, answer.text)


def test_only_the_physicians_office_takes_back_or_completes_its_referral(told: World) -> None:
    trio = told.here
    for door in ("completion", "cancellation"):
        for name in (trio.lab, trio.dentist):
            answer = told.ask(name, "POST", f"/intake/cases/{trio.case}/{door}", example(f"physician/{door}"))
            assert answer.status_code == 403, answer.text
            assert "This message is the physician's office's" in answer.text


def test_a_laboratory_refers_for_itself_alone(told: World) -> None:
    body = replace(told.here, number="94").referral()
    body["laboratory"] = {"id": told.there.lab, "name": "Another"}
    answer = told.ask(told.here.lab, "POST", "/intake/referrals", body)
    assert answer.status_code == 403
    assert "reports its own tests" in answer.text


def test_a_dental_office_does_not_refer(told: World) -> None:
    answer = told.ask(told.here.dentist, "POST", "/intake/referrals", replace(told.here, number="93").referral())
    assert answer.status_code == 403


def test_the_same_patient_number_of_another_laboratory_is_another_patient(told: World) -> None:
    """Nobody learns from an answer whose patient is here already."""
    patient = {
        "resourceType": "Patient",
        "identifier": [{"system": "https://national.example/number", "value": "88"}],
        "name": [{"family": "Invented"}],
        "gender": "unknown",
    }
    ids = set()
    for name in (told.here.lab, told.there.lab):
        for status in (201, 200):
            condition = "identifier=https://national.example/number|88"
            answer = told.ask(name, "POST", "/fhir/Patient", patient, **{"If-None-Exist": condition})
            assert answer.status_code == status, answer.text
            ids.add(answer.json()["id"])
    assert len(ids) == 2


def test_a_directory_entry_is_changed_by_who_wrote_it(told: World) -> None:
    number = {"system": "https://registry.example/number", "value": "5"}
    practitioner = {"resourceType": "Practitioner", "identifier": [number], "name": [{"family": "Invented"}]}
    answer = told.ask(told.here.dentist, "POST", "/fhir/Practitioner", practitioner)
    assert answer.status_code == 201, answer.text
    made = load(answer.text)
    address = f"/fhir/Practitioner/{made['id']}"
    assert told.ask(told.there.lab, "GET", address).status_code == 404
    changed = {**made, "active": False}
    answer = told.ask(told.there.lab, "PUT", address, changed, **{"If-Match": 'W/"1"'})
    assert answer.status_code == 412
    assert "is not here" in answer.text
    assert told.ask(told.here.dentist, "PUT", address, changed, **{"If-Match": 'W/"1"'}).status_code == 200
    own = told.grants.held[told.here.dentist].organisation
    for name, status in ((told.there.dentist, 403), (told.here.dentist, 200)):
        held = load(told.ask(name, "GET", f"/fhir/{own}").text)
        etag = f'W/"{held["meta"]["versionId"]}"'
        answer = told.ask(
            name,
            "PUT",
            f"/fhir/{own}",
            {**held, "telecom": [{"system": "phone", "value": "555 0100"}]},
            **{"If-Match": etag},
        )
        assert answer.status_code == status, answer.text


def test_a_message_about_a_case_is_changed_and_deleted_by_its_writer(told: World) -> None:
    trio = told.here
    body = {
        "resourceType": "Communication",
        "status": "completed",
        "subject": {"reference": trio.links["patient"]},
        "basedOn": [{"reference": trio.links["referral"]}],
    }
    made = load(told.ask(trio.dentist, "POST", "/fhir/Communication", body).text)
    address, match = f"/fhir/Communication/{made['id']}", {"If-Match": 'W/"1"'}
    assert told.ask(trio.physician, "GET", address).status_code == 200
    assert told.ask(trio.physician, "PUT", address, {**made, "status": "stopped"}, **match).status_code == 403
    assert told.ask(trio.physician, "DELETE", address).status_code == 403
    assert told.ask(trio.dentist, "DELETE", address).status_code == 204


def test_an_entry_of_another_office_is_not_withdrawn(told: World) -> None:
    """Taken as entered in error, a resource tells no fact; who may write it is judged by what it told."""
    trio = told.here
    for kind, name in (("DiagnosticReport", trio.dentist), ("Condition", trio.dentist)):
        held = told.resources_of(trio)[kind][0]
        withdrawn = {**held, "status": "entered-in-error"}
        if kind == "Condition":
            withdrawn = {k: v for k, v in held.items() if k != "clinicalStatus"}
            withdrawn["verificationStatus"] = {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/condition-ver-status",
                        "code": "entered-in-error",
                    }
                ]
            }
        etag = f'W/"{held["meta"]["versionId"]}"'
        answer = told.ask(name, "PUT", f"/fhir/{kind}/{held['id']}", withdrawn, **{"If-Match": etag})
        assert answer.status_code == 403, answer.text
    for held in told.resources_of(trio)["Observation"]:
        if any(c.get("code") == "ahi" for c in held["code"]["coding"]):
            etag = f'W/"{held["meta"]["versionId"]}"'
            withdrawn = {**held, "status": "entered-in-error"}
            answer = told.ask(trio.dentist, "PUT", f"/fhir/Observation/{held['id']}", withdrawn, **{"If-Match": etag})
            assert answer.status_code == 403, answer.text


def test_scopes_limit_what_is_written(told: World) -> None:
    trio = told.here
    told.add(
        "narrow", Office.DENTAL_OFFICE, "system/*.rs", "system/Observation.c", organisation=_own(told, trio.dentist)
    )
    progress = told.story(trio)[3][2]
    answer = told.ask("narrow", "POST", f"/intake/cases/{trio.case}/progress", _again(progress))
    assert answer.status_code == 403
    assert "system/QuestionnaireResponse.c is needed" in answer.text
    settings = {"settings": _again(progress)["settings"]}
    assert told.ask("narrow", "POST", f"/intake/cases/{trio.case}/progress", settings).status_code == 201


def test_a_scope_of_a_category_limits_what_is_written(told: World) -> None:
    trio = told.here
    category = "http://terminology.hl7.org/CodeSystem/observation-category|"
    for name, code, status in (("exam", "exam", 201), ("survey", "survey", 403)):
        told.add(
            name,
            Office.DENTAL_OFFICE,
            f"system/Observation.cru?category={category}{code}",
            organisation=_own(told, trio.dentist),
        )
        held = {
            "resourceType": "Observation",
            "status": "final",
            "category": [{"coding": [{"system": category[:-1], "code": "exam"}]}],
            "code": {"text": "molars"},
            "subject": {"reference": trio.links["patient"]},
            "basedOn": [{"reference": trio.links["referral"]}],
            "effectiveDateTime": "2026-09-01",
            "valueString": name,
        }
        answer = told.ask(name, "POST", "/fhir/Observation", held)
        assert answer.status_code == status, answer.text


def test_a_laboratory_named_in_the_order_reports_the_test(told: World) -> None:
    """The physician's order makes its performer a party, which then sees the case and reports."""
    trio, own = told.here, _own(told, told.there.lab)
    order = {
        "resourceType": "ServiceRequest",
        "status": "active",
        "intent": "order",
        "code": local("efficacy-test").concept,
        "subject": {"reference": trio.links["patient"]},
        "basedOn": [{"reference": trio.links["referral"]}],
        "requester": {"reference": trio.links["physician"]},
        "performer": [{"reference": own}],
        "authoredOn": "2026-11-19",
    }
    assert told.ask(told.there.lab, "GET", f"/cases/{trio.case}").status_code == 404
    answer = told.ask(trio.physician, "POST", "/fhir/ServiceRequest", order)
    assert answer.status_code == 201, answer.text
    assert told.ask(told.there.lab, "GET", f"/cases/{trio.case}").status_code == 200
    assert told.ask(told.there.lab, "GET", f"/fhir/{trio.links['patient']}").status_code == 200
    assert told.ask(told.there.dentist, "GET", f"/cases/{trio.case}").status_code == 404
    held = load(told.ask(told.there.lab, "GET", f"/fhir/{trio.links['referral']}").text)
    invited = {**held, "performer": [*held["performer"], {"reference": _own(told, told.there.dentist)}]}
    match = {"If-Match": f'W/"{held["meta"]["versionId"]}"'}
    refused = told.ask(told.there.lab, "PUT", f"/fhir/{trio.links['referral']}", invited, **match)
    assert refused.status_code == 403, refused.text
    assert told.ask(told.there.dentist, "GET", f"/cases/{trio.case}").status_code == 404


def test_the_laboratory_that_referred_and_the_physicians_office_correct_a_referral(told: World) -> None:
    trio = told.here
    for revision, name in enumerate((trio.lab, trio.physician), 2):
        body = trio.referral() | {"revision": revision, "note": f"Corrected by {name}."}
        answer = told.ask(name, "POST", "/intake/referrals", body)
        assert answer.status_code in (200, 201), answer.text  # the practice names its physician by an entry of its own


def _own(told: World, name: str) -> str:
    return told.grants.held[name].organisation


def _again(progress: dict) -> dict:
    """The same entries under other numbers."""
    return {
        part: [{**entry, "entry_id": f"again-{entry['entry_id']}"} for entry in entries]
        for part, entries in progress.items()
    }
