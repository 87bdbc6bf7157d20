"""Where a case stands, whose move it is, since when and why: one line for the two offices."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from service.rules.course import Course, course_on
from service.rules.decision import Decision, Party, Readiness, Step
from service.rules.facts import CaseFacts, PhysicianChoice, ReferralState, TestPurpose
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


_ENDED = {
    ReferralState.REJECTED: "The dental office declined the referral; the physician chooses another way.",
    ReferralState.CANCELLED: "The physician's office cancelled the referral.",
    ReferralState.FAILED: "The dental office could not complete the treatment.",
    ReferralState.ENTERED_IN_ERROR: "The referral was entered in error.",
    ReferralState.COMPLETED: "The dental office completed the referral.",
}


def stage_of(facts: CaseFacts, readiness: Decision, step: Decision | None, response: Response | None) -> Stage:
    """The stage of a case on the day of `readiness`, from facts known that day."""
    as_of = readiness.as_of
    known = facts.known_on(as_of)
    referral = known.referral
    began = referral.day if referral else as_of
    state = referral.state if referral else ReferralState.REQUESTED
    course = course_on(facts, as_of)
    if state in _ENDED and state is not ReferralState.COMPLETED:
        mover = Party.PHYSICIAN if state in (ReferralState.REJECTED, ReferralState.FAILED) else Party.NOBODY
        return Stage(StageName.CLOSED, mover, began, _ENDED[state])
    if readiness.outcome == Readiness.STOP_AND_REVIEW:
        since = min(f.moment.day for f in course.open_red_flags)
        return Stage(StageName.UNDER_REVIEW, readiness.whose_move, since, readiness.sentence, urgent=True)
    if state is ReferralState.ON_HOLD:
        return Stage(StageName.ON_HOLD, Party.DENTIST, began, "The dental office has put the referral on hold.")
    after_test = _after_test(course, response, state)
    if after_test:
        return after_test
    if state is ReferralState.COMPLETED:
        return Stage(StageName.CLOSED, Party.NOBODY, began, _ENDED[state])
    if course.appliance is None and referral is None:
        why = "No referral is on record; the physician refers the patient."
        return Stage(StageName.REFERRED, Party.PHYSICIAN, as_of, why)
    if course.appliance is None:
        return _before_delivery(state, began)
    return _titrating(known, course.onset or course.appliance.delivered_on, readiness, step)


def _before_delivery(state: ReferralState, began: date) -> Stage:
    if state in (ReferralState.REQUESTED, ReferralState.RECEIVED):
        why = f"Referred on {day(began)}; the dental office accepts or declines."
        return Stage(StageName.REFERRED, Party.DENTIST, began, why)
    why = "Accepted; the dental office examines the patient, makes the appliance and records its delivery."
    return Stage(StageName.ACCEPTED, Party.DENTIST, began, why)


def _titrating(known: CaseFacts, since: date, readiness: Decision, step: Decision | None) -> Stage:
    tested_on = max((t.day for t in known.sleep_tests if t.purpose is TestPurpose.EFFICACY), default=date.min)
    ordered = max((o.day for o in known.test_orders if o.day > tested_on), default=None)
    if readiness.outcome in (Readiness.READY, Readiness.READY_AT_LIMIT):
        if ordered and ordered >= since:
            why = f"The efficacy test was ordered on {day(ordered)}; the sleep laboratory makes it."
            return Stage(StageName.TEST_ORDERED, Party.SLEEP_LAB, ordered, why)
        return Stage(StageName.READY_FOR_TEST, Party.PHYSICIAN, since, readiness.sentence)
    if ordered and ordered >= since:
        why = f"The efficacy test was ordered on {day(ordered)}. {readiness.sentence}"
        return Stage(StageName.TEST_ORDERED, Party.SLEEP_LAB, ordered, why)
    if step and step.outcome in (Step.DENTIST_REVIEW, Step.STEP_BACK, Step.PHYSICIAN_REVIEW):
        return Stage(StageName.TITRATING, step.whose_move, since, step.sentence)
    mover = step.whose_move if step else Party.DENTIST
    return Stage(StageName.TITRATING, mover, since, step.sentence if step else readiness.sentence)


def _after_test(course: Course, response: Response | None, state: ReferralState) -> Stage | None:
    """The stage set by the last efficacy test, what the physician decided after it, and symptoms since."""
    if response is None:
        return None
    tested_on = response.efficacy.day
    decided = [d for d in course.decisions if d.moment.day >= tested_on]
    last = decided[-1] if decided else None
    again = response.relapse
    if last is None:
        why = f"{response.sentence} {again.sentence}" if again else response.sentence
        return Stage(StageName.TESTED, Party.PHYSICIAN, tested_on, why)
    on = day(last.moment.day)
    if again:
        why = f"{again.sentence} The physician reviews them."
        return Stage(StageName.FOLLOW_UP, Party.PHYSICIAN, again.check_in.moment.day, why)
    if last.choice is PhysicianChoice.ADVANCE_AND_RETEST:
        return None
    if last.choice is PhysicianChoice.CONTINUE:
        if state is ReferralState.COMPLETED:
            why = f"The physician decided on {on} to continue treatment; the referral is complete."
            return Stage(StageName.CLOSED, Party.NOBODY, last.moment.day, why)
        why = f"The physician decided on {on} to continue treatment; both offices follow up, the dentist next."
        return Stage(StageName.FOLLOW_UP, Party.DENTIST, last.moment.day, why)
    if last.choice is PhysicianChoice.STOP:
        return Stage(StageName.CLOSED, Party.NOBODY, last.moment.day, f"The physician stopped treatment on {on}.")
    words = (
        "positional therapy is added"
        if last.choice is PhysicianChoice.ADD_POSITIONAL_THERAPY
        else ("a combination or another therapy follows")
    )
    return Stage(StageName.FOLLOW_UP, Party.PHYSICIAN, last.moment.day, f"The physician decided on {on}: {words}.")
