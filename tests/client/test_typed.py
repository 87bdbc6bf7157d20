"""What the service answers is read as typed resources and written again with the same elements, values and digits."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fhir.resources.R4B.resource import Resource

from service.client.json_text import dumped, loaded
from service.client.typed import as_resource, written
from tests.answers.record import read

RECORDED = Path(__file__).parents[1] / "answers/answers.json.xz"
_FRACTION = re.compile(r"(?<=T\d\d:\d\d:\d\d)\.(\d+)")


def resources() -> Iterator[dict[str, Any]]:
    """Every resource of the recorded answers of the FHIR doors, with placeholders that are ids."""
    for name, pairs in read(RECORDED).items():
        for pair in pairs if name.startswith("fhir") else ():
            if pair["answer"].startswith('{"resourceType"'):
                body = loaded(pair["answer"].replace("#", "-"))
                yield from (entry["resource"] for entry in body.get("entry", []) if "resource" in entry)
                yield body


def plain_words(text: str) -> Any:
    """JSON without zeros at the end of a fraction of a second; a decimal is told by its digits."""
    text = _FRACTION.sub(lambda m: "." + m[1].rstrip("0") if m[1].strip("0") else "", text)
    return re.sub(r"(?<=[:\[ ])(-?\d+\.\d+)(?=[,}\]])", r'"decimal \1"', text)


def test_every_recorded_resource_is_read_and_written_again() -> None:
    kinds: dict[str, int] = {}
    for body in resources():
        if "base64(" in dumped(body):
            continue  # a placeholder stands where base64 stood
        again = written(as_resource(dumped(body), Resource))
        assert loaded(plain_words(again)) == loaded(plain_words(dumped(body)))
        kinds[body["resourceType"]] = kinds.get(body["resourceType"], 0) + 1
    assert sum(kinds.values()) > 1_000
    assert {"CarePlan", "Observation", "Bundle", "AuditEvent", "OperationOutcome", "GuidanceResponse"} <= set(kinds)
    assert len(kinds) > 15
