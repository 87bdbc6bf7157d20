"""The values of the course as rows of a table, for the chart's data and for whoever does not look at charts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from service.rules.course import Course
from service.rules.facts import CheckIn
from service.rules.kinds import TestPurpose
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.words import count, day, number, sides, spoken


@dataclass(frozen=True, slots=True)
class Row:
    """One line: the day, what it is, its values in words, and the resource versions that tell it."""

    on: date
    what: str
    values: str
    sources: tuple[Source, ...]

    @property
    def day(self) -> str:
        """The day in words."""
        return day(self.on)


def rows_of(course: Course) -> list[Row]:
    """Everything the chart shows, the last day first."""
    return sorted(_rows(course), key=lambda r: (r.on, r.what, r.sources), reverse=True)


def _rows(course: Course) -> Iterator[Row]:
    known = course.known
    for test in known.sleep_tests:
        name = "Efficacy test" if test.purpose is TestPurpose.EFFICACY else "Baseline test"
        yield Row(test.day, name, test_in_words(test), test.sources)
    for a in known.appliances:
        yield Row(a.delivered_on, "Appliance delivered", "", (a.source,))
    for s in known.settings:
        yield Row(s.moment.day, "Setting", sides(*s.pair), (s.source,))
    for c in course.all_check_ins:
        yield Row(c.moment.day, "Check-in", check_in_in_words(c), tuple(r.source for r in c.records) or (c.source,))
    for e in known.side_effects:
        ended = f", until {day(e.ended_on)}" if e.ended_on else ""
        words = f"{spoken(e.kind)}, grade {e.grade}, from {day(e.onset)}{ended}"
        yield Row(e.moment.day, "Side effect", words, (e.source,))
    for f in known.red_flags:
        words = f"{spoken(f.kind)}, {f'resolved on {day(f.resolved_on)}' if f.resolved_on else 'open'}"
        yield Row(f.moment.day, "Red flag", words, (f.source,))


def test_in_words(test: SleepTest) -> str:
    """A test's index, rule, place and hours in one line."""
    index = "no index told"
    if test.index_per_hour is not None:
        index = f"{test.index_name} {number(test.index_per_hour)} per hour, hypopnoea rule: {test.hypopnoea_rule}"
    parts = [index, f"at {'home' if test.place == 'home' else 'the laboratory'}" if test.place else ""]
    parts.append(f"{number(test.recording_hours)} h recorded" if test.recording_hours is not None else "")
    return ", ".join(p for p in parts if p)


def check_in_in_words(held: CheckIn) -> str:
    """The answers of a check-in in one line."""
    parts: list[str] = []
    for name, value in (("snoring", held.snoring), ("restedness", held.restedness), ("Epworth", held.epworth_total)):
        if value is not None:
            parts.append(f"{name} {number(value)}")
    if held.nights_reported is not None and held.nights_worn is not None:
        parts.append(f"worn {held.nights_worn} of {count(held.nights_reported, 'night')}")
    if held.hours_per_night is not None:
        parts.append(f"{number(held.hours_per_night)} h a night")
    if held.witnessed_pauses is not None:
        parts.append("pauses witnessed" if held.witnessed_pauses else "no pauses witnessed")
    if held.weight_kg is not None:
        parts.append(f"{number(held.weight_kg)} kg")
    return ", ".join(parts)
