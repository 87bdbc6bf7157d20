"""An invented scenario: two dental offices, one sleep laboratory, one physician, several patients.

Every place, name and number is made up. Days are counted back from the day the demo is played.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from service.demo.messages import (
    FERRYGATE,
    MILLBECK,
    Ago,
    check_in,
    efficacy,
    fitted,
    progress,
    referral,
    setting,
    settled_course,
)


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
    yield _ordered(ago)
    yield _uneven(ago)
    yield _accepted(ago)
    yield _new(ago)


def _ready(ago: Ago) -> Story:
    story = Story(
        "settled at 2 mm for three weeks",
        referral(ago, "R-1001", ("Calloway", "Ines", "1974-05-02", "female"), FERRYGATE, 75),
    )
    story.messages = [
        *fitted(ago, 42),
        progress(check_ins=[check_in("c1", ago(35), 7, 4)], settings=[setting("s1", ago(35), 1)]),
        progress(check_ins=[check_in("c2", ago(28), 5, 5)]),
        progress(settings=[setting("s2", ago(21), 2)]),
        progress(check_ins=[check_in("c3", ago(14), 3, 7), check_in("c4", ago(7), 2, 8, epworth_total=7)]),
    ]
    return story


def _titrating(ago: Ago) -> Story:
    story = Story(
        "one week at 1 mm, still snoring",
        referral(ago, "R-1002", ("Brandvold", "Teo", "1968-11-19", "male"), FERRYGATE, 40, index_events_per_hour=17.9),
    )
    story.messages = [
        *fitted(ago, 15),
        progress(settings=[setting("s1", ago(8), 1)]),
        progress(
            check_ins=[check_in("c1", ago(1), 6, 5)],
            side_effects=[
                {
                    "entry_id": "e1",
                    "reported_on": ago(1),
                    "kind": "dry mouth",
                    "grade_0_to_3": 1,
                    "onset": ago(6),
                    "ended_on": ago(1),
                }
            ],
        ),
    ]
    return story


def _at_limit(ago: Ago) -> Story:
    story = Story(
        "at the appliance's limit, snoring less but not settled",
        referral(ago, "R-1003", ("Maddern", "Ruth", "1959-02-27", "female"), MILLBECK, 95, index_events_per_hour=31.0),
    )
    story.messages = [
        *fitted(ago, 60, limit=3),
        progress(settings=[setting("s1", ago(50), 1), setting("s2", ago(40), 2), setting("s3", ago(25), 3)]),
        progress(check_ins=[check_in("c1", ago(12), 5, 7), check_in("c2", ago(5), 5, 7)]),
    ]
    return story


def _red_flag(ago: Ago) -> Story:
    story = Story(
        "a near miss at the wheel",
        referral(ago, "R-1004", ("Quennell", "Abel", "1981-08-08", "male"), MILLBECK, 50),
    )
    story.messages = [
        *fitted(ago, 20),
        progress(
            check_ins=[check_in("c1", ago(3), 4, 3)],
            red_flags=[{"entry_id": "f1", "reported_on": ago(2), "kind": "drowsy-driving"}],
        ),
    ]
    return story


def _cannot_say(ago: Ago) -> Story:
    story = Story(
        "stable on paper, but nobody has asked the patient",
        referral(ago, "R-1005", ("Sandiford", "Lio", "1990-12-30", "male"), FERRYGATE, 60),
    )
    story.messages = [*fitted(ago, 30)]
    return story


def _closed(ago: Ago) -> Story:
    story = Story(
        "tested, complete response, loop closed",
        referral(ago, "R-1006", ("Ferreby", "Nell", "1977-03-15", "female"), MILLBECK, 140, index_events_per_hour=24.0),
    )
    story.messages = [
        *settled_course(ago, 70),
        ("physician", "test-orders", {"order_number": "T-6", "ordered_on": ago(50)}),
        efficacy(ago, "R-1006-E", 40, 3.8, 2),
        ("physician", "decisions", {"entry_id": "d1", "decided_on": ago(35), "decision": "continue-treatment"}),
        ("dental office", "referral-state", {"state": "completed", "on": ago(30)}),
    ]
    return story


def _tested(ago: Ago) -> Story:
    story = Story(
        "tested, partial response, waiting for the physician",
        referral(
            ago,
            "R-1007",
            ("Averill", "Jun", "1985-06-21", "other"),
            FERRYGATE,
            120,
            index_events_per_hour=26.5,
            event_count=180,
        ),
    )
    story.messages = [
        *settled_course(ago, 45),
        ("physician", "test-orders", {"order_number": "T-7", "ordered_on": ago(25)}),
        efficacy(ago, "R-1007-E", 6, 9.2, 2),
    ]
    return story


def _ordered(ago: Ago) -> Story:
    story = Story(
        "settled, and the physician has ordered the test",
        referral(ago, "R-1009", ("Wetherby", "Oona", "1971-01-09", "female"), FERRYGATE, 100),
    )
    story.messages = [
        *settled_course(ago, 30),
        ("physician", "test-orders", {"order_number": "T-9", "ordered_on": ago(4)}),
    ]
    return story


def _uneven(ago: Ago) -> Story:
    """Uneven sides on purpose, a side effect, and an office that mistyped: one entry corrected, one withdrawn."""
    story = Story(
        "uneven sides, a sore jaw, and entries put right",
        referral(ago, "R-1010", ("Lindqvist-Oyelaran", "Bartholomea", "1966-07-30", "female"), MILLBECK, 85),
    )
    uneven = setting("s2", ago(24), 2) | {"advance_right_mm": 1.5, "difference_intended": True}
    sore = {"entry_id": "e1", "reported_on": ago(20), "kind": "sore jaw", "grade_0_to_3": 2, "onset": ago(22)}
    story.messages = [
        *fitted(ago, 50),
        progress(settings=[setting("s1", ago(36), 1)], check_ins=[check_in("c1", ago(36), 8, 3, epworth_total=12)]),
        progress(settings=[uneven | {"advance_left_mm": 3}], check_ins=[check_in("c2", ago(28), 6, 4)]),
        progress(settings=[uneven | {"revision": 2}], side_effects=[sore]),
        progress(check_ins=[check_in("c3", ago(19), 1, 9), check_in("c4", ago(18), 5, 6)]),
        progress(check_ins=[check_in("c3", ago(19), 1, 9) | {"revision": 2, "entered_in_error": True}]),
        progress(
            side_effects=[sore | {"revision": 2, "reported_on": ago(9), "grade_0_to_3": 1, "ended_on": ago(10)}],
            check_ins=[check_in("c5", ago(3), 4, 6, epworth_total=9)],
        ),
    ]
    return story


def _accepted(ago: Ago) -> Story:
    story = Story(
        "accepted, the appliance is being made",
        referral(ago, "R-1011", ("Penhallow", "Ives", "1979-04-18", "male"), FERRYGATE, 30),
    )
    story.messages = fitted(ago, 12)[:2]
    return story


def _new(ago: Ago) -> Story:
    return Story(
        "referred two days ago, not yet answered",
        referral(ago, "R-1008", ("Thorley", "Moss", "1963-10-11", "male"), MILLBECK, 2, index_events_per_hour=14.6),
    )
