"""The messages of the invented scenario: people, places, and the parts that several stories share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

LABORATORY = {"id": "tarnwick-sleep", "name": "Tarnwick Sleep Laboratory"}
PHYSICIAN = {
    "id": "dr-01",
    "family_name": "Okonjo-Hale",
    "given_name": "Mirren",
    "practice": {"id": "osmere-sleep-medicine", "name": "Osmere Sleep Medicine", "telephone": "+1 555 0142"},
}
FERRYGATE = {"id": "ferrygate-dental", "name": "Ferrygate Dental", "telephone": "+1 555 0117"}
MILLBECK = {"id": "millbeck-dental", "name": "Millbeck Dental Rooms", "telephone": "+1 555 0163"}

Ago = Callable[[int], str]


def referral(ago: Ago, number: str, patient: tuple[str, str, str, str], office: dict[str, str], days: int, **test: Any):
    """A referral of a patient with the baseline test, `days` ago."""
    family, given, born, sex = patient
    baseline = {
        "test_number": f"{number}-B",
        "performed_on": ago(days + 14),
        "place": "home",
        "test_kind": "home-with-flow",
        "index": "REI",
        "index_events_per_hour": 22.4,
        "hypopnoea_rule": "3%",
        "scoring": "automatic-reviewed",
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


def fitted(ago: Ago, days: int, limit: float = 6) -> list[tuple[str, str, dict[str, Any]]]:
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
        ("dental office", "progress", {"settings": [setting("s0", ago(days), 0)]}),
    ]


def setting(entry: str, on: str, both: float) -> dict[str, Any]:
    """The same advancement on both sides."""
    return {"entry_id": entry, "set_on": on, "advance_left_mm": both, "advance_right_mm": both}


def check_in(entry: str, on: str, snoring: float, rested: float, worn: int = 6, **more: Any) -> dict[str, Any]:
    """A check-in over seven nights."""
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


def progress(*, settings: list[Any] | None = None, check_ins: list[Any] | None = None, **more: Any):
    """A progress message of the dental office."""
    body = {"settings": settings or [], "check_ins": check_ins or [], **more}
    return ("dental office", "progress", {k: v for k, v in body.items() if v})


def efficacy(ago: Ago, number: str, days: int, index: float, mm: float) -> tuple[str, str, dict[str, Any]]:
    """The result of an efficacy test at a setting of `mm` on both sides."""
    test = {
        "test_number": number,
        "performed_on": ago(days),
        "place": "home",
        "test_kind": "home-with-flow",
        "index": "REI",
        "index_events_per_hour": index,
        "hypopnoea_rule": "3%",
        "scoring": "automatic-reviewed",
        "recording_hours": 6.5,
        "event_count": round(index * 6.5),
        "appliance_worn": True,
        "setting_left_mm": mm,
        "setting_right_mm": mm,
    }
    return ("sleep laboratory", "sleep-tests", {"laboratory": LABORATORY, "test": test})


def settled_course(ago: Ago, since: int) -> list[tuple[str, str, dict[str, Any]]]:
    """From acceptance to settled symptoms, at the present setting since `since` days ago."""
    return [
        *fitted(ago, since + 14),
        progress(settings=[setting("s1", ago(since + 7), 1), setting("s2", ago(since), 2)]),
        progress(check_ins=[check_in("c1", ago(since - 7), 2, 8), check_in("c2", ago(since - 14), 2, 8)]),
    ]
