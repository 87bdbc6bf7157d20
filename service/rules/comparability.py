"""How far an efficacy test compares with the baseline test, and why not."""

from __future__ import annotations

from service.rules.adequate_tests import adequate_test
from service.rules.course import Course
from service.rules.kinds import HypopnoeaRule
from service.rules.sleep_test import SleepTest
from service.rules.thresholds import Thresholds
from service.rules.words import day, number, sides


def comparability(course: Course, baseline: SleepTest, efficacy: SleepTest, thresholds: Thresholds) -> tuple[str, ...]:
    """Every known reason why the two tests compare only with care, one sentence each."""
    found: list[str] = []
    if baseline.day > efficacy.day:
        found.append(
            f"The baseline test of {day(baseline.day)} was made after the efficacy test of {day(efficacy.day)}; none from "
            "before is recorded."
        )
    if baseline.index_name is not efficacy.index_name:
        found.append(
            f"The baseline reports {baseline.index_name} and the efficacy test {efficacy.index_name or 'an unnamed index'}; "
            "they are not interchangeable (Bianchi 2017, doi 10.5664/jcsm.6540)."
        )
    if HypopnoeaRule.UNKNOWN in (baseline.hypopnoea_rule, efficacy.hypopnoea_rule):
        found.append("The hypopnoea rule of at least one test is not known (Ho 2015, doi 10.5665/sleep.5234).")
    elif baseline.hypopnoea_rule is not efficacy.hypopnoea_rule:
        found.append(
            f"Hypopnoeas were scored by «{baseline.hypopnoea_rule}» at baseline and by «{efficacy.hypopnoea_rule}» at the "
            "efficacy test (Ho 2015, doi 10.5665/sleep.5234)."
        )
    if baseline.place and efficacy.place and baseline.place is not efficacy.place:
        found.append(f"The baseline was a {baseline.place} test and the efficacy test a {efficacy.place} test.")
    for test, name in ((baseline, "baseline"), (efficacy, "efficacy")):
        if not adequate_test(test, thresholds):
            hours = f"{number(test.recording_hours)} hours" if test.recording_hours is not None else "an unknown time"
            limit = thresholds.test_hours
            found.append(
                f"The {name} test recorded {hours}; at least {number(limit.value)} are adequate ({limit.cited})."
            )
    if not efficacy.appliance_worn:
        found.append("The appliance is not recorded as worn during the efficacy test.")
    if course.appliance and efficacy.day < course.appliance.delivered_on:
        found.append(
            f"The test of {day(efficacy.day)} was made before the appliance in use now was delivered on "
            f"{day(course.appliance.delivered_on)}."
        )
    tested = (efficacy.setting_left_mm, efficacy.setting_right_mm)
    if course.setting and tested[0] is not None and tested[1] is not None and tested != course.setting.pair:
        found.append(
            f"The test was made at {sides(tested[0], tested[1])}; the setting now is {sides(*course.setting.pair)}."
        )
    elif course.onset and efficacy.day < course.onset:
        found.append(f"The test of {day(efficacy.day)} was made before the current setting of {day(course.onset)}.")
    return tuple(found)
