"""Every code the service writes or reads, each with its provenance.

A code stands here as LOINC or SNOMED CT only when its meaning was seen in a public source; whatever
was not found is a code of our own code system. Check digits are tested: they show form, not meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

BASE = "https://airway-relay.example/fhir"
LOCAL = f"{BASE}/CodeSystem/airway-relay-terms"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
ICD10CM = "http://hl7.org/fhir/sid/icd-10-cm"
UCUM = "http://unitsofmeasure.org"


class Provenance(StrEnum):
    """Where the meaning of a code was seen."""

    SEEN = "seen"
    PUBLIC_REPOSITORIES = "public repositories only"
    LOCAL = "local"
    STANDARD = "the FHIR R4 specification"


@dataclass(frozen=True, slots=True)
class Code:
    """A code of a code system with its display and provenance."""

    system: str
    code: str
    display: str
    provenance: Provenance

    @property
    def coding(self) -> dict[str, Any]:
        """The code as a FHIR Coding."""
        return {"system": self.system, "code": self.code, "display": self.display}

    @property
    def concept(self) -> dict[str, Any]:
        """The code as a FHIR CodeableConcept."""
        return {"coding": [self.coding]}


_SEEN, _LOCAL, _STANDARD = Provenance.SEEN, Provenance.LOCAL, Provenance.STANDARD

POLYSOMNOGRAPHY_STUDY = Code(LOINC, "28633-6", "Polysomnography (sleep) study", _SEEN)
AHI_24_HOUR = Code(LOINC, "69990-0", "Apnea hypopnea index 24 hour", _SEEN)
ODI = Code(LOINC, "90567-9", "Oxygen desaturation index", _SEEN)
OVERJET = Code(LOINC, "32916-9", "Overjet", _SEEN)
APNOEA_INDEX = Code(LOINC, "90562-0", "Apnea index", _SEEN)
DENTAL_REFERRAL = Code(SNOMED, "103697008", "Patient referral for dental care", _SEEN)
OBSTRUCTIVE_SLEEP_APNOEA = Code(SNOMED, "78275009", "Obstructive sleep apnea syndrome", Provenance.PUBLIC_REPOSITORIES)
SLEEP_BREATHING_TEST = Code(SNOMED, "252566002", "Sleep-related breathing test", _SEEN)
OSA_ICD10CM = Code(ICD10CM, "G47.33", "Obstructive sleep apnea (adult) (pediatric)", _SEEN)

_LOCAL_TERMS: dict[str, str] = {
    # sleep tests
    "home-sleep-test": "Home sleep apnoea test",
    "baseline-test": "Baseline test, before treatment",
    "efficacy-test": "Efficacy test, with the appliance worn",
    "ahi": "Apnoea-hypopnoea index",
    "rei": "Respiratory event index",
    "rdi": "Respiratory disturbance index",
    "event-count": "Respiratory events counted",
    "recording-time": "Recording time",
    "desaturation-drop": "Fall in SpO2 that counts as a desaturation",
    "lowest-spo2": "Lowest SpO2 of the recording",
    "t90": "Share of the recording below 90 % SpO2",
    "supine-index": "Index lying supine",
    "non-supine-index": "Index not lying supine",
    "central-share": "Central share of the events",
    "hypopnoea-3-percent-or-arousal": "Hypopnoeas scored at 3 % desaturation or arousal",
    "hypopnoea-4-percent": "Hypopnoeas scored at 4 % desaturation",
    "hypopnoea-rule-unknown": "Hypopnoea rule not known",
    # referral
    "oral-appliance-therapy": "Oral appliance therapy for obstructive sleep apnoea",
    "pap-history": "History of positive airway pressure",
    # dental assessment and appliance
    "dental-assessment": "Dental assessment for an oral appliance",
    "protrusive-range": "Protrusive range",
    "teeth-upper": "Teeth in the upper arch",
    "teeth-lower": "Teeth in the lower arch",
    "mobile-teeth": "Mobile teeth",
    "active-tmj-disorder": "Active temporomandibular disorder",
    "overbite": "Overbite",
    "oral-appliance": "Custom titratable oral appliance",
    "maximum-advance": "Furthest advance from the starting position",
    "smallest-step": "Smallest step of the appliance",
    "starting-position": "Starting position from maximum retrusion",
    # settings
    "protrusion-setting": "Protrusion setting",
    "advance-left": "Advance from the starting position, left",
    "advance-right": "Advance from the starting position, right",
    "percent-of-protrusive-range": "Position as share of the maximum protrusive range",
    "difference-intended": "Difference between the sides intended",
    "taken-back-for-side-effect": "Taken back for a side effect",
    # check-ins
    "snoring": "Snoring loudness, 0 to 10",
    "restedness": "Restedness on waking, 0 to 10",
    "epworth-total": "Epworth sleepiness scale, total",
    "wear": "Wear of the appliance",
    "nights-reported": "Nights reported on",
    "nights-worn": "Nights worn",
    "hours-per-night": "Hours worn per night",
    "hours-slept-per-night": "Hours slept per night",
    "witnessed-pauses": "Witnessed pauses in breathing",
    "body-weight-reported": "Body weight as reported",
    # side effects and red flags
    "side-effect": "Side effect of the appliance",
    "side-effect-grade": "Grade of the side effect, 0 to 3",
    "onset": "Onset",
    "end": "End",
    "red-flag": "Red flag",
    "locked-jaw": "Locked jaw",
    "loose-tooth": "Loose tooth",
    "broken-appliance": "Broken appliance",
    "drowsy-driving": "Drowsy driving or a near miss",
    "worse-sleepiness": "Worse sleepiness",
    "worse-oximetry": "Worse oximetry",
    # decisions
    "readiness-for-efficacy-test": "Readiness for an efficacy test",
    "next-titration-step": "Next titration step",
    "response-to-treatment": "Response to treatment",
    "physician-decision": "Physician's decision after an efficacy test",
    "ready": "Ready for an efficacy test",
    "ready-at-limit": "Ready for an efficacy test at the limit of advancement",
    "not-yet": "Not yet ready for an efficacy test",
    "cannot-say": "Cannot be judged yet",
    "stop-and-review": "Stop and review",
    "advance": "Advance one step",
    "hold": "Hold this setting",
    "step-back": "Step back",
    "request-test": "Request an efficacy test",
    "dentist-review": "Dentist reviews",
    "physician-review": "Physician reviews",
    "complete": "Complete response",
    "partial": "Partial response",
    "non-response": "Non-response",
    "met": "Met",
    "unmet": "Not met",
    "unknown": "Unknown",
    "attention": "Needs attention",
    "symptoms-after-good-test": "Symptoms after a good test",
    "continue-treatment": "Continue treatment and follow up",
    "advance-and-test-again": "Advance further and test again",
    "add-positional-therapy": "Add positional therapy",
    "combination-or-another-therapy": "Combination or another therapy",
    "stop-treatment": "Stop treatment",
    "appliance-delivered": "Appliance delivered",
    "baseline-known": "Baseline test known",
    "setting-stable": "Setting stable",
    "worn-enough": "Worn enough",
    "snoring-settled": "Snoring settled",
    "sleepiness-settled": "Sleepiness settled",
    "no-witnessed-pauses": "No witnessed pauses",
    "tolerated": "Tolerated",
    "not-already-tested": "Not already tested",
    "current-setting": "Current setting",
    "worn-for-a-step": "Worn enough for a step",
    "room-left": "Room left to advance",
    "red-flag-open": "Red flag open",
    "side-effect-open": "Side effect open",
    "index-under-5": "Index under 5 per hour",
    "index-under-10-and-halved": "Index under 10 per hour and at least halved",
    "index-halved": "Index at least halved",
    "fall-in-index": "Fall in the index from baseline",
    "ready-for-retest": "Ready for retest",
    "retest-ordered": "Retest ordered",
}


def local(code: str) -> Code:
    """A code of our own code system; KeyError when it is not defined."""
    return Code(LOCAL, code, _LOCAL_TERMS[code], _LOCAL)


def is_local(code: str) -> bool:
    """Whether our code system defines the code."""
    return code in _LOCAL_TERMS


def all_local() -> tuple[Code, ...]:
    """Every code of our own code system, in order."""
    return tuple(local(code) for code in _LOCAL_TERMS)


PUBLISHED = (
    POLYSOMNOGRAPHY_STUDY,
    AHI_24_HOUR,
    ODI,
    OVERJET,
    APNOEA_INDEX,
    DENTAL_REFERRAL,
    OBSTRUCTIVE_SLEEP_APNOEA,
    SLEEP_BREATHING_TEST,
    OSA_ICD10CM,
)

_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
PROCEDURE_CATEGORY = Code(_CATEGORY, "procedure", "Procedure", _STANDARD)
EXAM_CATEGORY = Code(_CATEGORY, "exam", "Exam", _STANDARD)
SURVEY_CATEGORY = Code(_CATEGORY, "survey", "Survey", _STANDARD)
THERAPY_CATEGORY = Code(_CATEGORY, "therapy", "Therapy", _STANDARD)


def has_code(concept: Any, code: Code) -> bool:
    """Whether a CodeableConcept carries the code (system and code both)."""
    return any(
        isinstance(c, dict) and c.get("system") == code.system and c.get("code") == code.code
        for c in codings_of(concept)
    )


def local_code_of(concept: Any) -> str | None:
    """The first code of our own code system in a CodeableConcept."""
    for item in codings_of(concept):
        if isinstance(item, dict) and item.get("system") == LOCAL and isinstance(item.get("code"), str):
            return item["code"]
    return None


def codings_of(concept: Any) -> list[Any]:
    """The codings of a CodeableConcept, however badly formed it is."""
    held = concept.get("coding") if isinstance(concept, dict) else None
    return held if isinstance(held, list) else []
