"""Which efficacy tests count: long enough, with an index, at the current setting."""

from __future__ import annotations

from service.rules.course import Course
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds


def tested_this_setting(course: Course, test: SleepTest) -> bool:
    """Whether an efficacy test was made with the current setting, on or after its onset."""
    if course.setting is None or course.onset is None or test.day < course.onset or not test.appliance_worn:
        return False
    if test.setting_left_mm is None or test.setting_right_mm is None:
        return True
    return (test.setting_left_mm, test.setting_right_mm) == course.setting.pair


def adequate_test(test: SleepTest, thresholds: Thresholds) -> bool:
    """Whether a test reports an index over enough recording hours."""
    return (
        test.index_per_hour is not None
        and test.recording_hours is not None
        and test.recording_hours >= thresholds.test_hours.value
    )
