"""JSON text in and out without loss."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
import simplejson
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Category, Problem, Refused
from service.fhir.json_limits import MAX_DEPTH
from service.fhir.json_text import load, parse, write, write_canonical

DECIMALS = st.decimals(allow_nan=False, allow_infinity=False, places=4, min_value=-(10**9), max_value=10**9)
TEXTS = st.text(st.characters(exclude_categories=["Cs", "Cc", "Cf"], include_characters="\t\r\n"))
KEYS = st.text(st.characters(exclude_categories=["Cs", "Cc", "Cf"]), max_size=50)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**12), 10**12) | DECIMALS | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=20,
)
OBJECTS = st.dictionaries(KEYS, VALUES, max_size=5)


@given(OBJECTS)
def test_what_is_written_is_read_again_digit_for_digit(value: dict[str, Any]) -> None:
    again = parse(write(value).encode())
    assert again == value
    assert write(again) == write(value)
    assert load(write(value)) == value


@given(OBJECTS)
def test_what_is_written_is_what_another_library_writes(value: dict[str, Any]) -> None:
    other = simplejson.JSONEncoder(use_decimal=True, ensure_ascii=False, separators=(",", ":"))
    assert write(value) == other.encode(value)
    other.sort_keys = True
    assert write_canonical(value) == other.encode(value)


def _exactly(value: Any) -> Any:
    """A value with the type of every part, and of a number its very digits."""
    if isinstance(value, dict):
        return {key: _exactly(held) for key, held in value.items()}
    return [_exactly(held) for held in value] if isinstance(value, list) else (type(value), str(value))


@given(OBJECTS)
def test_what_is_loaded_is_what_another_library_reads(value: dict[str, Any]) -> None:
    text = write(value)
    assert _exactly(load(text)) == _exactly(simplejson.JSONDecoder(parse_float=Decimal).decode(text))


def test_whole_numbers_beyond_64_bits_and_line_separators_are_written_as_they_are() -> None:
    text = '{"n":12345678901234567890123,"t":"\u2028\\u0001"}'
    assert write(load(text)) == text


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("Infinity"), date(2026, 11, 25)])
def test_what_is_no_json_is_not_written(value: object) -> None:
    with pytest.raises((ValueError, TypeError)):
        write({"value": value})


@pytest.mark.parametrize("digits", ["12.50", "0.0", "1.000", "-0.10", "100", "3.14159265358979323846"])
def test_a_number_keeps_its_digits(digits: str) -> None:
    text = f'{{"value":{digits}}}'
    assert write(parse(text.encode())) == text


def test_one_decimal_is_no_binary_fraction() -> None:
    assert parse(b'{"value": 0.1}')["value"] == Decimal("0.1")


@given(OBJECTS)
def test_canonical_text_does_not_depend_on_the_order_of_keys(value: dict[str, Any]) -> None:
    turned = dict(reversed(list(value.items())))
    assert write_canonical(turned) == write_canonical(value)


@pytest.mark.parametrize("depth", [MAX_DEPTH - 1, MAX_DEPTH])
def test_depth_up_to_the_limit(depth: int) -> None:
    assert parse(b'{"a":' * depth + b"1" + b"}" * depth)
    with pytest.raises(Refused, match="nested deeper"):
        parse(b'{"a":' * (MAX_DEPTH + 1) + b"1" + b"}" * (MAX_DEPTH + 1))


@given(st.binary(max_size=60))
def test_any_bytes_are_an_object_or_are_refused(text: bytes) -> None:
    problems: tuple[Problem, ...] = ()
    try:
        parse(text)
    except Refused as refused:
        problems = refused.problems
    assert {p.category for p in problems} <= {Category.NOT_PARSEABLE}
    assert all(p.message.endswith(".") for p in problems)
