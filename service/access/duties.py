"""Who may write what: the kind of office, by the type of a resource and what it tells.

A dental office neither orders a test nor records a diagnosis; a laboratory refers for a physician and reports tests. What
the service makes itself nobody writes, and who moves a referral where stands in `service/fhir/referral_task.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.access.grant import Office
from service.fhir.read_other import is_referral

LAB, DENTIST, PHYSICIAN = Office.SLEEP_LAB, Office.DENTAL_OFFICE, Office.PHYSICIAN
_ALL = frozenset(Office)
_MEDICAL = frozenset({LAB, PHYSICIAN})

PARTS = {LAB: "lab", DENTIST: "fulfiller", PHYSICIAN: "placer"}
"""As what an office of each kind is a party to a case."""

WORDS = {LAB: "the sleep laboratory", DENTIST: "the dental office", PHYSICIAN: "the physician's office"}

_BY_TYPE: dict[str, frozenset[Office]] = {
    "Patient": _MEDICAL,
    "Practitioner": _ALL,
    "PractitionerRole": _ALL,
    "Organization": _ALL,
    "Condition": _MEDICAL,
    "DiagnosticReport": _MEDICAL,
    "Device": frozenset({DENTIST}),
    "DeviceUseStatement": frozenset({DENTIST}),
    "QuestionnaireResponse": frozenset({DENTIST}),
    "Procedure": frozenset({DENTIST}),
    "Communication": _ALL,
    "Composition": _ALL,
    "DocumentReference": _ALL,
    "Goal": frozenset({PHYSICIAN, DENTIST}),
    "Observation": _ALL,
    "Encounter": _ALL,
    "Provenance": _ALL,
}
_BY_KIND: dict[str, frozenset[Office]] = {
    "measure": _MEDICAL,
    "sleep-test": _MEDICAL,
    "setting": frozenset({DENTIST}),
    "side-effect": frozenset({DENTIST}),
    "assessment": frozenset({DENTIST}),
    "check-in": frozenset({DENTIST}),
    "physician-decision": frozenset({PHYSICIAN}),
    "evaluation": _MEDICAL,
}
"""By the kind of fact a resource tells, as `service/fhir/read_facts.py` reads it."""


def writers_of(resource: Mapping[str, Any], small: Mapping[str, Any] | None, opens: bool) -> frozenset[Office]:
    """The kinds of office that may write a resource; `small` is the fact in it, `opens` whether it comes with a referral.

    What a laboratory tells with a referral it tells for the physician.
    """
    kind, told = resource["resourceType"], small["kind"] if small else ""
    if kind == "ServiceRequest":
        return _MEDICAL if is_referral(dict(resource)) else frozenset({PHYSICIAN})
    if kind == "Task":
        return _of_task(resource, opens)
    if told == "visit" and small:
        return frozenset({DENTIST if small["office"] == "dentist" else PHYSICIAN})
    if told == "red-flag-closure" and small:
        return frozenset({DENTIST if small["office"] == "dentist" else PHYSICIAN})
    if told == "red-flag" and small and (office := small.get("resolved_office")):
        return frozenset({DENTIST if office == "dentist" else PHYSICIAN})
    if told == "check-in" and opens:
        return frozenset(Office)
    return _BY_KIND.get(told) or _BY_TYPE.get(kind, frozenset())


def _of_task(task: Mapping[str, Any], opens: bool) -> frozenset[Office]:
    """A laboratory opens a referral's Task; afterwards the two offices move it. A test is approved by its physician."""
    if any(c.get("code") == "approve" for c in task.get("code", {}).get("coding", [])):
        return frozenset({PHYSICIAN})
    return frozenset({PHYSICIAN, DENTIST}) | ({LAB} if opens else frozenset())
