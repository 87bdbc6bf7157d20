"""The plain message of a sleep test: what was recorded, scored and counted, and what else was on that night."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator
from pydantic.json_schema import WithJsonSchema

from service.inbound.plain import DayOrTime, HypopnoeaChoice, IndexChoice, Key, Organisation, Plain, Within
from service.rules import limits

_WORN = ("all-night", "part-of-the-night", "not-worn", "unknown")


def _worn(value: object) -> object:
    """True and false as earlier messages tell it."""
    return ("all-night" if value else "not-worn") if isinstance(value, bool) else value


_PerHour = Annotated[Decimal, Within(limits.INDEX_PER_HOUR)]
_Events = Annotated[int, Within(limits.EVENT_COUNT)]
_Hours = Annotated[Decimal, Within(limits.RECORDING_HOURS)]
_PartOfHours = Annotated[Decimal, Within(limits.HOURS_IN_TEST)]
_Share = Annotated[Decimal, Within(limits.SHARE_PERCENT)]
_Worn = Annotated[
    Literal["all-night", "part-of-the-night", "not-worn", "unknown"],
    BeforeValidator(_worn),
    WithJsonSchema({"anyOf": [{"type": "boolean"}, {"type": "string", "enum": list(_WORN)}]}),
]


class FurtherIndex(Plain):
    """Another index of the same night in events per hour, by another name or hypopnoea rule."""

    index: IndexChoice
    hypopnoea_rule: HypopnoeaChoice
    events_per_hour: _PerHour


class SleepTestMessage(Plain):
    """One sleep test. Indices in events per hour; SpO2, T90 and shares in %; times in hours, weight in kg.

    `performed_by` is the organisation that made the test, where it is not the laboratory that sends it.
    """

    test_number: Key
    performed_on: DayOrTime
    place: Literal["home", "laboratory"]
    test_kind: Literal["polysomnography", "home-with-eeg", "home-with-flow", "arterial-tone", "oximetry"] | None = None
    performed_by: Organisation | None = None
    index: IndexChoice
    index_events_per_hour: _PerHour
    hypopnoea_rule: HypopnoeaChoice
    further_indices: Annotated[tuple[FurtherIndex, ...], Field(max_length=6, strict=False)] = ()
    rdi_includes_arousals: bool | None = None
    event_count: _Events | None = None
    central_event_count: _Events | None = None
    obstructive_event_count: _Events | None = None
    mixed_event_count: _Events | None = None
    recording_hours: _Hours | None = None
    monitored_hours: _Hours | None = None
    sleep_hours: _Hours | None = None
    nights_in_test: Annotated[int, Within(limits.NIGHTS_IN_TEST)] | None = None
    odi_events_per_hour: _PerHour | None = None
    odi_drop_percent: Annotated[int, Within(limits.ODI_DROP_PERCENT)] | None = None
    other_odi_events_per_hour: _PerHour | None = None
    lowest_spo2_percent: Annotated[Decimal, Within(limits.SPO2_PERCENT)] | None = None
    t90_percent: _Share | None = None
    t90_denominator: Literal["recording", "monitoring", "sleep"] | None = None
    minutes_at_or_below_88: Annotated[Decimal, Within(limits.MINUTES_IN_TEST)] | None = None
    supine_index_events_per_hour: _PerHour | None = None
    non_supine_index_events_per_hour: _PerHour | None = None
    supine_hours: _PartOfHours | None = None
    supine_share_percent: _Share | None = None
    central_share_percent: _Share | None = None
    central_index_events_per_hour: _PerHour | None = None
    weight_kg: Annotated[Decimal, Within(limits.WEIGHT_KG)] | None = None
    split_night: bool | None = None
    scoring: Literal["automatic", "automatic-reviewed", "manual", "unknown"] | None = None
    pap_on: bool | None = None
    positional_device_on: bool | None = None
    oxygen_on: bool | None = None
    alcohol: bool | None = None
    revision: Annotated[int, Field(ge=1, le=1000)] = 1
    entered_in_error: bool = False

    @model_validator(mode="after")
    def _measures_with_what_they_are_of(self) -> Self:
        if (self.odi_events_per_hour is None) != (self.odi_drop_percent is None):
            raise ValueError("odi_events_per_hour and odi_drop_percent (3 or 4) belong together")
        if self.other_odi_events_per_hour is not None and self.odi_drop_percent is None:
            raise ValueError("«other_odi_events_per_hour» needs «odi_drop_percent»: it is scored at the other drop")
        if self.t90_denominator is not None and self.t90_percent is None:
            raise ValueError("«t90_denominator» needs «t90_percent», whose time it names")
        return self


class EfficacyTestMessage(SleepTestMessage):
    """A sleep test made to see whether the appliance works, with the setting worn that night.

    `appliance_worn` is true for all night and false for not worn; `worn_hours` are the hours with the appliance in.
    """

    appliance_worn: _Worn | None = None
    worn_hours: _PartOfHours | None = None
    index_covers_worn_hours_only: bool | None = None
    setting_left_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)] | None = None
    setting_right_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)] | None = None
