"""What was received is kept as it came: bytes, digits, versions; facts always match the resources."""

from __future__ import annotations

import hashlib
from datetime import date

import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.errors import Category, Refused
from service.fhir.json_text import load, write
from service.pipeline import Pipeline
from service.settings import Settings
from tests.conftest import Clock
from tests.store.messages import (
    Post,
    accepted,
    check_in,
    delivered,
    opened_case,
    ordered,
    red_flag,
    referral,
    referral_bundle,
    setting,
    settled_course,
    take,
    take_bundle,
)
from tests.store.whole import check_whole, facts_read_anew, kept_facts, rows_of

_ODD_TEXT = (
    b'{ "settings" : [ {"entry_id":"s1","set_on":"2026-09-01",\r\n\t"advance_left_mm": 1.50, "advance_right_mm":1.5e0} ],'
    b'\n  "check_ins": [] , "side_effects": [{"entry_id":"e1","reported_on":"2026-09-02","kind":"dry mouth",'
    b'"grade_0_to_3":1}] }\n\n'
)


def test_the_text_received_is_kept_byte_for_byte(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline, [delivered()])
    take(pipeline, Post("progress", {}), number, text=_ODD_TEXT)
    kept = pipeline.messages(number)
    assert [channel for _, _, channel, _ in kept] == ["intake referrals", "intake appliances", "intake progress"]
    assert kept[2][3] == _ODD_TEXT
    row = next(m for m in rows_of(database_url)["message"] if m["channel"] == "intake progress")
    assert row["sha256"] == hashlib.sha256(_ODD_TEXT).hexdigest()


def test_a_repeat_is_kept_as_a_message_of_its_own(pipeline: Pipeline):
    number = opened_case(pipeline, [check_in("c1", "2026-09-01"), check_in("c1", "2026-09-01")])
    texts = [text for _, _, _, text in pipeline.messages(number)]
    assert texts[1] == texts[2]
    assert len(texts) == 3


def test_decimals_keep_their_digits_in_the_store_and_in_answers(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline)
    text = (
        b'{"check_ins": [{"entry_id": "c1", "reported_on": "2026-09-01", "snoring_0_to_10": 2.0, "weight_kg": 82.50}]}'
    )
    answer = take(pipeline, Post("progress", {}), number, text=text)
    weight = next(o for o in answer.outcomes if o.reference.endswith("-weight"))
    assert '"value":82.50,' in weight.body
    client = TestClient(build_app(Settings(), pipeline))
    assert '"value":82.50,' in client.get(f"/fhir/{weight.reference}").text
    assert '"value":82.50,' in client.get(f"/fhir/{weight.reference}/_history/1").text
    response = answer.outcomes[0]
    assert '"valueDecimal":2.0}' in client.get(f"/fhir/{response.reference}").text
    fact = next(f for f in rows_of(database_url)["fact"] if f["type"] == "QuestionnaireResponse")
    assert '"weight_kg":82.50' in fact["small"]


@pytest.mark.parametrize("digits", ["12.50", "12.5", "0.00", "100", "17.900"])
def test_decimals_of_a_bundle_keep_their_digits(pipeline: Pipeline, digits: str):
    text = write(referral_bundle("9001")).replace("17.90", digits)
    answer = take_bundle(pipeline, load(text))
    index = next(o for o in answer.outcomes if o.reference.startswith("Observation/"))
    assert f'"value":{digits},' in pipeline.resource(*index.reference.split("/")).body


def test_the_same_number_with_other_digits_is_other_content(pipeline: Pipeline):
    number = opened_case(pipeline, [check_in("c1", "2026-09-01", weight_kg=82)])
    text = write(check_in("c1", "2026-09-01", weight_kg=82).body).replace("82", "82.0").encode()
    with pytest.raises(Refused) as refused:
        take(pipeline, check_in("c1", "2026-09-01"), number, text=text)
    assert refused.value.problems[0].category is Category.CONFLICT


def test_every_version_stays_readable_after_a_correction(pipeline: Pipeline):
    number = opened_case(pipeline)
    first = take(pipeline, check_in("c1", "2026-09-01", snoring=9), number).outcomes[0]
    take(pipeline, check_in("c1", "2026-09-01", snoring=2, revision=2), number)
    take(pipeline, check_in("c1", "2026-09-01", snoring=2, revision=3, entered_in_error=True), number)
    kind, name = first.reference.split("/")
    assert pipeline.version(kind, name, 1).body == first.body
    states = [load(v.body)["status"] for v in pipeline.history(kind, name).matches]
    assert states == ["entered-in-error", "amended", "completed"]
    client = TestClient(build_app(Settings(), pipeline))
    assert client.get(f"/fhir/{first.reference}/_history/1").text == first.body
    assert client.get(f"/fhir/{first.reference}/_history/4").status_code == 404


_COURSE = [
    *settled_course(),
    delivered(entry_id="appliance-2", delivered_on="2026-11-14", maximum_advance_mm=4),
    setting("s1", "2026-10-21", 2, revision=2),
    check_in("c1", "2026-11-06", weight_kg=80, revision=2),
    check_in("c1", "2026-11-06", revision=3),
    red_flag("f1", "2026-11-15", kind="broken-appliance"),
    red_flag("f1", "2026-11-15", kind="broken-appliance", revision=2, resolved_on="2026-11-16"),
    check_in("c2", "2026-11-13", entered_in_error=True),
    Post("referral-state", {"state": "on-hold", "on": "2026-11-17", "reason": "away"}),
    Post("referral-state", {"state": "in-progress", "on": "2026-11-18", "reason": "back"}),
    ordered("T-1", "2026-11-19"),
    Post("referrals", {**referral(), "epworth_total": 11, "revision": 2}),
    accepted(),
]


def test_facts_kept_step_by_step_equal_facts_read_anew(pipeline: Pipeline, database_url: str):
    number = opened_case(pipeline)
    for post in _COURSE:
        take(pipeline, post, None if post.door == "referrals" else number)
        held = rows_of(database_url)
        assert kept_facts(held, number) == facts_read_anew(held, number)
        check_whole(held)


def test_the_decision_kept_equals_the_decision_recomputed(pipeline: Pipeline, clock: Clock):
    number = opened_case(pipeline)
    for post in _COURSE:
        take(pipeline, post, None if post.door == "referrals" else number)
        kept = pipeline.case(number)
        for beside_the_decision in ("resources", "overdue_from", "replaces", "replaced_by", "replaced_because"):
            kept.pop(beside_the_decision)
        assert kept == load(write(pipeline.case_as_of(number, date(2026, 11, 20))))
