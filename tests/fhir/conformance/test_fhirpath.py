"""The translated part of FHIRPath, against what the specification says and what the library answers.

http://hl7.org/fhirpath/N1/; that both agree on everything the service emits is in `tests/reference/`.
"""

from __future__ import annotations

import contextlib
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.conformance import fhirpath_library
from service.fhir.conformance.fhirpath import Expression, NoAnswer, compiled
from service.fhir.conformance.moments import compare

RESOURCE: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"coding": [{"system": "urn:a:1", "code": "x"}, {"system": "urn:a:1", "code": "y"}], "text": "It's"},
    "effectiveDateTime": "2026-10-04",
    "issued": "2026-10-04T12:00:00Z",
    "valueQuantity": {"value": Decimal("2.50"), "unit": "mm"},
    "note": [{"text": "one"}, {"text": "two"}],
    "contained": [{"resourceType": "Patient", "id": "p", "active": True}, {"resourceType": "Group", "id": "g"}],
    "derivedFrom": [{"reference": "Observation/1/_history/2"}, {"reference": "Observation/2/_history/1"}],
}
TRUE = [
    "status = 'final'", "status != 'amended'", "code.coding.count() = 2", "code.coding.where(code = 'x').exists()",
    "code.coding.exists(code = 'y')", "code.coding.where(code = 'z').empty()", "code.coding.all(system = 'urn:a:1')",
    "value.value >= 2.5 and value.value < 3", "value.value > (0 - 1)", "value.value + 1 = 3.5", "value.value - 1 = 1.5",
    "effective < issued.toString() or true", "effective.toString().length() >= 10", "code.text = 'It\\'s'",
    "status = 'final' implies value.exists()", "status = 'amended' implies method.exists()", "(1 = 2) xor (1 = 1)",
    "iif(status = 'final', value.exists(), false)", "iif(effective < '2026-10-03', false, true)", "note.text.isDistinct()",
    "note.first().text = 'one'", "note.last().text = 'two'", "note.text.count() = note.text.distinct().count()",
    "contained.ofType(Patient).active", "contained.ofType(Patient).count() = 1", "method.exists().not()",
    "derivedFrom.reference.all($this.contains('/_history/'))", "derivedFrom.reference.where($this.startsWith('Observation/1')).exists()",
    "(derivedFrom.reference | note.text).count() = 4", "status in ('final' | 'amended')", "status.startsWith('fin') and status.endsWith('al')",
    "%resource.status = 'final'", "status.matches('^f.*l$')", "note.select(text).count() = 2", "status.hasValue()",
    "status & 'ly' = 'finally'", "note.trace('note').exists()", "value.unit.length() = 2", "true", "code.coding.code.intersect(code.coding.code).count() = 2",
]  # fmt: skip
NOT_TRUE = [
    "status = 'amended'", "method.text = 'x'", "method.text != 'x'", "method.text > 1", "value.value > 3", "method.text.length() > 0",
    "method.exists() and status = 'final'", "method.text = 'x' or method.text = 'y'", "code.coding.all(code = 'x')", "note.text.count() > 2",
    "derivedFrom.reference.all($this.endsWith('/1'))", "iif(method.text = 'x', true, false)", "false", "method.hasValue()",
    "contained.ofType(Practitioner).exists()", "'final' in method.text", "(method.text = 'x') xor true",
]  # fmt: skip
NO_ANSWER = [
    "note.text > 1",
    "status > 1",
    "note.text and status = 'final'",
    "note.text.length() > 0",
    "note.text.startsWith('o')",
]


@pytest.mark.parametrize(("text", "answer"), [(t, True) for t in TRUE] + [(t, False) for t in NOT_TRUE])
def test_an_expression_is_true_or_not(text: str, answer: bool) -> None:
    expression = Expression(text)
    assert expression.is_translated
    assert expression.holds(RESOURCE, RESOURCE) is answer


@pytest.mark.parametrize(
    "text", [t for t in TRUE + NOT_TRUE if not {"effective <", "effective < '"} & {t[:11], t[4:17]}]
)
def test_the_library_says_the_same(text: str) -> None:
    answer = fhirpath_library.evaluate(text, RESOURCE, RESOURCE, "")
    assert (answer == [True]) is (text in TRUE)


@pytest.mark.parametrize("text", NO_ANSWER)
def test_what_cannot_be_evaluated_has_no_answer(text: str) -> None:
    with pytest.raises(NoAnswer):
        Expression(text).holds(RESOURCE, RESOURCE)


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("value is Quantity", True),
        ("value is string", False),
        ("code.descendants().exists()", True),
        ("children().where(reference.exists()).count() = 2", True),
        ("code.coding[1].code = 'y'", True),
        ("note.text.resolve().empty()", True),
        ("-1 < value.value", True),
        ("status.upper() = 'FINAL'", True),
    ],
)
def test_what_is_not_translated_is_left_to_the_library(text: str, answer: bool) -> None:
    expression = Expression(text)
    assert not expression.is_translated
    assert expression.holds(RESOURCE, RESOURCE) is answer


@pytest.mark.parametrize(
    "text", ["status =", "status = 'final' final", "status.memberOf('urn:x')", "", ")", "a..b", "'open"]
)
def test_what_is_no_fhirpath_is_not_compiled(text: str) -> None:
    with pytest.raises(NoAnswer):
        compiled(text)


@pytest.mark.parametrize(
    ("value", "text", "answer"),
    [
        (5, "$this > 4", True),
        ("x", "$this = 'x'", True),
        (True, "$this", True),
        (False, "$this", False),
        ("x", "$this > 4", None),
        ({"value": 5}, "value > 4", True),
        (None, "$this > 4", False),
    ],
)
def test_the_value_itself(value: Any, text: str, answer: bool | None) -> None:
    if answer is None:
        with pytest.raises(NoAnswer):
            Expression(text).holds(value, RESOURCE)
    else:
        assert Expression(text).holds(value, RESOURCE) is answer


MOMENTS: list[tuple[str, str, int | None]] = [
    ("2026", "2027", -1), ("2026-10", "2026-09", 1), ("2026-10-04", "2026-10-04", 0),
    ("2026", "2026-01", None), ("2026-10-04", "2026-10-04T00:00:00Z", None), ("2026-10-04", "2026-10-05T00:00:00Z", -1),
    ("2026-10-04T12:00:00Z", "2026-10-04T14:00:00+02:00", 0), ("2026-10-04T23:30:00-01:00", "2026-10-05T00:31:00Z", -1),
    ("2026-10-04T12:00:00.5Z", "2026-10-04T12:00:00Z", 1),
]  # fmt: skip


@pytest.mark.parametrize(("first", "second", "order"), MOMENTS)
def test_moments_in_order(first: str, second: str, order: int | None) -> None:
    """http://hl7.org/fhirpath/N1/#comparison: different precision gives no answer unless a common part differs."""
    assert compare(first, second) == order
    assert compare(second, first) == (None if order is None else -order)


@given(st.text(alphabet="abc.()'=<>|&$%this $ whereexists\n\\0123", max_size=30))
def test_any_text_is_compiled_or_is_none(text: str) -> None:
    try:
        expression = compiled(text)
    except NoAnswer:
        return
    with contextlib.suppress(NoAnswer):
        assert expression.holds(RESOURCE, RESOURCE) in (True, False)
