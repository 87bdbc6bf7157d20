"""One case, week by week: the rules decide on the facts of the case, the people do as the rules say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from random import Random

from service.rehearsal.life import Life, told
from service.rehearsal.parameters import Parameters
from service.rehearsal.patient import SimulatedPatient, draw_patient, measured_ahi
from service.rehearsal.record import Record, day_of
from service.rehearsal.weeks import Week, weeks_of
from service.rules.course import Course, course_on
from service.rules.decision import Decision, Readiness, Status, Step
from service.rules.kinds import Office, RedFlagKind
from service.rules.limits import EPWORTH_TOTAL
from service.rules.readiness import assess_readiness
from service.rules.response import response_criteria
from service.rules.thresholds import Thresholds
from service.rules.titration import next_step

Three = tuple[bool, bool, bool]


class Ending(StrEnum):
    """How a simulated case ends."""

    RETEST = "retest"
    DROPPED_OUT = "dropped out"
    STILL_WAITING = "still waiting"


@dataclass(frozen=True, slots=True)
class SimulatedCase:
    """One case to its end. `found` and `truly`: the three response criteria by the retest and by the true AHI.

    `at_limit` says that symptoms were left: at the limit, or when the time was up. `waited_weeks` counts, for each criterion, the weeks at settings that truly met it until the retest.
    """

    ending: Ending
    weeks: int
    can_benefit: bool
    at_limit: bool = False
    advance_mm: Decimal = Decimal(0)
    measured_ahi: Decimal = Decimal(0)
    true_ahi: float = 0
    found: Three = (False, False, False)
    truly: Three = (False, False, False)
    waited_weeks: tuple[int, int, int] = (0, 0, 0)


def rehearse_case(
    seed: int, number: int, thresholds: Thresholds, parameters: Parameters, horizon_weeks: int
) -> SimulatedCase:
    """Case `number` of a cohort. It depends on nothing but the arguments, so cases can run in any order."""
    patient = draw_patient(_chance(seed, number, "patient"), parameters)
    weeks = weeks_of(_chance(seed, number, "weeks"))
    return _Treatment(patient, next(weeks), thresholds, parameters).run(
        weeks, horizon_weeks, _chance(seed, number, "retest")
    )


def _chance(seed: int, number: int, what: str) -> Random:
    return Random(f"{seed}/{number}/{what}")


class _Treatment:
    def __init__(self, patient: SimulatedPatient, before: Week, thresholds: Thresholds, parameters: Parameters) -> None:
        self._patient, self._thresholds, self._parameters = patient, thresholds, parameters
        epworth = told(patient.epworth, parameters.epworth_noise.value * before.epworth_noise, EPWORTH_TOTAL.high)
        self._smallest_mm = Decimal(str(parameters.appliance_step_mm.value))
        limit_mm = Decimal(str(parameters.appliance_limit_mm.value))
        self._record = Record(patient, epworth, limit_mm, self._smallest_mm)
        interval_weeks = max(round(thresholds.check_in_interval_days.value / 7), 1)
        self._life = Life(patient, parameters, self._record, interval_weeks)
        self._truly = self._true_response()
        self._since = [0, 0, 0]
        self._answers_in: tuple[int, RedFlagKind] | None = None

    def run(self, weeks: Iterator[Week], horizon_weeks: int, retest: Random) -> SimulatedCase:
        """The rules are asked in every week that brings something new: nobody opens a file without a reason."""
        for number, week in enumerate(weeks, start=1):
            if number > horizon_weeks:
                break
            if self._life.drops_out(week):
                return SimulatedCase(Ending.DROPPED_OUT, number, self._patient.can_benefit)
            answered = self._flags_answered(number)
            if not self._life.live(number, week) and not answered:
                continue
            facts = self._record.facts()
            course = course_on(facts, day_of(number), self._thresholds)
            readiness = assess_readiness(facts, self._thresholds, day_of(number), course)
            step = next_step(facts, self._thresholds, readiness, course)
            assert step
            self._flags_seen(number, course)
            if step.outcome == Step.REQUEST_TEST or readiness.outcome == Readiness.ASK_PHYSICIAN:
                return self._retested(number, readiness, retest)
            self._follow(number, step, week)
        return SimulatedCase(Ending.STILL_WAITING, horizon_weeks, self._patient.can_benefit)

    def _flags_seen(self, number: int, course: Course) -> None:
        """A red flag for the physician is answered some weeks later."""
        own = [f.kind for f in course.flags if f.office is Office.PHYSICIAN]
        if own and self._answers_in is None:
            self._answers_in = (number + int(self._parameters.flag_answer_weeks.value), own[0])

    def _flags_answered(self, number: int) -> bool:
        """Whether the physician closes a red flag this week."""
        if self._answers_in is None or number < self._answers_in[0]:
            return False
        self._record.flag_closed(number, self._answers_in[1])
        self._answers_in = None
        return True

    def _follow(self, number: int, step: Decision, week: Week) -> None:
        """Do what the step says; a dentist asked to review may direct one step beyond the standard parts."""
        target = step.target_left_mm
        if step.outcome == Step.STEP_BACK and target is not None:
            self._record.set_to(number, target, taken_back=True)
            self._life.taken_back()
        elif step.outcome == Step.ADVANCE and target is not None:
            self._advance(number, target)
        elif step.outcome == Step.DENTIST_REVIEW and week.dentist < self._parameters.dentist_directs.value:
            self._beyond_standard_parts(number, step)
        self._note_response(number)

    def _beyond_standard_parts(self, number: int, step: Decision) -> None:
        room_mm = _room_for_the_dentist(step)
        if room_mm:
            size = min(self._thresholds.step_mm.value, room_mm)
            self._advance(number, self._record.advance_mm + size // self._smallest_mm * self._smallest_mm)

    def _advance(self, number: int, target_mm: Decimal) -> None:
        self._record.set_to(number, target_mm)
        self._life.advanced()

    def _note_response(self, number: int) -> None:
        """Start the count of weeks for each criterion that the setting newly meets."""
        before, self._truly = self._truly, self._true_response()
        for i, (was, now) in enumerate(zip(before, self._truly, strict=True)):
            if now and not was:
                self._since[i] = number

    def _true_response(self) -> Three:
        patient = self._patient
        return _three(_exact(patient.true_ahi), _exact(patient.ahi_at(self._record.advance_mm)), self._thresholds)

    def _retested(self, number: int, readiness: Decision, chance: Random) -> SimulatedCase:
        """The test is made in the week in which it is asked for, with the appliance worn all night."""
        patient, advance_mm = self._patient, self._record.advance_mm
        true_ahi = patient.ahi_at(advance_mm)
        measured = measured_ahi(chance, true_ahi, self._parameters)
        first, second, third = (
            number - since if truly else 0 for since, truly in zip(self._since, self._truly, strict=True)
        )
        return SimulatedCase(
            Ending.RETEST,
            number,
            patient.can_benefit,
            at_limit=readiness.outcome != Readiness.READY,
            advance_mm=advance_mm,
            measured_ahi=measured,
            true_ahi=true_ahi,
            found=_three(patient.measured_ahi, measured, self._thresholds),
            truly=self._truly,
            waited_weeks=(first, second, third),
        )


def _three(before: Decimal, after: Decimal, thresholds: Thresholds) -> Three:
    """The three published response criteria, by the rule that judges real tests."""
    first, second, third = (c.status is Status.MET for c in response_criteria(before, after, thresholds))
    return (first, second, third)


def _room_for_the_dentist(step: Decision) -> Decimal | None:
    """mm that a dentist could still direct when the review is about standard parts; None for any other review."""
    for reason in step.criteria:
        if reason.name == "room-left" and reason.status is Status.MET:
            return reason.observed[0].value
    return None


def _exact(ahi: float) -> Decimal:
    return Decimal(f"{ahi:.4f}")
