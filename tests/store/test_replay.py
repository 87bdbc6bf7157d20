"""A decision can be made anew: from the stored inputs, thresholds and day, the same outcome, byte for byte."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from starlette.testclient import TestClient

from service.app import build_app
from service.commands.replay import replay_decisions
from service.fhir.engine import rule_engine, site_of
from service.fhir.json_text import load, write
from service.pipeline.replay import Replayed, case_numbers, replay
from service.rules.site import Site
from service.rules.thresholds import Thresholds
from service.settings import Settings
from service.store.engine import Database
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.journeys.stories import STORIES
from tests.journeys.stories_after import AFTERWARDS
from tests.journeys.stories_edges import EDGES
from tests.journeys.story import Story, tell

ALL = (*STORIES, *EDGES, *AFTERWARDS)


def play(story: Story, database_url: str, site: Site) -> str:
    """Play a story to its end; the case number."""
    clock = Clock()
    pipeline = build_pipeline(Settings(database_url=database_url, site=site), clock=clock)
    try:
        return tell(story, TestClient(build_app(Settings(), pipeline)), clock, lambda *_: None).case["case_number"]
    finally:
        pipeline.close()


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    opened = Database(database_url)
    yield opened
    opened.close()


def done(database: Database, number: str) -> Replayed:
    found = replay(database, number)
    assert found is not None
    return found


@pytest.mark.parametrize("story", ALL, ids=lambda s: s.title)
def test_every_decision_of_a_journey_comes_out_the_same(story: Story, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/relay.db"
    number = play(story, url, Site(region=story.region))
    found = done(Database(url), number)
    assert found.differing == ()
    assert found.decisions > 3 * len(story.events) / 2


def test_on_both_databases_and_through_a_change_of_thresholds(database_url: str, database: Database) -> None:
    """Each decision is made anew with the thresholds it was made with, not with those in force now."""
    site = Site(Thresholds().with_values({"stable_days": Decimal(21), "wear_hours": Decimal("4.5")}))
    numbers = [play(STORIES[0], database_url, Site()), play(STORIES[1], database_url, site)]
    for number in numbers:
        found = done(database, number)
        assert (found.differing, found.decisions > 20) == ((), True)
    with database.engine.connect() as connection:
        query = "SELECT count(*) FROM resource_version WHERE type = 'Device' AND id = 'airway-relay-rules'"
        assert connection.execute(text(query)).scalar() == 2
    assert sorted(numbers) == case_numbers(database, "")
    assert replay(database, "AR-NONE") is None


def test_an_input_that_was_changed_afterwards_is_noticed(tmp_path: Path) -> None:
    """A stored setting is tampered with: every decision that read it comes out otherwise."""
    url = f"sqlite:///{tmp_path}/relay.db"
    number = play(STORIES[0], url, Site())
    engine = create_engine(url)
    query = "SELECT type, id, version, body FROM resource_version WHERE type = 'Observation' ORDER BY id"
    with engine.begin() as connection:
        rows = [r for r in connection.execute(text(query)) if '"protrusion-setting"' in r.body and ":1," in r.body]
        assert rows
        changed = rows[0].body.replace('"value":1,', '"value":1.5,')
        assert changed != rows[0].body
        connection.execute(
            text("UPDATE resource_version SET body = :body WHERE type = 'Observation' AND id = :id AND version = 1"),
            {"body": changed, "id": rows[0].id},
        )
    engine.dispose()
    found = done(Database(url), number)
    assert any(f"{number}-readiness" in address for address in found.differing)
    assert 0 < len(found.differing) < found.decisions


def test_the_command_says_what_differs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    url = f"sqlite:///{tmp_path}/relay.db"
    number = play(STORIES[2], url, Site())
    monkeypatch.setenv("DATABASE_URL", url)
    assert replay_decisions([]) == 0
    assert "1 case, " in (said := capsys.readouterr().out) and "all the same to the byte" in said
    with (engine := create_engine(url)).begin() as connection:
        connection.execute(
            text("UPDATE resource_version SET body = replace(body, '\"not-yet\"', '\"ready\"') WHERE id = :id"),
            {"id": f"{number}-readiness"},
        )
    engine.dispose()
    assert replay_decisions([number]) == 1
    assert f"{number}: Observation/{number}-readiness/_history/" in capsys.readouterr().out
    assert replay_decisions(["AR-NONE"]) == 2
    assert "there is no case AR-NONE" in capsys.readouterr().err


def test_a_decision_of_another_version_of_its_rule_is_told_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It comes out neither the same nor otherwise, whatever it says; those of other rules are made anew all the same."""
    url = f"sqlite:///{tmp_path}/relay.db"
    number = play(STORIES[0], url, Site())
    before = done(Database(url), number)
    with (engine := create_engine(url)).begin() as connection:
        changed = connection.execute(
            text(
                "UPDATE resource_version SET body = replace(replace(body, 'test, version 2.', 'test, version 0.'),"
                " '\"not-yet\"', '\"ready\"') WHERE id = :id AND body LIKE '%efficacy-test, version 2.%'"
            ),
            {"id": f"{number}-readiness"},
        ).rowcount
    engine.dispose()
    found = done(Database(url), number)
    assert found.differing == ()
    assert found.decisions == before.decisions - changed
    assert [(rule, made) for rule, _, made in found.earlier] == [("readiness-for-efficacy-test", changed)]
    monkeypatch.setenv("DATABASE_URL", url)
    assert replay_decisions([number]) == 0
    said = capsys.readouterr().out
    assert f"{number}: {changed} decisions made by version 0." in said
    assert f"{found.decisions} decisions made anew: all the same to the byte; {changed} made by other versions" in said


@pytest.mark.parametrize("change", ["thresholds", "version"])
def test_a_decision_by_thresholds_that_are_no_longer_there_is_told_apart(tmp_path: Path, change: str) -> None:
    url = f"sqlite:///{tmp_path}/relay.db"
    number = play(STORIES[0], url, Site())
    before = done(Database(url), number)
    statement = {
        "thresholds": "UPDATE resource_version SET body = replace(body, '\"stable_days\"', '\"stable_weeks\"')"
        " WHERE id = 'airway-relay-rules'",
        "version": "UPDATE resource_version SET body = replace(body, 'airway-relay-rules/_history/1',"
        " 'airway-relay-rules') WHERE type = 'Observation'",
    }
    with (engine := create_engine(url)).begin() as connection:
        connection.execute(text(statement[change]))
    engine.dispose()
    found = done(Database(url), number)
    assert (found.decisions, found.differing) == (0, ())
    assert sum(made for _, _, made in found.earlier) == before.decisions


def test_the_device_of_the_rules_tells_a_site_as_it_was_set() -> None:
    site = Site(Thresholds().with_values({"stable_days": Decimal(30), "snoring_settled": Decimal("2.5")}), "US")
    for told in (site, Site()):
        assert site_of(load(write(rule_engine("1", told)))) == told


def test_moments_of_a_case_are_told_apart_however_quickly_they_follow(client: TestClient) -> None:
    """The clock stands still; every message of the case still has an instant of its own."""
    headers = {"Content-Type": "application/json"}
    referral = STORIES[0].referral | {"referred_on": "2026-11-01"}
    number = load(client.post("/intake/referrals", content=write(referral), headers=headers).text)["case_number"]
    for state in ("received", "accepted"):
        body = write({"state": state, "on": "2026-11-02"})
        client.post(f"/intake/cases/{number}/referral-state", content=body, headers=headers)
    task = load(client.get(f"/cases/{number}").text)["resources"]["task"]
    versions = [e["resource"]["meta"] for e in load(client.get(f"/fhir/{task}/_history").text)["entry"]]
    assert len({v["lastUpdated"] for v in versions}) == len(versions) == 3
