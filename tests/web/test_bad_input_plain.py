"""Values that cannot be, by plain intake: the place, the value and what is taken instead; nothing stored."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.pipeline import Pipeline
from tests.web.messages import (
    Case,
    assert_plain_words,
    changed,
    example,
    issues,
    post,
    referral,
    row_counts,
    second_referral,
)

SETTING = {"entry_id": "z", "set_on": "2026-11-01", "advance_left_mm": 1, "advance_right_mm": 1}
CHECK_IN = {"entry_id": "z", "reported_on": "2026-11-01", "snoring_0_to_10": 3}
EFFECT = {"entry_id": "z", "reported_on": "2026-11-01", "kind": "dry mouth", "grade_0_to_3": 1}
FLAG = {"entry_id": "z", "reported_on": "2026-11-01", "kind": "locked-jaw"}
CLOSED = {"resolved_by": "Dr Teal", "action_taken": "Seen and advised"}
ADVANCE = "cannot be: 0 to 15 (a mean protrusive range is about 10 to 13 mm)."
WHOLE, NUMBER, NOT_PLAIN = "A whole number is needed.", "A number is needed.", "2026-10-04T21:30:00+02:00 is needed."
DAY = "a date without time is needed, such as 2026-10-04."
KEY = "Letters, digits, dot, hyphen and underscore are taken, with a letter or digit first."


def one(entries: str, entry: dict[str, Any], /, **fields: Any) -> dict[str, Any]:
    return {entries: [{**entry, **fields}]}


# (message, place, end of the sentence)
PROGRESS: list[tuple[dict[str, Any], str, str]] = [
    (one("settings", SETTING, advance_left_mm=40), "settings[0].advance_left_mm", f"40 mm {ADVANCE}"),
    (one("settings", SETTING, advance_right_mm=-1), "settings[0].advance_right_mm", f"-1 mm {ADVANCE}"),
    (one("settings", SETTING, advance_left_mm=Decimal("15.01")), "settings[0].advance_left_mm", f"15.01 mm {ADVANCE}"),
    (one("settings", SETTING, advance_left_mm="1"), "settings[0].advance_left_mm", NUMBER),
    (one("settings", SETTING, advance_left_mm=True), "settings[0].advance_left_mm", NUMBER),
    (one("settings", SETTING, advance_left_mm=None), "settings[0].advance_left_mm", NUMBER),
    (one("settings", SETTING, advance_left_mm=[1]), "settings[0].advance_left_mm", NUMBER),
    (one("settings", SETTING, percent_of_protrusive_range=101), "settings[0].percent_of_protrusive_range", "a whole)."),
    (one("settings", SETTING, difference_intended="yes"), "settings[0].difference_intended", "Either true or false is needed."),
    (one("settings", SETTING, colour="red"), "settings[0].colour", "There is no element «colour» here."),
    (one("settings", SETTING, set_on="2026-02-30"), "settings[0].set_on", "«2026-02-30» is not a day of the calendar."),
    (one("settings", SETTING, set_on="2026-02"), "settings[0].set_on", NOT_PLAIN),
    (one("settings", SETTING, set_on="yesterday"), "settings[0].set_on", NOT_PLAIN),
    (one("settings", SETTING, set_on=20261101), "settings[0].set_on", NOT_PLAIN),
    (one("settings", SETTING, set_on="2026-11-01T10:00:00"), "settings[0].set_on", NOT_PLAIN),
    (one("settings", SETTING, set_on="2026-11-01T25:00:00Z"), "settings[0].set_on", "not a time of day with an offset "),
    (one("settings", SETTING, set_on="2026-11-01T05:00:00+99:00"), "settings[0].set_on", "with an offset from UTC."),
    (one("settings", SETTING, set_on="1026-11-01"), "settings[0].set_on", "does not lie between 1900 and 2199."),
    (one("settings", SETTING, entry_id="a b"), "settings[0].entry_id", KEY),
    (one("settings", SETTING, entry_id=""), "settings[0].entry_id", "The text is empty."),
    (one("settings", SETTING, entry_id="x" * 65), "settings[0].entry_id", "The text is longer than 64 characters."),
    (one("settings", SETTING, entry_id=7), "settings[0].entry_id", "Text is needed."),
    (one("settings", SETTING, revision=0), "settings[0].revision", "A number of 1 or more is needed."),
    (one("settings", SETTING, revision=1001), "settings[0].revision", "A number of 1000 or less is needed."),
    (one("settings", SETTING, revision="2"), "settings[0].revision", WHOLE),
    ({"settings": {}}, "settings", "A list is needed."),
    ({"settings": ["x"]}, "settings[0]", "An object is needed."),
    ({"settings": [SETTING] * 101}, "settings", "The list holds more than 100 entries."),
    ({"settings": [SETTING, SETTING]}, "settings[1].entry_id", "The entry «z» stands in settings[0] already; send it once."),
    (one("check_ins", CHECK_IN, epworth_total=25), "check_ins[0].epworth_total", "25 cannot be: 0 to 24 (eight "),
    (one("check_ins", CHECK_IN, snoring_0_to_10=11), "check_ins[0].snoring_0_to_10", "11 cannot be: 0 to 10"),
    (one("check_ins", CHECK_IN, nights_worn=Decimal("1.5"), nights_reported=7), "check_ins[0].nights_worn", WHOLE),
    (one("check_ins", CHECK_IN, nights_worn=True, nights_reported=7), "check_ins[0].nights_worn", WHOLE),
    (one("check_ins", CHECK_IN, nights_worn=8, nights_reported=7), "check_ins[0]", "8 nights worn cannot be more than 7 nights reported on."),
    (one("check_ins", CHECK_IN, nights_worn=7), "check_ins[0]", "Nights worn and nights reported on belong together."),
    (one("check_ins", CHECK_IN, hours_per_night=6), "check_ins[0]", "Hours per night need the nights they were averaged over."),
    (one("check_ins", CHECK_IN, hours_per_night=17, nights_worn=7, nights_reported=7), "check_ins[0].hours_per_night", "17 h cannot be"),
    (one("check_ins", CHECK_IN, weight_kg=900), "check_ins[0].weight_kg", "900 kg cannot be: 20 to 400 (an adult)."),
    (one("check_ins", CHECK_IN, reported_by="cat"), "check_ins[0].reported_by", "One of patient, bed-partner or sensor is needed."),
    ({"check_ins": [{"entry_id": "z", "reported_on": "2026-11-01"}]}, "check_ins[0]", "A check-in answers at least one question."),
    (one("side_effects", EFFECT, grade_0_to_3=4), "side_effects[0].grade_0_to_3", "4 cannot be: 0 to 3 (none, mild, moderate, severe)."),
    (one("side_effects", EFFECT, kind="Dry!"), "side_effects[0].kind", "such as dry mouth."),
    (one("side_effects", EFFECT, onset="2026-10-02", ended_on="2026-10-01"), "side_effects[0]", "The end 2026-10-01 lies before the onset 2026-10-02."),
    (one("side_effects", EFFECT, onset="2026-10-02T10:00:00Z"), "side_effects[0].onset", DAY[1:]),
    (one("red_flags", FLAG, kind="x"), "red_flags[0].kind", "worse-sleepiness or worse-oximetry is needed."),
    (one("red_flags", FLAG, resolved_on="2026-10-01", **CLOSED), "red_flags[0]", "The end 2026-10-01 lies before the report of 2026-11-01."),
    ({"settings": [SETTING], "bogus": 1}, "bogus", "There is no element «bogus» here."),
]  # fmt: skip


@pytest.mark.parametrize(("body", "place", "end"), PROGRESS, ids=[f"{p}: {e}" for _, p, e in PROGRESS])
def test_progress_that_cannot_be_is_422(
    client: TestClient, sqlite_pipeline: Pipeline, body: dict[str, Any], place: str, end: str
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = case.send("progress", body)
    assert answer.status_code == 422, answer.text
    ((code, told, where),) = issues(answer)
    assert (code, where) == ("invalid", place)
    assert end in told
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


OTHERS: list[tuple[str, dict[str, Any], str, str]] = [
    ("assessments", changed(example("dental-office/assessment"), protrusive_range_mm=26), "protrusive_range_mm", "26 mm cannot be: 0 to 25"),
    ("assessments", changed(example("dental-office/assessment"), protrusive_range_mm=0), "", "A protrusive range is more than 0 mm."),
    ("assessments", changed(example("dental-office/assessment"), teeth_upper=17), "teeth_upper", "17 cannot be: 0 to 16"),
    ("assessments", changed(example("dental-office/assessment"), mobile_teeth=0), "mobile_teeth", "Either true or false is needed."),
    ("assessments", {"entry_id": "e", "assessed_on": "2026-09-01"}, "", "A dental assessment holds at least one finding."),
    ("appliances", changed(example("dental-office/appliance"), delivered_on="2026-08-24T10:00:00Z"), "delivered_on", DAY[1:]),
    ("appliances", changed(example("dental-office/appliance"), ended_on="2026-08-20"), "", "The end 2026-08-20 lies before the delivery 2026-08-24."),
    ("appliances", changed(example("dental-office/appliance"), smallest_step_mm=0), "smallest_step_mm", "0 mm cannot be: 0.05 to 2"),
    ("referral-state", {"state": "requested", "on": "2026-08-06"}, "state", "One of received, accepted, rejected, in-progress"),
    ("referral-state", {"state": "accepted"}, "on", "«on» is required."),
    ("test-orders", {"order_number": "1", "ordered_on": "2026-09-31"}, "ordered_on", "«2026-09-31» is not a day of the calendar."),
    ("decisions", changed(example("physician/decision"), decision="wait"), "decision", "One of continue-treatment, keep-titrating, advance-and-test-again"),
    ("cancellation", {"on": "2026-09-01"}, "reason", "«reason» is required."),
    ("sleep-tests", changed(example("sleep-lab/efficacy-test"), test__appliance_worn="maybe"), "test.appliance_worn", "One of all-night, part-of-the-night, not-worn or unknown is needed."),
    ("sleep-tests", changed(example("sleep-lab/efficacy-test"), test__index="ODI"), "test.index", "One of AHI, REI or RDI is needed."),
    ("sleep-tests", changed(example("sleep-lab/efficacy-test"), test__odi_events_per_hour=3), "test", "odi_drop_percent (3 or 4) belong together."),
]  # fmt: skip


@pytest.mark.parametrize(("what", "body", "place", "end"), OTHERS, ids=[f"{w} {p}: {e}" for w, _, p, e in OTHERS])
def test_other_messages_that_cannot_be_are_422(
    client: TestClient, sqlite_pipeline: Pipeline, what: str, body: dict[str, Any], place: str, end: str
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = case.send(what, body)
    assert answer.status_code == 422, answer.text
    ((code, told, where),) = issues(answer)
    assert (code, where) == ("invalid", place)
    assert end in told
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


REFERRALS: list[tuple[dict[str, Any], str, str]] = [
    ({"baseline_test__index_events_per_hour": 400}, "baseline_test.index_events_per_hour", "400 events/h cannot be: 0 to 200"),
    ({"baseline_test__lowest_spo2_percent": 140}, "baseline_test.lowest_spo2_percent", "140 % cannot be: 20 to 100"),
    ({"baseline_test__recording_hours": 25}, "baseline_test.recording_hours", "25 h cannot be: 0.1 to 24"),
    ({"baseline_test__odi_drop_percent": 5}, "baseline_test.odi_drop_percent", "5 % cannot be: 3 to 4"),
    ({"baseline_test__odi_drop_percent": None}, "baseline_test", "odi_drop_percent (3 or 4) belong together."),
    ({"baseline_test__hypopnoea_rule": "2%"}, "baseline_test.hypopnoea_rule", "One of 3% or arousal, 3%, 4% or unknown is needed."),
    ({"baseline_test": []}, "baseline_test", "An object is needed."),
    ({"epworth_total": 25}, "epworth_total", "25 cannot be: 0 to 24"),
    ({"patient__birth_date": "1974-05"}, "patient.birth_date", NOT_PLAIN),
    ({"patient__birth_date": "1974-13-01"}, "patient.birth_date", "«1974-13-01» is not a day of the calendar."),
    ({"patient__sex": "f"}, "patient.sex", "One of female, male, other or unknown is needed."),
    ({"patient__family_name": ""}, "patient.family_name", "The text is empty."),
    ({"patient__family_name": " "}, "patient.family_name", "One line of text is needed, without control characters."),
    ({"patient__family_name": "\x07"}, "patient.family_name", "The text holds U+0007, which is a control character"),
    ({"patient__family_name": "x" * 121}, "patient.family_name", "The text is longer than 120 characters."),
    ({"patient": 5}, "patient", "An object is needed."),
    ({"diagnosis__code": "!"}, "diagnosis.code", "A code of 1 to 18 letters, digits and dots is needed."),
    ({"laboratory__id": "a/b"}, "laboratory.id", KEY),
    ({"note": "two\nlines"}, "note", "One line of text is needed, without control characters."),
    ({"physician": None}, "physician", "«physician» is required."),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "place", "end"), REFERRALS, ids=[f"{p}: {e}" for _, p, e in REFERRALS])
def test_a_referral_that_cannot_be_is_422(
    client: TestClient, sqlite_pipeline: Pipeline, changes: dict[str, Any], place: str, end: str
) -> None:
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/intake/referrals", referral(**changes))
    assert answer.status_code == 422, answer.text
    ((code, told, where),) = issues(answer)
    assert (code, where) == ("invalid", place)
    assert end in told
    assert_plain_words(answer)
    assert row_counts(sqlite_pipeline) == before


FUTURE = [
    ("progress", one("settings", SETTING, set_on="2026-11-21"), "2026-11-21"),
    ("progress", one("settings", SETTING, set_on="2026-11-20T10:30:00+01:00"), "2026-11-20T10:30:00+01:00"),
    ("progress", one("check_ins", CHECK_IN, reported_on="2027-01-01"), "2027-01-01"),
    ("progress", one("side_effects", EFFECT, onset="2026-12-01"), "2026-12-01"),
    ("progress", one("red_flags", FLAG, resolved_on="2026-12-01", **CLOSED), "2026-12-01"),
    ("assessments", changed(example("dental-office/assessment"), assessed_on="2027-01-01"), "2027-01-01"),
    ("appliances", changed(example("dental-office/appliance"), delivered_on="2027-01-01"), "2027-01-01"),
    ("test-orders", {"order_number": "1", "ordered_on": "2027-01-01"}, "2027-01-01"),
    ("decisions", changed(example("physician/decision"), decided_on="2027-01-01"), "2027-01-01"),
]


@pytest.mark.parametrize(("what", "body", "date"), FUTURE)
def test_a_date_in_the_future_is_refused(
    client: TestClient, sqlite_pipeline: Pipeline, what: str, body: dict[str, Any], date: str
) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    answer = case.send(what, body)
    assert answer.status_code == 422, answer.text
    ((code, told, _),) = set(issues(answer))
    assert code == "business-rule"
    assert told == f"{date} lies in the future (today is 2026-11-20)."
    assert row_counts(sqlite_pipeline) == before


def test_a_time_of_this_moment_with_another_offset_is_not_in_the_future(client: TestClient) -> None:
    body = one("settings", SETTING, set_on="2026-11-20T10:00:00+01:00")
    assert Case(client).fitted().send("progress", body).status_code == 201


@pytest.mark.parametrize("field", ["referred_on", "baseline_test__performed_on", "epworth_on"])
def test_a_referral_with_a_date_in_the_future_is_refused(
    client: TestClient, sqlite_pipeline: Pipeline, field: str
) -> None:
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/intake/referrals", referral(**{field: "2027-01-01"}))
    assert answer.status_code == 422
    assert {i[:2] for i in issues(answer)} == {
        ("business-rule", "2027-01-01 lies in the future (today is 2026-11-20).")
    }
    assert row_counts(sqlite_pipeline) == before


def test_a_setting_beyond_the_appliance_is_refused(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client).fitted()
    before = row_counts(sqlite_pipeline)
    answer = case.send("progress", one("settings", SETTING, advance_left_mm=6))
    assert answer.status_code == 422
    sentence = "6 mm is beyond the appliance delivered on 24 Aug 2026, which advances 5 mm at most."
    assert issues(answer) == [("business-rule", sentence, "settings[0].advance_left_mm")]
    assert row_counts(sqlite_pipeline) == before
    assert case.send("progress", one("settings", SETTING, advance_left_mm=5)).status_code == 201


@pytest.mark.parametrize(("born", "status"), [("2008-08-04", 422), ("2008-08-03", 201)])
def test_a_patient_is_an_adult_on_the_day_of_the_referral(
    client: TestClient, sqlite_pipeline: Pipeline, born: str, status: int
) -> None:
    before = row_counts(sqlite_pipeline)
    answer = post(client, "/intake/referrals", second_referral(patient__birth_date=born, referred_on="2026-08-03"))
    assert answer.status_code == status
    if status == 422:
        sentence = "The patient was 17 on 3 Aug 2026; under 18 is outside the scope of this service."
        assert issues(answer) == [("business-rule", sentence, "patient.birth_date")]
        assert row_counts(sqlite_pipeline) == before


def test_all_problems_of_a_message_come_in_one_answer(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    case = Case(client)
    before = row_counts(sqlite_pipeline)
    body = {
        "settings": [{"entry_id": "q", "advance_left_mm": -1, "advance_right_mm": 99, "set_on": "x"}],
        "check_ins": [{"entry_id": "", "reported_on": "2026-02-30", "epworth_total": 25}],
        "side_effects": [{"entry_id": "e", "reported_on": "2026-11-01", "kind": "dry mouth", "grade_0_to_3": 9}],
        "bogus": 1,
    }
    answer = case.send("progress", body)
    assert answer.status_code == 422
    assert {place for _, _, place in issues(answer)} == {
        "settings[0].set_on",
        "settings[0].advance_left_mm",
        "settings[0].advance_right_mm",
        "check_ins[0].entry_id",
        "check_ins[0].reported_on",
        "check_ins[0].epworth_total",
        "side_effects[0].grade_0_to_3",
        "bogus",
    }
    assert row_counts(sqlite_pipeline) == before


def test_all_problems_that_only_the_facts_show_come_in_one_answer(client: TestClient) -> None:
    body = {
        "check_ins": [{"entry_id": "a", "reported_on": "2026-11-01"}, {**CHECK_IN, "reported_on": "2027-01-01"}],
        "side_effects": [{**EFFECT, "onset": "2026-10-02", "ended_on": "2026-10-01"}],
    }
    answer = Case(client).send("progress", body)
    assert [place.partition(".")[0] for _, _, place in issues(answer)] == [
        "check_ins[0]",
        "check_ins[1]",
        "side_effects[0]",
    ]
