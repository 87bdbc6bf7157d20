"""More journeys: what happens between the two offices when a referral is taken back, or a patient is lost."""

from __future__ import annotations

from tests.journeys.parts import check_in, referral, setting
from tests.journeys.stories import DAY, DENTIST, LAB, PHYSICIAN, accepted_and_fitted
from tests.journeys.story import Event, Story, on

TAKEN_BACK = Story(
    "Cancelled after work began",
    "Once work has begun the physician's office cannot cancel alone: it asks, the case shows the request to the dental "
    "office, and the referral goes on until that office agrees.",
    referral("J-16", "Whitcombe", "Ada"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes a step to 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(
            36,
            PHYSICIAN,
            "asks to cancel: the patient chose surgery",
            "cancellation",
            {"on": on(36), "reason": "the patient chose surgery"},
            stage="titrating",
            move="dentist",
        ),
        Event(
            37,
            DENTIST,
            "declines: the patient is in the chair and undecided",
            "cancellation-answer",
            {"accept": False, "on": on(37), "reason": "the patient has not decided"},
            stage="titrating",
        ),
        Event(
            44,
            PHYSICIAN,
            "asks again: the surgery has a date",
            "cancellation",
            {"on": on(44), "reason": "surgery on a fixed date"},
            move="dentist",
        ),
        Event(
            45,
            DENTIST,
            "agrees",
            "cancellation-answer",
            {"accept": True, "on": on(45)},
            stage="closed",
            move="nobody",
        ),
    ],
)

FOUND_AGAIN = Story(
    "Lost, and found again through a second referral",
    "Silence does not stay unnoticed: the case becomes overdue, and ends with a reason. An ended referral does not "
    "move again; the second one is a new case that names the old.",
    referral("J-17", "Okafor", "Remy"),
    [
        *accepted_and_fitted(),
        Event(33, DENTIST, "notes a step to 1 mm", "progress", {"settings": [setting("s1", 33, 1)]}),
        Event(40, DENTIST, "sends a check-in", "progress", {"check_ins": [check_in("c1", 40, 6, 4)]}),
        Event(80, DAY, "six weeks without a word go by", "", None, "cannot-say", "titrating"),
        Event(
            90,
            DENTIST,
            "ends the referral: the patient cannot be reached",
            "referral-state",
            {"state": "failed", "on": on(90), "reason": "the patient cannot be reached"},
            stage="closed",
            move="physician",
        ),
        Event(
            150,
            LAB,
            "sends a second referral that replaces the first",
            "referrals",
            {
                **referral("J-17-2", "Okafor", "Remy"),
                "patient": referral("J-17", "Okafor", "Remy")["patient"],
                "referred_on": on(150),
                "replaces": "J-17",
            },
            stage="referred",
            move="dentist",
        ),
        Event(
            153,
            DENTIST,
            "accepts it",
            "referral-state",
            {"state": "accepted", "on": on(153)},
            stage="accepted",
        ),
    ],
)

BETWEEN_OFFICES = (TAKEN_BACK, FOUND_AGAIN)
