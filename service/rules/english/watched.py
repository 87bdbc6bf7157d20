"""What is said of a case that is watched: red flags, worsening, reporters, geometry, nights."""

from __future__ import annotations

WATCHED = {
    "flag.locked-jaw": "A locked jaw was reported on {on}.",
    "flag.loose-tooth": "A loose tooth was reported on {on}.",
    "flag.broken-appliance": "A broken appliance was reported on {on}.",
    "flag.drowsy-driving": "Drowsy driving or a near miss was reported on {on}.",
    "flag.worse-sleepiness": "Worse sleepiness was reported on {on}.",
    "flag.worse-oximetry": "Worse oximetry was reported on {on}.",
    "flag.withdrawn": "{why} It was withdrawn by correction.",
    "flag.no-words": "What was done about a red flag is told in words, at least {letters} letters.",
    "flag.other-kind": (
        "A correction cannot make a red flag of {before} one of {after}: mark the report as entered in error, and report "
        "anew what was seen."
    ),
    "flag.not-yours": "A red flag of {flag} is closed by {office} alone, with who saw it and what was done.",
    "worsened.risen": "Sleepiness is worse: the Epworth total rose from {reference} to {total} on {on}.",
    "worsened.very-sleepy": "Very sleepy: the Epworth total was {total} on {on}, against {reference} before.",
    "worsened.drives-for-work": (
        "Very sleepy, and drives for work: the Epworth total was {total} on {on}, against {reference} before."
    ),
    "worsened.twice": "Sleepiness is worse twice in a row: Epworth totals of {last} and, on {on}, {total}.",
    "worsened.asked": (
        "The Epworth total rose from {reference} to {total} on {on}: the dental office asks before another step."
    ),
    "worsened.ask-driving": "The Epworth total was {total} on {on}: ask whether and what the patient drives.",
    "reporters.differ": "{one} told {what} of {value} on {on}, {other} {other_value}: ask both.",
    "reporters.contradicted": "{reporter} gave different answers about {what} on {on}: ask again.",
    "geometry.before-delivery": "No appliance had been delivered by {on}: a setting needs one.",
    "geometry.beyond-appliance": (
        "{further} mm is beyond the appliance delivered on {on}, which advances {limit} mm at most."
    ),
    "geometry.beyond-range": (
        "{further} mm from a start at {start} mm is {percent} % of the protrusive range of {range} mm, which cannot be."
    ),
    "geometry.start-beyond-range": "A start at {start} mm is beyond the protrusive range of {range} mm, which cannot be.",
    "geometry.by-dentist": (
        "This setting is at {percent} % of the protrusive range; above {limit} % only the dentist sets the appliance."
    ),
    "geometry.far": "This setting is at {percent} % of the protrusive range, above {limit} %.",
    "geometry.recorded-before-delivery": "The setting of {on} was recorded before an appliance was delivered: which is right?",
    "geometry.recorded-beyond-appliance": (
        "The recorded setting of {further} mm is beyond the appliance's limit of {limit} mm: which is right?"
    ),
    "geometry.recorded-beyond-range": (
        "The recorded setting of {further} mm from a start at {start} mm is {percent} % of the protrusive range of {range} mm: "
        "which is right?"
    ),
    "geometry.large-step": "The step of {step} mm on {on} was more than {limit} mm: the dentist tells why.",
    "ledger.before-delivery": (
        "The report of wear of {on} is from before the delivery on {delivered}; it is not counted. Which day is right?"
    ),
    "ledger.too-many-nights": (
        "The report of {on} tells of {nights} nights, more than there were since the delivery on {delivered}; it is not counted."
    ),
    "ledger.contradiction": "The reports of {first} and {second} contradict each other by {nights} nights.",
}
