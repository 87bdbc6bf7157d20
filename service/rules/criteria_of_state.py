"""Readiness criteria about the appliance, the baseline, the setting, tolerance and tests (not about symptoms)."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

from service.rules.baselines import late_baseline
from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.judging.consistency import contradicts_itself
from service.rules.reason import say
from service.rules.red_flags import OpenFlag
from service.rules.tested_setting import tests_of_this_setting
from service.rules.thresholds import Thresholds
from service.rules.words import sides, spoken


def appliance_delivered(course: Course) -> Criterion:
    """Met when an appliance is delivered and in use; unknown without a delivery on record."""
    name, title, appliance = "appliance-delivered", "Appliance delivered", course.appliance
    if appliance is None:
        return Criterion(
            name,
            title,
            Status.UNKNOWN,
            say("ready.no-delivery", on=course.as_of),
            needs="the dental office delivers the appliance and records it",
            missing="the delivery of the appliance",
        )
    told = {"on": appliance.delivered_on}
    if course.out_of_use:
        sentence = say("ready.out-of-use", **told, ended=course.out_of_use)
        needs = "the dental office repairs or replaces the appliance"
        return Criterion(name, title, Status.UNMET, sentence, inputs=(appliance.source,), needs=needs)
    return Criterion(name, title, Status.MET, say("ready.delivered", **told), inputs=(appliance.source,))


def baseline_known(course: Course, thresholds: Thresholds) -> Criterion:
    """Met with a baseline test before delivery that reports an index and does not contradict itself."""
    name, title, test = "baseline-known", "Baseline test known", course.baseline
    if test is None or test.index_per_hour is None:
        return _no_baseline(course, name, title)
    observed, used = (Measured(test.index_per_hour, "{events}/h"),), (thresholds.normal_index,)
    if contradicts_itself(course.baseline_findings):
        first = course.baseline_findings[0]
        needs = "the sleep laboratory corrects the report of the baseline test"
        missing = "a baseline test that does not contradict itself"
        used = first.thresholds
        return Criterion(
            name, title, Status.UNKNOWN, first.sentence, observed, used, test.sources, needs=needs, missing=missing
        )
    told = {"on": test.day, "name": test.index_name, "index": test.index_per_hour, "rule": test.hypopnoea_rule.value}
    words = "ready.baseline-no-apnoea" if test.index_per_hour < thresholds.normal_index.value else "ready.baseline"
    return Criterion(name, title, Status.MET, say(words, **told), observed, used, test.sources)


def _no_baseline(course: Course, name: str, title: str) -> Criterion:
    """No baseline test that counts; one made after the delivery is named, so that nobody takes it for one."""
    needs = "the sleep laboratory sends the baseline test"
    late = late_baseline(course.known.sleep_tests, course.appliance.delivered_on if course.appliance else None)
    if late is None or course.appliance is None:
        sentence = say("ready.no-baseline", on=course.as_of)
        return Criterion(
            name, title, Status.UNKNOWN, sentence, needs=needs, missing="a baseline test with an AHI, REI or RDI"
        )
    sentence = say("ready.baseline-after-delivery", on=late.day, delivered=course.appliance.delivered_on)
    missing = "a baseline test from before the delivery"
    return Criterion(name, title, Status.UNKNOWN, sentence, inputs=late.sources, needs=needs, missing=missing)


def setting_stable(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when the same left/right pair has been worn long enough and the sides are even or meant to differ."""
    name, title = "setting-stable", "Setting stable"
    setting, onset, days = course.setting, course.onset, course.days_at_setting
    if setting is None:
        return Criterion(
            name,
            title,
            Status.UNKNOWN,
            say("ready.no-setting", on=course.as_of),
            needs="the dental office records the setting",
            missing="the current setting",
        )
    assert onset and days is not None
    needed, even = thresholds.stable_days, thresholds.even_within_mm
    difference = abs(setting.left_mm - setting.right_mm)
    inputs = tuple(s.source for s in course.run)
    observed = (Measured(Decimal(days), "d"), Measured(difference, "mm"))
    used = (needed, even)
    told = {"setting": sides(*setting.pair), "since": onset}
    if difference > even.value and not course.difference_intended:
        sentence = say("ready.uneven", **told, difference=difference, limit=even.value)
        needs = "the dentist evens the sides or records the difference as intended"
        return Criterion(name, title, Status.UNMET, sentence, observed, used, inputs, needs=needs)
    sentence = say("ready.setting", **told, days=days, needed=needed.value)
    if days < needed.value:
        earliest = onset + timedelta(days=int(needed.value))
        return Criterion(name, title, Status.UNMET, sentence, observed, used, inputs, earliest=earliest)
    return Criterion(name, title, Status.MET, sentence, observed, used, inputs)


def tolerated(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when no side effect of the limiting grade or worse is open."""
    name, title, limit = "tolerated", "Tolerated", thresholds.side_effect_grade
    severe = [e for e in course.open_side_effects if e.grade >= limit.value]
    if severe:
        kinds = tuple(spoken(e.kind) for e in severe)
        what = tuple(say("ready.side-effect-since", kind=spoken(e.kind), grade=e.grade, since=e.onset) for e in severe)
        return Criterion(
            name,
            title,
            Status.UNMET,
            say("ready.not-tolerated", what=what),
            observed=tuple(Measured(Decimal(e.grade), "{score}") for e in severe),
            thresholds=(limit,),
            inputs=tuple(e.source for e in severe),
            needs=say("ready.treats", what=kinds),
        )
    mild = tuple(say("ready.side-effect", kind=spoken(e.kind), grade=e.grade) for e in course.open_side_effects)
    sentence = say("ready.tolerated-mild", what=mild) if mild else say("ready.tolerated", on=course.as_of)
    inputs = tuple(e.source for e in course.open_side_effects)
    return Criterion(name, title, Status.MET, sentence, thresholds=(limit,), inputs=inputs)


def not_already_tested(course: Course, thresholds: Thresholds) -> Criterion:
    """Met unless a valid and consistent test of the appliance alone was made at this setting since its onset."""
    name, title = "not-already-tested", "Not already tested"
    tested = tests_of_this_setting(course, thresholds)
    if not tested:
        return Criterion(name, title, Status.MET, say("ready.not-tested", on=course.as_of))
    test = tested[-1].test
    return Criterion(
        name,
        title,
        Status.UNMET,
        say("ready.tested", on=test.day),
        inputs=test.sources,
        needs="the physician decides on the result of that test",
    )


def stop_criteria(course: Course) -> tuple[Criterion, ...]:
    """One unmet criterion for each open red flag and each side effect that stops wear: who looks at it, and by when."""
    found = [_flag(course, flag) for flag in course.flags]
    for effect in course.grade_three:
        sentence = say("stop.grade-three", kind=spoken(effect.kind).capitalize(), since=effect.onset)
        title = f"{spoken(effect.kind).capitalize()} of grade {effect.grade}"
        needs = "the dentist sees the patient today"
        found.append(
            Criterion(f"side-effect-{effect.kind}", title, Status.UNMET, sentence, inputs=(effect.source,), needs=needs)
        )
    return tuple(found)


def _flag(course: Course, flag: OpenFlag) -> Criterion:
    late = course.as_of > flag.due
    when = "stop.today" if not flag.days or late else "stop.by"
    sentence = say(when, why=flag.sentence, office=flag.office.value, due=flag.due)
    needs = f"the {flag.office} closes it with what was done"
    title = spoken(flag.kind).capitalize()
    return Criterion(f"red-flag-{flag.kind}", title, Status.UNMET, sentence, inputs=flag.sources, needs=needs)
