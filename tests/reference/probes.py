"""Resources made by hand, each wrong or right in one small way, and where the two validators are known to differ.

Made from memory of what R4 says of each datatype; the verdicts are the validator's own.
"""

from __future__ import annotations

from pathlib import Path

from service.fhir.build import Resource
from service.fhir.json_text import load

RESOURCES: dict[str, Resource] = load((Path(__file__).parent / "probes.json").read_text(encoding="utf-8"))

_UCUM = "no term of UCUM by its grammar; the validator's parser is lenient"
STRICTER_HERE = {
    "ucum m)": _UCUM,
    "ucum //m": _UCUM,
    "ucum {a}{b}": _UCUM,
    "ucum -1": _UCUM,
    "ucum +1": _UCUM,
    "div prefix": "XHTML by a namespace prefix, which browsers and pages here do not show",
    "div img": "an image from elsewhere, which tells its server who reads the narrative",
    "rt domain": "an abstract type is no resource",
}
"""Refused here and taken by the validator, with the reason."""

_LANGUAGE = "a language of BCP 47, which R4 allows; the validator knows those of its short list only"
_COUNTRY = "the country codes of ISO 3166 are not held here; nothing is decided by them"
_OID = "an OID of R4's form; the validator refuses this one"
LOOSER_HERE = {
    **{
        f"lang {tag}": _LANGUAGE
        for tag in "fr-CA xx zh-Hans es-419 ase EN sgn tlh en-ZZ en-Latn-US fra deu".split()  # noqa: SIM905
    },
    "ident oid": _OID,
    "oid 1.2.3": _OID,
    "oidext 1.2.3": _OID,
    "cs urn:iso:std:iso:3166 XX": _COUNTRY,
    "cs tag urn:iso:std:iso:3166 XX": _COUNTRY,
    "canonical frag": "a canonical that points into the resource; whether something is there is not looked at",
    "meta profile vitals": "a profile of R4 itself beside the types is said not to be known here, and accepted",
}
"""Taken here and refused by the validator, with the reason."""
