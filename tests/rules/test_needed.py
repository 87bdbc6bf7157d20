"""What a decision can still depend on is kept: from the facts needed it comes out as from all of them, to the byte."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.rules.case_view import view_case
from service.rules.facts import CaseFacts, effective_day
from service.rules.needed import needed
from service.rules.overdue import overdue_from
from service.rules.site import Site
from tests.short_run import times

from .build import AS_OF, DEFAULTS, ago, appliance, case, check_in, efficacy, good_check_in, setting
from .cases import TUPLES
from .long_cases import DAYS, long_cases, named

modest = settings(max_examples=times(150, 30), deadline=None, suppress_health_check=list(HealthCheck))
OTHERS = DEFAULTS.with_values(
    {"wear_recent_days": Decimal(14), "check_ins_needed": Decimal(3), "check_in_fresh_days": Decimal(60)}
)
SITES = st.sampled_from([Site(), Site(region="US"), Site(OTHERS)])
MARKED = st.integers(0, DAYS - 50)
LATER = st.integers(0, 120) | st.integers(0, 3)


def written(facts: CaseFacts, site: Site, as_of: date) -> bytes:
    """All that the rules say of a day, as bytes: the view, and the day from which the case is overdue."""
    view = view_case(facts, site, as_of)
    overdue = overdue_from(view.stage, facts, view.follow_up, site.thresholds, as_of)
    return json.dumps([view.as_data(), overdue], default=str).encode()


def joined(facts: CaseFacts, more: CaseFacts, since: date) -> CaseFacts:
    """The case with what else became known of `since` and the days after it."""
    held = {}
    for kind in TUPLES:
        added = [f for f in getattr(more, kind) if effective_day(f) >= since]
        held[kind] = (*getattr(facts, kind), *named(kind, added, "new-"))
    return replace(facts, **held)


@pytest.mark.at_length
@modest
@given(long_cases(), long_cases(), MARKED, LATER, SITES)
def test_later_decisions_come_out_the_same_whatever_is_added(facts, more, marked, later, site):
    since = ago(marked)
    kept = needed(facts, site.thresholds, since)
    on = since + timedelta(days=later)
    assert written(joined(kept, more, since), site, on) == written(joined(facts, more, since), site, on)
    assert written(kept, site, since) == written(facts, site, since)


@pytest.mark.at_length
@modest
@given(long_cases(), long_cases(), MARKED, LATER, SITES)
def test_what_is_needed_later_follows_from_what_was_needed_before(facts, more, marked, later, site):
    """Marks made step by step are those made at once from all facts: the hash of the facts is the same either way."""
    since, on = ago(marked), ago(marked) + timedelta(days=later)
    kept = needed(facts, site.thresholds, since)
    step_by_step = needed(joined(kept, more, since), site.thresholds, on)
    at_once = needed(joined(facts, more, since), site.thresholds, on)
    for kind in TUPLES:
        assert set(getattr(step_by_step, kind)) == set(getattr(at_once, kind)), kind


def test_of_a_long_course_a_bounded_part_is_needed():
    """Weekly check-ins of two, of ten and of twenty years: as many are needed of each."""

    def kept(weeks: int) -> int:
        told = tuple(good_check_in(d, weight_kg=Decimal(80)) for d in range(7 * weeks, 0, -7))
        settings_told = tuple(setting(d, "2") for d in range(7 * weeks, 0, -7))
        facts = case(check_ins=told, settings=settings_told, sleep_tests=(efficacy(300),))
        found = needed(facts, DEFAULTS, AS_OF)
        return len(found.check_ins)

    assert kept(100) == kept(500) == kept(1000) < 70


def test_what_is_long_past_is_not_needed():
    """A check-in of more than a year ago, past the weeks of titration, beside one of each of the last weeks."""
    old = check_in(500, snoring="2")
    appliances = (appliance(800),)
    facts = case(
        appliances=appliances,
        settings=(setting(800, "2"),),
        check_ins=(old, *(good_check_in(d) for d in range(60, 0, -7))),
    )
    assert old not in needed(facts, DEFAULTS, AS_OF).check_ins
    assert old in needed(facts, DEFAULTS, ago(500)).check_ins
