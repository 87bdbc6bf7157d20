"""More journeys: the edges of the rules, each a whole case."""

from __future__ import annotations

from tests.journeys.parts import appliance, check_in, efficacy, referral, setting
from tests.journeys.stories import DAY, DENTIST, LAB, PHYSICIAN, accepted_and_fitted
from tests.journeys.story import Event, Story, on

UNEVEN = Story(
    "Uneven sides, then meant to be so",
    "Sides that differ stop the way to the test until the dentist says that the difference is intended.",
    referral("J-6", "Ferreby", "Nell"),
    [
        *accepted_and_fitted(),
        Event(
            33,
            DENTIST,
            "notes 2 mm left and 1.5 mm right",
            "progress",
            {"settings": [setting("s1", 33, 2, 1.5)]},
            "not-yet",
            move="dentist",
        ),
        Event(40, DENTIST, "sends a settled check-in", "progress", {"check_ins": [check_in("c1", 40, 2, 8)]}),
        Event(47, DENTIST, "sends another", "progress", {"check_ins": [check_in("c2", 47, 2, 8)]}, "not-yet"),
        Event(
            48,
            DENTIST,
            "corrects the entry: the difference is intended",
            "progress",
            {"settings": [setting("s1", 33, 2, 1.5, difference_intended=True, revision=2)]},
            "ready",
        ),
    ],
)

DISAGREE = Story(
    "Rested, but sleepy by the scale",
    "When the Epworth total and the patient's own word disagree, the case is not ready, and both are shown.",
    referral("J-7", "Averill", "Jun"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes a step to 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(
            41,
            DENTIST,
            "sends a check-in: rested, Epworth 13",
            "progress",
            {"check_ins": [check_in("c1", 41, 2, 8, epworth_total=13)]},
        ),
        Event(
            48,
            DENTIST,
            "sends another: rested, Epworth 12",
            "progress",
            {"check_ins": [check_in("c2", 48, 2, 8, epworth_total=12)]},
            "not-yet",
        ),
    ],
)

WEAR = Story(
    "Worn on half of the nights",
    "A setting that is not worn cannot be judged by a test; the patient is told, not advanced.",
    referral("J-8", "Thorley", "Moss"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes a step to 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(41, DENTIST, "sends a check-in: 3 nights of 7", "progress", {"check_ins": [check_in("c1", 41, 5, 6, 3)]}),
        Event(
            48,
            DENTIST,
            "sends another: 4 nights of 7, hardly snoring",
            "progress",
            {"check_ins": [check_in("c2", 48, 3, 7, 4)]},
            "not-yet",
            move="patient",
        ),
        Event(80, DAY, "a month without a check-in goes by", "", None, "cannot-say", move="physician"),
    ],
)

REPLACED = Story(
    "A broken appliance and a new one",
    "A red flag goes to the dentist; a new appliance begins its own course, and the old settings no longer count.",
    referral("J-9", "Imrie", "Sol"),
    [
        *accepted_and_fitted(),
        Event(
            33,
            DENTIST,
            "notes 2 mm and a settled week",
            "progress",
            {"settings": [setting("s1", 33, 2)], "check_ins": [check_in("c1", 40 - 7, 6, 5)]},
        ),
        Event(
            44,
            DENTIST,
            "reports that the appliance broke",
            "progress",
            {"red_flags": [{"entry_id": "f1", "reported_on": on(44), "kind": "broken-appliance"}]},
            "stop-and-review",
            "under-review",
            "dentist",
        ),
        Event(
            58,
            DENTIST,
            "delivers a new appliance",
            "appliances",
            appliance(58, "appliance-2", maximum_advance_mm=6),
        ),
        Event(
            58,
            DENTIST,
            "closes the flag and notes the new setting",
            "progress",
            {
                "settings": [setting("t1", 58, 2)],
                "red_flags": [
                    {
                        "entry_id": "f2",
                        "reported_on": on(58),
                        "kind": "broken-appliance",
                        "resolved_on": on(58),
                        "resolved_by": "Dr Teal",
                        "action_taken": "A new appliance was delivered.",
                    }
                ],
            },
            "not-yet",
        ),
        Event(65, DENTIST, "sends a settled check-in", "progress", {"check_ins": [check_in("c2", 65, 2, 8)]}),
        Event(72, DENTIST, "sends another", "progress", {"check_ins": [check_in("c3", 72, 2, 8)]}, "ready"),
    ],
)

RELAPSE = Story(
    "A good test, then the snoring comes back",
    "After a good test the loop does not end: symptoms that return lead back to the physician. The tests compare only "
    "with care, and the page says why.",
    referral("J-10", "Lund", "Kari", index_events_per_hour=21),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes 2 mm", "progress", {"settings": [setting("s1", 33, 2)]}),
        Event(
            47,
            DENTIST,
            "sends two settled check-ins",
            "progress",
            {"check_ins": [check_in("c1", 40, 2, 8), check_in("c2", 47, 2, 8)]},
            "ready",
        ),
        Event(
            49,
            PHYSICIAN,
            "orders the efficacy test",
            "test-orders",
            {"order_number": "O-10", "ordered_on": on(49)},
            stage="test-ordered",
        ),
        Event(
            60,
            LAB,
            "sends the result of a laboratory test",
            "sleep-tests",
            efficacy(
                "J-10-E",
                60,
                4.4,
                2,
                place="laboratory",
                test_kind="polysomnography",
                index="AHI",
                hypopnoea_rule="3% or arousal",
                sleep_hours=5.8,
            ),
            stage="tested",
        ),
        Event(
            64,
            PHYSICIAN,
            "decides to continue",
            "decisions",
            {"entry_id": "d1", "decided_on": on(64), "decision": "continue-treatment"},
            stage="in-follow-up",
        ),
        Event(
            240,
            DENTIST,
            "sends two check-ins: snoring is back",
            "progress",
            {"check_ins": [check_in("c8", 233, 7, 4), check_in("c9", 240, 7, 4)]},
            move="physician",
        ),
    ],
)

EDGES = (UNEVEN, DISAGREE, WEAR, REPLACED, RELAPSE)
