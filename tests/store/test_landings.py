"""Databases of earlier landings go on with today's code: facts are read anew, cases are decided anew, nothing answers 500."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, text
from starlette.testclient import TestClient

from service.app import build_app
from service.commands.replay import replay_decisions
from service.deciding.facts_anew import facts_in
from service.fhir.facts.fact import StoredFact
from service.fhir.facts.referral import TaskFact
from service.fhir.facts.sleep_tests import SleepTestFact
from service.fhir.facts.text import fact_text, facts_from
from service.fhir.facts.treatment import RedFlagFact
from service.fhir.facts_shape import facts_shape
from service.fhir.json_text import load, write
from service.intake.load import planned
from service.pipeline import Pipeline
from service.settings import Settings
from service.store import cases
from service.store.engine import Database
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.store.earlier import LANDINGS, engine_of, landing
from tests.store.recorded import verified
from tests.store.whole import check_whole, rows_of

DAY = datetime(2026, 12, 2, 9, tzinfo=UTC)
_PAGES = ("", "/page", "/page?entries=all", "/reasons", "/readiness", "/messages", "/letter", "/sheet", "/letter.pdf")


@dataclass
class Upgraded:
    """A database of a landing: its name, its URL, and the number of each case by that of its referral."""

    name: str
    url: str
    clock: Clock
    numbers: dict[str, str] = field(default_factory=dict)

    def pipeline(self) -> Pipeline:
        """Today's pipeline on it, as a start of the service builds it."""
        return build_pipeline(Settings(database_url=self.url), clock=self.clock)

    def change(self, statement: str, **values: Any) -> None:
        """Change the database behind the back of the service."""
        engine = engine_of(self.url)
        with engine.begin() as connection:
            connection.execute(text(statement), values)
        engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def kind(request: pytest.FixtureRequest) -> str:
    return request.param


@pytest.fixture(params=sorted(LANDINGS))
def landed(request: pytest.FixtureRequest, kind: str, tmp_path: Path, new_postgres: Callable[[], str]) -> Upgraded:
    found = Upgraded(request.param, landing(request.param, kind, tmp_path, new_postgres), Clock(DAY))
    engine = engine_of(found.url)
    query = "SELECT value, case_number FROM identity JOIN resource_version USING (type, id) WHERE version = 1"
    with engine.connect() as connection:
        for value, number in connection.execute(text(f"{query} AND value LIKE 'L-%' AND type = 'ServiceRequest'")):
            found.numbers.setdefault(value, number)
    engine.dispose()
    found.numbers = {k: v for k, v in found.numbers.items() if not k.endswith("-T")}
    assert set(found.numbers) == {"L-TITRATING", "L-DECIDED", "L-FLAG", "L-FOLLOWED", "L-CLOSED"}
    return found


@pytest.fixture
def without_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cases are not read anew when the service starts."""
    monkeypatch.setattr(Pipeline, "bring_up", lambda self: 0)


@pytest.fixture
def client(landed: Upgraded) -> Iterator[TestClient]:
    pipeline = landed.pipeline()
    yield TestClient(build_app(Settings(), pipeline), raise_server_exceptions=False)
    pipeline.close()


def _progress(client: TestClient, number: str, entry: str = "c90") -> dict[str, Any]:
    """Post a check-in and a setting; the answer."""
    said = {"entry_id": entry, "reported_on": "2026-12-01", "snoring_0_to_10": 3, "restedness_0_to_10": 7}
    moved = {"entry_id": f"s-{entry}", "set_on": "2026-12-01", "advance_left_mm": 2.5, "advance_right_mm": 2.5}
    body = write({"check_ins": [said], "settings": [moved]})
    headers = {"Content-Type": "application/json"}
    answer = client.post(f"/intake/cases/{number}/progress", content=body, headers=headers)
    assert answer.status_code in (200, 201), answer.text
    return load(answer.text)


def _shown(client: TestClient, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, (address, answer.text[:300])
    return answer.text


@pytest.mark.sampled("landed")
def test_a_database_goes_on(
    landed: Upgraded, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pipeline = landed.pipeline()
    client = TestClient(build_app(Settings(), pipeline), raise_server_exceptions=False)
    for address in ("/", "/?whose_move=patient", "/?only=overdue", "/physician", "/cases", "/cases?overdue=true"):
        _shown(client, address)
    for number in landed.numbers.values():
        for page in _PAGES:
            _shown(client, f"/cases/{number}{page}")
        patient = load(_shown(client, f"/cases/{number}"))["resources"]["patient"]
        _shown(client, f"/fhir/{patient}/$everything")
        _shown(client, f"/fhir/CarePlan/{number}")
        _shown(client, f"/fhir/CarePlan/{number}/$letter")
        found = load(_shown(client, f"/fhir/CarePlan?patient={patient}"))
        assert [e["resource"]["id"] for e in found["entry"]] == [number]
        assert load(_shown(client, f"/fhir/Observation?patient={patient}&_count=5"))["entry"]
    for name in ("L-TITRATING", "L-DECIDED", "L-FLAG", "L-FOLLOWED"):
        _progress(client, landed.numbers[name])
    for number in landed.numbers.values():
        for page in _PAGES:
            _shown(client, f"/cases/{number}{page}")
    pipeline.close()
    rows = rows_of(landed.url)
    assert {case["facts_shape"] for case in rows["case_row"]} == {facts_shape()}
    if landed.name != "318bc83":  # which had no audit chain, and named no version of the rules
        check_whole(rows)
    monkeypatch.setenv("DATABASE_URL", landed.url)
    assert replay_decisions([]) == 0
    said = capsys.readouterr().out
    assert "all the same to the byte; " in said and " made by other versions, not replayed." in said
    assert ("made by version 1.0.0 of readiness-for-efficacy-test, not replayed" in said) == (landed.name == "318bc83")


@pytest.mark.sampled("first", "kind")
@pytest.mark.parametrize("first", ["the upgrade of its schema", "a start of the service", "a message"])
def test_a_database_verifies_without_false_damage(landed: Upgraded, first: str) -> None:
    """What has no hashes is counted, and what this release writes has them."""
    Database(landed.url).close()
    if first != "the upgrade of its schema":
        pipeline = landed.pipeline()
        if first == "a message":
            client = TestClient(build_app(Settings(), pipeline), raise_server_exceptions=False)
            _progress(client, landed.numbers["L-TITRATING"])
        pipeline.close()
    lines, counts = verified(landed.url)
    assert lines == []
    assert (counts.cases, counts.messages) == (5, 46 + (first == "a message"))
    assert counts.uncommitted > 300
    assert counts.of_another_shape == (5 if first == "the upgrade of its schema" else 0)
    assert counts.not_recomputed == 0
    landed.change("UPDATE message SET sha256 = id WHERE channel = 'intake referrals'")
    assert len(verified(landed.url)[0]) == 5


def test_facts_are_those_of_the_resources(landed: Upgraded) -> None:
    """All that an earlier release read is read again, and each Task's moves are told."""
    engine = engine_of(landed.url)
    with engine.connect() as connection:
        before = {tuple(r) for r in connection.execute(text("SELECT case_number, type, id, version FROM fact"))}
    engine.dispose()
    pipeline = landed.pipeline()
    pipeline.close()
    after = rows_of(landed.url)["fact"]
    assert before <= {(f["case_number"], f["type"], f["id"], f["version"]) for f in after} | {
        key for key in before if key[1] == "Task"
    }
    facts = facts_from(f["small"] for f in after)
    tasks = [f for f in facts if isinstance(f, TaskFact)]
    assert {task.state for task in tasks} == {"in-progress", "completed"}
    for task in tasks:
        assert [state for _, state in task.moves][:2] == ["accepted", "in-progress"]
    assert [f.red_flag for f in facts if isinstance(f, RedFlagFact)] == ["drowsy-driving"]
    assert len([f for f in facts if isinstance(f, SleepTestFact)]) == 8


def test_what_is_closed_stays_so_as_of_its_last_day(landed: Upgraded) -> None:
    """What this release says of it is recorded, and the time for which its record is kept does not begin again."""

    def told() -> tuple[Any, ...]:
        row = next(c for c in rows_of_case(landed) if c["case_number"] == landed.numbers["L-CLOSED"])
        return row["stage"], row["changed_at"], row["decided_on"]

    before = told()
    assert before[0] == "closed"
    landed.pipeline().close()
    assert told() == before
    landed.clock.move(days=3)
    pipeline = landed.pipeline()
    plan = load(pipeline.resource("CarePlan", landed.numbers["L-CLOSED"]).body)
    assert plan["status"] == "completed"
    assert told() == before
    pipeline.close()


def rows_of_case(landed: Upgraded) -> list[dict[str, Any]]:
    engine = engine_of(landed.url)
    with engine.connect() as connection:
        found = [dict(row) for row in connection.execute(text("SELECT * FROM case_row")).mappings()]
    engine.dispose()
    return found


@pytest.mark.sampled("first")
@pytest.mark.usefixtures("without_start")
@pytest.mark.parametrize(
    "first",
    [
        *("", "/page", "/letter", "/forms/efficacy-test"),
        *("$message", "$care-plan", "$search", "$everything", "$letter", "$readiness"),
    ],
)
def test_whatever_is_asked_first_of_a_case(landed: Upgraded, client: TestClient, first: str) -> None:
    """A case that no start has read anew, as one that another process of an earlier release opened meanwhile."""
    for name, number in landed.numbers.items():
        ways = {
            "$care-plan": f"/fhir/CarePlan/{number}",
            "$search": f"/fhir/CarePlan?_id={number}",
            "$letter": f"/fhir/CarePlan/{number}/$letter",
            "$readiness": f"/fhir/CarePlan/{number}/$readiness?asOf=2026-11-29",
        }
        if first == "$message":
            if name != "L-CLOSED":
                _progress(client, number)
        elif first == "$everything":
            plan = load(_shown(client, f"/fhir/CarePlan/{number}/_history/1"))
            _shown(client, f"/fhir/{plan['subject']['reference']}/$everything")
        elif first in ways:
            _shown(client, ways[first])
        else:
            _shown(client, f"/cases/{number}{first}")


def test_what_todays_checks_refuse_does_not_stop_a_case(landed: Upgraded, caplog: pytest.LogCaptureFixture) -> None:
    """What can be read of it counts; what cannot is no fact, told in the log by its type alone."""
    number = landed.numbers["L-TITRATING"]
    setting = _one_of(landed, number, "setting")
    body = load(setting["body"])
    body["component"] = body["component"][:1]
    _replace_body(landed, setting, write(body))
    effect = _one_of(landed, number, "side-effect")
    _replace_body(landed, effect, effect["body"].replace('"subject"', '"formerSubject"'))
    device = _one_of(landed, number, "device")
    _replace_body(landed, device, write({**load(device["body"]), "property": 7}))
    with caplog.at_level(logging.WARNING, "airway_relay"):
        pipeline = landed.pipeline()
    client = TestClient(build_app(Settings(), pipeline), raise_server_exceptions=False)
    kept = {(f["type"], f["id"]) for f in rows_of(landed.url)["fact"]}
    assert ("Observation", setting["id"]) not in kept
    assert ("Observation", effect["id"]) in kept
    assert ("Device", device["id"]) not in kept
    told = [r.told for r in caplog.records if r.getMessage() == "stored resources are not read as facts"]  # type: ignore[attr-defined]
    assert sorted(t["types"][0] for t in told) == ["Device", "Observation"]
    assert all(set(t) == {"types", "error"} for t in told)
    _shown(client, f"/cases/{number}/page")
    _progress(client, number)
    pipeline.close()


def _one_of(landed: Upgraded, number: str, kind: str) -> dict[str, Any]:
    """The current version of a resource of a case that tells a fact of a kind."""
    engine = engine_of(landed.url)
    query = (
        "SELECT r.* FROM fact f JOIN resource_version r ON r.type = f.type AND r.id = f.id AND r.version = f.version"
        " WHERE f.case_number = :n AND f.small LIKE :kind ORDER BY r.id"
    )
    with engine.connect() as connection:
        found = connection.execute(text(query), {"n": number, "kind": f'%"kind":"{kind}"%'}).mappings().first()
    engine.dispose()
    assert found
    return dict(found)


def _replace_body(landed: Upgraded, row: dict[str, Any], body: str) -> None:
    query = "UPDATE resource_version SET body = :body WHERE type = :type AND id = :id AND version = :version"
    landed.change(query, body=body, type=row["type"], id=row["id"], version=row["version"])


def test_a_red_flag_that_another_office_closed_by_a_date_is_open_again(landed: Upgraded, client: TestClient) -> None:
    """Drowsy driving is for the physician; the dental office had closed it with a date alone."""
    case = load(_shown(client, f"/cases/{landed.numbers['L-FLAG']}"))
    assert [f["kind"] for f in case["red_flags"]] == ["drowsy-driving"]
    assert (case["stage"], case["whose_move"], case["urgent"]) == ("under-review", "physician", True)


def test_a_case_that_fails_keeps_none_of_the_others(landed: Upgraded, caplog: pytest.LogCaptureFixture) -> None:
    number = landed.numbers["L-FLAG"]
    landed.change("UPDATE case_row SET derived = 'no JSON' WHERE case_number = :n", n=number)
    with caplog.at_level(logging.INFO, "airway_relay"):
        landed.pipeline().close()
    shapes = {c["case_number"]: c["facts_shape"] for c in rows_of(landed.url)["case_row"]}
    client = TestClient(build_app(Settings(), landed.pipeline()), raise_server_exceptions=False)
    for address in ("/", "/physician", "/cases", f"/fhir/CarePlan/{landed.numbers['L-DECIDED']}"):
        _shown(client, address)
    client.app.state.pipeline.close()  # type: ignore[attr-defined]
    assert shapes.pop(number) == ""
    assert set(shapes.values()) == {facts_shape()}
    done = [r.told for r in caplog.records if r.getMessage() == "facts of cases read anew for this release"]  # type: ignore[attr-defined]
    assert [(t["cases"], t["failed"]) for t in done] == [(4, 1)]


def test_notes_of_another_release_are_left_out_and_a_start_without_need_writes_nothing(landed: Upgraded) -> None:
    landed.change("""UPDATE case_row SET derived = '{"of_another":[1],' || substr(derived, 2)""")
    landed.pipeline().close()
    before = rows_of(landed.url)
    assert all("of_another" not in case["derived"] for case in before["case_row"])
    landed.pipeline().close()
    assert rows_of(landed.url) == before


def _facts_anew(tx: Connection, number: str) -> list[StoredFact]:
    case = cases.get(tx, number)
    assert case is not None
    return planned(tx, lambda snapshot: facts_in(snapshot, case))


def test_another_shape_is_read_anew_in_batches(landed: Upgraded, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a release to come does it, or one before that is started again: whatever the stored facts say."""
    landed.pipeline().close()
    for shape in ("0-before", "~ after"):
        landed.change("UPDATE fact SET small = :small", small='{"kind":"of no release"}')
        landed.change("UPDATE case_row SET facts_shape = :shape, summary = '{}'", shape=shape)
        monkeypatch.setattr("service.pipeline.days._BATCH", 2)
        pipeline = landed.pipeline()
        for number in landed.numbers.values():
            held = pipeline._database.read(lambda tx, number=number: (cases.facts(tx, number), _facts_anew(tx, number)))
            assert sorted(f.content for f in held[0]) == sorted(fact_text(f.fact) for f in held[1])
            assert pipeline.case(number)["readiness"]
        pipeline.close()
