"""Nobody to hear: a recorder over some nights, or sleepiness settled and rest instead of an answer about snoring."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.rules.decision import Readiness
from service.rules.kinds import Hearer

from .build import (
    AS_OF,
    after_delivery,
    ago,
    appliance,
    case,
    check_in,
    criterion,
    good_check_in,
    readiness,
    rows,
    setting,
)

NOBODY = {"who_could_hear": Hearer.NOBODY}


def alone(days_ago, **told):
    """A check-in of somebody who sleeps alone."""
    return good_check_in(days_ago, **({"snoring": None, "witnessed_pauses": None} | NOBODY | told))


# Then Epworth is met and restedness at least 5 (policy); no Epworth since the onset is asked for.
NOT_HEARD = rows(
    ("Epworth met and restedness 5", (alone(7, epworth_total=9, restedness="5"),), "met", "ready.not-heard"),
    ("restedness 4.9", (alone(7, epworth_total=9, restedness="4.9"),), "unmet", "ready.not-heard-unsettled"),
    ("Epworth 11", (alone(7, epworth_total=11, restedness="9"),), "unmet", "ready.not-heard-unsettled"),
    ("no Epworth since the onset: asked", (alone(14), alone(7)), "unknown", "ready.not-heard-asked"),
    (
        "Epworth on the day of the change is of the old setting",
        (alone(21, epworth_total=5), alone(7)),
        "unknown",
        "ready.not-heard-asked",
    ),
    ("no restedness", (alone(7, epworth_total=9, restedness=None),), "unknown", "ready.not-heard-asked"),
    ("Epworth 29 days old is untold", (alone(7),), "unknown", "ready.not-heard-asked"),
)


@pytest.mark.parametrize(("reports", "status", "why"), NOT_HEARD)
def test_snoring_that_nobody_hears(reports, status, why):
    item = criterion(after_delivery(*reports), "snoring-settled")
    assert (item.status, item.sentence.id) == (status, why)


WHO = rows(
    (
        "nobody lately, a partner before: nobody now",
        (check_in(14, who_could_hear=Hearer.BED_PARTNER), alone(7, epworth_total=9)),
        "ready.not-heard",
    ),
    (
        "a partner lately",
        (alone(14, epworth_total=9), check_in(7, who_could_hear=Hearer.BED_PARTNER)),
        "ready.answers-too-few",
    ),
    (
        "two answers of those who could hear stand",
        (check_in(15, snoring="6"), check_in(14, snoring="6"), alone(7, epworth_total=9)),
        "ready.snoring",
    ),
    (
        "the sleeper's own answer beside nobody does not count",
        (alone(14, snoring="1"), alone(7, snoring="1", epworth_total=9)),
        "ready.not-heard",
    ),
    (
        "a bed partner who answers did hear",
        tuple(replace(alone(d, snoring="6"), reported_by="bed-partner") for d in (14, 7)),
        "ready.snoring",
    ),
)


@pytest.mark.parametrize(("reports", "why"), WHO)
def test_who_could_hear_lately(reports, why):
    assert criterion(after_delivery(*reports), "snoring-settled").sentence.id == why


RECORDER = {"who_could_hear": Hearer.RECORDER}
RECORDED = rows(
    ("2 nights are too few", 2, "unknown"),
    ("3 nights", 3, "met"),
    ("no number of nights told", None, "unknown"),
)


@pytest.mark.parametrize(("nights", "status"), RECORDED)
def test_a_recorder_needs_three_nights(nights, status):
    reports = (check_in(d, snoring="2", recorder_nights=nights, **RECORDER) for d in (14, 7))
    assert criterion(after_delivery(*reports), "snoring-settled").status == status


def test_a_case_that_nobody_hears_becomes_ready_and_ready_at_the_limit():
    quiet = (alone(14, epworth_total=9), alone(7, epworth_total=9))
    assert readiness(after_delivery(*quiet)).outcome == Readiness.READY
    sleepy = tuple(replace(c, epworth_total=11) for c in quiet)
    limited = replace(after_delivery(*sleepy), appliances=(appliance(maximum_advance_mm="2"),))
    assert readiness(limited).outcome == Readiness.READY_AT_LIMIT
    untold = tuple(replace(c, epworth_total=None) for c in quiet)
    decision = readiness(after_delivery(*untold))
    assert (decision.outcome, decision.earliest) == (Readiness.CANNOT_SAY, ago(-1))
    assert "an Epworth total" in decision.sentence and decision.as_of == AS_OF


def test_an_old_total_is_untold_for_it_too():
    def item(age):
        facts = case(settings=(setting(60, "2"),), check_ins=(alone(age, epworth_total=9), alone(1)))
        return criterion(facts, "snoring-settled").status

    assert (item(28), item(29)) == ("met", "unknown")
