"""Terms of our own code system for what is found when a sleep test is judged, and for who acts on it."""

from __future__ import annotations

_OF_A_REPORT = {
    "inconsistent": "Count and hours contradict the index",
    "per-recording": "Index per hour of recording, not of sleep",
    "which-hours": "Hours the index was taken over in question",
    "count-differs": "Count and index differ",
    "count-nearly-fits": "Count close to the index",
    "sleep-exceeds-recording": "More hours asleep than recorded",
    "t90-without-low-spo2": "Time below 90 % SpO2 without such a lowest SpO2",
    "positions-do-not-add-up": "Indices by position do not make the index",
    "central-does-not-fit": "Central share and central index do not fit",
    "odi-order": "More desaturations of 4 % than of 3 %",
    "kinds-exceed-events": "More events by kind than in all",
    "rules-out-of-order": "A stricter hypopnoea rule gives a higher index",
}
"""What a report says against itself; the same of a baseline has a code of its own."""

FINDING_TERMS: dict[str, str] = {
    "central-on-treatment": "Mostly central events with the appliance",
    "central-untold": "Central events not told",
    "central-untold-before": "How many events were central at baseline is not told",
    "central-caution": "Central events to be weighed",
    "oxygen-not-controlled": "Oxygen not controlled",
    "worse-desaturation-index": "Desaturation index worse than at baseline",
    "worse-on-treatment": "Index worse than at baseline",
    "worn-untold": "Wear of that night not told",
    "part-hours-untold": "Hours worn of that night not told",
    "part-too-short": "Worn for too few hours of that night",
    "setting-untold": "Setting of that night not told",
    "setting-from-record": "Setting of that night from the dentist's record",
    "hours-untold": "Hours not told",
    "hours-too-few": "Too few hours for a valid test",
    "hours-short": "Fewer hours than asked of a home test",
    "hours-few": "Short night",
    "sleep-hours-untold": "Hours asleep not told",
    "index-untold": "Index not told",
    "judged-as-rei": "Index of a home test judged as a respiratory event index",
    "rule-untold": "Hypopnoea rule of the test not told",
    "rules-untold": "Hypopnoea rule told for neither test",
    "scored-by-machine": "Scored by software alone",
    "scoring-untold": "Scoring not told",
    "no-baseline": "No baseline test to compare with",
    "baseline-later": "Baseline test later than the test",
    "baseline-after-delivery": "Baseline test made after the delivery of the appliance",
    "before-delivery": "Night before the delivery of an appliance",
    "no-delivery": "No delivery of an appliance on record by that night",
    "baseline-no-apnoea": "No apnoea by the baseline test",
    **_OF_A_REPORT,
    **{f"baseline-{code}": f"At baseline: {display[0].lower()}{display[1:]}" for code, display in _OF_A_REPORT.items()},
}
"""Findings by name; those that are also a cause, a red flag or a value of the report stand with these."""

JUDGED_TERMS: dict[str, str] = {
    "withheld": "Class of response withheld",
    "at-least": "The response is at least of this class",
    "withheld-for": "Why the class is withheld",
    "comparability": "How the test compares with the baseline",
    "finding": "Finding of the judgement of a test",
    "act-within": "Days within which somebody acts on a finding",
    # causes
    "central": "Central events",
    "oxygen": "Oxygen",
    "untold": "Something the report has to tell",
    "invalid": "The test says nothing of the appliance",
    "combination": "Something else was on beside the appliance",
    "baseline": "The baseline cannot serve",
    # comparability
    "comparable": "Comparable",
    "comparable-with-direction": "Comparable, and it is known which way a difference works",
    "not-comparable": "Not comparable",
    # how much a finding weighs, and who acts
    "note": "Said alone",
    "question": "Asked of somebody",
    "alarm": "Somebody acts within days",
    "patient": "Patient",
    "sleep-lab": "Sleep laboratory",
    "nobody": "Nobody",
    **FINDING_TERMS,
}
