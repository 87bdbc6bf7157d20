"""The text of a search as a `Search`, or refused with everything that is wrong with it.

https://hl7.org/fhir/R4/search.html. A parameter that is not known is ignored and named, or refused when the client asks
for strict handling; a value, modifier or chain that cannot be understood is refused always.
"""

from __future__ import annotations

from datetime import datetime

from service.errors import Category, Problem, Refused
from service.fhir.search_conditions import Chain, Condition, Has, Ids, Include, Order, Pairs, Search, Sort, Updated
from service.fhir.search_parameters import (
    PARAMETERS,
    RESOURCE_PARAMETERS,
    Kind,
    Parameter,
    includes_of,
    reverse_includes_of,
)
from service.fhir.search_text import alternatives, condition_of, ids_of, ranges_of

PAGE, LARGEST_PAGE = 50, 200
MOST_PARAMETERS, MOST_INCLUDES = 30, 10
TOKEN = "_page"
"""The parameter of our own that continues a search from the page before."""

_IGNORABLE = frozenset({"_format", "_pretty"})


class _Unknown(Exception):
    """A parameter that is not known."""


def search_of(kind: str, pairs: Pairs, base: str, now: datetime, strict: bool = False) -> Search:
    """The search that `pairs` of name and value ask for. `base` is the address of this server's FHIR base."""
    search = Search(kind)
    problems: list[Problem] = []
    if len(pairs) > MOST_PARAMETERS:
        raise Refused(_problem(f"A search may have {MOST_PARAMETERS} parameters; this one has {len(pairs)}.", ""))
    for name, value in pairs:
        try:
            if not _control(search, name, value):
                search.conditions.append(_condition(kind, name, value, base, now))
            search.understood.append((name, value))
        except _Unknown:
            search.ignored.append(name[:80])
        except ValueError as error:
            problems.append(_problem(f"{name[:80]}: {error}.", name))
    if strict:
        known = ", ".join(sorted(PARAMETERS[kind]))
        problems += [_problem(f"{kind} is not searched by «{n}»; by {known}.", n) for n in search.ignored]
    if problems:
        raise Refused(problems)
    return search


def _problem(sentence: str, name: str) -> Problem:
    return Problem(Category.BAD_QUERY, sentence, name[:80])


def _control(search: Search, name: str, value: str) -> bool:
    """Take a parameter that says how results come, not which; False when it is none of those."""
    base_name, _, modifier = name.partition(":")
    if base_name in ("_include", "_revinclude"):
        _include(search, base_name, modifier, value)
    elif name == "_count":
        search.count = _whole(value)
        search.only_count = search.only_count or search.count == 0
    elif name == "_sort":
        search.sort = _sort(search.type, value)
    elif name == "_summary":
        if value not in ("count", "false"):
            raise ValueError(f"only count (and false) is served, not «{value[:40]}»")
        search.only_count = search.only_count or value == "count"
    elif name == "_elements":
        search.elements = tuple(part.strip() for part in value.split(",") if part.strip())
        if not search.elements:
            raise ValueError("names of elements are needed, such as id,status")
    elif name == "_total":
        if value != "none":
            raise ValueError(f"only none is served, not «{value[:40]}»; _summary=count counts")
        search.without_total = True
    elif name == TOKEN:
        search.token = value
    else:
        return name in _IGNORABLE
    return True


def _whole(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text[:9]) > LARGEST_PAGE:
        raise ValueError(f"a whole number from 0 to {LARGEST_PAGE} is needed")
    return int(text)


def _sort(kind: str, value: str) -> Sort:
    descending, name = value.startswith("-"), value.removeprefix("-")
    if name == "_id":
        return Sort(Order.ID, descending)
    if name == "_lastUpdated":
        return Sort(Order.UPDATED, descending)
    parameter = PARAMETERS[kind].get(name)
    if parameter is None or parameter.kind is not Kind.DATE:
        dates = sorted(p.name for p in PARAMETERS[kind].values() if p.kind is Kind.DATE)
        raise ValueError(f"results are sorted by one of _id, {', '.join(['_lastUpdated', *dates])}, with - downwards")
    return Sort(Order.DATE, descending, name)


def _include(search: Search, name: str, modifier: str, value: str) -> None:
    if modifier:
        raise ValueError(f"the modifier «{modifier[:40]}» is not served")
    source, _, rest = value.partition(":")
    param, _, target = rest.partition(":")
    forward = name == "_include"
    offered = includes_of(search.type) if forward else reverse_includes_of(search.type)
    if f"{source}:{param}" not in offered:
        raise ValueError(f"«{value[:80]}» is none of {', '.join(offered)}")
    parameter = PARAMETERS[source][param]
    if target and target not in (parameter.targets or PARAMETERS):
        raise ValueError(f"{source}.{param} does not lead to «{target[:40]}»")
    if not forward and target not in ("", search.type):
        raise ValueError(f"a search of {search.type} takes back only what refers to {search.type}")
    held = search.includes if forward else search.reverse_includes
    if len(held) >= MOST_INCLUDES:
        raise ValueError(f"at most {MOST_INCLUDES} are taken")
    held.append(Include(source, parameter.stored_as, target or parameter.only))


def _condition(kind: str, name: str, value: str, base: str, now: datetime) -> Condition:
    """One parameter as a condition. ValueError with what is wrong, `_Unknown` when there is no such parameter."""
    if name.startswith("_has:"):
        return _has(kind, name, value, base, now)
    head, dot, rest = name.partition(".")
    own_name, _, modifier = head.partition(":")
    if dot:
        return _chain(_known(kind, own_name), modifier, rest, value, base, now)
    if own_name in RESOURCE_PARAMETERS:
        return _of_every_type(own_name, modifier, value, now)
    return condition_of(_known(kind, own_name), modifier, value, base, now)


def _known(kind: str, name: str) -> Parameter:
    parameter = PARAMETERS[kind].get(name)
    if parameter is None:
        raise _Unknown
    return parameter


def _of_every_type(name: str, modifier: str, value: str, now: datetime) -> Condition:
    if modifier:
        raise ValueError(f"the modifier «{modifier[:40]}» is not served here")
    if name == "_id":
        return Ids(ids_of(value))
    return Updated(tuple(ranges_of(alternatives(value), now)))


def _chain(parameter: Parameter, modifier: str, rest: str, value: str, base: str, now: datetime) -> Condition:
    """`patient.identifier`, or with the type of the target `subject:Patient.identifier`."""
    if parameter.kind is not Kind.REFERENCE:
        raise ValueError("only a reference can be followed")
    if "." in rest:
        raise ValueError("a chain has one step")
    name = rest.partition(":")[0]
    targets = [t for t in (parameter.targets or PARAMETERS) if name in PARAMETERS[t] or name in RESOURCE_PARAMETERS]
    if modifier:
        targets = [t for t in targets if t == modifier]
    elif "Patient" in targets and parameter.name in ("patient", "subject"):
        targets = ["Patient"]
    if not targets:
        raise ValueError(f"«{rest[:40]}» is no parameter of what {parameter.name} leads to")
    if len(targets) > 1:
        raise ValueError(f"say which type is meant, such as {parameter.name}:{targets[0]}.{rest[:40]}")
    condition = _condition(targets[0], rest, value, base, now)
    return Chain(parameter.stored_as, targets[0], condition)


def _has(kind: str, name: str, value: str, base: str, now: datetime) -> Condition:
    """`_has:Observation:patient:code` (https://hl7.org/fhir/R4/search.html#has)."""
    parts = name.split(":", 3)
    if len(parts) < 4 or parts[3].startswith("_has:") or "." in parts[3]:
        raise ValueError("_has:Type:reference:parameter is needed, in one step")
    _, source, reference, inner = parts
    parameter = PARAMETERS.get(source, {}).get(reference)
    if parameter is None or parameter.kind is not Kind.REFERENCE or kind not in (parameter.targets or PARAMETERS):
        raise ValueError(f"{source[:40]} has no reference «{reference[:40]}» to {kind}")
    try:
        return Has(source, parameter.stored_as, _condition(source, inner, value, base, now))
    except _Unknown:
        raise ValueError(f"{source} is not searched by «{inner[:40]}»") from None
