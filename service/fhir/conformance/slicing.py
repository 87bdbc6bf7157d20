"""Slices: how they are told apart (https://hl7.org/fhir/R4/profiling.html#slicing)."""

from __future__ import annotations

from typing import Any

from service.fhir.conformance.profile import Discriminator, Node
from service.fhir.json_parts import is_list, is_object

_KINDS = ("value", "pattern", "type")
_RULES = ("open", "closed")


def discriminators(slicing: dict[str, Any]) -> tuple[list[Discriminator], bool]:
    """What tells the slices apart, and whether other values may stand beside them. Raises ValueError."""
    unknown = sorted(slicing.keys() - {"discriminator", "ordered", "rules", "description"})
    if unknown:
        raise ValueError(f"«slicing.{unknown[0]}» is not known")
    if slicing.get("ordered"):
        raise ValueError("ordered slices are not known")
    if slicing.get("rules") not in _RULES:
        raise ValueError(f"slicing rules «{slicing.get('rules')}» are not known")
    found = [_one(given) for given in slicing.get("discriminator", [])]
    if not found:
        raise ValueError("slices without a discriminator are not known")
    return found, slicing["rules"] == "closed"


def _one(given: dict[str, Any]) -> Discriminator:
    kind, path = given.get("type"), given.get("path")
    if kind not in _KINDS:
        raise ValueError(f"a discriminator of type «{kind}» is not known")
    if path == "$this":
        return Discriminator(kind, ())
    if not isinstance(path, str) or not all(step.isalnum() for step in path.split(".")):
        raise ValueError(f"the discriminator path «{path}» is not known")
    return Discriminator(kind, tuple(path.split(".")))


def keys_of_slices(node: Node) -> dict[Any, int] | None:
    """The number of each slice by the code (system, code) or text of one element that tells it apart; None if more."""
    found: dict[Any, int] = {}
    one = node.discriminators[0]
    if len(node.discriminators) > 1 or one.kind == "type" or len(one.path) != 1:
        return None
    for index, piece in enumerate(node.slices):
        teller = piece.child(one.path[0])
        key = None if teller is None or teller.fixed or teller.codes else _key_of(teller.pattern)
        if key is None or key in found:
            return None
        found[key] = index
    return found


def _key_of(pattern: Any) -> Any:
    if isinstance(pattern, str):
        return pattern
    codings = pattern.get("coding") if is_object(pattern) and len(pattern) == 1 else None
    if is_list(codings) and len(codings) == 1 and codings[0].keys() == {"system", "code"}:
        return codings[0]["system"], codings[0]["code"]
    return None


def slice_by_key(value: Any, stem: str, keys: dict[Any, int]) -> int | None:
    """The first slice whose key an element of the value holds; None when it is in no slice."""
    held = value.get(stem) if is_object(value) else None
    if isinstance(held, str):
        return keys.get(held)
    codings = held.get("coding") if is_object(held) else None
    found = [
        keys[c["system"], c["code"]]
        for c in (codings if is_list(codings) else ())
        if is_object(c) and isinstance(c.get("system"), str) and isinstance(c.get("code"), str)
        if (c["system"], c["code"]) in keys
    ]
    return min(found) if found else None


def tells_apart(piece: Node, discriminator: Discriminator) -> bool:
    """Whether a slice says something where its discriminator looks."""
    teller: Node | None = piece
    for stem in discriminator.path:
        teller = teller.child(stem) if teller else None
    if teller is None:
        return False
    if discriminator.kind == "type":
        return teller.types is not None
    return says_a_value(teller)


def says_a_value(node: Node) -> bool:
    """Whether a node or something below it names values."""
    own = node.fixed is not None or node.pattern is not None or node.codes is not None
    return own or any(says_a_value(child) for child in node.children)
