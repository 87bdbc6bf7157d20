"""What patients read is easy to read: urgent words at school grade 5 or under, all others at 6, by two formulas.

Over every sheet and check-in page of the demo and of all journeys, day by day, and over 500 generated cases. The sheet also
never holds two acts that exclude each other.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import chain, combinations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from starlette.testclient import TestClient

from service.app import build_app
from service.demo.scenario import stories
from service.pipeline.page_reads import CaseRead
from service.pipeline.telephones import ACCORDING_TO_THE_REFERRAL, Telephone
from service.rules.case_view import CaseView, view_case
from service.rules.site import Site
from service.settings import Settings
from service.web.pages import check_in_words
from service.web.pages.papers import Paper
from service.web.pages.patient_lines import is_urgent, lines_of, main_message
from service.web.pages.sheet import sheet_of
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.journeys.story import Event, tell
from tests.journeys.test_journeys import STORIES
from tests.rules.cases import as_of_days, cases
from tests.rules.walk import walk
from tests.short_run import times
from tests.web.messages import post
from tests.web.pages.reading import PLAIN, URGENT, Blocks, grades, too_hard

NUMBERS = {
    "dentist": Telephone("+1 (555) 0117", ACCORDING_TO_THE_REFERRAL),
    "physician": Telephone("555-0142"),
}
EXCLUDING = (
    (r"\bWear it\b", r"\bStop wearing\b"),
    (r"\bSet the appliance to\b", r"\bKeep (?:the appliance at|it as it is set)\b"),
    (r"\bSet the appliance to\b", r"\bStop wearing\b"),
    (r"\bKeep the appliance at\b", r"\bStop wearing\b"),
    (r"\bDo not drive until\b", r"\bDo not drive when\b"),
    (r"\bDo not go to the sleep test\b", r"\bWear it on the night of the test\b"),
    (r"\bTry the whole night\b|\btry the whole night\b", r"\bStop wearing\b"),
    (r"\bnothing for you to do\b", r"\bCall your (?:dental office|doctor) (?:today|by)\b(?! if)"),
)
"""Acts by the words that tell them, in pairs of which a patient can only do one."""


def sheet_for(view: CaseView) -> Paper:
    """The sheet of a case that was never stored."""
    data: dict[str, Any] = {**view.as_data(), "case_number": "AR-1", "caution": "", "resources": {"patient": ""}}
    return sheet_of(CaseRead(data, view.course, {}, telephones=NUMBERS))


def blocks_of(sheet: Paper) -> Iterator[tuple[str, bool]]:
    """The blocks of a sheet, and whether each is urgent."""
    now, calls, *others = sheet.sections
    urgent = is_urgent(now.main)
    yield " ".join(line.text for line in now.main), urgent
    yield " ".join(line.text for line in (*now.main, *now.lines)), urgent
    yield " ".join(line.text for line in calls.lines), True
    yield " ".join(calls.cautions), True
    yield sheet.caution, False
    for section in others:
        yield from ((item.partition(": ")[2] or item, False) for item in section.items)


def faults(blocks: Iterable[tuple[str, bool]]) -> list[Any]:
    found = [too_hard(text, URGENT if urgent else PLAIN) for text, urgent in blocks]
    return [fault for one in found for fault in one]


def contradictions(sheet: Paper) -> list[tuple[str, str]]:
    """The pairs of acts on a sheet that exclude each other."""
    lines = [line.text for section in sheet.sections for line in (*section.main, *section.lines)]
    told = " ".join([*lines, *(item for section in sheet.sections for item in section.items)])
    return [(one, other) for one, other in EXCLUDING if re.search(one, told) and re.search(other, told)]


@pytest.mark.at_length
@settings(max_examples=times(500, 40), deadline=None, suppress_health_check=list(HealthCheck))
@given(cases(), as_of_days())
def test_the_sheet_of_any_case_is_easy_and_does_not_contradict_itself(facts, as_of):
    sheet = sheet_for(view_case(facts, Site(), as_of))
    assert faults(blocks_of(sheet)) == []
    assert contradictions(sheet) == []
    assert 1 <= len(sheet.sections[0].main) <= 3


@pytest.mark.at_length
def test_so_is_that_of_every_state_a_case_walks_through() -> None:
    found = walk(times(120, 60)).places.values()
    assert len(found) > times(50, 25)
    for place in found:
        sheet = sheet_for(place.view())
        assert faults(blocks_of(sheet)) == []
        assert contradictions(sheet) == []


def test_what_a_check_in_answers_at_once_is_easy_whatever_was_told() -> None:
    kinds = [kind for kind, _ in check_in_words.TROUBLES]
    for told in chain.from_iterable(combinations(kinds, n) for n in range(len(kinds) + 1)):
        for grade in (None, 0, 1, 2, 3):
            acts = check_in_words.what_to_do(told, grade)
            main, rest = main_message(lines_of(acts, NUMBERS))
            lines = [" ".join(line.text for line in part) for part in (main, [*main, *rest]) if part]
            assert faults((text, True) for text in [*lines, " ".join(check_in_words.hints(told))]) == []


def _pages(client: TestClient, number: str) -> Iterator[str]:
    """The sheet, the check-in page where there can be one, and what it answers."""
    yield client.get(f"/cases/{number}/sheet").text
    made = client.post(f"/intake/cases/{number}/check-in-links")
    if made.status_code == 201:
        yield client.get("/check-in/" + made.json()["link"].rsplit("/", 1)[1]).text


def _hard(page: str) -> list[Any]:
    """Blocks that are too hard, without the titles of parts and what names the case."""
    blocks = Blocks(page).blocks
    return faults((re.sub(r"^Caution\. |^[A-Z][a-z ]+: (?=[A-Z])", "", text), urgent) for text, urgent in blocks)


@pytest.fixture
def served(tmp_path: Path, clock: Clock) -> Iterator[TestClient]:
    pipeline = build_pipeline(Settings(database_url=f"sqlite:///{tmp_path}/relay.db"), clock=clock)
    yield TestClient(build_app(Settings(), pipeline))
    pipeline.close()


def test_every_page_of_the_demo_is_easy(served: TestClient, clock: Clock) -> None:
    seen = 0
    for story in stories(clock.now.date()):
        number = post(served, "/intake/referrals", story.referral).json()["case_number"]
        for _, what, body in story.messages:
            post(served, f"/intake/cases/{number}/{what}", body)
        for page in _pages(served, number):
            assert _hard(page) == [], story.title
            seen += 1
    assert seen > 10


@pytest.mark.sampled
@pytest.mark.parametrize("story", STORIES, ids=lambda s: s.title)
def test_every_day_of_a_journey_is_easy(story: Any, served: TestClient, clock: Clock) -> None:
    def check(event: Event, case: dict[str, Any]) -> None:
        for page in _pages(served, case["case_number"]):
            assert _hard(page) == [], event.says

    tell(story, served, clock, check)


def test_what_a_check_in_answers_is_easy_on_its_page(served: TestClient, clock: Clock) -> None:
    story = next(iter(stories(clock.now.date())))
    number = post(served, "/intake/referrals", story.referral).json()["case_number"]
    for _, what, body in story.messages:
        post(served, f"/intake/cases/{number}/{what}", body)
    for kind in ("", *(kind for kind, _ in check_in_words.TROUBLES)):
        link = served.post(f"/intake/cases/{number}/check-in-links").json()["link"].rsplit("/", 1)[1]
        answers = {"restedness_0_to_10": "5", "nights_reported": "1", "nights_worn": "1", f"trouble-{kind}": "yes"}
        assert _hard(served.post(f"/check-in/{link}", data=answers).text) == []


def test_the_grade_is_measured() -> None:
    hard = "Discontinue utilisation of the intraoral apparatus immediately and contact the responsible practitioner."
    assert min(grades(hard)) > 12 and too_hard(hard, PLAIN)
    assert too_hard("Call your dental office today: +1 (555) 0117 (according to the referral).", URGENT) == []
    assert grades("Come on 4 May 2026.") == grades("Come on 4 May.")
    keep = sheet_for(next(iter(walk(3).places.values())).view())
    both = replace(keep, sections=(replace(keep.sections[0], items=("Wear it. Stop wearing it.",)), *keep.sections[1:]))
    assert contradictions(both) == [(r"\bWear it\b", r"\bStop wearing\b")]
