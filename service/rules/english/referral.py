"""What is said of the referral and of a payer's documents."""

from __future__ import annotations

REFERRAL = {
    "referral.attention": "For attention, which blocks nothing: {what}.",
    "referral.missing": "missing {what}",
    "referral.not-as-asked": "not as asked: {what}",
    "referral.incomplete": "The referral is not complete; {what}.",
    "referral.complete": "The referral is complete.",
    "referral.complete-clear": "The referral is complete and nothing in it needs attention.",
    "referral.none": "No referral is recorded up to {on}.",
    "referral.not-a-physician": "The referral of {on} is not signed by a physician; a physician prescribes the appliance.",
    "referral.nobody-prescribes": "The referral of {on} does not say who prescribes the appliance.",
    "referral.prescribed": "The appliance was prescribed on {on}.",
    "referral.no-diagnosis": "No diagnosis by a physician is recorded up to {on}.",
    "referral.other-diagnosis": "The diagnosis recorded on {on} ({codes}) is not obstructive sleep apnoea.",
    "referral.diagnosed": "Obstructive sleep apnoea is diagnosed in the referral of {on} ({codes}).",
    "referral.hours-untold": "How long the baseline test of {on} recorded is not known.",
    "referral.hours": "The baseline test of {on} recorded {hours} hours; at least {asked} are asked.",
    "referral.age-of-test": "The baseline test of {on} was {days} days old on {until}; up to {asked} are accepted.",
    "referral.rule-untold": (
        "The baseline test of {on} does not say how hypopnoeas were scored, on which its {name} depends."
    ),
    "referral.rule": "The baseline test of {on} reports {name} with the rule «{rule}».",
    "referral.no-apnoea": "{name} {index} per hour on {on} is under the limit of apnoea (limits {limits}).",
    "referral.severity": "{name} {index} per hour on {on} is {severity} apnoea (limits {limits}).",
    "referral.no-birth-date": "The patient's date of birth is not recorded up to {on}.",
    "referral.age": "The patient was {age} on {on}; under {limit} is outside the scope of this service.",
    "candidacy.central-untold": "The share of central events is not reported.",
    "candidacy.central": (
        "{share} of the events of {on} were central, {central} per hour; more than half and at least {least} per hour call for "
        "another look."
    ),
    "candidacy.position-untold": "The index by sleeping position is not reported.",
    "candidacy.positional": (
        "{supine} per hour on the back against {other} otherwise on {on}, at least {times} times as many: positional."
    ),
    "candidacy.not-positional": (
        "{supine} per hour on the back against {other} otherwise on {on}, not {times} times as many: not positional."
    ),
    "candidacy.pap-no-index": "Without an index it is not known whether PAP comes first.",
    "candidacy.pap-not-first": "{name} {index} per hour on {on} does not ask for PAP first; {limit} or more is severe.",
    "candidacy.pap-told": "{name} {index} per hour on {on}: PAP is {pap}; {limit} or more is severe.",
    "candidacy.pap-no-trial": (
        "{name} {index} per hour on {on}, and PAP is {pap}: a trial, intolerance or stated preference is not on record; {limit} "
        "or more is severe."
    ),
    "candidacy.pap-untold": (
        "{name} {index} per hour on {on}, and nothing is told about PAP: a trial, intolerance or stated preference is not on "
        "record; {limit} or more is severe."
    ),
    "candidacy.range-untold": "The protrusive range is not recorded.",
    "candidacy.teeth-untold": "The teeth of both arches are not recorded.",
    "candidacy.arch": "{teeth} teeth in the {arch} arch",
    "candidacy.teeth": "{arches} on {on}; fewer than {limit} in an arch may not hold an appliance.",
    "candidacy.not-looked": "Whether the dentist looked for {what} is not recorded.",
    "candidacy.found": "The dentist found {what} on {on}.",
    "candidacy.not-found": "The dentist found no sign of {what} on {on}.",
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
