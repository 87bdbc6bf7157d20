"""The value of one search parameter as tests: commas, escapes, prefixes, token and reference forms, modifiers.

https://hl7.org/fhir/R4/search.html#modifiers and #escaping. Every function raises ValueError with what is wrong.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import datetime

from service.fhir.search_conditions import Condition, Contains, Key, Missing, Part, Prefix, Range, Test, Where
from service.fhir.search_dates import around, range_of
from service.fhir.search_parameters import PARAMETERS, Kind, Parameter
from service.fhir.search_values import IDENTIFIER, fold, reference_key, short

MOST_VALUES, LONGEST_VALUE = 50, 1000
_PREFIX = re.compile(r"(eq|ne|lt|le|gt|ge|sa|eb|ap)?(.*)", re.ASCII | re.DOTALL)
_ID = re.compile(r"[A-Za-z0-9.\-]{1,64}", re.ASCII)
_MODIFIERS = {
    Kind.TOKEN: ("missing", "not"),
    Kind.STRING: ("missing", "exact", "contains"),
    Kind.DATE: ("missing",),
    Kind.REFERENCE: ("missing", "identifier"),
    Kind.URI: ("missing",),
}


def alternatives(value: str) -> list[str]:
    """The values between commas that are not escaped; escapes inside them stay."""
    if len(value) > LONGEST_VALUE:
        raise ValueError(f"a value may have {LONGEST_VALUE} characters")
    parts = _split(value, ",")
    if any(not part for part in parts):
        raise ValueError("a value is empty")
    if len(parts) > MOST_VALUES:
        raise ValueError(f"at most {MOST_VALUES} values are taken")
    return parts


def _split(text: str, at: str, most: int = -1) -> list[str]:
    r"""Split at a character that no `\` stands before."""
    parts, current, position = list[str](), "", 0
    while position < len(text):
        if text[position] == "\\":
            if text[position + 1 : position + 2] not in ("\\", ",", "|", "$"):
                raise ValueError(r"after \ stands one of \ , | $")
            current += text[position : position + 2]
            position += 2
            continue
        if text[position] == at and most != 0:
            parts.append(current)
            current, most = "", most - 1
        else:
            current += text[position]
        position += 1
    return [*parts, current]


def _plain(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text, flags=re.DOTALL)


def condition_of(parameter: Parameter, modifier: str, value: str, base: str, now: datetime) -> Condition:
    """A declared parameter with its modifier and value."""
    offered = _MODIFIERS[parameter.kind]
    as_type = modifier in PARAMETERS and parameter.kind is Kind.REFERENCE
    if modifier and modifier not in offered and not as_type:
        raise ValueError(f"the modifier «{modifier[:40]}» is not served; {', '.join(offered)} are")
    if modifier == "missing":
        if value not in ("true", "false"):
            raise ValueError("missing is true or false")
        return Missing(parameter.stored_as, value == "true", parameter.only)
    values = alternatives(value)
    if modifier == "identifier":
        tests = tuple(_token(text) for text in values)
        return Where(parameter.stored_as + IDENTIFIER, tests)
    if parameter.kind is Kind.REFERENCE:
        wanted = modifier if as_type else ""
        found = [t for text in values for t in _reference(parameter, _plain(text), wanted, base)]
        return Where(parameter.stored_as, tuple(found))
    tests = tuple(_tests(parameter.kind, modifier, values, now))
    return Where(parameter.stored_as, tests, negated=modifier == "not")


def _tests(kind: Kind, modifier: str, values: list[str], now: datetime) -> Iterator[Test]:
    if kind is Kind.DATE:
        yield from ranges_of(values, now)
        return
    for text in values:
        if kind is Kind.TOKEN:
            yield _token(text)
        elif kind is Kind.URI:
            yield Key(short(_plain(text)))
        else:
            yield _string(modifier, _plain(text))


def _string(modifier: str, text: str) -> Test:
    if modifier == "exact":
        return Key(fold(text), short(text))
    if not fold(text):
        raise ValueError("a letter or figure is needed")
    return Contains(fold(text)) if modifier == "contains" else Prefix(fold(text))


def _token(text: str) -> Test:
    """`code`, `system|code`, `|code` or `system|`."""
    system, *rest = _split(text, "|", 1)
    if not rest:
        return Key(short(_plain(system)))
    code = _plain(rest[0])
    if code:
        return Key(short(code), short(_plain(system)))
    if not system:
        raise ValueError("a code or a system is needed beside |")
    return Part(short(_plain(system)))


def ranges_of(values: Iterable[str], now: datetime) -> Iterator[Range]:
    """Dates with their prefixes; a space stands for the `+` that a form decodes to it."""
    for text in values:
        found = _PREFIX.fullmatch(_plain(text).replace(" ", "+"))
        assert found, "the pattern takes any text"
        start, end = range_of(found[2])
        prefix = found[1] or "eq"
        yield Range(prefix, *(around(start, end, now) if prefix == "ap" else (start, end)))


def ids_of(value: str) -> tuple[str, ...]:
    """Ids of resources."""
    return tuple(dict.fromkeys(_plain(text) for text in alternatives(value)))


def _reference(parameter: Parameter, text: str, wanted: str, base: str) -> Iterator[Key]:
    """`id`, `Type/id`, or an address; below our own base it is `Type/id`. None when it cannot be what is asked for."""
    if parameter.name == "questionnaire":
        address, _, version = text.partition("|")
        yield Key(short(address), short(version) if version else None)
        return
    only = wanted or parameter.only
    local = text.removeprefix(base + "/") if text.startswith(base + "/") else text
    value, part = reference_key(local)
    if not part and _ID.fullmatch(local):
        yield Key(local, only or None)
    elif wanted:
        raise ValueError(f"with the type in the name, an id is needed, not «{text[:80]}»")
    elif not only or part == only:
        yield Key(value, part)
