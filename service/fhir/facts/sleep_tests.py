"""Facts of a sleep test: its report, and one fact for each of its indices and measures."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from service.fhir.facts.base import FactOfAKind
from service.fhir.facts.words import FactKind, MeasureName
from service.rules.kinds import Denominator, HypopnoeaRule, IndexName, Scoring, TestKind, TestPlace, TestPurpose, Worn


class SleepTestFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.SLEEP_TEST.value):
    """The report of a sleep test; `results` are the references of its measures, in the order of the report."""

    day: date
    purpose: TestPurpose
    place: TestPlace | None = None
    results: tuple[str, ...] = ()
    performer: str | None = None


class IndexFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.INDEX.value):
    """An index of a sleep test, with what its Observation reports of the night; `further` when it is not the main one."""

    index_name: IndexName
    per_hour: Decimal
    hypopnoea_rule: HypopnoeaRule
    worn: Worn
    event_count: int | None = None
    setting_left_mm: Decimal | None = None
    setting_right_mm: Decimal | None = None
    worn_hours: Decimal | None = None
    nights: int | None = None
    test_kind: TestKind | None = None
    scoring: Scoring | None = None
    further: bool | None = None
    performer: str | None = None
    split_night: bool | None = None
    rdi_with_arousals: bool | None = None
    index_of_worn_hours: bool | None = None
    pap_on: bool | None = None
    positional_device_on: bool | None = None
    oxygen_on: bool | None = None
    alcohol: bool | None = None


class DesaturationIndexFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.DESATURATION_INDEX.value):
    """An oxygen desaturation index of a sleep test, at a drop in %."""

    per_hour: Decimal
    drop_percent: int | None = None


class MeasureFact(FactOfAKind, frozen=True, kw_only=True, tag=FactKind.MEASURE.value):
    """One other measure of a sleep test; `share_of` is the time that a share is taken of."""

    name: MeasureName
    value: Decimal
    share_of: Denominator | None = None
