"""Media types with their parameters (RFC 9110) as FHIR uses them (https://hl7.org/fhir/R4/http.html#mime-type)."""

from __future__ import annotations

GENERIC = "application/json"
JSON_TYPES = (GENERIC, "application/fhir+json")
FHIR_VERSION = "4.0"


def parts_of(text: str) -> tuple[str, dict[str, str]]:
    """The media type and its parameters, names and type in lower case."""
    media, *rest = text.split(";")
    parameters = {}
    for part in rest:
        name, _, value = part.partition("=")
        parameters[name.strip().lower()] = value.strip().strip('"')
    return media.strip().lower(), parameters


def body_fault(header: str) -> str:
    """Why a body of this Content-Type is not taken; empty when it is."""
    media, parameters = parts_of(header)
    if media not in JSON_TYPES:
        return f"The body must be application/json or application/fhir+json, not «{media}»."
    if parameters.get("charset", "utf-8").lower() not in ("utf-8", "utf8"):
        return f"The body must be UTF-8, not «{parameters['charset'][:40]}»."
    if parameters.get("fhirversion", FHIR_VERSION) != FHIR_VERSION:
        return f"The body must be of FHIR {FHIR_VERSION}, not «{parameters['fhirversion'][:40]}»."
    return ""
