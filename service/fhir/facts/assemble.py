"""The facts of a case as the rules read them, joined from stored facts in whatever order they came.

A sleep test is joined from its DiagnosticReport and Observations, an appliance from Device and DeviceUseStatement, the
referral from ServiceRequest, Task, Condition and Observations.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.fhir.facts.fact import StoredFact
from service.fhir.facts.grouped import Found, Grouped
from service.fhir.facts.join_referral import referral_of
from service.fhir.facts.join_sleep_test import Measures, sleep_test_of
from service.fhir.facts.referral import CancellationFact, ClosingRecordFact, NotCountedFact
from service.fhir.facts.sleep_tests import DesaturationIndexFact, IndexFact, MeasureFact, SleepTestFact
from service.fhir.facts.treatment import (
    ApplianceUseFact,
    AssessmentFact,
    CheckInFact,
    DeviceFact,
    PhysicianDecisionFact,
    RedFlagClosureFact,
    RedFlagFact,
    SettingFact,
    SideEffectFact,
    TestOrderFact,
    VisitFact,
    WithdrawnFlagFact,
)
from service.rules.facts import (
    Appliance,
    CancellationRequest,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    PhysicianDecision,
    RedFlag,
    RedFlagClosure,
    Setting,
    SideEffect,
    TestOrder,
    Visit,
    WithdrawnFlag,
)
from service.rules.kinds import Office
from service.rules.not_counted import NotCounted
from service.rules.patient_record import ClosingRecord
from service.rules.source import Source


def assemble(stored: Iterable[StoredFact]) -> CaseFacts:
    """The facts of one case. The order of `stored` does not matter."""
    facts = Grouped(stored)
    measures: Measures = {s.reference: (s, f) for s, f in facts.of(MeasureFact)}
    measures |= {s.reference: (s, f) for s, f in facts.of(IndexFact)}
    measures |= {s.reference: (s, f) for s, f in facts.of(DesaturationIndexFact)}
    devices = {s.reference: (s, f) for s, f in facts.of(DeviceFact)}
    return CaseFacts(
        referral=referral_of(facts),
        assessments=tuple(_assessment(s, f) for s, f in facts.of(AssessmentFact)),
        appliances=tuple(_appliance(s, f, devices) for s, f in facts.of(ApplianceUseFact)),
        settings=tuple(_setting(s, f) for s, f in facts.of(SettingFact)),
        check_ins=tuple(_check_in(s, f) for s, f in facts.of(CheckInFact)),
        side_effects=tuple(
            SideEffect(s, f.moment, f.side_effect, f.grade, f.onset, f.ended_on) for s, f in facts.of(SideEffectFact)
        ),
        red_flags=tuple(_red_flag(s, f) for s, f in facts.of(RedFlagFact)),
        red_flag_closures=tuple(
            RedFlagClosure(s, f.moment, f.red_flag, f.office, f.closed_by, f.action_taken)
            for s, f in facts.of(RedFlagClosureFact)
        ),
        withdrawn_flags=tuple(WithdrawnFlag(s, f.moment, f.red_flag) for s, f in facts.of(WithdrawnFlagFact)),
        sleep_tests=tuple(sleep_test_of(s, f, measures) for s, f in facts.of(SleepTestFact)),
        test_orders=tuple(TestOrder(s, f.day) for s, f in facts.of(TestOrderFact)),
        physician_decisions=tuple(
            PhysicianDecision(s, f.moment, f.choice, f.own_reading, f.responsible, f.start_by)
            for s, f in facts.of(PhysicianDecisionFact)
        ),
        visits=tuple(Visit(s, f.visited_on, f.office) for s, f in facts.of(VisitFact)),
        cancellation_requests=tuple(
            CancellationRequest(s, f.asked_on, f.reason, f.answered_on) for s, f in facts.of(CancellationFact)
        ),
        not_counted=tuple(NotCounted(s, f.what, f.status, f.day) for s, f in facts.of(NotCountedFact)),
        closing_records=tuple(ClosingRecord(s, f.why, f.stored_on, f.died_on) for s, f in facts.of(ClosingRecordFact)),
    )


def _assessment(source: Source, fact: AssessmentFact) -> DentalAssessment:
    return DentalAssessment(
        source=source,
        moment=fact.moment,
        protrusive_range_mm=fact.protrusive_range_mm,
        teeth_upper=fact.teeth_upper,
        teeth_lower=fact.teeth_lower,
        mobile_teeth=fact.mobile_teeth,
        active_tmj_disorder=fact.active_tmj_disorder,
        overjet_mm=fact.overjet_mm,
        overbite_mm=fact.overbite_mm,
    )


def _appliance(source: Source, use: ApplianceUseFact, devices: dict[str, Found[DeviceFact]]) -> Appliance:
    limit_source, lengths = devices.get(use.device, (None, DeviceFact()))
    return Appliance(
        source=source,
        delivered_on=use.delivered_on,
        ended_on=use.ended_on,
        maximum_advance_mm=lengths.maximum_advance_mm,
        smallest_step_mm=lengths.smallest_step_mm,
        starting_position_mm=lengths.starting_position_mm,
        limit_source=limit_source,
    )


def _setting(source: Source, fact: SettingFact) -> Setting:
    return Setting(
        source=source,
        moment=fact.moment,
        left_mm=fact.left_mm,
        right_mm=fact.right_mm,
        difference_intended=fact.difference_intended,
        taken_back_for_side_effect=fact.taken_back_for_side_effect,
        reason=fact.reason,
        no_further=fact.no_further,
    )


def _check_in(source: Source, fact: CheckInFact) -> CheckIn:
    return CheckIn(
        source=source,
        moment=fact.moment,
        reported_by=fact.reported_by.value,
        snoring=fact.snoring,
        restedness=fact.restedness,
        epworth_total=fact.epworth_total,
        nights_reported=fact.nights_reported,
        nights_worn=fact.nights_worn,
        hours_per_night=fact.hours_per_night,
        hours_slept_per_night=fact.hours_slept_per_night,
        witnessed_pauses=fact.witnessed_pauses,
        weight_kg=fact.weight_kg,
        who_could_hear=fact.who_could_hear,
        recorder_nights=fact.recorder_nights,
        driving=fact.driving,
        health_changes=tuple(sorted(set(fact.health_changes))),
    )


def _red_flag(source: Source, fact: RedFlagFact) -> RedFlag:
    # a report of an earlier release names no office: the dental office resolved it
    office = fact.resolved_office or Office.DENTIST
    return RedFlag(source, fact.moment, fact.red_flag, fact.resolved_on, office, fact.resolved_by, fact.action_taken)
