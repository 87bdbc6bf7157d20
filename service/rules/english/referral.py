"""What is said of the referral and of a payer's documents."""

from __future__ import annotations

REFERRAL = {
    "referral.baseline-agrees": "The report of the baseline test of {on} agrees with itself.",
    "candidacy.range": "The protrusive range was {range} mm on {on}; under {limit} mm an appliance may not help.",
    "candidacy.range-caution": "The protrusive range was {range} mm on {on}, under {limit} mm: an appliance may not help.",
    "candidacy.range-small": (
        "The protrusive range was {range} mm on {on}, under {strong} mm: an appliance is unlikely to help."
    ),
    "payer.rule": "Was it scored by the 4 % rule? It is told as «{rule}».",
    "payer.rdi": "Does the RDI leave out effort-related arousals?",
    "payer.hours-untold": "At least {hours} hours of recorded sleep are asked; the hours are not told.",
    "payer.hours-few": "{recorded} hours were recorded; at least {hours} are asked.",
    "payer.asked": "To be asked before it counts: {what}",
    "payer.scored": "The index was scored by the 4 % rule over enough hours.",
    "payer.performer-unknown": "Who made the test is not told.",
    "payer.performer-supplies": "The dental office that supplies the appliance made the sleep test itself: ask the payer.",
    "payer.performer": "The test was not made by the dental office that supplies the appliance.",
    "payer.day": "Day {day} of {days} after the delivery.",
    "payer.epworth": (
        "An Epworth total of {total}, told on {on}, is offered as evidence of sleepiness, for a person to confirm."
    ),
}
