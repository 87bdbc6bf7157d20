"""More journeys: no case waits for ever; each has an act and a day."""

from __future__ import annotations

from tests.journeys.parts import check_in, efficacy, referral, setting
from tests.journeys.stories import DAY, DENTIST, LAB, PHYSICIAN, accepted_and_fitted
from tests.journeys.stories_judged import to_the_order
from tests.journeys.story import Event, Story, on


def _alone(entry: str, day: int, **more: object) -> dict[str, object]:
    told = {**check_in(entry, day, 2, 8), "who_could_hear": "nobody", **more}
    return {name: value for name, value in told.items() if name not in ("snoring_0_to_10", "witnessed_pauses")}


ALONE = Story(
    "A patient who sleeps alone",
    "Nobody can hear the snoring. The patient is asked for sleepiness instead, and the case goes on.",
    referral("J-31", "Winterton", "Blaise"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes 2 mm", "progress", {"settings": [setting("s1", 33, 2)]}),
        Event(
            40, DENTIST, "sends a check-in: nobody to hear", "progress", {"check_ins": [_alone("c1", 40)]}, "not-yet"
        ),
        Event(
            47,
            DENTIST,
            "sends another, without an Epworth total",
            "progress",
            {"check_ins": [_alone("c2", 47)]},
            "cannot-say",
            move="patient",
        ),
        Event(
            48,
            DENTIST,
            "adds the Epworth total",
            "progress",
            {"check_ins": [{"entry_id": "c3", "reported_on": on(48), "epworth_total": 7, "who_could_hear": "nobody"}]},
            "ready",
            "ready-for-test",
            "physician",
        ),
    ],
)

AT_THE_END = Story(
    "Snoring at the end of the standard parts",
    "The dentist directs a further step or says that none is wanted; then the test is made all the same.",
    referral("J-32", "Marchbank", "Rowan"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(41, DENTIST, "notes 2 mm", "progress", {"settings": [setting("s2", 41, 2)]}),
        Event(49, DENTIST, "notes 3 mm", "progress", {"settings": [setting("s3", 49, 3)]}),
        Event(
            56,
            DENTIST,
            "sends a check-in: snoring 4",
            "progress",
            {"check_ins": [check_in("c1", 56, 4, 8)]},
            "not-yet",
            move="dentist",
        ),
        Event(
            63, DENTIST, "sends another: snoring 4", "progress", {"check_ins": [check_in("c2", 63, 4, 8)]}, "not-yet"
        ),
        Event(
            64,
            DENTIST,
            "wants no further step: test now",
            "progress",
            {"settings": [setting("s4", 64, 3, no_further_reason="The bite allows no more")]},
            "ready-at-limit",
            "ready-for-test",
            "physician",
        ),
    ],
)

SILENT = Story(
    "Eighty-nine days without a word",
    "After two weeks the dental office calls, after four the physician is told; twelve weeks after the delivery the "
    "physician is asked whether to test anyway.",
    referral("J-33", "Hartigan", "Vale"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(47, DAY, "two weeks go by", "", None, "cannot-say", "titrating", "dentist"),
        Event(61, DAY, "four weeks go by", "", None, "cannot-say", "titrating", "physician"),
        Event(122, DAY, "eighty-nine days go by", "", None, "ask-physician", "titrating", "physician"),
        Event(
            123,
            PHYSICIAN,
            "reached the patient, and lets titration go on",
            "decisions",
            {"entry_id": "d1", "decided_on": on(123), "decision": "keep-titrating"},
            "cannot-say",
        ),
    ],
)

COMBINED = Story(
    "Combination decided, and nobody named",
    "A decision for a combination says who starts it and by when; until then it is the physician's move, and then that "
    "office's. It is tested with both on.",
    referral("J-34", "Standish", "Perrin", index_events_per_hour=20.8),
    [
        *to_the_order("O-34"),
        Event(56, LAB, "sends the result: 11 per hour", "sleep-tests", efficacy("J-34-E", 56, 11, 2), "result-in"),
        Event(
            60,
            PHYSICIAN,
            "decides on a combination",
            "decisions",
            {"entry_id": "d1", "decided_on": on(60), "decision": "combination-or-another-therapy"},
            "decided",
            "in-follow-up",
            "physician",
        ),
        Event(
            62,
            PHYSICIAN,
            "names the dental office, by a day",
            "decisions",
            {
                "entry_id": "d1",
                "decided_on": on(60),
                "decision": "combination-or-another-therapy",
                "responsible": "dentist",
                "start_by": on(76),
                "revision": 2,
            },
            "decided",
            "in-follow-up",
            "dentist",
        ),
        Event(
            90,
            PHYSICIAN,
            "orders a test with both on",
            "test-orders",
            {"order_number": "O-34-2", "ordered_on": on(90)},
            "ordered",
            "test-ordered",
            "sleep lab",
        ),
        Event(
            97,
            LAB,
            "sends the result with both on: 5.7 per hour",
            "sleep-tests",
            efficacy("J-34-F", 97, 5.7, 2, positional_device_on=True),
            "result-in",
            "tested",
            "physician",
        ),
    ],
)

WAITING = (ALONE, AT_THE_END, SILENT, COMBINED)
