"""What was once answered wrongly, each posted to the service: withheld, held, asked or refused now, in the same order.

The values come from CLINICAL rules of `service/rules/`; each case is invented.
"""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.conftest import Clock
from tests.journeys import parts
from tests.web.played import Played, acts, all_words, asked, check_ins, fitted, on, ready, result, settings, week

ORDER = (55, "test-orders", {"order_number": "O-1", "ordered_on": on(55)})
BASE = {"index_events_per_hour": 22.4}


def tested(client: TestClient, clock: Clock, *test: Any, **baseline: Any) -> dict[str, Any]:
    """A ready case whose ordered test came back on day 62."""
    return Played(client, clock, **(BASE | baseline)).play(*ready(), ORDER, *test).case(63)


A1 = (
    ("the appliance was not worn", result(62, 3, appliance_worn=False), {}, ["invalid"], "repeat-test"),
    ("2 h recorded", result(62, 3, recording_hours=2), {}, ["invalid"], "repeat-test"),
    ("hours untold", result(62, 3, recording_hours=None), {}, ["untold"], "complete-report"),
    (
        "an RDI before, an AHI after: the baseline flatters",
        result(62, 3),
        {"index": "RDI"},
        ["not-comparable"],
        "score-as-baseline",
    ),
    ("whether it was worn is untold", result(62, 3, appliance_worn=None), {}, ["untold"], "complete-report"),
    ("the rule is untold", result(62, 3, hypopnoea_rule="unknown"), {}, ["untold"], "complete-report"),
    ("scored by software alone", result(62, 3, scoring="automatic"), {}, ["invalid"], "review-recording"),
)


@pytest.mark.parametrize(("_why", "test", "baseline", "causes", "way_out"), A1, ids=[row[0] for row in A1])
def test_a1_a_test_that_cannot_be_believed_has_no_class_and_a_way_out(
    client: TestClient, clock: Clock, _why: str, test: Any, baseline: Any, causes: list[str], way_out: str
) -> None:
    case = tested(client, clock, test, **baseline)
    response = case["response"]
    assert (response["outcome"], response["withheld_for"]) == ("withheld", causes)
    assert way_out in acts(case) and "continue-treatment" not in acts(case)
    assert case["stage"] == "tested" and case["readiness"]["outcome"] == "result-in"
    assert case["whose_move"] == ("sleep lab" if causes == ["untold"] else "physician")


def test_a1_another_setting_than_todays_is_said_with_two_ways_out(client: TestClient, clock: Clock) -> None:
    case = tested(client, clock, result(62, 3, mm=1))
    assert case["response"]["sentence"].startswith(
        "Tested at 1 mm on both sides, not at the 2 mm on both sides worn now"
    )
    assert acts(case) == ["set-as-tested", "test-this-setting"]


def test_a1_another_rule_is_a_direction_and_the_class_at_least(client: TestClient, clock: Clock) -> None:
    """By 4 % against 3 % or arousal: 3.0 is stressed to 7.4, so at least partial, and complete is not shown."""
    psg = {**parts.POLYSOMNOGRAPHY, "hypopnoea_rule": "3% or arousal"}
    case = tested(client, clock, result(62, 3, **parts.POLYSOMNOGRAPHY), **psg)
    response = case["response"]
    assert (response["outcome"], response["at_least"]) == ("partial", True)
    assert response["sentence"].startswith("At least a partial response")
    assert response["comparability"] == "comparable-with-direction"


def test_a1_an_rdi_after_an_ahi_is_at_least(client: TestClient, clock: Clock) -> None:
    psg = parts.POLYSOMNOGRAPHY
    case = tested(client, clock, result(62, 3, **{**psg, "index": "RDI"}), **psg)
    assert (case["response"]["outcome"], case["response"]["at_least"]) == ("complete", True)


def test_a1b_a_report_that_contradicts_itself_is_the_laboratorys_move(client: TestClient, clock: Clock) -> None:
    """270 events in 6.6 h are 40.9 per hour, not 4.1."""
    told = {"event_count": 270, "recording_hours": 6.6}
    played = Played(client, clock, **BASE).play(*ready(), ORDER, result(62, 4.1, **told))
    case = played.case(63)
    assert case["response"]["withheld_for"] == ["inconsistent"]
    assert (case["whose_move"], acts(case)[0]) == ("sleep lab", "correct-report")
    _, path, corrected = result(62, 40.9, revision=2, **told)
    assert played.play((64, path, corrected)).case(65)["whose_move"] == "physician"


def test_a1b_a_baseline_that_contradicts_itself_is_attention_and_no_baseline(client: TestClient, clock: Clock) -> None:
    """30 events in 6 h are 5 per hour, not 40."""
    played = Played(client, clock, index_events_per_hour=40, event_count=30, recording_hours=6)
    case = played.play(*ready()).case(56)
    criteria = {c["name"]: c["status"] for c in case["readiness"]["criteria"]}
    assert criteria["baseline-known"] == "unknown"
    referral = {c["name"]: c["status"] for c in case["referral_check"]["criteria"]}
    assert referral["baseline-agrees"] == "attention"
    assert any("contradicts itself" in s for s in asked(case, "sleep lab"))


def test_a2_what_is_left_is_mostly_central(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock, **BASE).play(*ready(), ORDER, result(62, 9, central_share_percent=80))
    case = played.case(63)
    assert case["response"]["withheld_for"] == ["central"]
    assert (acts(case)[0], case["response"]["suggestions"][0]["within_days"]) == ("physician-review", 7)
    assert "advance-and-test-again" not in acts(case)
    assert case["due"] == on(69)
    assert "central" in played.page(63)


def test_a3_oxygen_that_is_worse_is_a_red_flag_of_the_same_day(client: TestClient, clock: Clock) -> None:
    case = tested(
        client, clock, result(62, 4, t90_percent=40, lowest_spo2_percent=60), t90_percent=4.2, lowest_spo2_percent=81
    )
    assert (case["stage"], case["whose_move"], case["urgent"]) == ("under-review", "physician", True)
    assert [(f["kind"], f["due"]) for f in case["red_flags"]] == [("worse-oximetry", on(62))]
    assert case["response"]["withheld_for"] == ["oxygen"]


def test_a3_an_index_that_rose_is_reviewed_in_seven_days_before_anything_else(client: TestClient, clock: Clock) -> None:
    case = tested(client, clock, result(62, 40), index_events_per_hour=10)
    assert case["response"]["outcome"] == "non-response"
    assert (acts(case)[0], case["response"]["suggestions"][0]["within_days"]) == ("physician-review", 7)
    assert "advance-and-test-again" not in acts(case)


def test_a4_growing_sleepiness_stops_titration(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)))
    played.play(*check_ins(48, snoring=9, epworth_total=19, witnessed_pauses=True))
    case = played.play(*check_ins(54, snoring=9, epworth_total=21, witnessed_pauses=True)).case(54)
    assert case["readiness"]["outcome"] == "stop-and-review"
    assert [f["kind"] for f in case["red_flags"]] == ["worse-sleepiness"]
    assert "Set the appliance to" not in week(case)


def test_a5_grade_three_is_stop_wearing_and_call_today(client: TestClient, clock: Clock) -> None:
    pain = {"side_effects": [{"entry_id": "p", "reported_on": on(50), "kind": "jaw pain", "grade_0_to_3": 3}]}
    case = (
        Played(client, clock)
        .play(*fitted(), *settings((33, 1), (41, 2)), *check_ins(48), (50, "progress", pain))
        .case(50)
    )
    assert week(case).startswith(
        "Stop wearing the appliance. Leave the appliance out until you are seen. Call your dental office today."
    )
    assert "Wear it every night" not in week(case)
    assert (case["whose_move"], case["urgent"], case["due"]) == ("dentist", True, on(50))


def test_a6_an_ordered_test_freezes_the_setting(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)), *check_ins(48, 54, snoring=7), ORDER)
    case = played.case(56)
    assert (case["readiness"]["outcome"], case["next_step"]["outcome"]) == ("ordered", "hold")
    assert "Set the appliance to" not in week(case)
    sheet = played.page(56, "sheet")
    assert "until the sleep test" in sheet and "Set the appliance to" not in sheet


def test_a7_impossible_geometry_is_refused(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock)
    played.play((3, "referral-state", {"state": "accepted", "on": on(3)}))
    early = played.post(12, "progress", {"settings": [parts.setting("s", 12, 6, 1)]})
    assert early.status_code == 422 and "No appliance had been delivered" in early.text
    played.play((12, "assessments", {**parts.EXAM, "protrusive_range_mm": 3}))
    start = played.post(26, "appliances", parts.appliance(26, starting_position_mm=4))
    assert start.status_code == 422 and "beyond the protrusive range" in start.text
    played.play((26, "appliances", parts.appliance(26, starting_position_mm=1)))
    far = played.post(33, "progress", {"settings": [parts.setting("s", 33, 2.36)]})
    assert far.status_code == 422 and "112 % of the protrusive range" in far.text
    assert not played.case(33)["next_step"]


def test_a8_a_red_flag_is_closed_by_the_office_it_is_for(client: TestClient, clock: Clock) -> None:
    flag = {"red_flags": [{"entry_id": "f", "reported_on": on(50), "kind": "drowsy-driving"}]}
    played = Played(client, clock).play(*ready()[:-1], (50, "progress", flag))
    closing = {
        **flag["red_flags"][0],
        "revision": 2,
        "resolved_on": on(51),
        "resolved_by": "A. Dentist",
        "action_taken": "seen",
    }
    by_date = played.post(
        51, "progress", {"red_flags": [{k: v for k, v in closing.items() if k not in ("resolved_by", "action_taken")}]}
    )
    assert by_date.status_code == 422
    refused = played.post(51, "progress", {"red_flags": [closing]})
    assert refused.status_code == 422 and "the physician's office" in refused.text
    assert played.case(51)["whose_move"] == "physician" and played.case(51)["urgent"]
    own = {
        "entry_id": "x",
        "kind": "drowsy-driving",
        "closed_on": on(51),
        "office": "physician",
        "closed_by": "M. Physician",
        "action_taken": "Seen; no driving until the test.",
    }
    assert played.post(51, "red-flag-closures", {**own, "office": "dentist"}).status_code == 422
    assert not played.play((51, "red-flag-closures", own)).case(51)["urgent"]


def test_a9_the_move_is_the_physicians_since_the_day_the_case_became_ready(client: TestClient, clock: Clock) -> None:
    """The setting is of day 41, stable on day 55; the last check-in that readiness needed came on day 60."""
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)), *check_ins(48, 60))
    assert played.case(60)["since"] == on(60)
    assert played.case(74)["since"] == on(60)


def wear(case: dict[str, Any]) -> tuple[str, str]:
    item = next(c for c in case["readiness"]["criteria"] if c["name"] == "worn-enough")
    return item["status"], item["sentence"]


def test_b1_a_sensor_counts_and_no_night_twice(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)))
    for day in (48, 55):
        told = parts.check_in(f"p{day}", day, 2, 8, 7) | {"reported_on": f"{on(day)}T07:00:00Z"}
        sensed = {
            "entry_id": f"n{day}",
            "reported_on": f"{on(day)}T09:00:00Z",
            "reported_by": "sensor",
            "nights_reported": 7,
            "nights_worn": 4,
            "hours_per_night": 6,
        }
        played.play((day, "progress", {"check_ins": [told, sensed]}))
    case = played.case(55)
    assert case["readiness"]["outcome"] == "not-yet"
    assert wear(case)[0] == "unmet" and wear(case)[1].startswith("Worn on 8 of 14 nights (57 %)")


def test_b2_overlapping_reports_take_the_lower_and_one_evening_is_one_answer(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(
        *fitted(), *settings((33, 1), (41, 2)), *check_ins(48, worn=0), *check_ins(60, 61, 62)
    )
    case = played.case(62)
    assert case["readiness"]["outcome"] == "not-yet"
    assert wear(case)[1].startswith("Worn on 9 of 16 nights (56 %)")


def test_b2_two_check_ins_a_minute_apart_are_one_answer(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)))
    for minute in (0, 1):
        told = parts.check_in(f"m{minute}", 48, 2, 8) | {"reported_on": f"{on(48)}T19:0{minute}:00Z"}
        played.play((48, "progress", {"check_ins": [told]}))
    snoring = next(c for c in played.case(56)["readiness"]["criteria"] if c["name"] == "snoring-settled")
    assert snoring["status"] == "unknown"


def test_b3_one_pause_that_is_never_asked_about_again_does_not_block_for_ever(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)), *check_ins(48, witnessed_pauses=True))
    played.play(*check_ins(55, 62, 69, 76, witnessed_pauses=None))
    pauses = {day: _criterion(played.case(day), "no-witnessed-pauses") for day in (76, 77)}
    assert (pauses[76]["status"], pauses[76]["earliest"], pauses[77]["status"]) == ("unmet", on(77), "met")
    assert any("pauses in breathing" in s for s in asked(played.case(77), "dentist"))


def _criterion(case: dict[str, Any], name: str) -> dict[str, Any]:
    return next(c for c in case["readiness"]["criteria"] if c["name"] == name)


def test_b4_pauses_at_the_limit_reach_the_physician(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(maximum_advance_mm=2), *settings((33, 1), (41, 2)))
    case = played.play(*check_ins(48, 54, witnessed_pauses=True)).case(56)
    assert (case["readiness"]["outcome"], case["whose_move"]) == ("ready-at-limit", "physician")


def test_b5_a_step_back_raises_neither_side(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(
        *fitted(),
        (33, "progress", {"settings": [parts.setting("a", 33, 2, 0, difference_intended=True, reason="midline")]}),
    )
    played.play((40, "progress", {"settings": [parts.setting("b", 40, 1.5, 1.5)]}))
    pain = {"side_effects": [{"entry_id": "p", "reported_on": on(41), "kind": "jaw pain", "grade_0_to_3": 2}]}
    step = played.play((41, "progress", pain)).case(46)["next_step"]
    assert step["target_left_mm"] <= 1.5 and step["target_right_mm"] <= 1.5


def test_b6_a_share_that_is_too_low_needs_no_hours(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)))
    case = played.play(*check_ins(48, 55, worn=2, hours_per_night=None)).case(56)
    assert wear(case)[0] == "unmet" and case["readiness"]["outcome"] == "not-yet"


def test_b8_after_the_decision_the_headline_is_follow_up(client: TestClient, clock: Clock) -> None:
    decision = (70, "decisions", {"entry_id": "d", "decided_on": on(70), "decision": "continue-treatment"})
    played = Played(client, clock, **BASE).play(*ready(), ORDER, result(62, 3), decision)
    for day in (71, 400):
        case = played.case(day)
        assert case["readiness"]["outcome"] == "decided"
        assert "Not yet ready" not in all_words(case)
    assert "retest-due" in {
        c["name"] for c in played.case(62 + 731)["follow_up"]["criteria"] if c["status"] == "attention"
    }


def test_b9_wear_is_capped_night_by_night(client: TestClient, clock: Clock) -> None:
    """8 h worn of 7 h slept on 4 of 7 nights, 20 to 8: 34.3 %, not 39.2 %."""
    played = Played(client, clock, index_events_per_hour=20).play(
        *ready()[:-2], *check_ins(48, 55, worn=4, hours_per_night=8, hours_slept_per_night=7)
    )
    case = played.play((56, "test-orders", {"order_number": "O", "ordered_on": on(56)}), result(62, 8)).case(63)
    worn = case["response"]["alleviation"]
    told = [str(worn[name]) for name in ("mean_disease_alleviation_percent", "effective_index_per_hour")]
    assert told == ["34.3", "13.1"]


C_DECIDED = (70, "decisions", {"entry_id": "d", "decided_on": on(70), "decision": "combination-or-another-therapy"})


def test_c1_a_patient_who_sleeps_alone_can_be_ready(client: TestClient, clock: Clock) -> None:
    alone = {"snoring_0_to_10": None, "witnessed_pauses": None, "who_could_hear": "nobody"}
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)))
    for day, more in ((48, {}), (54, {})):
        body = {k: v for k, v in (parts.check_in(f"c{day}", day, 2, 8) | alone | more).items() if v is not None}
        played.play((day, "progress", {"check_ins": [body]}))
    asked_for = played.case(56)
    assert asked_for["readiness"]["outcome"] == "cannot-say" and "an Epworth total" in asked_for["readiness"]["missing"]
    body = {"entry_id": "c57", "reported_on": on(57), "epworth_total": 7, "who_could_hear": "nobody"}
    case = played.play((57, "progress", {"check_ins": [body]})).case(57)
    assert case["readiness"]["outcome"] == "ready"


def test_c2_snoring_at_the_end_of_the_standard_parts_has_an_act_and_a_day(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(
        *fitted(), *settings((33, 1), (41, 2), (48, 3)), *check_ins(55, 62, 69, snoring=4)
    )
    case = played.case(70)
    assert case["whose_move"] == "dentist" and case["overdue_from"]
    again = parts.setting("again", 70, 3, no_further_reason="No gain from another step expected")
    case = played.play((70, "progress", {"settings": [again]})).case(70)
    assert (case["readiness"]["outcome"], case["whose_move"]) == ("ready-at-limit", "physician")


def test_c3_silence_goes_to_the_dental_office_and_then_to_the_physician(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1)), *check_ins(40, snoring=6))
    seen = {day: (played.case(day)["whose_move"], played.case(day)["since"]) for day in (53, 54, 67, 68, 129)}
    assert seen[53][0] == "patient"
    assert seen[54] == ("dentist", on(54)) and seen[67] == ("dentist", on(54))
    assert seen[68] == ("physician", on(68)) and seen[129][0] == "physician"
    assert played.case(129)["overdue_from"] <= on(129)


def test_c4_a_combination_has_somebody_who_starts_it(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock, **BASE).play(*ready(), ORDER, result(62, 14), C_DECIDED)
    case = played.case(71)
    assert case["whose_move"] == "physician" and "Who starts it" in case["why"] and case["overdue_from"]
    told = {**C_DECIDED[2], "revision": 2, "responsible": "physician", "start_by": on(84)}
    case = played.play((71, "decisions", told)).case(72)
    assert case["due"] == on(84) and case["overdue_from"] <= on(84)


ORDINARY = (
    ("home test scored by software and reviewed", {}, {}, "complete"),
    (
        "polysomnography told without hours of sleep",
        {**parts.POLYSOMNOGRAPHY, "sleep_hours": None},
        {**parts.POLYSOMNOGRAPHY, "sleep_hours": None},
        "complete",
    ),
    (
        "baseline by the 4 % rule from another laboratory",
        {"hypopnoea_rule": "4%"},
        {"performed_by": {"id": "other-lab", "name": "Oxmoor Sleep Laboratory"}},
        "complete",
    ),
)


@pytest.mark.parametrize(("_why", "before", "after", "expected"), ORDINARY, ids=[row[0] for row in ORDINARY])
def test_an_ordinary_test_has_a_class(
    client: TestClient, clock: Clock, _why: str, before: Any, after: Any, expected: str
) -> None:
    told = {k: v for k, v in before.items() if v is not None}
    case = tested(client, clock, result(62, 3, **after), **told)
    assert case["response"]["outcome"] == expected
    assert case["whose_move"] == "physician" and not case["urgent"]


def test_weekly_totals_that_wander_hold_nothing(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)))
    for day, total in ((33, 11), (40, 12), (48, 11), (54, 10)):
        played.play(*check_ins(day, epworth_total=total))
    case = played.case(56)
    assert not case["red_flags"] and case["readiness"]["outcome"] == "ready"


def test_h_a_home_test_that_tells_an_ahi_with_arousals_is_judged_and_asked_about(
    client: TestClient, clock: Clock
) -> None:
    as_told = {"index": "AHI", "hypopnoea_rule": "3% or arousal"}
    case = tested(client, clock, result(62, 3, **as_told), **as_told)
    assert case["response"]["outcome"] == "complete"
    assert any("judged as an REI" in s for s in asked(case, "sleep lab"))


def test_w_shares_are_rounded_and_reporters_named(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)), *check_ins(48, 55, worn=6))
    partner = {"entry_id": "b", "reported_on": on(55), "reported_by": "bed-partner", "snoring_0_to_10": 8}
    case = played.play((55, "progress", {"check_ins": [partner]})).case(56)
    assert "12 of 14 nights (86 %)" in wear(case)[1]
    assert "8 of 10 on 26 Apr 2026 (bed partner)" in _criterion(case, "snoring-settled")["sentence"]


def test_w_a_report_of_more_nights_than_there_were_is_asked_about(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted())
    told = parts.check_in("c", 28, 2, 8, worn=31) | {"nights_reported": 31}
    case = played.play((28, "progress", {"check_ins": [told]})).case(28)
    assert any("more than there were since the delivery" in s for s in asked(case, "dentist"))
    assert wear(case)[0] == "unknown"


def test_w_an_overdue_visit_reaches_the_board(client: TestClient, clock: Clock) -> None:
    played = Played(client, clock).play(*fitted(), *settings((33, 1), (41, 2)), *check_ins(48, 55, 62, 69, snoring=6))
    case = played.case(71)
    assert case["overdue_from"] == on(70)
    assert "overdue" in case["why"]
