"""The measures of a sleep test, from its Observations; and the test, joined from its report and measures."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from service.fhir.codes import AHI_24_HOUR, APNOEA_INDEX, OBSTRUCTIVE_INDEX, ODI, has_code, local, local_code_of
from service.fhir.reading import Reading, Small, StoredFact, named_fields, organisation_of
from service.rules import limits
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
from service.rules.sleep_test import ScoredIndex, SleepTest

RULE_CODES = {
    "hypopnoea-3-percent-or-arousal": HypopnoeaRule.THREE_PERCENT_OR_AROUSAL,
    "hypopnoea-3-percent": HypopnoeaRule.THREE_PERCENT,
    "hypopnoea-4-percent": HypopnoeaRule.FOUR_PERCENT,
    "hypopnoea-rule-unknown": HypopnoeaRule.UNKNOWN,
}
_SINGLE_MEASURES = {
    "recording-time": ("recording_hours", limits.RECORDING_HOURS),
    "monitored-time": ("monitored_hours", limits.RECORDING_HOURS),
    "sleep-time": ("sleep_hours", limits.RECORDING_HOURS),
    "lowest-spo2": ("lowest_spo2_percent", limits.SPO2_PERCENT),
    "t90": ("t90_percent", limits.SHARE_PERCENT),
    "minutes-at-88": ("minutes_at_88", limits.MINUTES_IN_TEST),
    "supine-index": ("supine_per_hour", limits.INDEX_PER_HOUR),
    "non-supine-index": ("non_supine_per_hour", limits.INDEX_PER_HOUR),
    "supine-time": ("supine_hours", limits.HOURS_IN_TEST),
    "supine-share": ("supine_share_percent", limits.SHARE_PERCENT),
    "central-share": ("central_share_percent", limits.SHARE_PERCENT),
    "central-index": ("central_per_hour", limits.INDEX_PER_HOUR),
    "weight-at-test": ("weight_kg", limits.WEIGHT_KG),
}
_COUNTS = {
    "central-events": "central_count",
    "obstructive-events": "obstructive_count",
    "mixed-events": "mixed_count",
}
_ANSWERS = {
    "split-night": "split_night",
    "rdi-includes-arousals": "rdi_with_arousals",
    "index-covers-worn-hours-only": "index_of_worn_hours",
    "pap-on": "pap_on",
    "positional-device-on": "positional_device_on",
    "oxygen-on": "oxygen_on",
    "alcohol": "alcohol",
}
_INDEX_NAMES = {"ahi": "AHI", "rei": "REI", "rdi": "RDI"}
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
_OF_ONE_INDEX = frozenset({"index_name", "index_per_hour", "hypopnoea_rule", "event_count", "further"})
"""What belongs to one index of several; all else told beside an index is about the night."""
_SHARES = {"central_share_percent": "central_share", "supine_share_percent": "supine_share"}
SHARES_IN_PERCENT = frozenset(_SHARES)
"""Keys of small facts that are told in % and become shares of one."""
_LISTS = {
    "test_kind": ("kind", TestKind),
    "t90_of": ("t90_of", Denominator),
    "scoring": ("scoring", Scoring),
    "worn": ("worn", Worn),
}


def read_measure(reading: Reading) -> tuple[bool, Small | None]:
    """Whether an Observation is a measure of a sleep test, and the fact in it; none in an index that is not taken."""
    concept = reading.resource.get("code")
    for code, why in _NOT_THE_INDEX:
        if has_code(concept, code):
            reading.wrong("code", why)
            return True, None
    if has_code(concept, ODI):
        return True, _odi(reading)
    code = "ahi" if has_code(concept, AHI_24_HOUR) else local_code_of(concept) or ""
    if code in _INDEX_NAMES:
        return True, _index(reading, _INDEX_NAMES[code])
    if code in _SINGLE_MEASURES:
        name, limit = _SINGLE_MEASURES[code]
        held: Small = {"kind": "measure", name: reading.quantity(reading.resource, "", limit)}
        if code == "t90":
            held["t90_of"] = reading.part_choice(local("t90-denominator"), Denominator)
        return True, held
    if code in _COUNTS:
        counted = _whole_events(reading, reading.quantity(reading.resource, "", limits.EVENT_COUNT), "valueQuantity")
        return True, {"kind": "measure", _COUNTS[code]: counted}
    return False, None


def _whole_events(reading: Reading, events: Decimal | None, where: str) -> int | None:
    if events is not None and events != events.to_integral_value():
        reading.wrong(where, "Events are counted in whole numbers.")
        return None
    return None if events is None else int(events)


def _index(reading: Reading, name: str) -> Small:
    rule = "hypopnoea-rule-unknown"
    if "method" in reading.resource:
        given = local_code_of(reading.resource["method"])
        if given in RULE_CODES:
            rule = given
        else:
            reading.wrong("method", f"The hypopnoea rule must be one of {', '.join(RULE_CODES)}.")
    events = reading.part_quantity(local("event-count"), limits.EVENT_COUNT)
    small: Small = {
        "kind": "measure",
        "index_name": name,
        "index_per_hour": reading.quantity(reading.resource, "", limits.INDEX_PER_HOUR),
        "hypopnoea_rule": RULE_CODES[rule].value,
        "event_count": _whole_events(reading, events, "component"),
        "worn": _worn(reading).value,
        "setting_left_mm": reading.part_quantity(local("advance-left"), limits.ADVANCE_MM),
        "setting_right_mm": reading.part_quantity(local("advance-right"), limits.ADVANCE_MM),
        "worn_hours": reading.part_quantity(local("worn-hours"), limits.HOURS_IN_TEST),
        "nights": reading.part_whole(local("nights-in-test"), limits.NIGHTS_IN_TEST),
        "test_kind": reading.part_choice(local("test-kind"), TestKind),
        "scoring": reading.part_choice(local("scoring"), Scoring),
        "further": reading.part_flag(local("further-index")),
        "performer": organisation_of(reading.resource.get("performer")),
    }
    small |= {field: reading.part_flag(local(code)) for code, field in _ANSWERS.items()}
    told_always = {"kind", "index_name", "index_per_hour", "hypopnoea_rule", "worn"}
    return {key: value for key, value in small.items() if value is not None or key in told_always}


def _worn(reading: Reading) -> Worn:
    """Whether the appliance was worn: what is said of it, else all night where it is named as the device."""
    named = "device" in reading.resource
    said = reading.part_choice(local("appliance-worn"), Worn)
    if named and said == Worn.NO:
        reading.wrong("component", "The appliance is named as the device of the test, and said not to be worn.")
    return Worn(said) if said else Worn.ALL_NIGHT if named else Worn.UNKNOWN


def _odi(reading: Reading) -> Small:
    drop = reading.part_quantity(local("desaturation-drop"), limits.ODI_DROP_PERCENT, needed=True)
    return {
        "kind": "measure",
        "odi_per_hour": reading.quantity(reading.resource, "", limits.INDEX_PER_HOUR),
        "odi_drop_percent": None if drop is None else int(drop),
    }


def sleep_test_of(fact: StoredFact, measures: dict[str, StoredFact]) -> SleepTest:
    """A test joined from its report and those of its measures that are here."""
    results = [measures[r] for r in dict.fromkeys(fact.small["results"]) if r in measures]
    indices = [m for m in results if m.small.get("index_name")]
    odis = [m for m in results if m.small.get("odi_per_hour") is not None]
    joined: dict[str, Any] = {}
    for measure in sorted(results, key=lambda m: m.source):
        if measure not in odis:
            joined.update(_told(measure.small, without=_OF_ONE_INDEX))
    if indices:
        main = min(enumerate(indices), key=_standing)[1]
        joined |= _told(main.small, without=frozenset({"further"}))
        joined["further_indices"] = tuple(_scored(m.small) for m in indices if m is not main)
        joined["index_name"] = IndexName(joined["index_name"])
        joined["hypopnoea_rule"] = HypopnoeaRule(joined["hypopnoea_rule"])
    joined |= _odis(odis)
    for key, name in _SHARES.items():
        if (percent := joined.pop(key, None)) is not None:
            joined[name] = Decimal(percent) / 100
    for key, (name, kind) in _LISTS.items():
        if key in joined:
            joined[name] = kind(joined.pop(key))
    joined.setdefault("performer", fact.small.get("performer"))
    place = fact.small.get("place")
    own = {
        "source": fact.source,
        "day": date.fromisoformat(fact.small["day"]),
        "purpose": TestPurpose(fact.small["purpose"]),
        "place": TestPlace(place) if place else None,
        "measure_sources": tuple(sorted(m.source for m in results)),
    }
    return SleepTest(**(named_fields(SleepTest, joined) | own))


def _told(small: Small, without: frozenset[str]) -> Small:
    return {k: v for k, v in small.items() if k != "kind" and k not in without and v is not None}


def _standing(placed: tuple[int, StoredFact]) -> tuple[bool, bool, int]:
    """Which index is the one: not one told as further, an AHI before others, the one the report lists first."""
    place, measure = placed
    return bool(measure.small.get("further")), measure.small["index_name"] != IndexName.AHI, place


def _scored(small: Small) -> ScoredIndex:
    return ScoredIndex(IndexName(small["index_name"]), HypopnoeaRule(small["hypopnoea_rule"]), small["index_per_hour"])


def _odis(measures: list[StoredFact]) -> Small:
    """The desaturation index that the report lists first, and the first at another drop."""
    if not measures:
        return {}
    first = measures[0].small
    held: Small = {key: first.get(key) for key in ("odi_per_hour", "odi_drop_percent")}
    for other in measures[1:]:
        if other.small.get("odi_drop_percent") != first.get("odi_drop_percent"):
            return {**held, "other_odi_per_hour": other.small["odi_per_hour"]}
    return held
