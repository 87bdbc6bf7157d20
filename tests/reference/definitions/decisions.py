"""Decisions of the rules, with one component per criterion, and the physician's own decision."""

from __future__ import annotations

from collections.abc import Iterable

from service.fhir.codes import UCUM, is_local
from tests.reference.definitions.shape import (
    EFFECTIVE,
    Element,
    Profile,
    Rule,
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
        "Whether a case is ready to be tested, by nine criteria and the red flags that are open.",
        "readiness-outcome",
        parts(*_criteria(READINESS, "1..1"), _criterion("red-flag-open", "0..*"), closed=True),
    ),
    _decision(
        "next-titration-step",
        "Next titration step",
        "What may be done next with the setting, for the dentist to decide.",
        "titration-step",
        parts(
            _criterion("current-setting", "1..1"),
            *_criteria(("worn-for-a-step", "room-left", "side-effect-open", "red-flag-open", *READINESS), "0..*"),
            closed=True,
        ),
    ),
    _decision(
        "response-to-treatment",
        "Response to treatment",
        "The response by the last efficacy test: the class, and all three published criteria side by side.",
        "response-class",
        parts(
            part("fall-in-index", "0..1", "Not given when the baseline is 0", _FALL),
            *_criteria(_RESPONSE, "1..1"),
            closed=True,
        ),
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
        ),
    ),
)
