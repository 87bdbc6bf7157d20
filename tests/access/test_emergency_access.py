"""Emergency access: one patient's record, by an act of its own, for some hours, told to the parties, for reading alone.

Purpose of use BTG: https://terminology.hl7.org/CodeSystem-v3-ActReason.html. Hours, numbers an hour and the words of a
reason are our own policy.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

import pytest
from httpx import Response

from service.access.emergency import MOST_OF_ONE_CLIENT_AN_HOUR, MOST_OF_ONE_PERSON_AN_HOUR
from service.access.grant import Office
from service.fhir.json_text import load
from service.fhir.subscription import EMERGENCY_TOPIC
from service.fhir.validate import validate
from tests.access.world import WARD, Trio, World, world
from tests.conftest import PARTITIONS, Clock
from tests.outbound.asked import subscription
from tests.web.messages import example

REASON = "Found unconscious, no letter at hand"


@pytest.fixture
def told(database_url: str, clock: Clock) -> Iterator[World]:
    with world(database_url, clock, PARTITIONS) as made:
        made.add(WARD, Office.PHYSICIAN)
        yield made


def ask_for(told: World, name: str = WARD, **wanted: Any) -> Response:
    body = {"case_number": told.there.case, "reason": REASON, "person": "Dr Invented", **wanted}
    return told.ask(name, "POST", "/emergency-access", {k: v for k, v in body.items() if v is not None})


def opened(told: World, **wanted: Any) -> dict[str, str]:
    """The header of a new access."""
    answer = ask_for(told, **wanted)
    assert answer.status_code == 201, answer.text
    return {"X-Emergency-Access": answer.json()["id"]}


def events_of(told: World, answer: Response) -> list[dict[str, Any]]:
    """The AuditEvents of a request, read without access control."""
    pipeline = told.grants.app.state.pipeline  # type: ignore[attr-defined]
    assert pipeline.read_audit.flush(10)
    held = load(told.ask("", "GET", "/fhir/AuditEvent?_count=200&_sort=-_lastUpdated").text)["entry"]
    number = answer.headers["x-request-id"]
    named = [(e["resource"], e["resource"]["entity"][0]["what"]["identifier"]["value"]) for e in held]
    return [event for event, of in named if of == number]


def whose(told: World, answer: Response) -> set[str]:
    """Of which trio something stands in an answer."""
    marks = {trio.lab: (trio.case, trio.family, trio.links["patient"]) for trio in (told.here, told.there)}
    return {name for name, words in marks.items() if any(word in answer.text for word in words)}


def test_without_it_nothing_of_others_shows_and_the_old_header_opens_nothing(told: World) -> None:
    assert told.ask(WARD, "GET", f"/cases/{told.there.case}").status_code == 404
    for path in ("/fhir/Patient?_count=200", f"/cases/{told.there.case}"):
        answer = told.ask(WARD, "GET", path, **{"X-Emergency-Reason": "aaaaaaaaaa"})
        assert answer.status_code == 422
        assert "POST /emergency-access" in answer.json()["issue"][0]["diagnostics"]
        [event] = events_of(told, answer)
        assert event["outcome"] == "4"


def test_a_case_is_read_and_no_other(told: World) -> None:
    used = opened(told)
    there, here = told.there, told.here
    for path in (f"/cases/{there.case}", f"/fhir/CarePlan/{there.case}", f"/fhir/{there.links['patient']}"):
        assert told.ask(WARD, "GET", path, **used).status_code == 200, path
    for path in (f"/cases/{there.case}/readiness", f"/cases/{there.case}/messages", f"/cases/{there.case}/letter"):
        assert told.ask(WARD, "GET", path, **used).status_code == 200, path
    record = told.ask(WARD, "GET", f"/fhir/{there.links['patient']}/$everything?_count=200", **used)
    assert record.status_code == 200
    assert len(load(record.text)["entry"]) > 20
    for path in (f"/cases/{here.case}", f"/fhir/CarePlan/{here.case}", f"/fhir/{here.links['patient']}"):
        assert told.ask(WARD, "GET", path, **used).status_code == 404, path
    assert told.ask(WARD, "GET", f"/fhir/{here.links['patient']}/$everything", **used).status_code == 404


@pytest.mark.parametrize(
    "path",
    [
        "/fhir/Patient?_count=200",
        "/fhir/Patient?family:contains=rackenf",
        "/fhir/Observation?_count=200",
        "/fhir/Observation?subject:not=Patient/x",
        "/fhir/CarePlan?status=active",
        "/fhir/Patient/_history?_count=200",
        "/fhir/Task?_include=Task:focus&_count=200",
        "/cases",
        "/",
        "/physician",
    ],
)
def test_lists_stay_as_they_are_every_day(told: World, path: str) -> None:
    answer = told.ask(WARD, "GET", path, **opened(told))
    assert whose(told, answer) == set(), (path, answer.text[:300])


def test_a_search_that_names_the_patient_finds_their_record_and_no_others(told: World) -> None:
    used, patient = opened(told), told.there.links["patient"]
    named = patient.split("/")[1]
    for path in (f"/fhir/Patient?_id={named}", f"/fhir/Observation?subject={patient}", f"/fhir/Task?patient={named}"):
        answer = told.ask(WARD, "GET", path, **used)
        assert (answer.status_code, whose(told, answer)) == (200, {told.there.lab}), path
        assert told.ask(WARD, "GET", path).json().get("entry", []) == []
    form = {"Content-Type": "application/x-www-form-urlencoded", **used}
    by_post = told.ask(WARD, "POST", "/fhir/Observation/_search", f"patient={named}&_count=5", **form)
    assert len(load(by_post.text)["entry"]) >= 5
    other = told.here.links["patient"].split("/")[1]
    for pair in (f"patient={other}", f"patient={named},{other}"):
        answer = told.ask(WARD, "GET", f"/fhir/Observation?{pair}", **used)
        assert load(answer.text).get("entry", []) == [], pair


def test_a_patient_is_named_as_well_as_a_case(told: World) -> None:
    used = opened(told, case_number=None, patient=told.there.links["patient"])
    assert told.ask(WARD, "GET", f"/cases/{told.there.case}", **used).status_code == 200
    assert told.ask(WARD, "GET", f"/fhir/{told.there.links['patient']}", **used).status_code == 200
    assert told.ask(WARD, "GET", f"/cases/{told.here.case}", **used).status_code == 404


def test_nothing_is_written_by_it(told: World) -> None:
    used, case = opened(told), told.there.case
    for path, body in (
        (f"/intake/cases/{case}/progress", example("dental-office/progress")),
        ("/fhir/Patient", {"resourceType": "Patient"}),
        (f"/intake/cases/{case}/check-in-links", {}),
        ("/fhir", {"resourceType": "Bundle", "type": "batch", "entry": []}),
    ):
        answer = told.ask(WARD, "POST", path, body, **used)
        assert answer.status_code == 403, (path, answer.text)
        assert "reading only" in answer.text
        [event] = events_of(told, answer)
        assert event["outcome"] != "0"
    assert told.ask(WARD, "DELETE", f"/fhir/CarePlan/{case}", **used).status_code == 403


def test_it_lasts_for_hours_and_is_its_openers_alone(told: World, clock: Clock) -> None:
    used, path = opened(told), f"/cases/{told.there.case}"
    told.add("other-ward", Office.PHYSICIAN)
    for name in ("other-ward", told.here.dentist):
        assert told.ask(name, "GET", path, **used).status_code == 403
    told.add(WARD, Office.PHYSICIAN, organisation=told.organisation("another-hospital"))
    assert told.ask(WARD, "GET", path, **used).status_code == 403
    told.add(WARD, Office.PHYSICIAN)
    clock.move(hours=3, minutes=59)
    assert told.ask(WARD, "GET", path, **used).status_code == 200
    clock.move(minutes=1)
    ended = told.ask(WARD, "GET", path, **used)
    assert ended.status_code == 403 and "has ended" in ended.text
    for wrong in ("", "0", "x" * 200, "ä"):
        assert told.ask(WARD, "GET", path, **{"X-Emergency-Access": wrong.encode()}).status_code == 403  # type: ignore[dict-item]


def test_what_is_wrong_is_said_at_once_and_opens_nothing(told: World) -> None:
    answer = ask_for(told, reason="aaaaaaaaaa", person=None, patient="x")
    assert answer.status_code == 422
    assert [i["expression"] for i in answer.json()["issue"]] == [["patient"], ["patient"], ["reason"], ["person"]]
    assert ask_for(told, case_number="AR-00000-00000").status_code == 404
    assert ask_for(told, case_number=None, patient="Patient/none").status_code == 404
    assert ask_for(told, name=told.here.physician).status_code == 403
    assert ask_for(told, name="").status_code == 422
    told.add(WARD, Office.PHYSICIAN, organisation=told.organisation(told.there.physician))
    party = ask_for(told)
    assert party.status_code == 422 and "without emergency access" in party.text


def test_so_many_an_hour_for_a_person_and_for_a_client(told: World, clock: Clock) -> None:
    for _ in range(MOST_OF_ONE_PERSON_AN_HOUR):
        opened(told)
    refused = ask_for(told)
    assert refused.status_code == 429
    assert refused.json()["issue"][0]["code"] == "throttled"
    [event] = events_of(told, refused)
    assert event["outcome"] == "4"
    for number in range(MOST_OF_ONE_CLIENT_AN_HOUR - MOST_OF_ONE_PERSON_AN_HOUR):
        opened(told, person=f"Dr Number {number}")
    assert ask_for(told, person="Dr Other").status_code == 429
    clock.move(hours=1, seconds=1)
    opened(told)


def test_who_looks_for_cases_by_guessing_is_stopped(told: World) -> None:
    answers = [ask_for(told, case_number=f"AR-{n:05}-00000").status_code for n in range(25)]
    assert answers[:20] == [404] * 20
    assert set(answers[20:]) == {429}


def test_the_audit_tells_who_why_and_that_the_name_is_not_verified(
    told: World, caplog: pytest.LogCaptureFixture
) -> None:
    used = opened(told)
    with caplog.at_level(logging.WARNING, "airway_relay"):
        answer = told.ask(WARD, "GET", f"/fhir/{told.there.links['patient']}", **used)
    [line] = [r for r in caplog.records if r.getMessage() == "emergency access"]
    assert vars(line)["told"] == {"request_id": answer.headers["x-request-id"], "client": WARD}
    [event] = events_of(told, answer)
    assert validate(event) == []
    [purpose] = event["purposeOfEvent"]
    assert (purpose["coding"][0]["code"], purpose["text"]) == ("BTG", REASON)
    names = [a["who"].get("display") for a in event["agent"]]
    assert "Dr Invented (as the client says; not verified)" in names
    everyday = told.ask(WARD, "GET", "/cases")
    [event] = events_of(told, everyday)
    assert "purposeOfEvent" not in event


def _subscriber(told: World, name: str) -> str:
    made = told.ask(name, "POST", "/fhir/Subscription", subscription(criteria=EMERGENCY_TOPIC))
    assert made.status_code == 201, made.text
    return made.json()["id"]


def _told_to(told: World, name: str, number: str) -> list[dict[str, Any]]:
    answer = told.ask(name, "GET", f"/fhir/Subscription/{number}/$events")
    parameters = load(answer.text)["entry"][0]["resource"]["parameter"]
    assert {p["valueCanonical"] for p in parameters if p["name"] == "topic"} == {EMERGENCY_TOPIC}
    return [p for p in parameters if p["name"] == "notification-event"]


def test_the_parties_of_the_case_are_told_and_nobody_else(told: World) -> None:
    told.add("watcher", Office.PHYSICIAN)
    names = [*told.there.clients, told.here.physician, "watcher"]
    numbers = {name: _subscriber(told, name) for name in names}
    moves = told.ask(told.there.dentist, "POST", "/fhir/Subscription", subscription()).json()["id"]
    opened(told)
    for name in names:
        events = _told_to(told, name, numbers[name])
        assert len(events) == (1 if name in told.there.clients else 0), name
    [event] = _told_to(told, told.there.dentist, numbers[told.there.dentist])
    parts = {p["name"]: p for p in event["part"]}
    focus = parts["focus"]["valueReference"]["reference"]
    assert parts["additional-context"]["valueReference"]["reference"].endswith(f"/CarePlan/{told.there.case}")
    read = told.ask(told.there.dentist, "GET", focus.removeprefix("http://testserver"))
    assert read.status_code == 200
    assert read.json()["purposeOfEvent"][0]["text"] == REASON
    assert validate(read.json()) == []
    assert told.ask(told.here.dentist, "GET", focus.removeprefix("http://testserver")).status_code == 404
    other = told.ask(told.there.dentist, "GET", f"/fhir/Subscription/{moves}/$events")
    assert focus not in other.text


def test_its_topic_takes_no_filter(told: World) -> None:
    body = subscription(filters="whose-move=physician", criteria=EMERGENCY_TOPIC)
    answer = told.ask(told.there.dentist, "POST", "/fhir/Subscription", body)
    assert answer.status_code == 422 and "no filters" in answer.text


def test_a_case_with_an_access_to_review_is_not_removed(told: World) -> None:
    from service.pipeline import emergency_review, record

    pipeline = told.grants.app.state.pipeline  # type: ignore[attr-defined]
    number = opened(told)["X-Emergency-Access"]
    trio: Trio = told.there
    done = told.ask(
        trio.physician, "POST", f"/intake/cases/{trio.case}/cancellation", example("physician/cancellation")
    )
    assert done.status_code in (200, 201), done.text
    agreed = {"accept": True, "on": "2026-11-20"}
    done = told.ask(trio.dentist, "POST", f"/intake/cases/{trio.case}/cancellation-answer", agreed)
    assert done.status_code in (200, 201), done.text
    [due] = record.due(pipeline.database, "2027-01-01")
    assert "still to be reviewed" in due.kept
    assert record.expire(pipeline.database, trio.case, "2027-01-01", "over") == due.kept
    emergency_review.review(pipeline.database, number, "A. Reviewer", "It was needed.", pipeline.now())
    assert emergency_review.waiting(pipeline.database, with_reviewed=False) == []
    assert [a.note for a in emergency_review.waiting(pipeline.database, with_reviewed=True)] == ["It was needed."]
    assert record.expire(pipeline.database, trio.case, "2027-01-01", "over") == ""
    assert emergency_review.waiting(pipeline.database, with_reviewed=True) == []
