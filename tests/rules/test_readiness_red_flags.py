"""Red flags stop everything until the right person has looked."""

from __future__ import annotations

import pytest

from service.rules.decision import Party, Readiness
from service.rules.facts import CaseFacts
from service.rules.kinds import RedFlagKind

from .build import ago, case, readiness, red_flag, rows

DENTIST_TODAY = (RedFlagKind.LOCKED_JAW, RedFlagKind.LOOSE_TOOTH, RedFlagKind.BROKEN_APPLIANCE)


@pytest.mark.parametrize("kind", list(RedFlagKind))
def test_stop_and_review_for_each_red_flag(kind):
    decision = readiness(case(red_flags=(red_flag(kind),)))
    to_dentist = kind in DENTIST_TODAY
    today = to_dentist or kind is RedFlagKind.DROWSY_DRIVING
    whom = "dentist" if to_dentist else "physician"
    # Reported on Tuesday 29 September: two working days end on Thursday.
    assert decision.until == (ago(1) if today else ago(-1))
    when = "today" if today else "by 1 Oct 2026"
    assert decision.outcome == Readiness.STOP_AND_REVIEW
    assert decision.sentence == f"Stop and review: {kind.replace('-', ' ')} ({whom}, {when})."
    assert decision.whose_move == (Party.DENTIST if to_dentist else Party.PHYSICIAN)
    assert decision.urgent
    flag = decision.criteria[0]
    assert flag.title == str(kind).replace("-", " ").capitalize()
    assert flag.name == f"red-flag-{kind}" and "29 Sep 2026" in flag.sentence
    assert flag.sentence.endswith(f"For the {whom}, {when}.")
    assert flag.needs == f"the {whom} closes it with what was done"
    assert len(decision.criteria) == 10


def test_red_flags_of_both_kinds_name_both_and_the_physician_moves():
    decision = readiness(case(red_flags=(red_flag(RedFlagKind.LOOSE_TOOTH), red_flag(RedFlagKind.DROWSY_DRIVING))))
    assert decision.whose_move == Party.PHYSICIAN
    assert (
        "drowsy driving (physician, today)" in decision.sentence and "loose tooth (dentist, today)" in decision.sentence
    )


OPEN_FLAGS = rows(
    ("resolved on the day itself", (red_flag(RedFlagKind.LOOSE_TOOTH, 5, 0),), Readiness.READY),
    ("resolved tomorrow: still open", (red_flag(RedFlagKind.LOOSE_TOOTH, 5, -1),), Readiness.STOP_AND_REVIEW),
    ("reported tomorrow", (red_flag(RedFlagKind.LOOSE_TOOTH, -1),), Readiness.READY),
    ("reported today", (red_flag(RedFlagKind.LOOSE_TOOTH, 0),), Readiness.STOP_AND_REVIEW),
    (
        "resolved, then reported again",
        (red_flag(RedFlagKind.LOOSE_TOOTH, 9, 7), red_flag(RedFlagKind.LOOSE_TOOTH, 2)),
        Readiness.STOP_AND_REVIEW,
    ),
    (
        "a later report says it is resolved",
        (red_flag(RedFlagKind.LOOSE_TOOTH, 9), red_flag(RedFlagKind.LOOSE_TOOTH, 2, 2)),
        Readiness.READY,
    ),
    (
        "another kind does not resolve it",
        (red_flag(RedFlagKind.LOOSE_TOOTH, 9), red_flag(RedFlagKind.LOCKED_JAW, 2, 2)),
        Readiness.STOP_AND_REVIEW,
    ),
)


@pytest.mark.parametrize(("flags", "outcome"), OPEN_FLAGS)
def test_when_a_red_flag_is_open(flags, outcome):
    assert readiness(case(red_flags=flags)).outcome == outcome


def test_a_red_flag_outranks_everything_else():
    facts = CaseFacts(red_flags=(red_flag(RedFlagKind.WORSE_OXIMETRY),))
    assert readiness(facts).outcome == Readiness.STOP_AND_REVIEW
