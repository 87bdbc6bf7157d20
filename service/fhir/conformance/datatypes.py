"""What the text of R4 asks of some datatypes beside their invariants (https://hl7.org/fhir/R4/datatypes.html)."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable
from typing import Any

from service.fhir.codes import UCUM
from service.fhir.conformance import codings
from service.fhir.conformance.issue import Findings, Where, shown
from service.fhir.conformance.primitives import absolute
from service.fhir.conformance.ucum import is_unit
from service.fhir.json_parts import is_list, is_object

_URI = "urn:ietf:rfc:3986"
_WITHOUT_ADDRESS = ("transaction", "transaction-response", "batch", "batch-response")


def identifier(value: dict[str, Any], where: Where, findings: Findings) -> None:
    """An Identifier: its system is an absolute address; a value that is an address is one."""
    system, held = value.get("system"), value.get("value")
    if not isinstance(system, str) or not system:
        return
    if not absolute(system) and not any(c.isspace() for c in system):
        sentence = f"«{shown(system)}» is not an absolute address, such as https://a.example/b."
        findings.wrong(where.at("system"), sentence)
    elif system == _URI and isinstance(held, str) and held and not absolute(held):
        findings.wrong(where.at("value"), f"The system says that the value is an address; «{shown(held)}» is none.")


def quantity(value: dict[str, Any], where: Where, findings: Findings) -> None:
    """A Quantity: a code of UCUM is a unit of UCUM."""
    code = value.get("code")
    if value.get("system") == UCUM and isinstance(code, str) and code and not is_unit(code):
        findings.wrong(where.at("code"), f"«{shown(code)}» is not a unit of UCUM.")


def attachment(value: dict[str, Any], where: Where, findings: Findings) -> None:
    """An Attachment: the size it states is that of its data."""
    data, size = value.get("data"), value.get("size")
    if not isinstance(data, str) or not isinstance(size, int):
        return
    try:
        actual = len(base64.b64decode(data, validate=True))
    except (binascii.Error, ValueError):
        return  # said where the data stand
    if actual != size:
        findings.wrong(where.at("size"), f"The data hold {actual} bytes, not {size}.")


def bundle(value: dict[str, Any], where: Where, findings: Findings) -> None:
    """A Bundle: its entries say which resources they hold (https://hl7.org/fhir/R4/bundle.html#bundle-unique)."""
    entries = value.get("entry")
    if value.get("type") in _WITHOUT_ADDRESS or not is_list(entries):
        return
    for index, entry in enumerate(entries):
        if is_object(entry) and "resource" in entry and "fullUrl" not in entry:
            findings.wrong(where.at("entry", index).at("fullUrl"), "«fullUrl» is required in a Bundle of this type.")


SPECIAL: dict[str, Callable[[dict[str, Any], Where, Findings], None]] = {
    "Coding": codings.coding,
    "Identifier": identifier,
    "Quantity": quantity,
    "Age": quantity,
    "Count": quantity,
    "Distance": quantity,
    "Duration": quantity,
    "Attachment": attachment,
    "Bundle": bundle,
}
"""By datatype or resource type."""
