"""Red flags are resolved in progress by the dental office, and closed by either office for itself."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.access.duties import DENTIST, LAB, PHYSICIAN, writers_of
from service.commands.case_file import facts_of
from service.errors import Refused
from service.fhir.build import component
from service.fhir.codes import local
from service.fhir.facts.treatment import RedFlagClosureFact
from service.fhir.read_facts import reported_by
from service.inbound.progress import map_progress
from service.inbound.red_flag_closures import map_red_flag_closure
from service.rules.facts import RedFlag, RedFlagClosure
from service.rules.kinds import Office, RedFlagKind
from service.rules.red_flags import office_of
from service.rules.thresholds import Thresholds
from tests.web.messages import Case, assert_plain_words, example, issues, post, referral

CLOSURE = {
    "entry_id": "z1",
    "kind": "drowsy-driving",
    "closed_on": "2026-10-02T09:00:00+02:00",
    "office": "physician",
    "closed_by": "Dr Marten",
    "action_taken": "Advised; does not drive until the test",
}
FLAG = {"entry_id": "f1", "reported_on": "2026-10-01", "kind": "locked-jaw"}
RESOLVED = {"resolved_on": "2026-10-03", "resolved_by": "Dr Teal", "action_taken": "Reduced"}


def closures(*entries: dict[str, Any]) -> tuple[RedFlagClosure, ...]:
    return facts_of({"referral": referral(), "red_flag_closure": list(entries)}, Thresholds()).red_flag_closures


def flag(**told: Any) -> RedFlag:
    return facts_of({"referral": referral(), "progress": {"red_flags": [{**FLAG, **told}]}}, Thresholds()).red_flags[0]


@pytest.mark.parametrize("kind", list(RedFlagKind))
def test_a_closure_is_read_as_it_was_sent(kind: RedFlagKind) -> None:
    office = office_of(kind)
    (held,) = closures({**CLOSURE, "kind": kind.value, "office": office.value})
    assert (held.kind, held.office) == (kind, office)
    assert (held.closed_by, held.action_taken) == ("Dr Marten", "Advised; does not drive until the test")
    assert held.moment.day.isoformat() == "2026-10-02"
    assert held.moment.clock


def test_each_office_counts_its_own_entries() -> None:
    held = closures(CLOSURE, {**CLOSURE, "office": "dentist", "kind": "locked-jaw"})
    assert {c.office for c in held} == set(Office)


@pytest.mark.parametrize("kind", list(RedFlagKind))
def test_a_closure_by_the_other_office_is_refused_and_names_the_right_one(kind: RedFlagKind) -> None:
    other = Office.DENTIST if office_of(kind) is Office.PHYSICIAN else Office.PHYSICIAN
    with pytest.raises(Refused) as refused:
        closures({**CLOSURE, "kind": kind.value, "office": other.value})
    (problem,) = refused.value.problems
    assert problem.path == "red_flag_closure[0]"
    assert "the physician's office alone" in problem.message or "the dental office alone" in problem.message


@pytest.mark.parametrize("missing", ["kind", "closed_on", "office", "closed_by", "action_taken"])
def test_a_closure_tells_all(missing: str) -> None:
    with pytest.raises(Refused) as refused:
        map_red_flag_closure({k: v for k, v in CLOSURE.items() if k != missing}, "AR-1")
    assert [p.path for p in refused.value.problems] == [missing]


def test_a_resolved_flag_is_the_dental_offices() -> None:
    held = flag(**RESOLVED)
    assert (str(held.resolved_on), held.resolved_office) == ("2026-10-03", Office.DENTIST)
    assert (held.resolved_by, held.action_taken) == ("Dr Teal", "Reduced")
    assert (flag().resolved_on, flag().resolved_by, flag().action_taken) == (None, "", "")


@pytest.mark.parametrize("missing", sorted(RESOLVED))
def test_a_resolution_names_what_it_lacks(missing: str) -> None:
    told = {k: v for k, v in RESOLVED.items() if k != missing}
    with pytest.raises(Refused) as refused:
        map_progress({"red_flags": [{**FLAG, **told}]}, "AR-1")
    (problem,) = refused.value.problems
    assert problem.path == f"red_flags[0].{missing}"
    assert f"«{missing}» is missing" in problem.message


def test_a_resolution_of_an_earlier_release_can_still_be_withdrawn() -> None:
    entry = {**FLAG, "resolved_on": "2026-10-03", "revision": 2, "entered_in_error": True}
    assert map_progress({"red_flags": [entry]}, "AR-1").drafts


def test_the_door_stores_corrects_and_withdraws(client: TestClient) -> None:
    case = Case(client).fitted()
    assert case.send("red-flag-closures", CLOSURE).status_code == 201
    assert case.send("red-flag-closures", CLOSURE).status_code == 200
    unlike = case.send("red-flag-closures", {**CLOSURE, "closed_by": "Dr Other"})
    assert unlike.status_code == 409
    assert_plain_words(unlike)
    assert case.send("red-flag-closures", {**CLOSURE, "closed_by": "Dr Other", "revision": 2}).status_code == 200
    assert case.send("red-flag-closures", {**CLOSURE, "entered_in_error": True}).status_code == 200


def test_the_door_refuses_the_future_at_its_field(client: TestClient) -> None:
    case = Case(client).fitted()
    answer = case.send("red-flag-closures", {**CLOSURE, "closed_on": "2026-12-24"})
    assert answer.status_code == 422
    assert issues(answer)[0][2] == "closed_on"


def test_the_door_needs_a_case(client: TestClient) -> None:
    assert post(client, "/intake/cases/AR-00000-00000/red-flag-closures", CLOSURE).status_code == 404


def _closing(case: Case, **elements: Any) -> dict[str, Any]:
    parts = [
        component(local("closing-office"), "valueCodeableConcept", local("dentist").concept),
        component(local("closed-by"), "valueString", "Dr Teal"),
        component(local("action-taken"), "valueString", "Splinted"),
    ]
    concept = local("loose-tooth").concept
    return case.observation("red-flag-closure", **{"valueCodeableConcept": concept, "component": parts, **elements})


def test_an_observation_closes_a_flag(client: TestClient) -> None:
    case = Case(client).fitted()
    answer = post(client, "/fhir/Observation", _closing(case))
    assert answer.status_code == 201, answer.text
    assert answer.json()["meta"]["profile"] == [
        "https://airway-relay.example/fhir/StructureDefinition/red-flag-closure"
    ]
    assert reported_by(answer.json()) == RedFlagClosureFact(
        day=date(2026, 9, 1),
        red_flag=RedFlagKind.LOOSE_TOOTH,
        office=Office.DENTIST,
        closed_by="Dr Teal",
        action_taken="Splinted",
    )


@pytest.mark.parametrize("left_out", [0, 1, 2])
def test_an_observation_that_leaves_something_out_closes_nothing(client: TestClient, left_out: int) -> None:
    case = Case(client).fitted()
    body = _closing(case)
    del body["component"][left_out]
    answer = post(client, "/fhir/Observation", body)
    assert answer.status_code == 422
    assert "component" in issues(answer)[0][2]


@pytest.mark.parametrize("kind", ["sore-jaw", "red-flag", ""])
def test_an_observation_closes_only_what_is_a_red_flag(client: TestClient, kind: str) -> None:
    case = Case(client).fitted()
    concept = {"coding": [{**local("loose-tooth").coding, "code": kind or "x"}]}
    answer = post(client, "/fhir/Observation", _closing(case, valueCodeableConcept=concept))
    assert answer.status_code == 422


def _written_by(entry: dict[str, Any]) -> frozenset[Any]:
    resource = map_red_flag_closure({**CLOSURE, **entry}, "AR-1").drafts[0].resource
    return writers_of(resource, reported_by(resource), opens=False)


def test_each_office_closes_for_itself_alone() -> None:
    assert _written_by({"office": "dentist"}) == {DENTIST}
    assert _written_by({"office": "physician"}) == {PHYSICIAN}


def test_a_flag_is_reported_by_all_and_resolved_by_the_office_named() -> None:
    open_flag, resolved = (
        map_progress({"red_flags": [{**FLAG, **told}]}, "AR-1").drafts[0].resource for told in ({}, RESOLVED)
    )
    assert writers_of(open_flag, reported_by(open_flag), opens=False) == {DENTIST, PHYSICIAN, LAB}
    assert writers_of(resolved, reported_by(resolved), opens=False) == {DENTIST}


def test_the_examples_close_a_flag() -> None:
    assert closures(example("physician/red-flag-closure"))[0].office is Office.PHYSICIAN
