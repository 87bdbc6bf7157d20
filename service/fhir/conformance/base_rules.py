"""The invariants of base R4: those met often as plain functions, the others by their published FHIRPath.

Each function is true when its invariant holds; tests prove it equal to the published expression.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from service.fhir.codes import UCUM
from service.fhir.conformance import base
from service.fhir.conformance.fhirpath import NoAnswer, compiled
from service.fhir.conformance.issue import Findings, Where, not_evaluated
from service.fhir.conformance.moments import compare
from service.fhir.json_parts import is_list, is_object

_Object = dict[str, Any]
_Rule = Callable[[_Object, _Object], bool]
_VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
_BY_STRUCTURE = frozenset({"dom-3", "ref-1", "txt-1", "txt-2", "sqty-1", "dom-6"})
"""Judged with the elements, references and narrative, or only good practice (dom-6)."""


def judge(key: str, value: _Object, where: Where, root: _Object, findings: Findings) -> None:
    """Say it when an invariant of R4 does not hold. One that cannot be evaluated does not hold."""
    native = NATIVE.get(key)
    if native is not None:
        try:
            holds = native(value, root)
        except (TypeError, AttributeError, KeyError, ValueError, OverflowError):
            return  # some element has a wrong JSON type, which is said where it stands
        if not holds:
            _say(key, where, findings)
    elif key not in _BY_STRUCTURE:
        rule = base.invariant(key)
        try:
            if not compiled(rule.expression).holds(value, root):
                _say(key, where, findings)
        except NoAnswer:
            findings.wrong(where, not_evaluated(rule.human, rule.key))


def _say(key: str, where: Where, findings: Findings) -> None:
    rule = base.invariant(key)
    sentence = f"{rule.human.strip().removesuffix('.')} ({rule.key})."
    (findings.wrong if rule.severity == "error" else findings.doubtful)(where, sentence)


def has(value: _Object, name: str) -> bool:
    """Whether an element is there, by its value or by an extension on it."""
    return name in value or f"_{name}" in value


def choice(value: _Object, stem: str) -> bool:
    """Whether a choice element is there under any of its names."""
    size = len(stem)
    return any(k.lstrip("_").startswith(stem) and k.lstrip("_")[size : size + 1].isupper() for k in value)


def _list(value: _Object, name: str) -> list[Any]:
    held = value.get(name)
    return [i for i in held if is_object(i)] if is_list(held) else []


def _codings(value: _Object, name: str) -> list[Any]:
    held = value.get(name)
    return _list(held, "coding") if is_object(held) else []


def _is(codings: list[Any], system: str, *codes: str) -> bool:
    return any(c.get("system") == system and c.get("code") in codes for c in codings)


def _in_order(value: _Object, first: str, last: str) -> bool:
    """Whether one moment is not after another; moments that cannot be told apart are not in order."""
    if not (isinstance(value.get(first), str) and isinstance(value.get(last), str)):
        return True
    order = compare(value[first], value[last])
    return order is not None and order <= 0


def _obs_7(value: _Object, root: _Object) -> bool:
    if not choice(value, "value"):
        return True
    own = {_code_of(c) for c in _codings(root, "code")}
    return not any(_code_of(c) in own for part in _list(value, "component") for c in _codings(part, "code"))


def _code_of(coding: _Object) -> tuple[str, str]:
    return str(coding.get("system")), str(coding.get("code"))


def _ratio(value: _Object, _: _Object) -> bool:
    both = has(value, "numerator") == has(value, "denominator")
    return both and (has(value, "numerator") or has(value, "extension"))


def _range(value: _Object, _: _Object) -> bool:
    low, high = value.get("low"), value.get("high")
    if not (is_object(low) and is_object(high)):
        return True
    if not (_number(low.get("value")) and _number(high.get("value"))):
        return False
    return low.get("unit") == high.get("unit") and low["value"] <= high["value"]


def _number(value: Any) -> bool:
    return isinstance(value, int | Decimal | float) and not isinstance(value, bool)


def _unit(value: _Object, needed: bool) -> bool:
    """The common part of age-1, cnt-3 and dis-1: a value has a code, and a system is UCUM."""
    return (has(value, "code") or not needed) and value.get("system", UCUM) == UCUM


def _age(value: _Object, _: _Object) -> bool:
    return _unit(value, has(value, "value")) and not (_number(value.get("value")) and value["value"] <= 0)


def _count(value: _Object, _: _Object) -> bool:
    held = value.get("value")
    return _unit(value, has(value, "value")) and value.get("code", "1") == "1" and "." not in str(held)


def _without(*names: str) -> _Rule:
    return lambda value, _: not any(any(has(c, n) for n in names) for c in _list(value, "contained"))


def _contained_meta(*names: str) -> _Rule:
    return lambda value, _: (
        not any(has(c["meta"], n) for c in _list(value, "contained") if is_object(c.get("meta")) for n in names)
    )


def _needs(name: str, other: str) -> _Rule:
    return lambda value, _: not has(value, name) or has(value, other)


def _some(*names: str) -> _Rule:
    return lambda value, _: any(has(value, n) for n in names)


def _not_both(name: str, other: str) -> _Rule:
    return lambda value, _: not (has(value, name) and has(value, other))


def _one(name: str, other: str) -> _Rule:
    return lambda value, _: has(value, name) != has(value, other)


def _at_least_zero(name: str) -> _Rule:
    return lambda value, _: not has(value, name) or (_number(value.get(name)) and value[name] >= 0)


def _when(value: _Object, _: _Object) -> bool:
    when = value.get("when")
    return not has(value, "offset") or (bool(when) and not {"C", "CM", "CD", "CV"} & set(when if when else ()))


def _distinct_links(value: _Object, _: _Object) -> bool:
    links = list(_links(value))
    return len(links) == len(set(links))


def _links(value: _Object) -> Iterator[str]:
    for item in _list(value, "item"):
        if isinstance(item.get("linkId"), str):
            yield item["linkId"]
        yield from _links(item)


NATIVE: dict[str, _Rule] = {
    "dom-2": _without("contained"),
    "dom-4": _contained_meta("versionId", "lastUpdated"),
    "dom-5": _contained_meta("security"),
    "obs-3": _some("low", "high", "text"),
    "obs-6": lambda value, _: not (has(value, "dataAbsentReason") and choice(value, "value")),
    "obs-7": _obs_7,
    "per-1": lambda value, _: _in_order(value, "start", "end"),
    "Task inv-1": lambda value, _: _in_order(value, "authoredOn", "lastModified"),
    "qty-3": _needs("code", "system"),
    "rng-2": _range,
    "rat-1": _ratio,
    "age-1": _age,
    "cnt-3": _count,
    "dis-1": lambda value, _: _unit(value, has(value, "value")),
    "drt-1": lambda value, _: not has(value, "code") or (value.get("system") == UCUM and has(value, "value")),
    "att-1": _needs("data", "contentType"),
    "cpt-2": _needs("value", "system"),
    "exp-1": _some("expression", "reference"),
    "drq-1": _one("path", "searchParam"),
    "drq-2": _one("path", "searchParam"),
    "tim-1": _needs("duration", "durationUnit"),
    "tim-2": _needs("period", "periodUnit"),
    "tim-4": _at_least_zero("duration"),
    "tim-5": _at_least_zero("period"),
    "tim-6": _needs("periodMax", "period"),
    "tim-7": _needs("durationMax", "duration"),
    "tim-8": _needs("countMax", "count"),
    "tim-9": _when,
    "tim-10": _not_both("timeOfDay", "when"),
    "bdl-8": lambda value, _: "/_history/" not in str(value.get("fullUrl")),
    "sev-1": _not_both("name", "query"),
    "cpl-3": _not_both("detail", "reference"),
    "cmp-1": _some("text", "entry", "section"),
    "cmp-2": _not_both("emptyReason", "entry"),
    "con-1": _some("summary", "assessment"),
    "con-2": _some("code", "detail"),
    "con-3": lambda value, _: (
        has(value, "clinicalStatus")
        or _is(_codings(value, "verificationStatus"), _VERIFICATION, "entered-in-error")
        or not _list(value, "category")
    ),
    "con-4": lambda value, _: (
        not choice(value, "abatement")
        or _is(_codings(value, "clinicalStatus"), _CLINICAL, "resolved", "remission", "inactive")
    ),
    "con-5": lambda value, _: (
        not _is(_codings(value, "verificationStatus"), _VERIFICATION, "entered-in-error")
        or not has(value, "clinicalStatus")
    ),
    "gol-1": lambda value, _: not choice(value, "detail") or has(value, "measure"),
    "org-1": _some("identifier", "name"),
    "org-2": lambda value, _: value.get("use") != "home",
    "org-3": lambda value, _: value.get("use") != "home",
    "pat-1": _some("name", "telecom", "address", "organization"),
    "prr-1": _needs("orderDetail", "code"),
    "que-7": lambda value, _: value.get("operator") != "exists" or "answerBoolean" in value,
    "que-2": _distinct_links,
    "qrs-1": _not_both("answer", "item"),
}
"""Each invariant by its key; the resource it stands in comes second."""
