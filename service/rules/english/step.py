"""What is said of the next titration step and of symptoms."""

from __future__ import annotations

STEP = {
    "step.setting": "The setting is {setting} since {since}.",
    "step.room": "{room} mm can still be advanced on the further side.",
    "step.room-unknown": (
        "Neither the appliance's limit nor the protrusive range is recorded, so the room left is not known."
    ),
    "step.unsettled": "symptoms are not settled yet",
    "step.physician-asks": "the physician asks for more advancement and another test",
    "step.stop-wearing": "Stop wearing the appliance; the dentist decides between setting it back and a pause. {why}",
    "step.no-change": "No change of setting. {why}",
    "step.ended": "No change of setting: {why}",
    "step.on-hold": "Hold this setting: the referral is on hold; the dental office says how treatment goes on.",
    "step.completed": "Hold this setting: the referral is complete; the dental office says whether it takes the case up again.",
    "step.frozen": "Hold this setting until the test. {why}",
    "step.stay": "Stay at this setting. {why}",
    "step.relapse": "No change of setting. {why} The physician reviews them.",
    "step.far-apart": "The dentist reviews the setting: {setting} are {apart} mm apart, more than {limit} mm.",
    "step.side-effect": (
        "Hold this setting while {kind} of grade {grade} since {since} is open; the dentist sees the patient by {due}. Step "
        "back if it came with the last step and lasts more than {days} days."
    ),
    "step.side-effect-at-start": (
        "The dentist reviews {kind} of grade {grade} since {since}: the setting is already at its starting position."
    ),
    "step.back": "Step back to {target} because of {kind} of grade {grade} since {since}, by the dentist's direction.",
    "step.back-far-apart": (
        "The dentist reviews {kind} of grade {grade} since {since}: a step back to {target} leaves the sides {apart} mm apart."
    ),
    "step.side-effect-open": "{kind} of grade {grade} has been open for {days} days.",
    "step.await-check-in": "Hold this setting until a check-in tells how it works; one is due on {due}.",
    "step.missed-check-in": "Hold this setting until a check-in tells how it works; one was due on {due}.",
    "step.settled": "Hold this setting: symptoms were settled on {on}. It counts as stable from {stable}.",
    "step.settled-stable": "Hold this setting: symptoms were settled on {on}. It has counted as stable since {stable}.",
    "step.asked": "Hold this setting. {why}",
    "step.doubt": "Hold this setting. {why}",
    "step.quiet": "Hold this setting until {free}: a limiting side effect ended a few days ago.",
    "step.time": "Hold this setting until {free}: a setting is kept for {days} days before the next step.",
    "step.time-mild": (
        "Hold this setting until {free}: with {kind} of grade 1 a setting is kept for {days} days before the next step."
    ),
    "step.wear-untold": "Hold this setting: no recent check-in tells on how many nights it was worn.",
    "step.wear": "Hold this setting: worn on {worn} of the last {known} nights known; {asked} are asked before a step.",
    "step.back-without-reason": (
        "The dentist tells why the setting was taken back from {before} on {on}; until then no step is advised."
    ),
    "step.after-step-back": (
        "Hold this setting: symptoms are not settled yet, but the last step was taken back for a side effect. When the setting "
        "is stable the case goes to an efficacy test at the limit."
    ),
    "step.no-room": (
        "The dentist reviews: {why}, and the appliance cannot be advanced further. When the setting is stable the case goes "
        "to an efficacy test at the limit."
    ),
    "step.standard-parts": (
        "The dentist reviews: {why} at {setting}; beyond {standard} mm a step is taken only by the dentist's direction. "
        "The dentist directs one, or records that the case is to be tested as it is."
    ),
    "step.advance": "Advance one step, to {target}: {why}.",
    "step.advance-past-goal": "Advance one step, to {target}: {why}. This passes the typical goal of {goal} mm.",
    "symptom.snoring": "snoring {value} of 10",
    "symptom.restedness": "restedness {value} of 10",
    "symptom.epworth": "an Epworth total of {value}",
    "symptom.pauses": "witnessed pauses in breathing",
}
