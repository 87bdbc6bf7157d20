"""Which efficacy tests were made at the setting that is worn now."""

from __future__ import annotations

from decimal import Decimal

from service.rules.course import Course
from service.rules.judging.judgement import Judgement
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds

Pair = tuple[Decimal, Decimal]


def setting_of_test(course: Course, test: SleepTest) -> Pair | None:
    """The setting of a test's night: told by its report, else the dentist's record of that night; None when neither is."""
    if test.setting_left_mm is not None and test.setting_right_mm is not None:
        return (test.setting_left_mm, test.setting_right_mm)
    before = [s for s in course.settings if s.moment.day <= test.day]
    return before[-1].pair if before else None


def same_setting(one: Pair, other: Pair, thresholds: Thresholds) -> bool:
    """Whether two settings are the same on both sides, within what counts as even."""
    return all(abs(a - b) <= thresholds.even_within_mm.value for a, b in zip(one, other, strict=True))


def tested_this_setting(course: Course, test: SleepTest, thresholds: Thresholds) -> bool:
    """Whether an efficacy test was made with the appliance at the current setting, on or after its onset."""
    if course.setting is None or course.onset is None or test.day < course.onset or not test.appliance_worn:
        return False
    tested = setting_of_test(course, test)
    return tested is None or same_setting(tested, course.setting.pair, thresholds)


def tests_of_this_setting(course: Course, thresholds: Thresholds) -> list[Judgement]:
    """The judged tests of this setting that count: valid, consistent, of the appliance alone."""
    return [j for j in course.judged if j.counts_as_tested and tested_this_setting(course, j.test, thresholds)]
