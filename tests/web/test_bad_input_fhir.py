"""Resources that cannot be, by FHIR: the FHIRPath, the value and what is taken instead; nothing stored."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.fhir.build import Resource, component, quantity, ref
from service.fhir.codes import APNOEA_INDEX, UCUM, local
from service.pipeline import Pipeline
from tests.web.messages import Case, assert_plain_words, issues, post, row_counts

Make = Callable[[Case], Resource]
VALUE = "Observation.component[0].value"
AN_HOUR = "{events}/h"
NIGHTS = [component(local("nights-worn"), "valueInteger", 8), component(local("nights-reported"), "valueInteger", 7)]


def observed(code: str, value: Any, unit: str) -> Make:
    return lambda case: case.observation(code, valueQuantity=quantity(value, unit))


def setting(left: Any, **elements: Any) -> Make:
    return lambda case: case.setting(left, **elements)


def observation(name: str, /, **elements: Any) -> Make:
    return lambda case: case.observation(name, **elements)


def without(element: str) -> Make:
    return lambda case: {k: v for k, v in case.setting().items() if k != element}


RESOURCES: list[tuple[Make, str, str]] = [
    (setting(40), f"{VALUE}.value", "40 mm cannot be: 0 to 15"),
    (setting(-1), f"{VALUE}.value", "-1 mm cannot be: 0 to 15"),
    (setting({"value": "1", "system": UCUM, "code": "mm"}), f"{VALUE}.value", "A number is needed."),
    (setting({"value": True, "system": UCUM, "code": "mm"}), f"{VALUE}.value", "A number is needed."),
    (setting(quantity(Decimal("0.2"), "cm")), f"{VALUE}.code", "The unit must be the UCUM unit «mm», not «cm»."),
    (setting({"value": 1, "unit": "mm", "system": UCUM}), f"{VALUE}.code", "«mm», which is missing."),
    (setting({"value": 1, "code": "mm"}), f"{VALUE}.system", "The unit «mm» needs the system http://unitsofmeasure.org."),
    (setting({"value": 1, "code": "mm", "system": "http://x.example"}), f"{VALUE}.system", "needs the system"),
    (setting({**quantity(1, "mm"), "comparator": "<"}), f"{VALUE}.comparator", "An exact value is needed"),
    (setting({"unit": "mm", "system": UCUM, "code": "mm"}), VALUE, "A quantity in mm is needed."),
    (observed("ahi", 400, AN_HOUR), "Observation.value.value", "400 events/h cannot be: 0 to 200"),
    (observed("ahi", 40, "%"), "Observation.value.code", "must be the UCUM unit «{events}/h», not «%»."),
    (observed("lowest-spo2", 140, "%"), "Observation.value.value", "140 % cannot be: 20 to 100"),
    (observed("snoring", 11, "{score}"), "Observation.value.value", "11 cannot be: 0 to 10"),
    (observation("epworth-total", valueInteger=25), "Observation.value", "25 cannot be: 0 to 24"),
    (observation("epworth-total", valueInteger="5"), "Observation.value", "A whole number is needed."),
    (observation("epworth-total", valueInteger=True), "Observation.value", "A whole number is needed."),
    (observation("epworth-total", valueInteger=Decimal("1.5")), "Observation.value", "A whole number is needed."),
    (observation("epworth-total"), "Observation.value", "A whole number is needed."),
    (observation("witnessed-pauses", valueBoolean="yes"), "Observation.value", "Either true or false is needed."),
    (observation("wear", component=NIGHTS), "Observation.component", "8 nights worn cannot be more than 7 nights"),
    (observation("wear", component=NIGHTS[:1]), "Observation.component", "«nights-reported» and «nights-worn» are needed."),
    (observation("red-flag", valueCodeableConcept={"text": "x"}), "Observation.value", "A red flag is one of locked-jaw"),
    (observation("side-effect", valueCodeableConcept={"text": "dry mouth"}), "Observation.component", "«side-effect-grade» from 0 to 3 is needed."),
    (observation("ahi", valueQuantity=quantity(5, AN_HOUR), method={"text": "?"}), "Observation.method", "The hypopnoea rule must be one of"),
    (observation("dental-assessment"), "Observation.component", "A dental assessment holds at least one finding."),
    (observation("x", code=APNOEA_INDEX.concept), "Observation.code", "LOINC 90562-0 is the apnoea index, not the apnoea-hypopnoea index"),
    (observation("pap-history", valueInteger=1, valueString="x"), "Observation.value", "Exactly one value[x] is needed."),
    (setting(1, effectiveDateTime="2026-02-30"), "Observation.effective", "«2026-02-30» is not a day of the calendar."),
    (setting(1, effectiveDateTime="2026-02"), "Observation.effective", "A full date such as 2026-10-04"),
    (setting(1, effectiveDateTime=20260201), "Observation.effective", "Text is needed."),
    (setting(1, effectiveDateTime="2026-11-01T05:00:00+99:00"), "Observation.effective", "with an offset from UTC."),
    (without("effectiveDateTime"), "Observation.effective", "A full date such as 2026-10-04"),
    (without("status"), "Observation.status", "«status» is required."),
    (without("code"), "Observation.code", "«code» is required."),
    (without("subject"), "Observation.subject", "A reference to the patient is needed."),
    (setting(1, status="done"), "Observation.status", "«done» is not one of registered, preliminary, final"),
    (setting(1, status=5), "Observation.status", "Text is needed."),
    (setting(1, colour="red"), "Observation.colour", "There is no element «colour» here."),
    (setting(1, method={}), "Observation.method", "The element is empty; leave it out instead."),
    (setting(1, note=[]), "Observation.note", "The element is empty; leave it out instead."),
    (setting(1, bodySite={"coding": [{}]}), "Observation.bodySite.coding[0]", "The element is empty; leave it out instead."),
    (setting(1, method=None), "Observation.method", "The element is null; leave it out instead."),
    (setting(1, method="x"), "Observation.method", "An object is needed."),
    (setting(1, method='{"text": "x"}'), "Observation.method", "An object is needed."),
    (setting(1, note={"text": "x"}), "Observation.note", "A list is needed."),
    (setting(1, category=["x"]), "Observation.category[0]", "An object is needed."),
    (setting(1, id="a b"), "Observation.id", "The text does not have the form"),
    (setting(1, issued="2026-11-01"), "Observation.issued", "A time with offset is needed"),
    (setting(1, basedOn=[{"reference": "ServiceRequest/nowhere"}]), "Observation.basedOn[0].reference", "ServiceRequest/nowhere is not here."),
    (setting(1, basedOn=[{"reference": "urn:uuid:0"}]), "Observation.basedOn[0].reference", "«urn:uuid:0» leads to nothing in this message."),
    (setting(1, basedOn=[{"reference": "#x"}]), "Observation.basedOn[0].reference", "No contained resource has the id «x»."),
    (setting(1, subject={"reference": 5}), "Observation.subject.reference", "Text is needed."),
    (setting(1, device={"reference": "Patient/1"}), "Observation.device.reference", "«Patient/1» is not a Device or DeviceMetric."),
    (setting(1, contained=[{"resourceType": "Nonsense"}]), "Observation.contained[0].resourceType", "«Nonsense» is not a resource type."),
    (setting(1, contained=[{"id": "a"}]), "Observation.contained[0].resourceType", "«resourceType» is required."),
    (setting(1, identifier=[{"system": "urn:x", "value": "1" * 256}]), "Observation.identifier[0].value", "may have 255 characters."),
]  # fmt: skip


@pytest.mark.parametrize(("make", "place", "words"), RESOURCES, ids=[f"{p}: {w}" for _, p, w in RESOURCES])
def test_a_resource_that_cannot_be_is_422(
    client: TestClient, sqlite_pipeline: Pipeline, make: Make, place: str, words: str
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir/Observation", make(case))
    assert answer.status_code == 422, answer.text
    told = issues(answer)
    assert [i for i in told if i[0] == "invalid" and i[2] == place and words in i[1]], told
    assert len(told) == 1, told
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


CHECK_INS: list[tuple[dict[str, Any], str, str]] = [
    ({"zzz": {"valueDecimal": 1}}, "item[0].linkId", "The check-in has no question «zzz»."),
    ({"snoring": {"valueDecimal": 11}}, "item[0].answer[0].value", "11 cannot be: 0 to 10"),
    ({"snoring": {"valueInteger": 1}}, "item[0].answer[0].value", "A number is needed."),
    ({"snoring": {"valueDecimal": "1"}}, "item[0].answer[0].value", "A number is needed."),
    ({"epworth_total": {"valueInteger": 25}}, "item[0].answer[0].value", "25 cannot be: 0 to 24"),
    ({"witnessed_pauses": {"valueString": "no"}}, "item[0].answer[0].value", "Either true or false is needed."),
    ({"nights_worn": {"valueInteger": 7}}, "item", "Nights worn and nights reported on belong together."),
    ({"reported_by": {"valueString": "patient"}}, "item", "A check-in answers at least one question."),
]


@pytest.mark.parametrize(("answers", "place", "words"), CHECK_INS)
def test_a_check_in_that_cannot_be_is_422(
    client: TestClient, sqlite_pipeline: Pipeline, answers: dict[str, Any], place: str, words: str
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir/QuestionnaireResponse", case.check_in(**answers))
    assert answer.status_code == 422, answer.text
    told = issues(answer)
    assert [i for i in told if i[2] == f"QuestionnaireResponse.{place}" and words in i[1]], told
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


def test_a_check_in_of_nobody_is_refused(client: TestClient) -> None:
    response = Case(client).check_in(snoring={"valueDecimal": 1})
    del response["subject"]
    told = issues(post(client, "/fhir/QuestionnaireResponse", response))
    assert told == [("invalid", "A reference to the patient is needed.", "QuestionnaireResponse.subject")]


@pytest.mark.parametrize("date", ["2027-01-01", "2026-11-20T10:30:00+01:00"])
def test_a_date_in_the_future_is_refused(client: TestClient, sqlite_pipeline: Pipeline, date: str) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir/Observation", case.setting(effectiveDateTime=date))
    assert answer.status_code == 422
    sentence = f"{date} lies in the future (today is 2026-11-20)."
    assert issues(answer) == [("business-rule", sentence, "Observation.effective")]
    assert row_counts(sqlite_pipeline) == before


def test_a_setting_beyond_the_appliance_is_refused(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/fhir/Observation", case.setting(6))
    assert answer.status_code == 422
    sentence = "6 mm is beyond the appliance delivered on 24 Aug 2026, which advances 5 mm at most."
    assert issues(answer) == [("business-rule", sentence, "Observation.component")]
    assert row_counts(sqlite_pipeline) == before


def test_all_problems_of_a_resource_come_in_one_answer(client: TestClient) -> None:
    resource = Case(client).setting(40, quantity(1, "cm"), status="done", colour="red", note=[], effectiveDateTime="x")
    assert {place for _, _, place in issues(post(client, "/fhir/Observation", resource))} == {
        "Observation.component[0].value.value",
        "Observation.component[1].value.code",
        "Observation.status",
        "Observation.colour",
        "Observation.note",
        "Observation.effective",
    }


MADE_HERE = [
    {"resourceType": "CarePlan", "status": "active", "intent": "plan"},
    {"resourceType": "AuditEvent"},
    {"resourceType": "GuidanceResponse", "status": "success"},
    {"resourceType": "Observation", "status": "final", "code": local("readiness-for-efficacy-test").concept},
    {"resourceType": "Observation", "status": "final", "code": local("next-titration-step").concept},
    {"resourceType": "Observation", "status": "final", "code": local("response-to-treatment").concept},
]


@pytest.mark.parametrize("resource", MADE_HERE, ids=lambda r: r["resourceType"])
def test_what_the_service_makes_cannot_be_written(
    client: TestClient, sqlite_pipeline: Pipeline, resource: Resource
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = post(client, f"/fhir/{resource['resourceType']}", {**resource, "subject": ref(case.patient)})
    assert answer.status_code == 422
    ((code, told, _),) = issues(answer)
    assert code == "business-rule"
    assert told.endswith(("is made by the service and cannot be written.", "cannot be written from outside."))
    assert row_counts(sqlite_pipeline) == before
