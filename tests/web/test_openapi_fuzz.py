"""Requests made from the OpenAPI description, in this process: no answer says that the service failed."""

from __future__ import annotations

from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error

from service.app import build_app, build_pipeline
from service.settings import Settings
from tests.conftest import Clock
from tests.web.messages import PATIENT, Case, post

_EXAMPLES = 25
_bounded = settings(
    max_examples=_EXAMPLES,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> schemathesis.BaseSchema:
    """The description of a service that holds a patient and an open case."""
    folder: Path = tmp_path_factory.mktemp("fuzz")
    pipeline = build_pipeline(Settings(database_url=f"sqlite:///{folder}/relay.db"), clock=Clock())
    app = build_app(Settings(), pipeline)
    from starlette.testclient import TestClient

    client = TestClient(app)
    Case(client).fitted()
    assert post(client, "/fhir/Patient", PATIENT).status_code == 201
    return schemathesis.openapi.from_asgi("/openapi.json", app)


schema = schemathesis.pytest.from_fixture("described")


@schema.parametrize()
@_bounded
def test_no_request_makes_the_service_fail(case: schemathesis.Case) -> None:
    case.call_and_validate(checks=[not_a_server_error])
