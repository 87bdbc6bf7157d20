"""What an entry becomes and what is read back of it are the same fields, for every form of plain message."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from service.inbound import dental_office, physician, progress, red_flag_closures, visits
from service.inbound.entry_reading import SYSTEMS, part_of
from service.inbound.plain import Mapped
from service.pipeline.page_reads import joined

_ENTRY = {"entry_id": "e-1"}
CASES: list[tuple[str, Callable[..., Mapped], dict[str, Any]]] = [
    (
        "assessment",
        dental_office.map_assessment,
        {
            "assessed_on": "2026-08-10",
            "protrusive_range_mm": Decimal("11.5"),
            "teeth_upper": 14,
            "teeth_lower": 13,
            "mobile_teeth": False,
            "active_tmj_disorder": True,
            "overjet_mm": Decimal("-1.50"),
            "overbite_mm": Decimal("2.5"),
            "licensed_dentist": True,
        },
    ),
    (
        "appliance",
        dental_office.map_appliance,
        {
            "delivered_on": "2026-08-24",
            "ended_on": "2026-10-01",
            "maximum_advance_mm": Decimal("5"),
            "smallest_step_mm": Decimal("0.5"),
            "starting_position_mm": Decimal("4.25"),
        },
    ),
    (
        "setting",
        progress.map_progress,
        {
            "set_on": "2026-09-01T21:30:00+02:00",
            "advance_left_mm": Decimal("1.50"),
            "advance_right_mm": Decimal("2"),
            "percent_of_protrusive_range": Decimal("60"),
            "difference_intended": True,
            "taken_back_for_side_effect": True,
            "reason": "Half a step, for a sore jaw",
            "no_further_reason": "The joint allows no more",
        },
    ),
    (
        "check-in",
        progress.map_progress,
        {
            "reported_on": "2026-09-08",
            "reported_by": "bed-partner",
            "snoring_0_to_10": Decimal("4.5"),
            "restedness_0_to_10": Decimal("6"),
            "epworth_total": 9,
            "nights_reported": 7,
            "nights_worn": 6,
            "hours_per_night": Decimal("6.25"),
            "hours_slept_per_night": Decimal("7"),
            "witnessed_pauses": False,
            "weight_kg": Decimal("81.5"),
            "who_could_hear": "recorder",
            "recorder_nights": 5,
            "driving": "for-work",
            "health_changes": ["stroke", "opioid"],
        },
    ),
    (
        "side-effect",
        progress.map_progress,
        {
            "reported_on": "2026-09-08",
            "kind": "dry mouth",
            "grade_0_to_3": 1,
            "onset": "2026-09-02",
            "ended_on": "2026-09-07",
        },
    ),
    (
        "red-flag",
        progress.map_progress,
        {
            "reported_on": "2026-09-08",
            "kind": "locked-jaw",
            "resolved_on": "2026-09-10",
            "resolved_by": "Dr Teal",
            "action_taken": "Reduced, soft food for a week",
        },
    ),
    *(
        (
            "red-flag-closure",
            red_flag_closures.map_red_flag_closure,
            {
                "kind": "drowsy-driving",
                "closed_on": "2026-09-12T10:00:00+02:00",
                "office": office,
                "closed_by": "Dr Teal",
                "action_taken": "Advised, and does not drive",
            },
        )
        for office in ("dentist", "physician")
    ),
    ("visit", visits.map_visit, {"visited_on": "2026-09-09", "office": "physician"}),
    (
        "physician-decision",
        physician.map_physician_decision,
        {
            "decided_on": "2026-11-01",
            "decision": "keep-titrating",
            "own_reading": "partial",
            "responsible": "dentist",
            "start_by": "2027-01-15",
        },
    ),
]
_GROUPS = {"setting": "settings", "check-in": "check_ins", "side-effect": "side_effects", "red-flag": "red_flags"}


def _mapped(kind: str, mapping: Callable[..., Mapped], fields: dict[str, Any], **more: Any) -> Mapped:
    entry = {**_ENTRY, **fields, **more}
    return mapping({_GROUPS[kind]: [entry]} if kind in _GROUPS else entry, case_number="AR-1")


@pytest.mark.parametrize(("kind", "mapping", "fields"), CASES, ids=lambda v: v if isinstance(v, str) else "")
def test_the_fields_of_an_entry_are_read_back_as_they_were_sent(
    kind: str, mapping: Callable[..., Mapped], fields: dict[str, Any]
) -> None:
    mapped = _mapped(kind, mapping, fields)
    parts = [p for d in mapped.drafts if d.parent is None and (p := part_of(d.resource))]
    assert {p.kind for p in parts} == {kind}
    assert {p.entry_id for p in parts} == {"e-1"}
    read = joined(parts)
    assert read == fields
    assert {k: str(v) for k, v in read.items()} == {k: str(v) for k, v in fields.items()}
    assert not any(p.withdrawn for p in parts)


@pytest.mark.parametrize(("kind", "mapping", "fields"), CASES, ids=lambda v: v if isinstance(v, str) else "")
def test_a_withdrawn_entry_is_read_as_withdrawn(
    kind: str, mapping: Callable[..., Mapped], fields: dict[str, Any]
) -> None:
    mapped = _mapped(kind, mapping, fields, revision=2, entered_in_error=True)
    parts = [p for d in mapped.drafts if d.parent is None and not d.withdraws and (p := part_of(d.resource))]
    assert parts and all(p.withdrawn for p in parts)


@pytest.mark.parametrize(("kind", "mapping", "fields"), CASES, ids=lambda v: v if isinstance(v, str) else "")
def test_the_systems_are_those_under_which_entries_are_known(
    kind: str, mapping: Callable[..., Mapped], fields: dict[str, Any]
) -> None:
    drafts = [d for d in _mapped(kind, mapping, fields).drafts if d.parent is None and d.identity]
    known = {(type_, system) for type_, system in SYSTEMS[kind]}
    for draft in drafts:
        assert draft.identity
        system = draft.identity[0].split("/sid/")[1].removesuffix("/AR-1")
        assert (draft.type, system) in known


def test_what_is_no_entry_is_not_read_as_one() -> None:
    assert part_of({"resourceType": "Observation", "status": "final", "code": {"text": "something"}}) is None
    assert part_of({"resourceType": "QuestionnaireResponse", "questionnaire": "https://other.example/q"}) is None
    assert part_of({"resourceType": "Patient"}) is None
