"""A caller reads its own cases by no path any other: not by id, version, history, search, chain or inclusion."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Connection

from service.errors import Refused
from service.fhir.json_text import write
from service.fhir.search_query import search_of
from service.pipeline import Pipeline
from service.store import cases, parties
from service.store.caller import Caller
from tests.store.messages import Post, opened_case, referral, settled_course, take
from tests.store.test_search_rules import BASE, NOW


@pytest.fixture
def two(pipeline: Pipeline) -> tuple[Pipeline, str, str]:
    """A pipeline as seen by who may see the first case, and the numbers of that and of another one."""
    mine = opened_case(pipeline, settled_course())
    other = take(pipeline, Post("referrals", referral("R-3001"))).case_number
    for post in settled_course():
        take(pipeline, post, other)
    return pipeline, mine, other


def with_parties(pipeline: Pipeline, number: str, organisation: str) -> None:
    """Make an organisation a party to a case and let it see the patient."""
    kind, patient = pipeline.case(number)["resources"]["patient"].split("/")

    def work(tx: Connection) -> None:
        parties.add(tx, number, [(organisation, "fulfiller")])
        parties.let_read(tx, [((kind, patient), organisation, False)])

    pipeline.database.write(work)


def _of_case(pipeline: Pipeline, number: str) -> dict[str, str]:
    return pipeline.case(number)["resources"]


def _searched(pipeline: Pipeline, kind: str, *pairs: tuple[str, str]) -> list[Any]:
    page = pipeline.search(search_of(kind, [*pairs, ("_count", "200")], BASE, NOW, strict=True))
    return [*page.matches, *page.included]


def test_no_path_shows_a_case_of_others(two: tuple[Pipeline, str, str]) -> None:
    whole, mine, other = two
    with_parties(whole, mine, "Organization/mine")
    seen = whole.seen_by(Caller("Organization/mine"))
    theirs, own = _of_case(whole, other), _of_case(whole, mine)
    patient = theirs["patient"].split("/")[1]
    kind, resource_id = theirs["referral"].split("/")
    for ask in (
        lambda: seen.case(other),
        lambda: seen.case_as_of(other, NOW.date()),
        lambda: seen.readiness_observation(other, NOW.date()),
        lambda: seen.resource("CarePlan", other),
        lambda: seen.version(kind, resource_id, 1),
        lambda: seen.history(kind, resource_id),
    ):
        with pytest.raises(Refused):
            ask()
    assert whole.messages(other)
    assert seen.messages(other) == []
    assert [c.case_number for c in seen.worklist(None, None, 50)] == [mine]
    paths: dict[str, Callable[[Pipeline], list[Any]]] = {
        "type": lambda p: _searched(p, "Observation"),
        "patient": lambda p: _searched(p, "Observation", ("patient", patient)),
        "id": lambda p: _searched(p, "CarePlan", ("_id", other)),
        "missing": lambda p: _searched(p, "Observation", ("has-member:missing", "true")),
        "time": lambda p: _searched(p, "Observation", ("_lastUpdated", "ge2020")),
        "date": lambda p: _searched(p, "Observation", ("date", "ge2020")),
        "sorted": lambda p: _searched(p, "Observation", ("status", "final"), ("_sort", "-date")),
        "chain": lambda p: _searched(p, "Observation", ("patient.identifier", "P-R-3001")),
        "back": lambda p: _searched(p, "Patient", ("_id", patient), ("_revinclude", "Observation:patient")),
        "history": lambda p: p.type_history("Observation", "", "", 200).matches,
    }
    everything = ["Observation", "CarePlan", "Task"]
    assert whole.everything(patient, everything, "", "", 200).matches
    with pytest.raises(Refused):
        seen.everything(patient, everything, "", "", 200)
    for name, ask in paths.items():
        assert any(r.case_number == other for r in ask(whole)), f"{name} shows the case to who may see it"
        assert all(r.case_number in ("", mine) for r in ask(seen)), name
    assert _searched(whole, "Patient", ("_id", patient), ("_has:Observation:patient:status", "final"))
    assert not _searched(seen, "Patient", ("_id", patient), ("_has:Observation:patient:status", "final"))
    assert _searched(seen, "Observation", ("patient", own["patient"]))


def test_a_database_without_a_caller_cannot_be_read(pipeline: Pipeline) -> None:
    database = pipeline.database.seen_by(None)  # type: ignore[arg-type]
    with pytest.raises(AssertionError, match="for a caller"):
        database.read(lambda tx: cases.get(tx, "x"))
    with pytest.raises(AssertionError, match="for a caller"):
        database.write(lambda tx: cases.lock(tx, write({})))
