"""Messages of the journeys, all invented."""

from __future__ import annotations

from typing import Any

from tests.journeys.story import on

LABORATORY = {"id": "tarnwick-sleep", "name": "Tarnwick Sleep Laboratory"}
EXAM = {
    "entry_id": "exam",
    "assessed_on": on(12),
    "protrusive_range_mm": 10,
    "teeth_upper": 14,
    "teeth_lower": 14,
    "mobile_teeth": False,
    "active_tmj_disorder": False,
    "overjet_mm": 3,
    "overbite_mm": 2,
}

POLYSOMNOGRAPHY = {
    "place": "laboratory",
    "test_kind": "polysomnography",
    "index": "AHI",
    "hypopnoea_rule": "4%",
    "recording_hours": 7.5,
    "sleep_hours": 7,
}


def referral(number: str, family: str, given: str, **test: Any) -> dict[str, Any]:
    """A referral with an REI of 24 at home, unless `test` says otherwise."""
    return {
        "referral_number": number,
        "referred_on": on(0),
        "laboratory": LABORATORY,
        "physician": {
            "id": "dr-01",
            "family_name": "Okonjo-Hale",
            "given_name": "Mirren",
            "practice": {"id": "osmere-sleep-medicine", "name": "Osmere Sleep Medicine"},
        },
        "dental_office": {"id": "ferrygate-dental", "name": "Ferrygate Dental"},
        "patient": {
            "id": f"P-{number}",
            "family_name": family,
            "given_name": given,
            "birth_date": "1971-09-14",
            "sex": "female",
        },
        "diagnosis": {"system": "icd-10-cm", "code": "G47.33"},
        "baseline_test": {
            "test_number": f"{number}-B",
            "performed_on": on(-10),
            "place": "home",
            "test_kind": "home-with-flow",
            "index": "REI",
            "index_events_per_hour": 24,
            "hypopnoea_rule": "3%",
            "scoring": "automatic-reviewed",
            "recording_hours": 7,
            **test,
        },
        "epworth_total": 12,
    }


def appliance(day: int, entry: str = "appliance", **limits: Any) -> dict[str, Any]:
    return {
        "entry_id": entry,
        "delivered_on": on(day),
        "maximum_advance_mm": 5,
        "smallest_step_mm": 0.5,
        "starting_position_mm": 3,
        **limits,
    }


def setting(entry: str, day: int, left: float, right: float | None = None, **more: Any) -> dict[str, Any]:
    return {
        "entry_id": entry,
        "set_on": on(day),
        "advance_left_mm": left,
        "advance_right_mm": left if right is None else right,
        **more,
    }


def check_in(entry: str, day: int, snoring: float, rested: float, worn: int = 7, **more: Any) -> dict[str, Any]:
    return {
        "entry_id": entry,
        "reported_on": on(day),
        "snoring_0_to_10": snoring,
        "restedness_0_to_10": rested,
        "nights_reported": 7,
        "nights_worn": worn,
        "hours_per_night": 6.5,
        "witnessed_pauses": False,
        **more,
    }


def efficacy(number: str, day: int, per_hour: float, mm: float, **more: Any) -> dict[str, Any]:
    return {
        "laboratory": LABORATORY,
        "test": {
            "test_number": number,
            "performed_on": on(day),
            "place": "home",
            "test_kind": "home-with-flow",
            "index": "REI",
            "index_events_per_hour": per_hour,
            "hypopnoea_rule": "3%",
            "scoring": "automatic-reviewed",
            "recording_hours": 6.5,
            "appliance_worn": True,
            "setting_left_mm": mm,
            "setting_right_mm": mm,
            **more,
        },
    }
