"""A patient checks in by a link: what it shows and stores, what it answers at once, and that it leads nowhere else."""

from __future__ import annotations

import hashlib
import json
import logging
import re
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import text
from starlette.testclient import TestClient

from service.access.grant import Office
from service.errors import Refused
from service.fhir.json_text import load, write
from service.inbound.dental_office import map_appliance, map_assessment, map_state
from service.inbound.progress import map_progress
from service.intake.message import Received
from service.intake.sender import Bound, Sender
from service.new_id import new_id
from service.pipeline import Pipeline, check_in_links
from service.web import csrf
from service.web.pages.check_in_words import what_to_do
from tests.access.world import World, world
from tests.conftest import PARTITIONS, Clock
from tests.web.audit_events import event_of, events
from tests.web.messages import Case, example, post, referral
from tests.web.pages.forms import fill

FORM = {"Content-Type": "application/x-www-form-urlencoded"}
ANSWERS = {
    "snoring_0_to_10": "3",
    "restedness_0_to_10": "7",
    "nights_reported": "7",
    "nights_worn": "6",
    "hours_per_night": "6,5",
    "witnessed_pauses": "no",
    "pain_grade": "1",
}


@pytest.fixture
def case(client: TestClient) -> Case:
    held = Case(client).fitted()
    held.sent(
        "progress",
        {"settings": [{"entry_id": "s1", "set_on": "2026-11-01", "advance_left_mm": 1, "advance_right_mm": 1}]},
    )
    return held


def made(case: Case) -> str:
    """The path of a new link."""
    answer = case.client.post(f"/intake/cases/{case.number}/check-in-links")
    assert answer.status_code == 201, answer.text
    link = answer.json()["link"]
    assert link.startswith("http://127.0.0.1:8080/check-in/")
    return link.removeprefix("http://127.0.0.1:8080")


def entries(case: Case) -> list[dict[str, Any]]:
    """The messages that came by a link."""
    held = case.client.get(f"/cases/{case.number}/messages").json()["messages"]
    return [load(m["text"]) for m in held if m["channel"] == "check-in link"]


def check_ins(case: Case) -> list[dict[str, Any]]:
    found = case.client.get(f"/fhir/QuestionnaireResponse?patient={case.patient}").json().get("entry", [])
    return [e["resource"] for e in found]


def test_a_link_shows_this_week_and_takes_a_check_in_as_a_progress_message(case: Case) -> None:
    path = made(case)
    page = case.client.get(path)
    assert page.status_code == 200
    assert "Keep the appliance at 1 mm on both sides" in page.text
    told = case.client.post(path, data=ANSWERS)
    assert told.status_code == 200, told.text
    assert "We have what you told us" in told.text
    message = entries(case)[0]
    entry = dict(message["check_ins"][0])
    assert entry.pop("entry_id").startswith("link-")
    assert json.loads(write(entry)) == {
        "reported_on": "2026-11-20",
        "reported_by": "patient",
        "snoring_0_to_10": 3,
        "restedness_0_to_10": 7,
        "nights_reported": 7,
        "nights_worn": 6,
        "hours_per_night": 6.5,
        "witnessed_pauses": False,
    }
    assert message["side_effects"][0]["kind"] == "jaw or tooth pain"
    again = case.send("progress", message)
    assert {r["result"] for r in again.json()["resources"]} == {"unchanged"}


def test_sent_twice_it_is_one_and_a_change_on_the_same_day_is_a_correction(case: Case, clock: Clock) -> None:
    path = made(case)
    for _ in range(2):
        assert case.client.post(path, data=ANSWERS).status_code == 200
    assert [r["meta"]["versionId"] for r in check_ins(case)] == ["1"]
    changed = case.client.post(path, data={**ANSWERS, "snoring_0_to_10": "5"})
    assert "We have what you told us" in changed.text
    assert [r["meta"]["versionId"] for r in check_ins(case)] == ["2"]
    assert case.client.post(path, data=ANSWERS).status_code == 200
    assert [r["meta"]["versionId"] for r in check_ins(case)] == ["3"]
    clock.move(days=1)
    assert "Did you wear the appliance last night?" in case.client.get(path).text
    assert case.client.post(path, data={**ANSWERS, "nights_reported": "1", "nights_worn": "1"}).status_code == 200
    assert len(check_ins(case)) == 2


def test_an_office_corrects_and_withdraws_what_came_by_the_link(case: Case) -> None:
    path = made(case)
    case.client.post(path, data=ANSWERS)
    entry = entries(case)[0]["check_ins"][0]["entry_id"]
    form = f"/cases/{case.number}/forms/check-in/{entry}"
    assert "Stored" not in fill(case.client, form, snoring_0_to_10="4").text
    assert [r["meta"]["versionId"] for r in check_ins(case)] == ["2"]
    withdrawn = case.send("progress", {"check_ins": [{**entries(case)[0]["check_ins"][0], "entered_in_error": True}]})
    assert withdrawn.status_code == 200, withdrawn.text
    assert case.client.post(path, data=ANSWERS).status_code == 200
    states = sorted(r["status"] for r in check_ins(case))
    assert states == ["completed", "entered-in-error"]


SIGNS = [
    ("drowsy-driving", "physician", "Do not drive until your doctor says it is safe."),
    ("worse-sleepiness", "physician", "Do not drive when you feel sleepy."),
    ("locked-jaw", "dentist", "Stop wearing the appliance."),
    ("loose-tooth", "dentist", "Call your dental office today."),
    ("broken-appliance", "dentist", "Keep all the parts"),
]


@pytest.mark.parametrize(("kind", "mover", "words"), SIGNS)
def test_a_warning_sign_is_answered_at_once_and_stops_the_case(case: Case, kind: str, mover: str, words: str) -> None:
    told = case.client.post(made(case), data={**ANSWERS, f"trouble-{kind}": "yes"})
    assert "Please act now" in told.text and words in told.text
    assert "Call the emergency number now." in told.text
    stands = case.client.get(f"/cases/{case.number}").json()
    assert (stands["readiness"]["outcome"], stands["whose_move"], stands["urgent"]) == ("stop-and-review", mover, True)
    week = next(a["instruction"] for a in stands["activities"] if a["title"] == "This week")
    shown = unescape(re.sub(r"<[^>]+>", "|", told.text)).split("|")
    assert [line for line in re.split(r"(?<=\.) (?=[A-Z])", week) if line not in shown] == []
    acts = what_to_do([kind], None)
    assert acts.removesuffix(" Do not drive when you feel sleepy.").replace("today", "") in week.replace(
        "today", ""
    ) or (kind == "worse-sleepiness")


def test_what_is_done_at_once_is_told_before_there_is_a_setting(client: TestClient) -> None:
    case = Case(client)
    case.sent("referral-state", example("dental-office/accept"))
    told = case.client.post(made(case), data={**ANSWERS, "trouble-drowsy-driving": "yes", "trouble-locked-jaw": "yes"})
    main = re.findall(r'<p class="main-message">([^<]+)</p>', told.text)
    assert main == [
        "Do not drive until your doctor says it is safe.",
        "Stop wearing the appliance.",
        "Call your dental office today.",
    ]
    assert '<p class="patient-line">Call your doctor today.</p>' in told.text


def test_questions_of_hearing_driving_and_health_are_taken_and_driving_is_asked_until_told(case: Case) -> None:
    path = made(case)
    page = case.client.get(path).text
    assert "Who could hear you sleep?" in page and "Do you drive?" in page and "Are you pregnant?" in page
    more = {"who_could_hear": "recorder", "recorder_nights": "4", "driving": "for-work", "health-opioid": "yes"}
    case.client.post(path, data={**ANSWERS, **more, "health-stroke": "no"})
    told = entries(case)[0]["check_ins"][0]
    assert (told["who_could_hear"], told["recorder_nights"], told["driving"]) == ("recorder", 4, "for-work")
    assert told["health_changes"] == ["opioid"]
    assert "Do you drive?" not in case.client.get(path).text


def test_a_check_in_tells_whom_to_call_with_the_number(client: TestClient) -> None:
    case = Case(client, referral(dental_office__telephone="555 0117")).fitted()
    setting = {"entry_id": "s1", "set_on": "2026-11-01", "advance_left_mm": 1, "advance_right_mm": 1}
    case.sent("progress", {"settings": [setting]})
    told = case.client.post(made(case), data={**ANSWERS, "trouble-loose-tooth": "yes"})
    assert (
        'today: <a class="telephone" href="tel:5550117">555 0117</a> <span class="whence">(according to the referral).</span>'
        in told.text
    )


def test_a_warning_sign_reported_again_after_it_was_resolved_is_open_again(case: Case, clock: Clock) -> None:
    path = made(case)
    flagged = {**ANSWERS, "trouble-loose-tooth": "yes"}
    case.client.post(path, data=flagged)
    told = {"kind": "loose-tooth", "office": "dentist", "closed_by": "Dr Teal", "action_taken": "Seen and advised"}
    case.sent("red-flag-closures", {"entry_id": "z1", "closed_on": clock().isoformat(), **told})
    assert case.client.get(f"/cases/{case.number}").json()["readiness"]["outcome"] != "stop-and-review"
    clock.move(days=1)
    case.client.post(path, data=flagged)
    assert case.client.get(f"/cases/{case.number}").json()["readiness"]["outcome"] == "stop-and-review"


def test_what_is_wrong_is_told_and_nothing_is_stored(case: Case) -> None:
    path = made(case)
    told = case.client.post(path, data={**ANSWERS, "nights_worn": "9", "snoring_0_to_10": "11"})
    assert told.status_code == 422
    assert "Nothing was stored yet" in told.text and "Snoring:" in told.text
    assert 'value="9"' in told.text
    empty = case.client.post(path, data={"other": ""})
    assert empty.status_code == 422
    assert entries(case) == []


def test_the_page_shows_initials_and_nothing_else_of_the_case(case: Case) -> None:
    held = load(case.client.get(f"/fhir/{case.patient}").text)
    name = held["name"][0]
    path = made(case)
    for page in (case.client.get(path), case.client.post(path, data=ANSWERS)):
        assert name["family"] not in page.text
        assert case.number not in page.text
        assert set(re.findall(r'(?:href|src|action)="([^"]+)"', page.text)) <= {"/style.css", "/icon.svg"}
        assert page.headers["referrer-policy"] == "no-referrer"
        assert page.headers["cache-control"] == "no-store"
        assert "noindex" in page.headers["x-robots-tag"]
        assert "script" not in page.text
    assert f"Hello {name['given'][0][0]}. {name['family'][0]}." in case.client.get(path).text


def test_links_that_do_not_hold_answer_alike(case: Case, clock: Clock) -> None:
    ended, replaced = made(case), ""
    replaced = made(case)
    last = made(case)
    answers = [case.client.get(p) for p in (ended, replaced, "/check-in/" + "A" * 43, "/check-in/x", "/check-in/%00é")]
    assert case.client.get(last).status_code == 200
    clock.move(days=13, hours=23)
    assert case.client.get(last).status_code == 200
    clock.move(hours=2)
    answers += [case.client.get(last), case.client.post(last, data=ANSWERS)]
    stopped = made(case)
    assert case.client.delete(f"/intake/cases/{case.number}/check-in-links").json()["ended"] is True
    assert case.client.delete(f"/intake/cases/{case.number}/check-in-links").json()["ended"] is False
    closing = made(case)
    case.sent("referral-state", {"state": "failed", "on": "2026-11-20", "reason": "moved away"})
    answers += [case.client.get(p) for p in (stopped, closing)]
    assert {(a.status_code, a.text) for a in answers} == {(404, answers[0].text)}
    assert "does not work" in answers[0].text
    assert entries(case) == []


def test_whoever_tries_many_links_is_slowed(case: Case) -> None:
    path = made(case)
    tries = [case.client.get(f"/check-in/{n:043d}") for n in range(25)]
    assert {t.status_code for t in tries[:20]} == {404}
    assert {t.status_code for t in tries[21:]} == {429}
    assert case.client.get(path).status_code == 429
    assert {t.text for t in tries} == {tries[0].text}


def test_the_database_the_log_and_the_audit_do_not_hold_the_secret(
    case: Case, sqlite_pipeline: Pipeline, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    path = made(case)
    secret = path.removeprefix("/check-in/")
    read, told = case.client.get(path), case.client.post(path, data=ANSWERS)
    for answer in (read, told):
        agents = event_of(case.client, answer.headers["x-request-id"])["agent"]
        assert "patient by link" in str(agents)
    assert "/check-in/{token}" in str([getattr(r, "told", "") for r in caplog.records])
    held = write(events(case.client)) + str([r.__dict__ for r in caplog.records if r.name != "httpx"])
    with sqlite_pipeline.database.engine.connect() as connection:
        tables = [r[0] for r in connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'table'"))]
        for table in tables:
            held += str(connection.execute(text(f"SELECT * FROM {table}")).all())
    assert hashlib.sha256(secret.encode()).hexdigest() in held
    assert secret not in held


def test_an_office_makes_and_ends_a_link_on_a_page(case: Case) -> None:
    place = f"/cases/{case.number}/check-in-link"
    assert "The patient has no link now" in case.client.get(place).text
    token = case.client.cookies[csrf.COOKIE]
    assert case.client.post(place, data={"other": ""}).status_code == 403
    shown = case.client.post(place, data={csrf.FIELD: token})
    found = re.search(r"<code>http://127.0.0.1:8080(/check-in/[\w-]{43})</code>", shown.text)
    assert found and '<svg viewBox="' in shown.text and 'class="qr"' in shown.text
    assert "style=" not in shown.text
    assert case.client.get(found[1]).status_code == 200
    again = case.client.get(place).text
    assert "sent by it 0 times" in again and found[1] not in again
    assert case.client.post(f"{place}/end", data={"other": ""}).status_code == 403
    assert case.client.post(f"{place}/end", data={csrf.FIELD: token}).status_code == 200
    assert case.client.get(found[1]).status_code == 404
    assert f'href="{place}"' in case.client.get(f"/cases/{case.number}/page").text


@pytest.fixture
def told(tmp_path: Any, clock: Clock) -> Iterator[World]:
    with world(f"sqlite:///{tmp_path}/world.db", clock, PARTITIONS) as held:
        yield held


def test_only_the_dental_office_of_the_case_makes_a_link(told: World) -> None:
    place = f"/intake/cases/{told.here.case}/check-in-links"
    for name, status in (
        (told.here.dentist, 201),
        (told.here.lab, 403),
        (told.here.physician, 403),
        (told.there.dentist, 404),
    ):
        assert told.ask(name, "POST", place).status_code == status, name
    assert told.ask(told.here.physician, "DELETE", place).status_code == 403
    assert told.ask(told.there.dentist, "DELETE", place).status_code == 404


def test_a_link_writes_how_its_own_patient_is_and_nothing_else(told: World) -> None:
    """The sender of a link, handed other messages and another case by whatever fault, is refused."""
    pipeline: Pipeline = told.grants.app.state.pipeline  # type: ignore[attr-defined]
    link = told.ask(told.here.dentist, "POST", f"/intake/cases/{told.here.case}/check-in-links").json()["link"]
    asking = check_in_links.opened(pipeline, link.rsplit("/", 1)[1])
    assert asking is not None and asking.grant.offices == {Office.DENTAL_OFFICE}
    sender = Sender(grant=asking.grant, bound=Bound(asking.case_number, check_in_links.KINDS))

    def receive(number: str, mapping: Any, body: dict[str, Any]) -> Any:
        received = Received("check-in link", write(body).encode(), new_id(), plain=True, sender=sender)
        return pipeline.receive(received, mapping, number)

    def of(number: str, mapping: Any) -> Any:
        return lambda body: mapping(body, number)

    own = told.here.case
    check_in = {"check_ins": [{"entry_id": "l1", "reported_on": "2026-11-20", "snoring_0_to_10": 3}]}
    setting = {"settings": [{"entry_id": "l2", "set_on": "2026-11-20", "advance_left_mm": 1, "advance_right_mm": 1}]}
    refused = [
        (told.there.case, of(told.there.case, map_progress), check_in),
        (own, of(own, map_progress), setting),
        (own, of(own, map_assessment), {**example("dental-office/assessment"), "entry_id": "l3"}),
        (own, of(own, map_appliance), {**example("dental-office/appliance"), "entry_id": "l4"}),
        (own, map_state, {"state": "failed", "on": "2026-11-20", "reason": "x"}),
    ]
    before = told.ask("", "GET", f"/cases/{own}/messages").json()
    for number, mapping, body in refused:
        with pytest.raises(Refused) as why:
            receive(number, mapping, body)
        assert {p.category.value for p in why.value.problems} <= {"forbidden", "not-found"}, body
    assert told.ask("", "GET", f"/cases/{own}/messages").json() == before
    assert receive(own, of(own, map_progress), check_in).outcomes
    everybodys = Sender(grant=told.grants.held[told.here.dentist])
    sender = everybodys
    assert receive(own, of(own, map_progress), setting).outcomes, "the bound alone refused it"


def test_the_link_needs_no_token_and_opens_nothing_else(told: World) -> None:
    link = told.ask(told.here.dentist, "POST", f"/intake/cases/{told.here.case}/check-in-links").json()["link"]
    path = "/check-in/" + link.rsplit("/", 1)[1]
    assert told.client.get(path).status_code == 200
    assert told.client.post(path, data=ANSWERS).status_code == 200
    assert told.client.get(f"{path}/page").status_code == 404


def test_links_of_a_case_go_with_its_record(client: TestClient, sqlite_pipeline: Pipeline, clock: Clock) -> None:
    from service.pipeline.record import expire

    case = Case(client).fitted()
    made(case)
    case.sent("referral-state", {"state": "failed", "on": "2026-11-20", "reason": "moved away"})
    clock.move(days=1 + timedelta(days=1).days)
    assert expire(sqlite_pipeline.database, case.number, "2026-11-22", "over") == ""
    with sqlite_pipeline.database.engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM check_in_link")).scalar() == 0


def test_the_days_of_a_link_are_a_setting(client: TestClient) -> None:
    case = Case(client).fitted()
    client.app.state.check_in_link_days = 3  # type: ignore[attr-defined]
    answer = post(client, f"/intake/cases/{case.number}/check-in-links", {})
    assert answer.json()["expires_at"].startswith("2026-11-23T09:00")
