"""JSON text in and out without loss: decimals keep their digits, duplicate keys are refused.

FHIR decimals carry precision (12.50 is not 12.5): https://hl7.org/fhir/R4/datatypes.html#decimal
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any, Never

import msgspec
import orjson
import simplejson

from service.errors import Category, Problem, Refused, refuse
from service.fhir.json_limits import check_amount, check_shape, too_deep
from service.fhir.json_parts import is_list, is_object

_AS_GIVEN = orjson.OPT_PASSTHROUGH_DATACLASS | orjson.OPT_PASSTHROUGH_DATETIME
_DECODER = msgspec.json.Decoder(float_hook=Decimal)
TURNS = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\U000e0000-\U000e007f]")
"""Characters that turn the direction of text, or tag it, without being seen, so that a name reads as another one.

https://www.unicode.org/reports/tr9/#Directional_Formatting_Characters
"""
_CONTROLS = re.compile("[\x01-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
"""Control characters but tab and ends of line, which an R4 string does not hold (https://hl7.org/fhir/R4/datatypes.html#string)."""
MAX_DIGITS = 40


def parse(text: bytes, is_bounded: bool = True) -> dict[str, Any]:
    """The JSON object in `text`. Refused when it is not UTF-8, not JSON, not an object, or repeats a key.

    Where it `is_bounded`, as everything that others send, also when it holds more than `json_limits` allows.
    """
    if is_bounded:
        check_amount(text)
    try:
        decoded = text.decode("utf-8")
    except UnicodeDecodeError as error:
        raise refuse(Category.NOT_PARSEABLE, f"The body is not UTF-8 text (byte {error.start}).") from None
    try:
        value = simplejson.loads(
            decoded,
            parse_float=_decimal,
            parse_int=_whole,
            object_pairs_hook=_without_duplicates,
            parse_constant=_no_constant,
        )
    except simplejson.JSONDecodeError as error:
        raise refuse(
            Category.NOT_PARSEABLE,
            f"The body is not JSON: {_fault(error)} at line {error.lineno}, column {error.colno}.",
        ) from None
    except RecursionError:
        raise too_deep() from None
    if not is_object(value):
        raise refuse(Category.NOT_PARSEABLE, "The body is not a JSON object.")
    check_shape(value, is_bounded)
    if "\\u" in decoded or TURNS.search(decoded) or _CONTROLS.search(decoded):
        kind = value.get("resourceType")
        _check_characters(value, kind if isinstance(kind, str) and kind.isascii() and kind.isalpha() else "")
    return value


def _fault(error: simplejson.JSONDecodeError) -> str:
    """What the parser found, without the marks it leaves for values."""
    text = error.msg.replace("%r", "").removesuffix(" at").replace("  ", " ").strip()
    return f"{text[0].lower()}{text[1:]}" if text else "something else"


def write(value: Any) -> str:
    """`value` as compact JSON text; Decimals keep every digit."""
    return _written(value, sort_keys=False)


def write_pretty(value: Any) -> str:
    """`value` as JSON text for people to read."""
    return simplejson.dumps(value, use_decimal=True, ensure_ascii=False, indent=2)


def write_canonical(value: Any) -> str:
    """`value` as compact JSON text with sorted keys: equal content gives equal text."""
    return _written(value, sort_keys=True)


def _written(value: Any, sort_keys: bool) -> str:
    try:
        return orjson.dumps(value, _number, _AS_GIVEN | (orjson.OPT_SORT_KEYS if sort_keys else 0)).decode()
    except orjson.JSONEncodeError:  # whole numbers beyond 64 bits, and what is no JSON at all
        return simplejson.dumps(value, use_decimal=True, ensure_ascii=False, separators=(",", ":"), sort_keys=sort_keys)


def _number(value: Any) -> orjson.Fragment:
    if isinstance(value, Decimal) and value.is_finite():
        return orjson.Fragment(str(value))
    raise TypeError


def load(text: str) -> Any:
    """JSON text of our own making, with Decimals."""
    return _DECODER.decode(text)


def _without_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        seen: set[str] = set()
        twice = [k for k, _ in pairs if k in seen or seen.add(k)]
        raise Refused(
            Problem(Category.NOT_PARSEABLE, f"The key «{twice[0]}» stands twice in one JSON object.", twice[0])
        )
    return found


def _no_constant(name: str) -> Never:
    raise refuse(Category.NOT_PARSEABLE, f"{name} is not a JSON number.")


def _decimal(text: str) -> Decimal:
    value = Decimal(text)
    if len(text) > MAX_DIGITS or abs(int(value.as_tuple().exponent)) > MAX_DIGITS:
        raise _too_long(text)
    return value


def _whole(text: str) -> int:
    if len(text) > MAX_DIGITS:
        raise _too_long(text)
    return int(text)


def _too_long(text: str) -> Refused:
    return refuse(Category.NOT_PARSEABLE, f"The number {text[:20]} is too long or too large to be a measured value.")


def _check_characters(value: Any, path: str) -> None:
    """Text may hold what is none (the null character, halves of surrogate pairs), or what makes it read otherwise."""
    if is_object(value):
        for key, held in value.items():
            _check_characters(key, path)
            _check_characters(held, f"{path}.{key}".removeprefix("."))
    elif is_list(value):
        for index, held in enumerate(value):
            _check_characters(held, f"{path}[{index}]")
    elif isinstance(value, str) and any(c == "\x00" or "\ud800" <= c <= "\udfff" for c in value):
        raise refuse(Category.NOT_PARSEABLE, "The text holds a character that is none (\\u0000 or half a pair).", path)
    elif isinstance(value, str) and (found := TURNS.search(value) or _CONTROLS.search(value)):
        does = "is a control character" if _CONTROLS.match(found[0]) else "turns the direction of text unseen"
        sentence = f"The text holds U+{ord(found[0]):04X}, which {does}; leave it out."
        raise refuse(Category.INVALID, sentence, path)
