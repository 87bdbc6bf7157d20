"""When an appliance that works is tested again: after years, and sooner when something has changed.

Efficacy decays and symptoms do not show it (PMC8656912); no fixed interval is published, so the years are policy. What
leads to an earlier test follows AASM 2021, PMC8314660, in kind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from service.rules.check_ins import Reported, answers
from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status, cautions
from service.rules.judging.judgement import Judgement
from service.rules.kinds import PhysicianChoice
from service.rules.reason import say
from service.rules.settled_by_others import ending_decision
from service.rules.tested_setting import setting_of_test
from service.rules.thresholds import Thresholds
from service.rules.words import spoken

_NEEDS = "the physician decides on another test with the appliance"


def last_good_test(course: Course) -> Judgement | None:
    """The last test that counts and after which the physician continued treatment; None without one."""
    kept = [d.moment.day for d in course.decisions if d.choice is PhysicianChoice.CONTINUE]
    good = [j for j in course.judged if j.counts_as_tested and any(on >= j.test.day for on in kept)]
    return good[-1] if good else None


def retest_triggers(course: Course, thresholds: Thresholds) -> tuple[Criterion, ...]:
    """What leads to another test: attention while it waits for the physician.

    Empty without a good test, and while titration goes on since it, for an appliance or by the physician's decision:
    that ends in a test anyway.
    """
    good, decided = last_good_test(course), ending_decision(course)
    if good is None or decided is None or decided.choice is PhysicianChoice.STOP:
        return ()
    found = (_due(course, good, thresholds), *_changes(course, good, thresholds))
    return cautions(*(_unless_answered(c, course) for c in found))


def _due(course: Course, good: Judgement, thresholds: Thresholds) -> Criterion:
    name, title = "retest-due", "Test with the appliance due"
    first, every = thresholds.retest_first_days, thresholds.retest_every_days
    tested = [j for j in course.judged if j.counts_as_tested]
    days = int((first if len(tested) < 2 else every).value)
    due = good.test.day + timedelta(days=days)
    later = [d.moment.day for d in course.decisions if d.moment.day >= due]
    if later:
        due = max(later) + timedelta(days=int(every.value))
    told, used, inputs = {"on": good.test.day, "due": due}, (first, every), good.test.sources
    if course.as_of < due:
        return Criterion(name, title, Status.MET, say("retest.not-due", **told), (), used, inputs)
    sentence = say("retest.due", **told)
    return Criterion(name, title, Status.ATTENTION, sentence, (), used, inputs, earliest=due, needs=_NEEDS)


def _unless_answered(item: Criterion, course: Course) -> Criterion:
    """A change that the physician has answered since, by a decision or an order, waits no longer."""
    acted = [d.moment.day for d in course.decisions] + [o.day for o in course.known.test_orders]
    since = item.earliest
    if item.status is not Status.ATTENTION or since is None or not any(on > since for on in acted):
        return item
    return replace(item, status=Status.MET, needs="", earliest=None)


def _changes(course: Course, good: Judgement, thresholds: Thresholds) -> Iterator[Criterion]:
    """Attention for each change since the good test; a change that is not there is no criterion."""
    on = good.test.day
    totals = answers(course.all_check_ins, "epworth_total", thresholds)
    before, after = _around(totals, on)
    if before and after and after[-1].value - before.value >= thresholds.epworth_change.value:
        told = {"before": before.value, "after": after[-1].value, "on": after[-1].day}
        yield _attention("epworth-since-test", "Epworth total risen since the test", "retest.epworth", told, after[-1])
    snoring = answers(course.all_check_ins, "snoring", thresholds)
    heard_before, heard = _around(snoring, on)
    last = heard[-int(thresholds.check_ins_needed.value) :]
    if (
        heard_before
        and len(last) >= thresholds.check_ins_needed.value
        and all(_louder(a, heard_before, thresholds) for a in last)
    ):
        told = {"before": heard_before.value, "after": last[-1].value, "on": last[-1].day}
        yield _attention("snoring-since-test", "Snoring back since the test", "retest.snoring", told, last[-1])
    yield from _of_the_appliance(course, good, thresholds)
    for check_in in course.all_check_ins:
        if check_in.health_changes and check_in.moment.day > on:
            told = {"what": tuple(spoken(h) for h in check_in.health_changes), "on": check_in.moment.day}
            sentence = say("retest.health", **told)
            sources = check_in.told_by("health_changes")
            yield Criterion(
                "health-since-test",
                "Health changed since the test",
                Status.ATTENTION,
                sentence,
                inputs=sources,
                earliest=check_in.moment.day,
                needs=_NEEDS,
            )


def _around(told: list[Reported], on: date) -> tuple[Reported | None, list[Reported]]:
    before = [a for a in told if a.day <= on]
    return (before[-1] if before else None), [a for a in told if a.day > on]


def _louder(answer: Reported, before: Reported, thresholds: Thresholds) -> bool:
    rise = answer.value - before.value
    return rise >= thresholds.snoring_retest_rise.value and answer.value > thresholds.snoring_settled.value


def _attention(name: str, title: str, words: str, told: dict[str, Any], answer: Reported) -> Criterion:
    observed = (Measured(Decimal(answer.value), "{score}"),)
    return Criterion(
        name,
        title,
        Status.ATTENTION,
        say(words, **told),
        observed,
        (),
        answer.sources,
        earliest=answer.day,
        needs=_NEEDS,
    )


def _of_the_appliance(course: Course, good: Judgement, thresholds: Thresholds) -> Iterator[Criterion]:
    on, appliance = good.test.day, course.appliance
    if appliance and appliance.delivered_on > on:
        sentence, name, title = (
            say("retest.appliance", on=appliance.delivered_on),
            "appliance-since-test",
            "New appliance",
        )
        since, inputs = appliance.delivered_on, (appliance.source,)
        yield Criterion(name, title, Status.ATTENTION, sentence, inputs=inputs, earliest=since, needs=_NEEDS)
        return
    tested, setting = setting_of_test(course, good.test), course.setting
    if tested is None or setting is None or course.onset is None:
        return
    back = max(t - s for t, s in zip(tested, setting.pair, strict=True))
    if back > thresholds.set_back_mm.value and course.onset > on:
        sentence = say("retest.set-back", back=back, on=course.onset)
        inputs = tuple(s.source for s in course.run)
        yield Criterion(
            "set-back-since-test",
            "Set back since the test",
            Status.ATTENTION,
            sentence,
            (Measured(back, "mm"),),
            (thresholds.set_back_mm,),
            inputs,
            earliest=course.onset,
            needs=_NEEDS,
        )
