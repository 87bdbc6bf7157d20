"""A database with access control on, of the landing before parties were bound: what was claimed in it is suspended."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.access_settings import AccessSettings
from service.fhir.build import sid
from service.pipeline import Pipeline
from service.pipeline.access.directory import Directory, checked_number, listed, report_of
from service.settings import Settings
from service.store import clients, parties
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.store.earlier import landing

DAY = datetime(2026, 12, 2, 9, tzinfo=UTC)
NUMBER = sid("organization")


@pytest.fixture(params=["sqlite", "postgresql"])
def upgraded(request: pytest.FixtureRequest, tmp_path: Path, new_postgres: Callable[[], str]) -> Pipeline:
    url = landing("09af4e0-access", request.param, tmp_path, new_postgres)
    access = AccessSettings(on=True, key_file=str(tmp_path / "keys.json"))
    return build_pipeline(Settings(database_url=url, access=access), clock=Clock(DAY))


def _organisation(pipeline: Pipeline, client: str) -> str:
    found = pipeline.database.read(lambda tx: clients.find(tx, client))
    assert found is not None
    return found.organisation


def _parties(pipeline: Pipeline) -> set[tuple[str, str, str]]:
    """(case number, organisation, part) of every case."""
    found: set[tuple[str, str, str]] = set()
    for row in pipeline.worklist(None, None, 50):
        held = pipeline.database.read(lambda tx, n=row.case_number: parties.of_case(tx, n))
        found |= {(row.case_number, o, part) for o, part in held}
    return found


def test_the_numbers_that_the_operator_typed_are_bound(upgraded: Pipeline) -> None:
    bound = {b.value: b.organisation for _, bindings in listed(upgraded.database) for b in bindings}
    assert set(bound) == {f"{kind}-{where}" for kind in ("lab", "dental", "medical") for where in ("east", "west")}
    for number, organisation in bound.items():
        assert organisation == _organisation(upgraded, f"client-{number}")


def test_a_number_that_was_taken_is_bound_to_nobody(upgraded: Pipeline) -> None:
    """The attacker's record keeps its first number alone, also in its resource; who came under the other is told of."""
    attacker = _organisation(upgraded, "client-dental-west")
    held = upgraded.resource("Organization", attacker.removeprefix("Organization/"))
    assert "dental-honest" not in held.body and "dental-west" in held.body
    assert "Office dental-west" in held.body


def test_parties_that_rest_on_a_binding_stay_and_the_others_are_suspended(upgraded: Pipeline) -> None:
    attacker = _organisation(upgraded, "client-dental-west")
    suspended = report_of(upgraded.database).suspended
    assert [(o, part) for _, o, part in suspended] == [(attacker, "fulfiller")]
    (taken,) = {number for number, _, _ in suspended}
    kept = _parties(upgraded)
    assert not any(number == taken and part == "fulfiller" for number, _, part in kept)
    assert {part for number, _, part in kept if number == taken} == {"lab", "placer"}
    others = {number for number, _, _ in kept} - {taken}
    assert len(others) == 2
    for number in others:
        assert {part for n, _, part in kept if n == number} == {"lab", "placer", "fulfiller"}


def test_what_is_suspended_is_restored_when_the_operator_accepts_it(upgraded: Pipeline) -> None:
    directory = Directory(upgraded)
    ((number, organisation, part),) = report_of(upgraded.database).suspended
    assert directory.accept(number) == 1
    assert directory.accept(number) == 0
    assert (number, organisation, part) in _parties(upgraded)


def test_the_honest_office_is_registered_anew(upgraded: Pipeline) -> None:
    made = Directory(upgraded).add("Honest dentists", "dental-honest")
    assert made.reference != _organisation(upgraded, "client-dental-west")
    assert made.reference in {one.reference for one, _ in listed(upgraded.database)}
    again = checked_number("Organization", NUMBER, "dental-honest")
    assert Directory(upgraded).bind(made.reference, again) == 0


def test_a_start_a_second_time_changes_nothing(upgraded: Pipeline) -> None:
    before = _parties(upgraded), [one.written_at for one, _ in listed(upgraded.database)]
    Directory(upgraded).bring_up()
    assert before == (_parties(upgraded), [one.written_at for one, _ in listed(upgraded.database)])
