"""Where a case stands, whose move it is, since when and why: one line for the two offices."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from service.rules.course import Course, course_on
from service.rules.decision import Decision, Party, Readiness, Step
from service.rules.ended import ENDED, treatment_ended, who_follows
from service.rules.facts import Appliance, CancellationRequest, CaseFacts
from service.rules.follow_up import FollowUp, FollowUpOutcome
from service.rules.kinds import PhysicianChoice, ReferralState
from service.rules.not_counted import NAME as NOT_COUNTED
from service.rules.readiness import ready_since
from service.rules.reason import say
from service.rules.red_flags import office_of
from service.rules.referral_order import Referral
from service.rules.response import Response
from service.rules.same_act import same_act_since
from service.rules.settled_by_others import open_order
from service.rules.silence import silent_since
from service.rules.thresholds import Thresholds
from service.rules.time_up import time_up_since


class StageName(StrEnum):
    """Stages of a case from referral to closed loop."""

    REFERRED = "referred"
    ACCEPTED = "accepted"
    TITRATING = "titrating"
    UNDER_REVIEW = "under-review"
    READY_FOR_TEST = "ready-for-test"
    TEST_ORDERED = "test-ordered"
    TESTED = "tested"
    FOLLOW_UP = "in-follow-up"
    ON_HOLD = "on-hold"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Stage:
    """One line on a case: stage, whose move it is, since which day, why, and by which day if a rule names one."""

    name: StageName
    whose_move: Party
    since: date
    why: str
    urgent: bool = False
    due: date | None = None

    def as_data(self) -> dict[str, Any]:
        """The stage as JSON-ready data."""
        return {
            "stage": self.name.value,
            "whose_move": self.whose_move.value,
            "since": self.since.isoformat(),
            "why": self.why,
            "urgent": self.urgent,
            "due": self.due.isoformat() if self.due else None,
        }


def stage_of(
    facts: CaseFacts,
    readiness: Decision,
    step: Decision | None,
    response: Response | None,
    follow_up: FollowUp | None,
    thresholds: Thresholds,
    course: Course | None = None,
) -> Stage:
    """The stage of a case on the day of `readiness`, from facts known that day.

    `follow_up` is that of the same day; without it neither visits nor what leads back to an office is weighed.
    """
    course = course or course_on(facts, readiness.as_of, thresholds)
    found = _stage(course, facts, readiness, step, response, follow_up, thresholds)
    found = with_silence(found, course, thresholds) or found
    return _with_cancellation(_with_follow_up(found, step, response, follow_up), facts, readiness.as_of)


def _stage(
    course: Course,
    facts: CaseFacts,
    readiness: Decision,
    step: Decision | None,
    response: Response | None,
    follow_up: FollowUp | None,
    thresholds: Thresholds,
) -> Stage:
    as_of, referral = course.as_of, course.known.referral
    began = referral.day if referral else as_of
    state = referral.state if referral else ReferralState.REQUESTED
    entered = referral.entered_on(state, as_of) if referral else as_of
    if readiness.outcome == Readiness.STOP_AND_REVIEW:
        since = min([f.since.day for f in course.flags] + [e.onset for e in course.grade_three])
        mover, due = readiness.whose_move, readiness.until
        return Stage(StageName.UNDER_REVIEW, mover, since, readiness.sentence, urgent=True, due=due)
    if state in ENDED:
        return Stage(StageName.CLOSED, who_follows(course), entered, ENDED[state])
    if state is ReferralState.ON_HOLD and not course.known.closing_record:
        return Stage(StageName.ON_HOLD, Party.DENTIST, entered, say("stage.on-hold"))
    record = course.known.closing_record
    if record and not course.stopped_on:
        return Stage(StageName.CLOSED, who_follows(course), record.since(as_of), record.words)
    if referral and referral.undelivered_since and state is ReferralState.REQUESTED:
        return _undelivered(referral, thresholds)
    settled = _settled(course, readiness, response, follow_up, state)
    if settled:
        return settled
    if course.appliance is None and state is ReferralState.COMPLETED:
        return Stage(StageName.CLOSED, Party.PHYSICIAN, entered, say("stage.nothing-delivered"))
    if course.appliance is None and referral is None:
        return Stage(StageName.REFERRED, Party.PHYSICIAN, as_of, say("stage.no-referral"))
    if course.appliance is None:
        return _before_delivery(state, began)
    titrating = _titrating(course, facts, course.appliance, readiness, step, thresholds)
    if state is ReferralState.COMPLETED:
        return _completed(titrating, entered, step, tested=course.result is not None)
    return titrating


def _settled(
    course: Course, readiness: Decision, response: Response | None, follow_up: FollowUp | None, state: ReferralState
) -> Stage | None:
    """The stage once a test is ordered, its result is in, or the physician has decided."""
    mover, why, due = readiness.whose_move, readiness.sentence, readiness.until
    ended = treatment_ended(course)
    if course.stopped_on and ended:
        return Stage(StageName.CLOSED, who_follows(course), course.stopped_on, ended.sentence)
    if readiness.outcome == Readiness.ORDERED:
        on = open_order(course)
        assert on
        return Stage(StageName.TEST_ORDERED, mover, on, why)
    if readiness.outcome == Readiness.RESULT_IN and response:
        words = why if response.sentence in why or response.judgement.causes else f"{why} {response.sentence}"
        return Stage(StageName.TESTED, mover, response.efficacy.day, words, urgent=readiness.urgent, due=due)
    if readiness.outcome != Readiness.DECIDED:
        return None
    again, last = response.relapse if response else None, course.decided
    if again:
        return Stage(StageName.FOLLOW_UP, Party.PHYSICIAN, again.told_on, say("stage.relapse", why=again.sentence))
    assert last
    if last.choice is PhysicianChoice.CONTINUE:
        return _continued(last.moment.day, follow_up, state)
    return Stage(StageName.FOLLOW_UP, mover, last.moment.day, why, due=due)


def _titrating(
    course: Course,
    facts: CaseFacts,
    appliance: Appliance,
    readiness: Decision,
    step: Decision | None,
    thresholds: Thresholds,
) -> Stage:
    since = course.onset or appliance.delivered_on
    if readiness.outcome in (Readiness.READY, Readiness.READY_AT_LIMIT):
        ready_on = ready_since(facts, thresholds, course)
        return Stage(StageName.READY_FOR_TEST, Party.PHYSICIAN, ready_on, readiness.sentence)
    if readiness.outcome == Readiness.ASK_PHYSICIAN:
        late = time_up_since(course, thresholds) or since
        return Stage(StageName.TITRATING, Party.PHYSICIAN, late, readiness.sentence)
    if step is None:
        why = say("stage.first-setting", on=appliance.delivered_on)
        return Stage(StageName.TITRATING, Party.DENTIST, since, why)
    due = None
    if step.whose_move in (Party.DENTIST, Party.PHYSICIAN):
        since, due = same_act_since(course, facts, step, thresholds), step.until
    else:
        since = max(since, _handed_back_on(course) or since)
    return Stage(StageName.TITRATING, step.whose_move, since, step.sentence, due=due)


def _handed_back_on(course: Course) -> date | None:
    """The last day on which an office closed a red flag or decided, from which the move is the patient's again."""
    days = [c.moment.day for c in course.known.red_flag_closures if c.office is office_of(c.kind)]
    days += [f.resolved_on for f in course.known.red_flags if f.resolved_on and f.resolved_office is office_of(f.kind)]
    days += [d.moment.day for d in course.decisions]
    return max((on for on in days if on <= course.as_of), default=None)


def _undelivered(referral: Referral, thresholds: Thresholds) -> Stage:
    """A referral that the dental office has not got: the move is the sender's, never the dentist's."""
    since = referral.undelivered_since
    assert since is not None
    mover = Party.SLEEP_LAB if referral.sent_by_laboratory else Party.PHYSICIAN
    due = since + timedelta(days=int(thresholds.undelivered_days.value))
    return Stage(StageName.REFERRED, mover, since, say("stage.undelivered", on=since), due=due)


def _before_delivery(state: ReferralState, began: date) -> Stage:
    if state in (ReferralState.REQUESTED, ReferralState.RECEIVED):
        why = say("stage.referred", on=began)
        return Stage(StageName.REFERRED, Party.DENTIST, began, why)
    why = say("stage.accepted")
    return Stage(StageName.ACCEPTED, Party.DENTIST, began, why)


def _completed(titrating: Stage, entered: date, step: Decision | None, tested: bool) -> Stage:
    """A treatment that goes on after the dental office completed the referral: the open move is still somebody's."""
    if titrating.name is not StageName.TITRATING:
        return titrating
    if tested or (step and step.outcome in (Step.DENTIST_REVIEW, Step.STEP_BACK)):
        mover = Party.DENTIST if titrating.whose_move is Party.PATIENT else titrating.whose_move
        why = f"{titrating.why} {say('stage.taken-up-again')}"
        return replace(titrating, whose_move=mover, why=why)
    return Stage(StageName.FOLLOW_UP, Party.PHYSICIAN, entered, say("stage.not-tested"))


def _continued(on: date, follow_up: FollowUp | None, state: ReferralState) -> Stage:
    """Treatment that works is followed up by both offices for good, also once the referral is complete."""
    complete = state is ReferralState.COMPLETED
    if follow_up is not None:
        words = "stage.continued-complete" if complete else "stage.continued"
        why = f"{say(words, on=on)} {follow_up.decision.sentence}"
        return Stage(StageName.FOLLOW_UP, follow_up.decision.whose_move, follow_up.since or on, why)
    if complete:
        return Stage(StageName.CLOSED, Party.NOBODY, on, say("stage.continued-complete", on=on))
    return Stage(StageName.FOLLOW_UP, Party.DENTIST, on, say("stage.continued-next", on=on))


def _with_follow_up(
    stage: Stage, step: Decision | None, response: Response | None, follow_up: FollowUp | None
) -> Stage:
    """The stage, with what follow-up found for either office added unless the line says it already."""
    if follow_up is None or stage.name is StageName.CLOSED or follow_up.decision.sentence in stage.why:
        return stage
    outcome = follow_up.decision.outcome
    attention = tuple(name for name in follow_up.decision.attention if name != NOT_COUNTED)
    if outcome == FollowUpOutcome.BACK_TO_PHYSICIAN:
        relapse_told = response and response.relapse and response.relapse.sentence in stage.why
        if relapse_told and attention == ("symptoms-after-good-test",):
            return stage
        at_the_dentist = stage.urgent or (step is not None and step.outcome == Step.STEP_BACK)
        return _moved(stage, stage.whose_move if at_the_dentist else Party.PHYSICIAN, follow_up)
    if outcome == FollowUpOutcome.DENTIST_REVIEW:
        if not attention and stage.name is StageName.TITRATING:
            return stage
        return _moved(stage, Party.PHYSICIAN if stage.whose_move is Party.PHYSICIAN else Party.DENTIST, follow_up)
    if outcome == FollowUpOutcome.VISIT_OVERDUE:
        return _moved(stage, stage.whose_move, follow_up)
    return stage


_CAN_BE_SILENT = (Party.PATIENT, Party.DENTIST)


def with_silence(stage: Stage, course: Course, thresholds: Thresholds) -> Stage | None:
    """The stage of a patient in titration who has not been heard of: the dental office calls, later the physician is told."""
    if stage.name is not StageName.TITRATING or stage.whose_move not in _CAN_BE_SILENT:
        return None
    last = silent_since(course)
    if last is None:
        return None
    days = (course.as_of - last).days
    call, tell = thresholds.report_days.value, thresholds.silent_days.value
    if days >= tell:
        since = last + timedelta(days=int(tell))
        return replace(
            stage, whose_move=Party.PHYSICIAN, since=since, why=say("stage.silent-told", last=last), due=None
        )
    if days >= call:
        since = last + timedelta(days=int(call))
        told_on = last + timedelta(days=int(tell))
        return replace(stage, whose_move=Party.DENTIST, since=since, why=say("stage.silent", last=last), due=told_on)
    return None


def open_cancellation(facts: CaseFacts, as_of: date) -> CancellationRequest | None:
    """The request to cancel that waits for the dental office's answer on a day."""
    asked = [r for r in facts.cancellation_requests if r.day <= as_of and (r.answered_on or date.max) > as_of]
    return min(asked, key=lambda r: (r.day, r.source), default=None)


def _with_cancellation(stage: Stage, facts: CaseFacts, as_of: date) -> Stage:
    """The stage, with a request to cancel that waits for the dental office; a red flag keeps whose move it is."""
    first = open_cancellation(facts, as_of)
    if first is None or stage.name is StageName.CLOSED:
        return stage
    words = "stage.asked-to-cancel-because" if first.reason else "stage.asked-to-cancel"
    sentence = say(words, on=first.day, reason=first.reason)
    if stage.urgent:
        return replace(stage, why=f"{stage.why} {sentence}")
    since = stage.since if stage.whose_move is Party.DENTIST else first.day
    return replace(stage, whose_move=Party.DENTIST, since=since, why=f"{sentence} {stage.why}")


def _moved(stage: Stage, mover: Party, follow_up: FollowUp) -> Stage:
    since = follow_up.since if follow_up.since and mover is not stage.whose_move else stage.since
    said = follow_up.decision.sentence
    why = stage.why if said.rstrip(".").lower() in stage.why.lower() else f"{stage.why} {said}"
    return replace(stage, whose_move=mover, since=since, why=why)
