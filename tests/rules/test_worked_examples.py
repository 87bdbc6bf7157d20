"""The worked examples of the clinical ground that concern tests, classes and wear, with intervals compared with scipy."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from scipy.stats import beta, chi2

from service.rules.alleviation import effective_index, mean_alleviation
from service.rules.certainty import certainty
from service.rules.decision import ResponseClass, Status
from service.rules.index_classes import fall_percent
from service.rules.judging.comparison import Comparability
from service.rules.judging.consistency import count_bounds
from service.rules.judging.finding import Cause
from service.rules.response import response_criteria
from service.rules.statistics import rate_interval, ratio_interval
from service.rules.words import rounded

from .build import DEFAULTS, rows
from .judged import AROUSAL, home, laboratory, laboratory_before, names, of

COMPLETE, PARTIAL, NON, WITHHELD = ResponseClass


def two_places(value: float) -> float:
    return float(round(value, 2))


# 1 and 2: given events and hours: both indices with their intervals, the fall with its own.
INTERVALS = rows(
    ("1: 150 in 6.0 h to 30 in 6.0 h", (150, 30), (21.16, 29.34), (3.37, 7.14), (70.25, 86.96)),
    ("2: 120 in 6.0 h to 60 in 6.0 h", (120, 60), (16.58, 23.92), (7.63, 12.87), (31.28, 63.95)),
)


@pytest.mark.parametrize(("events", "before", "after", "fall"), INTERVALS)
def test_intervals_against_scipy(events, before, after, fall):
    for count, printed in zip(events, (before, after), strict=True):
        exact = (chi2.ppf(0.025, 2 * count) / 12, chi2.ppf(0.975, 2 * count + 2) / 12)
        ours = rate_interval(count, 6.0, 0.95)
        assert (ours.low, ours.high) == pytest.approx(exact, rel=1e-8)
        assert (two_places(ours.low), two_places(ours.high or 0)) == printed
    n, k = events
    shares = (beta.ppf(0.025, k, n + 1), beta.ppf(0.975, k + 1, n))
    exact = tuple(p / (1 - p) for p in shares)
    ratio = ratio_interval(n, 6.0, k, 6.0, 0.95)
    assert ratio and ratio.high is not None
    assert (ratio.low, ratio.high) == pytest.approx(exact, rel=1e-8)
    assert (two_places(100 * (1 - ratio.high)), two_places(100 * (1 - ratio.low))) == fall


CLASSES = rows(
    (
        "1: (1) no, (2) and (3) yes; complete is possible",
        "25.0",
        150,
        "5.0",
        30,
        [False, True, True],
        {COMPLETE, PARTIAL},
    ),
    ("2: only (3); non-response is possible", "20.0", 120, "10.0", 60, [False, False, True], {PARTIAL, NON}),
)


@pytest.mark.parametrize(("before", "events", "after", "left", "met", "possible"), CLASSES)
def test_criteria_class_and_certainty(before, events, after, left, met, possible):
    judged = of(
        laboratory(after, event_count=left, sleep_hours="6.0"),
        laboratory_before(before, event_count=events, sleep_hours="6.0"),
    )
    assert (judged.response_class, judged.at_least) == (PARTIAL, False)
    criteria = response_criteria(Decimal(before), Decimal(after), DEFAULTS)
    assert [c.status is Status.MET for c in criteria] == met
    found = certainty(judged, DEFAULTS)
    assert (set(found.possible), found.certain) == (possible, False)


def test_3_a_count_that_contradicts_the_index_and_one_that_fits():
    low, high = count_bounds(270, Decimal("6.6"), Decimal("4.1"))
    assert (rounded(low, "0.01"), rounded(high, "0.01")) == (Decimal("40.55"), Decimal("41.27"))
    assert rounded((low - Decimal("4.1")) * 100 / low, "0.1") == Decimal("89.9")
    judged = of(laboratory("4.1", event_count=270, sleep_hours="6.6"))
    assert (judged.response_class, judged.causes) == (WITHHELD, (Cause.INCONSISTENT,))
    assert judged.waits_for_laboratory
    low, high = count_bounds(46, Decimal("6.5"), Decimal("7.1"))
    assert (rounded(low, "0.01"), rounded(high, "0.01")) == (Decimal("6.97"), Decimal("7.18"))
    fits = of(home("7.1", event_count=46, recording_hours="8.0", monitored_hours="6.5"))
    assert (fits.response_class, names(fits.findings)) == (PARTIAL, {})


def test_4_a_polysomnography_without_hours_asleep_is_asked_and_valid():
    judged = of(laboratory("9.9", event_count=58, recording_hours="7.2", sleep_hours=None))
    assert rounded(Decimal(58) / Decimal("9.9"), "0.01") == Decimal("5.86")
    assert (judged.response_class, judged.causes) == (PARTIAL, ())
    assert names(judged.findings) == {"which-hours": "question", "sleep-hours-untold": "question"}


# 5: PSG 28.0 by 3 % or arousal to a home REI by 4 %, sleep untold: × 2.48 × 1.25 = 3.10.
STRESSED = rows(
    ("4.0 × 3.10 = 12.4, fall 55.7 %", "4.0", "12.4", "55.7", PARTIAL),
    ("1.5 × 3.10 = 4.65", "1.5", "4.65", "83.4", COMPLETE),
)


@pytest.mark.parametrize(("index", "stressed", "fall", "outcome"), STRESSED)
def test_5_another_rule_and_denominator_leave_at_least_a_class(index, stressed, fall, outcome):
    factor = DEFAULTS.rule_factor_4_arousal.value * DEFAULTS.sleep_factor.value
    assert Decimal(index) * factor == Decimal(stressed)
    fell = fall_percent(Decimal(28), Decimal(stressed))
    assert fell and rounded(fell, "0.1") == Decimal(fall)
    judged = of(home(index), laboratory_before("28.0", hypopnoea_rule=AROUSAL, sleep_hours=None))
    assert (judged.response_class, judged.at_least) == (outcome, True)
    assert judged.comparison and judged.comparison.comparability is Comparability.WITH_DIRECTION


# 6: PSG both, 12.0 by 4 % to 3 % or arousal: the baseline is stressed to 29.8.
AGAINST = rows(
    ("33.3 %, stressed 73.1 %: withheld, scored by the baseline's rule", "8.0", "33.3", "73.1", WITHHELD, False),
    ("54.2 %: at least partial", "5.5", "54.2", "81.5", PARTIAL, True),
)


@pytest.mark.parametrize(("index", "fall", "stressed", "outcome", "at_least"), AGAINST)
def test_6_a_stricter_rule_before_works_against_the_result(index, fall, stressed, outcome, at_least):
    baseline = Decimal(12) * DEFAULTS.rule_factor_4_arousal.value
    assert rounded(baseline, "0.1") == Decimal("29.8")
    falls = (fall_percent(b, Decimal(index)) for b in (Decimal(12), baseline))
    assert [rounded(f, "0.1") for f in falls if f is not None] == [Decimal(fall), Decimal(stressed)]
    judged = of(laboratory(index, hypopnoea_rule=AROUSAL), laboratory_before("12.0"))
    assert (judged.response_class, judged.at_least) == (outcome, at_least)
    assert judged.causes == ((Cause.NOT_COMPARABLE,) if outcome is WITHHELD else ())


def test_7_central_events_and_a_small_rise():
    judged = of(laboratory("9.0", central_share="0.8"))
    assert (judged.response_class, judged.causes) == (WITHHELD, (Cause.CENTRAL,))
    (alarm,) = judged.alarms
    assert alarm.days == 7
    assert "7.2 per hour, with 1.8 per hour of the other kinds" in alarm.sentence
    risen = of(laboratory("15.2"), laboratory_before("14.8"))
    assert (risen.response_class, risen.alarms) == (NON, ())


def test_10_a_rise_alleviates_nothing_and_counts_by_hours():
    values = (Fraction(20), Fraction(30), Fraction(6), Fraction(15, 2))
    assert (mean_alleviation(*values), effective_index(*values)) == (0, 28)


def test_10_oxygen_of_the_same_day_is_a_red_flag_too():
    judged = of(laboratory("9.0", t90_percent="30"), laboratory_before(t90_percent="4.2"))
    assert Decimal(30) - Decimal("4.2") == Decimal("25.8")
    assert rounded(Decimal(30) / Decimal("4.2"), "0.1") == Decimal("7.1")
    assert {(a.name, a.days) for a in judged.alarms} == {("oxygen-not-controlled", 0), ("worse-oximetry", 0)}
