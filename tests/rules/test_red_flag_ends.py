"""How a red flag ends: closed by its office with what was done in words, or withdrawn by correction, which is shown.

The least number of letters is a policy; no published value was looked for.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from service.rules.arrival import Told, refusals, why_action_refused, why_kind_refused
from service.rules.case_view import view_case
from service.rules.facts import RedFlagClosure, WithdrawnFlag
from service.rules.kinds import Office, RedFlagKind
from service.rules.overdue import overdue_from
from service.rules.site import Site
from service.rules.source import Moment
from service.rules.stage import StageName

from .build import AS_OF, DEFAULTS, ago, case, good_check_in, red_flag, rows, setting, source, stage, step

JAW = RedFlagKind.LOCKED_JAW

ACTIONS = rows(
    ("a dot tells nothing", ".", True),
    ("nor does a dash with a digit", "- 1", True),
    ("nor nothing, of an earlier release", "", True),
    ("two letters", "ok", True),
    ("three letters", "Set", False),
    ("letters of another alphabet", "δες", False),
    ("a sentence", "Repositioned by hand; soft diet.", False),
)


@pytest.mark.parametrize(("told", "refused"), ACTIONS)
def test_what_was_done_is_told_in_words(told, refused):
    closure = RedFlagClosure(source("closure"), Moment(AS_OF), JAW, Office.DENTIST, "Dr A", told)
    resolved = replace(red_flag(JAW, 5, 1), action_taken=told)
    for closed in (closure, resolved):
        assert (why_action_refused(closed, DEFAULTS) is not None) is refused
    found = refusals(case(red_flag_closures=(closure,)), {closure.source}.__contains__, DEFAULTS)
    assert [r.about for r in found] == ([Told.ACTION] if refused else [])
    # What is on record already is refused by nobody.
    assert refusals(case(red_flag_closures=(closure,)), lambda _: False, DEFAULTS) == []


def test_a_flag_that_is_open_tells_nothing_of_an_end_and_a_site_asks_for_more():
    assert why_action_refused(red_flag(JAW, 5), DEFAULTS) is None
    closure = RedFlagClosure(source("closure"), Moment(AS_OF), JAW, Office.DENTIST, "Dr A", "seen")
    assert why_action_refused(closure, DEFAULTS) is None
    assert why_action_refused(closure, DEFAULTS.with_values({"closure_letters": Decimal(5)})) is not None


def test_a_kind_is_kept_and_the_way_out_is_named():
    for after in (RedFlagKind.BROKEN_APPLIANCE.value, None):
        said = why_kind_refused(JAW.value, after)
        assert "entered in error" in said and "report anew" in said and said[0].isupper()


def test_a_withdrawn_flag_is_open_no_more_and_shown_as_withdrawn():
    withdrawn = WithdrawnFlag(source("jaw"), Moment(ago(3)), JAW)
    view = view_case(case(withdrawn_flags=(withdrawn,)), Site(), AS_OF)
    assert view.course.flags == () and view.stage.name is not StageName.UNDER_REVIEW
    (told,) = view.as_data()["withdrawn_red_flags"]
    assert (told["kind"], told["reported_on"], told["ended"]) == ("locked-jaw", "2026-09-27", "withdrawn-by-correction")
    assert told["sentence"] == "A locked jaw was reported on 27 Sep 2026. It was withdrawn by correction."
    assert view_case(case(withdrawn_flags=(withdrawn,)), Site(), ago(4)).withdrawn == ()


# The setting is 21 days old; a locked jaw was reported 5 days ago and closed 2 days ago.
TITRATING = {"settings": (setting(21, "1"),), "check_ins": (good_check_in(1, snoring="7"),)}
RETURNED = rows(
    ("nothing was closed: since the setting", {}, 21),
    ("the office closed it: since that day", {"office": Office.DENTIST, "kind": JAW}, 2),
    ("another office cannot", {"office": Office.PHYSICIAN, "kind": RedFlagKind.LOOSE_TOOTH}, 21),
)


@pytest.mark.parametrize(("closed", "since"), RETURNED)
def test_the_patients_move_begins_when_a_red_flag_is_closed(closed, since):
    closures = ()
    if closed:
        closures = (RedFlagClosure(source("c"), Moment(ago(2)), closed["kind"], closed["office"], "Dr A", "seen"),)
    facts = case(**TITRATING, red_flag_closures=closures)
    assert step(facts).whose_move == "patient"
    assert stage(facts).since == ago(since)


def test_what_is_urgent_has_its_own_day_and_no_visit_makes_it_overdue():
    """The visits of a case delivered 60 days ago are overdue; the red flag of today is due today."""
    view = view_case(case(red_flags=(red_flag(JAW, 0),)), Site(), AS_OF)
    assert view.stage.urgent and view.follow_up and min(v.latest for v in view.follow_up.visits) < AS_OF
    assert overdue_from(view.stage, view.facts, view.follow_up, DEFAULTS, AS_OF) == view.stage.due == AS_OF
