"""Boundaries of the readiness criteria about snoring, sleepiness and witnessed pauses."""

from __future__ import annotations

from decimal import Decimal

import pytest

from .build import DEFAULTS, after_delivery, ago, case, check_in, criterion, rows, setting


def told(what, *pairs):
    """The ready case with check-ins that tell one thing only: (days ago, value)."""
    return after_delivery(*(check_in(days, name=f"tells-{i}", **{what: v}) for i, (days, v) in enumerate(pairs)))


SNORING = rows(
    ("no check-in since the onset", [], "unknown"),
    ("one check-in is not enough", [(7, "2")], "unknown"),
    ("0: silent", [(14, "0"), (7, "0")], "met"),
    ("2.9: just under", [(14, "2.9"), (7, "2.9")], "met"),
    ("3: at the threshold", [(14, "3"), (7, "3")], "met"),
    ("3.1: just over at the last", [(14, "3"), (7, "3.1")], "unmet"),
    ("3.1: just over at the one before", [(14, "3.1"), (7, "3")], "unmet"),
    ("loud earlier, settled at the last two", [(19, "9"), (14, "3"), (7, "2")], "met"),
    ("one of two check-ins does not tell", [(14, None), (7, "2")], "unknown"),
    ("last but one without an answer is passed over", [(19, "2"), (14, None), (7, "2")], "met"),
    ("check-in on the day of the change tells of the old setting", [(21, "2"), (7, "2")], "unknown"),
    ("check-in on the day after the change", [(20, "2"), (7, "2")], "met"),
    ("before the change", [(30, "1"), (25, "1")], "unknown"),
    ("loud on the day of the change is not held against it", [(21, "9"), (14, "2"), (7, "2")], "met"),
    ("tomorrow's check-in does not exist yet", [(14, "2"), (-1, "2")], "unknown"),
    ("today's check-in counts", [(14, "2"), (0, "2")], "met"),
    ("two at one moment: the worse comes last", [(14, "2"), (7, "2"), (7, "6")], "unmet"),
    ("two at one moment, the other way round", [(14, "2"), (7, "6"), (7, "2")], "unmet"),
    ("two at one moment before the last: the worse stands beside it", [(14, "6"), (14, "2"), (7, "2")], "unmet"),
)


@pytest.mark.parametrize(("answers", "status"), SNORING)
def test_snoring(answers, status):
    assert criterion(told("snoring", *answers), "snoring-settled").status == status


RESTEDNESS = rows(
    ("nothing told", [], "unknown"),
    ("one answer", [(7, "9")], "unknown"),
    ("6.9: just under", [(14, "8"), (7, "6.9")], "unmet"),
    ("7: at the threshold", [(14, "7"), (7, "7")], "met"),
    ("7.1: just over", [(14, "7.1"), (7, "7.1")], "met"),
    ("tired at the one before", [(14, "6"), (7, "9")], "unmet"),
    ("two at one moment: the worse comes last", [(14, "8"), (7, "9"), (7, "4")], "unmet"),
    ("two at one moment before the last: the worse stands beside it", [(14, "4"), (14, "9"), (7, "8")], "unmet"),
)


@pytest.mark.parametrize(("answers", "status"), RESTEDNESS)
def test_restedness_when_there_is_no_epworth(answers, status):
    assert criterion(told("restedness", *answers), "sleepiness-settled").status == status


def epworth_case(before, *pairs):
    start = () if before is None else (check_in(70, epworth_total=before),)
    since = (check_in(days, name=f"since-{i}", epworth_total=v) for i, (days, v) in enumerate(pairs))
    return case(check_ins=(*start, *since))


EPWORTH = rows(
    ("10: not sleepy", 12, [(7, 10)], "met"),
    ("11: sleepy", 12, [(7, 11)], "unmet"),
    ("9", 12, [(7, 9)], "met"),
    ("11 down from 20 is still sleepy", 20, [(7, 11)], "unmet"),
    ("rise of 1 above baseline", 8, [(7, 9)], "met"),
    ("rise of 2 above baseline", 8, [(7, 10)], "unmet"),
    ("rise of 3 above baseline, to 8: not above 8", 5, [(7, 8)], "met"),
    ("rise of 3 above baseline, to 9", 6, [(7, 9)], "unmet"),
    ("rise of 2 above baseline, to 9", 7, [(7, 9)], "unmet"),
    ("0 is a total, not a gap", 12, [(7, 0)], "met"),
    ("from 0 to 8: a rise inside what is well", 0, [(7, 8)], "met"),
    ("none known before treatment", None, [(7, 10)], "met"),
    ("none known before treatment, sleepy", None, [(7, 11)], "unmet"),
    ("the last total counts: better", 12, [(14, 15), (7, 6)], "met"),
    ("the last total counts: worse", 12, [(14, 6), (7, 15)], "unmet"),
    ("two at one moment: the higher", 12, [(7, 15), (7, 6)], "unmet"),
    ("only before the onset", 12, [(25, 6)], "unknown"),
    ("on the day of the change", 12, [(21, 6)], "unknown"),
)


@pytest.mark.parametrize(("before", "totals", "status"), EPWORTH)
def test_epworth(before, totals, status):
    assert criterion(epworth_case(before, *totals), "sleepiness-settled").status == status


def test_the_epworth_before_treatment_is_the_last_up_to_the_first_delivery():
    start = (check_in(90, epworth_total=4), check_in(60, epworth_total=9), check_in(59, epworth_total=2))
    facts = case(check_ins=(*start, check_in(7, epworth_total=10)))
    item = criterion(facts, "sleepiness-settled")
    assert item.status == "met"
    assert (item.sentence.id, item.sentence.values["before"]) == ("ready.epworth-before", 9)


# An Epworth total speaks for the baseline for 730 days before the delivery (policy).
OLD_BASELINE = rows(("730 days before the delivery", 790, 9), ("731 days", 791, None))


@pytest.mark.parametrize(("days", "before"), OLD_BASELINE)
def test_a_total_of_years_ago_is_no_baseline(days, before):
    item = criterion(
        case(check_ins=(check_in(days, epworth_total=9), check_in(7, epworth_total=10))), "sleepiness-settled"
    )
    assert item.sentence.values.get("before") == before


# Far apart they disagree: Epworth at most 10 with restedness of at most 4 at both answers, or above 10 with 7 or more;
# between those the Epworth total decides.
BOTH = rows(
    ("both settled", 8, "8", "met", False),
    ("both unsettled", 14, "3", "unmet", False),
    ("Epworth settled, restedness 4: symptoms disagree", 8, "4", "unmet", True),
    ("Epworth at 10, restedness 4", 10, "4", "unmet", True),
    ("Epworth settled, restedness 4.1: Epworth decides", 8, "4.1", "met", False),
    ("Epworth settled, restedness 6.9: Epworth decides", 8, "6.9", "met", False),
    ("rested 7, Epworth 11: symptoms disagree", 11, "7", "unmet", True),
    ("rested 6.9, Epworth 11: Epworth decides", 11, "6.9", "unmet", False),
)


@pytest.mark.parametrize(("total", "rested", "status", "disagrees"), BOTH)
def test_epworth_and_restedness_together(total, rested, status, disagrees):
    facts = after_delivery(
        check_in(14, restedness=rested, epworth_total=total), check_in(7, restedness=rested, epworth_total=total)
    )
    item = criterion(facts, "sleepiness-settled")
    assert item.status == status
    assert (item.sentence.id == "ready.symptoms-disagree") is disagrees
    assert item.sentence.values["total"] == total
    assert ("rested" in item.sentence.values) is disagrees


def test_one_rested_answer_beside_an_epworth_leaves_the_epworth_to_decide():
    facts = after_delivery(check_in(7, restedness="7", epworth_total=8))
    assert criterion(facts, "sleepiness-settled").status == "met"


def test_one_tired_answer_beside_a_good_epworth_is_not_yet_a_disagreement():
    """Both of the last two answers must be far from the total."""
    facts = after_delivery(check_in(7, restedness="2", epworth_total=8))
    assert criterion(facts, "sleepiness-settled").status == "met"
    one_of_two = after_delivery(check_in(14, restedness="8"), check_in(7, restedness="2", epworth_total=8))
    assert criterion(one_of_two, "sleepiness-settled").status == "met"
    both = after_delivery(check_in(14, restedness="4"), check_in(7, restedness="2", epworth_total=8))
    assert criterion(both, "sleepiness-settled").status == "unmet"


FRESH = rows(("27 days old", 27, "met"), ("28 days old still speaks", 28, "met"), ("29 days old", 29, "unknown"))


@pytest.mark.parametrize(("age", "status"), FRESH)
@pytest.mark.parametrize(
    ("name", "answers", "two"),
    [
        ("snoring-settled", {"snoring": "2"}, {"snoring": "2"}),
        ("sleepiness-settled", {"restedness": "8"}, {"restedness": "8"}),
        ("sleepiness-settled", {"epworth_total": 8}, {}),
    ],
    ids=["snoring", "restedness", "Epworth"],
)
def test_stale_answers_no_longer_speak_for_today(name, answers, two, age, status):
    """Each answer by itself: one of 29 days ago is untold, also beside one of yesterday."""
    facts = case(
        settings=(setting(60, "2"),),
        check_ins=(check_in(70, epworth_total=12), check_in(age, **answers), check_in(1, **two)),
    )
    assert criterion(facts, name).status == status


def test_of_stale_answers_two_new_ones_are_asked_for():
    facts = case(settings=(setting(60, "2"),), check_ins=(check_in(40, snoring="2"), check_in(29, snoring="2")))
    item = criterion(facts, "snoring-settled")
    assert item.missing == "snoring at 2 more check-ins since the current setting"
    assert item.earliest == ago(-8)
    one = case(settings=facts.settings, check_ins=(*facts.check_ins, check_in(0, snoring="2")))
    assert criterion(one, "snoring-settled").status == "unknown"


def test_a_stale_epworth_is_not_counted_as_missing_restedness():
    facts = case(settings=(setting(60, "2"),), check_ins=(check_in(29, epworth_total=8),))
    item = criterion(facts, "sleepiness-settled")
    assert (item.sentence.id, item.sentence.values["subject"]) == ("ready.answers-too-few", "restedness")
    assert item.sentence.values["told"] == 0
    assert item.missing.startswith("sleepiness by an Epworth total or by restedness at 2 more check-ins")


PAUSES = rows(
    ("never asked: counts as none, and is said", [], "met"),
    ("asked, not known", [(14, None), (7, None)], "met"),
    ("none seen", [(14, False), (7, False)], "met"),
    ("none seen at the only check-in", [(7, False)], "met"),
    ("seen at the last", [(14, False), (7, True)], "unmet"),
    ("seen at the one before", [(14, True), (7, False)], "unmet"),
    ("seen at the only check-in", [(7, True)], "unmet"),
    ("seen three check-ins ago", [(19, True), (14, False), (7, False)], "met"),
    ("seen, and the next does not tell", [(14, True), (7, None)], "unmet"),
    ("seen on the day of the change", [(21, True), (7, False)], "met"),
    ("partner saw, patient did not, same moment", [(14, False), (7, True), (7, False)], "unmet"),
)


@pytest.mark.parametrize(("answers", "status"), PAUSES)
def test_witnessed_pauses(answers, status):
    assert criterion(told("witnessed_pauses", *answers), "no-witnessed-pauses").status == status


def test_unknown_pauses_are_said():
    sentence = criterion(after_delivery(), "no-witnessed-pauses").sentence
    assert sentence.id == "ready.pauses-untold" and sentence.endswith("which counts as none: ask.")


OLD_PAUSES = rows(("seen 28 days ago", 28, "unmet"), ("seen 29 days ago: untold", 29, "met"))


@pytest.mark.parametrize(("age", "status"), OLD_PAUSES)
def test_pauses_seen_weeks_ago(age, status):
    facts = case(settings=(setting(60, "2"),), check_ins=(check_in(age, witnessed_pauses=True),))
    assert criterion(facts, "no-witnessed-pauses").status == status


# Two check-ins within 20 hours count as one, the worse value of each.
CLOSE = rows(
    ("evening and next morning, 10 h: one answer", (8, "21:00:00"), (7, "07:00:00"), "unknown"),
    ("19 h 59 min", (8, "10:01:00"), (7, "06:00:00"), "unknown"),
    ("20 h: two answers", (8, "10:00:00"), (7, "06:00:00"), "met"),
    ("one without a time of day: of two days, two answers", (8, ""), (7, "00:30:00"), "met"),
)


@pytest.mark.parametrize(("first", "second", "status"), CLOSE)
def test_check_ins_close_together_are_one(first, second, status):
    facts = after_delivery(*(check_in(day, clock=clock, snoring="2") for day, clock in (first, second)))
    assert criterion(facts, "snoring-settled").status == status


def test_of_check_ins_close_together_the_worse_counts():
    close = (check_in(8, clock="21:00:00", snoring="7"), check_in(7, clock="07:00:00", snoring="2"))
    item = criterion(after_delivery(check_in(14, snoring="2"), *close), "snoring-settled")
    assert (item.status, [m.value for m in item.observed]) == ("unmet", [2, 7])


EARLIEST = rows(
    ("one more, due today: tomorrow at the earliest", "snoring", [(7, "2")], -1),
    ("two more from the onset, both overdue: tomorrow and a week later", "snoring", [], -8),
    ("last one loud: two more", "snoring", [(14, "2"), (7, "5")], -8),
    ("one before loud: one more", "snoring", [(14, "5"), (7, "2")], -1),
    ("only one and loud: two more", "snoring", [(3, "5")], -11),
    ("tired at the last: two more", "restedness", [(9, "8"), (2, "5")], -12),
    ("pauses seen at the last: two more", "witnessed_pauses", [(9, False), (2, True)], -12),
    ("pauses seen at the one before: one more", "witnessed_pauses", [(9, True), (2, False)], -5),
    ("Epworth high: one more", "epworth_total", [(2, 14)], -5),
)


@pytest.mark.parametrize(("what", "answers", "days_ago"), EARLIEST)
def test_earliest_day_counts_the_check_ins_still_needed(what, answers, days_ago):
    name = {"snoring": "snoring-settled", "witnessed_pauses": "no-witnessed-pauses"}.get(what, "sleepiness-settled")
    assert criterion(told(what, *answers), name).earliest == ago(days_ago)


def test_a_site_may_ask_three_check_ins_and_another_snoring_limit():
    site = DEFAULTS.with_values({"check_ins_needed": Decimal(3), "snoring_settled": Decimal("2.5")})
    two = told("snoring", (14, "2"), (7, "2"))
    assert criterion(two, "snoring-settled", site).status == "unknown"
    three = told("snoring", (19, "2"), (14, "2.5"), (7, "2.6"))
    assert criterion(three, "snoring-settled", site).status == "unmet"
    assert criterion(three, "snoring-settled").status == "met"
