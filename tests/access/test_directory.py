"""Who an office is, is what the operator bound; what anybody writes into the directory makes nobody a party."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.access.grant import Office
from service.fhir.build import sid
from service.fhir.json_text import load
from service.pipeline.access.directory import checked_number
from tests.access.world import Trio, World, world
from tests.conftest import PARTITIONS, Clock
from tests.web.messages import example

NUMBER = sid("organization")
NATIONAL = "https://registry.example/number"


@pytest.fixture
def told(database_url: str, clock: Clock) -> Iterator[World]:
    """Seven organisations: two laboratories, two practices, three dental offices; one number is nobody's."""
    with world(database_url, clock, PARTITIONS) as made:
        made.add("dental-north", Office.DENTAL_OFFICE)
        yield made


def _entry(kind: str, system: str, value: str, **more: Any) -> dict[str, Any]:
    name = [{"family": "Invented"}] if kind == "Practitioner" else "Invented"
    active = {} if kind == "Practitioner" else {"active": True}
    return {"resourceType": kind, "identifier": [{"system": system, "value": value}], "name": name, **active, **more}


def _referral(trio: Trio, number: str, **changes: Any) -> dict[str, Any]:
    return replace(trio, number=number, family="Greywater").referral() | changes


def _to(number: str) -> dict[str, Any]:
    return {"dental_office": {"id": number, "name": "An office that is not registered"}}


def _refer(told: World, body: dict[str, Any], status: int = 201) -> dict[str, Any]:
    answer = told.ask(told.here.lab, "POST", "/intake/referrals", body)
    assert answer.status_code == status, answer.text
    return answer.json()


def _reads(told: World, name: str, case: str) -> bool:
    return told.ask(name, "GET", f"/cases/{case}").status_code == 200


def test_a_second_number_on_ones_own_organisation_is_refused(told: World) -> None:
    """An office puts a number that is nobody's on its own record, so that referrals to it would be its own."""
    own = told.organisation(told.there.dentist)
    held = load(told.ask(told.there.dentist, "GET", f"/fhir/{own}").text)
    etag = {"If-Match": f'W/"{held["meta"]["versionId"]}"'}
    taken = {**held, "identifier": [*held["identifier"], {"system": NUMBER, "value": "dental-unclaimed"}]}
    for changed, element in (
        (taken, "identifier"),
        ({**held, "name": "Another"}, "name"),
        ({**held, "alias": ["A"]}, "alias"),
    ):
        answer = told.ask(told.there.dentist, "PUT", f"/fhir/{own}", changed, **etag)
        assert answer.status_code == 422, answer.text
        assert f"«{element}»" in answer.text and "the operator's to change" in answer.text
    case = _refer(told, _referral(told.here, "201", **_to("dental-unclaimed")))["case_number"]
    assert not _reads(told, told.there.dentist, case)


def test_contact_data_is_the_organisations_own(told: World) -> None:
    own = told.organisation(told.here.dentist)
    held = load(told.ask(told.here.dentist, "GET", f"/fhir/{own}").text)
    changed = {**held, "telecom": [{"system": "phone", "value": "555 0199"}]}
    etag = {"If-Match": f'W/"{held["meta"]["versionId"]}"'}
    assert told.ask(told.there.dentist, "PUT", f"/fhir/{own}", changed, **etag).status_code == 403
    assert told.ask(told.here.dentist, "PUT", f"/fhir/{own}", changed, **etag).status_code == 200


@pytest.mark.parametrize("system", [NUMBER, NATIONAL], ids=["plain", "national"])
def test_an_entry_under_anothers_number_receives_nothing(told: World, system: str) -> None:
    """Whoever writes an Organization with a number first is not found by it, neither plainly nor by a condition."""
    entry = _entry("Organization", system, "dental-new")
    condition = {"If-None-Exist": f"identifier={system}|dental-new"}
    made = told.ask(told.there.dentist, "POST", "/fhir/Organization", entry, **condition)
    assert made.status_code == 201, made.text
    taken = f"Organization/{made.json()['id']}"
    again = told.ask(told.here.lab, "POST", "/fhir/Organization", entry, **condition)
    assert again.status_code == 201 and again.json()["id"] != made.json()["id"]
    found = told.ask(told.here.lab, "GET", f"/fhir/Organization?identifier={system}|dental-new").json()
    assert [e["resource"]["id"] for e in found["entry"]] == [again.json()["id"]]
    assert told.ask(told.here.lab, "GET", f"/fhir/{taken}").status_code == 404
    answer = _refer(told, _referral(told.here, "202", **_to("dental-new")))
    assert not _reads(told, told.there.dentist, answer["case_number"])


def test_a_practitioner_under_anothers_number_receives_nothing(told: World) -> None:
    """A practice names a physician before the laboratory does; the laboratory's referral goes to whom the operator bound."""
    system = sid("practitioner", told.here.physician)
    entry = _entry("Practitioner", system, "dr-203")
    made = told.ask(told.there.physician, "POST", "/fhir/Practitioner", entry)
    assert made.status_code == 201, made.text
    case = _refer(told, _referral(told.here, "203"))["case_number"]
    assert not _reads(told, told.there.physician, case)
    assert _reads(told, told.here.physician, case)
    physician = told.ask(told.here.lab, "GET", f"/cases/{case}").json()["resources"]["physician"]
    assert physician != f"Practitioner/{made.json()['id']}"
    held = load(told.ask(told.here.lab, "GET", f"/fhir/{physician}").text)
    for name in (told.there.physician, told.here.physician):
        answer = told.ask(name, "PUT", f"/fhir/{physician}", {**held, "active": False}, **{"If-Match": 'W/"1"'})
        assert answer.status_code in (403, 412), answer.text


def test_a_role_of_anothers_is_no_way_in(told: World) -> None:
    """A PractitionerRole that says a physician works for the attacker: the case refers to none but its sender's own."""
    entry = told.ask(told.there.physician, "POST", "/fhir/Practitioner", _entry("Practitioner", NATIONAL, "P1")).json()
    role = {
        "resourceType": "PractitionerRole",
        "practitioner": {"reference": f"Practitioner/{entry['id']}"},
        "organization": {"reference": told.organisation(told.there.physician)},
    }
    made = told.ask(told.there.physician, "POST", "/fhir/PractitionerRole", role)
    assert made.status_code == 201, made.text
    order = _fhir_referral(told, requester={"reference": f"PractitionerRole/{made.json()['id']}"})
    answer = told.ask(told.here.lab, "POST", "/fhir", order)
    assert answer.status_code == 422 and "is not here" in answer.text, answer.text


def test_an_unbound_office_is_said_and_gets_nothing_until_it_is_bound(told: World) -> None:
    answer = _refer(told, _referral(told.here, "204", **_to("dental-204")))
    case = answer["case_number"]
    assert answer["whose_move"] == "sleep lab" and "Not delivered" in answer["why"]
    (problem,) = answer["problems"]
    assert problem["path"] == "dental_office"
    assert "dental-204" in problem["message"] and "not delivered" in problem["message"]
    task = _task(told, case)
    assert task["businessStatus"]["coding"][0]["code"] == "undelivered-laboratory"
    assert "Not delivered" in task["statusReason"]["text"]
    told.add("dental-late", Office.DENTAL_OFFICE, organisation=told.organisation("dental-other"))
    assert not _reads(told, "dental-late", case)
    delivered = told.directory.bind(
        told.organisation("dental-other"), checked_number("Organization", NUMBER, "dental-204")
    )
    assert delivered == 1
    assert _reads(told, "dental-late", case)
    assert told.ask("dental-late", "GET", f"/cases/{case}").json()["whose_move"] == "dentist"
    assert "statusReason" not in _task(told, case)
    accepted = told.ask(
        "dental-late", "POST", f"/intake/cases/{case}/referral-state", {"state": "accepted", "on": "2026-09-02"}
    )
    assert accepted.status_code == 200, accepted.text


def test_a_referral_whose_practice_is_not_bound_waits_too(told: World) -> None:
    body = _referral(told.here, "205")
    body["physician"]["practice"] = {"id": "medical-nowhere", "name": "Nowhere"}
    answer = _refer(told, body)
    case = answer["case_number"]
    assert answer["whose_move"] == "sleep lab"
    assert not _reads(told, told.here.dentist, case)
    told.directory.bind(
        told.organisation(told.here.physician), checked_number("Organization", NUMBER, "medical-nowhere")
    )
    assert _reads(told, told.here.dentist, case) and _reads(told, told.here.physician, case)


def test_a_physician_bound_to_two_practices_is_undecided(told: World) -> None:
    system = sid("practitioner", told.here.physician)
    number = checked_number("Practitioner", system, "dr-206")
    told.directory.bind(told.organisation(told.there.physician), number)
    answer = _refer(told, _referral(told.here, "206"))
    assert "more than one organisation" in answer["problems"][0]["message"]
    for name in (told.here.physician, told.there.physician, told.here.dentist):
        assert not _reads(told, name, answer["case_number"])


def test_a_number_can_be_bound_for_one_sender_alone(told: World) -> None:
    """A laboratory's own number for an office says nothing when another laboratory uses it."""
    number = checked_number("Organization", NUMBER, "D-17")
    told.directory.bind(told.organisation("dental-north"), number, told.organisation(told.here.lab))
    case = _refer(told, _referral(told.here, "207", **_to("D-17")))["case_number"]
    assert _reads(told, "dental-north", case)
    other = told.ask(told.there.lab, "POST", "/intake/referrals", _referral(told.there, "208", **_to("D-17")))
    assert other.status_code == 201 and not _reads(told, "dental-north", other.json()["case_number"])


def test_unbinding_stops_what_comes_and_leaves_what_came(told: World) -> None:
    number = checked_number("Organization", NUMBER, told.here.dentist)
    assert told.directory.unbind(number) == told.grants.held[told.here.dentist].organisation
    assert _reads(told, told.here.dentist, told.here.case)
    case = _refer(told, _referral(told.here, "209"))["case_number"]
    assert not _reads(told, told.here.dentist, case)


def test_a_change_of_a_binding_can_be_read_in_the_audit_by_whom_it_concerns(told: World) -> None:
    told.directory.bind(told.organisation(told.here.dentist), checked_number("Organization", NATIONAL, "7001"))
    entries = [
        e["resource"]["outcomeDesc"]
        for e in load(told.ask(told.here.dentist, "GET", "/fhir/AuditEvent?_count=200").text)["entry"]
    ]
    assert any("the number 7001" in text and "was bound" in text for text in entries)
    others = told.ask(told.there.dentist, "GET", "/fhir/AuditEvent?_count=200").text
    assert "the number 7001" not in others


def test_unknown_offices_can_be_refused_instead(told: World) -> None:
    told.pipeline.refuses_unknown_offices = True
    answer = told.ask(told.here.lab, "POST", "/intake/referrals", _referral(told.here, "210", **_to("dental-210")))
    assert answer.status_code == 422 and "dental-210" in answer.text
    assert load(told.ask(told.here.lab, "GET", "/fhir/Patient?identifier=P-210").text)["total"] == 0


def test_a_conditional_reference_leads_to_ones_own_or_to_a_registered_office(told: World) -> None:
    entry = _entry("Organization", NATIONAL, "9001")
    assert told.ask(told.there.dentist, "POST", "/fhir/Organization", entry).status_code == 201
    order = _fhir_referral(told, performer=[{"reference": f"Organization?identifier={NATIONAL}|9001"}])
    answer = told.ask(told.here.lab, "POST", "/fhir", order)
    assert answer.status_code in (404, 422), answer.text
    order = _fhir_referral(told, performer=[{"reference": "Organization?name=Invented"}])
    answer = told.ask(told.here.lab, "POST", "/fhir", order)
    assert answer.status_code in (404, 422), answer.text
    told.directory.bind(told.organisation("dental-north"), checked_number("Organization", NATIONAL, "9001"))
    order = _fhir_referral(told, performer=[{"reference": f"Organization?identifier={NATIONAL}|9001"}])
    answer = told.ask(told.here.lab, "POST", "/fhir", order)
    assert answer.status_code == 200, answer.text
    request = next(
        e["response"]["location"] for e in answer.json()["entry"] if "ServiceRequest" in e["response"]["location"]
    )
    assert told.ask("dental-north", "GET", f"/fhir/{request.split('/_history')[0]}").status_code == 200


def _fhir_referral(told: World, **changes: Any) -> dict[str, Any]:
    """A referral as a transaction of the laboratory."""
    patient = {
        "resourceType": "Patient",
        "identifier": [{"system": NATIONAL, "value": f"P-{len(str(changes))}-{abs(hash(str(changes)))}"}],
        "name": [{"family": "Greywater"}],
        "gender": "unknown",
        "birthDate": "1970-01-01",
    }
    request = {
        "resourceType": "ServiceRequest",
        "identifier": [{"system": NATIONAL, "value": f"R-{abs(hash(str(changes)))}"}],
        "status": "active",
        "intent": "order",
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "103697008"}]},
        "subject": {"reference": "urn:uuid:0b3c7a10-5d31-4a52-8c2e-000000000001"},
        "authoredOn": "2026-09-01",
        "requester": {"reference": "urn:uuid:0b3c7a10-5d31-4a52-8c2e-000000000003"},
        "performer": [{"reference": told.organisation(told.here.dentist)}],
        **changes,
    }
    physician = _entry("Practitioner", sid("practitioner", told.here.physician), "dr-9")
    entries = [
        {
            "fullUrl": f"urn:uuid:0b3c7a10-5d31-4a52-8c2e-00000000000{n}",
            "resource": body,
            "request": {"method": "POST", "url": body["resourceType"]},
        }
        for n, body in enumerate((patient, request, physician), 1)
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def _task(told: World, case: str) -> dict[str, Any]:
    links = told.ask(told.here.lab, "GET", f"/cases/{case}").json()["resources"]
    return load(told.ask(told.here.lab, "GET", f"/fhir/{links['task']}").text)


def test_a_referral_number_that_another_used_first_stays_the_practices_own(told: World) -> None:
    """A laboratory sends a referral in a practice's name under its number, about a patient of its own."""
    practice, theirs = told.here.physician, told.there
    first = replace(theirs, number="301", family="Invented").referral()
    first["physician"]["practice"] = {"id": practice, "name": "Practice"}
    first["referral_number"] = "R-500"
    squatted = told.ask(theirs.lab, "POST", "/intake/referrals", first)
    assert squatted.status_code == 201, squatted.text
    own = replace(told.here, number="302", family="Greywater").referral() | {"referral_number": "R-500"}
    sent = told.ask(practice, "POST", "/intake/referrals", own)
    assert sent.status_code == 201, sent.text
    assert sent.json()["case_number"] != squatted.json()["case_number"]
    again = told.ask(practice, "POST", "/intake/referrals", own)
    assert (again.status_code, again.json()["case_number"]) == (200, sent.json()["case_number"])


def test_a_referral_number_that_another_uses_later_changes_nothing(told: World) -> None:
    own = replace(told.here, number="303", family="Greywater").referral() | {"referral_number": "R-501"}
    case = _refer(told, own)["case_number"]
    other = replace(told.there, number="304", family="Invented").referral() | {"referral_number": "R-501"}
    other["physician"]["practice"] = {"id": told.here.physician, "name": "Practice"}
    later = told.ask(told.there.lab, "POST", "/intake/referrals", other)
    assert later.status_code == 201 and later.json()["case_number"] != case
    for revision, name in enumerate((told.here.lab, told.here.physician), 2):
        again = told.ask(name, "POST", "/intake/referrals", own | {"revision": revision, "note": name})
        assert again.status_code in (200, 201), again.text
        assert again.json()["case_number"] == case


def test_a_replaced_dental_office_reads_what_it_did_and_acts_no_more(told: World) -> None:
    body = _referral(told.here, "305")
    case = _refer(told, body)["case_number"]
    moved = body | {"revision": 2, "dental_office": {"id": "dental-north", "name": "North"}}
    answer = told.ask(told.here.physician, "POST", "/intake/referrals", moved)
    assert answer.status_code in (200, 201), answer.text
    owner = _task(told, case)["owner"]["reference"]
    assert owner == told.organisation("dental-north")
    flag = {"red_flags": [{"entry_id": "f1", "reported_on": "2026-11-19", "kind": "locked-jaw"}]}
    for door, entry in (("assessments", example("dental-office/assessment")), ("progress", flag)):
        assert told.ask(told.here.dentist, "POST", f"/intake/cases/{case}/{door}", entry).status_code == 403
        assert told.ask("dental-north", "POST", f"/intake/cases/{case}/{door}", entry).status_code == 201
    assert told.ask(told.here.dentist, "POST", f"/intake/cases/{case}/check-in-links").status_code == 403
    assert _reads(told, told.here.dentist, case) and _reads(told, "dental-north", case)
    unbound = body | {"revision": 3, "dental_office": {"id": "dental-unbound", "name": "Nobody"}}
    assert told.ask(told.here.physician, "POST", "/intake/referrals", unbound).status_code in (200, 201)
    again = {"red_flags": [{"entry_id": "f2", "reported_on": "2026-11-19", "kind": "loose-tooth"}]}
    for name in (told.here.dentist, "dental-north"):
        assert told.ask(name, "POST", f"/intake/cases/{case}/progress", again).status_code == 403


def test_an_office_that_is_bound_later_reads_whom_the_case_names(told: World) -> None:
    """The laboratory's entry of the physician is nobody else's to find, and each party's to read."""
    case = _refer(told, _referral(told.here, "306", **_to("dental-306")))["case_number"]
    told.add("dental-late", Office.DENTAL_OFFICE, organisation=told.organisation("dental-306-too"))
    told.directory.bind(told.organisation("dental-306-too"), checked_number("Organization", NUMBER, "dental-306"))
    links = told.ask("dental-late", "GET", f"/cases/{case}").json()["resources"]
    for name in ("physician", "dental_office", "patient"):
        assert told.ask("dental-late", "GET", f"/fhir/{links[name]}").status_code == 200, name
    assert told.ask(told.there.dentist, "GET", f"/fhir/{links['physician']}").status_code == 404


def test_a_treatment_that_runs_keeps_its_dental_office_while_others_are_bound(told: World) -> None:
    """A case of before access control was on: the office is a party, its practice and laboratory are bound later."""
    body = _referral(told.here, "307", laboratory={"id": "lab-307", "name": "Laboratory"})
    body["physician"]["practice"] = {"id": "medical-307", "name": "Practice"}
    case = told.ask("", "POST", "/intake/referrals", body).json()["case_number"]
    told.pipeline.fill_parties()
    accepted = {"state": "accepted", "on": "2026-11-01"}
    path = f"/intake/cases/{case}"
    assert told.ask(told.here.dentist, "POST", f"{path}/referral-state", accepted).status_code == 200
    told.directory.bind(told.organisation(told.here.lab), checked_number("Organization", NUMBER, "lab-307"))
    assert _reads(told, told.here.lab, case)
    exam = example("dental-office/assessment")
    assert told.ask(told.here.dentist, "POST", f"{path}/assessments", exam).status_code == 201
    told.directory.bind(told.organisation(told.here.physician), checked_number("Organization", NUMBER, "medical-307"))
    assert _reads(told, told.here.physician, case)
    again = {**exam, "entry_id": "exam-again", "assessed_on": "2026-11-19"}
    assert told.ask(told.here.dentist, "POST", f"{path}/assessments", again).status_code == 201
