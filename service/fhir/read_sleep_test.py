"""The measures of a sleep test, from its Observations."""

from __future__ import annotations

from decimal import Decimal

from service.fhir.codes import AHI_24_HOUR, APNOEA_INDEX, OBSTRUCTIVE_INDEX, ODI, has_code, local, local_code_of
from service.fhir.facts.fact import MeasureOfTest, Unread
from service.fhir.facts.sleep_tests import DesaturationIndexFact, IndexFact, MeasureFact
from service.fhir.facts.words import FactKind, MeasureName
from service.fhir.reading import Reading, organisation_of
from service.rules import limits
from service.rules.kinds import Denominator, HypopnoeaRule, IndexName, Scoring, TestKind, Worn

RULE_CODES = {
    "hypopnoea-3-percent-or-arousal": HypopnoeaRule.THREE_PERCENT_OR_AROUSAL,
    "hypopnoea-3-percent": HypopnoeaRule.THREE_PERCENT,
    "hypopnoea-4-percent": HypopnoeaRule.FOUR_PERCENT,
    "hypopnoea-rule-unknown": HypopnoeaRule.UNKNOWN,
}
_SINGLE_MEASURES = {
    "recording-time": (MeasureName.RECORDING_HOURS, limits.RECORDING_HOURS),
    "monitored-time": (MeasureName.MONITORED_HOURS, limits.RECORDING_HOURS),
    "sleep-time": (MeasureName.SLEEP_HOURS, limits.RECORDING_HOURS),
    "lowest-spo2": (MeasureName.LOWEST_SPO2_PERCENT, limits.SPO2_PERCENT),
    "t90": (MeasureName.T90_PERCENT, limits.SHARE_PERCENT),
    "minutes-at-88": (MeasureName.MINUTES_AT_88, limits.MINUTES_IN_TEST),
    "supine-index": (MeasureName.SUPINE_PER_HOUR, limits.INDEX_PER_HOUR),
    "non-supine-index": (MeasureName.NON_SUPINE_PER_HOUR, limits.INDEX_PER_HOUR),
    "supine-time": (MeasureName.SUPINE_HOURS, limits.HOURS_IN_TEST),
    "supine-share": (MeasureName.SUPINE_SHARE_PERCENT, limits.SHARE_PERCENT),
    "central-share": (MeasureName.CENTRAL_SHARE_PERCENT, limits.SHARE_PERCENT),
    "central-index": (MeasureName.CENTRAL_PER_HOUR, limits.INDEX_PER_HOUR),
    "weight-at-test": (MeasureName.WEIGHT_KG, limits.WEIGHT_KG),
}
_COUNTS = {
    "central-events": MeasureName.CENTRAL_COUNT,
    "obstructive-events": MeasureName.OBSTRUCTIVE_COUNT,
    "mixed-events": MeasureName.MIXED_COUNT,
}
_INDEX_NAMES = {"ahi": IndexName.AHI, "rei": IndexName.REI, "rdi": IndexName.RDI}
_NOT_THE_INDEX = (
    (
        APNOEA_INDEX,
        "LOINC 90562-0 is the apnoea index, not the apnoea-hypopnoea index; send the index that was measured.",
    ),
    (
        OBSTRUCTIVE_INDEX,
        "LOINC 90563-8 is the obstructive index, which leaves central events out; send the index of all events.",
    ),
)


def read_measure(reading: Reading) -> tuple[bool, MeasureOfTest | Unread | None]:
    """Whether an Observation is a measure of a sleep test, and the fact in it; none in an index that is not accepted."""
    concept = reading.resource.get("code")
    for code, why in _NOT_THE_INDEX:
        if has_code(concept, code):
            reading.wrong("code", why)
            return True, None
    if has_code(concept, ODI):
        return True, _desaturation_index(reading)
    code = "ahi" if has_code(concept, AHI_24_HOUR) else local_code_of(concept) or ""
    if code in _INDEX_NAMES:
        return True, _index(reading, _INDEX_NAMES[code])
    if code in _SINGLE_MEASURES:
        return True, _single_measure(reading, code)
    if code in _COUNTS:
        events = _whole_events(reading, reading.quantity(reading.resource, "", limits.EVENT_COUNT), "valueQuantity")
        if events is None:
            return True, Unread(FactKind.MEASURE)
        return True, MeasureFact(name=_COUNTS[code], value=Decimal(events))
    return False, None


def _single_measure(reading: Reading, code: str) -> MeasureFact | Unread:
    name, limit = _SINGLE_MEASURES[code]
    value = reading.quantity(reading.resource, "", limit)
    share_of = reading.part_choice(local("t90-denominator"), Denominator) if code == "t90" else None
    if value is None:
        return Unread(FactKind.MEASURE)
    return MeasureFact(name=name, value=value, share_of=share_of)


def _whole_events(reading: Reading, events: Decimal | None, where: str) -> int | None:
    if events is not None and events != events.to_integral_value():
        reading.wrong(where, "Events are counted in whole numbers.")
        return None
    return None if events is None else int(events)


def _index(reading: Reading, name: IndexName) -> IndexFact | Unread:
    rule = _rule(reading)
    events = _whole_events(reading, reading.part_quantity(local("event-count"), limits.EVENT_COUNT), "component")
    per_hour = reading.quantity(reading.resource, "", limits.INDEX_PER_HOUR)
    # its parts are read without a value as well, so that one answer names everything that is wrong
    found = IndexFact(
        index_name=name,
        per_hour=Decimal(0) if per_hour is None else per_hour,
        hypopnoea_rule=rule,
        worn=_worn(reading),
        event_count=events,
        setting_left_mm=reading.part_quantity(local("advance-left"), limits.ADVANCE_MM),
        setting_right_mm=reading.part_quantity(local("advance-right"), limits.ADVANCE_MM),
        worn_hours=reading.part_quantity(local("worn-hours"), limits.HOURS_IN_TEST),
        nights=reading.part_whole(local("nights-in-test"), limits.NIGHTS_IN_TEST),
        test_kind=reading.part_choice(local("test-kind"), TestKind),
        scoring=reading.part_choice(local("scoring"), Scoring),
        further=reading.part_flag(local("further-index")),
        performer=organisation_of(reading.resource.get("performer")),
        split_night=reading.part_flag(local("split-night")),
        rdi_with_arousals=reading.part_flag(local("rdi-includes-arousals")),
        index_of_worn_hours=reading.part_flag(local("index-covers-worn-hours-only")),
        pap_on=reading.part_flag(local("pap-on")),
        positional_device_on=reading.part_flag(local("positional-device-on")),
        oxygen_on=reading.part_flag(local("oxygen-on")),
        alcohol=reading.part_flag(local("alcohol")),
    )
    return Unread(FactKind.INDEX) if per_hour is None else found


def _rule(reading: Reading) -> HypopnoeaRule:
    if "method" not in reading.resource:
        return HypopnoeaRule.UNKNOWN
    rule = RULE_CODES.get(local_code_of(reading.resource["method"]) or "")
    if rule is None:
        reading.wrong("method", f"The hypopnoea rule must be one of {', '.join(RULE_CODES)}.")
    return rule or HypopnoeaRule.UNKNOWN


def _worn(reading: Reading) -> Worn:
    """Whether the appliance was worn: what is reported of it, else all night where it is named as the device."""
    named = "device" in reading.resource
    worn = reading.part_choice(local("appliance-worn"), Worn)
    if named and worn is Worn.NO:
        reading.wrong("component", "The appliance is named as the device of the test, and said not to be worn.")
    return worn or (Worn.ALL_NIGHT if named else Worn.UNKNOWN)


def _desaturation_index(reading: Reading) -> DesaturationIndexFact | Unread:
    drop = reading.part_quantity(local("desaturation-drop"), limits.ODI_DROP_PERCENT, needed=True)
    per_hour = reading.quantity(reading.resource, "", limits.INDEX_PER_HOUR)
    if per_hour is None:
        return Unread(FactKind.DESATURATION_INDEX)
    return DesaturationIndexFact(per_hour=per_hour, drop_percent=None if drop is None else int(drop))
