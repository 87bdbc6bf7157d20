"""A sleep test in plain JSON, as DiagnosticReport and one Observation per measure."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from service.fhir.build import CASE_APPLIANCE, Draft, Resource, component, identifier, quantity, ref, sid
from service.fhir.codes import ODI, POLYSOMNOGRAPHY_STUDY, PROCEDURE_CATEGORY, Code, local
from service.inbound.plain import DayOrTime, HypopnoeaChoice, IndexChoice, Key, Plain, Within
from service.rules import limits

_RULE_CODES = {
    "3% or arousal": "hypopnoea-3-percent-or-arousal",
    "4%": "hypopnoea-4-percent",
    "unknown": "hypopnoea-rule-unknown",
}
_MEASURES = (
    ("recording_hours", "recording-time", "h"),
    ("lowest_spo2_percent", "lowest-spo2", "%"),
    ("t90_percent", "t90", "%"),
    ("supine_index_events_per_hour", "supine-index", "{events}/h"),
    ("non_supine_index_events_per_hour", "non-supine-index", "{events}/h"),
    ("central_share_percent", "central-share", "%"),
)


class SleepTestMessage(Plain):
    """One sleep test. Indices in events per hour; SpO2, T90 and central share in %; recording in hours."""

    test_number: Key
    performed_on: DayOrTime
    place: Literal["home", "laboratory"]
    index: IndexChoice
    index_events_per_hour: Annotated[Decimal, Within(limits.INDEX_PER_HOUR)]
    hypopnoea_rule: HypopnoeaChoice
    event_count: Annotated[int, Within(limits.EVENT_COUNT)] | None = None
    recording_hours: Annotated[Decimal, Within(limits.RECORDING_HOURS)] | None = None
    odi_events_per_hour: Annotated[Decimal, Within(limits.INDEX_PER_HOUR)] | None = None
    odi_drop_percent: Annotated[int, Within(limits.ODI_DROP_PERCENT)] | None = None
    lowest_spo2_percent: Annotated[Decimal, Within(limits.SPO2_PERCENT)] | None = None
    t90_percent: Annotated[Decimal, Within(limits.SHARE_PERCENT)] | None = None
    supine_index_events_per_hour: Annotated[Decimal, Within(limits.INDEX_PER_HOUR)] | None = None
    non_supine_index_events_per_hour: Annotated[Decimal, Within(limits.INDEX_PER_HOUR)] | None = None
    central_share_percent: Annotated[Decimal, Within(limits.SHARE_PERCENT)] | None = None
    revision: Annotated[int, Field(ge=1, le=1000)] = 1
    entered_in_error: bool = False

    @model_validator(mode="after")
    def _odi_with_its_drop(self) -> Self:
        if (self.odi_events_per_hour is None) != (self.odi_drop_percent is None):
            raise ValueError("odi_events_per_hour and odi_drop_percent (3 or 4) belong together")
        return self


class EfficacyTestMessage(SleepTestMessage):
    """A sleep test made to see whether the appliance works, with the setting worn that night."""

    appliance_worn: bool
    setting_left_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)] | None = None
    setting_right_mm: Annotated[Decimal, Within(limits.ADVANCE_MM)] | None = None


def sleep_test_drafts(
    test: SleepTestMessage, *, laboratory: str, subject: str, referral: str, performer: str, path: str
) -> list[Draft]:
    """Drafts of a test: the measures first, the report that lists them last."""
    order = 1_000_000 if test.entered_in_error else test.revision
    number = (sid("test-number", laboratory), test.test_number)
    common: Resource = {
        "resourceType": "Observation",
        "status": "entered-in-error" if test.entered_in_error else "final",
        "category": [PROCEDURE_CATEGORY.concept],
        "subject": ref(subject),
        "effectiveDateTime": test.performed_on,
        "performer": [ref(performer)],
        "basedOn": [ref(referral)],
    }
    drafts: list[Draft] = []

    def add(suffix: str, code: Code, **value: Any) -> None:
        named = {"identifier": [identifier(number[0], f"{number[1]}/{suffix}")]}
        drafts.append(
            Draft(
                resource={**common, **named, "code": code.concept, **value},
                local=f"urn:test:{test.test_number}:{suffix}",
                path=path,
                date_path=f"{path}.performed_on".removeprefix("."),
                identity=(number[0], f"{number[1]}/{suffix}"),
                revision=order,
                revises=True,
            )
        )

    worn = isinstance(test, EfficacyTestMessage) and test.appliance_worn
    device = {"device": ref(CASE_APPLIANCE)} if worn else {}
    parts = _index_components(test)
    add(
        "index",
        local(test.index.lower()),
        valueQuantity=quantity(test.index_events_per_hour, "{events}/h"),
        method=local(_RULE_CODES[test.hypopnoea_rule]).concept,
        **({"component": parts} if parts else {}),
        **device,
    )
    if test.odi_events_per_hour is not None and test.odi_drop_percent is not None:
        drop = component(local("desaturation-drop"), "valueQuantity", quantity(test.odi_drop_percent, "%"))
        add("odi", ODI, valueQuantity=quantity(test.odi_events_per_hour, "{events}/h"), component=[drop], **device)
    for field, code, unit in _MEASURES:
        value: Decimal | None = getattr(test, field)
        if value is not None:
            add(code, local(code), valueQuantity=quantity(value, unit), **device)
    drafts.append(_report(test, drafts, common, number, order, path))
    return drafts


def _index_components(test: SleepTestMessage) -> list[Resource]:
    parts: list[Resource] = []
    if test.event_count is not None:
        parts.append(component(local("event-count"), "valueQuantity", quantity(test.event_count, "{events}")))
    if isinstance(test, EfficacyTestMessage):
        for value, code in ((test.setting_left_mm, "advance-left"), (test.setting_right_mm, "advance-right")):
            if value is not None:
                parts.append(component(local(code), "valueQuantity", quantity(value, "mm")))
    return parts


def _report(
    test: SleepTestMessage, measures: list[Draft], common: Resource, number: tuple[str, str], order: int, path: str
) -> Draft:
    efficacy = isinstance(test, EfficacyTestMessage)
    code = POLYSOMNOGRAPHY_STUDY if test.place == "laboratory" else local("home-sleep-test")
    report: Resource = {
        "resourceType": "DiagnosticReport",
        "identifier": [identifier(*number)],
        "basedOn": common["basedOn"],
        "status": common["status"],
        "category": [local("efficacy-test" if efficacy else "baseline-test").concept],
        "code": code.concept,
        "subject": common["subject"],
        "effectiveDateTime": test.performed_on,
        "performer": common["performer"],
        "result": [ref(m.local) for m in measures],
    }
    return Draft(
        resource=report,
        local=f"urn:test:{test.test_number}:report",
        path=path,
        date_path=f"{path}.performed_on".removeprefix("."),
        identity=number,
        revision=order,
        revises=True,
    )
