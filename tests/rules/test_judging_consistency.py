"""Whether a report contradicts itself: bounds of a count over hours (arithmetic), distances from them (policy), parts.

Bounds are N/(h+0.05) - 0.05 to N/(h-0.05) + 0.05 with half of the last printed digit, at least 0.05. Outside by 0.5 per
hour or more: up to 5 % a note, over 5 % a question, over 20 % inconsistent. Everything but the count only asks, beyond the
larger of 5 % and 0.5 per hour.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.decision import Party
from service.rules.judging.consistency import consistency, contradicts_itself, count_bounds, count_findings
from service.rules.judging.finding import Weight
from service.rules.judging.recording import own_hours
from service.rules.kinds import Denominator, TestKind
from service.rules.sleep_test import ScoredIndex
from service.rules.words import rounded

from .build import DEFAULTS, dec, rows
from .judged import AHI, AROUSAL, FOUR, RDI, REI, THREE, UNKNOWN, home, laboratory, names

BOUNDS = rows(
    ("270 in 6.6 h (worked example)", 270, "6.6", "4.1", "40.55", "41.27"),
    ("46 in 6.5 h (worked example)", 46, "6.5", "7.1", "6.97", "7.18"),
    ("more digits are at least 0.05 apart", 60, "5.95", "10.051", "9.95", "10.22"),
    ("an index without decimals is half an event wide", 60, "6.0", "10", "9.42", "10.58"),
    ("hours without decimals are half an hour wide", 60, "6", "10.0", "9.18", "10.96"),
    ("tens of hours written with an exponent are whole hours", 60, "1E+1", "6.0", "5.66", "6.37"),
    ("no events", 0, "7.0", "0.0", "-0.05", "0.05"),
    ("hardly any hours have no highest index", 3, "0.05", "9.0", "29.95", "Infinity"),
)


@pytest.mark.parametrize(("events", "hours", "index", "low", "high"), BOUNDS)
def test_bounds_of_a_count(events, hours, index, low, high):
    found = count_bounds(events, Decimal(hours), Decimal(index))
    assert rounded(found[0], "0.01") == Decimal(low)
    assert (rounded(found[1], "0.01") if found[1].is_finite() else found[1]) == Decimal(high)


def asleep(events, hours, index):
    return laboratory(index, event_count=events, sleep_hours=hours, recording_hours=None)


# 60 events in 5.95 h fit from 9.95 to 10.22 per hour; 120 from 19.95 on.
COUNTS = rows(
    ("at the lower bound", asleep(60, "5.95", "9.95"), {}),
    ("0.49 below: too little to count", asleep(60, "5.95", "9.46"), {}),
    ("0.5 below, just over 5 %", asleep(60, "5.95", "9.45"), {"count-differs": "question"}),
    ("exactly 20 % below", asleep(60, "5.95", "7.96"), {"count-differs": "question"}),
    ("just over 20 % below", asleep(60, "5.95", "7.95"), {"inconsistent": "inconsistent"}),
    ("above: from the upper bound, 19.9 %", asleep(60, "5.95", "12.25"), {"count-differs": "question"}),
    ("above: 20.0 and a little", asleep(60, "5.95", "12.27"), {"inconsistent": "inconsistent"}),
    ("0.49 below 19.95", asleep(120, "5.95", "19.46"), {}),
    ("0.5 below 19.95 is 2.5 %: a note", asleep(120, "5.95", "19.45"), {"count-nearly-fits": "note"}),
    ("exactly 5 %: a note", asleep(120, "5.95", "18.9525"), {"count-nearly-fits": "note"}),
    ("just over 5 %", asleep(120, "5.95", "18.9524"), {"count-differs": "question"}),
    ("270 events, 6.6 h, 4.1 (worked example)", asleep(270, "6.6", "4.1"), {"inconsistent": "inconsistent"}),
    ("no event, index 0", asleep(0, "7.0", "0.0"), {}),
    ("one event, index 0", asleep(1, "7.0", "0.0"), {}),
    ("ten events, index 0", asleep(10, "7.0", "0.0"), {"inconsistent": "inconsistent"}),
    ("no event, index 0.6", asleep(0, "7.0", "0.6"), {"inconsistent": "inconsistent"}),
    ("no count", asleep(None, "6.0", "10.0"), {}),
    ("no hours", asleep(60, None, "10.0"), {}),
    ("no index", asleep(60, "6.0", None), {}),
)


@pytest.mark.parametrize(("test", "expected"), COUNTS)
def test_the_count_against_the_index(test, expected):
    found = count_findings(test, DEFAULTS)
    assert names(found) == expected
    assert contradicts_itself(found) is (expected == {"inconsistent": "inconsistent"})


def recorded(index, events, **hours):
    return laboratory(index, event_count=events, **({"recording_hours": "8.0", "sleep_hours": None} | hours))


HOURS = rows(
    # 80 events in 8 h recorded are 10 an hour; in 6.4 h asleep 12.5.
    ("fits sleep", recorded("12.5", 80, sleep_hours="6.4"), {}),
    (
        "fits the recording, not the sleep: call it REI",
        recorded("10.0", 80, sleep_hours="6.4"),
        {"per-recording": "question"},
    ),
    ("the recording by 0.4", recorded("10.5", 80, sleep_hours="6.4"), {"per-recording": "question"}),
    ("not the recording either, by 0.6", recorded("10.7", 80, sleep_hours="6.4"), {"count-differs": "question"}),
    (
        "58 in 7.2 h recorded, 9.9 (worked example)",
        recorded("9.9", 58, recording_hours="7.2"),
        {"which-hours": "question"},
    ),
    ("half of the recording", recorded("10.0", 36, recording_hours="7.2"), {"which-hours": "question"}),
    ("less than half of it", recorded("10.1", 36, recording_hours="7.2"), {"inconsistent": "inconsistent"}),
    ("more than all of it", recorded("10.0", 80, recording_hours="7.2"), {"count-differs": "question"}),
    ("the recording itself fits", recorded("10.0", 72, recording_hours="7.2"), {}),
    (
        "monitored hours are told: nothing to ask",
        recorded("9.9", 46, monitored_hours="6.5"),
        {"inconsistent": "inconsistent"},
    ),
    (
        "46 events, REI 7.1, 6.5 h monitored of 8",
        home("7.1", event_count=46, monitored_hours="6.5", recording_hours="8.0"),
        {},
    ),
    ("an REI over its recording", home("10.0", event_count=80, recording_hours="8.0", sleep_hours="6.4"), {}),
)


@pytest.mark.parametrize(("test", "expected"), HOURS)
def test_over_which_hours(test, expected):
    assert names(count_findings(test, DEFAULTS)) == expected


OWN = rows(
    ("AHI: asleep", laboratory(monitored_hours="6.8"), "6.5", Denominator.SLEEP),
    (
        "AHI, sleep not told: monitored",
        laboratory(sleep_hours=None, monitored_hours="6.8"),
        "6.8",
        Denominator.MONITORING,
    ),
    ("AHI, else recorded", laboratory(sleep_hours=None), "7", Denominator.RECORDING),
    ("AHI, no sleep at all is no denominator", laboratory(sleep_hours="0"), "7", Denominator.RECORDING),
    ("REI: monitored", home(monitored_hours="6.8", sleep_hours="6.5"), "6.8", Denominator.MONITORING),
    ("REI, else recorded", home(sleep_hours="6.5"), "7", Denominator.RECORDING),
    ("AHI from home without EEG, as an REI", home(index_name=AHI, sleep_hours="6.5"), "7", Denominator.RECORDING),
    (
        "RDI without arousals from home, as an REI",
        home(index_name=RDI, rdi_with_arousals=False, sleep_hours="6.5"),
        "7",
        Denominator.RECORDING,
    ),
    ("RDI with arousals: asleep", laboratory(index_name=RDI, rdi_with_arousals=True), "6.5", Denominator.SLEEP),
    ("AHI from home with EEG", home(kind=TestKind.HOME_EEG, index_name=AHI, sleep_hours="6"), "6", Denominator.SLEEP),
)


@pytest.mark.parametrize(("test", "hours", "of"), OWN)
def test_the_hours_of_an_index(test, hours, of):
    assert own_hours(test) == (Decimal(hours), of)


def test_hours_that_nobody_tells():
    assert own_hours(laboratory(sleep_hours=None, recording_hours=None)) is None


def positions(index, supine, other, share=None, **more):
    return laboratory(index, supine_per_hour=supine, non_supine_per_hour=other, supine_share=share, **more)


def counts(events, index, *kinds):
    central, obstructive, mixed = kinds
    kind = {"central_count": central, "obstructive_count": obstructive, "mixed_count": mixed, "central_share": None}
    return laboratory(index, event_count=events, sleep_hours="7.0", recording_hours="7.5", **kind)


def rules(first, index, *others):
    further = tuple(ScoredIndex(name, rule, Decimal(value)) for name, rule, value in others)
    return laboratory(index, hypopnoea_rule=first, further_indices=further)


def central(share, per_hour, index="20.0"):
    return laboratory(index, central_share=share, central_per_hour=per_hour)


PARTS = rows(
    ("asleep for all of the recording", laboratory(sleep_hours="7"), None),
    ("asleep 5 % longer than recorded", laboratory(sleep_hours="7.35"), None),
    ("asleep more than that", laboratory(sleep_hours="7.36"), "sleep-exceeds-recording"),
    ("half on the back: 20 and 10 make 15", positions("15.0", "20", "10", "0.5"), None),
    ("by 5 %", positions("15.75", "20", "10", "0.5"), None),
    ("by more than 5 %", positions("15.76", "20", "10", "0.5"), "positions-do-not-add-up"),
    ("downwards too", positions("14.24", "20", "10", "0.5"), "positions-do-not-add-up"),
    ("a low index by 0.5", positions("5.0", "6", "3", "0.5"), None),
    ("a low index by 0.51", positions("5.01", "6", "3", "0.5"), "positions-do-not-add-up"),
    ("share from the hours on the back", positions("15.0", "20", "10", supine_hours="3.25"), None),
    (
        "share from the hours, not fitting",
        positions("18.0", "20", "10", supine_hours="3.25"),
        "positions-do-not-add-up",
    ),
    ("share not told: anything between the two", positions("19.9", "20", "10"), None),
    ("share not told: above both by 5 %", positions("21.0", "20", "10"), None),
    ("share not told: above both by more", positions("21.1", "20", "10"), "positions-do-not-add-up"),
    ("share not told: below both", positions("9.4", "20", "10"), "positions-do-not-add-up"),
    ("one position alone tells nothing", positions("9.4", "20", None), None),
    ("100 events, 105 by kind", counts(100, "14.3", 5, 90, 10), None),
    ("100 events, 106 by kind", counts(100, "14.3", 6, 90, 10), "kinds-exceed-events"),
    ("20 events in 7 h, 23 by kind: half an event an hour", counts(20, "2.9", 1, 22, 0), None),
    ("20 events in 7 h, 24 by kind", counts(20, "2.9", 2, 22, 0), "kinds-exceed-events"),
    ("fewer by kind than in all: the rest were not told apart", counts(100, "14.3", 5, 40, None), None),
    ("half of 20 are 10 central", central("0.5", "10"), None),
    ("10.5 is within 0.5", central("0.5", "10.5"), None),
    ("10.6 is not", central("0.5", "10.6"), "central-does-not-fit"),
    ("9.4 is not", central("0.5", "9.4"), "central-does-not-fit"),
    ("21 for 20 is within 5 %", central("1", "21"), None),
    (
        "under 90 % for a while, at the lowest 90 %",
        laboratory(t90_percent="1", lowest_spo2_percent="90"),
        "t90-without-low-spo2",
    ),
    ("at the lowest 89 %", laboratory(t90_percent="1", lowest_spo2_percent="89"), None),
    ("never under 90 %, at the lowest 95 %", laboratory(t90_percent="0", lowest_spo2_percent="95"), None),
    ("lowest not told", laboratory(t90_percent="1"), None),
    ("ODI 10 at 3 %, 10.5 at 4 %", laboratory(odi_per_hour="10", odi_drop_percent=3, other_odi_per_hour="10.5"), None),
    (
        "ODI 10 at 3 %, 10.6 at 4 %",
        laboratory(odi_per_hour="10", odi_drop_percent=3, other_odi_per_hour="10.6"),
        "odi-order",
    ),
    (
        "ODI 10.6 at 4 %, 10 at 3 %",
        laboratory(odi_per_hour="10.6", odi_drop_percent=4, other_odi_per_hour="10"),
        "odi-order",
    ),
    ("ODI 10 at 4 %, 10.6 at 3 %", laboratory(odi_per_hour="10", odi_drop_percent=4, other_odi_per_hour="10.6"), None),
    ("ODI, drop not told", laboratory(odi_per_hour="10.6", other_odi_per_hour="10"), None),
    ("4 % 10, 3 % 9.5: within 0.5", rules(FOUR, "10.0", (AHI, THREE, "9.5")), None),
    ("4 % 10, 3 % 9.4", rules(FOUR, "10.0", (AHI, THREE, "9.4")), "rules-out-of-order"),
    ("3 % 15, 3 % or arousal 14.2", rules(THREE, "15.0", (AHI, AROUSAL, "14.2")), "rules-out-of-order"),
    ("4 % against 3 % or arousal, no 3 % told", rules(FOUR, "10.0", (AHI, AROUSAL, "9")), "rules-out-of-order"),
    ("in order", rules(FOUR, "10.0", (AHI, THREE, "12"), (AHI, AROUSAL, "14")), None),
    ("an RDI is another index", rules(FOUR, "10.0", (RDI, AROUSAL, "9")), None),
    ("an unknown rule has no order", rules(FOUR, "10.0", (REI, UNKNOWN, "9")), None),
)


@pytest.mark.parametrize(("test", "asked"), PARTS)
def test_parts_of_a_report_only_ask(test, asked):
    found = consistency(test, DEFAULTS)
    assert names(found) == ({asked: "question"} if asked else {})
    assert all(f.party is Party.SLEEP_LAB for f in found)
    assert not contradicts_itself(found)


def test_the_count_comes_first_and_names_its_limits():
    test = laboratory("4.1", event_count=270, sleep_hours="6.6", t90_percent="1", lowest_spo2_percent="95")
    first, second = consistency(test, DEFAULTS)
    assert (first.name, second.name) == ("inconsistent", "t90-without-low-spo2")
    assert first.sentence == (
        "The report of 20 Sep 2026 contradicts itself: 270 events in 6.6 hours make 40.9 per hour, not 4.1."
    )
    assert (first.party, first.weight) == (Party.SLEEP_LAB, Weight.QUESTION)
    assert {t.name for t in first.thresholds} == {"count_note_percent", "count_inconsistent_percent", "count_distance"}


def test_questions_in_words():
    (which,) = count_findings(recorded("9.9", 58, recording_hours="7.2"), DEFAULTS)
    assert which.sentence == (
        "58 events at 9.9 per hour would take 5.9 hours, and 7.2 were recorded on 20 Sep 2026: over which hours was the "
        "index taken?"
    )
    (per_recording,) = count_findings(recorded("10.0", 80, sleep_hours="6.4"), DEFAULTS)
    assert "fit the 8 recorded hours" in per_recording.sentence and "which is called an REI" in per_recording.sentence


def test_a_site_moves_the_distances():
    site = DEFAULTS.with_values({"count_inconsistent_percent": dec("30") or Decimal(0), "count_distance": Decimal(2)})
    assert names(count_findings(asleep(60, "5.95", "7.95"), site)) == {"count-differs": "question"}
    assert names(count_findings(asleep(60, "5.95", "8.0"), site)) == {}
