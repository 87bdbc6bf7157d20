"""Pages under writes: what is there throughout is found exactly once, whatever is written between two pages."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from service.errors import Category, Refused
from service.fhir.json_text import write
from service.fhir.search_query import search_of
from service.pipeline import Pipeline
from service.pipeline.searching import token_of
from service.rows import Stored
from service.store import resources
from tests.store.messages import opened_case, settled_course
from tests.store.test_search_rules import BASE, NOW

_CODES = ("x", "y")


def _observation(name: str, version: int, date: str = "2026-03-01", deleted: bool = False) -> Stored:
    body = {
        "resourceType": "Observation",
        "id": name,
        "status": "final",
        "code": {"coding": [{"code": code} for code in _CODES]},
        "subject": {"reference": "Patient/p"},
        "effectiveDateTime": date,
    }
    moment = f"2026-11-20T09:00:{version:02}.{int(name[1:]) % 1000:03}Z"
    return Stored("Observation", name, version, "", moment, "" if deleted else write(body), deleted)


def _put(pipeline: Pipeline, *rows: Stored) -> None:
    pipeline._database.write(lambda tx: resources.append_versions(tx, rows))


def _pages(pipeline: Pipeline, kind: str, query: list[tuple[str, str]], between: Callable[[int], None]) -> list[str]:
    found: list[str] = []
    token, number = "", 0
    while True:
        pairs = [*query, ("_count", "3"), *([("_page", token)] if token else [])]
        page = pipeline.search(search_of(kind, pairs, BASE, NOW, strict=True))
        found += [m.id for m in page.matches]
        token = page.following
        if not token:
            return found
        between(number)
        number += 1


_QUERIES = [
    [],
    [("code", "x")],
    [("code", "x,y")],
    [("patient", "p")],
    [("patient", "p"), ("status", "final,amended")],
    [("date", "2026")],
    [("date", "ge2025")],
    [("date", "le2027,ap2026")],
    [("_sort", "-_id")],
    [("patient", "p"), ("_sort", "-date")],
    [("code:not", "z")],
]


@pytest.mark.parametrize("query", _QUERIES, ids=lambda q: "&".join(f"{n}={v}" for n, v in q) or "all")
def test_writes_between_pages_neither_hide_nor_repeat(pipeline: Pipeline, query: list[tuple[str, str]]) -> None:
    """Resources are added before and behind, changed and deleted between the pages."""
    names = [f"o{n}" for n in range(100, 120)]
    _put(pipeline, *(_observation(n, 1) for n in names))
    gone = {"o101", "o118"}

    def between(number: int) -> None:
        _put(pipeline, _observation(f"o0{number}", 1), _observation(f"o9{number}", 1))
        _put(pipeline, _observation("o105", number + 2), _observation("o115", number + 2))
        if number == 1:
            _put(pipeline, *(_observation(n, 2, deleted=True) for n in gone))

    found = _pages(pipeline, "Observation", query, between)
    assert len(found) == len(set(found))
    assert set(names) - gone <= set(found)
    if not any(name == "_sort" for name, _ in query):
        assert "o118" not in found, "what was deleted before its page is not given"


def test_pages_in_the_order_of_time_bring_a_change_again_and_hide_nothing(pipeline: Pipeline) -> None:
    """Whoever polls by _lastUpdated sees every resource, and one that changed meanwhile again."""
    names = [f"o{n}" for n in range(100, 110)]
    _put(pipeline, *(_observation(n, 1) for n in names))

    def between(number: int) -> None:
        if number == 0:
            _put(pipeline, _observation("o100", 2), _observation("o109", 2))

    found = _pages(pipeline, "Observation", [("_lastUpdated", "ge2026")], between)
    assert set(found) == set(names)
    assert found.count("o100") == 2
    assert found.count("o109") == 1


def _history(pipeline: Pipeline, between: Callable[[], None]) -> list[tuple[str, int]]:
    found: list[tuple[str, int]] = []
    token = ""
    while True:
        page = pipeline.type_history("Observation", "", token, 3)
        found += [(m.id, m.version) for m in page.matches]
        token = page.following
        if not token:
            return found
        between()


def test_pages_of_a_history_hold_every_version_once_while_more_are_written(pipeline: Pipeline) -> None:
    for version in (1, 2, 3):
        _put(pipeline, *(_observation(f"o10{n}", version) for n in range(4)))
    _put(pipeline, _observation("o103", 4, deleted=True))
    more = iter(range(4, 40))
    found = _history(pipeline, lambda: _put(pipeline, _observation("o100", next(more))))
    before = [(f"o10{n}", v) for n in range(4) for v in (1, 2, 3)] + [("o103", 4)]
    assert sorted(found) == sorted(before)
    own = pipeline.history("Observation", "o103")
    assert [(v.version, v.deleted) for v in own.matches] == [(4, True), (3, False), (2, False), (1, False)]
    first = pipeline.history("Observation", "o103", count=3)
    assert [v.version for v in first.matches] == [4, 3, 2]
    rest = pipeline.history("Observation", "o103", token=first.following, count=3)
    assert [v.version for v in rest.matches] == [1]
    assert not rest.following


def test_history_since(pipeline: Pipeline) -> None:
    _put(pipeline, _observation("o101", 1), _observation("o102", 1))
    _put(pipeline, _observation("o101", 2))
    since = "2026-11-20T09:00:02.000Z"
    assert [(v.id, v.version) for v in pipeline.type_history("Observation", since, "", 10).matches] == [("o101", 2)]
    assert [v.version for v in pipeline.history("Observation", "o101", since).matches] == [2]
    assert pipeline.history("Observation", "o102", since).matches == []


@pytest.mark.parametrize("token", ["x", "é", "W10", "WzFd", "bnVsbA", "W" * 4000, "WyJhIiwiYiIsImMiXQ"])
def test_a_page_token_that_no_page_gave_is_refused(pipeline: Pipeline, token: str) -> None:
    asks: list[Callable[[], Any]] = [
        lambda: pipeline.search(search_of("Observation", [("_page", token)], BASE, NOW)),
        lambda: pipeline.type_history("Observation", "", token, 3),
    ]
    for ask in asks:
        with pytest.raises(Refused) as refused:
            ask()
        assert refused.value.problems[0].category is Category.BAD_QUERY


@pytest.mark.parametrize("key", ["\ud800", "a\0b", 7, None, 2**40])
def test_a_key_that_no_database_can_compare_is_refused(pipeline: Pipeline, key: Any) -> None:
    asked = search_of("Observation", [], BASE, NOW)
    token = token_of(repr(("Observation", [])), ("", key))
    asked.token = token_of(repr(("Observation", [])), ("", "o1"))
    assert pipeline.search(asked).matches == []
    asked.token = token
    with pytest.raises(Refused):
        pipeline.search(asked)


def test_a_page_token_serves_its_own_question_only(pipeline: Pipeline) -> None:
    _put(pipeline, *(_observation(f"o10{n}", 1) for n in range(5)))
    asked = [("code", "x"), ("_count", "2")]
    token = pipeline.search(search_of("Observation", asked, BASE, NOW)).following
    assert pipeline.search(search_of("Observation", [*asked, ("_page", token)], BASE, NOW)).matches
    for other in ([("code", "y")], [], [("code", "x"), ("patient", "p")], [("code", "x"), ("_sort", "-_id")]):
        with pytest.raises(Refused):
            pipeline.search(search_of("Observation", [*other, ("_page", token)], BASE, NOW))


def test_everything_of_a_patient_in_pages(pipeline: Pipeline) -> None:
    number = opened_case(pipeline, settled_course())
    patient = pipeline.case(number)["resources"]["patient"]
    found: list[str] = []
    token = ""
    kinds = ["Patient", "Organization", "Practitioner", "Observation", "CarePlan", "Task"]
    while True:
        page = pipeline.everything(patient.split("/")[1], kinds, "", token, 5)
        found += [f"{m.type}/{m.id}" for m in page.matches]
        token = page.following
        if not token:
            break
    assert found[0] == patient
    assert len(found) == len(set(found))
    held = pipeline._database.read(lambda tx: resources.of_case(tx, number))
    expected = {f"{r.type}/{r.id}" for r in held if r.type in kinds}
    assert expected <= set(found)
    assert {r.split("/")[0] for r in set(found) - expected} <= {"Patient", "Organization", "Practitioner"}
    other = pipeline.everything(patient.split("/")[1], ["Task"], "", "", 5)
    assert {m.type for m in other.matches} == {"Task"}
