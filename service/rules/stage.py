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
from service.rules.kinds import PhysicianChoice, ReferralState, TestPurpose
from service.rules.response import Response
from service.rules.words import day


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
    """One line on a case: stage, whose move it is, since which day, and why."""

    name: StageName
    whose_move: Party
    since: date
    why: str
    urgent: bool = False

    def as_data(self) -> dict[str, Any]:
        """The stage as JSON-ready data."""
        return {
            "stage": self.name.value,
            "whose_move": self.whose_move.value,
            "since": self.since.isoformat(),
            "why": self.why,
            "urgent": self.urgent,
        }


_NOTHING_DELIVERED = (
    "The dental office completed the referral, and no delivery of an appliance is on record; the physician asks what was "
    "done."
)
_NOT_TESTED = (
    "The dental office completed the referral, and no efficacy test is on record; the physician orders one or decides "
    "otherwise."
)


def stage_of(
    facts: CaseFacts,
    readiness: Decision,
    step: Decision | None,
    response: Response | None,
    follow_up: FollowUp | None = None,
    course: Course | None = None,
) -> Stage:
    """The stage of a case on the day of `readiness`, from facts known that day.

    `follow_up` is that of the same day; without it neither visits nor what leads back to an office is weighed.
    """
    course = course or course_on(facts, readiness.as_of)
    found = _with_follow_up(_stage(course, readiness, step, response, follow_up), step, response, follow_up)
    return _with_cancellation(found, facts, readiness.as_of)


def _stage(
    course: Course,
    readiness: Decision,
    step: Decision | None,
    response: Response | None,
    follow_up: FollowUp | None,
) -> Stage:
    as_of, known = course.as_of, course.known
    referral = known.referral
    began = referral.day if referral else as_of
    state = referral.state if referral else ReferralState.REQUESTED
    entered = referral.entered_on(state, as_of) if referral else as_of
    if state in ENDED:
        return Stage(StageName.CLOSED, who_follows(course), entered, ENDED[state])
    if readiness.outcome == Readiness.STOP_AND_REVIEW:
        since = min(f.moment.day for f in course.open_red_flags)
        return Stage(StageName.UNDER_REVIEW, readiness.whose_move, since, readiness.sentence, urgent=True)
    if state is ReferralState.ON_HOLD:
        return Stage(StageName.ON_HOLD, Party.DENTIST, entered, "The dental office has put the referral on hold.")
    after_test = _after_test(course, known, response, follow_up, state)
    if after_test:
        return after_test
    if course.appliance is None and state is ReferralState.COMPLETED:
        return Stage(StageName.CLOSED, Party.PHYSICIAN, entered, _NOTHING_DELIVERED)
    if course.appliance is None and referral is None:
        why = "No referral is on record; the physician refers the patient."
        return Stage(StageName.REFERRED, Party.PHYSICIAN, as_of, why)
    if course.appliance is None:
        return _before_delivery(state, began)
    titrating = _titrating(known, course.appliance, course.onset, readiness, step)
    if state is ReferralState.COMPLETED:
        return _completed(titrating, entered, step, tested=course.tested is not None)
    return titrating


def _before_delivery(state: ReferralState, began: date) -> Stage:
    if state in (ReferralState.REQUESTED, ReferralState.RECEIVED):
        why = f"Referred on {day(began)}; the dental office accepts or declines."
        return Stage(StageName.REFERRED, Party.DENTIST, began, why)
    why = "Accepted; the dental office examines the patient, makes the appliance and records its delivery."
    return Stage(StageName.ACCEPTED, Party.DENTIST, began, why)


def _titrating(
    known: CaseFacts, appliance: Appliance, onset: date | None, readiness: Decision, step: Decision | None
) -> Stage:
    since = onset or appliance.delivered_on
    ordered = _open_order(known)
    if ordered and ordered >= since:
        ready = readiness.outcome in (Readiness.READY, Readiness.READY_AT_LIMIT)
        return _test_ordered(ordered, "" if ready else readiness.sentence)
    if readiness.outcome in (Readiness.READY, Readiness.READY_AT_LIMIT):
        return Stage(StageName.READY_FOR_TEST, Party.PHYSICIAN, since, readiness.sentence)
    if step is None:
        why = f"The appliance was delivered on {day(appliance.delivered_on)}; the dental office records the first setting."
        return Stage(StageName.TITRATING, Party.DENTIST, since, why)
    return Stage(StageName.TITRATING, step.whose_move, since, step.sentence)


def _completed(titrating: Stage, entered: date, step: Decision | None, tested: bool) -> Stage:
    """A treatment that goes on after the dental office completed the referral: the open move is still somebody's."""
    if titrating.name is not StageName.TITRATING:
        return titrating
    if tested or (step and step.outcome in (Step.DENTIST_REVIEW, Step.STEP_BACK)):
        mover = Party.DENTIST if titrating.whose_move is Party.PATIENT else titrating.whose_move
        why = f"{titrating.why} The dental office had completed the referral and takes the case up again."
        return replace(titrating, whose_move=mover, why=why)
    return Stage(StageName.FOLLOW_UP, Party.PHYSICIAN, entered, _NOT_TESTED)


def _open_order(known: CaseFacts) -> date | None:
    """The day of the last order for an efficacy test that no test has followed."""
    tested_on = max((t.day for t in known.sleep_tests if t.purpose is TestPurpose.EFFICACY), default=date.min)
    return max((o.day for o in known.test_orders if o.day > tested_on), default=None)


def _test_ordered(ordered: date, though: str) -> Stage:
    who = f". {though}" if though else "; the sleep laboratory makes it."
    why = f"The efficacy test was ordered on {day(ordered)}{who}"
    return Stage(StageName.TEST_ORDERED, Party.SLEEP_LAB, ordered, why)


def _after_test(
    course: Course, known: CaseFacts, response: Response | None, follow_up: FollowUp | None, state: ReferralState
) -> Stage | None:
    """The stage set by the last efficacy test, what the physician decided after it, and symptoms since."""
    ended = treatment_ended(course)
    if course.stopped_on and ended:
        return Stage(StageName.CLOSED, who_follows(course), course.stopped_on, ended.sentence)
    if course.tested is None:
        return None
    tested_on = course.tested.day
    decided = [d for d in course.decisions if d.moment.day >= tested_on]
    last = decided[-1] if decided else None
    again = response.relapse if response else None
    if last is None:
        said = response.sentence if response else _not_compared(tested_on)
        return Stage(StageName.TESTED, Party.PHYSICIAN, tested_on, f"{said} {again.sentence}" if again else said)
    if course.appliance and course.appliance.delivered_on > last.moment.day:
        return None
    ordered = _open_order(known)
    answers = max(last.moment.day, again.check_in.moment.day + timedelta(days=1)) if again else last.moment.day
    if ordered and ordered >= answers and last.choice is not PhysicianChoice.ADVANCE_AND_RETEST:
        return _test_ordered(ordered, "")
    if again:
        why = f"{again.sentence} The physician reviews them."
        return Stage(StageName.FOLLOW_UP, Party.PHYSICIAN, again.check_in.moment.day, why)
    if last.choice is PhysicianChoice.ADVANCE_AND_RETEST:
        return None
    return _decided(last.choice, last.moment.day, follow_up, state)


def _not_compared(tested_on: date) -> str:
    return (
        f"The efficacy test was made on {day(tested_on)}, and no baseline test is on record to compare it with. The physician "
        "decides what follows."
    )


def _decided(choice: PhysicianChoice, on: date, follow_up: FollowUp | None, state: ReferralState) -> Stage:
    """The stage after a decision that ends titration."""
    if choice is PhysicianChoice.CONTINUE:
        return _continued(on, follow_up, state)
    words = (
        "positional therapy is added"
        if choice is PhysicianChoice.ADD_POSITIONAL_THERAPY
        else "a combination or another therapy follows"
    )
    return Stage(StageName.FOLLOW_UP, Party.PHYSICIAN, on, f"The physician decided on {day(on)}: {words}.")


def _continued(on: date, follow_up: FollowUp | None, state: ReferralState) -> Stage:
    """Treatment that works is followed up by both offices for good, also once the referral is complete."""
    decided = f"The physician decided on {day(on)} to continue treatment"
    if follow_up is not None:
        complete = "; the referral is complete" if state is ReferralState.COMPLETED else ""
        why = f"{decided}{complete}. {follow_up.decision.sentence}"
        return Stage(StageName.FOLLOW_UP, follow_up.decision.whose_move, follow_up.since or on, why)
    if state is ReferralState.COMPLETED:
        return Stage(StageName.CLOSED, Party.NOBODY, on, f"{decided}; the referral is complete.")
    return Stage(StageName.FOLLOW_UP, Party.DENTIST, on, f"{decided}; both offices follow up, the dentist next.")


def _with_follow_up(
    stage: Stage, step: Decision | None, response: Response | None, follow_up: FollowUp | None
) -> Stage:
    """The stage, with what follow-up found for either office added unless the line says it already."""
    if follow_up is None or stage.name is StageName.CLOSED or follow_up.decision.sentence in stage.why:
        return stage
    outcome, attention = follow_up.decision.outcome, follow_up.decision.attention
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
    if outcome == FollowUpOutcome.VISIT_OVERDUE and stage.name in (StageName.FOLLOW_UP, StageName.ON_HOLD):
        return _moved(stage, stage.whose_move, follow_up)
    return stage


def open_cancellation(facts: CaseFacts, as_of: date) -> CancellationRequest | None:
    """The request to cancel that waits for the dental office's answer on a day."""
    asked = [r for r in facts.cancellation_requests if r.day <= as_of and (r.answered_on or date.max) > as_of]
    return min(asked, key=lambda r: (r.day, r.source), default=None)


def _with_cancellation(stage: Stage, facts: CaseFacts, as_of: date) -> Stage:
    """The stage, with a request to cancel that waits for the dental office; a red flag keeps whose move it is."""
    first = open_cancellation(facts, as_of)
    if first is None or stage.name is StageName.CLOSED:
        return stage
    because = f" ({first.reason})" if first.reason else ""
    sentence = (
        f"The physician's office asked on {day(first.day)} to cancel the referral{because}; "
        "the dental office agrees or declines."
    )
    if stage.urgent:
        return replace(stage, why=f"{stage.why} {sentence}")
    since = stage.since if stage.whose_move is Party.DENTIST else first.day
    return replace(stage, whose_move=Party.DENTIST, since=since, why=f"{sentence} {stage.why}")


def _moved(stage: Stage, mover: Party, follow_up: FollowUp) -> Stage:
    since = follow_up.since if follow_up.since and mover is not stage.whose_move else stage.since
    said = follow_up.decision.sentence
    why = stage.why if said.rstrip(".").lower() in stage.why.lower() else f"{stage.why} {said}"
    return replace(stage, whose_move=mover, since=since, why=why)
