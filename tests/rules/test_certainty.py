"""Intervals of both indices and of the fall, and whether the class is certain given them."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from scipy.stats import beta, chi2

from service.rules.certainty import certainty
from service.rules.decision import ResponseClass
from service.rules.judging.judgement import judge
from service.rules.kinds import Worn

from .build import DEFAULTS, baseline, dec, efficacy, rows
from .judged import AROUSAL, DELIVERED, laboratory, laboratory_before, of

COMPLETE, PARTIAL, NON = ResponseClass.COMPLETE, ResponseClass.PARTIAL, ResponseClass.NON_RESPONSE


def night(make, index, count, hours="7"):
    changes = {"event_count": count, "recording_hours": dec(hours)}
    return make(30, index) if count is None and hours == "7" else replace(make(30, index), **changes)


def found(before, after, thresholds=DEFAULTS):
    return certainty(judge(after, before, DELIVERED, thresholds), thresholds)


def test_intervals_against_scipy():
    answer = found(night(baseline, "24", 168), night(efficacy, "6", 42))
    low, high = chi2.ppf(0.025, 2 * 168) / 2 / 7, chi2.ppf(0.975, 2 * 168 + 2) / 2 / 7
    assert answer.before_per_hour == (Decimal(str(round(low, 1))), Decimal(str(round(high, 1))))
    low, high = chi2.ppf(0.025, 2 * 42) / 2 / 7, chi2.ppf(0.975, 2 * 42 + 2) / 2 / 7
    assert answer.after_per_hour == (Decimal(str(round(low, 1))), Decimal(str(round(high, 1))))
    share = (beta.ppf(0.025, 42, 169), beta.ppf(0.975, 43, 168))
    least, most = (100 * (1 - p / (1 - p)) for p in reversed(share))
    assert answer.fall_percent == (Decimal(str(round(least, 1))), Decimal(str(round(most, 1))))


# The class is certain when both intervals allow one class only.
CLASSES = rows(
    ("24 to 7.9: partial, and nothing else", ("24", 168), ("7.9", 55), (PARTIAL,), True),
    ("24 to 6: complete is possible", ("24", 168), ("6", 42), (COMPLETE, PARTIAL), False),
    ("24 to 1: complete", ("24", 168), ("1", 7), (COMPLETE,), True),
    ("24 to 4.3: complete, partial is possible", ("24", 168), ("4.3", 30), (COMPLETE, PARTIAL), False),
    ("24 to 9: partial, non-response is possible", ("24", 168), ("9", 63), (PARTIAL, NON), False),
    ("24 to 20: non-response", ("24", 168), ("20", 140), (NON,), True),
    ("8 to 4.5: anything is possible", ("8", 32, "4"), ("4.5", 18, "4"), (COMPLETE, PARTIAL, NON), False),
    ("no event left", ("24", 168), ("0", 0), (COMPLETE,), True),
    ("5 to 2 in 4 h: complete, and non-response is possible", ("5", 20, "4"), ("2", 8, "4"), (COMPLETE, NON), False),
)


@pytest.mark.parametrize(("before", "after", "possible", "certain"), CLASSES)
def test_which_classes_are_possible(before, after, possible, certain):
    answer = found(night(baseline, *before), night(efficacy, *after))
    assert (answer.possible, answer.certain) == (possible, certain)


def test_a_rise_and_an_unbounded_one_in_words():
    risen = found(night(baseline, "10", 70), night(efficacy, "14", 98))
    assert risen.fall_percent and risen.fall_percent[0] < risen.fall_percent[1] < 0
    assert risen.sentences[-1].startswith("Between a rise of 2 % and a rise of 93.1 % (95 % interval)")


def test_sentences():
    sure = found(night(baseline, "24", 168), night(efficacy, "1", 7))
    assert sure.sentences == (
        "168 events in 7 hours at the baseline test of 31 Aug 2026 allow an index of 20.5 to 27.9 per hour (95 % interval "
        "of the count).",
        "7 events in 7 hours at the efficacy test of 31 Aug 2026 allow an index of 0.4 to 2.1 per hour (95 % interval of "
        "the count).",
        "Between a fall of 98.4 % and a fall of 91.2 % (95 % interval): the class, complete response, is certain as far as "
        "the count goes.",
    )
    open_to_all = found(night(baseline, "8", 32, "4"), night(efficacy, "4.5", 18, "4"))
    assert open_to_all.sentences[-1].endswith(
        "the count allows complete response or partial response as well, so the class is not certain."
    )


NO_INTERVAL = rows(
    ("no count", None, "7.0", "24.0", "untold"),
    ("no hours", 168, None, "24.0", "untold"),
    ("over which hours is asked", 150, "7.0", "24.0", "doubtful"),
    ("just over 5 % above: a question", 170, "7.0", "22.2", "doubtful"),
    ("under 5 % above: a note, and counted", 170, "7.0", "23.3", None),
    ("a contradiction", 270, "7.0", "24.0", "doubtful"),
    ("fits", 168, "7.0", "24.0", None),
)


@pytest.mark.parametrize(("count", "hours", "index", "why"), NO_INTERVAL)
def test_when_there_is_no_interval(count, hours, index, why):
    before = replace(baseline(30, index), event_count=count, recording_hours=dec(hours))
    answer = found(before, night(efficacy, "6", 42))
    assert (answer.before_per_hour is None) == bool(why)
    if why:
        assert answer.sentences[0].id == f"certainty.{why}"
        assert answer.sentences[0].startswith("No interval for the index of the baseline test of 31 Aug 2026: ")
        assert (answer.fall_percent, answer.possible, answer.certain) == (None, (), None)
        assert answer.after_per_hour is not None


def test_nothing_counted_names_no_threshold_and_one_count_does():
    plain = found(baseline(), efficacy(3))
    assert (plain.thresholds, plain.before_per_hour, plain.after_per_hour) == ((), None, None)
    assert len(plain.sentences) == 2
    one = found(baseline(), night(efficacy, "6", 42))
    assert [t.name for t in one.thresholds] == ["interval_percent"]
    no_hours = found(baseline(), replace(night(efficacy, "6", 42), recording_hours=None))
    assert no_hours.thresholds == ()


def test_no_fall_while_the_class_is_withheld():
    before, after = night(baseline, "24", 168), replace(night(efficacy, "6", 42), worn=Worn.UNKNOWN)
    none = found(before, after)
    assert none.before_per_hour and none.after_per_hour
    assert (none.fall_percent, none.possible, none.certain, len(none.sentences)) == (None, (), None, 2)
    alone = found(None, night(efficacy, "6", 42))
    assert (alone.before_per_hour, alone.fall_percent, len(alone.sentences)) == (None, None, 1)


def test_at_least_a_class_is_not_called_certain():
    counted = {"sleep_hours": "7.0"}
    judged = of(
        laboratory("1.0", event_count=7, **counted),
        laboratory_before("24.0", event_count=168, hypopnoea_rule=AROUSAL, **counted),
    )
    answer = certainty(judged, DEFAULTS)
    assert judged.at_least and answer.fall_percent
    assert (answer.possible, answer.certain) == ((), None)
    assert answer.sentences[-1] == "Between a fall of 98.4 % and a fall of 91.2 % (95 % interval)."


def test_the_hours_of_a_count_are_the_indexs_own():
    judged = of(laboratory("8.0", event_count=52), laboratory_before())
    answer = certainty(judged, DEFAULTS)
    assert answer.sentences[-1].startswith("52 events in 6.5 hours at the efficacy test")


def test_a_site_level_widens_or_narrows():
    narrow = DEFAULTS.with_values({"interval_percent": Decimal(80)})
    answer = found(night(baseline, "24", 168), night(efficacy, "6", 42), thresholds=narrow)
    assert answer.before_per_hour == (Decimal("21.7"), Decimal("26.6"))
    assert answer.sentences[0].endswith("(80 % interval of the count).")
    assert [t.set_by_site for t in answer.thresholds] == [True]


def test_as_data():
    data = found(night(baseline, "24", 168), night(efficacy, "1", 7)).as_data()
    assert data["index_before_per_hour"] == [Decimal("20.5"), Decimal("27.9")]
    assert data["index_after_per_hour"] == [Decimal("0.4"), Decimal("2.1")]
    assert data["fall_percent"] == [Decimal("91.2"), Decimal("98.4")]
    assert (data["possible_classes"], data["certain"], len(data["sentences"])) == (["complete"], True, 3)
    blank = found(baseline(), efficacy(3)).as_data()
    assert (blank["index_before_per_hour"], blank["fall_percent"], blank["certain"]) == (None, None, None)
