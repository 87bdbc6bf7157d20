"""What the OpenAPI description says of the FHIR routes: bodies, headers, answers."""

from __future__ import annotations

from typing import Any

from service.fhir.validate import MADE_BY_THE_SERVICE, TYPES

_RESOURCE: dict[str, Any] = {
    "type": "object",
    "description": "A FHIR R4 resource of a type this service holds: https://hl7.org/fhir/R4/resourcelist.html",
    "required": ["resourceType"],
    "properties": {
        "resourceType": {"type": "string", "enum": [t for t in TYPES if t not in MADE_BY_THE_SERVICE]},
        "id": {"type": "string", "pattern": r"^[A-Za-z0-9\-.]{1,64}$"},
        "identifier": {"type": "array", "items": {"$ref": "#/components/schemas/FhirIdentifier"}},
    },
}
_REQUEST: dict[str, Any] = {
    "type": "object",
    "required": ["method", "url"],
    "properties": {
        "method": {"type": "string", "enum": ["GET", "HEAD", "POST", "PUT", "DELETE"]},
        "url": {
            "type": "string",
            "minLength": 1,
            "examples": ["Patient", "Patient/1", "Patient?identifier=system|value"],
        },
        "ifNoneMatch": {"type": "string"},
        "ifModifiedSince": {"type": "string", "format": "date-time"},
        "ifMatch": {"type": "string", "examples": ['W/"1"']},
        "ifNoneExist": {"type": "string", "examples": ["identifier=system|value"]},
    },
}
SCHEMAS: dict[str, Any] = {
    "FhirIdentifier": {
        "type": "object",
        "properties": {"system": {"type": "string"}, "value": {"type": "string"}},
    },
    "FhirResource": _RESOURCE,
    "FhirBundle": {
        "type": "object",
        "description": "A Bundle of type transaction or batch: https://hl7.org/fhir/R4/bundle.html",
        "required": ["resourceType", "type", "entry"],
        "properties": {
            "resourceType": {"const": "Bundle"},
            "type": {"enum": ["transaction", "batch"]},
            "entry": {
                "type": "array",
                "minItems": 1,
                "items": {
                    "type": "object",
                    "required": ["request"],
                    "properties": {
                        "fullUrl": {"type": "string", "examples": ["urn:uuid:6b7f0a52-4d7c-4f6e-9d0a-2c1d8f3e0b01"]},
                        "resource": {"$ref": "#/components/schemas/FhirResource"},
                        "request": _REQUEST,
                    },
                },
            },
        },
    },
    "OperationOutcome": {
        "type": "object",
        "required": ["resourceType", "issue"],
        "properties": {"resourceType": {"const": "OperationOutcome"}, "issue": {"type": "array", "minItems": 1}},
    },
}
_BODIES = {
    "transaction": "FhirBundle",
    "create": "FhirResource",
    "update": "FhirResource",
    "conditional-update": "FhirResource",
    "operation:validate": "FhirResource",
}
_HEADERS = {
    "create": ("If-None-Exist", "Prefer"),
    "update": ("If-Match", "Prefer"),
    "conditional-update": ("If-Match", "Prefer"),
    "delete": ("If-Match", "Prefer"),
    "transaction": ("Prefer",),
    "read": ("If-None-Match", "If-Modified-Since"),
    "vread": ("If-None-Match", "If-Modified-Since"),
}
_QUERIES = {
    "search-type": ("identifier",),
    "conditional-update": ("identifier",),
    "operation:readiness": ("asOf",),
}


def operation(code: str, method: str) -> dict[str, Any]:
    """The description of one interaction beside what the framework finds itself."""
    parameters = [
        {"name": name, "in": place, "required": False, "schema": {"type": "string"}}
        for place, names in (
            ("query", (*_QUERIES.get(code, ()), "_format", "_pretty")),
            ("header", _HEADERS.get(code, ())),
        )
        for name in names
    ]
    problem = {"description": "A refusal", "content": _content("OperationOutcome")}
    told: dict[str, Any] = {"parameters": parameters, "responses": {"default": problem}}
    if code in _BODIES:
        told["requestBody"] = {"required": True, "content": _content(_BODIES[code])}
    if method in ("POST", "PUT"):
        told["responses"]["201"] = {"description": "Created"}
    return told


def _content(schema: str) -> dict[str, Any]:
    return {"application/fhir+json": {"schema": {"$ref": f"#/components/schemas/{schema}"}}}
