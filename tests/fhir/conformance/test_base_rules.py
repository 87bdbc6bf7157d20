"""The invariants of base R4 that are plain functions say what the published FHIRPath says."""

from __future__ import annotations

from typing import Any

import pytest

from service.fhir.codes import UCUM
from service.fhir.conformance import base, fhirpath_library
from service.fhir.conformance.base_rules import NATIVE

ROOT = {"resourceType": "Observation", "code": {"coding": [{"system": "urn:a:1", "code": "x"}]}}
CODED = {"code": {"coding": [{"system": "urn:a:1", "code": "x"}]}}
OTHER = {"code": {"coding": [{"system": "urn:a:1", "code": "y"}]}}
VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"


def inside(**meta: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "contained": [{"resourceType": "Patient", "id": "p", **meta}]}


def status(system: str, code: str) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code}]}


# key, type in R4, values that hold, values that do not; from memory of the specification
TABLE: list[tuple[str, str, list[Any], list[Any]]] = [
    ("dom-2", "", [inside(), ROOT], [inside(contained=[{"resourceType": "Patient"}])]),
    ("dom-4", "", [inside(), inside(meta={"source": "urn:x"})], [inside(meta={"versionId": "1"}), inside(meta={"lastUpdated": "2026-01-01T00:00:00Z"})]),
    ("dom-5", "", [inside(meta={"source": "urn:x"})], [inside(meta={"security": [{"code": "x"}]})]),
    ("obs-3", "Observation.referenceRange", [{"low": {"value": 1}}, {"text": "x"}], [{"type": {"text": "x"}}]),
    ("obs-6", "", [{**ROOT, "valueString": "x"}, {**ROOT, "dataAbsentReason": {"text": "x"}}], [{**ROOT, "valueString": "x", "dataAbsentReason": {"text": "x"}}]),
    ("obs-7", "", [{**ROOT, "component": [CODED]}, {**ROOT, "valueString": "x", "component": [OTHER]}], [{**ROOT, "valueString": "x", "component": [OTHER, CODED]}]),
    ("per-1", "Period", [{"start": "2026-01-01"}, {"start": "2026-01-01", "end": "2026-01-01"}, {"start": "2025-12-31T23:30:00-01:00", "end": "2026-01-01T00:30:00Z"}], [{"start": "2026-01-02", "end": "2026-01-01"}, {"start": "2026-01-01T00:30:00Z", "end": "2025-12-31T23:29:00-01:00"}]),
    ("Task inv-1", "", [{"resourceType": "Task", "authoredOn": "2026-01-01", "lastModified": "2026-01-01"}, {"resourceType": "Task"}], [{"resourceType": "Task", "authoredOn": "2026-01-02", "lastModified": "2026-01-01"}]),
    ("qty-3", "Quantity", [{"value": 1}, {"code": "mm", "system": UCUM}], [{"code": "mm"}]),
    ("rng-2", "Range", [{"low": {"value": 1}}, {"low": {"value": 1}, "high": {"value": 1}}], [{"low": {"value": 2}, "high": {"value": 1}}]),
    ("rat-1", "Ratio", [{"numerator": {"value": 1}, "denominator": {"value": 1}}, {"extension": [{"url": "urn:x"}]}], [{"numerator": {"value": 1}}, {"id": "x"}]),
    ("age-1", "Age", [{"value": 1, "code": "a", "system": UCUM}], [{"value": 1}, {"value": -1, "code": "a", "system": UCUM}, {"value": 1, "code": "a", "system": "urn:x"}]),
    ("cnt-3", "Count", [{"value": 1, "code": "1", "system": UCUM}], [{"value": 1}, {"value": 1, "code": "mm", "system": UCUM}]),
    ("dis-1", "Distance", [{"value": 1, "code": "m", "system": UCUM}], [{"value": 1}, {"value": 1, "code": "m", "system": "urn:x"}]),
    ("drt-1", "Duration", [{"value": 1, "code": "h", "system": UCUM}, {"unit": "h"}], [{"code": "h", "system": UCUM}, {"value": 1, "code": "h", "system": "urn:x"}]),
    ("att-1", "Attachment", [{"data": "aA==", "contentType": "text/plain"}, {"title": "x"}], [{"data": "aA=="}]),
    ("cpt-2", "ContactPoint", [{"value": "1", "system": "phone"}, {"use": "work"}], [{"value": "1"}]),
    ("exp-1", "Expression", [{"expression": "x"}, {"reference": "urn:x"}], [{"language": "text/cql"}]),
    ("drq-1", "DataRequirement.codeFilter", [{"path": "x"}, {"searchParam": "x"}], [{}, {"path": "x", "searchParam": "x"}]),
    ("drq-2", "DataRequirement.dateFilter", [{"path": "x"}, {"searchParam": "x"}], [{}, {"path": "x", "searchParam": "x"}]),
    ("tim-1", "Timing.repeat", [{"duration": 1, "durationUnit": "h"}], [{"duration": 1}]),
    ("tim-2", "Timing.repeat", [{"period": 1, "periodUnit": "h"}], [{"period": 1}]),
    ("tim-4", "Timing.repeat", [{"duration": 0}, {}], [{"duration": -1}]),
    ("tim-5", "Timing.repeat", [{"period": 0}, {}], [{"period": -1}]),
    ("tim-6", "Timing.repeat", [{"period": 1, "periodMax": 2}], [{"periodMax": 2}]),
    ("tim-7", "Timing.repeat", [{"duration": 1, "durationMax": 2}], [{"durationMax": 2}]),
    ("tim-8", "Timing.repeat", [{"count": 1, "countMax": 2}], [{"countMax": 2}]),
    ("tim-9", "Timing.repeat", [{"offset": 1, "when": ["HS"]}, {}], [{"offset": 1}, {"offset": 1, "when": ["C"]}]),
    ("tim-10", "Timing.repeat", [{"timeOfDay": ["10:00:00"]}, {"when": ["HS"]}], [{"timeOfDay": ["10:00:00"], "when": ["HS"]}]),
    ("bdl-8", "Bundle.entry", [{"fullUrl": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}], [{"fullUrl": "https://a.example/Patient/1/_history/2"}]),
    ("sev-1", "AuditEvent.entity", [{"name": "x"}, {"query": "eA=="}], [{"name": "x", "query": "eA=="}]),
    ("cpl-3", "CarePlan.activity", [{"detail": {"status": "unknown"}}, {"reference": {"display": "x"}}], [{"detail": {"status": "unknown"}, "reference": {"display": "x"}}]),
    ("cmp-1", "Composition.section", [{"entry": [{"display": "x"}]}, {"section": [{"title": "x"}]}], [{"title": "x"}]),
    ("cmp-2", "Composition.section", [{"emptyReason": {"text": "x"}}], [{"emptyReason": {"text": "x"}, "entry": [{"display": "x"}]}]),
    ("con-1", "Condition.stage", [{"summary": {"text": "x"}}, {"assessment": [{"display": "x"}]}], [{"type": {"text": "x"}}]),
    ("con-2", "Condition.evidence", [{"code": [{"text": "x"}]}, {"detail": [{"display": "x"}]}], [{"id": "x"}]),
    ("con-3", "", [{"resourceType": "Condition"}, {"resourceType": "Condition", "clinicalStatus": status(CLINICAL, "active"), "category": [{"text": "x"}]}, {"resourceType": "Condition", "verificationStatus": status(VERIFICATION, "entered-in-error")}], []),
    ("con-4", "", [{"resourceType": "Condition", "abatementDateTime": "2026", "clinicalStatus": status(CLINICAL, "resolved")}, {"resourceType": "Condition"}], [{"resourceType": "Condition", "abatementDateTime": "2026"}, {"resourceType": "Condition", "abatementDateTime": "2026", "clinicalStatus": status(CLINICAL, "active")}]),
    ("con-5", "", [{"resourceType": "Condition", "verificationStatus": status(VERIFICATION, "entered-in-error")}, {"resourceType": "Condition", "clinicalStatus": status(CLINICAL, "active")}], [{"resourceType": "Condition", "verificationStatus": status(VERIFICATION, "entered-in-error"), "clinicalStatus": status(CLINICAL, "active")}]),
    ("gol-1", "Goal.target", [{"measure": {"text": "x"}, "detailString": "x"}, {"dueDate": "2026"}], [{"detailString": "x"}]),
    ("org-1", "", [{"resourceType": "Organization", "name": "x"}, {"resourceType": "Organization", "identifier": [{"value": "1"}]}], [{"resourceType": "Organization"}]),
    ("org-2", "Address", [{"use": "work"}, {"city": "x"}], [{"use": "home"}]),
    ("org-3", "ContactPoint", [{"use": "work"}, {"value": "x"}], [{"use": "home"}]),
    ("pat-1", "Patient.contact", [{"name": {"text": "x"}}, {"organization": {"display": "x"}}], [{"gender": "male"}]),
    ("prr-1", "", [{"resourceType": "ServiceRequest", "orderDetail": [{"text": "x"}], "code": {"text": "x"}}, {"resourceType": "ServiceRequest"}], [{"resourceType": "ServiceRequest", "orderDetail": [{"text": "x"}]}]),
    ("qrs-1", "QuestionnaireResponse.item", [{"answer": [{"valueString": "x"}]}, {"item": [{"linkId": "x"}]}], [{"answer": [{"valueString": "x"}], "item": [{"linkId": "x"}]}]),
    ("que-2", "", [{"resourceType": "Questionnaire", "item": [{"linkId": "a"}, {"linkId": "b"}]}], [{"resourceType": "Questionnaire", "item": [{"linkId": "a", "item": [{"linkId": "a"}]}]}]),
    ("que-7", "Questionnaire.item.enableWhen", [{"operator": "exists", "answerBoolean": True}, {"operator": "=", "answerString": "x"}], [{"operator": "exists", "answerString": "x"}]),
]  # fmt: skip
NOT_BY_LIBRARY = {
    "rng-2": "the library cannot compare quantities without a code of UCUM",
    "bdl-8": "an entry without a full URL gives no answer; the reference validator takes that for a yes",
    "que-7": "the library takes a FHIR boolean for no System.Boolean",
    "con-3": "a list of categories is compared with one text",
}


def test_every_plain_function_is_in_the_table() -> None:
    assert {row[0] for row in TABLE} == set(NATIVE)


@pytest.mark.parametrize(("key", "right", "wrong"), [(k, r, w) for k, _, r, w in TABLE], ids=[r[0] for r in TABLE])
def test_it_holds_or_not(key: str, right: list[Any], wrong: list[Any]) -> None:
    assert [NATIVE[key](value, value) for value in right] == [True] * len(right)
    assert [NATIVE[key](value, value) for value in wrong] == [False] * len(wrong)


@pytest.mark.parametrize(
    ("key", "type_path", "right", "wrong"),
    [r for r in TABLE if r[0] not in NOT_BY_LIBRARY],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_the_published_expression_says_the_same(key: str, type_path: str, right: list[Any], wrong: list[Any]) -> None:
    expression = base.invariant(key).expression
    for values, answer in ((right, [True]), (wrong, [False])):
        for value in values:
            assert fhirpath_library.evaluate(expression, value, value, type_path) == answer, value


def test_a_warning_of_r4_is_no_error() -> None:
    problem = {"resourceType": "Condition", "category": [{"text": "x"}]}
    assert not NATIVE["con-3"](problem, problem)
    assert base.invariant("con-3").severity == "warning"


def test_moments_that_cannot_be_told_apart_are_not_in_order() -> None:
    """As the reference validator has it: no answer is no yes."""
    assert not NATIVE["per-1"]({"start": "2026-01", "end": "2026-01-15"}, {})
