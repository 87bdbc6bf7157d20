"""Subscriptions: asked for, changed, ended, and refused."""

from __future__ import annotations

from tests.answers.asking import Asker, data_of
from tests.answers.changes import example
from tests.answers.part_fhir import FHIR
from tests.answers.part_plain import opened


def subscriptions(asker: Asker) -> None:
    """Subscriptions asked for, changed, ended, and refused."""
    number = opened(asker)
    wanted = example("physician/subscription")
    made = data_of(asker.ask("POST", "/fhir/Subscription", wanted, Content_Type=FHIR))
    address = f"/fhir/Subscription/{made.get('id', 'none')}"
    asker.ask("POST", f"/intake/cases/{number}/referral-state", example("dental-office/accept"))
    for end in ("", "/$status", "/$events", "/$events?eventsSinceNumber=1"):
        asker.get(f"{address}{end}")
    asker.get("/fhir/Subscription")
    asker.get("/fhir/Subscription/$status")
    asker.ask(
        "PUT", address, {**wanted, "id": made.get("id"), "reason": "another"}, Content_Type=FHIR, If_Match='W/"9"'
    )
    asker.ask(
        "PUT", address, {**wanted, "id": made.get("id"), "reason": "another"}, Content_Type=FHIR, If_Match='W/"1"'
    )
    for name, value in (
        ("criteria", "Observation?code=x"),
        ("status", "active"),
        ("channel", {**wanted["channel"], "endpoint": "http://10.0.0.1/x"}),
        ("channel", {**wanted["channel"], "type": "email"}),
        ("channel", {**wanted["channel"], "header": ["no colon"]}),
        ("_criteria", {}),
    ):
        asker.ask("POST", "/fhir/Subscription", {**wanted, name: value}, Content_Type=FHIR)
    asker.ask("DELETE", address)
    asker.get(address)
