"""Base R4: elements, how often, JSON types, primitive forms, codes, references, narrative, invariants.

https://hl7.org/fhir/R4/json.html and https://hl7.org/fhir/R4/validation.html
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from service.fhir.conformance import base, codings
from service.fhir.conformance.base import Element, Group, Shape
from service.fhir.conformance.base_rules import judge
from service.fhir.conformance.issue import Findings, Where, shown
from service.fhir.conformance.narrative import faults_of
from service.fhir.conformance.primitives import OF_JSON, Primitive, absolute

LITERAL = re.compile(r"(?:https?://.*/)?([A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/.+)?")
"""A literal reference, with the type it leads to."""
_EMPTY = "The element is empty; leave it out instead."
_NULL = "The element is null; leave it out instead."
_LIST, _OBJECT = "A list is needed.", "An object is needed."
_ONLY_ID = "The element holds an id and nothing else; leave it out instead."
_IDENTIFIER, _CODING, _EXTENSION = "Identifier", "Coding", "Extension"


@dataclass(slots=True)
class Walk:
    """What is gathered on the way through one resource; references are judged when all of it was seen."""

    root: dict[str, Any]
    findings: Findings
    references: list[tuple[str, Element, Where]] = field(default_factory=list)
    inner_addresses: set[str] = field(default_factory=set)
    contained: list[tuple[dict[str, Any], Where]] = field(default_factory=list)
    inside: list[tuple[dict[str, Any], Where]] = field(default_factory=list)


def check(resource: dict[str, Any], kind: str, where: Where, findings: Findings) -> list[tuple[dict[str, Any], Where]]:
    """Every way in which the resource is not valid R4 of its type; the resources inside it, with their places."""
    walk = Walk(resource, findings)
    _object(resource, base.shape_of(kind), where, walk)
    _references(walk)
    return [*walk.contained, *walk.inside]


def _object(value: dict[str, Any], shape: Shape, where: Where, walk: Walk) -> None:
    elements, findings = shape.elements, walk.findings
    if not value:
        findings.wrong(where, _EMPTY)
        return
    if len(value) == 1 and "id" in value:
        findings.wrong(where, _ONLY_ID)
    for key, held in value.items():
        element = elements.get(key)
        if element is not None:
            _element(held, element, value, where, walk)
        elif key[:1] == "_" and (element := elements.get(key[1:])) is not None and element.primitive is not None:
            _beside(held, element, value, where.at(element.stem), walk)
        elif key != "resourceType" or not shape.is_resource:
            findings.wrong(where.at(key), f"There is no element «{shown(key)}» here.")
    for group in shape.required:
        if not _held(value, group):
            _missing(group, where, findings)
    for group in shape.choices:
        if len(_held(value, group)) > 1:
            findings.wrong(where, f"Exactly one {group.stem}[x] is needed.")
    _datatype(value, shape, where, walk)
    for key in shape.rules:
        judge(key, value, where, walk.root, findings)


def _held(value: dict[str, Any], group: Group) -> list[str]:
    """The JSON names under which an element stands there."""
    found = []
    for member in group.members:
        name = member.name
        if name in value or (member.primitive is not None and f"_{name}" in value):
            found.append(name)
    return found


def _missing(group: Group, where: Where, findings: Findings) -> None:
    if group.is_choice:
        findings.wrong(where, f"Exactly one {group.stem}[x] is needed.")
    else:
        findings.wrong(where.at(group.stem), f"«{group.stem}» is required.")


def _element(held: Any, element: Element, owner: dict[str, Any], where: Where, walk: Walk) -> None:
    """The value of one element, one by one where it repeats."""
    stem = element.stem
    if not element.repeats:
        if held is None:
            walk.findings.wrong(where.at(stem), _NULL)
        elif isinstance(held, list):
            _unlisted(held, element, where.at(stem), walk)
        else:
            _item(held, element, where.at(stem), walk)
        return
    if not isinstance(held, list):
        (walk.findings.wrong(where.at(stem), _NULL) if held is None else walk.findings.malformed(where.at(stem), _LIST))
        return
    if not held:
        walk.findings.wrong(where.at(stem), _EMPTY)
    beside = owner.get(f"_{element.name}") if element.primitive is not None else None
    for index, item in enumerate(held):
        if item is None:
            told = beside[index] if isinstance(beside, list) and index < len(beside) else None
            if not isinstance(told, dict):
                walk.findings.wrong(where.at(stem, index), _NULL)
        else:
            _item(item, element, where.at(stem, index), walk)


def _item(item: Any, element: Element, where: Where, walk: Walk) -> None:
    primitive = element.primitive
    if primitive is not None:
        _primitive(item, element, primitive, where, walk)
        return
    if not isinstance(item, dict):
        walk.findings.malformed(where, _OBJECT)
        return
    if element.shape is None:
        _inner_resource(item, element, where, walk)
        return
    _object(item, element.shape, where, walk)
    if element.codes:
        codings.bound(item, element.codes, where, walk.findings)
    for key in element.rules:
        judge(key, item, where, walk.root, walk.findings)
    if element.type == "Reference":
        reference = item.get("reference")
        if isinstance(reference, str):
            walk.references.append((reference, element, where))


def _primitive(item: Any, element: Element, primitive: Primitive, where: Where, walk: Walk) -> None:
    if item == "":
        walk.findings.wrong(where, _EMPTY)
        return
    if element.type == "xhtml":
        for fault in faults_of(item):
            walk.findings.wrong(where, fault)
        return
    fault = primitive.fault(item)
    if fault:
        (walk.findings.malformed if fault in OF_JSON else walk.findings.wrong)(where, fault)
        return
    if element.codes:
        codings.bound_code(item, element.codes, where, walk.findings)
    if item.__class__ is str and item[:1] == "#":
        walk.inner_addresses.add(item)


def _unlisted(held: list[Any], element: Element, where: Where, walk: Walk) -> None:
    """A list where one value is needed."""
    needed = _OBJECT if element.primitive is None else element.primitive.fault(held)
    walk.findings.malformed(where, needed) if held else walk.findings.wrong(where, _EMPTY)


def _beside(held: Any, element: Element, owner: dict[str, Any], where: Where, walk: Walk) -> None:
    """The id and extensions of a primitive (https://hl7.org/fhir/R4/json.html#primitive)."""
    values = owner.get(element.name)
    if element.repeats != isinstance(held, list):
        walk.findings.malformed(where, _LIST if element.repeats else _OBJECT)
        return
    items = held if element.repeats else [held]
    if element.repeats and not items:
        walk.findings.wrong(where, _EMPTY)
    if element.repeats and isinstance(values, list) and len(values) != len(items):
        walk.findings.wrong(where, f"The list must be as long as that of «{element.name}».")
    for index, item in enumerate(items):
        spot = Where(where.above, f"{where.step}[{index}]") if element.repeats else where
        value = values[index] if isinstance(values, list) and index < len(values) else None
        if not element.repeats:
            value = values
        if item is None:
            if not element.repeats or value is None:
                walk.findings.wrong(spot, _NULL)
        elif not isinstance(item, dict):
            walk.findings.malformed(spot, _OBJECT)
        elif value is None or item.keys() != {"id"}:
            _object(item, base.shape_of("Element"), spot, walk)


def _inner_resource(item: dict[str, Any], element: Element, where: Where, walk: Walk) -> None:
    """A resource inside another: contained, an entry of a Bundle, a parameter."""
    kind = item.get("resourceType")
    if not isinstance(kind, str) or not kind:
        walk.findings.malformed(where.at("resourceType"), "«resourceType» is required.")
        return
    if not base.is_resource(kind):
        walk.findings.malformed(where.at("resourceType"), f"«{shown(kind)}» is not a resource type.")
        return
    if element.name != "contained":
        walk.inside.append((item, where))
        walk.inside.extend(check(item, kind, where, walk.findings))
        return
    walk.contained.append((item, where))
    _object(item, base.shape_of(kind), where, walk)


def _datatype(value: dict[str, Any], shape: Shape, where: Where, walk: Walk) -> None:
    """What the text of the specification asks of some datatypes beside their invariants."""
    path = shape.path
    if path == _CODING:
        codings.coding(value, where, walk.findings)
    elif path == _IDENTIFIER or path == _EXTENSION:
        name = "url" if path == _EXTENSION else "system"
        system = value.get(name)
        if isinstance(system, str) and system and not absolute(system):
            if path == _EXTENSION and _inside_extension(where):
                return
            walk.findings.wrong(where.at(name), f"«{shown(system)}» is not an absolute address, such as https://a.example/b.")


def _inside_extension(where: Where) -> bool:
    """Whether an extension is part of another, where its url may be relative."""
    above = where.above
    return above is not None and above.step.startswith((".extension[", ".modifierExtension["))


def _references(walk: Walk) -> None:
    """Where references lead: to types they may lead to, and to contained resources that are there."""
    findings = walk.findings
    kinds = {item["id"]: item["resourceType"] for item, _ in walk.contained if isinstance(item.get("id"), str)}
    for reference, element, where in walk.references:
        if reference[:1] == "#":
            kind = kinds.get(reference[1:])
            if kind is None and reference != "#":
                findings.wrong(where.at("reference"), f"No contained resource has the id «{shown(reference[1:])}».")
                continue
        else:
            found = LITERAL.fullmatch(reference)
            kind = found[1] if found else None
        if kind is not None and element.targets and kind not in element.targets:
            sentence = f"«{shown(reference)}» is not a {' or '.join(sorted(element.targets))}."
            findings.wrong(where.at("reference"), sentence)
    used = walk.inner_addresses | {reference for reference, _, _ in walk.references}
    seen: set[str] = set()
    for item, where in walk.contained:
        own = item.get("id")
        if not isinstance(own, str):
            findings.wrong(where.at("id"), "A contained resource needs an id.")
        elif own in seen:
            findings.wrong(where.at("id"), f"Two contained resources have the id «{shown(own)}».")
        elif f"#{own}" not in used and not _names_its_holder(item):
            findings.wrong(where, f"Nothing refers to the contained resource «{shown(own)}».")
        if isinstance(own, str):
            seen.add(own)


def _names_its_holder(value: Any) -> bool:
    if isinstance(value, dict):
        return value.get("reference") == "#" or any(_names_its_holder(held) for held in value.values())
    return isinstance(value, list) and any(_names_its_holder(held) for held in value)
