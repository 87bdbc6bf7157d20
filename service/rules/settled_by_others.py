"""Readiness that is settled before its criteria are asked: stop and review, ordered, a result waits, decided."""

from __future__ import annotations

from datetime import date, timedelta

from service.rules.course import Course
from service.rules.criteria_of_state import stop_criteria
from service.rules.decision import Criterion, Decision, Party, Readiness
from service.rules.facts import PhysicianDecision
from service.rules.judging.finding import Cause
from service.rules.judging.judgement import Judgement
from service.rules.kinds import Office, PhysicianChoice
from service.rules.patient_record import OutOfCare
from service.rules.readiness_decision import decision_of
from service.rules.reason import Reason, say
from service.rules.red_flags import OpenFlag
from service.rules.words import listed, spoken

DECISION_WORDS = {
    PhysicianChoice.CONTINUE: "to continue treatment",
    PhysicianChoice.KEEP_TITRATING: "to keep titrating",
    PhysicianChoice.ADVANCE_AND_RETEST: "to advance and test again",
    PhysicianChoice.ADD_POSITIONAL_THERAPY: "positional therapy is added",
    PhysicianChoice.COMBINE_OR_CHANGE: "a combination or another therapy follows",
    PhysicianChoice.STOP: "to stop treatment",
}


def stop(course: Course, criteria: tuple[Criterion, ...]) -> Decision | None:
    """Stop and review: every open red flag and every side effect that stops wear, who acts, and by when."""
    record = course.known.closing_record
    found = () if record and record.why is OutOfCare.DIED else stop_criteria(course)
    if not found:
        return None
    sentence = say(
        "ready.stop", what=tuple(_flag_in_words(f, course.as_of) for f in course.flags) + _effects_in_words(course)
    )
    days = [f.due for f in course.flags] + [e.moment.day for e in course.grade_three]
    today = [f for f in course.flags if not f.days]
    for_physician = any(f.office is Office.PHYSICIAN for f in course.flags)
    dentist_today = bool(course.grade_three) or any(f.office is Office.DENTIST for f in today)
    physician_today = any(f.office is Office.PHYSICIAN for f in today)
    first = for_physician and (physician_today or not dentist_today)
    party = Party.PHYSICIAN if first else Party.DENTIST
    return decision_of(
        course, found + criteria, Readiness.STOP_AND_REVIEW, sentence, party, until=min(days), urgent=True
    )


def _flag_in_words(flag: OpenFlag, as_of: date) -> Reason:
    told = {"what": spoken(flag.kind), "office": flag.office.value}
    in_time = flag.days and as_of <= flag.due
    return say("ready.stop-flag-by", **told, due=flag.due) if in_time else say("ready.stop-flag-today", **told)


def _effects_in_words(course: Course) -> tuple[Reason, ...]:
    return tuple(
        say("ready.stop-flag-today", what=f"{spoken(e.kind)} of grade {e.grade}", office=Office.DENTIST.value)
        for e in course.grade_three
    )


def open_order(course: Course) -> date | None:
    """The day of the last order for an efficacy test that no test has followed; None without one."""
    tested = course.result.test.day if course.result else date.min
    return max((o.day for o in course.known.test_orders if o.day > tested), default=None)


def ordered(course: Course, criteria: tuple[Criterion, ...]) -> Decision | None:
    """A test is ordered: the setting is frozen. Harm since the order asks the physician whether still to test."""
    on = open_order(course)
    if on is None:
        return None
    harm = harm_since(course, on)
    before = (course.previous,) if harm and course.previous else ()
    read = [f.source for f in (*(o for o in course.known.test_orders if o.day == on), *before)]
    if harm:
        sentence = say("ready.ordered-still", on=on, what=harm)
        return decision_of(course, criteria, Readiness.ORDERED, sentence, Party.PHYSICIAN, read=read)
    return decision_of(course, criteria, Readiness.ORDERED, say("ready.ordered", on=on), Party.SLEEP_LAB, read=read)


def harm_since(course: Course, ordered_on: date) -> tuple[str, ...]:
    """What changed for harm since an order: the setting set back, the appliance out of use, a side effect that limits.

    A red flag with which the appliance stays out is harm as well: the test night is postponed.
    """
    found: list[str] = [f"a {spoken(f.kind)} is open" for f in course.flags_against_wear]
    setting, before = course.setting, course.previous
    if setting and before and course.onset and course.onset > ordered_on:
        found.append(
            "the appliance was set back" if sum(setting.pair) < sum(before.pair) else "the setting was changed"
        )
    if course.out_of_use:
        found.append("the appliance is out of use")
    limiting = [e for e in course.open_side_effects if e.grade > 1]
    if limiting:
        found.append(f"{listed([spoken(e.kind) for e in limiting])} limits treatment")
    return tuple(found)


def result_waits(course: Course, criteria: tuple[Criterion, ...]) -> Decision | None:
    """A result waits for the physician's decision, or for a report that the laboratory completes or corrects."""
    if course.alarmed:
        return _alarmed(course, criteria)
    result = waiting_result(course)
    if result is None:
        return None
    on, causes = result.test.day, result.causes
    why = next((f.sentence for f in result.withheld if f.cause is (causes[0] if causes else None)), "")
    if result.waits_for_laboratory:
        sentence = say("ready.result-laboratory", on=on, why=why)
        return _result_in(course, criteria, result, sentence, Party.SLEEP_LAB)
    if Cause.INVALID in causes:
        sentence = say("ready.result-repeat", on=on, why=why)
    elif causes:
        sentence = say("ready.result-no-class", on=on, why=why)
    else:
        sentence = say("ready.result", on=on)
    return _result_in(course, criteria, result, sentence, Party.PHYSICIAN)


def _alarmed(course: Course, criteria: tuple[Criterion, ...]) -> Decision:
    """The physician by the soonest day that an unanswered alarm asks for, whichever test it came with."""
    due, result, alarm = min(
        ((j.test.day + timedelta(days=a.days or 0), j, a) for j in course.alarmed for a in j.alarms),
        key=lambda found: found[0],
    )
    told = {"on": result.test.day, "due": due, "why": alarm.sentence}
    after = [d for d in course.decisions if d.moment.day >= result.test.day]
    if after:
        sentence = say("ready.result-alarm-unread", **told, decided=after[-1].moment.day)
    else:
        sentence = say("ready.result-alarm", **told)
    return _result_in(course, criteria, result, sentence, Party.PHYSICIAN, until=due, urgent=course.alarmed_today)


def _result_in(
    course: Course,
    criteria: tuple[Criterion, ...],
    result: Judgement,
    sentence: Reason,
    party: Party,
    *,
    until: date | None = None,
    urgent: bool = False,
) -> Decision:
    """A decision on a test that waits, with the test, its baseline and what they were compared with."""
    read = (*result.test.sources, *(result.baseline.sources if result.baseline else ()))
    compared = result.thresholds
    return decision_of(
        course,
        criteria,
        Readiness.RESULT_IN,
        sentence,
        party,
        until=until,
        urgent=urgent,
        read=read,
        compared=compared,
    )


def waiting_result(course: Course) -> Judgement | None:
    """The last test, while the physician has not decided on it; one made with an earlier appliance or none does not wait."""
    result = course.result
    if result is None or course.decided is not None:
        return None
    if result.before_delivery or (course.appliance and result.test.day < course.appliance.delivered_on):
        return None
    return result


def after_decision(course: Course, criteria: tuple[Criterion, ...]) -> Decision | None:
    """What the physician decided, while it ends titration: follow-up, or who starts what by when."""
    last = ending_decision(course)
    if last is None:
        return None
    on, read = last.moment.day, (last.source,)
    if last.choice is PhysicianChoice.CONTINUE:
        sentence = say("ready.decided-continue", on=on)
        return decision_of(course, criteria, Readiness.DECIDED, sentence, Party.DENTIST, read=read)
    what = DECISION_WORDS[last.choice]
    if last.responsible and last.start_by:
        who = f"The {last.responsible}"
        sentence = say("ready.decided-starts", on=on, what=what, who=who, by=last.start_by)
        party = Party(last.responsible.value)
        return decision_of(course, criteria, Readiness.DECIDED, sentence, party, until=last.start_by, read=read)
    sentence = say("ready.decided-unassigned", on=on, what=what)
    return decision_of(course, criteria, Readiness.DECIDED, sentence, Party.PHYSICIAN, read=read)


def ending_decision(course: Course) -> PhysicianDecision | None:
    """The last decision, when it ends titration; None when titration goes on or a new appliance has come since.

    To continue without any test of the appliance is no proof that treatment works: titration goes on.
    """
    last = course.decided
    if last is None or last.choice in (PhysicianChoice.ADVANCE_AND_RETEST, PhysicianChoice.KEEP_TITRATING):
        return None
    if course.appliance and course.appliance.delivered_on > last.moment.day:
        return None
    if last.choice is PhysicianChoice.CONTINUE and (course.result is None or course.result.before_delivery):
        return None
    return last
