"""Invariants of base R4, each broken by itself; those of our profiles are broken among the lines of the profiles.

The keys and what they say are those of https://hl7.org/fhir/R4/ on the page of each type.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

from service.fhir.build import Resource
from service.fhir.codes import LOCAL
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import edited

KIND = "base invariant broken"
_URL = "https://elsewhere.example/StructureDefinition/remark"
_Change = Callable[[Resource], Any]
_BASIC = {"resourceType": "Basic", "id": "inside", "code": {"text": "remark"}}
_NAMED = {"url": _URL, "valueReference": {"reference": "#inside"}}


def _contain(**members: Any) -> _Change:
    """Adds a contained resource, with an extension that refers to it."""

    def change(resource: Resource) -> None:
        resource.setdefault("contained", []).append({**copy.deepcopy(_BASIC), **members})
        resource.setdefault("extension", []).append(copy.deepcopy(_NAMED))

    return change


def _extend(extension: dict[str, Any]) -> _Change:
    return lambda resource: resource.setdefault("extension", []).append(extension)


def _identified(**members: Any) -> _Change:
    """Adds an identifier, where the type has a list of them."""

    def change(resource: Resource) -> None:
        element = known(resource["resourceType"], ["identifier"])
        if element is None or not element.repeats:
            raise KeyError("identifier")
        resource.setdefault("identifier", []).append({"system": f"{LOCAL}/id", "value": "1", **members})

    return change


def _noted(**members: Any) -> _Change:
    def change(resource: Resource) -> None:
        if known(resource["resourceType"], ["note"]) is None:
            raise KeyError("note")
        resource.setdefault("note", []).append(members)

    return change


_ANY: dict[str, _Change] = {
    "dom-2 contained in a contained": _contain(contained=[_BASIC]),
    "dom-3 contained that nothing refers to": lambda r: r.setdefault("contained", []).append(copy.deepcopy(_BASIC)),
    "dom-4 version in a contained": _contain(meta={"versionId": "1"}),
    "dom-4 time in a contained": _contain(meta={"lastUpdated": "2026-01-01T00:00:00Z"}),
    "dom-5 security in a contained": _contain(meta={"security": [{"system": "urn:x", "code": "R"}]}),
    "contained without id": _contain(id=None),
    "contained as it may be": _contain(),
    "ext-1 value and extensions": _extend({"url": _URL, "valueString": "a", "extension": [{"url": "b"}]}),
    "ext-1 neither value nor extensions": _extend({"url": _URL}),
    "extension without url": _extend({"valueString": "a"}),
    "extension with two values": _extend({"url": _URL, "valueString": "a", "valueBoolean": True}),
    "extension with relative url": _extend({"url": "remark", "valueString": "a"}),
    "extension with a type it cannot have": _extend({"url": _URL, "valueNarrative": {"status": "generated"}}),
    "modifier extension that nobody knows": lambda r: r.update(modifierExtension=[{"url": _URL, "valueString": "a"}]),
    "per-1 period": _identified(period={"start": "2026-05-02", "end": "2026-05-01"}),
    "per-1 period as it may be": _identified(period={"start": "2026-05-01", "end": "2026-05-01"}),
    "per-1 period with times": _identified(
        period={"start": "2026-05-01T10:00:00+02:00", "end": "2026-05-01T08:30:00+02:00"}
    ),
    "per-1 period by month and day": _identified(period={"start": "2026-05", "end": "2026-05-01"}),
    "qty-3 extension": _extend({"url": _URL, "valueQuantity": {"value": 1, "code": "mm"}}),
    "qty-3 extension as it may be": _extend(
        {"url": _URL, "valueQuantity": {"value": 1, "code": "mm", "system": "http://unitsofmeasure.org"}}
    ),
    "ref-1 extension": _extend({"url": _URL, "valueReference": {"reference": "#nobody"}}),
    "rng-2 extension": _extend({"url": _URL, "valueRange": {"low": {"value": 5}, "high": {"value": 4}}}),
    "rat-1 extension": _extend({"url": _URL, "valueRatio": {"numerator": {"value": 5}}}),
    "att-1 extension": _extend({"url": _URL, "valueAttachment": {"data": "aGVsbG8="}}),
    "cpt-2 extension": _extend({"url": _URL, "valueContactPoint": {"value": "555"}}),
    "tim-1 extension": _extend({"url": _URL, "valueTiming": {"repeat": {"duration": 1}}}),
    "tim-2 extension": _extend({"url": _URL, "valueTiming": {"repeat": {"period": 1}}}),
    "age-1 extension": _extend({"url": _URL, "valueAge": {"value": 1, "unit": "year"}}),
    "annotation without text": _noted(time="2026-01-01"),
    "annotation with two authors": _noted(text="a", authorString="b", authorReference={"display": "c"}),
}


def _obs_7(resource: Resource) -> None:
    part = {"code": copy.deepcopy(resource["code"]), "valueString": "the same"}
    if not any(k.startswith("value") for k in resource):
        raise KeyError("value")
    resource.setdefault("component", []).append(part)


def _activity(**members: Any) -> _Change:
    return lambda resource: resource["activity"][0].update(members)


def _first_answer_nested(resource: Resource) -> None:
    inner = {"linkId": "inner", "answer": [{"valueString": "a"}]}
    resource["item"][0]["item"] = [inner]
    resource["item"][0]["answer"][0]["item"] = [inner]


_BY_TYPE: dict[str, dict[str, _Change]] = {
    "Observation": {
        "obs-6 reason for no value beside a value": lambda r: r.update(dataAbsentReason={"text": "unknown"}),
        "obs-7 component with the code of the whole": _obs_7,
        "obs-3 empty reference range": lambda r: r.update(referenceRange=[{"appliesTo": [{"text": "adults"}]}]),
        "obs-3 reference range as it may be": lambda r: r.update(referenceRange=[{"text": "under 5"}]),
        "two times": lambda r: r.update(effectivePeriod={"start": "2026-01-01"}),
        "two values": lambda r: r.update(
            valueString="a", valueTime="10:00:00", component=copy.deepcopy(r.get("component", []))
        ),
    },
    "Patient": {
        "pat-1 contact without any detail": lambda r: r.update(contact=[{"gender": "male"}]),
        "cpt-2 telecom": lambda r: r.update(telecom=[{"value": "555", "use": "home"}]),
        "two deaths": lambda r: r.update(deceasedBoolean=False, deceasedDateTime="2026-01-01"),
        "link without its kind": lambda r: r.update(link=[{"other": {"reference": "Patient/2"}}]),
    },
    "Practitioner": {
        "cpt-2 telecom": lambda r: r.update(telecom=[{"value": "555", "use": "work"}]),
        "qualification without code": lambda r: r.update(qualification=[{"period": {"start": "2020"}}]),
    },
    "Organization": {
        "org-1 neither identifier nor name": lambda r: (r.pop("name", None), r.pop("identifier", None)),
        "org-2 home address": lambda r: r.update(address=[{"use": "home", "city": "Osmere"}]),
        "org-3 home telecom": lambda r: r.update(telecom=[{"system": "phone", "value": "5", "use": "home"}]),
        "cpt-2 telecom": lambda r: r.update(telecom=[{"value": "555", "use": "work"}]),
    },
    "Condition": {
        "con-1 stage without anything": lambda r: r.update(stage=[{"type": {"text": "a"}}]),
        "con-2 evidence without anything": lambda r: r.update(evidence=[{"extension": [{"url": _URL}]}]),
        "con-4 abated but active": lambda r: r.update(abatementDateTime="2026-05-01"),
        "con-5 clinical status of an error": lambda r: r["verificationStatus"]["coding"][0].update(
            code="entered-in-error"
        ),
        "two onsets": lambda r: r.update(onsetDateTime="2026-01-01", onsetString="a while ago"),
    },
    "ServiceRequest": {
        "prr-1 order detail without code": lambda r: (r.pop("code"), r.update(orderDetail=[{"text": "a"}])),
        "two occurrences": lambda r: r.update(occurrenceDateTime="2026-05-01", occurrencePeriod={"start": "2026"}),
    },
    "Task": {
        "inv-1 changed before it was made": lambda r: r.update(
            authoredOn="2026-05-02T00:00:00Z", lastModified="2026-05-01T00:00:00Z"
        ),
        "output without value": lambda r: r.update(output=[{"type": {"text": "a"}}]),
        "output with two values": lambda r: r.update(
            output=[{"type": {"text": "a"}, "valueString": "a", "valueBoolean": True}]
        ),
        "restriction of no repetition": lambda r: r.update(restriction={"repetitions": 0}),
    },
    "CarePlan": {
        "cpl-3 activity with detail and reference": _activity(reference={"reference": "Task/1"}),
        "activity scheduled twice": _activity(scheduledString="daily", scheduledPeriod={"start": "2026"}),
        "activity of an unknown kind": lambda r: r["activity"][0]["detail"].update(kind="Medication"),
    },
    "DeviceUseStatement": {
        "two timings": lambda r: r.update(timingPeriod={"start": "2026-05-01"}, timingDateTime="2026-05-01"),
        "per-1 timing": lambda r: r.update(timingPeriod={"start": "2026-05-02", "end": "2026-05-01"}),
    },
    "GuidanceResponse": {
        "drq-1 filter by path and parameter": lambda r: r["dataRequirement"][0].update(
            codeFilter=[{"path": "code", "searchParam": "code"}]
        ),
        "drq-2 date filter by neither": lambda r: r["dataRequirement"][0].update(
            dateFilter=[{"valueDateTime": "2026-05-01"}]
        ),
        "two modules": lambda r: r.update(moduleUri="urn:a", moduleCanonical="urn:b"),
    },
    "QuestionnaireResponse": {
        "qrs-1 items below both question and answer": _first_answer_nested,
        "two values in one answer": lambda r: r["item"][0]["answer"][0].update(valueBoolean=True, valueString="a"),
        "answer to a question that is not asked": lambda r: r["item"].append(
            {"linkId": "no-such-question", "answer": [{"valueString": "a"}]}
        ),
        "the same question twice": lambda r: r["item"].append(copy.deepcopy(r["item"][0])),
    },
    "AuditEvent": {
        "sev-1 entity by name and query": lambda r: r["entity"][0].update(name="a", query="YQ=="),
        "agent that neither asked nor not": lambda r: r["agent"][0].pop("requestor"),
    },
    "Provenance": {
        "two times": lambda r: r.update(occurredDateTime="2026-05-01", occurredPeriod={"start": "2026-05-01"}),
        "signature without its data": lambda r: r.update(signature=[{"when": "2026-05-01T00:00:00Z"}]),
    },
    "Device": {
        "name without its kind": lambda r: r.update(deviceName=[{"name": "a"}]),
        "property without its kind": lambda r: r.setdefault("property", []).append({"valueQuantity": [{"value": 1}]}),
    },
    "DiagnosticReport": {
        "two times": lambda r: r.update(effectivePeriod={"start": "2026-01-01"}),
        "media without link": lambda r: r.update(media=[{"comment": "a"}]),
        "form without kind of content as it may be": lambda r: r.update(presentedForm=[{"url": "https://a.example"}]),
    },
}


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Each invariant that the type has, broken in the first right resource that can hold what breaks it."""
    for what, change in {**_ANY, **_BY_TYPE.get(case.kind, {})}.items():
        for resource in (case.fullest, *case.right):
            try:
                wrong = edited(resource, change)
            except (KeyError, IndexError):
                continue
            yield what, _without_nothing(wrong)
            break


def _without_nothing(value: Any) -> Any:
    """Without members that were set to nothing."""
    if isinstance(value, dict):
        return {k: _without_nothing(v) for k, v in value.items() if v is not None and v != []}
    return [_without_nothing(v) for v in value] if isinstance(value, list) else value
