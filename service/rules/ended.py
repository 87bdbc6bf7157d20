"""Whether treatment is over: the physician stopped it, or the referral ended before anybody called it complete."""

from __future__ import annotations

from service.rules.course import Course
from service.rules.decision import Criterion, Party, Status
from service.rules.kinds import ReferralState
from service.rules.source import Source
from service.rules.words import day

ENDED = {
    ReferralState.REJECTED: "The dental office declined the referral; the physician chooses another way.",
    ReferralState.CANCELLED: "The physician's office cancelled the referral.",
    ReferralState.FAILED: "The dental office could not complete the treatment.",
    ReferralState.ENTERED_IN_ERROR: "The referral was entered in error.",
}


def treatment_ended(course: Course) -> Criterion | None:
    """The unmet criterion that names what ended treatment and who would take it up again; None while it goes on."""
    referral = course.known.referral
    if referral and referral.state in ENDED:
        return _over(ENDED[referral.state], referral.told_by("state"))
    if course.stopped_on:
        stopped = f"The physician stopped treatment on {day(course.stopped_on)}."
        return _over(stopped, (course.decisions[-1].source,))
    return None


def _over(sentence: str, inputs: tuple[Source, ...]) -> Criterion:
    needs = "the physician takes treatment up again"
    return Criterion("treatment-goes-on", "Treatment goes on", Status.UNMET, sentence, inputs=inputs, needs=needs)


def as_clause(ended: Criterion) -> str:
    """What ended treatment, to go on with after a colon."""
    return f"{ended.sentence[0].lower()}{ended.sentence[1:]}"


def who_follows(course: Course) -> Party:
    """Whose move it is once treatment has ended: the physician's when the dental office let go, else nobody's."""
    let_go = (ReferralState.REJECTED, ReferralState.FAILED)
    return Party.PHYSICIAN if course.known.referral and course.known.referral.state in let_go else Party.NOBODY
