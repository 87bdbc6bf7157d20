"""StructureDefinitions into checks. What the compiler does not know stops it: nothing is passed over in silence.

https://hl7.org/fhir/R4/profiling.html and https://hl7.org/fhir/R4/elementdefinition.html
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from service.fhir.conformance import base
from service.fhir.conformance.base import Group, Shape
from service.fhir.conformance.fhirpath import NoAnswer, compiled
from service.fhir.conformance.profile import Node, Profile, Rule
from service.fhir.conformance.slicing import discriminators, keys_of_slices, tells_apart
from service.fhir.json_parts import is_object

CORE = "http://hl7.org/fhir/StructureDefinition/"
Codes = dict[str, frozenset[str]]
_DEFINITION = frozenset(
    [
        "resourceType",
        "id",
        "url",
        "version",
        "name",
        "title",
        "status",
        "experimental",
        "date",
        "publisher",
        "contact",
        "description",
        "useContext",
        "jurisdiction",
        "purpose",
        "copyright",
        "keyword",
        "fhirVersion",
        "mapping",
        "kind",
        "abstract",
        "type",
        "baseDefinition",
        "derivation",
        "differential",
        "meta",
        "text",
        "language",
    ]
)
_SAYS_NOTHING = frozenset(
    [
        "id",
        "path",
        "short",
        "definition",
        "comment",
        "requirements",
        "alias",
        "label",
        "mapping",
        "example",
        "condition",
        "mustSupport",
        "isSummary",
    ]
)
_CHECKED = frozenset(["min", "max", "type", "constraint", "binding", "sliceName", "slicing"])
_CONSTRAINT = frozenset(["key", "severity", "human", "expression", "requirements", "source", "xpath"])
_BINDING = frozenset(("strength", "valueSet", "description"))
_STRENGTHS = ("required", "extensible", "preferred", "example")
_VALUE_OF = {"SimpleQuantity": "Quantity"}
"""Types that are profiles of another, by whose name fixed and pattern values are called."""


class NotCompiled(Exception):
    """A profile that cannot be turned into checks; the message names the file and the element."""


class Compiler:
    """Compiles profiles that may name each other and the value sets given. `types` is the type of each profile."""

    def __init__(self, value_sets: Mapping[str, Codes], types: Mapping[str, str]) -> None:
        self._value_sets, self._types = value_sets, types

    def profile(self, definition: dict[str, Any], file: str) -> Profile:
        """One StructureDefinition. Raises NotCompiled."""
        return _OneProfile(definition, file, self._value_sets, self._types).compiled()


class _OneProfile:
    def __init__(
        self, definition: dict[str, Any], file: str, value_sets: Mapping[str, Codes], types: Mapping[str, str]
    ) -> None:
        self._definition, self._file, self._value_sets, self._types = definition, file, value_sets, types
        self._nodes: dict[str, Node] = {}

    def compiled(self) -> Profile:
        given = self._definition
        unknown = sorted(given.keys() - _DEFINITION)
        if unknown:
            raise self._stop("StructureDefinition", f"«{unknown[0]}» is not known")
        kind, url = given.get("type"), given.get("url")
        if given.get("derivation") != "constraint" or not isinstance(kind, str) or not base.is_resource(kind):
            raise self._stop("StructureDefinition", f"only constraints on R4 resource types are known, not {kind}")
        if given.get("baseDefinition") != f"{CORE}{kind}":
            raise self._stop("StructureDefinition", f"derived from {given.get('baseDefinition')}, which is not known")
        if not isinstance(url, str) or not is_object(given.get("differential")):
            raise self._stop("StructureDefinition", "a url and a differential are needed")
        root = self._nodes[kind] = Node(kind, None, 1, 1)
        for element in given["differential"].get("element", []):
            self._add(element, kind)
        for node in self._nodes.values():
            self._check_slices(node)
        return Profile(url, kind, root)

    def _stop(self, element: str, why: str) -> NotCompiled:
        return NotCompiled(f"{self._file}: {element}: {why}.")

    def _add(self, element: dict[str, Any], kind: str) -> None:
        element_id = element.get("id")
        if not isinstance(element_id, str) or not element_id:
            raise self._stop("an element", "it has no id")
        fixed = [k for k in element if re.fullmatch(r"(fixed|pattern)[A-Z]\w*", k)]
        unknown = sorted(element.keys() - _SAYS_NOTHING - _CHECKED - set(fixed))
        if unknown:
            raise self._stop(element_id, f"«{unknown[0]}» is not known")
        if re.sub(r":[^.]+", "", element_id) != element.get("path"):
            raise self._stop(element_id, f"the path {element.get('path')} is not that of the id")
        if element_id == kind:
            self._rules(self._nodes[kind], element)
            if element.keys() & ({"type", "binding", "slicing", "sliceName"} | set(fixed)):
                raise self._stop(element_id, "only invariants are known on the resource itself")
            return
        node = self._placed(element_id, element)
        self._cardinality(node, element)
        self._narrow_types(node, element)
        self._values(node, element, fixed)
        self._binding(node, element)
        self._rules(node, element)
        if "slicing" in element:
            try:
                node.discriminators, node.is_closed = discriminators(element["slicing"])
            except ValueError as error:
                raise self._stop(element_id, str(error)) from None

    def _placed(self, element_id: str, element: dict[str, Any]) -> Node:
        """The node of an element, in its place in the tree."""
        if element_id in self._nodes:
            raise self._stop(element_id, "it stands twice")
        owner_id, _, last = element_id.rpartition(".")
        name, colon, piece = last.partition(":")
        if colon:
            entry = self._nodes.get(f"{owner_id}.{name}")
            if entry is None or not entry.discriminators or entry.group is None:
                raise self._stop(element_id, "a slice of an element that is not sliced")
            if element.get("sliceName") != piece:
                raise self._stop(element_id, "sliceName is not that of the id")
            node = self._nodes[element_id] = Node(element_id, entry.group, 0, entry.group.highest)
            node.types, node.targets = entry.types, entry.targets
            entry.slices.append(node)
            return node
        if "sliceName" in element:
            raise self._stop(element_id, "sliceName on an element whose id names no slice")
        owner = self._nodes.get(owner_id) or self._between(owner_id)
        node = self._nodes[element_id] = Node(element_id, self._group(owner, name, element_id))
        assert node.group is not None
        node.lowest, node.highest = node.group.lowest, node.group.highest
        owner.children.append(node)
        return node

    def _between(self, element_id: str) -> Node:
        """An element that the profile only passes through."""
        if "." not in element_id:
            raise self._stop(element_id, "an element outside the resource")
        return self._placed(element_id, {})

    def _group(self, owner: Node, name: str, element_id: str) -> Group:
        stem = name.removesuffix("[x]")
        found = [shape.groups.get(stem) for shape in self._shapes(owner)]
        group = found[0] if found else None
        if group is None or None in found or group.is_choice != name.endswith("[x]"):
            raise self._stop(element_id, "base R4 has no such element")
        return group

    def _shapes(self, owner: Node) -> list[Shape]:
        """What the values of an element can look like, by the types the profile leaves."""
        if owner.group is None:
            return [base.shape_of(self._definition["type"])]
        kinds = [m for m in owner.group.members if owner.types is None or m.type in owner.types]
        if any(m.shape is None for m in kinds):
            return []
        return [m.shape for m in kinds if m.shape is not None]

    def _cardinality(self, node: Node, element: dict[str, Any]) -> None:
        group = node.group
        assert group is not None
        low, high = element.get("min", node.lowest), element.get("max")
        if not isinstance(low, int) or (high is not None and high != "*" and not str(high).isdigit()):
            raise self._stop(node.id, "min and max are not as they must be")
        highest = node.highest if high is None else None if high == "*" else int(high)
        too_many = group.highest is not None and (highest is None or highest > group.highest)
        is_slice = ":" in node.id.rpartition(".")[2]
        if too_many or (low < group.lowest and not is_slice) or (highest is not None and low > highest):
            raise self._stop(node.id, "its cardinality is not inside that of base R4")
        node.lowest, node.highest = low, highest

    def _narrow_types(self, node: Node, element: dict[str, Any]) -> None:
        if "type" not in element:
            return
        members = {m.type: m for m in node.group.members} if node.group else {}
        targets: set[str] = set()
        for one in element["type"]:
            unknown = sorted(one.keys() - {"code", "targetProfile"})
            if unknown:
                raise self._stop(node.id, f"«type.{unknown[0]}» is not known")
            member = members.get(one.get("code"))
            if member is None:
                raise self._stop(node.id, f"base R4 does not allow the type {one.get('code')} here")
            for url in one.get("targetProfile", []):
                target = self._types.get(url) or url.removeprefix(CORE)
                if not base.is_resource(target) or (member.targets and target not in member.targets):
                    raise self._stop(node.id, f"base R4 does not allow references to {url} here")
                targets.add(target)
        node.types = frozenset(one["code"] for one in element["type"])
        node.targets = frozenset(targets) if targets else None

    def _values(self, node: Node, element: dict[str, Any], keys: Iterable[str]) -> None:
        for key in keys:
            how = "fixed" if key.startswith("fixed") else "pattern"
            kind = key.removeprefix(how)
            types = node.types or (m.type for m in node.group.members if node.group) if node.group else ()
            if kind not in {_VALUE_OF.get(t, t[0].upper() + t[1:]) for t in types}:
                raise self._stop(node.id, f"the element cannot be a {kind}, as «{key}» says")
            setattr(node, how, element[key])

    def _binding(self, node: Node, element: dict[str, Any]) -> None:
        binding = element.get("binding")
        if binding is None:
            return
        unknown = sorted(binding.keys() - _BINDING)
        if unknown:
            raise self._stop(node.id, f"«binding.{unknown[0]}» is not known")
        if binding.get("strength") not in _STRENGTHS:
            raise self._stop(node.id, f"a binding of strength {binding.get('strength')} is not known")
        if binding["strength"] != "required":
            return
        url = str(binding.get("valueSet", "")).split("|")[0]
        codes = self._value_sets.get(url) or (base.value_set(url) if url in base.definitions()["valueSets"] else None)
        if codes is None:
            raise self._stop(node.id, f"the codes of the value set {url} are not known")
        node.codes = codes

    def _rules(self, node: Node, element: dict[str, Any]) -> None:
        for one in element.get("constraint", []):
            unknown = sorted(one.keys() - _CONSTRAINT)
            if unknown:
                raise self._stop(node.id, f"«constraint.{unknown[0]}» is not known")
            if one.get("severity") not in ("error", "warning") or not one.get("expression"):
                raise self._stop(node.id, f"the invariant {one.get('key')} needs a severity and an expression")
            try:
                expression = compiled(one["expression"])
            except NoAnswer:
                raise self._stop(node.id, f"the invariant {one.get('key')} cannot be parsed") from None
            node.rules.append(Rule(one["key"], one["severity"] == "error", one.get("human", one["key"]), expression))

    def _check_slices(self, node: Node) -> None:
        if node.discriminators:
            node.by_key = keys_of_slices(node)
        for piece in node.slices:
            for one in node.discriminators:
                if not tells_apart(piece, one):
                    path = ".".join(one.path) or "$this"
                    raise self._stop(piece.id, f"nothing at {path} tells the slice apart")
