"""The journeys. Each is a whole case, and what must be decided on the way."""

from __future__ import annotations

from tests.journeys.parts import EXAM, appliance, check_in, efficacy, referral, setting
from tests.journeys.story import Event, Story, on

DENTIST, LAB, PHYSICIAN, DAY = "dental office", "sleep laboratory", "physician", "a day passes"


def accepted_and_fitted(**limits: float) -> list[Event]:
    return [
        Event(
            3, DENTIST, "accepts the referral", "referral-state", {"state": "accepted", "on": on(3)}, stage="accepted"
        ),
        Event(12, DENTIST, "examines the patient", "assessments", EXAM, "cannot-say", move="dentist"),
        Event(26, DENTIST, "delivers the appliance", "appliances", appliance(26, **limits), "cannot-say"),
        Event(26, DENTIST, "notes the starting setting", "progress", {"settings": [setting("s0", 26, 0)]}),
    ]


STRAIGHT = Story(
    "From referral to closed loop",
    "The case becomes ready on the day the setting has been stable long enough, without any further message.",
    referral("J-1", "Calloway", "Ines"),
    [
        *accepted_and_fitted(),
        Event(
            33,
            DENTIST,
            "sends the first check-in and the first step",
            "progress",
            {"check_ins": [check_in("c1", 33, 7, 4)], "settings": [setting("s1", 33, 1)]},
            "not-yet",
        ),
        Event(
            40,
            DENTIST,
            "sends a check-in: still snoring",
            "progress",
            {"check_ins": [check_in("c2", 40, 6, 5)]},
            "not-yet",
            move="patient",
        ),
        Event(41, DENTIST, "notes the second step", "progress", {"settings": [setting("s2", 41, 2)]}, "not-yet"),
        Event(
            48,
            DENTIST,
            "sends a check-in: snoring is down",
            "progress",
            {"check_ins": [check_in("c3", 48, 3, 7)]},
            "not-yet",
        ),
        Event(
            54,
            DENTIST,
            "sends a second settled check-in",
            "progress",
            {"check_ins": [check_in("c4", 54, 2, 8, epworth_total=7)]},
            "not-yet",
        ),
        Event(55, DAY, "nothing is sent", "", None, "ready", "ready-for-test", "physician"),
        Event(
            57,
            PHYSICIAN,
            "orders the efficacy test",
            "test-orders",
            {"order_number": "O-1", "ordered_on": on(57)},
            "ordered",
            "test-ordered",
            "sleep lab",
        ),
        Event(
            66,
            LAB,
            "sends the result",
            "sleep-tests",
            efficacy("J-1-E", 66, 4.2, 2),
            "result-in",
            "tested",
            "physician",
        ),
        Event(
            70,
            PHYSICIAN,
            "decides to continue",
            "decisions",
            {"entry_id": "d1", "decided_on": on(70), "decision": "continue-treatment"},
            stage="in-follow-up",
        ),
        Event(
            72,
            DENTIST,
            "completes the referral",
            "referral-state",
            {"state": "completed", "on": on(72)},
            stage="in-follow-up",
            move="nobody",
        ),
    ],
)

RED_FLAG = Story(
    "A near miss at the wheel, and a partial response",
    "A red flag stops everything at once and goes to the physician, who alone closes it; a fall of the index that leaves apnoea behind is "
    "called partial, with all three published criteria side by side.",
    referral("J-2", "Brandvold", "Tova", index_events_per_hour=16.7),
    [
        *accepted_and_fitted(),
        Event(
            33,
            DENTIST,
            "reports a near miss while driving",
            "progress",
            {
                "check_ins": [check_in("c1", 33, 5, 3)],
                "red_flags": [{"entry_id": "f1", "reported_on": on(33), "kind": "drowsy-driving"}],
            },
            "stop-and-review",
            "under-review",
            "physician",
        ),
        Event(
            36,
            PHYSICIAN,
            "closes it, with what was done",
            "red-flag-closures",
            {
                "entry_id": "f2",
                "kind": "drowsy-driving",
                "closed_on": on(36),
                "office": "physician",
                "closed_by": "Mirren Okonjo-Hale",
                "action_taken": "Spoke with the patient, who does not drive for now.",
            },
        ),
        Event(37, DENTIST, "notes a step to 2 mm", "progress", {"settings": [setting("s1", 37, 2)]}),
        Event(44, DENTIST, "sends a settled check-in", "progress", {"check_ins": [check_in("c2", 44, 2, 8)]}),
        Event(51, DENTIST, "sends another", "progress", {"check_ins": [check_in("c3", 51, 2, 8)]}, "ready"),
        Event(
            52,
            PHYSICIAN,
            "orders the efficacy test",
            "test-orders",
            {"order_number": "O-2", "ordered_on": on(52)},
            stage="test-ordered",
        ),
        Event(60, LAB, "sends the result", "sleep-tests", efficacy("J-2-E", 60, 7.4, 2), stage="tested"),
        Event(
            65,
            PHYSICIAN,
            "adds positional therapy",
            "decisions",
            {"entry_id": "d1", "decided_on": on(65), "decision": "add-positional-therapy"},
            stage="in-follow-up",
        ),
    ],
)

AT_LIMIT = Story(
    "Jaw pain, a step back, and a test at the limit",
    "Titration that cannot go further is tested all the same, and said to be at its limit.",
    referral("J-3", "Maddern", "Ruth", index_events_per_hour=31),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes a step to 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(
            40,
            DENTIST,
            "notes a step to 2 mm",
            "progress",
            {"settings": [setting("s2", 40, 2)], "check_ins": [check_in("c1", 40, 6, 5)]},
        ),
        Event(
            46,
            DENTIST,
            "reports moderate jaw pain",
            "progress",
            {
                "side_effects": [
                    {"entry_id": "e1", "reported_on": on(46), "kind": "jaw pain", "grade_0_to_3": 2, "onset": on(41)}
                ]
            },
            "not-yet",
            move="dentist",
        ),
        Event(
            47,
            DENTIST,
            "takes the setting back to 1 mm",
            "progress",
            {"settings": [setting("s3", 47, 1, taken_back_for_side_effect=True)]},
            "not-yet",
        ),
        Event(
            54,
            DENTIST,
            "reports the pain gone, the snoring not",
            "progress",
            {
                "check_ins": [check_in("c2", 54, 5, 7)],
                "side_effects": [
                    {
                        "entry_id": "e2",
                        "reported_on": on(54),
                        "kind": "jaw pain",
                        "grade_0_to_3": 0,
                        "onset": on(41),
                        "ended_on": on(52),
                    }
                ],
            },
        ),
        Event(
            61,
            DENTIST,
            "sends a check-in: still snoring",
            "progress",
            {"check_ins": [check_in("c3", 61, 5, 7)]},
            "ready-at-limit",
            "ready-for-test",
            "physician",
        ),
        Event(
            63,
            PHYSICIAN,
            "orders the efficacy test",
            "test-orders",
            {"order_number": "O-3", "ordered_on": on(63)},
            stage="test-ordered",
        ),
        Event(70, LAB, "sends the result", "sleep-tests", efficacy("J-3-E", 70, 19, 1), stage="tested"),
        Event(
            75,
            PHYSICIAN,
            "chooses another therapy",
            "decisions",
            {"entry_id": "d1", "decided_on": on(75), "decision": "combination-or-another-therapy"},
            stage="in-follow-up",
        ),
    ],
)

LATE = Story(
    "Late, repeated and withdrawn reports",
    "What arrives late, twice or by mistake leads to the same decision as if it had come in order, once.",
    referral("J-4", "Sandiford", "Lio"),
    [
        Event(
            50,
            DENTIST,
            "sends two check-ins before anything else",
            "progress",
            {"check_ins": [check_in("c1", 41, 3, 7), check_in("c2", 48, 2, 8)]},
            "cannot-say",
        ),
        Event(
            50,
            DENTIST,
            "sends them again",
            "progress",
            {"check_ins": [check_in("c1", 41, 3, 7), check_in("c2", 48, 2, 8)]},
            "cannot-say",
        ),
        Event(51, DENTIST, "records the delivery of the appliance, late", "appliances", appliance(26), "cannot-say"),
        Event(
            52,
            DENTIST,
            "notes the settings of the last weeks, in no order",
            "progress",
            {"settings": [setting("s2", 34, 2), setting("s0", 26, 0)]},
            "ready",
        ),
        Event(
            53,
            DENTIST,
            "sends a third setting by mistake",
            "progress",
            {"settings": [setting("s3", 53, 3)]},
            "not-yet",
        ),
        Event(
            54,
            DENTIST,
            "withdraws it",
            "progress",
            {"settings": [setting("s3", 53, 3, entered_in_error=True)]},
            "ready",
            "ready-for-test",
            "physician",
        ),
    ],
)

DECLINED = Story(
    "A referral that is declined",
    "A patient is not lost between two offices: the physician is told, and why.",
    referral("J-5", "Quennell", "Abel"),
    [
        Event(
            4,
            DENTIST,
            "declines the referral",
            "referral-state",
            {"state": "rejected", "on": on(4), "reason": "too few teeth to hold an appliance"},
            stage="closed",
            move="physician",
        ),
    ],
)

STORIES = (STRAIGHT, RED_FLAG, AT_LIMIT, LATE, DECLINED)
