"""Codes against code systems and value sets that are known whole (https://hl7.org/fhir/R4/terminologies.html)."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from service.fhir.codes import LOCAL, UCUM, is_local
from service.fhir.conformance import base
from service.fhir.conformance.currencies import CURRENCIES
from service.fhir.conformance.issue import Findings, Where, shown
from service.fhir.conformance.primitives import absolute
from service.fhir.conformance.ucum import is_unit
from service.fhir.engine import THRESHOLDS, is_threshold
from service.fhir.json_parts import is_list, is_object

_MANY = 12
LANGUAGES, _CURRENCIES = "http://hl7.org/fhir/ValueSet/all-languages", "http://hl7.org/fhir/ValueSet/currencies"
_BCP_47, _ISO_4217 = "urn:ietf:bcp:47", "urn:iso:std:iso:4217"
_LANGUAGE = re.compile(r"[A-Za-z]{2,3}(-[A-Za-z]{4})?(-([A-Za-z]{2}|[0-9]{3}))?(-[A-Za-z0-9]{5,8})*")


_OURS: dict[str, Callable[[str], bool]] = {LOCAL: is_local, THRESHOLDS: is_threshold}


def coding(value: dict[str, Any], where: Where, findings: Findings) -> None:
    """A Coding: its system is an absolute address, and knows the code where all its codes are known here."""
    system, code = value.get("system"), value.get("code")
    if not isinstance(system, str) or not system:
        return
    if not absolute(system):
        findings.doubtful(
            where.at("system"), f"«{shown(system)}» is not an absolute address, such as https://a.example/b."
        )
    elif system == UCUM:
        if isinstance(code, str) and code and not is_unit(code):
            findings.wrong(where.at("code"), f"«{shown(code)}» is not a unit of UCUM.")
    elif code is None and (system in _OURS or system in base.code_systems()):
        findings.wrong(where, f"A code of the code system {shown(system)} is needed.")
    elif isinstance(code, str) and code and not _is_known(system, code):
        findings.wrong(where.at("code"), f"The code system {shown(system)} has no code «{shown(code)}».")


def _is_known(system: str, code: str) -> bool:
    if system in _OURS:
        return _OURS[system](code)
    if system == _ISO_4217:
        return code in CURRENCIES
    held = base.code_systems().get(system)
    return held is None or code in held[0] or (not held[1] and code.lower() in {c.lower() for c in held[0]})


def bound(value: dict[str, Any], url: str, where: Where, findings: Findings) -> None:
    """A CodeableConcept or Coding, one of whose codes must be of an R4 value set."""
    allowed = base.value_set(url)
    if allowed is None:
        if url == LANGUAGES and value.get("coding") and not any(_is_language(c) for c in value["coding"]):
            findings.wrong(where, f"A language of BCP 47 is needed, such as en, with the system {_BCP_47}.")
        return
    if not any_of(value, allowed):
        codes = [code for held in allowed.values() for code in sorted(held)]
        findings.wrong(where, f"{_some(value)} is needed from {_list(codes)}.")


def _is_language(coding: Any) -> bool:
    code = coding.get("code") if is_object(coding) and coding.get("system") == _BCP_47 else None
    return isinstance(code, str) and _LANGUAGE.fullmatch(code) is not None


def any_of(value: dict[str, Any], allowed: dict[str, frozenset[str]]) -> bool:
    """Whether a CodeableConcept, Coding or Quantity holds one of the codes."""
    held = value.get("coding") if "coding" in value or "code" not in value else [value]
    codes = [c for c in held if is_object(c)] if is_list(held) else []
    return any(isinstance(c.get("code"), str) and c["code"] in allowed.get(str(c.get("system")), ()) for c in codes)


def bound_code(code: Any, url: str, where: Where, findings: Findings) -> None:
    """A code that must be of an R4 value set."""
    allowed = CURRENCIES if url == _CURRENCIES else base.codes_alone(url)
    if allowed is not None and code not in allowed:
        findings.wrong(where, f"«{shown(code)}» is not one of {_list(_in_order(url, allowed))}.")


def _in_order(url: str, allowed: frozenset[str]) -> list[str]:
    """The codes of an R4 value set as they stand in the definitions."""
    held = base.definitions()["valueSets"][url]
    return [code for codes in held.values() for code in codes] if held else sorted(allowed)


def _list(codes: list[str]) -> str:
    return ", ".join(codes[:_MANY]) + (f" and {len(codes) - _MANY} more" if len(codes) > _MANY else "")


def _some(value: dict[str, Any]) -> str:
    return "A code" if "coding" in value or "text" in value else "A code with its system"
