"""A red flag stays with the office it is for: a correction keeps its kind, a withdrawal is shown, a closure tells in words.

The same at every door: plain message, FHIR and page.
"""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from service.fhir.build import component
from service.fhir.codes import local
from tests.web.messages import Case, issues, post, put
from tests.web.pages.forms import filled, opened, send

JAW = {"entry_id": "jaw", "reported_on": "2026-11-18", "kind": "locked-jaw"}
CLOSURE = {
    "entry_id": "z",
    "kind": "locked-jaw",
    "closed_on": "2026-11-19",
    "office": "dentist",
    "closed_by": "Dr Teal",
}
WAY_OUT = "mark the report as entered in error, and report anew"


@pytest.fixture
def case(client: TestClient) -> Case:
    return Case(client).fitted()


def _open(case: Case) -> list[str]:
    return [f["kind"] for f in case.client.get(f"/cases/{case.number}").json()["red_flags"]]


def test_a_correction_by_message_keeps_the_kind(case: Case) -> None:
    case.sent("progress", {"red_flags": [JAW]})
    refused = case.send("progress", {"red_flags": [{**JAW, "kind": "drowsy-driving", "revision": 2}]})
    ((code, sentence, place),) = issues(refused)
    assert (refused.status_code, code, place) == (422, "business-rule", "red_flags[0].kind")
    assert WAY_OUT in sentence and _open(case) == ["locked-jaw"]
    # The day may be corrected; and what was reported wrongly is withdrawn, and reported anew.
    case.sent("progress", {"red_flags": [{**JAW, "reported_on": "2026-11-17", "revision": 2}]})
    anew = {"entry_id": "drive", "reported_on": "2026-11-18", "kind": "drowsy-driving"}
    case.sent("progress", {"red_flags": [{**JAW, "entered_in_error": True}, anew]})
    assert _open(case) == ["drowsy-driving"]


def test_nor_does_a_withdrawal_change_the_kind(case: Case) -> None:
    case.sent("progress", {"red_flags": [JAW]})
    told = {**JAW, "kind": "drowsy-driving", "entered_in_error": True}
    assert case.send("progress", {"red_flags": [told]}).status_code == 422
    assert _open(case) == ["locked-jaw"]


def test_an_update_by_fhir_keeps_the_kind(case: Case) -> None:
    made = post(
        case.client, "/fhir/Observation", case.observation("red-flag", valueCodeableConcept=_kind("locked-jaw"))
    )
    assert made.status_code == 201, made.text
    held = made.json()
    address = f"/fhir/Observation/{held['id']}"
    # Another kind, and an Observation that is no red flag at all, which the profile it belongs to refuses.
    for changes, told in (
        ({"valueCodeableConcept": _kind("drowsy-driving")}, (True, "Observation.value")),
        ({"code": {"text": "a note"}}, (False, "Observation.code")),
    ):
        answer = put(case.client, address, {**held, **changes}, **{"If-Match": 'W/"1"'})
        assert answer.status_code == 422
        assert [(WAY_OUT in why, place) for _, why, place in issues(answer)] == [told]
    assert _open(case) == ["locked-jaw"]


def _kind(kind: str) -> dict:
    return local(kind).concept


def test_the_page_tells_it_at_the_field(case: Case) -> None:
    filled(case.client, f"/cases/{case.number}/forms/red-flag", reported_on="2026-11-18", kind="locked-jaw")
    page = case.client.get(f"/cases/{case.number}/page").text
    found = re.search(r'href="(/cases/[^"]+/forms/red-flag/page-[0-9a-f]+)"', page)
    assert found
    answer = send(case.client, found[1], {**opened(case.client, found[1]), "kind": "drowsy-driving"})
    assert answer.status_code == 422 and WAY_OUT in answer.text
    assert _open(case) == ["locked-jaw"]


def test_a_withdrawn_red_flag_is_shown_wherever_flags_are(case: Case) -> None:
    driving = {"entry_id": "drive", "reported_on": "2026-11-18", "kind": "drowsy-driving"}
    case.sent("progress", {"red_flags": [JAW, driving]})
    case.sent("progress", {"red_flags": [{**JAW, "entered_in_error": True}]})
    told = case.client.get(f"/cases/{case.number}").json()
    assert [f["kind"] for f in told["withdrawn_red_flags"]] == ["locked-jaw"]
    narrative = case.client.get(f"/fhir/CarePlan/{case.number}").json()["text"]["div"]
    for shown in (case.client.get(f"/cases/{case.number}/page").text, case.client.get("/physician").text, narrative):
        assert "A locked jaw was reported on 18 Nov 2026. It was withdrawn by correction." in shown


@pytest.mark.parametrize("words", [".", "-", "ok"])
def test_a_closure_tells_in_words_what_was_done(case: Case, words: str) -> None:
    case.sent("progress", {"red_flags": [JAW]})
    refused = case.send("red-flag-closures", {**CLOSURE, "action_taken": words})
    assert refused.status_code == 422
    assert issues(refused)[0][1:] == (
        "What was done about a red flag is told in words, at least 3 letters.",
        "action_taken",
    )
    resolved = {**JAW, "revision": 2, "resolved_on": "2026-11-19", "resolved_by": "Dr Teal", "action_taken": words}
    refused = case.send("progress", {"red_flags": [resolved]})
    assert (refused.status_code, issues(refused)[0][2]) == (422, "red_flags[0].action_taken")
    parts = [
        component(local("closing-office"), "valueCodeableConcept", local("dentist").concept),
        component(local("closed-by"), "valueString", "Dr Teal"),
        component(local("action-taken"), "valueString", words),
    ]
    told = case.observation("red-flag-closure", valueCodeableConcept=_kind("locked-jaw"), component=parts)
    refused = post(case.client, "/fhir/Observation", {**told, "effectiveDateTime": "2026-11-19"})
    assert (refused.status_code, issues(refused)[0][2]) == (422, "Observation.component")
    place = f"/cases/{case.number}/forms/red-flag-closure"
    fields = {k: v for k, v in CLOSURE.items() if k != "entry_id"}
    answer = send(case.client, place, {**opened(case.client, place), **fields, "action_taken": words})
    assert answer.status_code == 422 and "told in words" in answer.text
    assert _open(case) == ["locked-jaw"]
    case.sent("red-flag-closures", {**CLOSURE, "action_taken": "Repositioned by hand"})
    assert _open(case) == []
