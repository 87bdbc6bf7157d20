"""What is said of readiness for an efficacy test and its criteria."""

from __future__ import annotations

READINESS = {
    "ready.no-delivery": "No delivery of an appliance is recorded up to {on}.",
    "ready.out-of-use": ("The appliance delivered on {on} has been out of use since {ended} and no other is recorded."),
    "ready.delivered": "The appliance was delivered on {on}.",
    "ready.no-baseline": "No baseline test with an AHI, REI or RDI from before the delivery is recorded up to {on}.",
    "ready.baseline": "{name} {index} per hour on {on} (hypopnoea rule: {rule}).",
    "ready.baseline-after-delivery": (
        "The baseline test of {on} was made after the delivery on {delivered} and does not count: none from before is known."
    ),
    "ready.baseline-no-apnoea": (
        "{name} {index} per hour on {on} (hypopnoea rule: {rule}): no sleep apnoea by this index."
    ),
    "ready.no-setting": "No setting is recorded up to {on}.",
    "ready.uneven": (
        "{setting} since {since}: the sides differ by {difference} mm, more than {limit} mm, and no intended difference is "
        "recorded."
    ),
    "ready.setting": "{days} days at {setting}, since {since}; at least {needed} are asked.",
    "ready.side-effect-since": "{kind} of grade {grade} since {since}",
    "ready.side-effect": "{kind} of grade {grade}",
    "ready.not-tolerated": "Open: {what}.",
    "ready.treats": "the dentist treats the {what}",
    "ready.tolerated": "No side effect that limits treatment is open on {on}.",
    "ready.tolerated-mild": "No side effect that limits treatment is open; open and tolerated: {what}.",
    "ready.not-tested": "No efficacy test that counts was made at this setting up to {on}.",
    "ready.tested": "This setting was tested on {on}; a new test follows a new setting or the physician's wish.",
    "ready.nights-too-few": "{known} nights are known since the current setting; at least {needed} are asked.",
    "ready.missing-nights": "wear over {needed} nights since the current setting",
    "ready.worn": "Worn on {worn} of {known} nights ({share}), a mean of {hours} hours; told by people.",
    "ready.worn-by-sensor": "Worn on {worn} of {known} nights ({share}), a mean of {hours} hours; by sensor.",
    "ready.worn-hours-untold": "Worn on {worn} of {known} nights ({share}); for how many hours is not told.",
    "ready.not-heard": (
        "Nobody could hear it; sleepiness is settled (Epworth {total}) and restedness {rested} of 10, at least {asked}."
    ),
    "ready.not-heard-loud": (
        "Nobody is said to hear the patient sleep, yet snoring of {value} was told on {on}, against at most {limit}."
    ),
    "ready.not-heard-unsettled": (
        "Nobody could hear it, and the Epworth total of {total} and restedness of {rested} of 10 (at least {asked}) do not "
        "settle it."
    ),
    "ready.not-heard-asked": "Nobody could hear it: {what} is asked instead.",
    "ready.symptoms-disagree": "Symptoms disagree: an Epworth total of {total}, and restedness of {rested} of 10.",
    "ready.epworth": "Epworth total {total} on {on}; {limit} or less is settled. No total is known from before treatment.",
    "ready.epworth-before": "Epworth total {total} on {on}, {before} before treatment; {limit} or less is settled.",
    "ready.pauses": "Pauses in breathing were witnessed, told on {on}.",
    "ready.no-pauses": "No pauses in breathing were witnessed, told on {on}.",
    "ready.pauses-untold": "Whether pauses in breathing were witnessed is not told lately, which counts as none: ask.",
    "ready.answers-too-few": "{told} of {wanted} answers about {subject} since the current setting and in the last weeks.",
    "ready.answer": "{value} of 10 on {on}",
    "ready.answer-by": "{value} of 10 on {on} ({reporter})",
    "ready.snoring": "Snoring {told}; {limit} or less is settled.",
    "ready.restedness": "Restedness {told}; {limit} or more is settled.",
    "stop.grade-three": "{kind} of grade 3 since {since}: the appliance stays out, and the dental office sees the patient today.",
    "stop.today": "{why} For the {office}, today.",
    "stop.by": "{why} For the {office}, by {due}.",
    "stop.untreated": "The appliance stays out since {since}: the apnoea is untreated meanwhile.",
    "ready.stop": "Stop and review: {what}.",
    "ready.stop-flag-today": "{what} ({office}, today)",
    "ready.stop-flag-by": "{what} ({office}, by {due})",
    "ready.over": "Not ready for an efficacy test: {ended}",
    "ready.ordered": "An efficacy test is ordered since {on}; the setting stays as it is until the test.",
    "ready.ordered-still": (
        "An efficacy test is ordered since {on}, and since then {what}. The physician is asked: still test?"
    ),
    "ready.result-laboratory": "{why} The laboratory sends what is asked.",
    "ready.result-alarm": "The test of {on} needs the physician by {due}: {why}",
    "ready.result-alarm-unread": (
        "The test of {on} needs the physician by {due}: {why} The decision of {decided} does not answer it without the "
        "physician's own reading of the test."
    ),
    "ready.result-repeat": "{why} The test does not count; the physician decides on another.",
    "ready.result-no-class": "{why} There is no class; the physician decides.",
    "ready.result": "The result of the test of {on} is in; the physician decides.",
    "ready.decided-continue": "The physician decided on {on} to continue treatment; both offices follow up.",
    "ready.decided-starts": "The physician decided on {on}: {what}. {who} starts it by {by}; then it is tested with both on.",
    "ready.decided-unassigned": (
        "The physician decided on {on}: {what}. Who starts it, and by when, is not told; it is tested with both on."
    ),
    "ready.ask-test": ("{why} The physician is asked whether to test anyway; until then: {open}."),
    "ready.ask-therapy": (
        "{why} The appliance is not worn enough, so the apnoea is untreated: the physician is asked about another therapy."
    ),
    "ready.time-up": "{weeks} weeks since {since} without a settled case.",
    "ready.no-gain": "{settings} settings in a row gained less than {least} points in snoring and Epworth.",
    "ready.cannot-say": "Readiness cannot be judged yet: {missing} must be known first.",
    "ready.ready": (
        "Ready for an efficacy test: {setting} since {since}, worn, tolerated and with symptoms settled. Feeling better does "
        "not prove that it works; the physician orders the test."
    ),
    "ready.at-limit": (
        "Ready for an efficacy test at the limit: {why}, but {limit}. The physician reviews and decides on the test."
    ),
    "ready.not-yet-date": "Not yet ready for an efficacy test: {why}; the earliest date is {earliest}.",
    "ready.not-yet-act": "Not yet ready for an efficacy test: {why}; first, {acts}.",
    "ready.not-yet-open": "Not yet ready for an efficacy test: {why}.",
    "ready.no-room": "the appliance cannot be advanced further",
    "ready.taken-back": "the last step was taken back for a side effect",
    "ready.dentist-no-further": "the dentist wants no further step ({reason})",
}
