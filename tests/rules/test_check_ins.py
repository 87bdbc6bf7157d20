"""What one reporter told of one moment is one check-in: repeated records, answers sent one by one, contradictions."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import permutations
from typing import Any

import pytest

from service.rules.check_ins import answers, joined_check_ins
from service.rules.course import course_on
from service.rules.facts import CaseFacts, CheckIn
from service.rules.follow_up import follow_up
from service.rules.ledger import ledger_of
from service.rules.source import Source

from .build import (
    AS_OF,
    DEFAULTS,
    after_delivery,
    ago,
    baseline,
    case,
    check_in,
    criterion,
    efficacy,
    good_check_in,
    readiness,
    rows,
    setting,
    stage,
    step,
)

TOLD = ("snoring", "restedness", "epworth_total", "witnessed_pauses", "weight_kg")
WORN = ("nights_reported", "nights_worn", "hours_per_night", "hours_slept_per_night")


def twice(report: CheckIn) -> tuple[CheckIn, CheckIn]:
    """The same report stored under a second id."""
    return (report, replace(report, source=Source(f"{report.source.reference}-again", 1)))


def one_by_one(report: CheckIn) -> tuple[CheckIn, ...]:
    """The report as a system sends it that keeps one Observation per answer; wear is one of them."""
    fields = [{name: getattr(report, name)} for name in TOLD if getattr(report, name) is not None]
    wear = {name: getattr(report, name) for name in WORN if getattr(report, name) is not None}
    fields += [wear] if wear else []
    plain = CheckIn(report.source, report.moment, report.reported_by)
    return tuple(
        replace(plain, source=Source(f"{report.source.reference}-{i}", 1), **held) for i, held in enumerate(fields)
    )


def told(facts: CaseFacts) -> tuple[Any, ...]:
    """All that rules conclude from check-ins, without the names of the records."""

    def plain(item):
        return (item.name, item.status, item.sentence, item.observed, item.earliest)

    decided, follow = readiness(facts), follow_up(facts, DEFAULTS, AS_OF)
    assert follow
    return (
        decided.outcome,
        decided.sentence,
        decided.earliest,
        [plain(c) for c in decided.criteria],
        step(facts).sentence,
        [plain(c) for c in follow.decision.criteria],
        follow.decision.sentence,
        stage(facts).why,
    )


ONCE = rows(
    ("ready", case(check_ins=(good_check_in(14), good_check_in(7)))),
    ("one check-in so far", case(check_ins=(good_check_in(7),))),
    ("one loud check-in", case(check_ins=(good_check_in(7, snoring="7"),))),
    ("a good one after a loud one", case(check_ins=(good_check_in(14, snoring="6"), good_check_in(7)))),
    ("a tired one", case(check_ins=(good_check_in(14), good_check_in(7, restedness="4")))),
    (
        "Epworth and restedness disagree",
        case(check_ins=(good_check_in(14), good_check_in(7, epworth_total=8, restedness="3"))),
    ),
    ("pauses seen", case(check_ins=(good_check_in(14, witnessed_pauses=True), good_check_in(7)))),
    ("five nights reported", case(check_ins=(good_check_in(3, nights_reported=5, nights_worn=5),))),
    ("poor wear", case(check_ins=(good_check_in(14), good_check_in(7, nights_worn=2)))),
    ("wear falling", case(check_ins=(good_check_in(50), good_check_in(43), good_check_in(3, nights_worn=3)))),
    (
        "hours slept",
        case(
            check_ins=(
                good_check_in(14, hours_slept_per_night=Decimal("7.5")),
                good_check_in(7, hours_slept_per_night=Decimal(7)),
            ),
            sleep_tests=(baseline(), efficacy(4)),
        ),
    ),
    (
        "weight",
        case(
            check_ins=(
                check_in(50, weight_kg=Decimal(80)),
                check_in(1, snoring="2", weight_kg=Decimal(90)),
            )
        ),
    ),
    (
        "symptoms back after a good test",
        case(
            check_ins=(good_check_in(14), good_check_in(7), good_check_in(1, snoring="8")),
            sleep_tests=(baseline(), efficacy(4, "3")),
        ),
    ),
    ("titrating", case(settings=(setting(8, "1"),), check_ins=(good_check_in(1, snoring="6", nights_worn=3),))),
)


@pytest.mark.parametrize("facts", ONCE)
@pytest.mark.parametrize("change", [twice, one_by_one, lambda c: (*one_by_one(c), *twice(c))])
def test_a_check_in_counts_once_however_it_is_recorded(facts, change):
    recorded = tuple(part for report in facts.check_ins for part in change(report))
    assert told(replace(facts, check_ins=recorded)) == told(facts)
    assert told(replace(facts, check_ins=recorded[::-1])) == told(facts)


def test_each_criterion_names_the_records_it_read_and_no_others():
    parts = (*one_by_one(good_check_in(14)), *one_by_one(good_check_in(7)))
    facts = case(check_ins=parts)
    by_field = {name: {p.source for p in parts if getattr(p, name) is not None} for name in (*TOLD, *WORN)}
    for name, field in (
        ("snoring-settled", "snoring"),
        ("sleepiness-settled", "restedness"),
        ("no-witnessed-pauses", "witnessed_pauses"),
        ("worn-enough", "nights_worn"),
    ):
        assert set(criterion(facts, name).inputs) == by_field[field]
    doubled = case(check_ins=(*twice(good_check_in(14)), *twice(good_check_in(7))))
    assert len(criterion(doubled, "snoring-settled").inputs) == 4


CONTRADICTIONS = rows(
    ("the louder", {"snoring": "2"}, {"snoring": "6"}, {"snoring": Decimal(6)}),
    ("the more tired", {"restedness": "8"}, {"restedness": "3"}, {"restedness": Decimal(3)}),
    ("the sleepier", {"epworth_total": 6}, {"epworth_total": 14}, {"epworth_total": 14}),
    ("pauses seen", {"witnessed_pauses": False}, {"witnessed_pauses": True}, {"witnessed_pauses": True}),
    (
        "the poorer wear as a whole: nights of two reports are never mixed",
        {"nights_reported": 7, "nights_worn": 7, "hours_per_night": "7"},
        {"nights_reported": 5, "nights_worn": 2, "hours_per_night": "8"},
        {"nights_reported": 5, "nights_worn": 2, "hours_per_night": Decimal(8)},
    ),
    (
        "as often, but for fewer hours",
        {"nights_reported": 7, "nights_worn": 7, "hours_per_night": "7"},
        {"nights_reported": 7, "nights_worn": 7, "hours_per_night": "5"},
        {"nights_reported": 7, "nights_worn": 7, "hours_per_night": Decimal(5)},
    ),
    (
        "hours told by the other record are kept",
        {"nights_reported": 7, "nights_worn": 6},
        {"nights_reported": 7, "nights_worn": 7, "hours_per_night": "5", "hours_slept_per_night": Decimal(7)},
        {"nights_worn": 6, "hours_per_night": Decimal(5), "hours_slept_per_night": Decimal(7)},
    ),
    (
        "of two lengths of sleep the longer, which leaves more of it untreated",
        {"nights_reported": 7, "nights_worn": 7, "hours_slept_per_night": Decimal(6)},
        {"nights_reported": 7, "nights_worn": 7, "hours_slept_per_night": Decimal(8)},
        {"hours_slept_per_night": Decimal(8)},
    ),
    (
        "of two reports alike in all else the one over more nights",
        {"nights_reported": 4, "nights_worn": 4},
        {"nights_reported": 7, "nights_worn": 7},
        {"nights_reported": 7, "nights_worn": 7},
    ),
    (
        "nights that are not counted tell less than poor wear",
        {"hours_per_night": "2", "hours_slept_per_night": Decimal(9)},
        {"nights_reported": 7, "nights_worn": 1, "hours_per_night": "8"},
        {"nights_reported": 7, "nights_worn": 1, "hours_per_night": Decimal(8), "hours_slept_per_night": Decimal(9)},
    ),
    (
        "of two equal shares the one with hours, however many they are",
        {"nights_reported": 7, "nights_worn": 7, "hours_slept_per_night": Decimal(9)},
        {"nights_reported": 7, "nights_worn": 7, "hours_per_night": "8", "hours_slept_per_night": Decimal(6)},
        {"hours_per_night": Decimal(8), "hours_slept_per_night": Decimal(6)},
    ),
    (
        "never worn is poorer than hardly worn",
        {"nights_reported": 7, "nights_worn": 0},
        {"nights_reported": 7, "nights_worn": 1, "hours_per_night": "1"},
        {"nights_worn": 0},
    ),
    (
        "no nights are no wear",
        {"nights_reported": 0, "nights_worn": 0},
        {"nights_reported": 7, "nights_worn": 7},
        {"nights_reported": 7, "nights_worn": 7},
    ),
)


@pytest.mark.parametrize(("first", "second", "expected"), CONTRADICTIONS)
def test_of_two_answers_of_one_moment_the_more_cautious_counts(first, second, expected):
    a, b = check_in(7, "a", **first), check_in(7, "b", **second)
    for order in ((a, b), (b, a)):
        (joined,) = joined_check_ins(order)
        assert {name: getattr(joined, name) for name in expected} == expected
        assert (joined.source, joined.records) == (a.source, (a, b))


def test_joining_does_not_depend_on_the_order_of_three_records():
    three = (
        check_in(7, "a", snoring="2", nights_reported=7, nights_worn=3),
        check_in(7, "b", snoring="5", nights_reported=7, nights_worn=3, hours_per_night="4"),
        check_in(7, "c", restedness="6", hours_slept_per_night=Decimal(7)),
    )
    assert len({repr(joined_check_ins(order)) for order in permutations(three)}) == 1
    assert joined_check_ins(three)[0].hours_per_night == 4


def test_other_moments_and_other_reporters_are_other_check_ins():
    morning, evening = check_in(7, clock="07:00:00", snoring="2"), check_in(7, clock="21:00:00", snoring="2")
    partner = replace(morning, reported_by="bed-partner")
    joined = joined_check_ins((evening, partner, morning))
    assert joined == (partner, morning, evening)


def test_two_reporters_of_one_moment_are_not_two_of_the_last_check_ins():
    mine, partners = good_check_in(7), replace(good_check_in(7, name="partner", snoring="3"), reported_by="bed-partner")
    item = criterion(after_delivery(mine, partners), "snoring-settled")
    assert (item.status, [m.value for m in item.observed], len(item.inputs)) == ("unknown", [3], 2)
    earlier = criterion(after_delivery(mine, partners, good_check_in(14)), "snoring-settled")
    assert (earlier.status, [m.value for m in earlier.observed]) == ("met", [2, 3])
    loud = replace(partners, snoring=Decimal(8), witnessed_pauses=True)
    assert criterion(after_delivery(mine, loud, good_check_in(14)), "snoring-settled").status == "unmet"
    assert criterion(after_delivery(mine, loud, good_check_in(14)), "no-witnessed-pauses").status == "unmet"


WEAR_OF_TWO = rows(
    ("the sensor, though it tells more", ("patient", 3), ("sensor", 6), 6),
    ("the sensor, though it tells less", ("patient", 7), ("sensor", 5), 5),
    ("without a sensor who tells less", ("patient", 7), ("bed-partner", 5), 5),
    ("the patient who tells less", ("patient", 4), ("bed-partner", 5), 4),
)


@pytest.mark.parametrize(("one", "other", "worn"), WEAR_OF_TWO)
def test_wear_told_by_two_of_one_moment_counts_once(one, other, worn):
    reports = tuple(
        replace(good_check_in(7, name=who, nights_worn=nights), reported_by=who) for who, nights in (one, other)
    )
    for order in (reports, reports[::-1]):
        item = criterion(case(check_ins=order), "worn-enough")
        assert (item.sentence.values["worn"], item.sentence.values["known"]) == (str(worn), 7)
    fewer = replace(reports[0], hours_per_night=Decimal(2), reported_by="patient", nights_worn=7)
    longer = replace(reports[1], hours_per_night=Decimal(6), reported_by="bed-partner", nights_worn=7)
    assert "mean of 2 hours" in criterion(case(check_ins=(longer, fewer)), "worn-enough").sentence
    untimed = replace(fewer, hours_per_night=None)
    assert "mean of 6 hours" in criterion(case(check_ins=(longer, untimed)), "worn-enough").sentence


def test_alleviation_of_doubled_reports_is_that_of_one():
    one = check_in(7, nights_reported=7, nights_worn=7, hours_per_night="6", hours_slept_per_night=Decimal("7.5"))
    other = check_in(0, nights_reported=7, nights_worn=3, hours_per_night="5", hours_slept_per_night=Decimal(8))

    def nights(*reports):
        return ledger_of(joined_check_ins(reports), ago(60)).nights

    assert nights(one, other) and len(nights(one, other)) == 14
    plain = [(n.evening, n.worn, n.hours, n.slept) for n in nights(one, other)]
    assert [(n.evening, n.worn, n.hours, n.slept) for n in nights(*twice(one), other)] == plain


def test_the_course_holds_joined_check_ins_and_the_lower_epworth_before_treatment():
    before = (*twice(check_in(70, epworth_total=12)), check_in(70, "other", epworth_total=9))
    course = course_on(case(check_ins=(*before, *twice(good_check_in(7)))), AS_OF, DEFAULTS)
    assert len(course.all_check_ins) == 2 and len(course.check_ins) == 1
    assert course.baseline_epworth and course.baseline_epworth.epworth_total == 9


def test_less_wear_is_a_smaller_share_of_the_nights_not_a_smaller_number():
    few = replace(good_check_in(7, name="few", nights_reported=3, nights_worn=3), reported_by="bed-partner")
    many = good_check_in(7, nights_worn=5)
    for order in ((few, many), (many, few)):
        nights = ledger_of(order, ago(60)).nights
        assert (len(nights), {n.worn for n in nights}) == (7, {Fraction(5, 7)})


def test_an_appliance_never_worn_was_worn_for_no_hours():
    nights = ledger_of([good_check_in(7, nights_worn=0, hours_per_night="6")], ago(60)).nights
    assert {(n.worn, n.hours) for n in nights} == {(Fraction(0), Decimal(0))}


# Reporters are named, never averaged: of snoring and pauses the one who hears counts, of sleepiness the worse answer.
WHO_COUNTS = rows(
    ("snoring: the bed partner, louder", "snoring", Decimal(2), Decimal(7), Decimal(7), "bed-partner"),
    ("snoring: the bed partner, though quieter", "snoring", Decimal(7), Decimal(2), Decimal(2), "bed-partner"),
    ("pauses: the bed partner saw none", "witnessed_pauses", True, False, False, "bed-partner"),
    ("Epworth: the worse, the patient's", "epworth_total", 12, 8, 12, "patient"),
    ("Epworth: the worse, the bed partner's", "epworth_total", 8, 12, 12, "bed-partner"),
    ("restedness: the lower", "restedness", Decimal(8), Decimal(5), Decimal(5), "bed-partner"),
)


@pytest.mark.parametrize(("name", "own", "partners", "counts", "who"), WHO_COUNTS)
def test_whose_answer_counts(name, own, partners, counts, who):
    mine, hers = (
        check_in(7, **{name: own}),
        replace(check_in(7, "partner", **{name: partners}), reported_by="bed-partner"),
    )
    for order in ((mine, hers), (hers, mine)):
        (answer,) = answers(order, name, DEFAULTS)
        assert (answer.value, answer.reporter, answer.contradicted) == (counts, who, False)
        assert answer.others == (
            (("bed-partner" if who == "patient" else "patient"), partners if who == "patient" else own),
        )


def test_two_answers_of_one_reporter_on_one_day_contradict_each_other():
    morning, evening = check_in(7, clock="07:00:00", snoring="2"), check_in(7, "b", clock="21:00:00", snoring="6")
    (answer,) = answers((morning, evening), "snoring", DEFAULTS)
    assert (answer.value, answer.contradicted) == (Decimal(6), True)
    (same,) = answers((morning, replace(evening, snoring=Decimal(2))), "snoring", DEFAULTS)
    assert not same.contradicted
    next_day = replace(check_in(6, clock="02:00:00"), snoring=Decimal(6))
    (one,) = answers((replace(evening, snoring=Decimal(2)), next_day), "snoring", DEFAULTS)
    assert not one.contradicted
