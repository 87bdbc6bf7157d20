"""A sleep test in plain JSON, as DiagnosticReport and one Observation per measure."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from service.fhir.build import CASE_APPLIANCE, Draft, Resource, component, identifier, quantity, ref, sid
from service.fhir.codes import ODI, POLYSOMNOGRAPHY_STUDY, PROCEDURE_CATEGORY, Code, local
from service.inbound.sleep_test_message import EfficacyTestMessage, SleepTestMessage

_RULE_CODES = {
    "3% or arousal": "hypopnoea-3-percent-or-arousal",
    "3%": "hypopnoea-3-percent",
    "4%": "hypopnoea-4-percent",
    "unknown": "hypopnoea-rule-unknown",
}
_MEASURES = (
    ("recording_hours", "recording-time", "h"),
    ("monitored_hours", "monitored-time", "h"),
    ("sleep_hours", "sleep-time", "h"),
    ("lowest_spo2_percent", "lowest-spo2", "%"),
    ("t90_percent", "t90", "%"),
    ("minutes_at_or_below_88", "minutes-at-88", "min"),
    ("supine_index_events_per_hour", "supine-index", "{events}/h"),
    ("non_supine_index_events_per_hour", "non-supine-index", "{events}/h"),
    ("supine_hours", "supine-time", "h"),
    ("supine_share_percent", "supine-share", "%"),
    ("central_share_percent", "central-share", "%"),
    ("central_index_events_per_hour", "central-index", "{events}/h"),
    ("central_event_count", "central-events", "{events}"),
    ("obstructive_event_count", "obstructive-events", "{events}"),
    ("mixed_event_count", "mixed-events", "{events}"),
    ("weight_kg", "weight-at-test", "kg"),
)
_CHOICES = (("test_kind", "test-kind"), ("scoring", "scoring"))
_ANSWERS = (
    ("split_night", "split-night"),
    ("rdi_includes_arousals", "rdi-includes-arousals"),
    ("pap_on", "pap-on"),
    ("positional_device_on", "positional-device-on"),
    ("oxygen_on", "oxygen-on"),
    ("alcohol", "alcohol"),
)
_WITH_THE_APPLIANCE = ("all-night", "part-of-the-night")


def sleep_test_drafts(
    test: SleepTestMessage, *, laboratory: str, subject: str, referral: str, performer: str, tester: str, path: str
) -> list[Draft]:
    """Drafts of a test: the measures first, which `tester` made, and last the report of `performer` that lists them."""
    order = 1_000_000 if test.entered_in_error else test.revision
    number = (sid("test-number", laboratory), test.test_number)
    common: Resource = {
        "resourceType": "Observation",
        "status": "entered-in-error" if test.entered_in_error else "final",
        "category": [PROCEDURE_CATEGORY.concept],
        "subject": ref(subject),
        "effectiveDateTime": test.performed_on,
        "performer": [ref(tester)],
        "basedOn": [ref(referral)],
    }
    worn = isinstance(test, EfficacyTestMessage) and test.appliance_worn in _WITH_THE_APPLIANCE
    device = {"device": ref(CASE_APPLIANCE)} if worn else {}
    drafts: list[Draft] = []

    def add(suffix: str, code: Code, parts: list[Resource], **value: Any) -> None:
        named = {"identifier": [identifier(number[0], f"{number[1]}/{suffix}")]}
        held = {"component": parts} if parts else {}
        drafts.append(
            Draft(
                resource={**common, **named, "code": code.concept, **value, **held, **device},
                local=f"urn:test:{test.test_number}:{suffix}",
                path=path,
                date_path=f"{path}.performed_on".removeprefix("."),
                identity=(number[0], f"{number[1]}/{suffix}"),
                revision=order,
                revises=True,
            )
        )

    def add_index(suffix: str, name: str, rule: str, per_hour: Decimal, parts: list[Resource]) -> None:
        method = local(_RULE_CODES[rule]).concept
        add(suffix, local(name.lower()), parts, valueQuantity=quantity(per_hour, "{events}/h"), method=method)

    add_index("index", test.index, test.hypopnoea_rule, test.index_events_per_hour, _index_components(test))
    for place, more in enumerate(test.further_indices, 1):
        mark = component(local("further-index"), "valueBoolean", True)
        add_index(f"index-{place + 1}", more.index, more.hypopnoea_rule, more.events_per_hour, [mark])
    drop = test.odi_drop_percent
    if drop is not None:
        for suffix, at, per_hour in (
            ("odi", drop, test.odi_events_per_hour),
            ("odi-other", 7 - drop, test.other_odi_events_per_hour),
        ):
            if per_hour is not None:
                part = component(local("desaturation-drop"), "valueQuantity", quantity(at, "%"))
                add(suffix, ODI, [part], valueQuantity=quantity(per_hour, "{events}/h"))
    for field, code, unit in _MEASURES:
        value: Decimal | int | None = getattr(test, field)
        if value is not None:
            add(code, local(code), _measure_components(test, code), valueQuantity=quantity(value, unit))
    reported = {**common, "performer": [ref(performer)]}
    drafts.append(_report(test, drafts, reported, number, order, path))
    return drafts


def _measure_components(test: SleepTestMessage, code: str) -> list[Resource]:
    if code != "t90" or test.t90_denominator is None:
        return []
    return [component(local("t90-denominator"), "valueCodeableConcept", local(test.t90_denominator).concept)]


def _index_components(test: SleepTestMessage) -> list[Resource]:
    """What was counted and how the night was: told with the index that the rules read."""
    parts: list[Resource] = []
    if test.event_count is not None:
        parts.append(component(local("event-count"), "valueQuantity", quantity(test.event_count, "{events}")))
    if test.nights_in_test is not None:
        parts.append(component(local("nights-in-test"), "valueInteger", test.nights_in_test))
    for field, code in _CHOICES:
        if (chosen := getattr(test, field)) is not None:
            parts.append(component(local(code), "valueCodeableConcept", local(chosen).concept))
    for field, code in _ANSWERS:
        if (said := getattr(test, field)) is not None:
            parts.append(component(local(code), "valueBoolean", said))
    if isinstance(test, EfficacyTestMessage):
        parts.extend(_wear_components(test))
    return parts


def _wear_components(test: EfficacyTestMessage) -> list[Resource]:
    """The setting, and how the appliance was worn; the device alone says «all night»."""
    parts: list[Resource] = []
    if test.appliance_worn not in (None, "all-night"):
        parts.append(component(local("appliance-worn"), "valueCodeableConcept", local(test.appliance_worn).concept))
    if test.index_covers_worn_hours_only is not None:
        only = component(local("index-covers-worn-hours-only"), "valueBoolean", test.index_covers_worn_hours_only)
        parts.append(only)
    for value, code, unit in (
        (test.worn_hours, "worn-hours", "h"),
        (test.setting_left_mm, "advance-left", "mm"),
        (test.setting_right_mm, "advance-right", "mm"),
    ):
        if value is not None:
            parts.append(component(local(code), "valueQuantity", quantity(value, unit)))
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
        field_paths={"tested-setting": f"{path}.setting_left_mm".removeprefix(".")},
        identity=number,
        revision=order,
        revises=True,
    )
