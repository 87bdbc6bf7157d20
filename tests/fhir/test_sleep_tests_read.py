"""Sleep tests that come as FHIR: which index is the one, what the appliance's device says, and what is refused."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.build import Resource, component, quantity, ref
from service.fhir.codes import LOINC, local
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import StoredFact
from service.fhir.read_facts import read
from service.rules.kinds import Denominator, HypopnoeaRule, IndexName, Scoring, TestKind, Worn
from service.rules.sleep_test import ScoredIndex, SleepTest
from service.rules.source import Source
from tests.web.messages import Case, assert_plain_words, bundle, issues, post

AT = {"category": [{"text": "procedure"}], "subject": ref("Patient/1"), "effectiveDateTime": "2026-10-19"}
OBSTRUCTIVE = {"coding": [{"system": LOINC, "code": "90563-8"}]}


def index(code: str, value: Any, *parts: Resource, rule: str = "hypopnoea-4-percent", **elements: Any) -> Resource:
    held = {"component": list(parts)} if parts else {}
    return {
        "resourceType": "Observation",
        "status": "final",
        **AT,
        "code": local(code).concept,
        "method": local(rule).concept,
        "valueQuantity": quantity(Decimal(value), "{events}/h"),
        **held,
        **elements,
    }


def measure(code: str, value: Any, unit: str, *parts: Resource) -> Resource:
    body = index("ahi", value, *parts)
    del body["method"]
    return {**body, "code": local(code).concept, "valueQuantity": quantity(Decimal(value), unit)}


def odi(value: Any, drop: int) -> Resource:
    body = index("ahi", value, component(local("desaturation-drop"), "valueQuantity", quantity(drop, "%")))
    del body["method"]
    return {**body, "code": {"coding": [{"system": LOINC, "code": "90567-9"}]}}


def chosen(code: str, value: str) -> Resource:
    return component(local(code), "valueCodeableConcept", local(value).concept)


def flag(code: str, value: bool) -> Resource:
    return component(local(code), "valueBoolean", value)


def report(*results: str, **elements: Any) -> Resource:
    return {
        "resourceType": "DiagnosticReport",
        "status": "final",
        **AT,
        "category": [local("efficacy-test").concept],
        "code": local("home-sleep-test").concept,
        "result": [ref(r) for r in results],
        **elements,
    }


def joined(*observations: Resource, **elements: Any) -> SleepTest:
    """The test of a report that lists the Observations in their order, arrived in the other order."""
    names = [f"Observation/{99 - place}" for place in range(len(observations))]
    stored: list[StoredFact] = []
    for name, body in [*zip(names, observations, strict=True), ("DiagnosticReport/1", report(*names, **elements))]:
        fact, problems = read(body, "")
        assert fact and problems == [], problems
        stored.append(StoredFact(Source(name, 1), fact))
    return assemble(reversed(stored)).sleep_tests[0]


def wrong(body: Resource) -> list[tuple[str, str]]:
    return [(p.path, p.message) for p in read(body, "O")[1]]


def test_what_was_recorded_and_how_it_was_scored() -> None:
    test = joined(
        index(
            "rei",
            "4.1",
            chosen("test-kind", "home-with-flow"),
            chosen("scoring", "automatic-reviewed"),
            component(local("nights-in-test"), "valueInteger", 2),
            flag("split-night", False),
            flag("pap-on", True),
            flag("alcohol", True),
            rule="hypopnoea-3-percent",
        ),
        measure("t90", 3, "%", chosen("t90-denominator", "monitoring")),
        measure("monitored-time", "6.2", "h"),
        measure("supine-share", 45, "%"),
        measure("central-events", 2, "{events}"),
        measure("minutes-at-88", "1.5", "min"),
    )
    assert (test.kind, test.scoring, test.nights) == (TestKind.HOME_FLOW, Scoring.REVIEWED, 2)
    assert (test.split_night, test.pap_on, test.oxygen_on, test.alcohol) == (False, True, None, True)
    assert test.hypopnoea_rule is HypopnoeaRule.THREE_PERCENT
    assert (test.t90_percent, test.t90_of) == (3, Denominator.MONITORING)
    assert (test.monitored_hours, test.supine_share, test.central_count) == (Decimal("6.2"), Decimal("0.45"), 2)
    assert test.minutes_at_88 == Decimal("1.5")
    assert len(test.measure_sources) == 6


@pytest.mark.parametrize(
    ("device", "said", "worn"),
    [
        (True, None, Worn.ALL_NIGHT),
        (True, "all-night", Worn.ALL_NIGHT),
        (True, "part-of-the-night", Worn.PART),
        (True, "unknown", Worn.UNKNOWN),
        (False, "part-of-the-night", Worn.PART),
        (False, "not-worn", Worn.NO),
        (False, None, Worn.UNKNOWN),
    ],
)
def test_whether_the_appliance_was_worn(device: bool, said: str | None, worn: Worn) -> None:
    parts = [chosen("appliance-worn", said)] if said else []
    body = index("ahi", 4, *parts) | ({"device": ref("Device/1")} if device else {})
    assert joined(body).worn is worn


def test_a_device_that_was_not_worn_contradicts_itself() -> None:
    ((place, words),) = wrong(index("ahi", 4, chosen("appliance-worn", "not-worn"), device=ref("Device/1")))
    assert place == "O.component"
    assert "said not to be worn" in words


@pytest.mark.parametrize("code", ["test-kind", "scoring", "appliance-worn"])
def test_a_word_that_is_not_in_the_list_is_refused(code: str) -> None:
    ((place, words),) = wrong(index("ahi", 4, chosen(code, "locked-jaw")))
    assert place == "O.component[0].valueCodeableConcept"
    assert words.startswith("One of ")


def test_events_are_counted_in_whole_numbers() -> None:
    assert wrong(measure("mixed-events", "1.5", "{events}")) == [
        ("O.valueQuantity", "Events are counted in whole numbers.")
    ]


def test_of_several_indices_the_first_listed_is_the_one_unless_another_is_an_ahi() -> None:
    test = joined(index("rei", 5), index("ahi", 7, rule="hypopnoea-3-percent-or-arousal"), index("ahi", 4))
    assert (test.index_name, test.index_per_hour) == (IndexName.AHI, 7)
    assert test.further_indices == (
        ScoredIndex(IndexName.REI, HypopnoeaRule.FOUR_PERCENT, Decimal(5)),
        ScoredIndex(IndexName.AHI, HypopnoeaRule.FOUR_PERCENT, Decimal(4)),
    )


def test_an_index_marked_as_further_is_never_the_one() -> None:
    counted = component(local("event-count"), "valueQuantity", quantity(70, "{events}"))
    test = joined(index("ahi", 7, flag("further-index", True), counted), index("rei", 5))
    assert (test.index_name, test.index_per_hour, test.event_count) == (IndexName.REI, 5, None)
    assert [s.name for s in test.further_indices] == [IndexName.AHI]


def test_the_first_desaturation_index_and_the_first_at_another_drop() -> None:
    test = joined(odi(9, 4), odi(12, 3), odi(11, 3))
    assert (test.odi_per_hour, test.odi_drop_percent, test.other_odi_per_hour) == (9, 4, 12)


def test_who_made_the_test_is_told_by_its_index_else_by_its_report() -> None:
    by = {"performer": [ref("Practitioner/1"), ref("Organization/7")]}
    assert joined(index("ahi", 4), **by).performer == "Organization/7"
    assert joined(index("ahi", 4, performer=[ref("Organization/8")]), **by).performer == "Organization/8"
    assert joined(index("ahi", 4)).performer is None


def _of(case: Case, body: Resource) -> Resource:
    return {**body, "subject": ref(case.patient), "basedOn": [ref(case.referral)]}


def _by_address(place: int) -> str:
    return f"urn:uuid:00000000-0000-4000-8000-{place:012}"


def test_the_obstructive_index_is_no_index_of_a_test(client: TestClient) -> None:
    case = Case(client).fitted()
    held = _of(case, index("ahi", 4)) | {"code": OBSTRUCTIVE}
    for body in (held, bundle(held, _of(case, report(_by_address(0))))):
        answer = post(client, "/fhir/Observation" if body is held else "/fhir", body)
        assert answer.status_code == 422
        assert_plain_words(answer)
        told = issues(answer)
        assert [place.rpartition(".")[2] for _, _, place in told] == ["code"]
        assert "leaves central events out" in told[0][1]


def _warnings(answer: Any) -> list[tuple[str, str]]:
    outcomes = [e["response"]["outcome"] for e in answer.json()["entry"] if "outcome" in e["response"]]
    return [(i["diagnostics"], i["expression"][0]) for o in outcomes for i in o["issue"] if i["severity"] == "warning"]


def test_a_report_without_an_index_is_stored_with_a_warning(client: TestClient) -> None:
    case = Case(client).fitted()
    answer = post(
        client, "/fhir", bundle(_of(case, measure("recording-time", 6, "h")), _of(case, report(_by_address(0))))
    )
    assert answer.status_code == 200, answer.text
    ((sentence, place),) = _warnings(answer)
    assert "DiagnosticReport.result" in sentence
    assert place == "Bundle.entry[1].resource.result"


def test_a_report_with_an_index_has_no_warning(client: TestClient) -> None:
    case = Case(client).fitted()
    answer = post(client, "/fhir", bundle(_of(case, index("rei", 6)), _of(case, report(_by_address(0)))))
    assert answer.status_code == 200, answer.text
    assert _warnings(answer) == []


def test_a_report_of_results_sent_before_is_told_by_what_they_are(client: TestClient) -> None:
    case = Case(client).fitted()
    sent = [
        post(client, "/fhir/Observation", _of(case, body)).json()["id"]
        for body in (index("rei", 6), measure("recording-time", 6, "h"))
    ]
    with_index = post(client, "/fhir/DiagnosticReport", _of(case, report(*(f"Observation/{one}" for one in sent))))
    assert (with_index.status_code, with_index.json()["resourceType"]) == (201, "DiagnosticReport")
    told = {"Prefer": "return=OperationOutcome"}
    without = post(client, "/fhir/DiagnosticReport", _of(case, report(f"Observation/{sent[1]}")), **told)
    assert without.status_code == 201
    (issue,) = without.json()["issue"]
    assert (issue["severity"], issue["expression"]) == ("warning", ["DiagnosticReport.result"])
