"""Open red flags: reported by anybody or derived by rule, and closed only by the office they are for.

A closure answers all facts up to its moment; only a newer fact raises the flag again. All of it is policy but the warning
of a drowsy driver (ATS 2013, AJRCCM 187:1259).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.rules.facts import CaseFacts, RedFlag
from service.rules.judging.hidden import WORSE_OXIMETRY
from service.rules.judging.judgement import Judgement
from service.rules.kinds import Office, RedFlagKind
from service.rules.reason import Reason, say
from service.rules.source import Moment, Source
from service.rules.thresholds import Thresholds
from service.rules.worsening import Worsened

FOR_THE_DENTIST = frozenset({RedFlagKind.LOCKED_JAW, RedFlagKind.LOOSE_TOOTH, RedFlagKind.BROKEN_APPLIANCE})
DO_NOT_WEAR = FOR_THE_DENTIST
"""The red flags with which the appliance stays out until somebody has looked."""


@dataclass(frozen=True, slots=True)
class OpenFlag:
    """One kind of red flag that is open: since when, why, within how many working days (0: today), on which facts."""

    kind: RedFlagKind
    since: Moment
    sentence: Reason
    days: int
    derived: bool
    sources: tuple[Source, ...]

    @property
    def office(self) -> Office:
        """The office it is for, which alone closes it."""
        return office_of(self.kind)

    @property
    def due(self) -> date:
        """The last day in time."""
        return add_working_days(self.since.day, self.days)


def office_of(kind: RedFlagKind) -> Office:
    """The office that a kind of red flag is for."""
    return Office.DENTIST if kind in FOR_THE_DENTIST else Office.PHYSICIAN


def add_working_days(start: date, days: int) -> date:
    """The day that many working days (Monday to Friday) after a day; holidays are the site's to know."""
    found = start
    while days:
        found += timedelta(days=1)
        days -= found.weekday() < 5
    return found


def open_flags(
    known: CaseFacts, worsened: Iterable[Worsened], judged: Sequence[Judgement], as_of: date, thresholds: Thresholds
) -> tuple[OpenFlag, ...]:
    """The open red flags on a day, one of each kind, those for the same day first."""
    raised: dict[RedFlagKind, list[OpenFlag]] = {}
    for flag in (*_reported(known, thresholds, as_of), *_sleepiness(worsened), *_oximetry(judged, thresholds)):
        raised.setdefault(flag.kind, []).append(flag)
    found: list[OpenFlag] = []
    for kind, flags in raised.items():
        closed = closed_until(known, kind, as_of)
        still_open = [f for f in flags if closed is None or f.since > closed]
        if still_open:
            first = min(still_open, key=lambda f: (f.since, f.derived, f.sources))
            last = max(still_open, key=lambda f: (f.since, f.derived, f.sources))
            sources = tuple(sorted({s for f in still_open for s in f.sources}))
            days = min(f.days for f in still_open)
            found.append(OpenFlag(kind, first.since, last.sentence, days, last.derived, sources))
    return tuple(sorted(found, key=lambda f: (f.days, list(RedFlagKind).index(f.kind))))


def closed_until(known: CaseFacts, kind: RedFlagKind, as_of: date) -> Moment | None:
    """The last moment up to which a kind of red flag was closed by the office it is for; None when never.

    A closure that tells a day alone answers what is told of that day without a time, and nothing that tells one: what was
    reported later the same day must not pass unseen.
    """
    office = office_of(kind)
    told = [c.moment for c in known.red_flag_closures if c.kind is kind and c.office is office]
    told += [
        Moment(f.resolved_on) for f in known.red_flags if f.kind is kind and f.resolved_on and _closes_itself(f, as_of)
    ]
    return max((m for m in told if m.day <= as_of), default=None)


def _closes_itself(flag: RedFlag, as_of: date) -> bool:
    """Whether a report tells that the office it is for has closed it by that day."""
    closed_on = flag.resolved_on
    return closed_on is not None and closed_on <= as_of and flag.resolved_office is office_of(flag.kind)


def _reported(known: CaseFacts, thresholds: Thresholds, as_of: date) -> Iterable[OpenFlag]:
    for flag in known.red_flags:
        if _closes_itself(flag, as_of):
            continue
        today = flag.kind is RedFlagKind.DROWSY_DRIVING or flag.kind in FOR_THE_DENTIST
        days = 0 if today else int(thresholds.red_flag_days.value)
        yield OpenFlag(flag.kind, flag.moment, _words(flag), days, False, (flag.source,))


def _words(flag: RedFlag) -> Reason:
    return say(f"flag.{flag.kind}", on=flag.moment.day)


@dataclass(frozen=True, slots=True)
class EndedFlag:
    """A report of a red flag that ended without a closure: reported when, and how it ended, in a sentence."""

    kind: RedFlagKind
    reported: Moment
    sentence: Reason
    source: Source


def withdrawn_flags(known: CaseFacts) -> tuple[EndedFlag, ...]:
    """The red flags withdrawn by correction, which end without an office having looked; the last reported first."""
    found = (
        EndedFlag(f.kind, f.moment, say("flag.withdrawn", why=say(f"flag.{f.kind}", on=f.moment.day)), f.source)
        for f in known.withdrawn_flags
    )
    return tuple(sorted(found, key=lambda f: (f.reported, f.kind, f.source), reverse=True))


def _sleepiness(worsened: Iterable[Worsened]) -> Iterable[OpenFlag]:
    kind = RedFlagKind.WORSE_SLEEPINESS
    for item in worsened:
        yield OpenFlag(kind, item.total.moment, item.sentence, item.days, True, item.sources)


def _oximetry(judged: Sequence[Judgement], thresholds: Thresholds) -> Iterable[OpenFlag]:
    for judgement in judged:
        found = next((f for f in judgement.alarms if f.name == WORSE_OXIMETRY), None)
        if found is None:
            continue
        before = judgement.baseline.sources if judgement.baseline else ()
        sources = tuple(sorted({*judgement.test.sources, *before}))
        days = int(thresholds.red_flag_days.value) if found.days is None else found.days
        moment = Moment(judgement.test.day)
        yield OpenFlag(RedFlagKind.WORSE_OXIMETRY, moment, found.sentence, days, True, sources)


def letters_in(text: str) -> int:
    """How many letters a text has: a dot or a dash tells nobody what was done."""
    return sum(character.isalpha() for character in text)


def why_not_closed(kind: RedFlagKind, office: Office) -> Reason | None:
    """Why an office may not close a kind of red flag, naming the office that may; None when it may."""
    own = office_of(kind)
    if office is own:
        return None
    return say("flag.not-yours", flag=kind.value.replace("-", " "), office=_OFFICE_WORDS[own])


_OFFICE_WORDS = {Office.DENTIST: "the dental office", Office.PHYSICIAN: "the physician's office"}
