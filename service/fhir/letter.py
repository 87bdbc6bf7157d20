"""The letter to the physician as a FHIR document: a Composition first, then every resource that it speaks of.

https://hl7.org/fhir/R4/documents.html. The Composition is `preliminary`: rules wrote it, and no person has attested it.
It is made when it is asked for and stored nowhere, so that its address is a URN.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from uuid import NAMESPACE_URL, uuid5

from service.fhir.build import Resource, identifier, sid
from service.fhir.codes import CONSULT_NOTE
from service.fhir.engine import ENGINE_ID
from service.fhir.json_text import write_canonical
from service.fhir.narrative import letter_parts
from service.rules.case_view import CaseView
from service.rules.words import day

TITLE = "Letter to the physician: oral appliance therapy"
_DECISIONS = {
    "readiness": "readiness",
    "step": "next-step",
    "response": "response",
    "follow-up": "follow-up",
    "referral": "referral-check",
}
"""The decision Observation behind each part of the letter, by the end of its id."""


def spoken_of(view: CaseView, case_number: str, parties: Mapping[str, str]) -> dict[str, list[str]]:
    """The references of each part of the letter, as `Type/id`; `""` holds those of the letter itself."""
    tests = [t.source.reference for t in sorted(view.facts.sleep_tests, key=lambda t: (t.day, t.source))]
    found = {name: list[str]() for name in letter_parts(view)}
    for name, ending in _DECISIONS.items():
        if name in found:
            found[name].append(f"Observation/{case_number}-{ending}")
    if "tests" in found:
        found["tests"] += tests
    found["asked"].append(f"CarePlan/{case_number}")
    own = [parties.get(name, "") for name in ("patient", "dental_office")]
    return {"": [reference for reference in (*own, f"Device/{ENGINE_ID}") if reference], **found}


def letter_document(
    view: CaseView,
    case_number: str,
    *,
    base: str,
    parties: Mapping[str, str],
    entries: Sequence[Resource],
    written_at: str,
    now: str,
) -> Resource:
    """The document Bundle. `entries` are all resources it holds beside the Composition; instants are `written_at`, `now`.

    The same content has the same identifier, whenever it is asked for.
    """
    digest = hashlib.sha256(write_canonical([case_number, *entries]).encode()).hexdigest()
    address = uuid5(NAMESPACE_URL, f"{sid('letter')}|{case_number}|{digest}").urn
    held = [{"fullUrl": f"{base}/{e['resourceType']}/{e['id']}", "resource": e} for e in entries]
    composition = _composition(view, case_number, base, parties, written_at)
    return {
        "resourceType": "Bundle",
        "identifier": identifier(sid("letter"), f"{case_number}-{digest[:32]}"),
        "type": "document",
        "timestamp": now,
        "entry": [{"fullUrl": address, "resource": composition}, *held],
    }


def _composition(view: CaseView, case_number: str, base: str, parties: Mapping[str, str], written_at: str) -> Resource:
    def at(reference: str) -> Resource:
        return {"reference": f"{base}/{reference}"}

    spoken = spoken_of(view, case_number, parties)
    sections: list[Resource] = []
    for name, (title, html) in letter_parts(view).items():
        text = {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{html}</div>'}
        entry = {"entry": [at(reference) for reference in spoken[name]]} if spoken[name] else {}
        sections.append({"title": title, "text": text, **entry})
    office = {"custodian": at(parties["dental_office"])} if parties.get("dental_office") else {}
    return {
        "resourceType": "Composition",
        "language": "en",
        "status": "preliminary",
        "type": CONSULT_NOTE.concept,
        "subject": at(parties["patient"]),
        "date": written_at,
        "author": [at(f"Device/{ENGINE_ID}")],
        "title": f"{TITLE}, case {case_number}, as of {day(view.as_of)}",
        **office,
        "section": sections,
    }
