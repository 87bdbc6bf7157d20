"""Readiness criterion about wear, from the ledger of nights since the onset of the current setting.

At least 4 hours on at least 70 % of nights: Dieltjens 2013, doi 10.1378/chest.13-0613. How the appliance is worn now says
more about the night of the test than how it was worn months ago, so the last weeks count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.ledger import PARTS, Night
from service.rules.reason import say
from service.rules.thresholds import Thresholds
from service.rules.words import number, percent, quarter_hours, rounded


@dataclass(frozen=True, slots=True)
class Wear:
    """What nights tell together: nights known, nights worn, of these with hours told, and their hours."""

    known: int
    worn: Fraction
    timed: Fraction
    hours: Fraction

    @property
    def share(self) -> Decimal:
        """Nights worn of nights known, 0 to 1; 0 without nights."""
        return exact(self.worn / self.known) if self.known else Decimal(0)

    @property
    def mean_hours(self) -> Decimal | None:
        """Mean hours on the nights worn; None when they are told for fewer than half of them."""
        if not self.timed or self.timed * 2 < self.worn:
            return None
        return exact(self.hours / self.timed)


def exact(value: Fraction) -> Decimal:
    """A fraction as a decimal."""
    return Decimal(value.numerator) / value.denominator


def wear_of(nights: Sequence[Night]) -> Wear:
    """What nights tell together."""
    timed = [(n.parts, n.hours) for n in nights if n.hours is not None]
    hours = sum((parts * hours for parts, hours in timed), Decimal(0))
    return Wear(
        len(nights),
        Fraction(sum(n.parts for n in nights), PARTS),
        Fraction(sum(parts for parts, _ in timed), PARTS),
        Fraction(hours) / PARTS,
    )


def recent_nights(course: Course, thresholds: Thresholds) -> tuple[Night, ...]:
    """The nights since the onset of the setting, at most the last weeks of them."""
    if course.onset is None:
        return ()
    return course.ledger.recent(course.onset, course.as_of, recent_days(thresholds))


def recent_days(thresholds: Thresholds) -> int:
    """How many days back nights count: at least as many as are asked for, so that they can be reached at all."""
    return int(max(thresholds.wear_recent_days.value, thresholds.wear_nights_needed.value))


def worn_enough(course: Course, thresholds: Thresholds) -> Criterion:
    """Nights worn of nights known, and mean hours of the nights worn. A share that is too low needs no hours."""
    name, title, needed = "worn-enough", "Worn enough", thresholds.wear_nights_needed
    used = (thresholds.wear_share, thresholds.wear_hours, needed, thresholds.wear_recent_days)
    nights = recent_nights(course, thresholds)
    inputs = tuple(sorted({s for n in nights for s in n.sources}))
    wear = wear_of(nights)
    status = status_of(wear, thresholds)
    earliest = None if status is Status.MET else _earliest(course, thresholds)
    needs = "" if earliest or status is Status.MET else _needs(course)
    told = {"worn": _nights(wear.worn), "known": wear.known}
    if wear.known < needed.value:
        sentence = say("ready.nights-too-few", known=wear.known, needed=needed.value)
        missing = say("ready.missing-nights", needed=needed.value)
        observed = (Measured(Decimal(wear.known), "d"),)
        return Criterion(
            name, title, status, sentence, observed, used, inputs, earliest=earliest, needs=needs, missing=missing
        )
    share = percent(wear.share, thresholds.wear_share.value)
    observed = (Measured(rounded(wear.share, "0.0001"), "1"),)
    hours = wear.mean_hours
    if hours is None:
        sentence = say("ready.worn-hours-untold", **told, share=share)
        missing = "" if status is Status.UNMET else "the hours worn"
        return Criterion(
            name, title, status, sentence, observed, used, inputs, earliest=earliest, needs=needs, missing=missing
        )
    observed += (Measured(quarter_hours(hours), "h"),)
    by_sensor = all(n.by_sensor for n in nights)
    words = "ready.worn-by-sensor" if by_sensor else "ready.worn"
    sentence = say(words, **told, share=share, hours=quarter_hours(hours))
    return Criterion(name, title, status, sentence, observed, used, inputs, earliest=earliest, needs=needs)


def _needs(course: Course) -> str:
    """Who acts where no number of nights is enough."""
    if course.onset is None:
        return "the dental office records the setting"
    return "the dentist and the patient agree on how it can be worn enough"


def _nights(worn: Fraction) -> str:
    """A number of nights, which summaries may leave in parts, to one decimal."""
    return number(rounded(exact(worn), "0.1"))


def status_of(wear: Wear, thresholds: Thresholds) -> Status:
    """How the criterion comes out."""
    if wear.known < thresholds.wear_nights_needed.value:
        return Status.UNKNOWN
    if wear.worn < Fraction(thresholds.wear_share.value) * wear.known:
        return Status.UNMET
    hours = wear.mean_hours
    if hours is None:
        return Status.UNKNOWN
    return Status.MET if hours >= thresholds.wear_hours.value else Status.UNMET


def _earliest(course: Course, thresholds: Thresholds) -> date | None:
    """The first day from tomorrow on which wear is enough if every night after the last known one is worn in full."""
    if course.onset is None:
        return None
    days = recent_days(thresholds)
    known = course.ledger.recent(course.onset, course.as_of, days)
    last = known[-1].evening if known else course.onset - timedelta(days=1)
    hours = thresholds.full_night_hours.value
    for ahead in range(1, 2 * days + 1):
        until = course.as_of + timedelta(days=ahead)
        first = max(course.onset, until - timedelta(days=days))
        new = [
            Night(evening, PARTS, hours, None, False, True, ())
            for evening in _evenings(max(last + timedelta(days=1), first), until)
        ]
        kept = [n for n in known if n.evening >= first]
        if status_of(wear_of([*kept, *new]), thresholds) is Status.MET:
            return until
    return None


def _evenings(first: date, until: date) -> list[date]:
    return [first + timedelta(days=n) for n in range(max((until - first).days, 0))]
