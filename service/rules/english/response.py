"""What is said of the response to treatment and of what to consider."""

from __future__ import annotations

RESPONSE = {
    "response.under": "{index} events per hour, against under {normal_index}.",
    "response.under-and-halved": "{index} events per hour and {fall}, against under {low_index} and at least {halved_percent} %.",
    "response.halved": "The index shows {fall}, against at least {halved_percent} %.",
    "response.no-change": "no change",
    "response.no-fall": "no fall from a baseline of 0",
    "response.fell": "a fall of {percent}",
    "response.rose": "a rise of {percent}",
    "response.complete": (
        "Complete response: {before} on {from_on}, {after} on {on} with the appliance, {fall}. The physician decides what "
        "follows."
    ),
    "response.partial": (
        "Partial response: {before} on {from_on}, {after} on {on} with the appliance, {fall}. The physician decides what "
        "follows."
    ),
    "response.non-response": (
        "Non-response: {before} on {from_on}, {after} on {on} with the appliance, {fall}. The physician decides what follows."
    ),
    "response.not-improved": (
        "Non-response, not improved: {before} on {from_on}, {after} on {on} with the appliance, {fall}. The physician decides "
        "what follows."
    ),
    "response.earlier-appliance": (
        "Tested with an earlier appliance, before the one delivered on {delivered}: {before} on {from_on}, {after} on {on}, "
        "{fall}. There it was {what}; the class says nothing of the appliance worn now. The physician decides what follows."
    ),
    "response.elsewhere": (
        "Tested at {tested}, not at the {now} worn now: {before} on {from_on}, {after} on {on}, {fall}. There it was {what}; "
        "the class holds for that setting alone. The physician decides what follows."
    ),
    "response.at-least": (
        "At least a {class} response: {before} on {from_on}, {after} on {on} with the appliance; the two tests differ. The "
        "physician decides what follows."
    ),
    "response.withheld": "No class of response: {after} on {on}. {why} The physician decides, with or without a class.",
    "response.own-reading": "The physician's own reading on {on}: {reading}.",
    "response.wear-unknown": (
        "What wear leaves of the effect is not known: no night at the setting that was tested tells the hours worn and slept."
    ),
    "response.wear-withheld": "What wear leaves of the effect is not worked out while the class is withheld.",
    "alleviation.exact": (
        "Mean disease alleviation {percent}, effective index {index} per hour: worn {worn} of {slept} hours of sleep over {nights} "
        "nights, told by people, give or take half an hour a night."
    ),
    "alleviation.exact-sensor": (
        "Mean disease alleviation {percent}, effective index {index} per hour: worn {worn} of {slept} hours of sleep over {nights} "
        "nights, by sensor."
    ),
    "alleviation.at-most": (
        "Mean disease alleviation at most {percent}, effective index at least {index} per hour: worn {worn} of {slept} hours of "
        "sleep over {nights} nights, as means told by people, give or take half an hour a night."
    ),
    "alleviation.at-most-sensor": (
        "Mean disease alleviation at most {percent}, effective index at least {index} per hour: worn {worn} of {slept} hours of "
        "sleep over {nights} nights, as means by sensor."
    ),
    "certainty.night-to-night": (
        "One night is a sample: about 20 % of mild and moderate cases are put into the wrong class by a single night."
    ),
    "certainty.untold": "No interval for the index of the {name} test of {on}: its event count or hours are not told.",
    "certainty.doubtful": "No interval for the index of the {name} test of {on}: it does not fit its event count and hours.",
    "certainty.index": (
        "{events} events in {hours} hours at the {name} test of {on} allow an index of {low} to {high} per hour ({level} % "
        "interval of the count)."
    ),
    "certainty.fall": "Between {best} and {worst} ({level} % interval).",
    "certainty.fall-open": (
        "Between {best} and {worst} ({level} % interval): the count allows {others} as well, so the class is not certain."
    ),
    "certainty.fall-certain": (
        "Between {best} and {worst} ({level} % interval): the class, {outcome}, is certain as far as the count goes."
    ),
    "suggest.review-today": "The physician reviews the patient today. {why}",
    "suggest.review": "The physician reviews the patient within {days} days. {why}",
    "suggest.correct-report": "The laboratory corrects the report of {on}.",
    "suggest.complete-report": "The laboratory completes the report of {on}.",
    "suggest.review-recording": "A person reviews the recording of {on} and the laboratory reports it again.",
    "suggest.repeat-home": "Repeat the test at home with the appliance worn: the one of {on} does not count.",
    "suggest.repeat-laboratory": "Repeat the test in the laboratory with the appliance worn: the one of {on} does not count.",
    "suggest.test-alone": "Test the appliance alone, or decide on the combination that was tested.",
    "suggest.score-as-baseline": (
        "The laboratory scores the recording of {on} as the baseline was scored, and reports that index as well."
    ),
    "suggest.repeat-as-baseline": "Repeat the test by the same kind of recording as the baseline, with the appliance worn.",
    "suggest.residual": "Decide without a class: {name} {index} per hour is left, {severity} by its own limits.",
    "suggest.residual-none": "Decide without a class: {name} {index} per hour is left, under the limit of apnoea.",
    "suggest.set-as-tested": "The dentist sets the appliance to what was tested: {tested}, now {now}.",
    "suggest.test-this-setting": "Or test again at the present setting: {now}; the class holds for {tested} alone.",
    "suggest.continue": "Continue and follow up: the index of {index} per hour is under {limit}.",
    "suggest.advance": "Advance further and test again: standard parts allow another step, and the appliance is tolerated.",
    "suggest.advance-room": "Advance further and test again: {room} mm of room are left, and the appliance is tolerated.",
    "suggest.positional": "Add positional therapy: {supine} events per hour are left on the back, {other} otherwise.",
    "suggest.combine": "Combine with or change to another therapy: {index} events per hour are left.",
    "suggest.combine-because": "Combine with or change to another therapy: {index} events per hour are left and {why}.",
    "suggest.no-setting": "the setting is not known",
    "suggest.not-tolerated": "the appliance is not tolerated",
    "suggest.standard-parts": "the standard parts of {standard} mm are used up",
    "relapse.still": (
        "Symptoms are still there since the good test of {test} ({index} per hour): {symptoms}, told on {on}."
    ),
    "relapse.again": "Symptoms have come back since the good test of {test} ({index} per hour): {symptoms}, told on {on}.",
}
