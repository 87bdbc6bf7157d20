"""Whole stories through the API, and the page a clinician can read that is made from them.

Write the page anew with `AIRWAY_RELAY_WRITE_JOURNEYS=1 python -m pytest tests/journeys`.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.engine import CAUTION
from service.rules.site import Site
from service.rules.words import day
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.journeys.stories import STORIES as MAIN_STORIES
from tests.journeys.stories_after import AFTERWARDS
from tests.journeys.stories_between import BETWEEN_OFFICES
from tests.journeys.stories_edges import EDGES
from tests.journeys.stories_judged import JUDGED
from tests.journeys.stories_waiting import WAITING
from tests.journeys.story import Event, Story, Told, tell

STORIES = (*MAIN_STORIES, *EDGES, *AFTERWARDS, *BETWEEN_OFFICES, *JUDGED, *WAITING)
PAGE = Path(__file__).parent / "JOURNEYS.md"


def judge(event: Event, case: dict[str, Any]) -> None:
    """The case after an event must be as the story says."""
    where = f"day {event.day}, {event.who} {event.says}"
    if event.readiness:
        assert case["readiness"]["outcome"] == event.readiness, where
    if event.stage:
        assert case["stage"] == event.stage, where
    if event.move:
        assert case["whose_move"] == event.move, where


def play(story: Story, folder: Path) -> Told:
    clock = Clock()
    settings = Settings(database_url=f"sqlite:///{folder}/relay.db", site=Site(region=story.region))
    pipeline = build_pipeline(settings, clock=clock)
    try:
        return tell(story, TestClient(build_app(Settings(), pipeline)), clock, judge)
    finally:
        pipeline.close()


@pytest.mark.parametrize("story", STORIES, ids=lambda s: s.title)
def test_a_journey(story: Story, tmp_path: Path) -> None:
    told = play(story, tmp_path)
    assert told.case["caution"] == CAUTION


def test_a_journey_that_goes_another_way_is_noticed(tmp_path: Path) -> None:
    wrong = Event(55, "a day passes", "nothing is sent", "", None, "not-yet")
    story = Story("", "", STORIES[0].referral, [*STORIES[0].events[:9], wrong])
    with pytest.raises(AssertionError, match="day 55"):
        play(story, tmp_path)


def test_the_page_is_fresh(tmp_path: Path) -> None:
    text = page([(story, play(story, _folder(tmp_path, index))) for index, story in enumerate(STORIES)])
    if os.environ.get("AIRWAY_RELAY_WRITE_JOURNEYS"):
        PAGE.write_text(text)
    assert PAGE.read_text() == text, "write the page anew (see the top of this file) and read what changed"


def _folder(tmp_path: Path, index: int) -> Path:
    folder = tmp_path / str(index)
    folder.mkdir()
    return folder


def page(told: list[tuple[Story, Told]]) -> str:
    """All journeys as Markdown."""
    parts = [
        "# Journeys\n",
        "Made from the tests of this folder; every person, place and number is invented. " + CAUTION + "\n",
    ]
    for story, result in told:
        parts.append(
            f"## {story.title}\n\n{story.lesson}\n\n| day | who | what | where the case stands |\n|---|---|---|---|"
        )
        parts += [f"| {day(line.day)} | {line.who} | {line.says} | {line.answer} |" for line in result.lines]
        parts.append("\n" + _reasons(result.case))
    return "\n".join(parts).rstrip() + "\n"


def _decision(title: str, decision: dict[str, Any]) -> list[str]:
    rows = [f"{title}: {decision['sentence']}\n"]
    return rows + [f"- {c['title']}, **{c['standing']}**: {c['sentence']}" for c in decision["criteria"]]


def _reasons(case: dict[str, Any]) -> str:
    rows = _decision("At the end", case["readiness"])
    response = case["response"]
    if response:
        rows += _decision("\nResponse", response)
        rows += [f"- {s}" for s in (response["disagreement"], *response["comparability"], response["wear"]) if s]
        rows += [f"- {s}" for s in (*response["certainty"]["sentences"], *response["cautions"])]
        rows += [f"- For the physician to consider: {s['sentence']}" for s in response["suggestions"]]
    for title, name in (
        ("The referral", "referral_check"),
        ("Documents for a payer", "us_coverage_documentation"),
        ("Follow-up", "follow_up"),
    ):
        if case[name]:
            rows += _decision(f"\n{title}", case[name])
    return "\n".join(rows) + "\n"
