"""Who a case is about and who takes part: patient, practitioner, organisation, diagnosis."""

from __future__ import annotations

from tests.reference.definitions.shape import Element, Profile, Rule, patient, to

_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_NUMBER = (
    Element("identifier", "1..*", "The number its owner knows it by: a repeat is the same record"),
    Element("identifier.system", "1..1", "Whose number it is"),
    Element("identifier.value", "1..1", "The number"),
)

PROFILES = (
    Profile(
        "patient",
        "Patient",
        "Patient",
        "The patient as a sleep laboratory or a physician's system knows them.",
        (
            *_NUMBER,
            Element(
                "name",
                "1..*",
                "Asked for by US Core",
                rules=(
                    Rule(
                        "patient-name",
                        "A name has a family name or a given name, or says why it has none.",
                        f"family.exists() or given.exists() or extension.where(url = '{_ABSENT}').exists()",
                    ),
                ),
            ),
            Element("telecom.system", "1..1", "Asked for by US Core where a contact is given"),
            Element("telecom.value", "1..1", "Asked for by US Core where a contact is given"),
            Element("gender", "1..1", "Asked for by US Core"),
            Element("birthDate", "0..1", "Patients under 18 are outside the scope of the rules"),
        ),
    ),
    Profile(
        "practitioner",
        "Practitioner",
        "Practitioner",
        "A physician or dentist who takes part in a case.",
        (
            *_NUMBER,
            Element("name", "1..*", "Asked for by US Core"),
            Element("name.family", "1..1", "Asked for by US Core"),
        ),
    ),
    Profile(
        "organization",
        "Organization",
        "Organisation",
        "A sleep laboratory, a physician's practice or a dental office.",
        (
            Element("identifier", "0..*", "The number its partners know it by"),
            Element("active", "1..1", "Asked for by US Core"),
            Element("name", "1..1", "Asked for by US Core; shown on pages and letters"),
        ),
    ),
    Profile(
        "diagnosis",
        "Condition",
        "Diagnosis",
        "A diagnosis as the physician made it. The service never records one of its own.",
        (
            Element("category", "1..*", "Asked for by US Core"),
            Element("code", "1..1", "What was diagnosed"),
            patient(),
            to(
                "asserter",
                "0..1",
                "A diagnosis is a practitioner's, never the patient's own",
                "Practitioner",
                "PractitionerRole",
            ),
        ),
    ),
)
