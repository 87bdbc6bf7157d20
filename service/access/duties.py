"""Who may write what: the kind of office, by the type of a resource and what it tells.

A dental office neither orders a test nor records a diagnosis; a laboratory refers for a physician and reports tests. What
the service makes itself nobody writes, and who moves a referral where stands in `service/fhir/referral_task.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.access.grant import Office
from service.fhir.facts.fact import Reported, kind_of, office_in
from service.fhir.facts.words import FactKind
from service.fhir.read_other import is_referral
from service.rules.kinds import Office as OfficeOfCare

LAB, DENTIST, PHYSICIAN = Office.SLEEP_LAB, Office.DENTAL_OFFICE, Office.PHYSICIAN
_ALL = frozenset(Office)
_MEDICAL = frozenset({LAB, PHYSICIAN})
_OFFICE = {OfficeOfCare.DENTIST: frozenset({DENTIST}), OfficeOfCare.PHYSICIAN: frozenset({PHYSICIAN})}

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
_BY_KIND: dict[FactKind, frozenset[Office]] = {
    FactKind.MEASURE: _MEDICAL,
    FactKind.INDEX: _MEDICAL,
    FactKind.DESATURATION_INDEX: _MEDICAL,
    FactKind.SLEEP_TEST: _MEDICAL,
    FactKind.SETTING: frozenset({DENTIST}),
    FactKind.SIDE_EFFECT: frozenset({DENTIST}),
    FactKind.ASSESSMENT: frozenset({DENTIST}),
    FactKind.CHECK_IN: frozenset({DENTIST}),
    FactKind.PHYSICIAN_DECISION: frozenset({PHYSICIAN}),
    FactKind.EVALUATION: _MEDICAL,
}
"""By the kind of fact a resource reports, as `service/fhir/read_facts.py` reads it."""


def writers_of(resource: Mapping[str, Any], reported: Reported | None, opens: bool) -> frozenset[Office]:
    """The kinds of office that may write a resource; `reported` is the fact in it, `opens` whether it comes with a referral.

    What a laboratory reports with a referral it reports for the physician.
    """
    resource_type = resource["resourceType"]
    if resource_type == "ServiceRequest":
        return _MEDICAL if is_referral(dict(resource)) else frozenset({PHYSICIAN})
    if resource_type == "Task":
        return _of_task(resource, opens)
    if reported is None:
        return _BY_TYPE.get(resource_type, frozenset())
    kind = kind_of(reported)
    if kind in (FactKind.VISIT, FactKind.RED_FLAG_CLOSURE):
        return _OFFICE[office_in(reported) or OfficeOfCare.PHYSICIAN]
    if kind is FactKind.RED_FLAG and (office := office_in(reported)):
        return _OFFICE[office]
    if kind is FactKind.CHECK_IN and opens:
        return _ALL
    return _BY_KIND.get(kind) or _BY_TYPE.get(resource_type, frozenset())


def _of_task(task: Mapping[str, Any], opens: bool) -> frozenset[Office]:
    """A laboratory opens a referral's Task; afterwards the two offices move it. A test is approved by its physician."""
    if any(c.get("code") == "approve" for c in task.get("code", {}).get("coding", [])):
        return frozenset({PHYSICIAN})
    return frozenset({PHYSICIAN, DENTIST}) | ({LAB} if opens else frozenset())
