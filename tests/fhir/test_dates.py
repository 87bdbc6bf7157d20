"""FHIR dates and times as moments of the rules."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.fhir.dates import day_of, instant, is_future, moment_of
from service.rules.source import Moment

TODAY, NOW = date(2026, 11, 20), datetime(2026, 11, 20, 9, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-10-04", Moment(date(2026, 10, 4))),
        ("2024-02-29", Moment(date(2024, 2, 29))),
        ("2026-10-04T21:30:00Z", Moment(date(2026, 10, 4), "21:30:00")),
        # the local day and time of who reported, not those of UTC
        ("2026-10-04T00:30:00+14:00", Moment(date(2026, 10, 4), "00:30:00")),
        ("2026-10-04T23:30:00.125-05:00", Moment(date(2026, 10, 4), "23:30:00")),
    ],
)
def test_a_day_or_a_time_with_offset_is_a_moment(text: str, moment: Moment) -> None:
    assert moment_of(text) == moment


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026", "a full date such as"),
        ("2026-10", "a full date such as"),
        ("2026-10-04T21:30:00", "a full date such as"),
        ("2026-10-04T21:30Z", "a full date such as"),
        ("20261004", "a full date such as"),
        ("٢٠٢٦-10-04", "a full date such as"),
        ("", "a full date such as"),
        (None, "a full date such as"),
        (20261004, "a full date such as"),
        ("2026-02-30", "«2026-02-30» is not a day of the calendar"),
        ("2025-02-29T10:00:00Z", "«2025-02-29» is not a day of the calendar"),
        ("2026-10-04T24:00:00Z", "is not a time of day with an offset"),
        ("2026-10-04T21:30:00+24:00", "is not a time of day with an offset"),
        ("1899-12-31", "does not lie between 1900 and 2199"),
        ("2200-01-01", "does not lie between 1900 and 2199"),
        ("0001-01-01T00:00:00Z", "does not lie between 1900 and 2199"),
    ],
)
def test_what_is_no_moment_is_refused_in_words(text: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        moment_of(text)


@pytest.mark.parametrize(
    ("text", "future"),
    [
        ("2026-11-20", False),
        ("2026-11-21", True),
        ("2026-11-20T09:00:00Z", False),
        ("2026-11-20T09:05:00Z", False),  # clocks differ by some minutes
        ("2026-11-20T09:05:01Z", True),
        ("2026-11-20T10:00:00+01:00", False),
        ("2026-11-20T08:00:00-02:00", True),
    ],
)
def test_the_future_begins_after_today_and_after_now(text: str, future: bool) -> None:
    assert is_future(text, TODAY, NOW) is future


@given(st.dates(date(1900, 1, 1), date(2199, 12, 31)))
def test_every_day_of_three_centuries_is_read(day: date) -> None:
    assert day_of(day.isoformat()) == moment_of(day.isoformat()).day == day


@given(st.text())
def test_any_other_text_is_refused_with_a_sentence(text: str) -> None:
    assume(not text[:4].isdigit())
    with pytest.raises(ValueError, match=r"(?s)^«.*is not a date such as 2026-10-04$"):
        day_of(text)


@given(st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)), st.integers(-14, 14))
def test_an_instant_is_utc_with_milliseconds(when: datetime, hours: int) -> None:
    there = when.replace(tzinfo=UTC) + timedelta(hours=hours)
    text = instant(there)
    assert text.endswith("Z")
    assert abs(datetime.fromisoformat(text) - there) < timedelta(milliseconds=1)
