"""Where references lead (https://hl7.org/fhir/R4/references.html): only what can be told without looking them up."""

from __future__ import annotations

import re
from typing import Any

from service.fhir.conformance.base import Element
from service.fhir.conformance.issue import Findings, Where, shown
from service.fhir.json_parts import is_list, is_object

_LITERAL = re.compile(r"(?:https?://.*/)?([A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/.+)?|([A-Z][A-Za-z]+)\?.+")
_CORE = "http://hl7.org/fhir/StructureDefinition/"
_WHITE = re.compile(r"\s")


class References:
    """The references and contained resources of one resource, gathered on the way and judged at the end."""

    def __init__(self) -> None:
        self._found: list[tuple[dict[str, Any], Element, Where]] = []
        self.contained: list[tuple[dict[str, Any], Where]] = []
        self.addresses: set[str] = set()

    def add(self, value: dict[str, Any], element: Element, where: Where) -> None:
        """A Reference that stands in the resource."""
        self._found.append((value, element, where))
        if isinstance(value.get("reference"), str):
            self.addresses.add(value["reference"])

    def judge(self, findings: Findings) -> None:
        """Say which references lead nowhere or to a wrong type, and which contained resources nothing leads to."""
        if not self._found and not self.contained:
            return
        kinds = {item["id"]: item["resourceType"] for item, _ in self.contained if isinstance(item.get("id"), str)}
        for value, element, where in self._found:
            _reference(value, element.targets, kinds, where, findings)
        self._contained(findings)

    def _contained(self, findings: Findings) -> None:
        seen: set[str] = set()
        for item, where in self.contained:
            own = item.get("id")
            if not isinstance(own, str):
                findings.wrong(where.at("id"), "A contained resource needs an id.")
                continue
            if own in seen:
                findings.wrong(where.at("id"), f"Two contained resources have the id «{shown(own)}».")
            elif f"#{own}" not in self.addresses and not _names_its_holder(item):
                findings.wrong(where, f"Nothing refers to the contained resource «{shown(own)}» (dom-3).")
            seen.add(own)


def kind_of(reference: str) -> str | None:
    """The resource type a literal reference leads to; None when it does not say."""
    found = _LITERAL.fullmatch(reference)
    return found[1] or found[2] if found else None


def _reference(
    value: dict[str, Any], targets: frozenset[str], kinds: dict[str, str], where: Where, findings: Findings
) -> None:
    reference, said = value.get("reference"), value.get("type")
    kind = None
    if isinstance(reference, str) and reference:
        kind = _target(reference, kinds, where, findings)
        if kind is not None and targets and kind not in targets:
            findings.wrong(where.at("reference"), f"«{shown(reference)}» is not a {_or(targets)}.")
    if isinstance(said, str) and kind is not None and said.removeprefix(_CORE) != kind:
        findings.wrong(where.at("type"), f"The reference leads to a {kind}, not to a {shown(said)}.")


def _target(reference: str, kinds: dict[str, str], where: Where, findings: Findings) -> str | None:
    if reference[0] == "#":
        if reference == "#" and _is_contained(where):
            return None
        if reference[1:] not in kinds:
            findings.wrong(where.at("reference"), f"No contained resource has the id «{shown(reference[1:])}».")
        return kinds.get(reference[1:])
    if _WHITE.search(reference):
        findings.wrong(
            where.at("reference"), f"«{shown(reference)}» is not an address; an address holds no white space."
        )
    return kind_of(reference)


def _is_contained(where: Where) -> bool:
    above: Where | None = where
    while above is not None:
        if above.step.startswith(".contained["):
            return True
        above = above.above
    return False


def _or(targets: frozenset[str]) -> str:
    return " or ".join(sorted(targets))


def _names_its_holder(value: Any) -> bool:
    if is_object(value):
        return value.get("reference") == "#" or any(_names_its_holder(held) for held in value.values())
    return is_list(value) and any(_names_its_holder(held) for held in value)
