"""A sleep test as the rules read it: what was recorded, scored and counted, and what else was on that night."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from service.rules.kinds import (
    Denominator,
    HypopnoeaRule,
    IndexName,
    Scoring,
    TestKind,
    TestPlace,
    TestPurpose,
    Worn,
)
from service.rules.source import Source


@dataclass(frozen=True, slots=True)
class ScoredIndex:
    """Another index of the same night in events per hour, by another name or hypopnoea rule."""

    name: IndexName
    rule: HypopnoeaRule
    per_hour: Decimal


@dataclass(frozen=True, slots=True)
class SleepTest:
    """One sleep test. Indices in events per hour, SpO2 and T90 in %, hours in h, shares 0-1; None is untold.

    `other_odi_per_hour` is scored at the other drop in saturation. `central_share` is of all apnoeas and hypopnoeas.
    `worn_hours` are the hours with the appliance in; `index_of_worn_hours` tells whether the index covers them alone.
    `performer` is the reference of the organisation that made the test.
    """

    source: Source
    day: date
    purpose: TestPurpose
    place: TestPlace | None = None
    kind: TestKind | None = None
    index_name: IndexName | None = None
    index_per_hour: Decimal | None = None
    hypopnoea_rule: HypopnoeaRule = HypopnoeaRule.UNKNOWN
    further_indices: tuple[ScoredIndex, ...] = ()
    rdi_with_arousals: bool | None = None
    event_count: int | None = None
    recording_hours: Decimal | None = None
    monitored_hours: Decimal | None = None
    sleep_hours: Decimal | None = None
    nights: int | None = None
    odi_per_hour: Decimal | None = None
    odi_drop_percent: int | None = None
    other_odi_per_hour: Decimal | None = None
    lowest_spo2_percent: Decimal | None = None
    t90_percent: Decimal | None = None
    t90_of: Denominator | None = None
    minutes_at_88: Decimal | None = None
    supine_per_hour: Decimal | None = None
    non_supine_per_hour: Decimal | None = None
    supine_hours: Decimal | None = None
    supine_share: Decimal | None = None
    central_share: Decimal | None = None
    central_per_hour: Decimal | None = None
    central_count: int | None = None
    obstructive_count: int | None = None
    mixed_count: int | None = None
    weight_kg: Decimal | None = None
    split_night: bool | None = None
    scoring: Scoring = Scoring.UNKNOWN
    worn: Worn = Worn.UNKNOWN
    worn_hours: Decimal | None = None
    index_of_worn_hours: bool | None = None
    setting_left_mm: Decimal | None = None
    setting_right_mm: Decimal | None = None
    pap_on: bool | None = None
    positional_device_on: bool | None = None
    oxygen_on: bool | None = None
    alcohol: bool | None = None
    performer: str | None = None
    measure_sources: tuple[Source, ...] = ()

    @property
    def sources(self) -> tuple[Source, ...]:
        """The resource versions that tell the test and its measures, in a fixed order."""
        return (self.source, *sorted(self.measure_sources))

    @property
    def appliance_worn(self) -> bool:
        """Whether the appliance was told as worn, all night or part of it."""
        return self.worn in (Worn.ALL_NIGHT, Worn.PART)
