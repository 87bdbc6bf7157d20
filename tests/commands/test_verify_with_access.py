"""`airway-relay verify` on a database that clients used with access control on: what was not damaged is not named."""

from __future__ import annotations

from pathlib import Path

import httpx

from service.access.grant import Office
from service.pipeline import Pipeline
from service.pipeline.access.directory import Directory
from tests.access.clients import register, served
from tests.commands.test_audit_commands import run
from tests.store.messages import opened_case, settled_course


def test_tokens_and_registrations_are_no_damage(sqlite_pipeline: Pipeline, tmp_path: Path) -> None:
    opened_case(sqlite_pipeline, settled_course())
    Directory(sqlite_pipeline).add("Ferrygate Dental", "ferrygate-dental")
    client = register(sqlite_pipeline, office=Office.DENTAL_OFFICE, organisation="dent-7")
    with served(sqlite_pipeline, tmp_path) as service:
        client.token(service)
        refused: httpx.Response = service.post("/token", data=client.form(assertion="not.an.assertion"))
        assert refused.status_code == 401 or refused.status_code == 400
        assert service.get("/fhir/Patient").status_code == 401
    assert sqlite_pipeline.read_audit.flush(10)
    sqlite_pipeline.close()
    done = run(tmp_path, "verify")
    assert done.stdout.endswith("nothing is wrong.\n"), done.stdout
    assert done.returncode == 0
