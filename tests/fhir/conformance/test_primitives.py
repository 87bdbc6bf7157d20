"""Primitive datatypes against the forms of R4 (https://hl7.org/fhir/R4/datatypes.html#primitive, column «Regex»)."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.conformance.base import definitions
from service.fhir.conformance.primitives import OF_JSON, Primitive, primitive

FORMS = {
    name: held["nodes"][name]["elements"]["value"].get("form", "")
    for name, held in definitions()["types"].items()
    if held["kind"] == "primitive-type"
}
STRICTER = {"base64Binary", "code", "oid", "uri", "url", "canonical", "date", "dateTime", "instant"}
"""Types of which the text of R4 or the reference validator asks more than the regular expression."""


def made(name: str) -> Primitive:
    return primitive(name, FORMS[name])


RIGHT: list[tuple[str, Any]] = [
    ("boolean", True), ("boolean", False),
    ("integer", 0), ("integer", -2147483648), ("integer", 2147483647),
    ("unsignedInt", 0), ("positiveInt", 1),
    ("decimal", 1), ("decimal", Decimal("12.50")), ("decimal", Decimal("-1E+3")),
    ("string", "x"), ("string", " x\ty\n"), ("string", "\u00a0"), ("markdown", "# x"),
    ("code", "a"), ("code", "a b"),
    ("id", "A-z.9"), ("id", "x" * 64),
    ("uri", "urn:x"), ("uri", "relative"), ("url", "https://a.example/b?c=d#e"), ("canonical", "https://a.example|1"), ("canonical", "#inside"),
    ("oid", "urn:oid:1.2.3.4"), ("oid", "urn:oid:2.16.840.1.113883.4.1"), ("uri", "urn:oid:1.2.3.4"),
    ("uuid", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"),
    ("base64Binary", "aGVsbG8="), ("base64Binary", "aGVsbG8h"), ("base64Binary", "aA=="),
    ("date", "2026"), ("date", "2026-10"), ("date", "2026-10-04"), ("date", "2024-02-29"),
    ("dateTime", "2026"), ("dateTime", "2026-10-04"), ("dateTime", "2026-10-04T21:30:00Z"), ("dateTime", "2026-10-04T21:30:60.123+14:00"),
    ("instant", "2026-10-04T21:30:00.5-05:00"),
    ("time", "00:00:00"), ("time", "23:59:60.5"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "value"), RIGHT)
def test_a_value_of_the_type(name: str, value: Any) -> None:
    assert made(name).fault(value) == ""


WRONG: list[tuple[str, Any]] = [
    ("boolean", "true"), ("boolean", 1), ("boolean", None),
    ("integer", "1"), ("integer", Decimal("1.0")), ("integer", True), ("integer", 2147483648), ("integer", -2147483649),
    ("unsignedInt", -1), ("positiveInt", 0), ("positiveInt", 2147483648),
    ("decimal", "1"), ("decimal", True), ("decimal", []),
    ("string", 1), ("string", ""), ("string", {}), ("string", "x" * (1024 * 1024 + 1)), ("markdown", ""),
    ("code", "a  b"), ("code", " a"), ("code", "a "), ("code", "a\tb"), ("code", ""),
    ("id", "a b"), ("id", "a_b"), ("id", "x" * 65), ("id", ""),
    ("uri", "a b"), ("url", "https://a b"), ("canonical", "relative"), ("canonical", "a b"),
    ("oid", "1.2.3.4"), ("oid", "urn:oid:3.1.2"), ("oid", "urn:oid:1.02.3"), ("oid", "urn:oid:1.2"), ("uri", "urn:oid:1.x"),
    ("uuid", "c757873d-ec9a-4326-a141-556f43239520"), ("uuid", "urn:uuid:C757873D-EC9A-4326-A141-556F43239520"), ("uri", "urn:uuid:1"),
    ("base64Binary", "aGVsbG8"), ("base64Binary", "aG==bG8="), ("base64Binary", "aGVs bG8="), ("base64Binary", "ä==="),
    ("date", "2026-1"), ("date", "2026-13"), ("date", "2026-02-29"), ("date", "2026-10-04T00:00:00Z"), ("date", "0000"), ("date", "26"), ("date", 2026),
    ("dateTime", "2026-10-04T21:30:00"), ("dateTime", "2026-10-04T21:30Z"), ("dateTime", "2026-10-04T24:00:00Z"), ("dateTime", "2026-02-30T10:00:00Z"), ("dateTime", "2026-10-04T10:00:00+14:30"), ("dateTime", "2026-10-04 10:00:00Z"),
    ("instant", "2026-10-04"), ("instant", "2026-10-04T21:30:00"),
    ("time", "24:00:00"), ("time", "10:00"), ("time", "10:00:00Z"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "value"), WRONG, ids=lambda v: str(v)[:40])
def test_a_value_that_is_none(name: str, value: Any) -> None:
    fault = made(name).fault(value)
    assert fault.endswith(".")
    assert fault[0].isupper() or fault[0] == "«"


def test_every_primitive_type_of_r4_is_in_the_tables() -> None:
    assert {name for name, _ in RIGHT} == {name for name, _ in WRONG} == FORMS.keys() - {"xhtml"}


@pytest.mark.parametrize(
    "name", sorted(FORMS.keys() - {"xhtml", "boolean", "integer", "decimal", "unsignedInt", "positiveInt"})
)
def test_text_is_judged_by_the_form_that_r4_gives(name: str) -> None:
    """No text outside the form is taken; inside it, only the stricter types refuse any."""
    form = re.compile(FORMS[name], re.ASCII)

    @given(st.one_of(st.text(max_size=30), st.from_regex(form, fullmatch=True)))
    def judge(text: str) -> None:
        matches = form.fullmatch(text) is not None
        taken = made(name).fault(text) == ""
        assert matches or not taken or name == "base64Binary"
        assert taken or not matches or name in STRICTER

    judge()


@given(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.decimals(),
        st.text(),
        st.lists(st.none()),
        st.dictionaries(st.text(), st.none()),
    )
)
def test_any_value_has_a_sentence_or_none(value: Any) -> None:
    for name in FORMS:
        assert isinstance(made(name).fault(value), str)


@pytest.mark.parametrize(("name", "value"), [("string", 1), ("integer", "1"), ("decimal", "1"), ("boolean", "x")])
def test_another_json_type_is_told_apart_from_another_value(name: str, value: Any) -> None:
    assert made(name).fault(value) in OF_JSON
