"""What a referral carries along reaches the rules, and leaves them when a later revision no longer tells it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.json_text import load, write
from service.inbound.referral_message import CONDITIONS
from service.rules.coverage_us import LISTED_CONDITIONS
from service.rules.site import Site
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.journeys.parts import EXAM, POLYSOMNOGRAPHY, referral
from tests.journeys.story import on

Make = Callable[[], TestClient]
FULL = {
    **referral("J-40", "Tveit", "Maren", **POLYSOMNOGRAPHY, index_events_per_hour=12, event_count=84),
    "pap_history": "contraindicated",
    "conditions": ["hypertension", "excessive daytime sleepiness"],
    "face_to_face_on": on(-30),
    "ordered_by_treating_practitioner": True,
}
BARE = {
    **{k: v for k, v in FULL.items() if k not in ("diagnosis", "epworth_total", "pap_history", "conditions")},
    "revision": 2,
}
for gone in ("face_to_face_on", "ordered_by_treating_practitioner"):
    del BARE[gone]
LICENSED = {**EXAM, "licensed_dentist": True}
UNSAID = {**EXAM, "revision": 2}


@pytest.fixture
def us(tmp_path: Path, clock: Clock) -> Iterator[Make]:
    """Services at a site in the United States, each on a database of its own."""
    made = []

    def make() -> TestClient:
        url = f"sqlite:///{tmp_path}/{len(made)}.db"
        made.append(build_pipeline(Settings(database_url=url, site=Site(region="US")), clock=clock))
        return TestClient(build_app(Settings(), made[-1]), raise_server_exceptions=False)

    yield make
    for pipeline in made:
        pipeline.close()


def send(client: TestClient, path: str, body: Any) -> Any:
    reply = client.post(path, content=write(body), headers={"Content-Type": "application/json"})
    assert reply.status_code in (200, 201), reply.text
    return load(reply.text)


def opened(client: TestClient, body: Any = FULL) -> str:
    return send(client, "/intake/referrals", body)["case_number"]


def case_of(client: TestClient, number: str) -> Any:
    return load(client.get(f"/cases/{number}").text)


def statuses(decision: Any) -> dict[str, str]:
    return {c["name"]: c["status"] for c in decision["criteria"]}


def test_the_conditions_of_the_message_are_those_of_the_documentation_check() -> None:
    assert CONDITIONS == LISTED_CONDITIONS


def test_every_part_reaches_the_documentation_check(us: Make) -> None:
    client = us()
    number = opened(client)
    send(client, f"/intake/cases/{number}/assessments", LICENSED)
    case = case_of(client, number)
    assert case["us_coverage_documentation"]["outcome"] == "documentation-met"
    assert set(statuses(case["us_coverage_documentation"]).values()) == {"met"}
    assert "hypertension" in case["us_coverage_documentation"]["criteria"][1]["sentence"]


@pytest.mark.parametrize("condition", CONDITIONS)
def test_each_condition_counts(us: Make, condition: str) -> None:
    client = us()
    number = opened(client, {**FULL, "conditions": [condition]})
    (index,) = (
        c for c in case_of(client, number)["us_coverage_documentation"]["criteria"] if c["name"] == "index-and-events"
    )
    assert (index["status"], condition in index["sentence"]) == ("met", True)


def test_no_documentation_check_outside_the_united_states(client: TestClient) -> None:
    assert case_of(client, opened(client))["us_coverage_documentation"] is None


def test_a_later_revision_withdraws_what_it_no_longer_tells(us: Make) -> None:
    client = us()
    number = opened(client)
    send(client, f"/intake/cases/{number}/assessments", LICENSED)
    assert opened(client, BARE) == number
    send(client, f"/intake/cases/{number}/assessments", UNSAID)
    case = case_of(client, number)
    assert statuses(case["us_coverage_documentation"]) == {
        "face-to-face-evaluation": "unknown",
        "index-and-events": "unmet",
        "ordered-by-treating-practitioner": "unknown",
        "provided-by-licensed-dentist": "unknown",
        "payer-scoring": "met",
        "test-made-by": "met",
    }
    assert statuses(case["referral_check"])["diagnosed"] == "unknown"
    entry = load(client.get(f"/fhir/CarePlan/{number}").text)
    assert "addresses" not in entry
    found = load(client.get("/fhir/Condition?identifier=J-40").text)
    assert len(found["entry"]) == 3
    for held in (e["resource"] for e in found["entry"]):
        assert held["verificationStatus"]["coding"][0]["code"] == "entered-in-error"
        assert "clinicalStatus" not in held, "R4 con-5: a Condition entered in error has no clinical status"


def test_the_order_of_revisions_makes_no_difference(us: Make) -> None:
    seen = set()
    for order in permutations((("r", FULL), ("r", BARE), ("a", LICENSED), ("a", UNSAID))):
        if order[0][0] == "a":
            continue
        client = us()
        number = opened(client, order[0][1])
        for what, body in order[1:]:
            path = "/intake/referrals" if what == "r" else f"/intake/cases/{number}/assessments"
            send(client, path, body)
        case = case_of(client, number)
        told = [case[k] for k in ("us_coverage_documentation", "referral_check", "readiness")]
        seen.add(write([(d["outcome"], d["sentence"], [c["sentence"] for c in d["criteria"]]) for d in told]))
    assert len(seen) == 1


def test_a_repeat_of_the_later_revision_changes_nothing(us: Make) -> None:
    client = us()
    number = opened(client)
    opened(client, BARE)
    again = send(client, "/intake/referrals", BARE)
    assert {r["result"] for r in again["resources"]} <= {"unchanged"}
    assert again["case_number"] == number


def test_an_evaluation_cannot_lie_in_the_future(us: Make) -> None:
    body = {**FULL, "face_to_face_on": "2027-01-05"}
    reply = us().post("/intake/referrals", content=write(body), headers={"Content-Type": "application/json"})
    assert reply.status_code == 422
    (issue,) = load(reply.text)["issue"]
    assert issue["expression"] == ["face_to_face_on"]


def test_a_condition_that_is_not_listed_is_refused_with_the_list(us: Make) -> None:
    body = {**FULL, "conditions": ["hypertension", "gout"]}
    reply = us().post("/intake/referrals", content=write(body), headers={"Content-Type": "application/json"})
    assert reply.status_code == 422
    (issue,) = load(reply.text)["issue"]
    assert issue["expression"] == ["conditions[1]"]
