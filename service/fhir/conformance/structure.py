"""Base R4: elements, how often, JSON types, primitive forms, codes, references, narrative, invariants.

https://hl7.org/fhir/R4/json.html and https://hl7.org/fhir/R4/validation.html
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from service.fhir.conformance import base, codings
from service.fhir.conformance.base import Element, Group, Shape
from service.fhir.conformance.base_rules import judge
from service.fhir.conformance.datatypes import SPECIAL
from service.fhir.conformance.extensions import check_extensions
from service.fhir.conformance.issue import Findings, Where, shown
from service.fhir.conformance.narrative import faults_of
from service.fhir.conformance.primitives import OF_JSON, Primitive
from service.fhir.conformance.references import References
from service.fhir.json_parts import is_list, is_object

_EMPTY = "The element is empty; leave it out instead."
_NULL = "The element is null; leave it out instead."
_LIST, _OBJECT = "A list is needed.", "An object is needed."
_MOST_UNKNOWN = 20
_ONLY_ID = "The element holds an id and nothing else; leave it out instead."


@dataclass(slots=True)
class Walk:
    """What is gathered on the way through one resource; references are judged when all of it was seen."""

    root: dict[str, Any]
    findings: Findings
    references: References = field(default_factory=References)
    ids: set[str] = field(default_factory=set[str])
    inside: list[tuple[dict[str, Any], Where]] = field(default_factory=list[tuple[dict[str, Any], Where]])


def check(resource: dict[str, Any], kind: str, where: Where, findings: Findings) -> list[tuple[dict[str, Any], Where]]:
    """Every way in which the resource is not valid R4 of its type; the resources inside it, with their places."""
    walk = Walk(resource, findings)
    _object(resource, base.shape_of(kind), None, where, walk)
    walk.references.judge(findings)
    return [*walk.references.contained, *walk.inside]


def _object(value: dict[str, Any], shape: Shape, holder: Element | None, where: Where, walk: Walk) -> None:
    """An object against its shape; `holder` is the element it stands in, None for a resource of its own."""
    elements, findings = shape.elements, walk.findings
    if not value:
        findings.wrong(where, _EMPTY)
        return
    if len(value) == 1 and "id" in value:
        findings.wrong(where, _ONLY_ID)
    unknown: list[str] = []
    for key, held in value.items():
        element = elements.get(key)
        if element is not None:
            if element.primitive is not None and _is_fine(held, element, element.primitive):
                continue  # most values are: no place has to be made for them
            _element(held, element, value, where, walk)
        elif key[:1] == "_" and (element := elements.get(key[1:])) is not None and element.primitive is not None:
            _beside(held, element, value, where.at(element.stem), walk)
        elif key != "resourceType" or not shape.is_resource:
            unknown.append(key)
    _unknown(unknown, where, findings)
    for group in shape.required:
        if not _held(value, group):
            _missing(group, where, findings)
    for group in shape.choices:
        if len(_held(value, group)) > 1:
            findings.wrong(where.at(group.stem), f"Exactly one {group.stem}[x] is needed.")
    if "id" in value and not shape.is_resource:
        _own_id(value["id"], where, walk)
    for name in ("extension", "modifierExtension"):
        if name in value:
            check_extensions(value[name], shape, holder, where, findings)
    special = SPECIAL.get(shape.path)
    if special is not None:
        special(value, where, findings)
    for key in shape.rules:
        judge(key, value, where, walk.root, findings)


def _unknown(keys: list[str], where: Where, findings: Findings) -> None:
    """Keys that are no element; of very many the first ones, since all would cost much and help nobody."""
    for key in keys[:_MOST_UNKNOWN]:
        findings.wrong(where.at(key), f"There is no element «{shown(key)}» here.")
    if len(keys) > _MOST_UNKNOWN:
        findings.wrong(where, f"There are {len(keys) - _MOST_UNKNOWN} more elements that do not exist here.")


def _is_fine(held: Any, element: Element, primitive: Primitive) -> bool:
    """Whether a single primitive needs no further look."""
    if element.repeats or element.type == "xhtml" or held is None or primitive.fault(held):
        return False
    if held.__class__ is str and (not held or held[0] == "#"):
        return False
    return not element.codes or held in (base.codes_alone(element.codes) or ())


def _own_id(held: Any, where: Where, walk: Walk) -> None:
    """The id of an element stands once in a resource."""
    if isinstance(held, str) and held:
        if held in walk.ids:
            walk.findings.wrong(where.at("id"), f"The id «{shown(held)}» stands twice in the resource.")
        walk.ids.add(held)


def _held(value: dict[str, Any], group: Group) -> list[str]:
    """The JSON names under which an element stands there."""
    found: list[str] = []
    for member in group.members:
        name = member.name
        if name in value or (member.primitive is not None and f"_{name}" in value):
            found.append(name)
    return found


def _missing(group: Group, where: Where, findings: Findings) -> None:
    if group.is_choice:
        findings.wrong(where.at(group.stem), f"Exactly one {group.stem}[x] is needed.")
    else:
        findings.wrong(where.at(group.stem), f"«{group.stem}» is required.")


def _element(held: Any, element: Element, owner: dict[str, Any], where: Where, walk: Walk) -> None:
    """The value of one element, one by one where it repeats."""
    stem = element.stem
    if not element.repeats:
        if held is None:
            walk.findings.wrong(where.at(stem), _NULL)
        elif is_list(held):
            _unlisted(held, element, where.at(stem), walk)
        else:
            _item(held, element, where.at(stem), walk)
        return
    if not is_list(held):
        (walk.findings.wrong(where.at(stem), _NULL) if held is None else walk.findings.malformed(where.at(stem), _LIST))
        return
    if not held:
        walk.findings.wrong(where.at(stem), _EMPTY)
    beside = owner.get(f"_{element.name}") if element.primitive is not None else None
    for index, item in enumerate(held):
        if item is None:
            told = beside[index] if is_list(beside) and index < len(beside) else None
            if not is_object(told):
                walk.findings.wrong(where.at(stem, index), _NULL)
        else:
            _item(item, element, where.at(stem, index), walk)


def _item(item: Any, element: Element, where: Where, walk: Walk) -> None:
    primitive = element.primitive
    if primitive is not None:
        _primitive(item, element, primitive, where, walk)
        return
    if not is_object(item):
        walk.findings.malformed(where, _OBJECT)
        return
    if element.shape is None:
        _inner_resource(item, element, where, walk)
        return
    _object(item, element.shape, element, where, walk)
    if element.codes:
        codings.bound(item, element.codes, where, walk.findings)
    for key in element.rules:
        judge(key, item, where, walk.root, walk.findings)
    if element.type == "Reference":
        walk.references.add(item, element, where)


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
        walk.references.addresses.add(item)


def _unlisted(held: list[Any], element: Element, where: Where, walk: Walk) -> None:
    """A list where one value is needed."""
    needed = _OBJECT if element.primitive is None else element.primitive.fault(held)
    walk.findings.malformed(where, needed) if held else walk.findings.wrong(where, _EMPTY)


def _beside(held: Any, element: Element, owner: dict[str, Any], where: Where, walk: Walk) -> None:
    """The id and extensions of a primitive (https://hl7.org/fhir/R4/json.html#primitive)."""
    values = owner.get(element.name)
    is_bound = element.codes and element.codes != codings.LANGUAGES  # a preferred binding does not ask for a value
    if values is None and (is_bound or element.path.endswith(".id")):
        walk.findings.wrong(where, "A value is needed here; an extension cannot stand in its place.")
    if element.repeats != is_list(held):
        walk.findings.malformed(where, _LIST if element.repeats else _OBJECT)
        return
    items = held if element.repeats else [held]
    if element.repeats and not items:
        walk.findings.wrong(where, _EMPTY)
    if element.repeats and is_list(values) and len(values) < len(items):
        walk.findings.wrong(where, f"The list may not be longer than that of «{element.name}».")
    for index, item in enumerate(items):
        spot = Where(where.above, f"{where.step}[{index}]") if element.repeats else where
        value = values[index] if is_list(values) and index < len(values) else None
        if not element.repeats:
            value = values
        if item is None:
            if not element.repeats or value is None:
                walk.findings.wrong(spot, _NULL)
        elif not is_object(item):
            walk.findings.malformed(spot, _OBJECT)
        elif value is None or item.keys() != {"id"}:
            _object(item, base.shape_of("Element"), element, spot, walk)


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
    walk.references.contained.append((item, where))
    outside, walk.ids = walk.ids, set()
    _object(item, base.shape_of(kind), None, where, walk)
    walk.ids = outside
