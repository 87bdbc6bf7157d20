"""What is said of follow-up, adherence and tests in later years."""

from __future__ import annotations

FOLLOW_UP = {
    "visit.kept-one": "The visit to {whom} due on {due} was kept on {kept}.",
    "visit.kept-many": "The visits to {whom} due on {due} were kept on {kept}.",
    "visit.overdue-one": "The visit to {whom} was due on {due} and is overdue since {latest}.",
    "visit.overdue-many": "The visits to {whom} were due on {due} and are overdue since {latest}.",
    "visit.due-one": "The visit to {whom} is due between {due} and {latest}.",
    "visit.due-many": "The visits to {whom} are due between {due} and {latest}.",
    "visit.planned-one": "The next visit to {whom} is due on {due}.",
    "visit.planned-many": "The next visits to {whom} are due on {due}.",
    "visit.none-overdue": "No follow-up visit is overdue on {on}.",
    "follow-up.back": "Back to the physician: {what}.",
    "follow-up.nothing-due": "Nothing is due. {next}",
    "follow-up.all-kept": "Every planned visit was kept by {on}.",
    "follow-up.none-planned": "No visit is planned on {on}.",
    "follow-up.dentist": "{needs}.",
    "follow-up.bite": "{needs}: {what} decreasing fast.",
    "follow-up.sees": "the patient sees {whom}",
    "trigger.dealt-with": "{why} The physician has dealt with it since, on {on}.",
    "trigger.no-symptoms": "No unsettled symptoms after a good efficacy test are waiting for the physician on {on}.",
    "trigger.weight-unknown": "No change of weight since the test can be told from the check-ins.",
    "trigger.weight-same": (
        "Weight {last} kg on {on}, unchanged against {before} kg on {from_on}; a change of {limit} % or more sends the patient back."
    ),
    "trigger.weight-more": (
        "Weight {last} kg on {on}, {percent} % more than {before} kg on {from_on}; a change of {limit} % or more sends the patient "
        "back."
    ),
    "trigger.weight-less": (
        "Weight {last} kg on {on}, {percent} % less than {before} kg on {from_on}; a change of {limit} % or more sends the patient "
        "back."
    ),
    "trigger.broken": "The appliance was reported broken on {on}.",
    "trigger.out-of-use": "The appliance has been out of use since {on}, and no other is recorded.",
    "trigger.in-use": "The appliance delivered on {on} is in use.",
    "bite.not-recorded": "The {what} is not recorded.",
    "bite.one-examination": (
        "The {what} was {mm} mm on {on}; a change is judged from two examinations at least {days} days apart."
    ),
    "bite.decreased": (
        "The {what} decreased by {yearly} mm a year, from {start} mm on {first} to {mm} mm on {on}; more than {limit} mm a year is "
        "called fast."
    ),
    "bite.increased": (
        "The {what} increased by {yearly} mm a year, from {start} mm on {first} to {mm} mm on {on}; a decrease of more than {limit} "
        "mm a year is called fast."
    ),
    "bite.unchanged": (
        "The {what} did not change, from {start} mm on {first} to {mm} mm on {on}; a decrease of more than {limit} mm a year is "
        "called fast."
    ),
    "measure.not-compared": "{title}: {before} on {from_on}, {after} on {on}; not compared, {why}.",
    "measure.one-side": "{title}: {before} on {from_on}, {after} on {on}.",
    "measure.unchanged": "{title}: {before} on {from_on}, {after} on {on}, unchanged.",
    "measure.lower": "{title}: {before} on {from_on}, {after} on {on}, {by} lower.",
    "measure.lower-rate": "{title}: {before} on {from_on}, {after} on {on}, {by} lower ({percent}).",
    "measure.higher": "{title}: {before} on {from_on}, {after} on {on}, {by} higher.",
    "measure.higher-rate": "{title}: {before} on {from_on}, {after} on {on}, {by} higher ({percent}).",
    "measure.drop-unknown": "because the drop in saturation that was scored is not known for both",
    "measure.other-drop": "because drops of {one} % and of {other} % were scored",
    "plan.one-step": "The physician asked for another efficacy test after this step.",
    "plan.no-room": "The appliance cannot be advanced further.",
    "plan.standard-parts": "Beyond {standard} mm a step is taken only by the dentist's direction.",
    "plan.none": "No further step is planned on {on}. {why}",
    "plan.step": "{setting} from {on}",
    "plan.steps": (
        "If symptoms stay unsettled and the appliance is worn and tolerated: {steps}. Then the plan ends. {why}"
    ),
    "plan.to-goal": (
        "If symptoms stay unsettled and the appliance is worn and tolerated: {steps}. The typical goal of {goal} mm is reached on "
        "{on}. Then the plan ends. {why}"
    ),
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
