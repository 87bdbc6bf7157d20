"""Values that have the right JSON type and are still no value of their FHIR type.

https://hl7.org/fhir/R4/datatypes.html#primitive
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import edited, elements, put

KIND = "bad primitive"
_URL = "https://elsewhere.example/StructureDefinition/remark"
_MOST_PER_TYPE = 1
_BY_TYPE: dict[str, dict[str, Any]] = {
    "id": {
        "with blanks": "a b",
        "too long": "a" * 65,
        "with a slash": "a/b",
        "with an umlaut": "ä",
        "longest": "a" * 64,
    },
    "uri": {"with blanks": "https://elsewhere.example/a b", "a word": "word", "a urn": "urn:oid:2.16.840.1.113883.4.1"},
    "canonical": {"with blanks": "https://elsewhere.example/a b"},
    "code": {"with a blank before": " final", "two blanks": "in  progress"},
    "string": {
        "with a null character": "a\u0000b",
        "with a tab": "a\tb",
        "very long": "a" * 5_000,
        "blank ends": " a ",
    },
    "integer": {"with a fraction": Decimal("1.5"), "too large": 2**31, "with .0": Decimal("1.0")},
    "decimal": {"exact to many digits": Decimal("1.0000000000000000001"), "small": Decimal("1E-3")},
    "markdown": {"with a line break": "a\n\nb", "with script": "<script>alert(1)</script>"},
}
_EXTENSIONS: dict[str, dict[str, Any]] = {
    "positiveInt zero": {"valuePositiveInt": 0},
    "positiveInt below zero": {"valuePositiveInt": -1},
    "positiveInt one": {"valuePositiveInt": 1},
    "unsignedInt below zero": {"valueUnsignedInt": -1},
    "unsignedInt zero": {"valueUnsignedInt": 0},
    "integer as text": {"valueInteger": "1"},
    "integer above 32 bits": {"valueInteger": 2**31},
    "decimal as text": {"valueDecimal": "1e3"},
    "decimal as a whole number": {"valueDecimal": 1},
    "decimal of 30 digits": {"valueDecimal": Decimal("1.23456789012345678901234567890")},
    "boolean in capitals": {"valueBoolean": "TRUE"},
    "base64 of wrong letters": {"valueBase64Binary": "a*b?"},
    "base64 of wrong length": {"valueBase64Binary": "YWJj="},
    "base64 right": {"valueBase64Binary": "YWJj"},
    "base64 with blanks": {"valueBase64Binary": "YW Jj"},
    "uri with blanks": {"valueUri": "https://elsewhere.example/a b"},
    "url without scheme": {"valueUrl": "elsewhere"},
    "oid bad": {"valueOid": "1.2.3"},
    "oid of three arcs": {"valueOid": "urn:oid:1.2.3"},
    "oid right": {"valueOid": "urn:oid:2.16.840.1.113883.4.1"},
    "uuid bad": {"valueUuid": "urn:uuid:abc"},
    "uuid in capitals": {"valueUuid": "urn:uuid:C757873D-EC9A-4326-A141-556F43239520"},
    "uuid right": {"valueUuid": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"},
    "time of hour 25": {"valueTime": "25:00:00"},
    "time without seconds": {"valueTime": "10:00"},
    "time with zone": {"valueTime": "10:00:00Z"},
    "time right": {"valueTime": "10:00:00"},
    "id with blanks": {"valueId": "a b"},
    "code with blank ends": {"valueCode": " a"},
    "code with two blanks": {"valueCode": "a  b"},
    "code right with a blank": {"valueCode": "a b"},
    "instant of a day": {"valueInstant": "2026-05-01"},
    "date with a time": {"valueDate": "2026-05-01T10:00:00Z"},
    "string of blanks": {"valueString": "   "},
    "canonical a word": {"valueCanonical": "word"},
}
_PER_PROFILE = 10


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """The first elements of each type with each bad value; a handful of extensions with values of rarer types."""
    resource = case.fullest
    seen: dict[str, int] = {}
    for place in elements(resource):
        element = known(case.kind, place.names)
        if element is None or isinstance(place.value, list) or element.type not in _BY_TYPE:
            continue
        seen[element.type] = seen.get(element.type, 0) + 1
        if seen[element.type] <= _MOST_PER_TYPE:
            for name, value in _BY_TYPE[element.type].items():
                yield f"{place.name} {element.type} {name}", put(resource, place.steps, value)
    for name in case.random(KIND).sample(sorted(_EXTENSIONS), _PER_PROFILE):
        value = {"url": _URL, **_EXTENSIONS[name]}
        yield f"extension {name}", edited(resource, lambda r, v=value: r.setdefault("extension", []).append(v))
