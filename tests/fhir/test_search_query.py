"""The text of a search as data: forms of dates, tokens and references, escapes, modifiers, limits, and refusals.

Examples follow the rules of https://hl7.org/fhir/R4/search.html.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Category, Refused
from service.fhir.search_conditions import (
    Chain,
    Contains,
    Has,
    Ids,
    Include,
    Key,
    Missing,
    Order,
    Part,
    Prefix,
    Range,
    Sort,
    Where,
)
from service.fhir.search_dates import FIRST, LAST, range_of, range_of_element
from service.fhir.search_query import search_of
from service.fhir.search_values import Value, short, values_of

NOW = datetime(2026, 11, 20, tzinfo=UTC)
BASE = "https://relay.test/fhir"


def one(kind: str, name: str, value: str) -> Any:
    (condition,) = search_of(kind, [(name, value)], BASE, NOW, strict=True).conditions
    return condition


def refused(kind: str, *pairs: tuple[str, str], strict: bool = False) -> list[str]:
    with pytest.raises(Refused) as error:
        search_of(kind, pairs, BASE, NOW, strict)
    assert {p.category for p in error.value.problems} == {Category.BAD_QUERY}
    return [p.message for p in error.value.problems]


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("2026", "2026-01-01T00:00:00.000000", "2027-01-01T00:00:00.000000"),
        ("2026-12", "2026-12-01T00:00:00.000000", "2027-01-01T00:00:00.000000"),
        ("2024-02", "2024-02-01T00:00:00.000000", "2024-03-01T00:00:00.000000"),
        ("2024-02-29", "2024-02-29T00:00:00.000000", "2024-03-01T00:00:00.000000"),
        ("2026-10-04T21:30", "2026-10-04T21:30:00.000000", "2026-10-04T21:31:00.000000"),
        ("2026-10-04T21:30:15Z", "2026-10-04T21:30:15.000000", "2026-10-04T21:30:16.000000"),
        ("2026-10-04T00:30:00+02:00", "2026-10-03T22:30:00.000000", "2026-10-03T22:30:01.000000"),
        ("2026-10-04T23:30:00-02:00", "2026-10-05T01:30:00.000000", "2026-10-05T01:30:01.000000"),
        ("2026-10-04T21:30:15.25Z", "2026-10-04T21:30:15.250000", "2026-10-04T21:30:15.260000"),
        ("2026-10-04T21:30:15.123456789Z", "2026-10-04T21:30:15.123456", "2026-10-04T21:30:15.123457"),
        ("9999", "9999-01-01T00:00:00.000000", LAST),
        ("9999-12-31", "9999-12-31T00:00:00.000000", LAST),
        ("0001-01-01T00:00:00+14:00", FIRST, FIRST),
    ],
)
def test_a_date_covers_all_it_does_not_rule_out(text: str, start: str, end: str) -> None:
    assert range_of(text) == (start, end)


@pytest.mark.parametrize(
    "text",
    ["", "26", "2026-13", "2026-02-30", "2026-1-1", "2026-10-04T25:00", "2026-10-04T21:30:00+25:00", "x", "٢٠٢٦"],
)
def test_what_is_no_date(text: str) -> None:
    with pytest.raises(ValueError, match=r"a date such as|day of the calendar|offset from UTC"):
        range_of(text)


def test_periods_and_timings_cover_from_first_to_last() -> None:
    assert range_of_element({"start": "2026-10"}) == ("2026-10-01T00:00:00.000000", LAST)
    assert range_of_element({"end": "2026-10"}) == (FIRST, "2026-11-01T00:00:00.000000")
    events = {"event": ["2026-10-02", "2026-10-01"]}
    assert range_of_element(events) == ("2026-10-01T00:00:00.000000", "2026-10-03T00:00:00.000000")
    bounds = {"repeat": {"boundsPeriod": {"start": "2026", "end": "2026"}}}
    assert range_of_element(bounds) == ("2026-01-01T00:00:00.000000", "2027-01-01T00:00:00.000000")
    for nothing in ({}, {"start": "2027", "end": "2026"}, 7, {"repeat": {"frequency": 1}}, "soon"):
        assert range_of_element(nothing) is None


@pytest.mark.parametrize(
    ("kind", "name", "value", "expected"),
    [
        ("Observation", "code", "a", Where("code", (Key("a"),))),
        ("Observation", "code", "http://s|a", Where("code", (Key("a", "http://s"),))),
        ("Observation", "code", "|a", Where("code", (Key("a", ""),))),
        ("Observation", "code", "http://s|", Where("code", (Part("http://s"),))),
        ("Observation", "code", r"a\,b,c\|d,e\\f\$", Where("code", (Key("a,b"), Key("c|d"), Key("e\\f$")))),
        ("Observation", "code:not", "a,b", Where("code", (Key("a"), Key("b")), negated=True)),
        ("Observation", "code:missing", "true", Missing("code", True)),
        ("Observation", "patient:missing", "false", Missing("subject", False, "Patient")),
        ("Observation", "patient", "x", Where("subject", (Key("x", "Patient"),))),
        ("Observation", "patient", "Group/x", Where("subject", ())),
        ("Observation", "subject", "x", Where("subject", (Key("x"),))),
        ("Observation", "subject", "Device/x", Where("subject", (Key("x", "Device"),))),
        ("Observation", "subject:Device", "x", Where("subject", (Key("x", "Device"),))),
        ("Observation", "subject", f"{BASE}/Device/x", Where("subject", (Key("x", "Device"),))),
        ("Observation", "subject", "https://y.test/Device/x", Where("subject", (Key("https://y.test/Device/x", ""),))),
        ("Observation", "subject", "Device/x/_history/3", Where("subject", (Key("x", "Device"),))),
        ("Observation", "subject:identifier", "s|v", Where("subject:identifier", (Key("v", "s"),))),
        ("QuestionnaireResponse", "questionnaire", "http://q|2", Where("questionnaire", (Key("http://q", "2"),))),
        ("Questionnaire", "url", "http://q", Where("url", (Key("http://q"),))),
        ("Patient", "name", "Émil", Where("name", (Prefix("emil"),))),
        ("Patient", "name:contains", "Mi", Where("name", (Contains("mi"),))),
        ("Patient", "name:exact", "Émil", Where("name", (Key("emil", "Émil"),))),
        ("Patient", "_id", "a,b,a", Ids(("a", "b"))),
        ("Observation", "patient.identifier", "s|v", Chain("subject", "Patient", Where("identifier", (Key("v", "s"),)))),
        ("Task", "focus:ServiceRequest.status", "active", Chain("focus", "ServiceRequest", Where("status", (Key("active"),)))),
        ("Patient", "_has:Observation:patient:code", "a", Has("Observation", "subject", Where("code", (Key("a"),)))),
    ],
)  # fmt: skip
def test_what_a_parameter_means(kind: str, name: str, value: str, expected: Any) -> None:
    assert one(kind, name, value) == expected


def test_prefixes_of_dates_and_a_plus_that_a_form_made_a_space() -> None:
    for prefix in ("eq", "ne", "lt", "le", "gt", "ge", "sa", "eb"):
        assert one("Observation", "date", f"{prefix}2026") == Where("date", (Range(prefix, *range_of("2026")),))
    assert one("Observation", "date", "2026-10-04T00:30:00 02:00").tests[0].start == "2026-10-03T22:30:00.000000"
    about = one("Observation", "date", "ap2026-11-10").tests[0]
    assert (about.start, about.end) == ("2026-11-09T02:24:00.000000", "2026-11-11T21:36:00.000000")


def test_how_results_come() -> None:
    pairs = [
        ("_count", "7"),
        ("_sort", "-date"),
        ("_include", "Observation:subject:Device"),
        ("_include", "Observation:patient"),
        ("_revinclude", "Provenance:target"),
        ("_elements", "status, code"),
        ("_total", "none"),
        ("_format", "json"),
    ]
    search = search_of("Observation", pairs, BASE, NOW, strict=True)
    assert (search.count, search.sort, search.elements) == (7, Sort(Order.DATE, True, "date"), ("status", "code"))
    assert search.includes == [
        Include("Observation", "subject", "Device"),
        Include("Observation", "subject", "Patient"),
    ]
    assert search.reverse_includes == [Include("Provenance", "target")]
    assert search.conditions == []
    assert search.without_total
    for counting in (("_count", "0"), ("_summary", "count")):
        assert search_of("Patient", [counting], BASE, NOW).only_count


@pytest.mark.parametrize(
    ("kind", "name", "value", "words"),
    [
        ("Observation", "code:text", "a", "«text» is not served"),
        ("Observation", "code:in", "a", "«in» is not served"),
        ("Observation", "date:exact", "2026", "«exact» is not served"),
        ("Observation", "code:missing", "maybe", "true or false"),
        ("Observation", "date", "soon", "a date such as"),
        ("Observation", "date", "zz2026", "a date such as"),
        ("Observation", "code", "a,,b", "empty"),
        ("Observation", "code", "", "empty"),
        ("Observation", "code", "|", "beside |"),
        ("Observation", "code", "a\\x", "after \\ stands"),
        ("Observation", "code", ",".join("abc" * 20), "at most 50"),
        ("Observation", "code", "a" * 1001, "1000 characters"),
        ("Observation", "subject:Device", "Patient/x/y z", "an id is needed"),
        ("Observation", "patient.organization.name", "x", "one step"),
        ("Observation", "code.text", "x", "only a reference"),
        ("Observation", "subject.nothing", "x", "no parameter of what"),
        ("Task", "focus.status", "active", "say which type"),
        ("Patient", "_has:Observation:code:status", "x", "no reference"),
        ("Patient", "_has:Observation:patient", "x", "in one step"),
        ("Patient", "_has:Observation:patient:nothing", "x", "not searched by"),
        ("Patient", "_has:Observation:patient:_has:Provenance:target:agent", "x", "in one step"),
        ("Observation", "_count", "201", "whole number"),
        ("Observation", "_count", "-1", "whole number"),
        ("Observation", "_sort", "code", "sorted by one of"),
        ("Observation", "_sort", "date,_id", "sorted by one of"),
        ("Observation", "_summary", "text", "only count"),
        ("Observation", "_total", "accurate", "only none"),
        ("Observation", "_elements", ",", "names of elements"),
        ("Observation", "_include", "Observation:code", "is none of"),
        ("Observation", "_include", "*", "is none of"),
        ("Observation", "_include:iterate", "Observation:subject", "not served"),
        ("Observation", "_include", "Observation:patient:Device", "does not lead"),
        ("Observation", "_revinclude", "Observation:patient", "is none of"),
        ("Observation", "_revinclude", "Provenance:target:Task", "takes back only"),
        ("Observation", "_id:not", "x", "not served here"),
        ("Patient", "name", "\u0301", "a letter or figure"),
    ],
)  # fmt: skip
def test_what_is_refused_with_the_parameter_named(kind: str, name: str, value: str, words: str) -> None:
    (sentence,) = refused(kind, (name, value))
    assert words in sentence
    assert sentence.startswith(name[:80])


def test_every_problem_comes_at_once() -> None:
    assert len(refused("Observation", ("date", "x"), ("code:text", "x"), ("_count", "x"))) == 3
    assert len(refused("Observation", ("date", "x"), ("colour", "x"), strict=True)) == 2
    assert "at most 10" in refused("Observation", *[("_include", "Observation:subject")] * 11)[0]
    assert "30 parameters" in refused("Observation", *[("code", "x")] * 31)[0]


def test_an_unknown_parameter_is_ignored_and_named_or_refused() -> None:
    pairs = [("colour", "red"), ("code", "a"), ("_text", "x"), ("colour:exact", "x"), ("shade.name", "x")]
    search = search_of("Observation", pairs, BASE, NOW)
    assert search.ignored == ["colour", "_text", "colour:exact", "shade.name"]
    assert search.understood == [("code", "a")]
    assert len(refused("Observation", *pairs, strict=True)) == 4


@given(
    name=st.one_of(st.text(max_size=30), st.sampled_from(["code", "date", "subject", "_has:Observation:patient:date"])),
    value=st.text(max_size=60),
)
def test_no_text_whatever_breaks_the_reading(name: str, value: str) -> None:
    for kind in ("Observation", "Patient"):
        categories: set[Category] = set()
        try:
            search_of(kind, [(name, value)], BASE, NOW)
        except Refused as error:
            categories = {p.category for p in error.problems}
        assert categories <= {Category.BAD_QUERY}


def test_values_of_a_resource() -> None:
    body = {
        "resourceType": "Observation",
        "id": "x",
        "status": "final",
        "code": {"coding": [{"system": "s", "code": "a"}, {"code": "b"}]},
        "category": [{"text": "no coding"}],
        "subject": {"reference": "Patient/p/_history/2", "identifier": {"system": "i", "value": "7"}},
        "performer": [{"reference": "#inside"}, {"display": "somebody"}],
        "effectivePeriod": {"start": "2026-10-01", "end": "2026-10-02"},
        "derivedFrom": [{"reference": "https://y.test/Observation/1"}],
    }
    assert set(values_of(body)) == {
        Value("status", "final", "http://hl7.org/fhir/observation-status"),
        Value("code", "a", "s"),
        Value("code", "b", ""),
        Value("category", ""),
        Value("subject", "p", "Patient"),
        Value("subject:identifier", "7", "i"),
        Value("performer", ""),
        Value("date", "2026-10-01T00:00:00.000000", "", "2026-10-03T00:00:00.000000"),
        Value("derived-from", "https://y.test/Observation/1", ""),
    }
    event = {
        "resourceType": "AuditEvent",
        "id": "x",
        "entity": [{"what": {"reference": f"{k}/1"}} for k in ("Patient", "Task")],
    }
    assert {v for v in values_of(event) if v.param == "patient"} == {Value("patient", "1", "Patient")}


def test_a_text_longer_than_the_index_is_still_compared_whole() -> None:
    long, other = "x" * 300, "x" * 299 + "y"
    assert len(short(long)) == 256
    assert short(long) != short(other)
    assert short("x" * 256) == "x" * 256
