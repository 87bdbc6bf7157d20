"""Cases and their messages, dated back from today: the service under measure has the clock of the machine."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.fhir.json_text import load, write
from service.pipeline import Pipeline
from service.settings import Settings
from service.wiring import build_pipeline
from tests.store.messages import Post, accepted, assessed, delivered, referral, take

RECENT_DAYS = 27
"""A report of the last weeks comes in order; an older one is late, and costs more."""
_DELIVERED = date(2026, 8, 24)
_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")


def today() -> date:
    """Today, as a service in UTC counts it."""
    return datetime.now(UTC).date()


def open_case(pipeline: Pipeline, number: str, weeks: int) -> str:
    """A case whose appliance was delivered some weeks before the recent days, with a report a week; its case number."""
    since = today() - timedelta(days=RECENT_DAYS + 7 * weeks + 1)
    posts = [Post("referrals", referral(number)), accepted(), assessed(), delivered()]
    case_number: str | None = None
    for post in posts:
        case_number = take(pipeline, _moved(post, since - _DELIVERED), case_number).case_number
    for first in range(0, weeks, 50):
        entries = [
            _entries(f"w{week}", since + timedelta(days=7 * week), week)
            for week in range(first, min(weeks, first + 50))
        ]
        body = {key: [e[key] for e in entries] for key in ("settings", "check_ins")}
        take(pipeline, Post("progress", body), case_number)
    assert case_number
    return case_number


def opened(database_url: str, weeks: Sequence[int]) -> list[str]:
    """New cases in a database that no service runs on, one for each number of weeks of reports; their numbers."""
    pipeline = build_pipeline(Settings(database_url=database_url))
    try:
        return [open_case(pipeline, f"bench-{i}", n) for i, n in enumerate(weeks)]
    finally:
        pipeline.close()


def updates(weeks: int, count: int) -> Iterator[bytes]:
    """Progress as a dental office sends it, a setting with a check-in, `count` times in the order of the recent days."""
    for i in range(count):
        day = today() - timedelta(days=RECENT_DAYS - i * RECENT_DAYS // max(count, 1))
        entry = _entries(f"u{i}", day, weeks + i)
        yield write({key: [held] for key, held in entry.items()}).encode()


def _entries(name: str, day: date, step: int) -> dict[str, Any]:
    """One setting and one check-in: half a millimetre a step up to the 5 mm of the appliance, while snoring falls."""
    advance = min(step, 10) / 2
    setting = {
        "entry_id": f"s-{name}",
        "set_on": day.isoformat(),
        "advance_left_mm": advance,
        "advance_right_mm": advance,
    }
    check_in = {
        "entry_id": f"c-{name}",
        "reported_on": day.isoformat(),
        "snoring_0_to_10": max(8 - step, 2),
        "restedness_0_to_10": min(4 + step, 8),
        "nights_reported": 7,
        "nights_worn": 6,
        "hours_per_night": 6.5,
        "witnessed_pauses": False,
    }
    return {"settings": setting, "check_ins": check_in}


def _moved(post: Post, by: timedelta) -> Post:
    """A message with all its days moved."""
    text = _DAY.sub(lambda found: (date.fromisoformat(found[0]) + by).isoformat(), write(post.body))
    return Post(post.door, load(text))
