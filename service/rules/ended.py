"""Whether treatment is over: the physician stopped it, the referral ended uncompleted, or the patient is out of care."""

from __future__ import annotations

from service.rules.course import Course
from service.rules.decision import Criterion, Party, Status
from service.rules.kinds import ReferralState
from service.rules.reason import Reason, say
from service.rules.source import Source

ENDED = {
    ReferralState.REJECTED: say("ended.rejected"),
    ReferralState.CANCELLED: say("ended.cancelled"),
    ReferralState.FAILED: say("ended.failed"),
    ReferralState.ENTERED_IN_ERROR: say("ended.entered-in-error"),
}


def treatment_ended(course: Course) -> Criterion | None:
    """The unmet criterion that names what ended treatment and who would take it up again; None while it goes on."""
    referral = course.known.referral
    if referral and referral.state in ENDED:
        return _over(ENDED[referral.state], referral.told_by("state"))
    if course.stopped_on:
        return _over(say("ended.stopped", on=course.stopped_on), (course.decisions[-1].source,))
    record = course.known.closing_record
    if record:
        return _over(record.words, (record.source,), "ended.needs-record")
    return None


def _over(sentence: Reason, inputs: tuple[Source, ...], words: str = "ended.needs") -> Criterion:
    needs = say(words)
    return Criterion("treatment-goes-on", "Treatment goes on", Status.UNMET, sentence, inputs=inputs, needs=needs)


def as_clause(ended: Criterion) -> str:
    """What ended treatment, to go on with after a colon."""
    return f"{ended.sentence[0].lower()}{ended.sentence[1:]}"


def who_follows(course: Course) -> Party:
    """Whose move it is once treatment has ended: the physician's when the dental office let go or the patient is out of care, else nobody's."""
    let_go, state = (
        (ReferralState.REJECTED, ReferralState.FAILED),
        course.known.referral and course.known.referral.state,
    )
    if state not in ENDED and not course.stopped_on and course.known.closing_record:
        return Party.PHYSICIAN
    return Party.PHYSICIAN if state in let_go else Party.NOBODY
