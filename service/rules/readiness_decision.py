"""How a readiness decision is put together, whichever rule settles it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from service.rules.course import Course
from service.rules.decision import Criterion, Decision, Party, Readiness
from service.rules.source import Source
from service.rules.threshold import Threshold

RULE = "readiness-for-efficacy-test"
VERSION = "2.1.0"


def decision_of(
    course: Course,
    criteria: tuple[Criterion, ...],
    outcome: Readiness,
    sentence: str,
    whose_move: Party,
    *,
    earliest: date | None = None,
    until: date | None = None,
    urgent: bool = False,
    read: Sequence[Source] = (),
    compared: Sequence[Threshold] = (),
) -> Decision:
    """A readiness decision on the day of `course`; `until` is the last day in time for whoever acts."""
    return Decision(
        rule=RULE,
        rule_version=VERSION,
        as_of=course.as_of,
        outcome=outcome.value,
        sentence=sentence,
        criteria=criteria,
        whose_move=whose_move,
        urgent=urgent,
        earliest=earliest,
        until=until,
        read_besides=tuple(sorted(set(read))),
        compared_besides=tuple(compared),
    )
