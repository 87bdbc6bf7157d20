"""Readiness criteria about the appliance, the setting, tolerance and tests (not about symptoms)."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

from service.rules.adequate_tests import adequate_test, tested_this_setting
from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status
from service.rules.kinds import RedFlagKind
from service.rules.relapse import relapse
from service.rules.thresholds import Thresholds
from service.rules.words import count, day, listed, number, rounded, sides, spoken


def appliance_delivered(course: Course) -> Criterion:
    """Met when an appliance is delivered and in use; unknown without a delivery on record."""
    name, title = "appliance-delivered", "Appliance delivered"
    appliance = course.appliance
    if appliance is None:
        return Criterion(
            name,
            title,
            Status.UNKNOWN,
            f"No delivery of an appliance is recorded up to {day(course.as_of)}.",
            needs="the dental office delivers the appliance and records it",
            missing="the delivery of the appliance",
        )
    if appliance.ended_on and appliance.ended_on <= course.as_of:
        return Criterion(
            name,
            title,
            Status.UNMET,
            f"The appliance delivered on {day(appliance.delivered_on)} has been out of use since "
            f"{day(appliance.ended_on)} and no other is recorded.",
            inputs=(appliance.source,),
            needs="the dental office repairs or replaces the appliance",
        )
    return Criterion(
        name,
        title,
        Status.MET,
        f"The appliance was delivered on {day(appliance.delivered_on)}.",
        inputs=(appliance.source,),
    )


def baseline_known(course: Course) -> Criterion:
    """Met with a baseline test that reports an AHI or REI; unknown without."""
    name, title = "baseline-known", "Baseline test known"
    test = course.baseline
    if test is None or test.index_per_hour is None:
        return Criterion(
            name,
            title,
            Status.UNKNOWN,
            f"No baseline test with an AHI or REI is recorded up to {day(course.as_of)}.",
            needs="the sleep laboratory sends the baseline test",
            missing="a baseline test with an AHI or REI",
        )
    return Criterion(
        name,
        title,
        Status.MET,
        f"The baseline test of {day(test.day)} measured an {test.index_name} of {number(test.index_per_hour)} events "
        f"per hour (hypopnoea rule: {test.hypopnoea_rule}).",
        observed=(Measured(test.index_per_hour, "{events}/h"),),
        inputs=test.sources,
    )


def setting_stable(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when the same left/right pair has been worn long enough and the sides are even or meant to differ."""
    name, title = "setting-stable", "Setting stable"
    setting, onset, days = course.setting, course.onset, course.days_at_setting
    if setting is None:
        return Criterion(
            name,
            title,
            Status.UNKNOWN,
            f"No setting is recorded up to {day(course.as_of)}.",
            needs="the dental office records the setting",
            missing="the current setting",
        )
    assert onset and days is not None
    needed, even = thresholds.stable_days, thresholds.even_within_mm
    difference = abs(setting.left_mm - setting.right_mm)
    uneven = difference > even.value and not course.difference_intended
    long_enough = days >= needed.value
    inputs = tuple(s.source for s in course.run)
    observed = (Measured(Decimal(days), "d"), Measured(difference, "mm"))
    used = (needed, even)
    sentence = (
        f"The setting has been {sides(*setting.pair)} since {day(onset)}, {count(days, 'day')} by {day(course.as_of)}; "
        f"at least {number(needed.value)} days are asked ({needed.cited})."
    )
    if uneven:
        sentence = (
            f"The sides are uneven since {day(onset)}: {sides(*setting.pair)} differ by {number(difference)} mm, more "
            f"than {number(even.value)} mm ({even.cited}), and no intended difference is recorded."
        )
        needs = "the dentist evens the sides or records the difference as intended"
        return Criterion(name, title, Status.UNMET, sentence, observed, used, inputs, needs=needs)
    if not long_enough:
        earliest = onset + timedelta(days=int(needed.value))
        return Criterion(name, title, Status.UNMET, sentence, observed, used, inputs, earliest=earliest)
    return Criterion(name, title, Status.MET, sentence, observed, used, inputs)


def tolerated(course: Course, thresholds: Thresholds) -> Criterion:
    """Met when no side effect of the limiting grade or worse is open."""
    name, title = "tolerated", "Tolerated"
    limit = thresholds.side_effect_grade
    severe = [e for e in course.open_side_effects if e.grade >= limit.value]
    if severe:
        open_now = listed([f"{spoken(e.kind)} of grade {e.grade} since {day(e.onset)}" for e in severe])
        return Criterion(
            name,
            title,
            Status.UNMET,
            f"Open on {day(course.as_of)}: {open_now}; grade {number(limit.value)} or more is not tolerated "
            f"({limit.cited}).",
            observed=tuple(Measured(Decimal(e.grade), "{score}") for e in severe),
            thresholds=(limit,),
            inputs=tuple(e.source for e in severe),
            needs=f"the dentist treats the {listed([spoken(e.kind) for e in severe])}",
        )
    mild = listed([f"{spoken(e.kind)} of grade {e.grade}" for e in course.open_side_effects])
    sentence = (
        f"No side effect of grade {number(limit.value)} or more is open on {day(course.as_of)} ({limit.cited})"
        f"{f'; open and tolerated: {mild}' if mild else ''}."
    )
    inputs = tuple(e.source for e in course.open_side_effects)
    return Criterion(name, title, Status.MET, sentence, thresholds=(limit,), inputs=inputs)


def not_already_tested(course: Course, thresholds: Thresholds) -> Criterion:
    """Met unless an adequate efficacy test was made at this setting since its onset.

    Unsettled symptoms after a good test, at this setting or an earlier one, are said here too.
    """
    item, again = _tested_here(course, thresholds), relapse(course, thresholds)
    if again is None:
        return item
    review = f"the physician reviews the symptoms after the good test of {day(again.test.day)}"
    return replace(
        item,
        sentence=f"{item.sentence} {again.sentence}",
        thresholds=(*item.thresholds, *again.thresholds),
        inputs=tuple(sorted({*item.inputs, *again.inputs})),
        needs=review if item.status is Status.UNMET else "",
    )


def _tested_here(course: Course, thresholds: Thresholds) -> Criterion:
    name, title = "not-already-tested", "Not already tested"
    hours = thresholds.test_hours
    tests = [t for t in course.efficacy_tests if tested_this_setting(course, t)]
    adequate = [t for t in tests if adequate_test(t, thresholds)]
    if adequate:
        test = adequate[-1]
        return Criterion(
            name,
            title,
            Status.UNMET,
            f"This setting was tested on {day(test.day)} over {number(rounded(test.recording_hours or Decimal(0), '0.1'))} "
            f"hours, at least {number(hours.value)} being adequate ({hours.cited}); a new test follows a new setting or "
            f"the physician's wish.",
            observed=(Measured(test.recording_hours or Decimal(0), "h"),),
            thresholds=(hours,),
            inputs=test.sources,
            needs="the physician decides on the result of that test",
        )
    if tests:
        short = tests[-1]
        length = f"{number(short.recording_hours)} hours" if short.recording_hours is not None else "an unknown time"
        sentence = (
            f"A test on {day(short.day)} at this setting recorded {length} and does not count: at least "
            f"{number(hours.value)} hours with an index are adequate ({hours.cited})."
        )
        return Criterion(name, title, Status.MET, sentence, thresholds=(hours,), inputs=short.sources)
    sentence = f"No efficacy test at this setting is recorded up to {day(course.as_of)}."
    return Criterion(name, title, Status.MET, sentence, thresholds=(hours,))


RED_FLAG_WORDS = {
    RedFlagKind.LOCKED_JAW: "a locked jaw",
    RedFlagKind.LOOSE_TOOTH: "a loose tooth",
    RedFlagKind.BROKEN_APPLIANCE: "a broken appliance",
    RedFlagKind.DROWSY_DRIVING: "drowsy driving",
    RedFlagKind.WORSE_SLEEPINESS: "worse sleepiness",
    RedFlagKind.WORSE_OXIMETRY: "worse oximetry",
}


def red_flag_criteria(course: Course, for_the_dentist: Set[RedFlagKind]) -> tuple[Criterion, ...]:
    """One unmet criterion per open red flag: who must look at it, and how soon."""
    found: list[Criterion] = []
    for flag in course.open_red_flags:
        whom = "the dentist, today" if flag.kind in for_the_dentist else "the physician, urgently"
        what, told = spoken(flag.kind), RED_FLAG_WORDS[flag.kind]
        found.append(
            Criterion(
                f"red-flag-{flag.kind}",
                what[0].upper() + what[1:],
                Status.UNMET,
                f"{told[0].upper() + told[1:]} was reported on {day(flag.moment.day)} and is not resolved by "
                f"{day(course.as_of)}: for {whom}.",
                inputs=(flag.source,),
                needs=f"{whom.split(',')[0]} reviews it",
            )
        )
    return tuple(found)
