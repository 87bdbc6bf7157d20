"""From which day a case counts as overdue: the party whose move it is has not moved for longer than its stage allows.

A loss shows itself as silence. The day is told in advance, so that nothing has to be written as days pass; a report
that arrives before it moves it on. Closed cases, and those that wait for nobody, are never overdue.
"""

from __future__ import annotations

from datetime import date, timedelta

from service.rules.decision import Party
from service.rules.facts import CaseFacts
from service.rules.follow_up import FollowUp, FollowUpOutcome
from service.rules.kinds import ReferralState
from service.rules.silence import last_report
from service.rules.stage import Stage, StageName, open_cancellation
from service.rules.threshold import Threshold
from service.rules.thresholds import Thresholds
from service.rules.visits import VisitState

_VISITS = (FollowUpOutcome.VISIT_DUE, FollowUpOutcome.VISIT_OVERDUE)


def overdue_from(
    stage: Stage,
    facts: CaseFacts,
    follow_up: FollowUp | None,
    thresholds: Thresholds,
    as_of: date,
    proposed_on: date | None = None,
) -> date | None:
    """The day from which the case is overdue if nothing happens: for its party's move, or for a planned visit.

    `proposed_on` is the day on which the test was proposed to the physician, who could not have ordered it before.
    """
    if stage.name is StageName.CLOSED or facts.referral is None:
        return None
    visits = follow_up.visits if follow_up and not stage.urgent else ()  # what is urgent has its own day
    days = [v.latest for v in visits if v.state is not VisitState.KEPT]
    asked = open_cancellation(facts, as_of)
    if asked:
        days.append(_after(asked.day, thresholds.referral_answer_days))
    elif stage.due is not None:
        days.append(stage.due)
    elif stage.whose_move is not Party.NOBODY:
        began, allowed = _waiting(stage, facts, follow_up, thresholds, as_of, proposed_on)
        days.append(_after(began, allowed))
    return min(days, default=None)


def _after(began: date, allowed: Threshold) -> date:
    return began + timedelta(days=int(allowed.value))


def _waiting(
    stage: Stage,
    facts: CaseFacts,
    follow_up: FollowUp | None,
    thresholds: Thresholds,
    as_of: date,
    proposed_on: date | None,
) -> tuple[date, Threshold]:
    """The day since which the party has been waited for, and the days it has."""
    since, name = stage.since, stage.name
    if name is StageName.ACCEPTED:
        return _accepted_on(facts, as_of) or since, thresholds.delivery_days
    if name is StageName.READY_FOR_TEST:
        return proposed_on or since, thresholds.test_order_days
    fixed = {
        StageName.REFERRED: thresholds.referral_answer_days,
        StageName.UNDER_REVIEW: thresholds.review_days,
        StageName.TEST_ORDERED: thresholds.test_result_days,
        StageName.TESTED: thresholds.decision_days,
        StageName.ON_HOLD: thresholds.hold_days,
    }.get(name)
    if fixed:
        return since, fixed
    if name is StageName.FOLLOW_UP and follow_up and follow_up.since == since and follow_up.decision.outcome in _VISITS:
        return since, thresholds.visit_grace_days
    if stage.whose_move is Party.PHYSICIAN:
        return since, thresholds.decision_days
    if stage.whose_move is Party.SLEEP_LAB:
        return since, thresholds.report_days
    return max(since, last_report(facts.known_on(as_of)) or since), thresholds.report_days


def _accepted_on(facts: CaseFacts, as_of: date) -> date | None:
    """The day on which the dental office took the patient on, or began without saying so."""
    assert facts.referral is not None
    taken = (ReferralState.ACCEPTED, ReferralState.IN_PROGRESS)
    return min((day for day, state in facts.referral.state_since if state in taken and day <= as_of), default=None)
