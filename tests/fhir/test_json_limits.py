"""The limits of a body, at each of their edges: what fits is taken, one more is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.errors import Category, Refused
from service.fhir.json_limits import MAX_KEY_LENGTH, MAX_KEYS, MAX_MARKS, MAX_REPETITIONS, MAX_VALUES
from service.fhir.json_text import parse


def _spread(values: int) -> dict[str, Any]:
    """An object of about so many values, none of its lists too long."""
    return {"a": [[1] * 400 for _ in range(values // 400)]}


EDGES = [
    ("values", _spread(MAX_VALUES - 1000), _spread(MAX_VALUES + 1000)),
    ("keys", {f"k{n}": 1 for n in range(MAX_KEYS)}, {f"k{n}": 1 for n in range(MAX_KEYS + 1)}),
    (
        "keys further in",
        {"a": [{f"k{n}": 1 for n in range(MAX_KEYS)}]},
        {"a": [{f"k{n}": 1 for n in range(MAX_KEYS + 1)}]},
    ),
    ("key length", {"k" * MAX_KEY_LENGTH: 1}, {"k" * (MAX_KEY_LENGTH + 1): 1}),
    ("items", {"a": [1] * MAX_REPETITIONS}, {"a": [1] * (MAX_REPETITIONS + 1)}),
    ("entries further in", {"a": {"entry": [1] * MAX_REPETITIONS}}, {"a": {"entry": [1] * (MAX_REPETITIONS + 1)}}),
    ("marks", {"a": "<" * MAX_MARKS}, {"a": "<" * MAX_MARKS + "&"}),
]


@pytest.mark.parametrize(("fits", "too_much"), [edge[1:] for edge in EDGES], ids=[edge[0] for edge in EDGES])
def test_what_fits_is_taken_and_one_more_is_refused(fits: dict[str, Any], too_much: dict[str, Any]) -> None:
    assert parse(json.dumps(fits).encode()) == fits
    text = json.dumps(too_much).encode()
    with pytest.raises(Refused) as refused:
        parse(text)
    (problem,) = refused.value.problems
    assert problem.category is Category.TOO_LARGE
    assert parse(text, is_bounded=False) == too_much


def test_commas_and_brackets_in_texts_are_no_values() -> None:
    told = {"a": "[{," * MAX_VALUES + '\\"' * 10, "b": 1}
    assert parse(json.dumps(told).encode()) == told


def test_marks_are_counted_however_they_are_spelled() -> None:
    for spelled in ("\\u003c", "\\u003C", "\\u0026", "<", "&"):
        with pytest.raises(Refused, match="tags and entities"):
            parse(b'{"a":"' + spelled.encode() * (MAX_MARKS + 1) + b'"}')


def test_a_bundle_has_a_limit_of_its_own_for_entries() -> None:
    assert len(parse(json.dumps({"entry": [1] * (MAX_REPETITIONS + 1)}).encode())["entry"]) == MAX_REPETITIONS + 1
