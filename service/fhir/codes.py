"""Every code the service writes or reads, each with its provenance.

A code stands here as LOINC or SNOMED CT only when its meaning was seen in a public source; whatever
was not found is a code of our own code system. Check digits are tested: they show form, not meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any

from service.fhir.json_parts import object_in, objects_in
from service.fhir.terms import LOCAL_TERMS

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
CONSULT_NOTE = Code(LOINC, "34756-7", "Dentistry Consult note", _SEEN)
OVERJET = Code(LOINC, "32916-9", "Overjet", _SEEN)
EXCESSIVE_SLEEPINESS = Code(SNOMED, "1367959007", "Excessive daytime sleepiness", _SEEN)
OBSTRUCTIVE_INDEX = Code(LOINC, "90563-8", "Obstructive apnea hypopnea index", Provenance.PUBLIC_REPOSITORIES)
APNOEA_INDEX = Code(LOINC, "90562-0", "Apnea index", _SEEN)
DENTAL_REFERRAL = Code(SNOMED, "103697008", "Patient referral for dental care", _SEEN)
OBSTRUCTIVE_SLEEP_APNOEA = Code(SNOMED, "78275009", "Obstructive sleep apnea syndrome", Provenance.PUBLIC_REPOSITORIES)
SLEEP_BREATHING_TEST = Code(SNOMED, "252566002", "Sleep-related breathing test", _SEEN)
OSA_ICD10CM = Code(ICD10CM, "G47.33", "Obstructive sleep apnea (adult) (pediatric)", _SEEN)


@cache
def local(code: str) -> Code:
    """A code of our own code system; KeyError when it is not defined."""
    return Code(LOCAL, code, LOCAL_TERMS[code], _LOCAL)


def is_local(code: str) -> bool:
    """Whether our code system defines the code."""
    return code in LOCAL_TERMS


def all_local() -> tuple[Code, ...]:
    """Every code of our own code system, in order."""
    return tuple(local(code) for code in LOCAL_TERMS)


PUBLISHED = (
    POLYSOMNOGRAPHY_STUDY,
    AHI_24_HOUR,
    ODI,
    OVERJET,
    CONSULT_NOTE,
    APNOEA_INDEX,
    OBSTRUCTIVE_INDEX,
    EXCESSIVE_SLEEPINESS,
    DENTAL_REFERRAL,
    OBSTRUCTIVE_SLEEP_APNOEA,
    SLEEP_BREATHING_TEST,
    OSA_ICD10CM,
)

_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
PROCEDURE_CATEGORY = Code(_CATEGORY, "procedure", "Procedure", _STANDARD)
EXAM_CATEGORY = Code(_CATEGORY, "exam", "Exam", _STANDARD)
SURVEY_CATEGORY = Code(_CATEGORY, "survey", "Survey", _STANDARD)
AMBULATORY = Code("http://terminology.hl7.org/CodeSystem/v3-ActCode", "AMB", "ambulatory", _STANDARD)
THERAPY_CATEGORY = Code(_CATEGORY, "therapy", "Therapy", _STANDARD)


def has_code(concept: Any, code: Code) -> bool:
    """Whether a CodeableConcept carries the code (system and code both)."""
    return any(c.get("system") == code.system and c.get("code") == code.code for c in codings_of(concept))


def codings_with(concept: Any, *codes: str) -> bool:
    """Whether a CodeableConcept carries one of the codes, whatever their system."""
    return any(c.get("code") in codes for c in codings_of(concept))


def local_code_of(concept: Any) -> str | None:
    """The first code of our own code system in a CodeableConcept."""
    for coding in codings_of(concept):
        if coding.get("system") == LOCAL and isinstance(coding.get("code"), str):
            return coding["code"]
    return None


def codings_of(concept: Any) -> list[dict[str, Any]]:
    """The codings of a CodeableConcept, however badly formed it is."""
    return objects_in((object_in(concept) or {}).get("coding"))
