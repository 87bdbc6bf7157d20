"""What is said of follow-up, adherence and tests in later years."""

from __future__ import annotations

FOLLOW_UP = {
    "retest.not-due": "The last good test was on {on}; another is proposed on {due}.",
    "retest.due": "The last good test was on {on}; another with the appliance is proposed since {due}.",
    "retest.epworth": "The Epworth total rose from {before} at the last good test to {after} on {on}.",
    "retest.snoring": "Snoring rose from {before} at the last good test to {after} of 10 on {on}, twice in a row.",
    "retest.appliance": "A new appliance was delivered on {on}, after the last good test.",
    "retest.set-back": "The appliance was set back by {back} mm on {on}, after the last good test.",
    "retest.health": "New since the last good test, told on {on}: {what}.",
    "adherence.hours": "Worn at least {hours} hours on {worn} of {known} nights ({share}) lately, {by}.",
    "adherence.sleep": "Worn for at least {share} of sleep on {worn} of {known} nights lately, {by}.",
    "adherence.too-few": "{what} are told for {known} of the last {window} nights; adherence is judged from {needed}.",
    "adherence.until-test": "up to the efficacy test of {on}",
    "adherence.falling": "Worn on {now} of nights lately, against {before} in the {window} days {until}.",
    "adherence.not-known": (
        "Whether wear is falling is not known: fewer than {needed} nights are told lately, or in the {window} days {until}."
    ),
}
