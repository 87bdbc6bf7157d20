"""Nothing a client or a person does reads a whole table of the store: what SQLite itself says of every statement."""

from __future__ import annotations

import re
from typing import Any

import pytest
from sqlalchemy import event
from starlette.testclient import TestClient

from service.pipeline import Pipeline
from tests.web.messages import Case, example

_LARGE = "resource_version|search_value|identity|case_row|case_party|resource_party|fact|message|audit_chain|notice"
_WHOLE = re.compile(rf"SCAN ({_LARGE})(?!.* USING (COVERING )?INDEX)")
_LOOKING = ("SELECT", "UPDATE", "DELETE")


@pytest.fixture
def statements(sqlite_pipeline: Pipeline) -> list[tuple[str, Any]]:
    """Every statement sent to the database from now on, with its parameters."""
    held: list[tuple[str, Any]] = []

    def keep(_c: Any, _u: Any, statement: str, parameters: Any, _x: Any, many: bool) -> None:
        if statement.startswith(_LOOKING):
            held.append((statement, parameters[0] if many else parameters))

    event.listen(sqlite_pipeline.database.engine, "before_cursor_execute", keep)
    return held


def test_every_statement_finds_its_rows_by_an_index(
    client: TestClient, sqlite_pipeline: Pipeline, statements: list[tuple[str, Any]]
) -> None:
    case = Case(client).fitted()
    case.sent("assessments", example("dental-office/assessment"))
    case.sent("progress", example("dental-office/progress"))
    case.sent("progress", example("dental-office/correction"))
    patient = case.patient.split("/")[1]
    for path in (
        *(f"/fhir/{case.patient}", f"/fhir/CarePlan/{case.number}", f"/fhir/{case.task}/_history"),
        f"/fhir/Patient/{patient}/$everything",
        f"/fhir/Observation?patient={patient}&_include=Observation:patient&_revinclude=Provenance:target",
        *("/", "/physician", "/cases", "/cases?overdue=true", f"/cases/{case.number}"),
        *(f"/cases/{case.number}/{end}" for end in ("page", "letter", "sheet", "messages", "readiness")),
    ):
        assert client.get(path).status_code == 200, path
    sqlite_pipeline.bring_up()
    asked = dict(statements)
    assert len(asked) > 40
    whole = []
    with sqlite_pipeline.database.engine.connect() as connection:
        for statement, parameters in asked.items():
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters):
                if _WHOLE.match(row[3]):
                    whole.append((row[3], statement[:300]))
    assert not whole
