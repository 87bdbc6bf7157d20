"""Subscriptions for tests: the example with other wishes."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

from service.fhir.json_text import load
from service.fhir.subscription import GUIDE

EXAMPLE = Path(__file__).parents[2] / "examples/physician/subscription.json"
_URL = f"{GUIDE}/StructureDefinition/backport-"


def subscription(
    endpoint: str = "http://127.0.0.1:9000/notices",
    filters: str | None = None,
    content: str = "id-only",
    heartbeat_s: int | None = None,
    timeout_s: int | None = None,
    most: int | None = None,
    **elements: Any,
) -> dict[str, Any]:
    """The example Subscription with another channel and filter; `filters` None asks for every notice."""
    body = copy.deepcopy(load(EXAMPLE.read_text()))
    del body["_criteria"]
    if filters is not None:
        body["_criteria"] = {"extension": [{"url": f"{_URL}filter-criteria", "valueString": filters}]}
    wishes = (
        ("heartbeat-period", "valueUnsignedInt", heartbeat_s),
        ("timeout", "valueUnsignedInt", timeout_s),
        ("max-count", "valuePositiveInt", most),
    )
    channel = body["channel"]
    channel["extension"] = [{"url": f"{_URL}{name}", key: wish} for name, key, wish in wishes if wish is not None]
    if not channel["extension"]:
        del channel["extension"]
    channel["endpoint"] = endpoint
    channel["_payload"]["extension"][0]["valueCode"] = content
    return {**body, **elements}
