"""More journeys: a test is judged before it is believed, and what is dangerous comes first."""

from __future__ import annotations

from typing import Any

from tests.journeys.parts import POLYSOMNOGRAPHY, check_in, efficacy, referral, setting
from tests.journeys.stories import DENTIST, LAB, PHYSICIAN, accepted_and_fitted
from tests.journeys.story import Event, Story, on


def to_the_order(number: str) -> list[Event]:
    """From the referral to an ordered test on day 49, at 2 mm."""
    settled = {"check_ins": [check_in("c1", 40, 2, 8), check_in("c2", 47, 2, 8)]}
    return [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes 2 mm", "progress", {"settings": [setting("s1", 33, 2)]}),
        Event(47, DENTIST, "sends two settled check-ins", "progress", settled, "ready"),
        Event(
            49,
            PHYSICIAN,
            "orders the efficacy test",
            "test-orders",
            {"order_number": number, "ordered_on": on(49)},
            "ordered",
        ),
    ]


def flag_closed(day: int, kind: str, done: str) -> Event:
    body: dict[str, Any] = {
        "entry_id": f"closed-{day}",
        "kind": kind,
        "closed_on": on(day),
        "office": "physician",
        "closed_by": "Mirren Okonjo-Hale",
        "action_taken": done,
    }
    return Event(day, PHYSICIAN, "closes the red flag, with what was done", "red-flag-closures", body)


NOT_WORN = Story(
    "A test without the appliance",
    "A low index says nothing of an appliance that was not worn: no class, and the test is repeated. A report that leaves "
    "out whether it was worn is completed by the laboratory.",
    referral("J-21", "Penhale", "Isolde"),
    [
        *to_the_order("O-21"),
        Event(
            56,
            LAB,
            "sends a result that does not tell whether the appliance was worn",
            "sleep-tests",
            efficacy("J-21-E", 56, 3, 2, appliance_worn="unknown"),
            "result-in",
            "tested",
            "sleep lab",
        ),
        Event(
            58,
            LAB,
            "completes the report: it was not worn",
            "sleep-tests",
            efficacy("J-21-E", 56, 3, 2, appliance_worn=False, revision=2),
            "result-in",
            "tested",
            "physician",
        ),
        Event(
            60,
            PHYSICIAN,
            "orders another test",
            "test-orders",
            {"order_number": "O-21-2", "ordered_on": on(60)},
            "ordered",
        ),
        Event(
            67,
            LAB,
            "sends the result of a night with the appliance",
            "sleep-tests",
            efficacy("J-21-F", 67, 4, 2),
            "result-in",
            "tested",
            "physician",
        ),
    ],
)

CONTRADICTS = Story(
    "A report that contradicts itself",
    "The count and the hours make ten times the index that is printed: the laboratory corrects the report before anybody "
    "reads a response in it.",
    referral("J-22", "Averell", "Tomas"),
    [
        *to_the_order("O-22"),
        Event(
            56,
            LAB,
            "sends 4.1 per hour with 270 events in 6.6 hours",
            "sleep-tests",
            efficacy("J-22-E", 56, 4.1, 2, event_count=270, recording_hours=6.6),
            "result-in",
            "tested",
            "sleep lab",
        ),
        Event(
            59,
            LAB,
            "corrects it: 27 events",
            "sleep-tests",
            efficacy("J-22-E", 56, 4.1, 2, event_count=27, recording_hours=6.6, revision=2),
            "result-in",
            "tested",
            "physician",
        ),
    ],
)

CENTRAL = Story(
    "What is left is central",
    "Nine events an hour look like a partial response; most of them are central, which a larger advance does not treat. "
    "No class, no step, and the physician within a week.",
    referral("J-23", "Yardley", "Coral", index_events_per_hour=22.4),
    [
        *to_the_order("O-23"),
        Event(
            56,
            LAB,
            "sends the result: 80 % central",
            "sleep-tests",
            efficacy("J-23-E", 56, 9, 2, central_share_percent=80),
            "result-in",
            "tested",
            "physician",
        ),
        Event(
            60,
            PHYSICIAN,
            "chooses another therapy, to be started by the practice",
            "decisions",
            {
                "entry_id": "d1",
                "decided_on": on(60),
                "decision": "combination-or-another-therapy",
                "own_reading": "non-response",
                "responsible": "physician",
                "start_by": on(74),
            },
            "decided",
            "in-follow-up",
            "physician",
        ),
    ],
)

OXYGEN = Story(
    "A good index and bad oxygen",
    "The index fell to four, and oxygen is far worse than before treatment: a red flag for the physician the same day.",
    referral("J-24", "Fenwick", "Osric", index_events_per_hour=22.4, t90_percent=4.2, lowest_spo2_percent=81),
    [
        *to_the_order("O-24"),
        Event(
            56,
            LAB,
            "sends 4 per hour with 40 % of the night under 90 % saturation",
            "sleep-tests",
            efficacy("J-24-E", 56, 4, 2, t90_percent=40, lowest_spo2_percent=60),
            "stop-and-review",
            "under-review",
            "physician",
        ),
        flag_closed(56, "worse-oximetry", "Seen the same day; oxygen at night, polysomnography ordered."),
    ],
)

SLEEPIER = Story(
    "Sleepier than before treatment",
    "Growing sleepiness is no reason to advance: it goes to the physician, and the setting rests.",
    {**referral("J-25", "Lockyer", "Senna"), "epworth_total": 13},
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(
            41,
            DENTIST,
            "sends a check-in: Epworth 19, loud snoring, pauses",
            "progress",
            {"check_ins": [check_in("c1", 41, 9, 3, epworth_total=19, witnessed_pauses=True)]},
            "stop-and-review",
            "under-review",
            "physician",
        ),
        flag_closed(43, "worse-sleepiness", "Seen; does not drive. Titration goes on."),
        Event(
            48,
            DENTIST,
            "sends a check-in: Epworth 12",
            "progress",
            {"check_ins": [check_in("c2", 48, 6, 5, epworth_total=12)]},
            "not-yet",
            move="patient",
        ),
    ],
)

PAIN = Story(
    "Pain that stops wear",
    "Severe pain: the appliance stays out, the dental office is called today, and an ordered test waits.",
    referral("J-26", "Ashdown", "Merle"),
    [
        *to_the_order("O-26"),
        Event(
            52,
            DENTIST,
            "reports jaw pain of grade 3",
            "progress",
            {"side_effects": [{"entry_id": "e1", "reported_on": on(52), "kind": "jaw pain", "grade_0_to_3": 3}]},
            "stop-and-review",
            "under-review",
            "dentist",
        ),
        Event(
            54,
            DENTIST,
            "sets it back to 1 mm; the pain eases",
            "progress",
            {
                "settings": [setting("s2", 54, 1, taken_back_for_side_effect=True)],
                "side_effects": [{"entry_id": "e2", "reported_on": on(54), "kind": "jaw pain", "grade_0_to_3": 1}],
            },
            "ordered",
            "test-ordered",
            "physician",
        ),
    ],
)

FROZEN = Story(
    "A test is ordered while symptoms are left",
    "An order freezes the setting until the test: nobody is told to advance and to keep it in the same week.",
    referral("J-27", "Redgrave", "Hollis"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes 2 mm", "progress", {"settings": [setting("s1", 33, 2)]}),
        Event(41, DENTIST, "sends a check-in: still snoring", "progress", {"check_ins": [check_in("c1", 41, 7, 5)]}),
        Event(
            42,
            PHYSICIAN,
            "orders the test all the same",
            "test-orders",
            {"order_number": "O-27", "ordered_on": on(42)},
            "ordered",
            "test-ordered",
            "sleep lab",
        ),
        Event(
            48,
            DENTIST,
            "sends a check-in: still snoring",
            "progress",
            {"check_ins": [check_in("c2", 48, 7, 5)]},
            "ordered",
        ),
    ],
)

RULES_DIFFER = Story(
    "Scored by another rule",
    "The second laboratory scores by 4 %, which reads lower: what is shown is the least that the two tests allow.",
    referral("J-28", "Osborne", "Lark", **{**POLYSOMNOGRAPHY, "hypopnoea_rule": "3% or arousal"}),
    [
        *to_the_order("O-28"),
        Event(
            56,
            LAB,
            "sends 3 per hour by the 4 % rule",
            "sleep-tests",
            efficacy("J-28-E", 56, 3, 2, **POLYSOMNOGRAPHY),
            "result-in",
            "tested",
            "physician",
        ),
    ],
)

JUDGED = (NOT_WORN, CONTRADICTS, CENTRAL, OXYGEN, SLEEPIER, PAIN, FROZEN, RULES_DIFFER)
