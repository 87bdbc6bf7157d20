"""The types of base R4 and their elements, read from `r4.json` when first needed.

`r4.json` and `r4_codes.json` are compact copies of the definitions of R4 (source and licence stand in them).
https://hl7.org/fhir/R4/structuredefinition.html
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from service.fhir.conformance.primitives import Primitive, primitive

_FOLDER = Path(__file__).parent
_ANY_RESOURCE = "Resource"


@dataclass(slots=True, eq=False)
class Element:
    """One element under one JSON name. `stem` is its name in FHIRPath: `value` of `valueQuantity`.

    `path` is where R4 defines it; `shape` is what an object in its place looks like, None for primitives and for
    whole resources.
    """

    name: str
    stem: str
    type: str
    repeats: bool
    path: str
    primitive: Primitive | None = None
    shape: Shape | None = None
    targets: frozenset[str] = frozenset()
    codes: str = ""
    rules: tuple[str, ...] = ()

    @property
    def is_resource(self) -> bool:
        """Whether a whole resource stands here."""
        return self.type == _ANY_RESOURCE


@dataclass(slots=True, eq=False)
class Group:
    """An element as its type defines it: how often it may stand there, and under which JSON names."""

    stem: str
    lowest: int
    highest: int | None
    is_choice: bool
    members: tuple[Element, ...]


@dataclass(slots=True, eq=False)
class Shape:
    """What an object must look like: its elements by JSON name, and the invariants on it."""

    path: str
    is_resource: bool = False
    elements: dict[str, Element] = field(default_factory=dict[str, "Element"])
    groups: dict[str, Group] = field(default_factory=dict[str, "Group"])
    required: list[Group] = field(default_factory=list["Group"])
    choices: list[Group] = field(default_factory=list["Group"])
    rules: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Invariant:
    """An invariant of base R4 as it is published."""

    key: str
    severity: str
    human: str
    expression: str


@cache
def definitions() -> dict[str, Any]:
    """The compact definitions."""
    return json.loads((_FOLDER / "r4.json").read_text(encoding="utf-8"))


@cache
def invariant(key: str) -> Invariant:
    """A published invariant by its key."""
    held = definitions()["rules"][key]
    return Invariant(key.split()[-1], held["severity"], held["human"], held["expression"])


@cache
def code_systems() -> dict[str, tuple[frozenset[str], bool]]:
    """The codes of every code system that is known whole, and whether upper and lower case differ in it."""
    held = json.loads((_FOLDER / "r4_codes.json").read_text(encoding="utf-8"))
    return {
        url: (frozenset(one["codes"]), one.get("caseSensitive", True)) for url, one in held.items() if "codes" in one
    }


@cache
def value_set(url: str) -> dict[str, frozenset[str]] | None:
    """The codes of an R4 value set by system; None when they cannot be listed. Raises KeyError when unknown."""
    held = definitions()["valueSets"][url]
    return None if held is None else {system: frozenset(codes) for system, codes in held.items()}


@cache
def codes_alone(url: str) -> frozenset[str] | None:
    """The codes of an R4 value set whatever their system; None when they cannot be listed."""
    held = value_set(url)
    return None if held is None else frozenset(code for codes in held.values() for code in codes)


def is_type(name: str) -> bool:
    """Whether R4 has a type of this name."""
    return name in definitions()["types"]


def is_resource(name: object) -> bool:
    """Whether R4 has a resource type of this name that can stand on its own."""
    held = definitions()["types"].get(name) if isinstance(name, str) else None
    return held is not None and held["kind"] == "resource" and not held.get("abstract")


def shape_of(type_name: str) -> Shape:
    """The shape of a complex or resource type. Raises KeyError when R4 has none of this name."""
    nodes = definitions()["types"][type_name]["nodes"]
    return _shape(type_name, next(iter(nodes)))


@cache
def _primitive(name: str) -> Primitive:
    value = definitions()["types"][name]["nodes"][name]["elements"]["value"]
    return primitive(name, value.get("form", ""))


def _is_primitive(name: str) -> bool:
    return definitions()["types"][name]["kind"] == "primitive-type"


_shapes: dict[tuple[str, str], Shape] = {}


def _shape(type_name: str, path: str) -> Shape:
    """Made once; known before it is filled, since types hold each other."""
    known = _shapes.get((type_name, path))
    if known is not None:
        return known
    definition = definitions()["types"][type_name]
    node = definition["nodes"][path]
    made = _shapes[type_name, path] = Shape(path, definition["kind"] == "resource" and "." not in path)
    made.rules = tuple(node["rules"])
    for name, held in node["elements"].items():
        _fill(made, type_name, path, name, held)
    return made


def _fill(shape: Shape, type_name: str, path: str, name: str, held: dict[str, Any]) -> None:
    stem, is_choice = name.removesuffix("[x]"), name.endswith("[x]")
    highest = None if held["max"] == "*" else int(held["max"])
    if highest == 0:
        return
    source = _like(type_name, held["like"]) if "like" in held else held
    members: list[Element] = []
    for kind, targets in source.get("types", {"BackboneElement": []}).items():
        json_name = f"{stem}{_suffix(kind)}" if is_choice else stem
        kind = _special(shape, stem, kind)
        single = Element(json_name, stem, kind, highest is None or highest > 1, f"{path}.{name}")
        single.targets, single.codes = frozenset(targets), source.get("codes", "")
        single.rules = tuple(source.get("rules", ()))
        if _is_primitive(kind):
            single.primitive = _primitive(kind)
        elif not single.is_resource:
            own = held.get("like") or f"{path}.{name}"
            inside = own in definitions()["types"][type_name]["nodes"]
            single.shape = _shape(type_name, own) if inside else shape_of(kind)
        members.append(single)
        shape.elements[json_name] = single
    group = shape.groups[stem] = Group(stem, held["min"], highest, is_choice, tuple(members))
    if group.lowest:
        shape.required.append(group)
    if is_choice:
        shape.choices.append(group)


def _like(type_name: str, path: str) -> dict[str, Any]:
    owner, _, name = path.rpartition(".")
    return definitions()["types"][type_name]["nodes"][owner]["elements"][name]


def _special(shape: Shape, stem: str, kind: str) -> str:
    """R4 writes the types of a resource's id and of an extension's url as plain strings of FHIRPath."""
    if stem == "id" and shape.is_resource:
        return "id"
    return "uri" if stem == "url" and shape.path == "Extension" else kind


def _suffix(kind: str) -> str:
    """The end of a choice element's JSON name; a profile of a datatype goes by the datatype."""
    held = definitions()["types"][kind]
    base = held["base"] if held.get("profile") else kind
    return base[0].upper() + base[1:]
