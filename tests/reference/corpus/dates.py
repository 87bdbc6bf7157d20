"""Dates that no calendar has, in no format of FHIR, or less exact than they must be."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.build import Resource
from tests.reference.corpus.case import Case
from tests.reference.corpus.known import known
from tests.reference.corpus.places import elements, put

KIND = "wrong date"
_MOST = 3
_VALUES = {
    "month 13": "2026-13-01",
    "day 30 of February": "2026-02-30",
    "29 February of no leap year": "2025-02-29",
    "29 February of a leap year": "2024-02-29",
    "day 0": "2026-05-00",
    "one digit": "2026-5-1",
    "time without zone": "2026-05-01T10:00:00",
    "time without seconds": "2026-05-01T10:00Z",
    "hour 24": "2026-05-01T24:00:00Z",
    "hour 25": "2026-05-01T25:00:00Z",
    "minute 60": "2026-05-01T10:60:00Z",
    "second 60": "2026-05-01T10:00:60Z",
    "zone of 15 hours": "2026-05-01T10:00:00+15:00",
    "zone without colon": "2026-05-01T10:00:00+0200",
    "blank for T": "2026-05-01 10:00:00Z",
    "small t and z": "2026-05-01t10:00:00z",
    "hour alone": "2026-05-01T10Z",
    "year alone": "2026",
    "year and month": "2026-05",
    "year of two digits": "26-05-01",
    "year 0000": "0000-05-01",
    "year of five digits": "12026-05-01",
    "day first": "01.05.2026",
    "slashes": "2026/05/01",
    "no dashes": "20260501",
    "in words": "yesterday",
    "with a blank before": " 2026-05-01",
    "with a blank after": "2026-05-01 ",
    "with a fraction of a second": "2026-05-01T10:00:00.123456Z",
    "with a day alone": "2026-05-01",
    "with a full time": "2026-05-01T10:00:00+02:00",
    "minus zone": "2026-05-01T10:00:00-00:00",
    "week date": "2026-W18-5",
}


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Some dates of the right resource, in some formats each, chosen by chance."""
    resource = case.fullest
    chance = case.random(KIND)
    held = [p for p in elements(resource) if _is_date(case.kind, p.names) and isinstance(p.value, str)]
    for place in chance.sample(held, min(_MOST, len(held))):
        for name in chance.sample(sorted(_VALUES), 9):
            yield f"{place.name} {name}", put(resource, place.steps, _VALUES[name])


def _is_date(kind: str, names: tuple[str, ...]) -> bool:
    element = known(kind, names)
    return element is not None and element.type in ("date", "datetime", "instant")
