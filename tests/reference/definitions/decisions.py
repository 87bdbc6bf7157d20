"""Decisions of the rules, with one component per criterion, and the physician's own decision."""

from __future__ import annotations

from collections.abc import Iterable

from service.fhir.codes import UCUM, is_local
from tests.reference.definitions.shape import (
    EFFECTIVE,
    Element,
    Profile,
    Rule,
    chosen,
    dated,
    flagged,
    is_code,
    part,
    parts,
    patient,
    to,
)

_STATUS = Element(
    "interpretation", "1..1", "Met, not met or unknown, and why in one sentence", value_set="criterion-status"
)
_SENTENCE = Element("interpretation.text", "1..1", "The sentence a person reads")
_VERSIONED = Rule(
    "inputs-versioned", "Inputs are exact versions.", "derivedFrom.reference.all($this.contains('/_history/'))"
)
_CAUTION = Element("note", "2..*", "The reason in one sentence, and the caution")
_FALL = Element(
    "value[x]",
    "1..1",
    "In % of the baseline; negative for a rise",
    types=("Quantity",),
    pattern=("Quantity", {"system": UCUM, "code": "%"}),
)
_SEVERITY = Element("value[x]", "1..1", "The class", types=("CodeableConcept",), value_set="severity")

_CAUSE = Element("value[x]", "1..1", "The cause", types=("CodeableConcept",), value_set="withheld-cause")
_WHY = Element("interpretation", "1..1", "Withheld, and why in one sentence")
_FINDING = Element("value[x]", "1..1", "The finding", types=("CodeableConcept",), value_set="finding")
_WEIGHT = Element(
    "interpretation",
    "2..2",
    "How much it weighs, with the sentence; who acts, and within how many days",
    value_set="finding-weight",
)


def _measure(unit: str) -> Element:
    return Element(
        "value[x]",
        "1..1",
        "The value",
        types=("Quantity",),
        pattern=("Quantity", {"system": UCUM, "code": unit}),
    )


def _range(unit: str) -> tuple[Element, ...]:
    """An interval in one unit; an end that has no bound is left out."""
    pattern = ("Quantity", {"system": UCUM, "code": unit})
    return (
        Element("value[x]", "1..1", "The interval", types=("Range",)),
        Element("value[x].low", "0..1", "Its lower end", pattern=pattern),
        Element("value[x].high", "0..1", "Its upper end", pattern=pattern),
    )


READINESS = (
    "appliance-delivered",
    "baseline-known",
    "setting-stable",
    "worn-enough",
    "snoring-settled",
    "sleepiness-settled",
    "no-witnessed-pauses",
    "tolerated",
    "not-already-tested",
)
REFERRAL_CHECK = (
    "prescribed",
    "diagnosed",
    "baseline-known",
    "baseline-agrees",
    "baseline-long-enough",
    "baseline-recent",
    "hypopnoea-rule-named",
    "severity",
    "adult",
    "central-share",
    "position",
    "pap-history",
    "protrusive-range",
    "teeth",
    "mobile-teeth",
    "tmj-disorder",
)
FOLLOW_UP = (
    "symptoms-after-good-test",
    "weight-change",
    "appliance-broken-or-lost",
    "wear-falling",
    "tolerated",
    "adherent-by-hours",
    "adherent-by-share-of-sleep",
    "overjet-change",
    "overbite-change",
    "visits",
)
RETEST = (
    "retest-due",
    "epworth-since-test",
    "snoring-since-test",
    "appliance-since-test",
    "set-back-since-test",
    "health-since-test",
)
"""What leads to another test; none is told without a good one."""
DOCUMENTATION = (
    "face-to-face-evaluation",
    "index-and-events",
    "ordered-by-treating-practitioner",
    "provided-by-licensed-dentist",
)
DOCUMENTATION_BESIDES = ("payer-scoring", "payer-hours", "test-made-by", "payer-days")
_RESPONSE = ("index-under-5", "index-under-10-and-halved", "index-halved")


def _criterion(code: str, cardinality: str) -> tuple[Element, ...]:
    return part(code, cardinality, "One criterion with its value", _STATUS, _SENTENCE)


def _criteria(codes: Iterable[str], cardinality: str) -> list[tuple[Element, ...]]:
    return [_criterion(code, cardinality) for code in codes]


def _decision(
    name: str, title: str, description: str, outcomes: str, components: tuple[Element, ...], *rules: Rule
) -> Profile:
    assert is_local(name)
    return Profile(
        name,
        "Observation",
        title,
        description,
        (
            to("basedOn", "1..1", "The referral of the case", "ServiceRequest"),
            Element("category", "1..*", "Asked for by US Core"),
            is_code(name),
            patient(),
            EFFECTIVE,
            Element("value[x]", "1..1", "The outcome", types=("CodeableConcept",), value_set=outcomes),
            _CAUTION,
            Element("method", "1..1", "The rule and its version"),
            Element("method.text", "1..1", "In words"),
            to("device", "1..1", "The rules of this service: R4 has no Device as performer", "Device"),
            to("derivedFrom", "0..*", "The exact versions it was made from", "Observation", "QuestionnaireResponse"),
            *components,
        ),
        (_VERSIONED, *rules),
    )


PROFILES = (
    _decision(
        "readiness-for-efficacy-test",
        "Readiness for an efficacy test",
        "Whether a case is ready to be tested, by nine criteria, what ended treatment, and the red flags and side effects that "
        "stop it.",
        "readiness-outcome",
        parts(
            *_criteria(READINESS, "1..1"),
            _criterion("treatment-goes-on", "0..1"),
            *_criteria(("red-flag-open", "side-effect-open"), "0..*"),
            closed=True,
        ),
    ),
    _decision(
        "next-titration-step",
        "Next titration step",
        "What may be done next with the setting, for the dentist to decide.",
        "titration-step",
        parts(
            _criterion("current-setting", "1..1"),
            *_criteria(("worn-for-a-step", "room-left", "side-effect-open", "red-flag-open", *READINESS), "0..*"),
            _criterion("treatment-goes-on", "0..1"),
            closed=True,
        ),
    ),
    _decision(
        "response-to-treatment",
        "Response to treatment",
        "The response by the last efficacy test: the class or why it is withheld, what was found when the test was judged, and "
        "all three published criteria side by side.",
        "response-class",
        parts(
            flagged("at-least", "True where the class is one at least", "1..1"),
            chosen("comparability", "0..1", "Not told where there is nothing to compare with", "comparability"),
            part("withheld-for", "0..*", "One for each cause, the first makes the headline", _CAUSE, _WHY, _SENTENCE),
            part("finding", "0..*", "What was found when the test was judged", _FINDING, _WEIGHT, _SENTENCE),
            part("act-within", "0..1", "The soonest of all findings; 0 for the same day", _measure("d")),
            part("fall-in-index", "0..1", "Not given when the baseline is 0", _FALL),
            part("fall-interval", "0..1", "Known when both tests tell counts and hours", _range("%")),
            part("baseline-index-interval", "0..1", "By exact Poisson limits", _range("{events}/h")),
            part("efficacy-index-interval", "0..1", "By exact Poisson limits", _range("{events}/h")),
            part("severity-before", "0..1", "By the index at baseline", _SEVERITY),
            part("severity-after", "0..1", "By the index with the appliance", _SEVERITY),
            part("mean-disease-alleviation", "0..1", "Known when wear and sleep are told", _measure("%")),
            part("effective-index", "0..1", "Known when wear and sleep are told", _measure("{events}/h")),
            *_criteria(_RESPONSE, "0..1"),
            closed=True,
        ),
    ),
    _decision(
        "referral-check",
        "Check of the referral",
        "What is missing or needs attention before an appliance is made. Cautions block nothing.",
        "referral-outcome",
        parts(*_criteria(REFERRAL_CHECK, "1..1"), closed=True),
    ),
    _decision(
        "follow-up",
        "Follow-up of treatment",
        "Visits of both offices, adherence, occlusal change, and what leads back to the physician.",
        "follow-up-outcome",
        parts(*_criteria(FOLLOW_UP, "1..1"), *_criteria(RETEST, "0..*"), closed=True),
    ),
    _decision(
        "us-coverage-documentation",
        "Check of documentation in the United States",
        "Whether the documents asked for by a payer are there. It is no coverage decision.",
        "documentation-outcome",
        parts(*_criteria(DOCUMENTATION, "1..1"), *_criteria(DOCUMENTATION_BESIDES, "0..1"), closed=True),
    ),
    Profile(
        "physician-decision",
        "Observation",
        "Physician's decision after an efficacy test",
        "What the physician decided. The rules suggest; the next step is the physician's.",
        (
            to("basedOn", "0..*", "Names the case", "ServiceRequest", "CarePlan"),
            Element("category", "1..*", "Asked for by US Core"),
            is_code("physician-decision"),
            patient(),
            EFFECTIVE,
            to("performer", "1..*", "The physician who decided", "Practitioner", "PractitionerRole"),
            Element("value[x]", "1..1", "The decision", types=("CodeableConcept",), value_set="physician-choice"),
            *parts(
                chosen("own-reading", "0..1", "The physician's own reading, beside the computed class", "own-reading"),
                chosen("responsible-office", "0..1", "The office that starts what was decided", "office"),
                dated("start-by", "The day by which it is started; it may lie ahead"),
            ),
        ),
    ),
)
