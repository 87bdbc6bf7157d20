"""What is said of a judged sleep test."""

from __future__ import annotations

JUDGED = {
    "judged.before-delivery": (
        "The test of {on} was made before an appliance was delivered on {delivered}: it is no test of the appliance. The "
        "laboratory and the dental office say which day is right, or the test is repeated with the appliance worn."
    ),
    "judged.no-delivery": (
        "No appliance is on record as delivered by the night of {on}: it is no test of an appliance. The dental office "
        "records the delivery, or the laboratory says which day is right."
    ),
    "judged.worn-untold": "The report of {on} does not tell whether the appliance was worn.",
    "judged.not-worn": "The appliance was not worn in the night of {on}: the test says nothing of it.",
    "judged.part-hours-untold": (
        "The appliance was worn for part of the night of {on}; the report does not tell for how long, and at least {asked} "
        "hours are asked."
    ),
    "judged.part-too-short": (
        "The appliance was worn for {hours} hours of the night of {on}; at least {asked} hours are asked."
    ),
    "judged.setting-untold": "The report of {on} does not tell the setting, and the dental office recorded none for that night.",
    "judged.setting-from-record": (
        "The setting of {on}, {setting}, is taken from the dentist's record; the report does not tell it."
    ),
    "judged.hours-untold": "The report of {on} does not tell how long was recorded.",
    "judged.hours-too-few": "{hours} hours were recorded on {on}; under {least} hours a test is not valid.",
    "judged.hours-too-few-asleep": "The patient slept {hours} hours on {on}; under {least} hours a test is not valid.",
    "judged.hours-short": "{hours} hours were recorded on {on}; at least {asked} are asked of a home test.",
    "judged.hours-few": "{hours} hours were recorded on {on}, under {asked}: a short night.",
    "judged.hours-few-asleep": "The patient slept {hours} hours on {on}, under {asked}: a short night.",
    "judged.sleep-hours-untold": "The report of {on} does not tell the hours of sleep; the laboratory is asked for them.",
    "judged.index-untold": "The report of {on} names no index that is known here.",
    "judged.judged-as-rei": (
        "A home test without EEG scores neither sleep nor arousals: the AHI of {on} is judged as an REI. The laboratory is "
        "asked to confirm it."
    ),
    "judged.rule-untold": "The report of {on} does not tell the hypopnoea rule.",
    "judged.rules-untold": (
        "The hypopnoea rule is told for neither test; both came from one laboratory and are taken as scored alike."
    ),
    "judged.scored-by-machine": (
        "The recording of {on} was scored by software alone: a person has to review it before it counts."
    ),
    "judged.scoring-untold": (
        "The report of {on} does not tell who scored it; scoring by software alone would not count."
    ),
    "judged.combination": (
        "The test of {on} was made with {what} on: it is a test of that combination, not of the appliance."
    ),
    "judged.per-recording": (
        "{events} events fit the {hours} recorded hours of {on}, not the hours of sleep: {index} is an index per hour of "
        "recording, which is called an REI."
    ),
    "judged.which-hours": (
        "{events} events at {index} per hour would take {needed} hours, and {hours} were recorded on {on}: over which hours was "
        "the index taken?"
    ),
    "judged.inconsistent": (
        "The report of {on} contradicts itself: {events} events in {hours} hours make {rate} per hour, not {index}."
    ),
    "judged.count-differs": (
        "{events} events in {hours} hours on {on} make {rate} per hour, and the report says {index}: which is right?"
    ),
    "judged.count-nearly-fits": "{events} events in {hours} hours on {on} make {rate} per hour, close to the {index} reported.",
    "judged.sleep-exceeds-recording": "The report of {on} tells {slept} hours of sleep in {recorded} hours of recording.",
    "judged.positions-do-not-add-up": (
        "On {on} the index was {supine} per hour on the back and {other} otherwise, which does not make {index} overall."
    ),
    "judged.kinds-exceed-events": "The report of {on} tells {parts} events by kind and {events} events in all.",
    "judged.central-does-not-fit": (
        "The report of {on} tells {central} central events per hour, and a share of {share} % of {index} per hour."
    ),
    "judged.t90-without-low-spo2": (
        "The report of {on} tells {t90} % of the time under 90 % saturation, and a lowest saturation of {lowest} %."
    ),
    "judged.odi-order": (
        "The report of {on} tells more desaturations of 4 % ({four} per hour) than of 3 % ({three} per hour)."
    ),
    "judged.rules-out-of-order": (
        "The report of {on} tells {low} per hour by the rule «{strict}» and {high} per hour by «{loose}», which cannot be fewer."
    ),
    "judged.told-twice": (
        "Of the night of {on} the {name} by the rule «{rule}» is told as {one} and as {other} per hour: which is right?"
    ),
    "judged.central-untold": "The report of {on} does not tell how many events were central.",
    "judged.central-untold-before": "The report of the baseline test of {on} does not tell how many events were central.",
    "judged.central-untold-both": "Neither report tells how many events were central.",
    "judged.central": (
        "{share} of the events left on {on} were central: {central} per hour, with {rest} per hour of the other kinds. "
        "A larger advance does not treat central events."
    ),
    "judged.central-at-home": (
        "{share} of the events left on {on} were central: {central} per hour, with {rest} per hour of the other kinds. "
        "A larger advance does not treat central events; a polysomnography confirms what a home test found."
    ),
    "judged.central-caution": "Central events on {on}: {share} of all, {central} per hour. To be weighed.",
    "judged.oxygen": "Oxygen is not controlled: saturation was under 90 % for {t90} % of the time on {on}.",
    "judged.oxygen-lowest": (
        "Oxygen is not controlled: saturation was under 90 % for {t90} % of the time on {on}, at the lowest {lowest} %."
    ),
    "judged.oxygen-minutes": "Oxygen is not controlled: saturation was at or under 88 % for {minutes} minutes on {on}.",
    "judged.worse-oximetry": (
        "Oxygen is worse than before treatment: under 90 % saturation for {after} % of the time on {on}, {before} % before."
    ),
    "judged.worse-odi": (
        "Desaturations of {drop} % are more than before treatment: {after} per hour on {on}, {before} before."
    ),
    "judged.worse-index": "The index is higher than at the baseline test: {after} per hour on {on}, {before} before.",
    "judged.no-baseline": "No baseline test that could be compared with is on record.",
    "judged.baseline-after-delivery": (
        "The baseline test of {on} was made after the appliance was delivered; none from before is on record to compare with."
    ),
    "judged.baseline-later": "The baseline test of {on} was made after the test with the appliance.",
    "judged.baseline-no-apnoea": "The baseline index of {on} was {index} per hour: no sleep apnoea by this index.",
    "judged.baseline-inconsistent": "The report of the baseline test of {on} contradicts itself.",
    "judged.not-comparable": "The test of {on} cannot be compared with the baseline. {because}",
    "judged.class-undone": "A difference between the two tests could change the class of the test of {on}. {because}",
    "compared.oximetry": "Oximetry alone gives a desaturation index, which is never read as an AHI.",
    "compared.arterial-tone": "One test was scored from arterial tone and the other was not: for one person they differ widely.",
    "compared.rdi-after": "The test with the appliance reports an RDI, which reads as high as the {before} before or higher.",
    "compared.rdi-before": "The baseline reports an RDI, which reads as high as the {after} afterwards or higher.",
    "compared.rules-untold": "The hypopnoea rule is told for neither test, and both came from one laboratory.",
    "compared.rule-untold-before": "The hypopnoea rule of the baseline is not told; the test with the appliance used «{after}».",
    "compared.rule-lower-after": (
        "Hypopnoeas were scored by «{before}» before and by «{after}» with the appliance, which reads lower."
    ),
    "compared.rule-higher-after": (
        "Hypopnoeas were scored by «{before}» before and by «{after}» with the appliance, which reads higher."
    ),
    "compared.per-recording-after": (
        "The baseline index is per hour of sleep and the one with the appliance per hour of recording, which reads lower."
    ),
    "compared.per-sleep-after": (
        "The baseline index is per hour of recording and the one with the appliance per hour of sleep, which reads higher."
    ),
    "compared.worn-in-part": (
        "The appliance was in for part of the night and the index covers all of it, which reads higher."
    ),
    "compared.supine-untold": "The share of the night on the back is not told for both tests.",
    "compared.less-supine-after": (
        "The patient lay on the back for {before} % of the night before and {after} % with the appliance; more back-sleeping "
        "raises the index. Compare the indices on the back."
    ),
    "compared.more-supine-after": (
        "The patient lay on the back for {before} % of the night before and {after} % with the appliance; more back-sleeping "
        "raises the index. Compare the indices on the back."
    ),
    "compared.alcohol-before": "Alcohol was told for the baseline night alone; alcohol raises the index.",
    "compared.alcohol-untold": "Whether alcohol was drunk is not told for both nights.",
    "compared.split-night": "The baseline was a split night: its diagnostic part was short.",
    "compared.places": "One test was made in the laboratory and the other at home.",
    "compared.baseline-old": "The baseline was {years} years old at the test with the appliance.",
    "compared.weight-untold": "The weight is not told for both tests.",
    "compared.weight-together": (
        "Weight fell from {before} to {after} kg, by {percent} %: the change is of appliance and weight together."
    ),
    "compared.weight-lost": "Weight fell from {before} to {after} kg, by {percent} %; part of the change may be weight.",
    "compared.weight-gained": "Weight rose from {before} to {after} kg, by {percent} %; part of the change may be weight.",
}
