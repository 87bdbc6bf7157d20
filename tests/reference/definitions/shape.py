"""The words profiles are written in: a profile is a list of elements, an element says one thing and why.

Only these features of StructureDefinition are used, so that a small compiler can know them all: cardinality,
type with target profiles, fixed and pattern values, slicing by pattern, required bindings to value sets of
our own, invariants, mustSupport. https://hl7.org/fhir/R4/profiling.html
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from service.fhir.codes import BASE, LOCAL, UCUM, Code, local
from service.rules.limits import Limit
from service.rules.words import number

Resource = dict[str, Any]
VERSION = "1.0.0"
_CORE = "http://hl7.org/fhir/StructureDefinition"
_TYPES_BY_KIND = {"code": "Code", "uri": "Uri", "string": "String", "boolean": "Boolean", "canonical": "Canonical"}


@dataclass(frozen=True)
class Rule:
    """An invariant: its key within the profile, what it says, and its FHIRPath expression.

    A comparison that may have no answer (a date with a time of that day) is written `iif(a < b, false, true)`:
    only what is surely wrong is refused.
    """

    key: str
    human: str
    expression: str


@dataclass(frozen=True)
class Element:
    """What one element must look like. `path` is relative to the type, slices written `component:left.code`."""

    path: str
    cardinality: str = ""
    why: str = ""
    types: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    fixed: tuple[str, Any] | None = None
    pattern: tuple[str, Any] | None = None
    value_set: str = ""
    rules: tuple[Rule, ...] = ()
    sliced_by: str = ""
    closed: bool = False

    def definition(self, kind: str) -> Resource:
        """The ElementDefinition."""
        full = f"{kind}.{self.path}" if self.path else kind
        built: Resource = {"id": full, "path": re.sub(r":[^.]+", "", full)}
        last = full.rsplit(".", 1)[-1]
        if ":" in last:
            built["sliceName"] = last.split(":")[1]
        if self.sliced_by:
            built["slicing"] = {
                "discriminator": [{"type": "pattern", "path": self.sliced_by}],
                "ordered": False,
                "rules": "closed" if self.closed else "open",
            }
        if self.why:
            built["short"] = self.why
        if self.cardinality:
            low, high = self.cardinality.split("..")
            built |= {"min": int(low), "max": high}
        if self.types or self.targets:
            built["type"] = self._types()
        if self.fixed:
            built[f"fixed{_suffix(self.fixed[0])}"] = self.fixed[1]
        if self.pattern:
            built[f"pattern{_suffix(self.pattern[0])}"] = self.pattern[1]
        if self.rules:
            built["constraint"] = [
                {"key": r.key, "severity": "error", "human": r.human, "expression": r.expression} for r in self.rules
            ]
        if self.path and self.cardinality != "0..0":
            built["mustSupport"] = True
        if self.value_set:
            built["binding"] = {"strength": "required", "valueSet": value_set_url(self.value_set)}
        return built

    def _types(self) -> list[Resource]:
        if self.targets:
            return [{"code": "Reference", "targetProfile": [f"{_CORE}/{t}" for t in self.targets]}]
        return [{"code": t} for t in self.types]


@dataclass(frozen=True)
class Profile:
    """One StructureDefinition: what a resource of `kind` must look like to mean what the title says."""

    id: str
    kind: str
    title: str
    description: str
    elements: tuple[Element, ...]
    rules: tuple[Rule, ...] = field(default=())

    @property
    def url(self) -> str:
        """The canonical URL."""
        return f"{BASE}/StructureDefinition/{self.id}"

    @property
    def all_elements(self) -> tuple[Element, ...]:
        """The elements, led by the resource itself when it carries invariants."""
        return (Element("", rules=self.rules), *self.elements) if self.rules else self.elements

    def definition(self) -> Resource:
        """The StructureDefinition with its differential."""
        return {
            "resourceType": "StructureDefinition",
            "id": self.id,
            "url": self.url,
            "version": VERSION,
            "name": computable_name(self.id),
            "title": self.title,
            "status": "active",
            "experimental": False,
            "description": self.description,
            "fhirVersion": "4.0.1",
            "kind": "resource",
            "abstract": False,
            "type": self.kind,
            "baseDefinition": f"{_CORE}/{self.kind}",
            "derivation": "constraint",
            "differential": {"element": [e.definition(self.kind) for e in self.all_elements]},
        }


def computable_name(identifier: str) -> str:
    """`test-order` as `AirwayRelayTestOrder`."""
    return "AirwayRelay" + "".join(part.capitalize() for part in identifier.split("-"))


def value_set_url(name: str) -> str:
    """The canonical URL of one of our value sets."""
    return f"{BASE}/ValueSet/{name}"


def _suffix(kind: str) -> str:
    return _TYPES_BY_KIND.get(kind, kind)


# --- elements that many profiles share


def coded(code: Code) -> tuple[str, Resource]:
    """A pattern on a CodeableConcept: system and code, whatever else it carries."""
    return ("CodeableConcept", {"coding": [{"system": code.system, "code": code.code}]})


def is_code(code: Code | str, path: str = "code", why: str = "What the resource is about") -> Element:
    """An element that carries exactly this code; a plain string is one of our own codes."""
    return Element(path, "1..1", why, pattern=coded(local(code) if isinstance(code, str) else code))


def fixed_code(path: str, value: str, why: str) -> Element:
    """An element of type code with one value."""
    return Element(path, "1..1", why, fixed=("code", value))


def to(path: str, cardinality: str, why: str, *targets: str) -> Element:
    """A reference to resources of certain types."""
    return Element(path, cardinality, why, targets=targets)


def patient(path: str = "subject") -> Element:
    """The reference to the patient."""
    return to(path, "1..1", "The patient the case is about", "Patient")


def day_of(path: str, why: str, choice: str = "") -> Element:
    """A date known at least to the day; `choice` names the type of an element that could have others."""
    key = f"{path.removesuffix('[x]')}-day"
    rule = Rule(key, "A date is known at least to the day.", "$this.toString().length() >= 10")
    return Element(path, "1..1", why, types=(choice,) if choice else (), rules=(rule,))


def range_rule(key: str, limit: Limit, on: str) -> Rule:
    """An invariant on a number: inside the bounds of what can be at all."""
    human = f"Between {number(limit.low)} and {number(limit.high)}{_unit(limit.unit)}: {limit.why}."
    return Rule(key, human, f"{on} >= {plain(limit.low)} and {on} <= {plain(limit.high)}")


def plain(value: Decimal) -> str:
    """A decimal as FHIRPath writes it; below zero as a difference, since engines disagree on a leading minus."""
    text = format(abs(value).normalize(), "f")
    return f"(0 - {text})" if value < 0 else text


def _unit(ucum: str) -> str:
    return "" if ucum in ("1", "{score}") else f" {ucum}"


def quantity(path: str, limit: Limit, key: str, why: str, cardinality: str = "1..1") -> tuple[Element, ...]:
    """A quantity in exactly one UCUM unit, with a value inside its bounds and no comparator."""
    return (
        Element(
            path,
            cardinality,
            f"{why}, in{_unit(limit.unit)}" if _unit(limit.unit) else why,
            types=("Quantity",),
            pattern=("Quantity", {"system": UCUM, "code": limit.unit}),
            rules=(range_rule(f"{key}-range", limit, "value"),),
        ),
        Element(f"{path}.value", "1..1", "A number, not only a unit"),
        Element(f"{path}.comparator", "0..0", "An exact value, no more-than or less-than"),
    )


def whole(path: str, limit: Limit, key: str, why: str) -> Element:
    """A whole number inside its bounds."""
    return Element(path, "1..1", why, types=("integer",), rules=(range_rule(f"{key}-range", limit, "$this"),))


def parts(
    *slices: Sequence[Element], on: str = "component", by: str = "code", closed: bool = False
) -> tuple[Element, ...]:
    """The slicing entry of components, and its slices."""
    needed = sum(int(s[0].cardinality.split("..")[0]) for s in slices)
    entry = Element(on, f"{needed}..*", "Told apart by their code", sliced_by=by, closed=closed)
    return (entry, *(element for one in slices for element in one))


def part(code: Code | str, cardinality: str, why: str, *value: Element | Sequence[Element]) -> tuple[Element, ...]:
    """One component: its code and its value; paths in `value` are relative to the component."""
    held = local(code) if isinstance(code, str) else code
    name = code if isinstance(code, str) else held.display.lower().replace(" ", "-")
    inside: list[Element] = [is_code(held, "code", held.display)]
    for item in value:
        inside.extend([item] if isinstance(item, Element) else item)
    own = [replace(e, path=f"component:{name}.{e.path}") for e in inside]
    return (Element(f"component:{name}", cardinality, why), *own)


def measured(code: Code | str, cardinality: str, why: str, limit: Limit) -> tuple[Element, ...]:
    """A component with a quantity."""
    key = code if isinstance(code, str) else code.display.lower()
    return part(code, cardinality, why, quantity("value[x]", limit, key, "The value"))


def counted(code: str, cardinality: str, why: str, limit: Limit) -> tuple[Element, ...]:
    """A component with a whole number."""
    return part(code, cardinality, why, whole("value[x]", limit, code, "A whole number"))


def flagged(code: str, why: str, cardinality: str = "0..1") -> tuple[Element, ...]:
    """A component that is true or false."""
    return part(code, cardinality, why, Element("value[x]", "1..1", "True or false", types=("boolean",)))


def chosen(code: str, cardinality: str, why: str, value_set: str) -> tuple[Element, ...]:
    """A component with a code of one of our value sets."""
    return part(
        code, cardinality, why, Element("value[x]", "1..1", "The code", types=("CodeableConcept",), value_set=value_set)
    )


def worded(code: str, cardinality: str, why: str) -> tuple[Element, ...]:
    """A component with text of up to 500 characters."""
    rule = Rule(
        f"{code}-text",
        "Text of 1 to 500 characters.",
        "$this.toString().trim().length() >= 1 and $this.toString().length() <= 500",
    )
    return part(code, cardinality, why, Element("value[x]", "1..1", "In words", types=("string",), rules=(rule,)))


def dated(code: str, why: str) -> tuple[Element, ...]:
    """An optional component with a day."""
    rule = Rule(f"{code}-day", "A date is known at least to the day.", "$this.toString().length() >= 10")
    return part(code, "0..1", why, Element("value[x]", "1..1", "The day", types=("dateTime",), rules=(rule,)))


def has_part(code: str) -> str:
    """FHIRPath: the components with one of our codes."""
    return f"component.where(code.coding.where(system = '{LOCAL}' and code = '{code}').exists())"


CATEGORY = Element("category", "1..*", "Asked for by US Core")
BASED_ON = to("basedOn", "0..*", "Names the case, by its referral or CarePlan", "CarePlan", "ServiceRequest")
EFFECTIVE = day_of("effective[x]", "When it was so; decisions use what was known on their day", "dateTime")
