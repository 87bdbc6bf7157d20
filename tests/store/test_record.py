"""A patient's record written out whole, and cases removed when their retention is over: nothing else goes."""

from __future__ import annotations

import base64
from typing import Any

import pytest

from service.fhir.audit_event import Asker
from service.fhir.json_text import load
from service.fhir.validate import issues_of
from service.pipeline import Pipeline
from service.pipeline.access.asking import Seen, Told
from service.pipeline.audit_check import check, ends_of
from service.pipeline.record import due, expire, exported
from tests.conftest import SEAL, Clock
from tests.store.chain import check_chain
from tests.store.messages import Post, accepted, opened_case, referral, settled_course, take
from tests.store.whole import rows_of

CLOSED = Post("referral-state", {"state": "rejected", "on": "2026-08-06", "reason": "No teeth to hold an appliance"})


def patient_of(pipeline: Pipeline, number: str) -> str:
    return pipeline.case(number)["resources"]["patient"]


def closed_case(pipeline: Pipeline, referral_number: str = "R-2044") -> str:
    number = take(pipeline, Post("referrals", referral(referral_number))).case_number
    take(pipeline, CLOSED, number)
    assert pipeline.case(number)["stage"] == "closed"
    return number


def test_a_record_holds_every_version_every_entry_and_every_message(pipeline: Pipeline, database_url: str) -> None:
    number = opened_case(pipeline, settled_course())
    opened_case_of_another = take(pipeline, Post("referrals", referral("R-9")))
    patient = patient_of(pipeline, number)
    seen = Seen("read", "read at /cases", (f"CarePlan/{number}",), frozenset({number}))
    pipeline.read_audit.put([Told(seen, Asker(address="192.0.2.7"), "a-read", pipeline.now())])
    assert pipeline.read_audit.flush(10)
    bundle = exported(pipeline.database, patient.split("/")[1])
    assert bundle is not None
    rows = rows_of(database_url)
    held = {
        (r["resourceType"], r["id"], r["meta"]["versionId"]) for e in bundle["entry"] if "meta" in (r := e["resource"])
    }
    own = {
        (r["type"], r["id"], str(r["version"]))
        for r in rows["resource_version"]
        if r["case_number"] == number or f"{r['type']}/{r['id']}" == patient
    }
    assert own <= held
    assert any(e["resource"].get("outcomeDesc") == "read at /cases" for e in bundle["entry"])
    documents = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DocumentReference"]
    sent = {r["id"]: bytes(r["body"]) for r in rows["message"] if r["case_number"] == number}
    assert {d["id"]: base64.b64decode(d["content"][0]["attachment"]["data"]) for d in documents} == sent
    other = opened_case_of_another.case_number
    assert other not in str(bundle)
    assert [i for i in issues_of(bundle) if i.severity == "error"] == []


def test_there_is_no_record_of_nobody(pipeline: Pipeline) -> None:
    assert exported(pipeline.database, "none") is None


def of(rows: dict[str, list[dict[str, Any]]], number: str, patient: str) -> dict[str, int]:
    """How many rows of a case or its patient each table holds, but of audit entries."""
    own = {(r["type"], r["id"]) for r in rows["resource_version"] if r["case_number"] == number}
    own.add(("Patient", patient.split("/")[1]))
    return {
        table: len(
            [
                r
                for r in held
                if r.get("type") != "AuditEvent"
                and (r.get("case_number") == number or (r.get("type"), r.get("id")) in own)
            ]
        )
        for table, held in rows.items()
    }


def test_an_expired_case_is_gone_but_for_its_audit(pipeline: Pipeline, database_url: str, clock: Clock) -> None:
    number, other = closed_case(pipeline), opened_case_apart(pipeline)
    patient = patient_of(pipeline, number)
    before = rows_of(database_url)
    exported_ends = ends_of(pipeline.database)
    assert [d.case_number for d in due(pipeline.database, "2026-11-20")] == []
    assert [(d.case_number, d.kept) for d in due(pipeline.database, "2026-11-21")] == [(number, "")]
    assert expire(pipeline.database, number, "2026-11-20", "ten years are over") != ""
    assert rows_of(database_url) == before
    assert of(before, number, patient)["resource_version"] > 5
    assert expire(pipeline.database, number, "2026-11-21", "ten years are over") == ""
    after = rows_of(database_url)
    assert set(of(after, number, patient).values()) == {0}
    events = [r for r in after["resource_version"] if r["type"] == "AuditEvent"]
    kept = [r for r in before["resource_version"] if r["type"] == "AuditEvent"]
    assert all(event in events for event in kept)
    [last] = [load(r["body"]) for r in events if r not in kept]
    assert last["action"] == "D"
    assert last["outcomeDesc"].endswith(": ten years are over")
    assert [e["what"]["reference"] for e in last["entity"] if e["type"]["code"] == "1"] == [patient]
    check_chain(after)
    assert check(pipeline.database, print, exported_ends).findings == 0
    others = patient_of(pipeline, other)
    assert of(after, other, others) == of(before, other, others)
    assert expire(pipeline.database, number, "2026-11-21", "again") != ""


def opened_case_apart(pipeline: Pipeline) -> str:
    number = take(pipeline, Post("referrals", referral("R-9"))).case_number
    take(pipeline, accepted(), number)
    return number


def test_a_patient_of_another_case_stays(pipeline: Pipeline) -> None:
    number = closed_case(pipeline)
    patient = patient_of(pipeline, number)
    again = referral()
    again |= {"referral_number": "R-2045"}
    again["baseline_test"]["test_number"] = "R-2045-B"
    second = take(pipeline, Post("referrals", again)).case_number
    assert patient_of(pipeline, second) == patient
    assert expire(pipeline.database, number, "2026-11-21", "ten years are over") == ""
    assert pipeline.resource("Patient", patient.split("/")[1]).version >= 1


def test_a_message_of_the_past_opens_a_new_case(pipeline: Pipeline) -> None:
    number = closed_case(pipeline)
    assert expire(pipeline.database, number, "2026-11-21", "ten years are over") == ""
    again = take(pipeline, Post("referrals", referral())).case_number
    assert again != number
    assert pipeline.case(again)["stage"] != "closed"


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_nothing_goes_when_something_fails(
    pipeline: Pipeline, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = closed_case(pipeline)
    before = rows_of(database_url)
    monkeypatch.setattr("service.pipeline.record.audit_event", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        expire(pipeline.database, number, "2026-11-21", "ten years are over")
    assert rows_of(database_url) == before


def test_a_case_whose_notices_are_not_sent_stays(pipeline: Pipeline) -> None:
    from service.fhir.json_text import write
    from service.outbound.addresses import Egress
    from service.pipeline.subscriptions import Subscriptions
    from tests.outbound.asked import subscription

    subscriptions = Subscriptions(pipeline.database, Egress("127.0.0.1", on_loopback=True), SEAL, pipeline.now)
    made = subscriptions.create(write(subscription()).encode(), "http://x.example/fhir", "r")
    number = closed_case(pipeline)
    [kept] = due(pipeline.database, "2026-11-21")
    assert kept.kept == "notices about it are still to be sent"
    assert expire(pipeline.database, number, "2026-11-21", "ten years are over") == kept.kept
    subscriptions.delete(made["id"], "r")
    subscriptions.statuses([], [])
    assert expire(pipeline.database, number, "2026-11-21", "ten years are over") == ""
