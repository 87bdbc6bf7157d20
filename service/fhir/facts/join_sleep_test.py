"""A sleep test of the rules, joined from its report and those of its measures that are on record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import TypeVar

from service.fhir.facts.fact import MeasureOfTest
from service.fhir.facts.sleep_tests import DesaturationIndexFact, IndexFact, MeasureFact, SleepTestFact
from service.fhir.facts.words import MeasureName
from service.rules.kinds import Denominator, HypopnoeaRule, IndexName, Scoring, Worn
from service.rules.sleep_test import ScoredIndex, SleepTest
from service.rules.source import Source

Measures = dict[str, tuple[Source, MeasureOfTest]]
"""Measures by the reference of their resource."""
_Value = TypeVar("_Value")


def sleep_test_of(source: Source, report: SleepTestFact, measures: Measures) -> SleepTest:
    """A test joined from its report and those of its measures that are here."""
    listed = [measures[r] for r in dict.fromkeys(report.results) if r in measures]
    by_source = sorted(listed, key=lambda found: found[0])
    main, others = _main_and_others([fact for _, fact in listed])
    # what belongs to the night is reported beside the main index, else beside the last other one that reports it
    rest = [fact for _, fact in by_source if isinstance(fact, IndexFact) and fact is not main]
    indices = [*([main] if main else []), *reversed(rest)]
    singles = [fact for _, fact in by_source if isinstance(fact, MeasureFact)]
    values = {single.name: single.value for single in singles}
    odi, other_odi = _desaturation([fact for _, fact in listed if isinstance(fact, DesaturationIndexFact)])
    return SleepTest(
        source=source,
        day=report.day,
        purpose=report.purpose,
        place=report.place,
        kind=_first(i.test_kind for i in indices),
        index_name=main.index_name if main else None,
        index_per_hour=main.per_hour if main else None,
        hypopnoea_rule=main.hypopnoea_rule if main else HypopnoeaRule.UNKNOWN,
        further_indices=tuple(ScoredIndex(i.index_name, i.hypopnoea_rule, i.per_hour) for i in others),
        rdi_with_arousals=_first(i.rdi_with_arousals for i in indices),
        event_count=main.event_count if main else None,
        recording_hours=values.get(MeasureName.RECORDING_HOURS),
        monitored_hours=values.get(MeasureName.MONITORED_HOURS),
        sleep_hours=values.get(MeasureName.SLEEP_HOURS),
        nights=_first(i.nights for i in indices),
        odi_per_hour=odi.per_hour if odi else None,
        odi_drop_percent=odi.drop_percent if odi else None,
        other_odi_per_hour=other_odi.per_hour if other_odi else None,
        lowest_spo2_percent=values.get(MeasureName.LOWEST_SPO2_PERCENT),
        t90_percent=values.get(MeasureName.T90_PERCENT),
        t90_of=_share_of(singles),
        minutes_at_88=values.get(MeasureName.MINUTES_AT_88),
        supine_per_hour=values.get(MeasureName.SUPINE_PER_HOUR),
        non_supine_per_hour=values.get(MeasureName.NON_SUPINE_PER_HOUR),
        supine_hours=values.get(MeasureName.SUPINE_HOURS),
        supine_share=_share(values.get(MeasureName.SUPINE_SHARE_PERCENT)),
        central_share=_share(values.get(MeasureName.CENTRAL_SHARE_PERCENT)),
        central_per_hour=values.get(MeasureName.CENTRAL_PER_HOUR),
        central_count=_count(values.get(MeasureName.CENTRAL_COUNT)),
        obstructive_count=_count(values.get(MeasureName.OBSTRUCTIVE_COUNT)),
        mixed_count=_count(values.get(MeasureName.MIXED_COUNT)),
        weight_kg=values.get(MeasureName.WEIGHT_KG),
        split_night=_first(i.split_night for i in indices),
        scoring=_first(i.scoring for i in indices) or Scoring.UNKNOWN,
        worn=main.worn if main else Worn.UNKNOWN,
        worn_hours=_first(i.worn_hours for i in indices),
        index_of_worn_hours=_first(i.index_of_worn_hours for i in indices),
        setting_left_mm=_first(i.setting_left_mm for i in indices),
        setting_right_mm=_first(i.setting_right_mm for i in indices),
        pap_on=_first(i.pap_on for i in indices),
        positional_device_on=_first(i.positional_device_on for i in indices),
        oxygen_on=_first(i.oxygen_on for i in indices),
        alcohol=_first(i.alcohol for i in indices),
        performer=_first(i.performer for i in indices) or report.performer,
        measure_sources=tuple(found for found, _ in by_source),
    )


def _main_and_others(facts: Sequence[MeasureOfTest]) -> tuple[IndexFact | None, list[IndexFact]]:
    """The index of a test, and its others in the order of the report.

    It is not one reported as further, an AHI before others, and of equal ones the one that the report lists first.
    """
    indices = [fact for fact in facts if isinstance(fact, IndexFact)]
    main = min(indices, key=lambda i: (bool(i.further), i.index_name is not IndexName.AHI), default=None)
    return main, [index for index in indices if index is not main]


def _desaturation(
    facts: Sequence[DesaturationIndexFact],
) -> tuple[DesaturationIndexFact | None, DesaturationIndexFact | None]:
    """The desaturation index that the report lists first, and the first at another drop."""
    first = facts[0] if facts else None
    other = next((fact for fact in facts if first and fact.drop_percent != first.drop_percent), None)
    return first, other


def _first(values: Iterable[_Value | None]) -> _Value | None:
    return next((value for value in values if value is not None), None)


def _share_of(singles: Sequence[MeasureFact]) -> Denominator | None:
    return _first(single.share_of for single in reversed(singles))


def _share(percent: Decimal | None) -> Decimal | None:
    return None if percent is None else percent / 100


def _count(value: Decimal | None) -> int | None:
    return None if value is None else int(value)
