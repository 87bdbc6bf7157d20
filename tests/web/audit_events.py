"""The AuditEvents of an application under test, as they are stored."""

from __future__ import annotations

from base64 import b64decode
from typing import Any

from sqlalchemy import create_engine, text
from starlette.testclient import TestClient

from service.fhir.json_text import load
from service.pipeline import Pipeline


def pipeline_of(client: TestClient) -> Pipeline:
    return client.app.state.pipeline  # type: ignore[attr-defined]


def events(client: TestClient) -> list[dict[str, Any]]:
    """Every AuditEvent, in the order of writing, when those that wait are written."""
    pipeline = pipeline_of(client)
    assert pipeline.read_audit.flush(10)
    engine = create_engine(pipeline.database.url.set(drivername="sqlite"))
    with engine.connect() as connection:
        found = connection.execute(text("SELECT body FROM resource_version WHERE type = 'AuditEvent' ORDER BY rowid"))
        bodies = [load(body) for body in found.scalars()]
    engine.dispose()
    return bodies


def event_of(client: TestClient, request_id: str) -> dict[str, Any]:
    """The one AuditEvent of a request."""
    found = [e for e in events(client) if request_of(e) == request_id]
    assert len(found) == 1, found
    return found[0]


def request_of(event: dict[str, Any]) -> str:
    [named] = [e for e in event["entity"] if e["type"]["code"] == "XrequestId"]
    return named["what"]["identifier"]["value"]


def data_of(event: dict[str, Any]) -> list[str]:
    """References of the data entities."""
    return [e["what"]["reference"] for e in event["entity"] if e["type"]["code"] == "2" and "what" in e]


def patients_of(event: dict[str, Any]) -> list[str]:
    return [e["what"]["reference"] for e in event["entity"] if e["type"]["code"] == "1"]


def query_of(event: dict[str, Any]) -> str:
    [query] = [e["query"] for e in event["entity"] if "query" in e]
    return b64decode(query).decode()


def roles_of(event: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The agents by the code of their type."""
    return {a["type"]["coding"][0]["code"]: a for a in event["agent"]}
