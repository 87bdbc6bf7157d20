"""Extensions: their url and value, and those R4 itself defines (https://hl7.org/fhir/R4/extensibility.html)."""

from __future__ import annotations

from typing import Any

from service.fhir.conformance import base, codings
from service.fhir.conformance.base import Element, Shape
from service.fhir.conformance.issue import Findings, Where, shown
from service.fhir.conformance.primitives import absolute
from service.fhir.json_parts import is_list, is_object

_PART = "Extension"
_ANYWHERE = frozenset(("Element", "Resource", "DomainResource"))


def check_extensions(held: Any, holder: Shape, element: Element | None, where: Where, findings: Findings) -> None:
    """The extensions of an object: `element` is where the object stands, None for a resource."""
    for index, one in enumerate(held if is_list(held) else []):
        if is_object(one):
            _one(one, holder, element, where.at("extension", index), findings)


def _one(one: dict[str, Any], holder: Shape, element: Element | None, where: Where, findings: Findings) -> None:
    values = [key for key in one if key.lstrip("_").startswith("value")]
    if bool(values) == ("extension" in one):
        findings.wrong(where, "An extension has either a value or extensions of its own (ext-1).")
    url = one.get("url")
    if not isinstance(url, str) or not url:
        return
    if not absolute(url):
        if holder.path != _PART:
            sentence = f"«{shown(url)}» is not an absolute address, such as https://a.example/b."
            findings.wrong(where.at("url"), sentence)
        return
    known = base.definitions()["extensions"].get(url)
    if known is None:
        return
    if "contexts" in known and not _may_stand(known["contexts"], holder, element):
        findings.wrong(where, f"The extension {shown(url)} may not stand here, only at {', '.join(known['contexts'])}.")
    kinds = {m.name: m.type for m in base.shape_of(_PART).groups["value"].members}
    for key in values:
        kind = kinds.get(key.lstrip("_"))
        if kind is not None and kind not in known.get("types", ()):
            allowed = " or ".join(known.get("types", ())) or "extensions only"
            findings.wrong(where.at("value"), f"The extension {shown(url)} holds {allowed}, not {kind}.")
        elif kind == "code" and "codes" in known and isinstance(one.get(key), str):
            codings.bound_code(one[key], known["codes"], where.at("value"), findings)
        elif "codes" in known and is_object(one.get(key)):
            codings.bound(one[key], known["codes"], where.at("value"), findings)


def _may_stand(contexts: list[str], holder: Shape, element: Element | None) -> bool:
    places = {holder.path}
    if element is not None:
        places |= {element.path, element.type, element.path.removesuffix("[x]"), "Element"}
    else:
        places |= {"Resource", "DomainResource", "Element"}
    return any(context.removesuffix("[x]") in places or context in places for context in contexts)
