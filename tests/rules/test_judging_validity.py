"""Whether an efficacy test says anything of the appliance: worn, setting, hours, index and rule, scoring, alone.

4 hours at home by Kapur 2017, doi 10.5664/jcsm.6506, from memory; no class by automatic scoring alone by Rosen 2018,
doi 10.5664/jcsm.7540; the other limits are policy. Untold alone withholds only for worn, hours and rule.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.decision import Party
from service.rules.judging.validity import OfficeRecord, validity
from service.rules.kinds import Scoring, TestKind, TestPlace, Worn

from .build import DEFAULTS, ago, rows
from .judged import AHI, AROUSAL, RDI, UNKNOWN, home, home_before, laboratory, laboratory_before, names

RECORD = OfficeRecord((Decimal("1.5"), Decimal(2)), ago(60))
NO_RECORD = OfficeRecord(None, ago(60))
PART = {"worn": Worn.PART}
NO_SETTING = {"setting_left_mm": None, "setting_right_mm": None}

WORN = rows(
    ("worn all night", home(), {}),
    ("whether worn is not told: the laboratory tells", home(worn=Worn.UNKNOWN), {"worn-untold": "untold"}),
    ("not worn: it says nothing of the appliance", home(worn=Worn.NO), {"not-worn": "invalid"}),
    ("in for part of the night, hours not told", home(**PART), {"part-hours-untold": "untold"}),
    ("in for 3.9 hours", home(**PART, worn_hours="3.9"), {"part-too-short": "invalid"}),
    ("in for 4 hours is enough", home(**PART, worn_hours="4"), {}),
    ("in for 4.1 hours", home(**PART, worn_hours="4.1"), {}),
    ("3 hours of what is called a whole night", home(worn_hours="3"), {"part-too-short": "invalid"}),
    ("4 hours of what is called a whole night", home(worn_hours="4"), {}),
    (
        "a short night worn to its end is judged by its hours alone",
        laboratory(sleep_hours="3.5", recording_hours="3.9", worn_hours="3.5"),
        {"hours-few": "note"},
    ),
    (
        "and taken out before it ended",
        laboratory(sleep_hours="3.5", recording_hours="3.9", worn_hours="3.4"),
        {"part-too-short": "invalid", "hours-few": "note"},
    ),
)
HOURS = rows(
    ("home, 1.9 h recorded", home(recording_hours="1.9"), {"hours-too-few": "invalid"}),
    ("home, 2 h: short, and still no class", home(recording_hours="2"), {"hours-short": "invalid"}),
    ("home, 3.9 h", home(recording_hours="3.9"), {"hours-short": "invalid"}),
    ("home, 4 h", home(recording_hours="4"), {}),
    ("home, 4 h monitored of 7 recorded", home(monitored_hours="4"), {}),
    ("home, 3.9 h monitored of 7: what was scored counts", home(monitored_hours="3.9"), {"hours-short": "invalid"}),
    ("home, 1.9 h monitored of 7", home(monitored_hours="1.9"), {"hours-too-few": "invalid"}),
    ("home, hours not told", home(recording_hours=None), {"hours-untold": "untold"}),
    (
        "home is never judged by sleep: 6 h asleep tell nothing",
        home(recording_hours=None, sleep_hours="6"),
        {"hours-untold": "untold"},
    ),
    (
        "home with EEG is a home test: 4 h recorded, 1 h asleep",
        home(kind=TestKind.HOME_EEG, recording_hours="4", sleep_hours="1"),
        {},
    ),
    ("laboratory, 1.9 h asleep", laboratory(sleep_hours="1.9"), {"hours-too-few": "invalid"}),
    ("laboratory, 2 h asleep: a caution", laboratory(sleep_hours="2"), {"hours-few": "note"}),
    ("laboratory, 3.9 h asleep", laboratory(sleep_hours="3.9"), {"hours-few": "note"}),
    ("laboratory, 4 h asleep", laboratory(sleep_hours="4"), {}),
    ("laboratory, no sleep at all is told", laboratory(sleep_hours="0"), {"hours-too-few": "invalid"}),
    ("laboratory, sleep not told: asked", laboratory(sleep_hours=None), {"sleep-hours-untold": "question"}),
    (
        "laboratory, sleep not told, 3.9 h recorded",
        laboratory(sleep_hours=None, recording_hours="3.9"),
        {"sleep-hours-untold": "question", "hours-few": "note"},
    ),
    (
        "laboratory, sleep not told, 1.9 h recorded",
        laboratory(sleep_hours=None, recording_hours="1.9"),
        {"sleep-hours-untold": "question", "hours-too-few": "invalid"},
    ),
    (
        "laboratory, nothing told",
        laboratory(sleep_hours=None, recording_hours=None),
        {"hours-untold": "untold"},
    ),
    (
        "the place tells when the kind does not",
        laboratory(kind=None, sleep_hours="2"),
        {"hours-few": "note"},
    ),
)
INDEX = rows(
    ("no index", home(None), {"index-untold": "untold"}),
    ("an index without a name", home(index_name=None), {"index-untold": "untold"}),
    ("an AHI in the laboratory", laboratory(), {}),
    ("an AHI from home without EEG is judged as REI", home(index_name=AHI), {"judged-as-rei": "question"}),
    (
        "so is one by arousals, which is not withheld for it",
        home(index_name=AHI, hypopnoea_rule=AROUSAL),
        {"judged-as-rei": "question"},
    ),
    ("an AHI from home with EEG", home(kind=TestKind.HOME_EEG, index_name=AHI), {}),
    ("an RDI in the laboratory", laboratory(index_name=RDI), {}),
    ("the rule is not told", laboratory(hypopnoea_rule=UNKNOWN), {"rule-untold": "untold"}),
)
SCORING = rows(
    ("by software alone", home(scoring=Scoring.AUTOMATIC), {"scored-by-machine": "invalid"}),
    ("by software, reviewed", home(scoring=Scoring.REVIEWED), {}),
    ("by hand", home(scoring=Scoring.MANUAL), {}),
    ("not told: the class is shown with that caution", home(scoring=Scoring.UNKNOWN), {"scoring-untold": "question"}),
)
TOGETHER = rows(
    ("PAP on", home(pap_on=True), {"combination": "combination"}),
    ("a positional device on", home(positional_device_on=True), {"combination": "combination"}),
    ("oxygen on", home(oxygen_on=True), {"combination": "combination"}),
    ("told as off", home(pap_on=False, positional_device_on=False, oxygen_on=False), {}),
    ("not told never withholds", home(pap_on=None, positional_device_on=None, oxygen_on=None), {}),
    ("alcohol is no other treatment", home(alcohol=True), {}),
)


@pytest.mark.parametrize(("test", "expected"), [*WORN, *HOURS, *INDEX, *SCORING, *TOGETHER])
def test_what_keeps_a_test_from_speaking_for_the_appliance(test, expected):
    before = laboratory_before() if test.place is TestPlace.LABORATORY else home_before()
    assert names(validity(test, before, RECORD, DEFAULTS)) == expected


SETTING = rows(
    ("told by the report", home(), NO_RECORD, {}),
    ("told, whatever the dentist recorded", home(), RECORD, {}),
    ("taken from the dentist's record, and said", home(**NO_SETTING), RECORD, {"setting-from-record": "note"}),
    ("one side told: from the record", home(setting_right_mm=None), RECORD, {"setting-from-record": "note"}),
    ("told by nobody: asked, and not withheld", home(**NO_SETTING), NO_RECORD, {"setting-untold": "question"}),
)


@pytest.mark.parametrize(("test", "record", "expected"), SETTING)
def test_the_setting_of_the_night(test, record, expected):
    assert names(validity(test, home_before(), record, DEFAULTS)) == expected


def test_the_setting_from_the_record_is_named():
    (found,) = validity(home(**NO_SETTING), home_before(), RECORD, DEFAULTS)
    assert "1.5 mm left and 2 mm right, is taken from the dentist's record" in found.sentence


ONE, OTHER = "Organization/one", "Organization/other"
RULES = rows(
    ("untold by one laboratory for both: taken as the same one", ONE, ONE, UNKNOWN, {"rules-untold": "question"}),
    ("by two laboratories", ONE, OTHER, UNKNOWN, {"rule-untold": "untold"}),
    ("by nobody knows whom", None, None, UNKNOWN, {"rule-untold": "untold"}),
    ("told for the baseline alone", ONE, ONE, AROUSAL, {"rule-untold": "untold"}),
)


@pytest.mark.parametrize(("before_by", "after_by", "rule", "expected"), RULES)
def test_a_rule_that_is_told_for_neither_test(before_by, after_by, rule, expected):
    before = laboratory_before(performer=before_by, hypopnoea_rule=rule)
    test = laboratory(performer=after_by, hypopnoea_rule=UNKNOWN)
    assert names(validity(test, before, NO_RECORD, DEFAULTS)) == expected
    assert names(validity(test, None, NO_RECORD, DEFAULTS)) == {"rule-untold": "untold"}


WHO = rows(
    ("a report is completed by the laboratory", home(worn=Worn.UNKNOWN), Party.SLEEP_LAB),
    ("a test is repeated by the physician's order", home(worn=Worn.NO), Party.PHYSICIAN),
    ("a setting is told by the dentist", home(**NO_SETTING), Party.DENTIST),
    ("a combination is the physician's", home(pap_on=True), Party.PHYSICIAN),
)


@pytest.mark.parametrize(("test", "party"), WHO)
def test_who_is_asked(test, party):
    (found,) = validity(test, home_before(), NO_RECORD, DEFAULTS)
    assert found.party is party
    assert found.days is None


def test_sentences_say_hours_and_what_is_asked():
    (short,) = validity(home(recording_hours="3.9"), home_before(), NO_RECORD, DEFAULTS)
    assert short.sentence == "3.9 hours were recorded on 20 Sep 2026; at least 4 are asked of a home test."
    assert [t.name for t in short.thresholds] == ["test_hours"]
    (asleep,) = validity(laboratory(sleep_hours="1.5"), laboratory_before(), NO_RECORD, DEFAULTS)
    assert asleep.sentence == "The patient slept 1.5 hours on 20 Sep 2026; under 2 hours a test is not valid."
    (combined,) = validity(home(pap_on=True, oxygen_on=True), home_before(), NO_RECORD, DEFAULTS)
    assert "was made with PAP and oxygen on" in combined.sentence


def test_a_site_moves_the_hours():
    site = DEFAULTS.with_values(
        {"part_worn_hours": Decimal(5), "test_hours": Decimal(5), "least_test_hours": Decimal(1)}
    )
    part = home(worn=Worn.PART, worn_hours="4.9", recording_hours="4.9")
    assert names(validity(part, home_before(), NO_RECORD, site)) == {
        "part-too-short": "invalid",
        "hours-short": "invalid",
    }
    assert names(validity(laboratory(sleep_hours="1"), laboratory_before(), NO_RECORD, site)) == {"hours-few": "note"}
