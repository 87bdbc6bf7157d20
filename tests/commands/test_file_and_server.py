"""A case told in a file and the same case posted to the service get the same answers, or both are refused."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.commands.case_file import facts_of
from service.errors import Refused
from service.fhir.json_text import load, parse, write
from service.rules.case_view import view_case
from service.rules.site import Site
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.journeys import parts
from tests.short_run import times

_CASES, _SEED = times(300, 40), 20260302
_TODAY = date(2026, 8, 1)
_NOW = datetime.combine(_TODAY, time(12), ZoneInfo("UTC"))
_JSON = {"Content-Type": "application/json"}
_SITE = Site(region="US")
Messages = list[tuple[str, Any]]


def _day(rng: random.Random, first: int, last: int) -> str:
    return (date(2026, 3, 2) + timedelta(days=rng.randint(first, last))).isoformat()


def _maybe(rng: random.Random, share: float, **told: Any) -> dict[str, Any]:
    return {name: value for name, value in told.items() if rng.random() < share}


def _test(rng: random.Random) -> dict[str, Any]:
    index = rng.choice(["AHI", "REI", "RDI"])
    return {
        "index": index,
        "index_events_per_hour": rng.choice([2, 4.9, 5, 9, 14.5, 22.4, 40]),
        "hypopnoea_rule": rng.choice(["3% or arousal", "3%", "4%", "unknown"]),
        "recording_hours": rng.choice([1.5, 3, 4, 6.5, 7.5]),
        **_maybe(
            rng,
            0.4,
            scoring=rng.choice(["automatic", "automatic-reviewed", "manual"]),
            event_count=rng.choice([26, 65, 150]),
            central_share_percent=rng.choice([10, 80]),
            t90_percent=rng.choice([3, 12, 30]),
            lowest_spo2_percent=rng.choice([70, 84]),
        ),
    }


def _messages(rng: random.Random, number: int) -> Messages:
    """One invented case as messages in order of time; about one in six holds something impossible."""
    referral = parts.referral(f"F-{number}", "Calloway", "Ines", **_test(rng))
    if rng.random() < 0.06:
        referral["patient"]["birth_date"] = "2009-05-02"
    referral |= _maybe(rng, 0.4, conditions=["hypertension"], face_to_face_on="2026-01-20", pap_history="in use")
    found: Messages = [("referral", referral), ("referral-state", {"state": "accepted", "on": "2026-03-05"})]
    exam = parts.EXAM | _maybe(rng, 0.15, protrusive_range_mm=rng.choice([2, 4.5, 7]))
    found.append(("assessments", exam))
    found.append(("appliances", parts.appliance(26, **_maybe(rng, 0.3, starting_position_mm=rng.choice([0, 3, 6])))))
    settings, check_ins = [parts.setting("s0", 26, 0)], []
    for week in range(1, rng.randint(2, 9)):
        on = 26 + 7 * week
        if rng.random() < 0.5:
            mm = min(week, rng.choice([1, 2, 3]))
            settings.append(parts.setting(f"s{week}", on, mm, **_maybe(rng, 0.1, advance_right_mm=6, reason="midline")))
        told = parts.check_in(f"c{week}", on, rng.choice([1, 2, 3, 6]), rng.choice([3, 6, 8]), rng.choice([3, 6, 7]))
        told |= _maybe(
            rng, 0.3, epworth_total=rng.choice([6, 9, 12, 17]), reported_by=rng.choice(["bed-partner", "sensor"])
        )
        told |= _maybe(rng, 0.15, who_could_hear="nobody", driving="for-work", witnessed_pauses=True)
        check_ins.append(told)
    entries: dict[str, Any] = {"settings": settings, "check_ins": check_ins}
    if rng.random() < 0.2:
        entries["side_effects"] = [
            {"entry_id": "e", "reported_on": _day(rng, 30, 80), "kind": "jaw pain", "grade_0_to_3": rng.randint(1, 3)}
        ]
    if rng.random() < 0.2:
        kind = rng.choice(["drowsy-driving", "locked-jaw"])
        flag: dict[str, Any] = {"entry_id": "f", "reported_on": _day(rng, 30, 60), "kind": kind}
        if rng.random() < 0.5:
            flag |= {"resolved_on": _day(rng, 61, 90), "resolved_by": "Dr Teal", "action_taken": "Seen."}
        entries["red_flags"] = [flag]
    found.append(("progress", entries))
    if rng.random() < 0.5:
        found.append(("test-orders", {"order_number": "O", "ordered_on": _day(rng, 80, 90)}))
    if rng.random() < 0.5:
        result = parts.efficacy(f"F-{number}-E", rng.randint(91, 110), 4, rng.choice([1, 2, 3]), **_test(rng))
        found.append(("sleep-tests", result))
        if rng.random() < 0.5:
            choice = rng.choice(["continue-treatment", "combination-or-another-therapy", "advance-and-test-again"])
            decided = {"entry_id": "d", "decided_on": _day(rng, 111, 125), "decision": choice}
            found.append(("decisions", decided | _maybe(rng, 0.4, own_reading="partial")))
    return found


_IN_FILE = {
    "referral": "referral",
    "referral-state": "referral_state",
    "assessments": "assessment",
    "appliances": "appliance",
    "progress": "progress",
    "test-orders": "test_order",
    "sleep-tests": "sleep_test",
    "decisions": "decision",
}


def _of_a_file(messages: Messages) -> dict[str, Any] | None:
    """The case as `airway-relay decide` reads it; None when it is refused."""
    body = parse(write({_IN_FILE[name]: message for name, message in messages}).encode())
    try:
        facts = facts_of(body, _SITE.thresholds, _NOW)
    except Refused:
        return None
    return load(write(view_case(facts, _SITE, _TODAY).as_data()))


def _of_the_server(client: TestClient, messages: Messages) -> dict[str, Any] | None:
    """The case as the service answers once all is posted; None when any message is refused."""
    number = ""
    for name, message in messages:
        path = "/intake/referrals" if name == "referral" else f"/intake/cases/{number}/{name}"
        reply = client.post(path, content=write(message), headers=_JSON)
        if reply.status_code == 422:
            return None
        assert reply.status_code in (200, 201), reply.text
        number = load(reply.text)["case_number"]
    return load(client.get(f"/cases/{number}").text)


_SAME = ("stage", "whose_move", "since", "why", "urgent", "due", "activities", "questions", "red_flags")
_DECISIONS = ("readiness", "next_step", "response", "referral_check", "us_coverage_documentation", "follow_up")


def _comparable(case: dict[str, Any]) -> dict[str, Any]:
    """What is said of a case, without the names of the records it was read from."""

    def without_records(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: without_records(v) for k, v in value.items() if k not in ("inputs", "reference", "version")}
        return [without_records(v) for v in value] if isinstance(value, list) else value

    return without_records({name: case[name] for name in (*_SAME, *_DECISIONS)})


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    clock = Clock()
    clock.now = _NOW
    database = f"sqlite:///{tmp_path_factory.mktemp('both')}/relay.db"
    pipeline = build_pipeline(Settings(database_url=database, site=_SITE), clock=clock)
    yield TestClient(build_app(Settings(), pipeline))
    pipeline.close()


@pytest.mark.at_length
def test_file_and_server_answer_alike(server: TestClient) -> None:
    rng, refused, classed = random.Random(_SEED), 0, 0
    for number in range(_CASES):
        messages = _messages(rng, number)
        by_file, by_server = _of_a_file(messages), _of_the_server(server, messages)
        where = f"case {number}: {write(messages)[:2000]}"
        assert (by_file is None) == (by_server is None), where
        if by_file is None or by_server is None:
            refused += 1
            continue
        classed += by_file["response"] is not None
        assert _comparable(by_file) == _comparable(by_server), where
    print(f"{_CASES} cases: {refused} refused by both, {classed} with a response")
    assert refused > _CASES // 15 and classed > _CASES // 5
