"""The course of a treatment on one day: which appliance, which setting since when, what is open.

Shared by the rules that judge it. Ties between facts of the same moment are broken by content, the
more cautious one last, and by source between equal ones, so that no answer depends on the order of arrival.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.check_ins import SYMPTOMS, Reported, answers, joined_check_ins
from service.rules.facts import (
    Appliance,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    PhysicianDecision,
    Setting,
    SideEffect,
)
from service.rules.judging.consistency import consistency
from service.rules.judging.finding import Finding
from service.rules.judging.judgement import Judgement, judge
from service.rules.kinds import PhysicianChoice, TestKind, TestPurpose
from service.rules.ledger import Ledger, ledger_of
from service.rules.red_flags import DO_NOT_WEAR, OpenFlag, open_flags
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.thresholds import Thresholds
from service.rules.worsening import Totals, totals_of, worsened


@dataclass(frozen=True, slots=True)
class Course:
    """What holds on `as_of`, in order of time. `check_ins` are those since the onset of the current setting.

    `known` are the facts of that day, `settings` those of the appliance in use, `run` the reports of the current setting
    that matter: the first, the first of each that says more, the last. `told` are the answers
    of `check_ins` by symptom, `judged` the efficacy tests in order.
    """

    as_of: date
    known: CaseFacts
    appliance: Appliance | None
    setting: Setting | None
    onset: date | None
    run: tuple[Setting, ...]
    previous: Setting | None
    settings: tuple[Setting, ...]
    check_ins: tuple[CheckIn, ...]
    all_check_ins: tuple[CheckIn, ...]
    told: Mapping[str, Sequence[Reported]]
    ledger: Ledger
    open_side_effects: tuple[SideEffect, ...]
    flags: tuple[OpenFlag, ...]
    assessment: DentalAssessment | None
    baseline: SleepTest | None
    baseline_findings: tuple[Finding, ...]
    baseline_epworth: CheckIn | None
    totals: Totals
    judged: tuple[Judgement, ...]
    decisions: tuple[PhysicianDecision, ...]

    @property
    def days_at_setting(self) -> int | None:
        """Days from the onset of the current setting to `as_of`."""
        return (self.as_of - self.onset).days if self.onset else None

    @property
    def result(self) -> Judgement | None:
        """The last efficacy test, judged, whether it has a class or not."""
        return self.judged[-1] if self.judged else None

    @property
    def alarmed(self) -> tuple[Judgement, ...]:
        """The tests with an alarm that no decision of the physician has followed; a later test answers none."""
        last = self.decisions[-1].moment.day if self.decisions else date.min
        return tuple(j for j in self.judged if j.alarms and j.test.day > last)

    @property
    def alarmed_today(self) -> bool:
        """Whether one of those alarms is for the same day."""
        return any(a.days == 0 for j in self.alarmed for a in j.alarms)

    @property
    def decided(self) -> PhysicianDecision | None:
        """What the physician decided last, unless an efficacy test has come since."""
        last = self.decisions[-1] if self.decisions else None
        if last is None or (self.result and self.result.test.day > last.moment.day):
            return None
        return last

    @property
    def stopped_on(self) -> date | None:
        """The day the physician stopped treatment; None when a test or an appliance has come since."""
        last = self.decided
        if last is None or last.choice is not PhysicianChoice.STOP:
            return None
        on = last.moment.day
        return None if self.appliance and self.appliance.delivered_on > on else on

    @property
    def difference_intended(self) -> bool:
        """Whether the dentist recorded the difference between the sides as intended."""
        return any(setting.difference_intended for setting in self.run)

    @property
    def no_further(self) -> Setting | None:
        """The record of the current setting in which the dentist wants it tested as it is; None without one."""
        return next((s for s in reversed(self.run) if s.no_further), None)

    @property
    def delivered(self) -> date | None:
        """The day of the first delivery."""
        return min((a.delivered_on for a in self.known.appliances), default=None)

    @property
    def out_of_use(self) -> date | None:
        """The day on which the appliance was taken out of use for good; None while it is in use."""
        ended = self.appliance.ended_on if self.appliance else None
        return ended if ended is not None and ended <= self.as_of else None

    @property
    def flags_against_wear(self) -> tuple[OpenFlag, ...]:
        """The open red flags with which the appliance stays out."""
        return tuple(f for f in self.flags if f.kind in DO_NOT_WEAR)

    @property
    def stays_out(self) -> bool:
        """Whether the appliance stays out until somebody has looked: a red flag, or a side effect that stops wear."""
        return bool(self.grade_three or self.flags_against_wear)

    @property
    def grade_three(self) -> tuple[SideEffect, ...]:
        """Open side effects of the grade that stops wear."""
        return tuple(e for e in self.open_side_effects if e.grade >= GRADE_THAT_STOPS_WEAR)


GRADE_THAT_STOPS_WEAR = 3


def course_on(facts: CaseFacts, as_of: date, thresholds: Thresholds) -> Course:
    """The course of `facts` as known on `as_of`."""
    known = facts.known_on(as_of)
    appliance = _current_appliance(known.appliances)
    check_ins = joined_check_ins(known.check_ins)
    every = _in_order(known.settings)
    settings = _settings_of(known, every, appliance)
    run = _current_run(settings)
    onset = run[0].moment.day if run else None
    since = _since(check_ins, onset)
    first = min((a.delivered_on for a in known.appliances), default=None)
    before = _baseline_epworth(known, first, thresholds)
    totals = totals_of(check_ins, before, first, thresholds)
    baseline = baseline_before(known.sleep_tests, appliance.delivered_on if appliance else None)
    judged = _judged(known, baseline, every, thresholds)
    return Course(
        as_of=as_of,
        known=known,
        appliance=appliance,
        setting=run[-1] if run else None,
        onset=onset,
        run=_that_matter(run),
        previous=settings[-len(run) - 1] if len(settings) > len(run) else None,
        settings=settings,
        check_ins=since,
        all_check_ins=check_ins,
        told={name: answers(since, name, thresholds) for name in SYMPTOMS},
        ledger=ledger_of(check_ins, first),
        open_side_effects=open_side_effects(known.side_effects, as_of),
        flags=open_flags(known, worsened(totals, thresholds), judged, as_of, thresholds),
        assessment=_latest_assessment(known.assessments),
        baseline=baseline,
        baseline_findings=consistency(baseline, thresholds) if baseline else (),
        baseline_epworth=before,
        totals=totals,
        judged=judged,
        decisions=tuple(sorted(known.physician_decisions, key=lambda d: (d.moment, d.choice.value, d.source))),
    )


def _judged(
    known: CaseFacts, baseline: SleepTest | None, settings: tuple[Setting, ...], thresholds: Thresholds
) -> tuple[Judgement, ...]:
    """The efficacy tests in order, each judged against the last baseline up to it."""
    found: list[Judgement] = []
    for test in _efficacy_tests(known.sleep_tests):
        earlier = last_baseline(t for t in known.sleep_tests if t.day <= test.day)
        against = baseline if baseline and baseline.day <= test.day else earlier or baseline
        night = [s for s in settings if s.moment.day <= test.day]
        found.append(judge(test, against, night[-1].pair if night else None, thresholds))
    return tuple(found)


def _current_appliance(appliances: tuple[Appliance, ...]) -> Appliance | None:
    """The appliance delivered last; of two on one day, the one that allows the least advance."""

    def order(item: Appliance) -> tuple[date, bool, Decimal, tuple[str, ...], Source]:
        limit = item.maximum_advance_mm
        return (item.delivered_on, limit is not None, -(limit or Decimal(0)), _key(item), item.source)

    return max(appliances, key=order, default=None)


def _key(item: Appliance) -> tuple[str, ...]:
    """A last resort between equal appliances, from content alone."""
    return (str(item.ended_on), str(item.smallest_step_mm), str(item.starting_position_mm))


def _in_order(settings: Iterable[Setting]) -> tuple[Setting, ...]:
    return tuple(
        sorted(settings, key=lambda s: (s.moment, s.left_mm + s.right_mm, s.left_mm, s.difference_intended, s.source))
    )


def _settings_of(known: CaseFacts, settings: tuple[Setting, ...], appliance: Appliance | None) -> tuple[Setting, ...]:
    """Settings in order; once an appliance is replaced, only those of the current one."""
    if appliance is None or len(known.appliances) < 2:
        return settings
    return tuple(s for s in settings if s.moment.day >= appliance.delivered_on)


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


def open_side_effects(reports: tuple[SideEffect, ...], as_of: date) -> tuple[SideEffect, ...]:
    """The side effects open on a day, the worst first: the latest report of each kind counts."""
    latest: dict[str, SideEffect] = {}
    for report in sorted(reports, key=lambda r: (r.moment, _is_open(r, as_of), r.grade, r.onset, r.source)):
        latest[report.kind] = report
    return tuple(sorted((r for r in latest.values() if _is_open(r, as_of)), key=lambda r: (-r.grade, r.kind)))


def _is_open(effect: SideEffect, as_of: date) -> bool:
    ended = effect.ended_on is not None and effect.ended_on <= as_of
    return effect.grade > 0 and effect.onset <= as_of and not ended


def _latest_assessment(assessments: tuple[DentalAssessment, ...]) -> DentalAssessment | None:
    """The last assessment; of two at one moment, the one with the smaller protrusive range."""
    return max(
        assessments,
        key=lambda a: (a.moment, a.protrusive_range_mm is not None, -(a.protrusive_range_mm or 0), a.source),
        default=None,
    )


def last_baseline(tests: Iterable[SleepTest]) -> SleepTest | None:
    """The last baseline test that reports an index; of two on one day, the higher index."""
    usable = [t for t in tests if t.purpose is TestPurpose.BASELINE and t.index_per_hour is not None and t.index_name]
    return max(usable, key=lambda t: (t.day, t.index_per_hour, t.source), default=None)


def baseline_before(tests: Iterable[SleepTest], delivered: date | None) -> SleepTest | None:
    """The last baseline test made before the delivery of the appliance in use; any, before one is delivered."""
    return last_baseline(t for t in tests if delivered is None or t.day <= delivered)


def _baseline_epworth(known: CaseFacts, first: date | None, thresholds: Thresholds) -> CheckIn | None:
    """The last Epworth total on or before the first delivery, not too old; of two at one moment, the lower."""
    if first is None:
        return None
    since = first - timedelta(days=int(thresholds.epworth_before_days.value))
    before = [
        (c.moment, -total, c.source, c)
        for c in known.check_ins
        if (total := c.epworth_total) is not None and since <= c.moment.day <= first
    ]
    return max(before, key=lambda told: told[:3])[3] if before else None


def _efficacy_tests(tests: tuple[SleepTest, ...]) -> tuple[SleepTest, ...]:
    """Tests with the appliance, in order. Oximetry alone during titration is a record and no such test."""
    worn = (t for t in tests if t.purpose is TestPurpose.EFFICACY and t.kind is not TestKind.OXIMETRY)
    return tuple(
        sorted(worn, key=lambda t: (t.day, Decimal(-1) if t.index_per_hour is None else t.index_per_hour, t.source))
    )
