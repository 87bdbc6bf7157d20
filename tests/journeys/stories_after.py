"""More journeys: what is asked before treatment, and what follows after a good test."""

from __future__ import annotations

from tests.journeys.parts import EXAM, POLYSOMNOGRAPHY, appliance, check_in, efficacy, referral, setting
from tests.journeys.stories import DAY, DENTIST, LAB, PHYSICIAN, accepted_and_fitted
from tests.journeys.story import Event, Story, on

DOCUMENTS = Story(
    "Documents for a payer, and a gap that nobody defined",
    "At a site in the United States the documents a payer asks for are checked beside the treatment. An index between "
    "14 and 15 is not defined by the payer's text, and is answered so.",
    {
        **referral("J-13", "Lindqvist", "Orla", **POLYSOMNOGRAPHY, index_events_per_hour=14.5, event_count=102),
        "conditions": ["hypertension"],
        "face_to_face_on": on(-30),
        "ordered_by_treating_practitioner": True,
        "pap_history": "declined",
    },
    [
        Event(3, DENTIST, "accepts the referral", "referral-state", {"state": "accepted", "on": on(3)}, "cannot-say"),
        Event(12, DENTIST, "examines the patient", "assessments", {**EXAM, "licensed_dentist": True}, "cannot-say"),
        Event(26, DENTIST, "delivers the appliance", "appliances", appliance(26), "cannot-say"),
    ],
    region="US",
)

_TO_CONTINUE = [
    *accepted_and_fitted(),
    Event(33, DENTIST, "notes 2 mm", "progress", {"settings": [setting("s1", 33, 2)]}),
    Event(
        40,
        DENTIST,
        "sends a settled check-in",
        "progress",
        {"check_ins": [check_in("c1", 40, 2, 8, weight_kg=84, hours_slept_per_night=7.5)]},
    ),
    Event(
        47,
        DENTIST,
        "sends another",
        "progress",
        {"check_ins": [check_in("c2", 47, 2, 8, weight_kg=84, hours_slept_per_night=7.5)]},
        "ready",
        "ready-for-test",
        "physician",
    ),
    Event(
        50,
        PHYSICIAN,
        "orders the efficacy test",
        "test-orders",
        {"order_number": "O-14", "ordered_on": on(50)},
        stage="test-ordered",
    ),
    Event(58, LAB, "sends the result", "sleep-tests", efficacy("J-14-E", 58, 3.5, 2, event_count=23), stage="tested"),
    Event(
        62,
        PHYSICIAN,
        "decides to continue",
        "decisions",
        {"entry_id": "d1", "decided_on": on(62), "decision": "continue-treatment"},
        stage="in-follow-up",
    ),
]

YEAR = Story(
    "The year after a good test",
    "Nobody is lost between two offices: visits fall due at both, an overdue one is named, and a change of weight leads "
    "back to the physician although the patient feels well.",
    referral("J-14", "Sandoval", "Petra", event_count=168),
    [
        *_TO_CONTINUE,
        Event(250, DAY, "nothing is sent", "", None, stage="in-follow-up"),
        Event(
            262,
            DENTIST,
            "tells of the half-yearly visit and measures the bite",
            "assessments",
            {**EXAM, "entry_id": "exam-2", "assessed_on": on(262), "overjet_mm": 2.4},
        ),
        Event(
            262,
            DENTIST,
            "notes the visit",
            "visits",
            {"entry_id": "v1", "visited_on": on(262), "office": "dentist"},
        ),
        Event(
            265,
            PHYSICIAN,
            "notes the visit",
            "visits",
            {"entry_id": "v1", "visited_on": on(265), "office": "physician"},
        ),
        Event(
            300,
            DENTIST,
            "sends a check-in: all is well, 95 kg",
            "progress",
            {"check_ins": [check_in("c3", 300, 2, 8, weight_kg=95, hours_slept_per_night=7.5)]},
        ),
    ],
)

AFTERWARDS = (DOCUMENTS, YEAR)
