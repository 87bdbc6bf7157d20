"""What check-ins tell of wear: on how many of how many nights, and for how long."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from service.rules.facts import CheckIn


@dataclass(frozen=True, slots=True)
class WearReport:
    """A check-in that reports on at least one night. `hours_per_night` is 0 when never worn, None when not told."""

    check_in: CheckIn
    nights_reported: int
    nights_worn: int
    hours_per_night: Decimal | None


def wear_reports(check_ins: Iterable[CheckIn]) -> list[WearReport]:
    """The check-ins that tell on how many of how many nights the appliance was worn, in their order."""
    found: list[WearReport] = []
    for check_in in check_ins:
        reported, worn = check_in.nights_reported, check_in.nights_worn
        if reported and worn is not None:
            hours = check_in.hours_per_night if worn else Decimal(0)
            found.append(WearReport(check_in, reported, worn, hours))
    return found
