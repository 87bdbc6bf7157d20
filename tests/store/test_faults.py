"""A transaction of 20 entries, of every kind there is, is stored whole or not at all, whichever statement fails."""

from __future__ import annotations

from typing import Any

import pytest

from service.fhir.build import quantity, ref
from service.fhir.codes import local
from service.fhir.json_text import load, write
from service.inbound.fhir_bundle import map_bundle
from service.inbound.plain import AskedRead
from service.intake.answers import Answer
from service.intake.message import Received
from service.new_id import new_id
from service.pipeline import Pipeline
from tests.store.faults import Fault, conflict_once, fault_at, fault_at_commit
from tests.store.messages import opened_case, settled_course
from tests.store.whole import check_whole, rows_of

_SYSTEM = "https://x.example/numbers"
_OFFICE = "urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b01"


def _numbered(kind: str, number: str, **elements: Any) -> dict[str, Any]:
    return {"resourceType": kind, "identifier": [{"system": _SYSTEM, "value": number}], **elements}


def _entry(method: str, url: str, resource: Any = None, full_url: str = "", **request: str) -> dict[str, Any]:
    made: dict[str, Any] = {"request": {"method": method, "url": url, **request}}
    if resource is not None:
        made["resource"] = resource
    return {"fullUrl": full_url, **made} if full_url else made


def _take(pipeline: Pipeline, *entries: dict[str, Any]) -> Answer:
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}
    received = Received("fhir transaction", write(bundle).encode(), new_id(), plain=False, interaction="transaction")

    def read(asked: AskedRead) -> str:
        kind, resource_id = asked.url.split("/")
        return pipeline.resource(kind, resource_id).body

    return pipeline.receive(received, map_bundle, read=read)


def _twenty(pipeline: Pipeline) -> list[dict[str, Any]]:
    """Creations, a conditional one, updates by id and by identifier, deletions, reads; about a case in titration."""
    number = opened_case(pipeline, settled_course())
    links = pipeline.case(number)["resources"]
    about = {"subject": ref(links["patient"]), "basedOn": [ref(links["referral"])]}

    def note(name: str, **elements: Any) -> dict[str, Any]:
        return _numbered("Communication", name, status="completed", **about, **elements)

    def told(name: str, day: str, score: int) -> dict[str, Any]:
        return _numbered(
            "Observation",
            name,
            status="final",
            category=[
                {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "survey"}]}
            ],
            code=local("snoring").concept,
            effectiveDateTime=day,
            valueQuantity=quantity(score, "{score}"),
            **about,
        )

    held = [
        load(outcome.body)
        for outcome in _take(
            pipeline,
            *(_entry("POST", "Communication", note(f"old-{n}")) for n in range(4)),
            _entry("POST", "Observation", told("old", "2026-09-10", 5)),
        ).outcomes
    ]
    notes, observation = held[:4], held[4]
    changed = {**observation, "status": "amended", "valueQuantity": quantity(4, "{score}")}
    patient = pipeline.resource("Patient", links["patient"].split("/")[1])
    office = _numbered("Organization", "office", active=True, name="Invented office")
    role = _numbered("PractitionerRole", "role", active=True, organization=ref(_OFFICE))
    return [
        *(_entry("DELETE", f"Communication/{n['id']}") for n in notes[:2]),
        _entry("PUT", f"Communication/{notes[2]['id']}", {**notes[2], "note": [{"text": "read"}]}, ifMatch='W/"1"'),
        _entry("PUT", f"Communication?identifier={_SYSTEM}|old-3", {**note("old-3"), "note": [{"text": "read"}]}),
        _entry("PUT", f"Observation/{observation['id']}", changed, ifMatch='W/"1"'),
        _entry(
            "PUT",
            "Organization/branch",
            {**_numbered("Organization", "branch", active=True, name="Branch"), "id": "branch"},
        ),
        _entry(
            "PUT", f"Patient/{patient.id}", {**load(patient.body), "language": "en"}, ifMatch=f'W/"{patient.version}"'
        ),
        _entry("POST", "Organization", office, _OFFICE, ifNoneExist=f"identifier={_SYSTEM}|office"),
        _entry("POST", "PractitionerRole", role),
        _entry("POST", "Communication", note("new", inResponseTo=[ref(f"Communication?identifier={_SYSTEM}|old-3")])),
        *(_entry("POST", "Observation", told(f"new-{n}", f"2026-09-{11 + n}", n)) for n in range(8)),
        _entry("GET", f"Observation/{observation['id']}"),
        _entry("GET", f"CarePlan/{number}"),
    ]


def test_a_fault_at_any_statement_of_twenty_entries_leaves_no_trace(pipeline: Pipeline, database_url: str):
    entries = _twenty(pipeline)
    assert len(entries) == 20
    before = rows_of(database_url)
    number = 0
    while True:
        with fault_at(pipeline, number) as seen:
            try:
                answer = _take(pipeline, *entries)
                break
            except Fault:
                assert rows_of(database_url) == before, f"a fault at «{seen[-1]}» left a trace"
        number += 1
    assert number == len(seen) > 20
    assert [o.what for o in answer.outcomes] == [
        *["deleted"] * 2,
        *["updated"] * 3,
        "created",
        "updated",
        *["created"] * 11,
    ]
    assert load(answer.reads[18])["status"] == "amended"
    assert load(answer.reads[19])["resourceType"] == "CarePlan"
    after = rows_of(database_url)
    deleted = [r for r in after["resource_version"] if r["deleted"]]
    assert [(r["version"], r["body"]) for r in deleted] == [(2, ""), (2, "")]
    check_whole(after)


def test_a_fault_at_the_commit_of_twenty_entries_leaves_no_trace(pipeline: Pipeline, database_url: str):
    entries = _twenty(pipeline)
    before = rows_of(database_url)
    with fault_at_commit(pipeline), pytest.raises(Fault):
        _take(pipeline, *entries)
    assert rows_of(database_url) == before


@pytest.mark.parametrize("statement", ["DELETE FROM identity", "INSERT INTO identity", "INSERT INTO resource_version"])
def test_a_conflict_in_twenty_entries_is_tried_again_from_the_start(
    pipeline: Pipeline, database_url: str, statement: str
):
    entries = _twenty(pipeline)
    with conflict_once(pipeline, at=statement) as seen:
        answer = _take(pipeline, *entries)
    assert len(seen) > 1
    assert len(answer.outcomes) == 18
    check_whole(rows_of(database_url))
