"""Search by the index finds what R4 says, resource by resource: drawn resources, drawn searches, both databases.

The rules the answers are compared with stand in `search_world.py`, from https://hl7.org/fhir/R4/search.html.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from service.fhir.json_text import write
from service.fhir.search_query import search_of
from service.pipeline import Pipeline
from service.rows import Stored
from service.store import resources
from tests.store.search_world import Body, codings, date_matches, element_span, names, string_matches, token_matches

NOW = datetime(2026, 11, 20, 9, tzinfo=UTC)
BASE = "http://relay.test/fhir"
_CODES, _SYSTEMS = st.sampled_from(["a", "b", "A", "a-b"]), st.sampled_from(["http://s", "http://t", None])
_DATES = st.sampled_from(
    [
        "2025",
        "2026",
        "2026-02",
        "2026-12",
        "2026-03-01",
        "2026-02-28",
        "2026-03-01T00:30:00+02:00",
        "2026-02-28T22:30:00Z",
        "2026-03-01T12:00:00.250Z",
    ]
)
_NAMES = st.sampled_from(["Ann", "Anna", "ánna", "Bo", "O'Neil", "Strauß", "al%a", "al_a"])


def _coding(code: str, system: str | None) -> Body:
    return {"code": code} | ({"system": system} if system else {})


_CODINGS = st.builds(_coding, _CODES, _SYSTEMS)
_CONCEPTS = st.builds(lambda held: {"coding": held}, st.lists(_CODINGS, min_size=1, max_size=2))
_PERIODS = st.builds(
    lambda start, end: {k: v for k, v in (("start", start), ("end", end)) if v},
    st.sampled_from([None, "2024", "2025-06", "2026-02-28"]),
    st.sampled_from([None, "2026-02-28", "2026-03", "2027"]),
).filter(bool)
_PATIENTS = st.fixed_dictionaries(
    {"name": st.lists(st.fixed_dictionaries({"family": _NAMES, "given": st.lists(_NAMES, max_size=2)}), max_size=2)},
    optional={
        "birthDate": st.sampled_from(["2025", "2026-02", "2026-03-01"]),
        "identifier": st.lists(
            st.builds(lambda v, s: {"value": v} | ({"system": s} if s else {}), _CODES, _SYSTEMS), max_size=2
        ),
        "active": st.booleans(),
    },
)
_OBSERVATIONS = st.fixed_dictionaries(
    {"status": st.sampled_from(["final", "amended"]), "subject": st.sampled_from(["p0", "p1", "p9"])},
    optional={
        "code": _CONCEPTS,
        "category": st.lists(_CONCEPTS, max_size=2),
        "effectiveDateTime": _DATES,
        "effectivePeriod": _PERIODS,
    },
)
_TOKENS = st.one_of(
    _CODES,
    st.builds(lambda c, s: f"{s or ''}|{c}", _CODES, _SYSTEMS),
    st.sampled_from(["http://s|", "http://t|"]),
)
_PREFIXES = st.sampled_from(["", "eq", "ne", "lt", "le", "gt", "ge", "sa", "eb"])


def _several(values: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.lists(values, min_size=1, max_size=3).map(",".join)


_DATED = _several(st.builds(lambda p, d: p + d, _PREFIXES, _DATES))
_OBSERVATION_QUERIES = st.one_of(
    st.tuples(st.sampled_from(["code", "category", "code:not", "category:not"]), _several(_TOKENS)),
    st.tuples(st.just("status"), _several(st.sampled_from(["final", "amended", "gone"]))),
    st.tuples(st.just("date"), _DATED),
    st.tuples(
        st.sampled_from(["patient", "subject", "subject:Patient"]), _several(st.sampled_from(["p0", "p1", "p8"]))
    ),
    st.tuples(st.just("patient"), st.sampled_from(["Patient/p0", f"{BASE}/Patient/p1", "Group/p0"])),
    st.tuples(st.sampled_from(["date:missing", "category:missing"]), st.sampled_from(["true", "false"])),
    st.tuples(st.just("patient.identifier"), _several(_TOKENS)),
    st.tuples(st.just("subject:Patient.family"), _NAMES),
    st.tuples(st.just("_id"), _several(st.sampled_from(["o0", "o1", "o2", "zz"]))),
)
_PATIENT_QUERIES = st.one_of(
    st.tuples(st.sampled_from(["name", "family", "given:exact", "family:contains"]), _several(_NAMES)),
    st.tuples(st.just("name"), st.sampled_from(["a", "AN", "al%", "stra", "ss"])),
    st.tuples(st.just("identifier"), _several(_TOKENS)),
    st.tuples(st.just("birthdate"), _DATED),
    st.tuples(st.just("active"), st.sampled_from(["true", "false"])),
    st.tuples(st.just("_has:Observation:patient:code"), _several(_TOKENS)),
)


@pytest.fixture
def emptied(pipeline: Pipeline) -> Callable[[list[Body]], Pipeline]:
    """Fills the database with these resources and nothing else."""

    def fill(bodies: list[Body]) -> Pipeline:
        def work(tx: Any) -> None:
            for table in ("resource_version", "search_value"):
                tx.execute(text(f"DELETE FROM {table}"))
            rows = [Stored(b["resourceType"], b["id"], 1, "", "2026-11-20T09:00:00.000Z", write(b)) for b in bodies]
            resources.append_versions(tx, rows)

        pipeline._database.write(work)
        return pipeline

    return fill


def _found(pipeline: Pipeline, kind: str, pairs: list[tuple[str, str]], count: int) -> list[str]:
    """Ids of every page."""
    found: list[str] = []
    token = ""
    while True:
        more = [("_page", token)] if token else []
        asked = search_of(kind, [*pairs, ("_count", str(count)), *more], BASE, NOW, strict=True)
        page = pipeline.search(asked)
        found += [held.id for held in page.matches]
        token = page.following
        if not token:
            return found
        assert len(page.matches) == count


def _expected(world: list[Body], body: Body, name: str, value: str) -> bool:
    """Whether one parameter finds one resource."""
    head, _, modifier = name.partition(":")
    values = value.split(",")
    if head == "_id":
        return body["id"] in values
    if modifier == "missing":
        element = {"date": ("effectiveDateTime", "effectivePeriod"), "category": ("category",)}[head]
        return any(body.get(e) for e in element) != (value == "true")
    if name.startswith("_has"):
        return any(
            _expected(world, o, "code", value) and _target(o) == body["id"]
            for o in world
            if o["resourceType"] == "Observation"
        )
    if "." in name:
        inner = name.split(".")[1]
        return any(
            p["id"] == _target(body) and _expected(world, p, inner, value)
            for p in world
            if p["resourceType"] == "Patient"
        )
    if head in ("patient", "subject"):
        ids = [v.removeprefix(BASE + "/").removeprefix("Patient/") for v in values]
        return _target(body) in ids
    if head in ("date", "birthdate"):
        elements = [body[e] for e in ("effectiveDateTime", "effectivePeriod", "birthDate") if e in body]
        split = [(v[2:], v[:2]) if v[0].isalpha() else (v, "eq") for v in values]
        return any(date_matches(e, text, prefix) for e in elements for text, prefix in split)
    if head in ("name", "family", "given"):
        keys = ("family", "given") if head == "name" else (head,)
        return any(string_matches(n, v, modifier) for n in names(body, *keys) for v in values)
    if head == "status":
        return body["status"] in values
    if head == "active":
        return body.get("active") is (value == "true")
    if head == "identifier":
        pairs = [(i["value"], i.get("system")) for i in body.get("identifier", [])]
    elif head == "category":
        pairs = [pair for concept in body.get("category", []) for pair in codings(concept)]
    else:
        pairs = codings(body.get("code"))
    hit = any(token_matches(code, system, v) for code, system in pairs for v in values)
    return hit != (modifier == "not")


def _target(observation: Body) -> str:
    return observation["subject"]["reference"].split("/")[1]


def _world(patients: list[Body], observations: list[Body]) -> list[Body]:
    made = [{"resourceType": "Patient", "id": f"p{n}", **p} for n, p in enumerate(patients)]
    for number, held in enumerate(observations):
        body = {"resourceType": "Observation", "id": f"o{number}", **held}
        if "effectivePeriod" in body:
            body.pop("effectiveDateTime", None)
        made.append({**body, "subject": {"reference": f"Patient/{body['subject']}"}})
    return [{k: v for k, v in b.items() if v != []} for b in made]


_DRAWN = settings(
    max_examples=80,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)


_EVERY_DATE = [
    "2025",
    "2026",
    "2026-02",
    "2026-12",
    "2026-03-01",
    "2026-02-28",
    "2026-03-01T00:30:00+02:00",
    "2026-02-28T22:30:00Z",
    "2026-03-01T12:00:00.250Z",
    "2026-03-01T12:00:00Z",
]
_EVERY_NAME = ["Ann", "Anna", "ánna", "Bo", "O'Neil", "Strauß", "al%a", "al_a", "albanna"]
_EVERY_TOKEN = [*("a", "b", "A"), *(f"{s}|{c}" for s in ("", "http://s", "http://t") for c in ("a", "A"))]


def _compared(pipeline: Pipeline, world: list[Body], kind: str, searches: list[tuple[str, str]]) -> None:
    for name, value in searches:
        expected = {b["id"] for b in world if b["resourceType"] == kind and _expected(world, b, name, value)}
        found = _found(pipeline, kind, [(name, value)], 3)
        assert len(found) == len(set(found)), f"{name}={value} finds one twice"
        assert set(found) == expected, f"{name}={value}"


def test_every_prefix_and_precision_against_every_date(emptied: Any) -> None:
    ends = [None, "2026-02-28", "2026-03", "2027"]
    dated: list[Body] = [{"effectiveDateTime": date} for date in _EVERY_DATE]
    dated += [
        {"effectivePeriod": {k: v for k, v in (("start", start), ("end", end)) if v}}
        for start in (None, "2024", "2025-06", "2026-02-28")
        for end in ends
        if start or end
    ]
    world = _world([], [{"status": "final", "subject": "p0", **d} for d in dated])
    prefixes = ("", "eq", "ne", "lt", "le", "gt", "ge", "sa", "eb")
    searches = [("date", prefix + date) for prefix in prefixes for date in _EVERY_DATE]
    _compared(emptied(world), world, "Observation", searches)


def test_every_text_against_every_modifier(emptied: Any) -> None:
    world = _world([{"name": [{"family": n, "given": [m]}]} for n, m in pairwise(_EVERY_NAME)], [])
    wanted = [*_EVERY_NAME, "a", "AN", "al%", "l_", "stra", "ss", "na"]
    names_ = ("name", "family", "given:exact", "family:exact", "family:contains")
    _compared(emptied(world), world, "Patient", [(name, text) for name in names_ for text in wanted])


def test_every_form_of_token_against_every_coding(emptied: Any) -> None:
    concepts = [{"coding": [_coding(c, s)]} for c in ("a", "b", "A") for s in ("http://s", "http://t", None)]
    concepts.append({"coding": [_coding("a", "http://s"), _coding("b", "http://t")]})
    world = _world([], [{"status": "final", "subject": "p0", "code": c} for c in concepts])
    forms = [*_EVERY_TOKEN, "http://s|", "http://t|", "a,b", "http://s|a,|A"]
    names_ = ("code", "code:not")
    _compared(emptied(world), world, "Observation", [(name, text) for name in names_ for text in forms])


def _found_as_expected(emptied: Any, kind: str, world: list[Body], searches: list[Any], count: int) -> None:
    """Each search finds what the rules read plainly say, each resource once."""
    pipeline = emptied(world)
    for pairs in searches:
        expected = {
            b["id"] for b in world if b["resourceType"] == kind and all(_expected(world, b, n, v) for n, v in pairs)
        }
        found = _found(pipeline, kind, pairs, count)
        assert len(found) == len(set(found)), "found once"
        assert set(found) == expected, pairs


@_DRAWN
@given(
    patients=st.lists(_PATIENTS, max_size=2),
    observations=st.lists(_OBSERVATIONS, max_size=6),
    searches=st.lists(st.lists(_OBSERVATION_QUERIES, min_size=1, max_size=3), min_size=1, max_size=4),
    count=st.sampled_from([1, 2, 50]),
)
def test_observations_are_found_as_r4_says(
    emptied: Any, patients: list[Body], observations: list[Body], searches: list[Any], count: int
) -> None:
    _found_as_expected(emptied, "Observation", _world(patients, observations), searches, count)


@_DRAWN
@given(
    patients=st.lists(_PATIENTS, max_size=4),
    observations=st.lists(_OBSERVATIONS, max_size=2),
    searches=st.lists(st.lists(_PATIENT_QUERIES, min_size=1, max_size=2), min_size=1, max_size=4),
    count=st.sampled_from([1, 50]),
)
def test_patients_are_found_as_r4_says(
    emptied: Any, patients: list[Body], observations: list[Body], searches: list[Any], count: int
) -> None:
    _found_as_expected(emptied, "Patient", _world(patients, observations), searches, count)


@_DRAWN
@given(
    observations=st.lists(_OBSERVATIONS, min_size=1, max_size=6),
    descending=st.booleans(),
    sort=st.sampled_from(["_id", "_lastUpdated", "date"]),
    count=st.sampled_from([1, 2, 50]),
)
def test_sorted_pages_are_the_sorted_whole(
    emptied: Any, observations: list[Body], descending: bool, sort: str, count: int
) -> None:
    world = _world([], observations)
    pipeline = emptied(world)
    pairs = [("patient", "p0,p1,p9"), ("_sort", f"{'-' if descending else ''}{sort}")]
    found = _found(pipeline, "Observation", pairs, count)
    assert sorted(found) == sorted(b["id"] for b in world)
    if sort != "date":
        assert found == sorted(found, reverse=descending)
    else:
        starts = {
            b["id"]: next((_start(b[e]) for e in ("effectiveDateTime", "effectivePeriod") if e in b), "") for b in world
        }
        keys = [starts[i] for i in found]
        assert keys == sorted(keys, reverse=descending)


def _start(element: Any) -> str:
    return element_span(element)[0].isoformat()
