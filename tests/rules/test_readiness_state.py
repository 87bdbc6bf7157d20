"""Boundaries of the readiness criteria about appliance, baseline, setting, tolerance and earlier tests."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.rules.facts import CaseFacts
from service.rules.kinds import HypopnoeaRule, IndexName, Scoring, TestKind, Worn

from .build import (
    DEFAULTS,
    ago,
    appliance,
    baseline,
    case,
    criterion,
    efficacy,
    readiness,
    rows,
    setting,
    side_effect,
)


def printed(events):
    """A baseline of 24.0 per hour over 7.0 hours, printed to one decimal, with its count."""
    return baseline(index="24.0", recording_hours=Decimal("7.0"), event_count=events)


AROUSAL = HypopnoeaRule.THREE_PERCENT_OR_AROUSAL
DELIVERED = rows(
    ("no delivery recorded", (), "unknown"),
    ("delivered tomorrow is not delivered", (appliance(-1),), "unknown"),
    ("delivered on the day itself", (appliance(0),), "met"),
    ("delivered yesterday", (appliance(1),), "met"),
    ("taken out of use on the day itself", (appliance(60, ended=0),), "unmet"),
    ("taken out of use yesterday", (appliance(60, ended=1),), "unmet"),
    ("goes out of use tomorrow", (appliance(60, ended=-1),), "met"),
    ("broken one replaced by a new one", (appliance(60, ended=30), appliance(30)), "met"),
    ("the newer of two is out of use", (appliance(60), appliance(30, ended=5)), "unmet"),
)


@pytest.mark.parametrize(("appliances", "status"), DELIVERED)
def test_appliance_delivered(appliances, status):
    assert criterion(case(appliances=appliances), "appliance-delivered").status == status


BASELINE = rows(
    ("no sleep test at all", (), "unknown"),
    ("AHI", (baseline(),), "met"),
    ("REI of a home test", (baseline(index_name=IndexName.REI),), "met"),
    ("RDI alone", (baseline(index_name=IndexName.RDI),), "met"),
    ("an index without its name", (baseline(index_name=None),), "unknown"),
    ("a name without an index", (baseline(index=None),), "unknown"),
    ("an AHI of 0 is known", (baseline(index="0"),), "met"),
    ("the efficacy test is no baseline", (efficacy(100),), "unknown"),
    ("recorded on the day of the delivery", (baseline(60),), "met"),
    ("recorded after the delivery: treatment had begun", (baseline(59),), "unknown"),
    ("4.9/h: no sleep apnoea by this index, known all the same", (baseline(index="4.9"),), "met"),
    ("events that fit the index: 24/h over 7 h", (baseline(event_count=168),), "met"),
    ("210 events, 19 % outside: a question to the laboratory", (printed(210),), "met"),
    ("220 events, 23 % outside: it contradicts itself", (printed(220),), "unknown"),
    ("130 events fit 5.4 of 7 hours: which hours is asked", (printed(130),), "met"),
    ("80 events fit 3.3 hours, less than half of them", (printed(80),), "unknown"),
    ("baseline recorded tomorrow", (baseline(-1),), "unknown"),
    ("a short baseline still counts as known", (baseline(recording_hours=Decimal("2")),), "met"),
)


@pytest.mark.parametrize(("tests", "status"), BASELINE)
def test_baseline_known(tests, status):
    assert criterion(case(sleep_tests=tests), "baseline-known").status == status


def test_the_last_baseline_counts_and_of_two_on_one_day_the_higher():
    tests = (baseline(120, "40"), baseline(90, "12"), baseline(90, "18"))
    item = criterion(case(sleep_tests=tests), "baseline-known")
    assert [m.value for m in item.observed] == [Decimal("18")]


STABLE_DAYS = rows(
    ("no setting recorded", (), "unknown"),
    ("setting of tomorrow only", (setting(-1, "2"),), "unknown"),
    ("set today", (setting(0, "2"),), "unmet"),
    ("13 days: one short", (setting(13, "2"),), "unmet"),
    ("14 days: just long enough", (setting(14, "2"),), "met"),
    ("15 days", (setting(15, "2"),), "met"),
    ("repeating the setting does not restart the run", (setting(14, "2"), setting(3, "2"), setting(0, "2.00")), "met"),
    ("left and back again restarts the run", (setting(30, "2"), setting(13, "1"), setting(10, "2")), "unmet"),
    ("one side moved restarts the run", (setting(30, "2"), setting(5, "2", "2.25")), "unmet"),
    ("changed again tomorrow: not yet a fact", (setting(14, "2"), setting(-1, "3")), "met"),
)


@pytest.mark.parametrize(("settings", "status"), STABLE_DAYS)
def test_days_at_the_setting(settings, status):
    assert criterion(case(settings=settings), "setting-stable").status == status


def test_a_short_run_becomes_stable_14_days_after_its_onset():
    item = criterion(case(settings=(setting(13, "2"),)), "setting-stable")
    assert item.earliest == ago(-1)
    assert [(m.value, m.unit) for m in item.observed] == [(Decimal(13), "d"), (Decimal(0), "mm")]


EVEN_SIDES = rows(
    ("sides equal", setting(21, "2"), "met"),
    ("0.25 mm apart: one quarter counts as even", setting(21, "2", "2.25"), "met"),
    ("0.26 mm apart: uneven", setting(21, "2", "2.26"), "unmet"),
    ("0.26 mm the other way round", setting(21, "2.26", "2"), "unmet"),
    ("1 mm apart and intended by the dentist", setting(21, "2", "3", difference_intended=True), "met"),
    ("1 mm apart, intention not recorded", setting(21, "2", "3"), "unmet"),
)


@pytest.mark.parametrize(("one", "status"), EVEN_SIDES)
def test_evenness_of_the_sides(one, status):
    assert criterion(case(settings=(one,)), "setting-stable").status == status


def test_an_intention_recorded_later_in_the_run_counts():
    run = (setting(21, "2", "3"), setting(4, "2", "3", difference_intended=True))
    assert criterion(case(settings=run), "setting-stable").status == "met"


def test_uneven_sides_wait_for_the_dentist_not_for_time():
    item = criterion(case(settings=(setting(2, "2", "3"),)), "setting-stable")
    assert item.earliest is None
    assert "dentist evens the sides" in item.needs


def test_settings_of_a_replaced_appliance_do_not_count():
    facts = case(appliances=(appliance(60, ended=10), appliance(10)), settings=(setting(40, "2"),))
    assert criterion(facts, "setting-stable").status == "unknown"
    facts = case(appliances=(appliance(60, ended=10), appliance(10)), settings=(setting(40, "2"), setting(10, "2")))
    assert criterion(facts, "setting-stable").earliest == ago(-4)


TOLERATED = rows(
    ("no side effect", (), "met"),
    ("grade 1, mild or transient", (side_effect(1, 20),), "met"),
    ("grade 2, moderate", (side_effect(2, 20),), "unmet"),
    ("grade 3, stops wear", (side_effect(3, 20),), "unmet"),
    ("grade 2 ended yesterday", (side_effect(2, 20, ended=1),), "met"),
    ("grade 2 ended on the day itself", (side_effect(2, 20, ended=0),), "met"),
    ("grade 2 that ends tomorrow is still open", (side_effect(2, 20, ended=-1),), "unmet"),
    ("grade 2 that begins tomorrow", (side_effect(2, -1),), "met"),
    ("latest report of the kind counts: down to 1", (side_effect(3, 20), side_effect(1, 20, reported=5)), "met"),
    ("latest report of the kind counts: up to 2", (side_effect(1, 20), side_effect(2, 20, reported=5)), "unmet"),
    ("grade 0 says that it is gone", (side_effect(2, 20), side_effect(0, 20, reported=5)), "met"),
    ("another kind does not close it", (side_effect(2, 20), side_effect(0, 5, kind="dry-mouth")), "unmet"),
    ("two reports of one day: the open one counts", (side_effect(0, 5), side_effect(2, 5, ended=-1)), "unmet"),
    (
        "two reports of one day, ended yesterday and tomorrow",
        (side_effect(2, 20, ended=-1), side_effect(2, 20, ended=1)),
        "unmet",
    ),
)


@pytest.mark.parametrize("turned", [False, True], ids=["in order", "turned round"])
@pytest.mark.parametrize(("effects", "status"), TOLERATED)
def test_tolerated(effects, status, turned):
    assert criterion(case(side_effects=effects[::-1] if turned else effects), "tolerated").status == status


def test_a_mild_side_effect_is_said_though_tolerated():
    assert "jaw pain of grade 1" in criterion(case(side_effects=(side_effect(1, 20),)), "tolerated").sentence


NOT_TESTED = rows(
    ("no efficacy test", (), "met"),
    ("3.9 h: too short to count", (efficacy(3, hours="3.9"),), "met"),
    ("4.0 h: adequate", (efficacy(3, hours="4.0"),), "unmet"),
    ("4.1 h", (efficacy(3, hours="4.1"),), "unmet"),
    ("length not known", (efficacy(3, hours=None),), "met"),
    ("no index: nothing was measured", (efficacy(3, index=None),), "met"),
    ("the day before the onset of this setting", (efficacy(22),), "met"),
    ("on the day of the onset", (efficacy(21),), "unmet"),
    ("at another setting", (efficacy(3, at="1"),), "met"),
    ("setting not recorded: taken as the current one", (efficacy(3, at=None),), "unmet"),
    ("appliance not worn during the test", (efficacy(3, worn=Worn.NO),), "met"),
    ("tomorrow's test", (efficacy(-1),), "met"),
    ("today's test", (efficacy(0),), "unmet"),
    ("a short test after an adequate one does not undo it", (efficacy(9), efficacy(3, hours="2")), "unmet"),
    ("of the appliance with PAP: a test of that combination", (efficacy(3, pap_on=True),), "met"),
    ("with a positional device", (efficacy(3, positional_device_on=True),), "met"),
    ("with oxygen", (efficacy(3, oxygen_on=True),), "met"),
    ("scored automatically alone: not valid", (efficacy(3, scoring=Scoring.AUTOMATIC),), "met"),
    ("an index that contradicts its count", (efficacy(3, event_count=90),), "met"),
    ("by another rule: only the comparison is withheld", (efficacy(3, "12", hypopnoea_rule=AROUSAL),), "unmet"),
    ("oximetry alone is a record, never an efficacy test", (efficacy(3, kind=TestKind.OXIMETRY),), "met"),
    ("a baseline repeated now is no efficacy test", (baseline(3),), "met"),
)


@pytest.mark.parametrize(("tests", "status"), NOT_TESTED)
def test_not_already_tested(tests, status):
    assert criterion(case(sleep_tests=(baseline(), *tests)), "not-already-tested").status == status


def test_a_test_that_counts_is_named_with_its_day_and_its_record():
    item = criterion(case(sleep_tests=(baseline(), efficacy(3))), "not-already-tested")
    assert (item.sentence.id, item.sentence.values["on"]) == ("ready.tested", ago(3))
    assert [s.reference for s in item.inputs] == ["Observation/efficacy-3-6"]
    assert item.needs == "the physician decides on the result of that test"


def test_a_baseline_that_contradicts_itself_is_the_laboratorys():
    item = criterion(case(sleep_tests=(printed(220),)), "baseline-known")
    assert item.needs == "the sleep laboratory corrects the report of the baseline test"
    assert item.missing == "a baseline test that does not contradict itself"
    low = criterion(case(sleep_tests=(baseline(index="4.9"),)), "baseline-known")
    assert low.sentence.id == "ready.baseline-no-apnoea"
    assert criterion(case(sleep_tests=(baseline(index="5"),)), "baseline-known").sentence.id == "ready.baseline"


def test_an_empty_case_is_unknown_where_facts_are_missing_and_met_where_absence_is_an_answer():
    statuses = {c.name: c.status.value for c in readiness(CaseFacts()).criteria}
    assert statuses == {
        "appliance-delivered": "unknown",
        "baseline-known": "unknown",
        "setting-stable": "unknown",
        "worn-enough": "unknown",
        "snoring-settled": "unknown",
        "sleepiness-settled": "unknown",
        "no-witnessed-pauses": "met",
        "tolerated": "met",
        "not-already-tested": "met",
    }


def test_a_site_value_moves_the_boundary():
    site = DEFAULTS.with_values({"stable_days": Decimal(22), "side_effect_grade": Decimal(1)})
    facts = case(side_effects=(side_effect(1, 20),))
    assert criterion(facts, "setting-stable", site).status == "unmet"
    assert criterion(facts, "tolerated", site).status == "unmet"


def test_of_a_setting_told_every_week_the_first_the_last_and_the_remarks_are_read():
    """The run of one setting may be told for years; its onset, its last report and what was remarked on it are named."""
    told = tuple(setting(d, "2", "3", difference_intended=d in (49, 42)) for d in range(63, 0, -7))
    item = criterion(case(settings=told), "setting-stable")
    assert item.status == "met"
    assert [s.reference.split("-")[1] for s in item.inputs] == ["63", "49", "7"]
    back = tuple(setting(d, "2", taken_back_for_side_effect=d in (35, 28)) for d in range(63, 0, -7))
    item = criterion(case(settings=back), "setting-stable")
    assert [s.reference.split("-")[1] for s in item.inputs] == ["63", "35", "7"]
