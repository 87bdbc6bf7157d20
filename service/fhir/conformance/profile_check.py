"""A resource against a compiled profile: cardinality, types, values, slices, codes, invariants."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.fhir.conformance.codings import any_of
from service.fhir.conformance.fhirpath import NoAnswer
from service.fhir.conformance.issue import Findings, Where, not_evaluated, shown
from service.fhir.conformance.profile import Discriminator, HeldElement, Node, Profile, has_pattern, held_in
from service.fhir.conformance.references import kind_of
from service.fhir.conformance.slicing import says_a_value, slice_by_key
from service.fhir.json_parts import is_list, is_object

_MANY = 12


def check_profile(profile: Profile, resource: dict[str, Any], where: Where, findings: Findings) -> None:
    """Everything in which the resource does not keep to the profile."""
    findings.profile = profile.url
    _Check(resource, findings).inside(profile.root, resource, where, "")
    findings.profile = ""


class _Check:
    """One resource against one profile."""

    def __init__(self, root: dict[str, Any], findings: Findings) -> None:
        self._root, self._findings = root, findings

    def inside(self, node: Node, value: Any, where: Where, type_path: str) -> None:
        """The invariants on an element and what is asked of the elements below it."""
        for rule in node.rules:
            self._rule(rule, value, where, type_path)
        if not node.children:
            return
        holder = value if is_object(value) else {}
        for child in node.children:
            assert child.group is not None
            self._element(child, list(held_in(holder, child.group, where)), where)

    def _element(self, node: Node, items: list[HeldElement], owner: Where) -> None:
        self._count(node, items, owner)
        for held in items:
            self._value(node, held)
        if node.discriminators:
            self._slices(node, items, owner)

    def _count(self, node: Node, items: Sequence[HeldElement], owner: Where) -> None:
        assert node.group is not None
        count, stem = len(items), node.group.stem
        name, _, piece = node.id.rpartition(".")[2].partition(":")
        what = f"«{piece}» in {stem}" if piece else f"«{name}»"
        if count < node.lowest:
            some = "is required" if node.lowest == 1 and not count else f"must stand there {node.lowest} times or more"
            self._findings.wrong(owner.at(stem), f"{what} {some}.")
        if node.highest is not None and count > node.highest:
            some = "may not stand there" if not node.highest else f"may stand there {_times(node.highest)}"
            spot = items[node.highest].where if node.highest < count else owner.at(stem)
            self._findings.wrong(spot, f"{what} {some}.")

    def _value(self, node: Node, held: HeldElement) -> None:
        value, wrong = held.value, self._findings.wrong
        if node.types is not None and held.element.type not in node.types:
            wrong(held.where, f"A value of type {' or '.join(sorted(node.types))} is needed.")
            return
        if node.fixed is not None and value != node.fixed:
            wrong(held.where, f"«{shown(node.fixed)}» is needed here.")
        if node.pattern is not None and not has_pattern(value, node.pattern):
            wrong(held.where, f"{_words(node.pattern)} is needed here.")
        if node.codes is not None and not _is_of(value, node.codes):
            codes = [code for codes in node.codes.values() for code in sorted(codes)]
            wrong(held.where, f"One of {', '.join(codes[:_MANY])} is needed here.")
        if node.targets is not None and is_object(value):
            self._target(value, node.targets, held.where)
        self.inside(node, value, held.where, held.type_path)

    def _target(self, value: dict[str, Any], targets: frozenset[str], where: Where) -> None:
        reference = value.get("reference")
        if not isinstance(reference, str):
            return
        if reference[:1] == "#":
            inner = self._root.get("contained")
            items = [c for c in inner if is_object(c)] if is_list(inner) else []
            kind = next((c.get("resourceType") for c in items if f"#{c.get('id')}" == reference), None)
            kind = self._root.get("resourceType") if reference == "#" else kind
        else:
            kind = kind_of(reference)
        if kind is not None and kind not in targets:
            sentence = f"«{shown(reference)}» is not a {' or '.join(sorted(targets))}."
            self._findings.wrong(where.at("reference"), sentence)

    def _slices(self, node: Node, items: list[HeldElement], owner: Where) -> None:
        sorted_out: list[list[HeldElement]] = [[] for _ in node.slices]
        for held in items:
            index = _slice_of(held, node)
            if index is not None:
                sorted_out[index].append(held)
            elif node.is_closed:
                names = ", ".join(piece.id.rpartition(":")[2] for piece in node.slices)
                self._findings.wrong(held.where, f"This is none of what may stand here: {names}.")
        for piece, members in zip(node.slices, sorted_out, strict=True):
            self._element(piece, members, owner)

    def _rule(self, rule: Any, value: Any, where: Where, type_path: str) -> None:
        try:
            if rule.expression.holds(value, self._root, type_path):
                return
            sentence = rule.human
        except (NoAnswer, ArithmeticError, ValueError, TypeError):
            self._findings.wrong(where, not_evaluated(rule.human, rule.key))
            return
        (self._findings.wrong if rule.is_error else self._findings.doubtful)(where, sentence)


def _slice_of(held: HeldElement, node: Node) -> int | None:
    """The number of the first slice a value is in."""
    if node.by_key is not None:
        return slice_by_key(held.value, node.discriminators[0].path[0], node.by_key)
    for index, piece in enumerate(node.slices):
        if all(in_slice(held, piece, one) for one in node.discriminators):
            return index
    return None


def in_slice(held: HeldElement, piece: Node, discriminator: Discriminator) -> bool:
    """Whether a value has what tells a slice apart."""
    teller, found = piece, [held]
    for stem in discriminator.path:
        below = teller.child(stem)
        if below is None or below.group is None:
            return False
        group = below.group
        found = [
            inner for one in found if is_object(one.value)
            for inner in held_in(one.value, group, one.where)
        ]  # fmt: skip
        teller = below
    if discriminator.kind == "type":
        return any(teller.types is not None and one.element.type in teller.types for one in found)
    return any(_tells(teller, one.value) for one in found)


def _tells(teller: Node, value: Any) -> bool:
    if teller.fixed is not None:
        return value == teller.fixed
    if teller.pattern is not None:
        return has_pattern(value, teller.pattern)
    if teller.codes is not None:
        return _is_of(value, teller.codes)
    tellers = [child for child in teller.children if says_a_value(child)]
    return is_object(value) and bool(tellers) and all(_has(value, child) for child in tellers)


def _has(value: dict[str, Any], child: Node) -> bool:
    assert child.group is not None
    return any(_tells(child, one.value) for one in held_in(value, child.group, Where(None, "")))


def _is_of(value: Any, codes: dict[str, frozenset[str]]) -> bool:
    if isinstance(value, str):
        return any(value in held for held in codes.values())
    return is_object(value) and any_of(value, codes)


def _times(count: int) -> str:
    return "only once" if count == 1 else f"{count} times at most"


def _words(pattern: Any) -> str:
    """A pattern as a sentence may name it."""
    if is_object(pattern):
        inner = pattern.get("coding")
        held = inner[0] if is_list(inner) and inner else pattern
        if is_object(held) and "code" in held:
            return f"The code «{shown(held['code'])}»" + (f" of {held['system']}" if "system" in held else "")
    return f"«{shown(pattern)}»"
