"""An invented scenario: two dental offices, one sleep laboratory, one physician, several patients.

Every place, name and number is made up. Days are counted back from the day the demo is played.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

LABORATORY = {"id": "tarnwick-sleep", "name": "Tarnwick Sleep Laboratory"}
PHYSICIAN = {
    "id": "dr-01",
    "family_name": "Okonjo-Hale",
    "given_name": "Mirren",
    "practice": {"id": "osmere-sleep-medicine", "name": "Osmere Sleep Medicine"},
}
FERRYGATE = {"id": "ferrygate-dental", "name": "Ferrygate Dental"}
MILLBECK = {"id": "millbeck-dental", "name": "Millbeck Dental Rooms"}


@dataclass(slots=True)
class Story:
    """One patient's course: a title and messages as (who, what, address below the case, body)."""

    title: str
    referral: dict[str, Any]
    messages: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)


def stories(today: date) -> Iterator[Story]:
    """The patients of the scenario, as they stand on `today`."""

    def ago(days: int) -> str:
        return (today - timedelta(days=days)).isoformat()

    yield _ready(ago)
    yield _titrating(ago)
    yield _at_limit(ago)
    yield _red_flag(ago)
    yield _cannot_say(ago)
    yield _closed(ago)
    yield _tested(ago)
    yield _new(ago)


Ago = Callable[[int], str]


def _referral(
    ago: Ago, number: str, patient: tuple[str, str, str, str], office: dict[str, str], days: int, **test: Any
):
    family, given, born, sex = patient
    baseline = {
        "test_number": f"{number}-B",
        "performed_on": ago(days + 14),
        "place": "home",
        "index": "AHI",
        "index_events_per_hour": 22.4,
        "hypopnoea_rule": "3% or arousal",
        "recording_hours": 6.8,
        **test,
    }
    return {
        "referral_number": number,
        "referred_on": ago(days),
        "laboratory": LABORATORY,
        "physician": PHYSICIAN,
        "dental_office": office,
        "patient": {
            "id": f"P-{number}",
            "family_name": family,
            "given_name": given,
            "birth_date": born,
            "sex": sex,
        },
        "diagnosis": {"system": "icd-10-cm", "code": "G47.33", "text": "Obstructive sleep apnoea"},
        "baseline_test": baseline,
        "epworth_total": 13,
        "pap_history": "not tolerated",
    }


def _fitted(ago: Ago, days: int, limit: float = 6) -> list[tuple[str, str, dict[str, Any]]]:
    """Acceptance, assessment and delivery, `days` ago."""
    return [
        ("dental office", "referral-state", {"state": "accepted", "on": ago(days + 10)}),
        (
            "dental office",
            "assessments",
            {
                "entry_id": "exam-1",
                "assessed_on": ago(days + 9),
                "protrusive_range_mm": 11,
                "teeth_upper": 14,
                "teeth_lower": 13,
                "mobile_teeth": False,
                "active_tmj_disorder": False,
                "overjet_mm": 3.0,
                "overbite_mm": 2.5,
            },
        ),
        (
            "dental office",
            "appliances",
            {
                "entry_id": "appliance-1",
                "delivered_on": ago(days),
                "maximum_advance_mm": limit,
                "smallest_step_mm": 0.5,
                "starting_position_mm": 4.0,
            },
        ),
        ("dental office", "progress", {"settings": [_setting("s0", ago(days), 0)]}),
    ]


def _setting(entry: str, on: str, both: float) -> dict[str, Any]:
    return {"entry_id": entry, "set_on": on, "advance_left_mm": both, "advance_right_mm": both}


def _check_in(entry: str, on: str, snoring: float, rested: float, worn: int = 6, **more: Any) -> dict[str, Any]:
    return {
        "entry_id": entry,
        "reported_on": on,
        "snoring_0_to_10": snoring,
        "restedness_0_to_10": rested,
        "nights_reported": 7,
        "nights_worn": worn,
        "hours_per_night": 6.25,
        "hours_slept_per_night": 7.0,
        "witnessed_pauses": False,
        **more,
    }


def _progress(*, settings: list[Any] | None = None, check_ins: list[Any] | None = None, **more: Any):
    body = {"settings": settings or [], "check_ins": check_ins or [], **more}
    return ("dental office", "progress", {k: v for k, v in body.items() if v})


def _ready(ago: Ago) -> Story:
    story = Story(
        "settled at 2 mm for three weeks",
        _referral(ago, "R-1001", ("Calloway", "Ines", "1974-05-02", "female"), FERRYGATE, 75),
    )
    story.messages = [
        *_fitted(ago, 42),
        _progress(check_ins=[_check_in("c1", ago(35), 7, 4)], settings=[_setting("s1", ago(35), 1)]),
        _progress(check_ins=[_check_in("c2", ago(28), 5, 5)]),
        _progress(settings=[_setting("s2", ago(21), 2)]),
        _progress(check_ins=[_check_in("c3", ago(14), 3, 7), _check_in("c4", ago(7), 2, 8, epworth_total=7)]),
    ]
    return story


def _titrating(ago: Ago) -> Story:
    story = Story(
        "one week at 1 mm, still snoring",
        _referral(ago, "R-1002", ("Brandvold", "Teo", "1968-11-19", "male"), FERRYGATE, 40, index_events_per_hour=17.9),
    )
    story.messages = [
        *_fitted(ago, 15),
        _progress(settings=[_setting("s1", ago(8), 1)]),
        _progress(
            check_ins=[_check_in("c1", ago(1), 6, 5)],
            side_effects=[
                {
                    "entry_id": "e1",
                    "reported_on": ago(1),
                    "kind": "dry mouth",
                    "grade_0_to_3": 1,
                    "onset": ago(6),
                }
            ],
        ),
    ]
    return story


def _at_limit(ago: Ago) -> Story:
    story = Story(
        "at the appliance's limit, snoring less but not settled",
        _referral(ago, "R-1003", ("Maddern", "Ruth", "1959-02-27", "female"), MILLBECK, 95, index_events_per_hour=31.0),
    )
    story.messages = [
        *_fitted(ago, 60, limit=3),
        _progress(settings=[_setting("s1", ago(50), 1), _setting("s2", ago(40), 2), _setting("s3", ago(25), 3)]),
        _progress(check_ins=[_check_in("c1", ago(12), 5, 7), _check_in("c2", ago(5), 5, 7)]),
    ]
    return story


def _red_flag(ago: Ago) -> Story:
    story = Story(
        "a near miss at the wheel",
        _referral(ago, "R-1004", ("Quennell", "Abel", "1981-08-08", "male"), MILLBECK, 50),
    )
    story.messages = [
        *_fitted(ago, 20),
        _progress(
            check_ins=[_check_in("c1", ago(3), 4, 3)],
            red_flags=[{"entry_id": "f1", "reported_on": ago(2), "kind": "drowsy-driving"}],
        ),
    ]
    return story


def _cannot_say(ago: Ago) -> Story:
    story = Story(
        "stable on paper, but nobody has asked the patient",
        _referral(ago, "R-1005", ("Sandiford", "Lio", "1990-12-30", "male"), FERRYGATE, 60),
    )
    story.messages = [*_fitted(ago, 30)]
    return story


def _efficacy(ago: Ago, number: str, days: int, index: float, mm: float) -> tuple[str, str, dict[str, Any]]:
    test = {
        "test_number": number,
        "performed_on": ago(days),
        "place": "home",
        "index": "AHI",
        "index_events_per_hour": index,
        "hypopnoea_rule": "3% or arousal",
        "recording_hours": 6.5,
        "event_count": round(index * 6.5),
        "appliance_worn": True,
        "setting_left_mm": mm,
        "setting_right_mm": mm,
    }
    return ("sleep laboratory", "sleep-tests", {"laboratory": LABORATORY, "test": test})


def _settled_course(ago: Ago, since: int) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        *_fitted(ago, since + 14),
        _progress(settings=[_setting("s1", ago(since + 7), 1), _setting("s2", ago(since), 2)]),
        _progress(check_ins=[_check_in("c1", ago(since - 7), 2, 8), _check_in("c2", ago(since - 14), 2, 8)]),
    ]


def _closed(ago: Ago) -> Story:
    story = Story(
        "tested, complete response, loop closed",
        _referral(
            ago, "R-1006", ("Ferreby", "Nell", "1977-03-15", "female"), MILLBECK, 140, index_events_per_hour=24.0
        ),
    )
    story.messages = [
        *_settled_course(ago, 70),
        ("physician", "test-orders", {"order_number": "T-6", "ordered_on": ago(50)}),
        _efficacy(ago, "R-1006-E", 40, 3.8, 2),
        ("physician", "decisions", {"entry_id": "d1", "decided_on": ago(35), "decision": "continue-treatment"}),
        ("dental office", "referral-state", {"state": "completed", "on": ago(30)}),
    ]
    return story


def _tested(ago: Ago) -> Story:
    story = Story(
        "tested, partial response, waiting for the physician",
        _referral(ago, "R-1007", ("Averill", "Jun", "1985-06-21", "other"), FERRYGATE, 120, index_events_per_hour=26.5),
    )
    story.messages = [
        *_settled_course(ago, 45),
        ("physician", "test-orders", {"order_number": "T-7", "ordered_on": ago(25)}),
        _efficacy(ago, "R-1007-E", 6, 9.2, 2),
    ]
    return story


def _new(ago: Ago) -> Story:
    return Story(
        "referred two days ago, not yet answered",
        _referral(ago, "R-1008", ("Thorley", "Moss", "1963-10-11", "male"), MILLBECK, 2, index_events_per_hour=14.6),
    )
