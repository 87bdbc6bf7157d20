"""Decisions of the day: read today, they are today's; the proposal of a test comes and goes with readiness."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.json_text import load
from service.pipeline import Pipeline
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.store.messages import Post, check_in, example, opened_case, ordered, red_flag, referral, settled_course, take
from tests.store.whole import check_whole, rows_of


@pytest.fixture
def days(database_url: str, clock: Clock) -> Iterator[Pipeline]:
    """A pipeline whose database is found whole when the test is done."""
    pipeline = build_pipeline(Settings(database_url=database_url), clock=clock)
    yield pipeline
    pipeline.close()
    check_whole(rows_of(database_url))


def _versions(pipeline: Pipeline, number: str) -> list[int]:
    return [v.version for v in pipeline.history("CarePlan", number).matches]


def _care_plan(pipeline: Pipeline, number: str) -> dict[str, Any]:
    return load(pipeline.resource("CarePlan", number).body)


def _proposal(pipeline: Pipeline, number: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The proposal of the setting of 20 October, and the physician's Task for it."""
    name = f"{number}-test-proposal-2026-10-20"
    return load(pipeline.resource("ServiceRequest", name).body), load(pipeline.resource("Task", f"{name}-task").body)


def test_a_case_decided_yesterday_is_decided_anew_when_it_is_read_today(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    assert days.case(number)["as_of"] == "2026-11-20"
    clock.move(days=1)
    assert days.case(number)["as_of"] == "2026-11-21"
    assert "As of 21 Nov 2026" in _care_plan(days, number)["description"]


def test_a_care_plan_read_first_is_of_today_as_well(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    before = _versions(days, number)
    clock.move(days=40)
    assert "As of 30 Dec 2026" in _care_plan(days, number)["description"]
    assert _versions(days, number) == [before[0] + 1, *before]


def _proposals(pipeline: Pipeline, number: str) -> list[str]:
    """The proposals that the plan shows."""
    shown = [held["reference"] for held in _care_plan(pipeline, number)["supportingInfo"]]
    return [reference for reference in shown if reference.startswith(f"ServiceRequest/{number}-test-proposal")]


def test_readiness_lapses_with_time_alone(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    assert days.case(number)["stage"] == "ready-for-test"
    clock.move(days=40)
    case = days.case(number)
    assert case["stage"] == "titrating"
    assert case["readiness"]["outcome"] == "ask-physician"


def test_the_care_plan_gets_a_version_only_when_its_content_changed(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    before = _versions(days, number)
    clock.move(hours=2)
    days.refresh(number)
    take(days, settled_course()[-1], number)
    days.case(number)
    assert _versions(days, number) == before
    take(days, check_in("c3", "2026-11-19", snoring=8), number)
    assert _versions(days, number) == [before[0] + 1, *before]


def test_a_day_that_was_decided_is_not_decided_again(days: Pipeline, clock: Clock, database_url: str):
    number = opened_case(days, settled_course())
    clock.move(days=1)
    days.resource("CarePlan", number)
    before = rows_of(database_url)
    days.case(number)
    days.refresh(number)
    days.resource("CarePlan", number)
    days.resource("Observation", f"{number}-readiness")
    assert rows_of(database_url) == before


def _written(before: dict[str, Any], after: dict[str, Any]) -> set[str]:
    """The tables that hold other rows now."""
    return {table for table in before if before[table] != after[table]}


def test_a_day_that_changes_nothing_that_matters_is_told_by_the_case_row_alone(
    days: Pipeline, clock: Clock, database_url: str
):
    """Ready yesterday and ready today: another day at the setting is no news that deserves a version."""
    number = opened_case(days, settled_course())
    before = rows_of(database_url)
    for _ in range(2):
        clock.move(days=1)
        assert days.refresh_some() == 1
    after = rows_of(database_url)
    assert _written(before, after) == {"case_row"}
    case = days.case(number)
    assert case["as_of"] == "2026-11-22"
    assert "33 days at 2 mm on both sides" in case["readiness"]["criteria"][2]["sentence"]
    assert days.worklist(None, None, 5)[0].decided_on == "2026-11-22"


def test_whoever_reads_a_decision_after_such_days_gets_todays_and_one_version_of_it(
    days: Pipeline, clock: Clock, database_url: str
):
    number = opened_case(days, settled_course())
    before = _versions(days, number)
    for _ in range(2):
        clock.move(days=1)
        days.refresh_some()
    readiness = load(days.resource("Observation", f"{number}-readiness").body)
    assert readiness["effectiveDateTime"] == "2026-11-22"
    once = rows_of(database_url)
    assert "As of 22 Nov 2026" in _care_plan(days, number)["description"]
    assert _versions(days, number) == [before[0] + 1, *before]
    assert rows_of(database_url) == once


@pytest.mark.parametrize(
    "question", ["CarePlan?patient={}", "CarePlan?_id={}", "Patient/{}/$everything?_type=CarePlan"]
)
def test_a_search_after_such_days_finds_todays(days: Pipeline, clock: Clock, question: str):
    number = opened_case(days, settled_course())
    patient = days.case(number)["resources"]["patient"].removeprefix("Patient/")
    clock.move(days=2)
    days.refresh_some()
    client = TestClient(build_app(Settings(), days))
    asked = question.format(number if "_id" in question else patient)
    found = load(client.get(f"/fhir/{asked}").text)["entry"][0]["resource"]
    assert "As of 22 Nov 2026" in found["description"]


def test_a_reader_of_what_a_client_sent_makes_no_decision(days: Pipeline, clock: Clock, database_url: str):
    number = opened_case(days, settled_course())
    sent = next(r for r in rows_of(database_url)["fact"] if r["type"] == "Observation")
    clock.move(days=1)
    before = rows_of(database_url)
    days.resource("Observation", sent["id"])
    assert rows_of(database_url) == before
    days.resource("Task", days.case(number)["resources"]["task"].removeprefix("Task/"))
    assert "resource_version" in _written(before, rows_of(database_url))


def test_a_day_that_changes_what_matters_is_recorded_by_the_sweep(days: Pipeline, clock: Clock, database_url: str):
    """A visit falls overdue, the patient falls silent, the check-in of 6 November is too old to count, then the last one."""
    number = opened_case(days, settled_course())
    before, recorded = _versions(days, number), []
    for _ in range(24):
        clock.move(days=1)
        days.refresh_some()
        if _versions(days, number) != before:
            recorded.append(days.today().isoformat())
            before = _versions(days, number)
    assert recorded == ["2026-11-23", "2026-12-04", "2026-12-05", "2026-12-12"]
    case = days.worklist(None, None, 5)[0]
    assert (case.decided_on, case.outcome) == ("2026-12-14", "ask-physician")


def test_the_sweep_decides_many_cases_anew_oldest_first(days: Pipeline, clock: Clock):
    numbers = [take(days, Post("referrals", referral(f"R-{n}"))).case_number for n in range(7)]
    assert days.refresh_some() == 0
    clock.move(days=1)
    assert days.refresh_some(limit=5) == 5
    assert days.refresh_some(limit=5) == 2
    assert days.refresh_some(limit=5) == 0
    assert {r.case_number: r.decided_on for r in days.worklist(None, None, 50)} == dict.fromkeys(numbers, "2026-11-21")


def test_a_proposal_appears_when_ready_and_is_completed_by_the_physicians_order(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    proposal, task = _proposal(days, number)
    assert (proposal["intent"], proposal["status"]) == ("proposal", "draft")
    assert (task["status"], task["owner"]) == ("requested", {"reference": days.case(number)["resources"]["physician"]})
    assert {"reference": f"ServiceRequest/{proposal['id']}"} in _care_plan(days, number)["supportingInfo"]
    take(days, ordered("T-1", "2026-11-20"), number)
    proposal, task = _proposal(days, number)
    assert (proposal["status"], task["status"]) == ("completed", "completed")
    assert days.case(number)["stage"] == "test-ordered"


def test_a_proposal_is_revoked_when_readiness_lapses_before_an_order(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    take(days, red_flag("f1", "2026-11-20"), number)
    proposal, task = _proposal(days, number)
    assert (proposal["status"], task["status"]) == ("revoked", "cancelled")
    assert {"reference": f"ServiceRequest/{proposal['id']}"} not in _care_plan(days, number)["supportingInfo"]


STOP = Post("decisions", {"entry_id": "d1", "decided_on": "2026-11-20", "decision": "stop-treatment"})
CANCEL = [
    Post("cancellation", {"on": "2026-11-19", "reason": "moved away"}),
    Post("cancellation-answer", {"accept": True, "on": "2026-11-20"}),
]
GIVE_UP = Post("referral-state", {"state": "failed", "on": "2026-11-20", "reason": "no longer tolerated"})


@pytest.mark.parametrize("end", [[STOP], CANCEL, [GIVE_UP]], ids=["stopped", "cancelled", "given up"])
def test_nothing_is_proposed_for_treatment_that_is_over(days: Pipeline, clock: Clock, end: list[Post]):
    number = opened_case(days, settled_course())
    for message in end:
        take(days, message, number)
    proposal, task = _proposal(days, number)
    assert (proposal["status"], task["status"]) == ("revoked", "cancelled")
    told = days.case(number)
    assert (told["stage"], told["readiness"]["outcome"], told["next_step"]["outcome"]) == (
        "closed",
        "decided" if end == [STOP] else "not-yet",
        "hold",
    )
    first = told["readiness"]["criteria"][0]
    assert first["name"] == "treatment-goes-on"
    kinds = {source["reference"].split("/")[0] for source in first["inputs"]}
    assert kinds == ({"Observation"} if end == [STOP] else {"Task"})
    assert told["follow_up"]["visits"] == []


def test_a_revoked_proposal_is_a_draft_again_when_the_case_is_ready_again(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    take(days, red_flag("f1", "2026-11-20"), number)
    take(days, red_flag("f1", "2026-11-20", revision=2, entered_in_error=True), number)
    proposal, task = _proposal(days, number)
    assert (proposal["status"], task["status"]) == ("draft", "requested")
    assert (proposal["meta"]["versionId"], task["meta"]["versionId"]) == ("3", "3")


def test_a_completed_proposal_stays_completed_when_readiness_lapses_afterwards(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    take(days, ordered("T-1", "2026-11-20"), number)
    take(days, red_flag("f1", "2026-11-20"), number)
    proposal, task = _proposal(days, number)
    assert (proposal["status"], task["status"]) == ("completed", "completed")


def test_nothing_is_proposed_where_a_test_was_ordered_before_the_case_is_computed_ready(days: Pipeline, clock: Clock):
    *early, last = settled_course()
    number = opened_case(days, early)
    take(days, ordered("T-1", "2026-11-18"), number)
    take(days, last, number)
    case = days.case(number)
    assert (case["stage"], case["readiness"]["outcome"]) == ("test-ordered", "ordered")
    assert _proposals(days, number) == []


def _tested(number: str, on: str, **more: Any) -> Post:
    """The example's efficacy test of another night."""
    held = example("sleep-lab/efficacy-test.json")
    return Post("sleep-tests", {**held, "test": {**held["test"], "test_number": number, "performed_on": on, **more}})


@pytest.mark.parametrize(
    ("before", "status", "asked"),
    [([ordered("T-1", "2026-11-18")], "completed", "completed"), ([], "revoked", "cancelled")],
    ids=["ordered", "not ordered"],
)
def test_no_proposal_is_shown_once_the_result_is_in(
    days: Pipeline, clock: Clock, before: list[Post], status: str, asked: str
):
    number = opened_case(days, settled_course())
    for message in (*before, _tested("E-1", "2026-11-19")):
        take(days, message, number)
    assert days.case(number)["readiness"]["outcome"] == "result-in"
    proposal, task = _proposal(days, number)
    assert (proposal["status"], task["status"]) == (status, asked)
    assert _proposals(days, number) == []


def test_another_test_of_the_same_setting_is_proposed_anew(days: Pipeline, clock: Clock):
    """A test that did not count, after which the physician keeps titrating: the completed proposal stays as it is."""
    number = opened_case(days, settled_course())
    take(days, ordered("T-1", "2026-11-17"), number)
    take(days, _tested("E-1", "2026-11-18", appliance_worn=False), number)
    keep = {"entry_id": "d1", "decided_on": "2026-11-19", "decision": "keep-titrating"}
    take(days, Post("decisions", keep), number)
    assert days.case(number)["readiness"]["outcome"] == "ready"
    assert _proposal(days, number)[0]["status"] == "completed"
    assert _proposals(days, number) == [f"ServiceRequest/{number}-test-proposal-2026-10-20-after-2026-11-18"]
    take(days, ordered("T-2", "2026-11-20"), number)
    assert days.case(number)["stage"] == "test-ordered"
    new = load(days.resource("ServiceRequest", f"{number}-test-proposal-2026-10-20-after-2026-11-18").body)
    assert new["status"] == "completed"


def test_the_referrals_task_says_ready_and_its_fact_names_that_version(days: Pipeline, clock: Clock):
    number = opened_case(days, settled_course())
    reference = days.case(number)["resources"]["task"]
    task = load(days.resource(*reference.split("/")).body)
    assert task["businessStatus"]["coding"][0]["code"] == "ready-for-retest"
    clock.move(days=40)
    task = load(days.resource(*reference.split("/")).body)
    assert "businessStatus" not in task
