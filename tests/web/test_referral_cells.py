"""Every cell of the referral's states that a client can ask for, through the real addresses, in each role."""

from __future__ import annotations

from itertools import count
from typing import Any

import pytest
from httpx import Response
from starlette.testclient import TestClient

from service.fhir.json_text import load
from service.fhir.referral_task import Role
from service.intake.sender import Sender
from tests.referral_grid import LETTERS, ORDER, letter
from tests.web.messages import Case, example, issues, put, referral

STARTS = [s for s in ORDER if s not in ("draft", "ready")]
REASON = "said on the phone"
ON = "2026-09-10"
_numbers = count(1)
# what F sends at the door for the dental office, what P sends at the physician's
BY_F = ("received", "accepted", "rejected", "in-progress", "on-hold", "completed", "failed")
BY_P = ("cancelled", "entered-in-error")
# out of order from the dental office: an earlier step reported late is taken, said, and moves nothing
LATE = {
    ("accepted", "received"),
    ("in-progress", "received"),
    ("in-progress", "accepted"),
}


def in_state(client: TestClient, state: str) -> Case:
    """A new case brought to a state by messages; in every one but the first the patient was examined."""
    number = next(_numbers)
    case = Case(client, referral(referral_number=f"R-{number}", baseline_test__test_number=f"T-{number}"))
    if state in ("requested", "received", "rejected"):
        case.sent("assessments", example("dental-office/assessment"))
    if state == "received":
        moved(case, "received")
    if state in ("accepted", "in-progress", "on-hold", "completed", "failed"):
        case.sent("referral-state", example("dental-office/accept"))
        case.sent("assessments", example("dental-office/assessment"))
    if state in ("in-progress", "on-hold", "completed", "failed"):
        case.sent("appliances", example("dental-office/appliance"))
    if state in ("rejected", "on-hold", "completed", "failed"):
        moved(case, state)
    if state in BY_P:
        withdrawn(case, state)
    assert status(client, case) == state
    return case


def moved(case: Case, state: str) -> Response:
    return case.send("referral-state", {"state": state, "on": ON, "reason": REASON})


def withdrawn(case: Case, state: str) -> Response:
    body = {"on": ON, "reason": REASON, "entered_in_error": state == "entered-in-error"}
    return case.send("cancellation", body)


def task_of(client: TestClient, case: Case) -> dict[str, Any]:
    return load(client.get(f"/fhir/{case.task}").text)


def status(client: TestClient, case: Case) -> str:
    return task_of(client, case)["status"]


def asked_by_fhir(client: TestClient, case: Case, end: str) -> Response:
    """The Task as read, with another status and all that any guard could ask for."""
    task = task_of(client, case)
    etag = f'W/"{task["meta"]["versionId"]}"'
    if task["status"] != end:
        output = {"type": {"text": "Summary"}, "valueReference": {"reference": f"CarePlan/{case.number}"}}
        task |= {"status": end, "statusReason": {"text": REASON}, "output": [output]}
    return put(client, f"/fhir/{case.task}", task, **{"If-Match": etag})


@pytest.mark.sampled("start")
@pytest.mark.parametrize("role", list(Role), ids=lambda r: r.name)
@pytest.mark.parametrize("start", STARTS)
def test_a_row_by_fhir_update(client: TestClient, monkeypatch: pytest.MonkeyPatch, start: str, role: Role) -> None:
    case = in_state(client, start)
    monkeypatch.setattr("service.web.fhir_reply.sender_of", lambda _request: Sender(role))
    for end in ORDER:
        held = letter(start, end)
        may = held in "FP" if role is Role.UNKNOWN else LETTERS.get(held) is role and role is not Role.SERVICE
        before = task_of(client, case)
        answer = asked_by_fhir(client, case, end)
        if held == "=":
            assert (answer.status_code, task_of(client, case)) == (200, before), end
        elif may:
            assert (answer.status_code, status(client, case)) == (200, end), answer.text
            case = in_state(client, start)
        else:
            assert (answer.status_code, task_of(client, case)) == (422, before), end
            if end not in ("draft", "ready"):
                told = " ".join(i[1] for i in issues(answer))
                assert f"«{start}» cannot be made «{end}» by the {role}" in told


@pytest.mark.parametrize("start", STARTS)
def test_a_row_by_message_of_the_dental_office(client: TestClient, start: str) -> None:
    case = in_state(client, start)
    for end in BY_F:
        before = task_of(client, case)
        answer = moved(case, end)
        if letter(start, end) == "F":
            assert (answer.status_code, status(client, case)) == (200, end), answer.text
            case = in_state(client, start)
            continue
        assert task_of(client, case) == before, end
        if (start, end) in LATE:
            assert answer.status_code == 200
            assert load(answer.text)["notes"] == [
                f"The referral is «{start}» by now; «{end}» of {ON} was received and moves nothing."
            ]
        elif letter(start, end) == "=":
            assert answer.status_code == 200, end
        else:
            assert answer.status_code == 422, end
            assert f"«{start}» cannot be made «{end}» by the dental office" in issues(answer)[0][1]


@pytest.mark.parametrize("end", BY_P)
@pytest.mark.parametrize("start", STARTS)
def test_a_cell_by_message_of_the_physicians_office(client: TestClient, start: str, end: str) -> None:
    case = in_state(client, start)
    before = task_of(client, case)
    answer = withdrawn(case, end)
    if letter(start, end) == "P":
        assert (answer.status_code, status(client, case)) == (200, end), answer.text
        return
    assert task_of(client, case) == before
    if letter(start, end) == "=":
        assert answer.status_code == 200
    elif letter(start, end) == "S":
        assert answer.status_code == 200
        assert "was asked to agree to the cancellation" in load(answer.text)["notes"][0]
    else:
        assert answer.status_code == 422
        assert f"«{start}» cannot be made «{end}» by the physician's office" in issues(answer)[0][1]
