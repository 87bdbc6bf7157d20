"""The course of a treatment on one day: which appliance, which setting since when, what is open.

Shared by the rules that judge it. Ties between facts of the same moment are broken by content, the
more cautious one last, and by source between equal ones, so that no answer depends on the order of arrival.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.check_ins import joined_check_ins
from service.rules.facts import (
    Appliance,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    PhysicianDecision,
    RedFlag,
    Setting,
    SideEffect,
)
from service.rules.kinds import IndexName, PhysicianChoice, TestPurpose
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.thresholds import Thresholds


@dataclass(frozen=True, slots=True)
class Course:
    """What holds on `as_of`, in order of time. `check_ins` are those since the onset of the current setting.

    `known` are the facts of that day, `run` are the reports of the current setting that matter: the first, the first of each that says more, the last.
    """

    as_of: date
    known: CaseFacts
    appliance: Appliance | None
    setting: Setting | None
    onset: date | None
    run: tuple[Setting, ...]
    previous: Setting | None
    check_ins: tuple[CheckIn, ...]
    open_side_effects: tuple[SideEffect, ...]
    open_red_flags: tuple[RedFlag, ...]
    assessment: DentalAssessment | None
    baseline: SleepTest | None
    baseline_epworth: CheckIn | None
    efficacy_tests: tuple[SleepTest, ...]
    all_check_ins: tuple[CheckIn, ...]
    decisions: tuple[PhysicianDecision, ...]

    @property
    def days_at_setting(self) -> int | None:
        """Days from the onset of the current setting to `as_of`."""
        return (self.as_of - self.onset).days if self.onset else None

    @property
    def tested(self) -> SleepTest | None:
        """The last efficacy test that gave an index."""
        return next((t for t in reversed(self.efficacy_tests) if t.index_per_hour is not None), None)

    @property
    def stopped_on(self) -> date | None:
        """The day the physician stopped treatment; None when a test or an appliance has come since."""
        last = self.decisions[-1] if self.decisions else None
        if last is None or last.choice is not PhysicianChoice.STOP:
            return None
        on = last.moment.day
        again = (self.tested and self.tested.day > on) or (self.appliance and self.appliance.delivered_on > on)
        return None if again else on

    @property
    def difference_intended(self) -> bool:
        """Whether the dentist recorded the difference between the sides as intended."""
        return any(setting.difference_intended for setting in self.run)


def course_on(facts: CaseFacts, as_of: date) -> Course:
    """The course of `facts` as known on `as_of`."""
    known = facts.known_on(as_of)
    appliance = _current_appliance(known.appliances)
    check_ins = joined_check_ins(known.check_ins)
    settings = _settings_of(known, appliance)
    run = _current_run(settings)
    onset = run[0].moment.day if run else None
    return Course(
        as_of=as_of,
        known=known,
        appliance=appliance,
        setting=run[-1] if run else None,
        onset=onset,
        run=_that_matter(run),
        previous=settings[-len(run) - 1] if len(settings) > len(run) else None,
        check_ins=_since(check_ins, onset),
        open_side_effects=_open_side_effects(known.side_effects, as_of),
        open_red_flags=_open_red_flags(known.red_flags, as_of),
        assessment=_latest_assessment(known.assessments),
        baseline=last_baseline(known.sleep_tests),
        baseline_epworth=_baseline_epworth(known),
        efficacy_tests=_efficacy_tests(known.sleep_tests),
        all_check_ins=check_ins,
        decisions=tuple(sorted(known.physician_decisions, key=lambda d: (d.moment, d.choice.value, d.source))),
    )


def _current_appliance(appliances: tuple[Appliance, ...]) -> Appliance | None:
    """The appliance delivered last; of two on one day, the one that allows the least advance."""

    def order(item: Appliance) -> tuple[date, bool, Decimal, tuple[str, ...], Source]:
        limit = item.maximum_advance_mm
        return (item.delivered_on, limit is not None, -(limit or Decimal(0)), _key(item), item.source)

    return max(appliances, key=order, default=None)


def _key(item: Appliance) -> tuple[str, ...]:
    """A last resort between equal appliances, from content alone."""
    return (str(item.ended_on), str(item.smallest_step_mm), str(item.starting_position_mm))


def _settings_of(known: CaseFacts, appliance: Appliance | None) -> tuple[Setting, ...]:
    """Settings in order; once an appliance is replaced, only those of the current one."""
    replaced = len(known.appliances) > 1 and appliance is not None
    kept = (s for s in known.settings if not replaced or s.moment.day >= appliance.delivered_on)  # type: ignore[union-attr]
    return tuple(
        sorted(kept, key=lambda s: (s.moment, s.left_mm + s.right_mm, s.left_mm, s.difference_intended, s.source))
    )


def _current_run(settings: tuple[Setting, ...]) -> tuple[Setting, ...]:
    """The unbroken run of the last left/right pair: repeating a setting does not restart it."""
    start = len(settings)
    while start and settings[start - 1].pair == settings[-1].pair:
        start -= 1
    return settings[start:]


def _that_matter(run: tuple[Setting, ...]) -> tuple[Setting, ...]:
    """Of a setting told again and again: its first and last report, and the first of each remark on it."""
    ends = {*run[:1], *run[-1:]}
    ends |= {*[s for s in run if s.difference_intended][:1], *[s for s in run if s.taken_back_for_side_effect][:1]}
    return tuple(s for s in run if s in ends)


def _since(check_ins: tuple[CheckIn, ...], onset: date | None) -> tuple[CheckIn, ...]:
    """Check-ins that speak of the current setting: one on the day of a change speaks of the nights before."""
    if onset is None:
        return ()
    return tuple(c for c in check_ins if c.moment.day > onset)


def _open_side_effects(reports: tuple[SideEffect, ...], as_of: date) -> tuple[SideEffect, ...]:
    latest: dict[str, SideEffect] = {}
    for report in sorted(reports, key=lambda r: (r.moment, _is_open(r, as_of), r.grade, r.onset, r.source)):
        latest[report.kind] = report
    return tuple(sorted((r for r in latest.values() if _is_open(r, as_of)), key=lambda r: (-r.grade, r.kind)))


def _is_open(effect: SideEffect, as_of: date) -> bool:
    ended = effect.ended_on is not None and effect.ended_on <= as_of
    return effect.grade > 0 and effect.onset <= as_of and not ended


def _open_red_flags(reports: tuple[RedFlag, ...], as_of: date) -> tuple[RedFlag, ...]:
    latest: dict[str, RedFlag] = {}
    for report in sorted(reports, key=lambda r: (r.moment, r.resolved_on is None, str(r.resolved_on), r.source)):
        latest[report.kind] = report
    still_open = (r for r in latest.values() if not (r.resolved_on and r.resolved_on <= as_of))
    return tuple(sorted(still_open, key=lambda r: r.kind))


def _latest_assessment(assessments: tuple[DentalAssessment, ...]) -> DentalAssessment | None:
    """The last assessment; of two at one moment, the one with the smaller protrusive range."""
    return max(
        assessments,
        key=lambda a: (a.moment, a.protrusive_range_mm is not None, -(a.protrusive_range_mm or 0), a.source),
        default=None,
    )


def last_baseline(tests: Iterable[SleepTest]) -> SleepTest | None:
    """The last baseline test that reports an AHI or REI; of two on one day, the higher index."""
    usable = [
        t
        for t in tests
        if t.purpose is TestPurpose.BASELINE
        and t.index_per_hour is not None
        and t.index_name in (IndexName.AHI, IndexName.REI)
    ]
    return max(usable, key=lambda t: (t.day, t.index_per_hour, t.source), default=None)


def _baseline_epworth(known: CaseFacts) -> CheckIn | None:
    """The last Epworth total on or before the first delivery; of two at one moment, the lower."""
    first = min((a.delivered_on for a in known.appliances), default=None)
    before = [
        (c.moment, -total, c.source, c)
        for c in known.check_ins
        if (total := c.epworth_total) is not None and first and c.moment.day <= first
    ]
    return max(before, key=lambda told: told[:3])[3] if before else None


def _efficacy_tests(tests: tuple[SleepTest, ...]) -> tuple[SleepTest, ...]:
    worn = (t for t in tests if t.purpose is TestPurpose.EFFICACY)
    return tuple(
        sorted(worn, key=lambda t: (t.day, Decimal(-1) if t.index_per_hour is None else t.index_per_hour, t.source))
    )


def _range_and_start(course: Course) -> tuple[Decimal, Decimal] | None:
    """Protrusive range and starting position in mm; None when either is unknown."""
    assessed, appliance = course.assessment, course.appliance
    if not (assessed and assessed.protrusive_range_mm and appliance and appliance.starting_position_mm is not None):
        return None
    return (assessed.protrusive_range_mm, appliance.starting_position_mm)


def percent_of_range(course: Course, advance_mm: Decimal) -> Decimal | None:
    """Position at `advance_mm` as % of the maximum protrusive range; None when range or start is unknown."""
    known = _range_and_start(course)
    return (known[1] + advance_mm) * 100 / known[0] if known else None


def room_mm(course: Course, thresholds: Thresholds) -> Decimal | None:
    """mm that the further side can still advance, by the appliance and the site's limit; None if neither is known."""
    if course.setting is None:
        return None
    further = max(course.setting.pair)
    rooms: list[Decimal] = []
    if course.appliance and course.appliance.maximum_advance_mm is not None:
        rooms.append(course.appliance.maximum_advance_mm - further)
    known = _range_and_start(course)
    if known:
        range_mm, start_mm = known
        rooms.append(thresholds.maximum_percent_of_range.value * range_mm / 100 - start_mm - further)
    return max(min(rooms), Decimal(0)) if rooms else None


def at_limit(course: Course, thresholds: Thresholds) -> bool:
    """Whether no further advancement is possible: less room than the smallest step."""
    room = room_mm(course, thresholds)
    if room is None:
        return False
    own = course.appliance.smallest_step_mm if course.appliance else None
    return room < (own or thresholds.smallest_step_mm.value)


def taken_back_for_side_effect(course: Course, facts: CaseFacts, thresholds: Thresholds) -> bool:
    """Whether the current setting is a step back for a side effect: recorded so, or one was open that day."""
    setting, previous = course.setting, course.previous
    if setting is None or previous is None or course.onset is None or sum(setting.pair) >= sum(previous.pair):
        return False
    if any(s.taken_back_for_side_effect for s in course.run):
        return True
    return any(effect.grade >= thresholds.side_effect_grade.value for effect in open_when_set(course, facts))


def open_when_set(course: Course, facts: CaseFacts) -> tuple[SideEffect, ...]:
    """The side effects that were open on the day of the current setting or the day before."""
    if course.onset is None:
        return ()
    days = (course.onset, course.onset - timedelta(days=1))
    return tuple(effect for day in days for effect in _open_side_effects(facts.known_on(day).side_effects, day))
