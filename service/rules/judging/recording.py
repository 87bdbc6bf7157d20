"""What kind of recording a test is, over which hours its index is taken, and what it tells of central events."""

from __future__ import annotations

from decimal import Decimal

from service.rules.kinds import Denominator, HypopnoeaRule, IndexName, TestKind, TestPlace
from service.rules.sleep_test import SleepTest

_WITHOUT_SLEEP = (TestKind.HOME_FLOW, TestKind.ARTERIAL_TONE, TestKind.OXIMETRY)

FROM_LOW_TO_HIGH = (
    HypopnoeaRule.FOUR_PERCENT,
    HypopnoeaRule.THREE_PERCENT,
    HypopnoeaRule.THREE_PERCENT_OR_AROUSAL,
)
"""The hypopnoea rules from the strictest, which gives the lowest index of a night, to the loosest."""


def is_polysomnography(test: SleepTest) -> bool:
    """Whether the hours asked are those of a laboratory's polysomnography."""
    if test.kind is not None:
        return test.kind is TestKind.POLYSOMNOGRAPHY
    return test.place is TestPlace.LABORATORY


def scores_no_sleep(test: SleepTest) -> bool:
    """Whether a test has no EEG, so that it scores neither sleep nor arousals."""
    return test.kind in _WITHOUT_SLEEP or (test.kind is None and test.place is TestPlace.HOME)


def judged_as_rei(test: SleepTest) -> bool:
    """Whether an AHI comes from a test that cannot score one: it is judged as an REI."""
    return test.index_name is IndexName.AHI and scores_no_sleep(test)


def name_as_judged(test: SleepTest) -> IndexName | None:
    """The index a test is judged by: an RDI that counts no arousals as an AHI, and an AHI without EEG as an REI."""
    without_arousals = test.index_name is IndexName.RDI and test.rdi_with_arousals is False
    name = IndexName.AHI if without_arousals else test.index_name
    return IndexName.REI if name is IndexName.AHI and scores_no_sleep(test) else name


def rule_as_judged(test: SleepTest) -> HypopnoeaRule:
    """The hypopnoea rule: without EEG no arousal was scored, so `3% or arousal` can only have been 3 %."""
    no_arousals = scores_no_sleep(test) and name_as_judged(test) is not IndexName.RDI
    if no_arousals and test.hypopnoea_rule is HypopnoeaRule.THREE_PERCENT_OR_AROUSAL:
        return HypopnoeaRule.THREE_PERCENT
    return test.hypopnoea_rule


def own_hours(test: SleepTest) -> tuple[Decimal, Denominator] | None:
    """The hours an index is taken over and what they are; None when no hours are told."""
    slept = (test.sleep_hours, Denominator.SLEEP)
    monitored = (test.monitored_hours, Denominator.MONITORING)
    recorded = (test.recording_hours, Denominator.RECORDING)
    by_recording = name_as_judged(test) is IndexName.REI
    order = (monitored, recorded, slept) if by_recording else (slept, monitored, recorded)
    return next(((hours, of) for hours, of in order if hours), None)


def hours_that_count(test: SleepTest) -> Decimal | None:
    """The hours that make a test long enough: asleep in the laboratory, never asleep at home; None when untold."""
    if is_polysomnography(test):
        return _first_told(test.sleep_hours, test.recording_hours)
    return _first_told(test.monitored_hours, test.recording_hours)


def _first_told(*hours: Decimal | None) -> Decimal | None:
    """The first hours told: none at all, 0, is told as well."""
    return next((told for told in hours if told is not None), None)


def recording_to_sleep(*tests: SleepTest) -> Decimal | None:
    """Recorded hours as a multiple of the hours slept, of the first test that tells both."""
    for test in tests:
        if test.recording_hours and test.sleep_hours:
            return test.recording_hours / test.sleep_hours
    return None


def central_share(test: SleepTest) -> Decimal | None:
    """Central events as a share of all apnoeas and hypopnoeas: told, else counted; None when untold."""
    if test.central_share is not None:
        return test.central_share
    if test.central_count is not None and test.event_count:
        return Decimal(test.central_count) / test.event_count
    if test.central_per_hour is not None and test.index_per_hour:
        return test.central_per_hour / test.index_per_hour
    return None


def central_index(test: SleepTest) -> Decimal | None:
    """Central events per hour: told, else counted, else the share of the index; None when untold."""
    if test.central_per_hour is not None:
        return test.central_per_hour
    hours = own_hours(test)
    if test.central_count is not None and hours:
        return test.central_count / hours[0]
    if test.central_share is not None and test.index_per_hour is not None:
        return test.central_share * test.index_per_hour
    return None
