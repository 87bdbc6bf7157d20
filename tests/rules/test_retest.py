"""When an appliance that works is tested again: after years, and sooner when something has changed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.rules.course import course_on
from service.rules.facts import CaseFacts
from service.rules.follow_up import follow_up
from service.rules.kinds import HealthChange, PhysicianChoice
from service.rules.retest import last_good_test, retest_triggers

from .build import (
    AS_OF,
    DEFAULTS,
    ago,
    appliance,
    baseline,
    check_in,
    choice,
    efficacy,
    order,
    referral,
    rows,
    setting,
)

CONTINUE = PhysicianChoice.CONTINUE


def continued(tested=200, *reports, **changes) -> CaseFacts:
    """An appliance at 2 mm that worked at a test that many days ago; the physician continued ten days later."""
    delivered = tested + 100
    held = {
        "referral": referral(days_ago=delivered + 40),
        "appliances": (appliance(delivered),),
        "settings": (setting(delivered, "0"), setting(tested + 30, "2")),
        "check_ins": (check_in(tested + 7, snoring="1", epworth_total=6), *reports),
        "sleep_tests": (baseline(delivered + 60), efficacy(tested, "4")),
        "physician_decisions": (choice(tested - 10, CONTINUE),),
    }
    return CaseFacts(**(held | changes))


def attention(facts, as_of=AS_OF):
    found = retest_triggers(course_on(facts, as_of, DEFAULTS), DEFAULTS)
    return [c.name for c in found if c.status == "attention"]


# 2 years after the last good test, then every 2 to 3 (policy).
DUE = rows(
    ("729 days after the test", continued(729), []),
    ("730 days", continued(730), ["retest-due"]),
    (
        "the physician decided since it was due: another two years",
        continued(900, physician_decisions=(choice(890, CONTINUE), choice(170, CONTINUE))),
        [],
    ),
    (
        "decided before it was due: that answers nothing",
        continued(900, physician_decisions=(choice(890, CONTINUE), choice(171, CONTINUE))),
        ["retest-due"],
    ),
    (
        "a second good test 729 days ago counts from there",
        continued(
            1500,
            sleep_tests=(baseline(1700), efficacy(1500, "4"), efficacy(729, "4")),
            physician_decisions=(choice(1490, CONTINUE), choice(720, CONTINUE)),
        ),
        [],
    ),
)


@pytest.mark.parametrize(("facts", "names"), DUE)
def test_after_years(facts, names):
    assert attention(facts) == names


def told(*values, **what):
    """Check-ins of the last weeks, one value each, the last one yesterday."""
    (name,) = what
    days = [1 + 7 * n for n in range(len(values))][::-1]
    return tuple(check_in(d, **{name: v}) for d, v in zip(days, values, strict=True))


SOONER = rows(
    ("Epworth 2 up", told(8, epworth_total=1), ["epworth-since-test"]),
    ("Epworth 1 up", told(7, epworth_total=1), []),
    ("Epworth 2 up, then well again", told(8, 6, epworth_total=1), []),
    ("snoring 3 up and above 3, twice", told("4", "4", snoring=1), ["snoring-since-test"]),
    ("only once", told("2", "4", snoring=1), []),
    ("once is not twice: a single answer", told("4", snoring=1), []),
    ("2.9 up", told("3.9", "3.9", snoring=1), []),
    ("a stroke", (check_in(5, health_changes=(HealthChange.STROKE,)),), ["health-since-test"]),
    ("an opioid", (check_in(5, health_changes=(HealthChange.OPIOID,)),), ["health-since-test"]),
    ("pregnancy", (check_in(5, health_changes=(HealthChange.PREGNANCY,)),), ["health-since-test"]),
    ("heart disease", (check_in(5, health_changes=(HealthChange.HEART_DISEASE,)),), ["health-since-test"]),
    ("a stroke told before the test", (check_in(205, health_changes=(HealthChange.STROKE,)),), []),
)


@pytest.mark.parametrize(("reports", "names"), SOONER)
def test_sooner_by_what_is_told(reports, names):
    assert attention(continued(200, *reports)) == names


def test_snoring_3_up_but_not_above_3_is_no_trigger():
    quiet = continued(200, *told("3", "3", snoring=1))
    before = replace(quiet, check_ins=(check_in(207, snoring="0"), *quiet.check_ins[1:]))
    assert attention(before) == []
    louder = replace(before, check_ins=(before.check_ins[0], *told("3.1", "3.1", snoring=1)))
    assert attention(louder) == ["snoring-since-test"]


BACK = rows(
    ("1 mm back", "1", []),
    ("1.1 mm back", "0.9", ["set-back-since-test"]),
    ("advanced since", "3.5", []),
)


@pytest.mark.parametrize(("now", "names"), BACK)
def test_set_back_since_the_test(now, names):
    facts = continued(200)
    assert attention(replace(facts, settings=(*facts.settings, setting(20, now)))) == names


def test_one_side_set_back_is_a_set_back():
    facts = continued(200)
    uneven = setting(20, "0.5", "2", difference_intended=True)
    assert attention(replace(facts, settings=(*facts.settings, uneven))) == ["set-back-since-test"]


NEW = rows(
    ("delivered on the day of the decision to go on", 190, ["appliance-since-test"]),
    ("delivered before the decision: it was decided with that", 195, []),
    ("delivered after it: titrated and tested anew, the setting is the dentist's first", 20, []),
)


@pytest.mark.parametrize(("delivered", "names"), NEW)
def test_a_new_appliance(delivered, names):
    facts = continued(200)
    again = replace(facts, appliances=(*facts.appliances, appliance(delivered)))
    assert attention(again) == names


STROKE = check_in(5, health_changes=(HealthChange.STROKE,))
ANSWERED = rows(
    ("nobody", {}, True),
    ("an order since", {"test_orders": (order(4),)}, False),
    ("an order of the day: which came first is not known", {"test_orders": (order(5),)}, True),
    ("a decision since", {"physician_decisions": (choice(190, CONTINUE), choice(4, CONTINUE))}, False),
    ("a decision before it", {"physician_decisions": (choice(190, CONTINUE), choice(6, CONTINUE))}, True),
)


@pytest.mark.parametrize(("changes", "waits"), ANSWERED)
def test_the_physician_answers_it(changes, waits):
    assert (attention(continued(200, STROKE, **changes)) == ["health-since-test"]) is waits


NO_GOOD_TEST = rows(
    ("no test", {"sleep_tests": (baseline(360),)}),
    ("tested, and no decision to go on", {"physician_decisions": ()}),
    ("an invalid test", {"sleep_tests": (baseline(360), efficacy(200, "4", hours="1.5"))}),
    ("with PAP on: of another combination", {"sleep_tests": (baseline(360), efficacy(200, "4", pap_on=True))}),
    ("stopped since", {"physician_decisions": (choice(190, CONTINUE), choice(100, PhysicianChoice.STOP))}),
    ("titrated again", {"physician_decisions": (choice(190, CONTINUE), choice(100, PhysicianChoice.KEEP_TITRATING))}),
    ("a newer result waits", {"sleep_tests": (baseline(360), efficacy(200, "4"), efficacy(3, "9"))}),
)


@pytest.mark.parametrize("changes", NO_GOOD_TEST)
def test_nothing_is_proposed_while_there_is_no_good_test_to_go_by(changes):
    assert retest_triggers(course_on(continued(200, STROKE, **changes), AS_OF, DEFAULTS), DEFAULTS) == ()


def test_the_last_good_test_is_the_one_the_physician_continued_after():
    found = last_good_test(course_on(continued(200), AS_OF, DEFAULTS))
    assert found and found.test.day == ago(200)


def test_it_leads_back_to_the_physician_since_the_day_it_was_told():
    answer = follow_up(continued(200, STROKE), DEFAULTS, AS_OF)
    assert answer and (answer.decision.outcome, answer.since) == ("back-to-physician", ago(5))
