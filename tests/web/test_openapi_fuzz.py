"""Requests made from the OpenAPI description, in this process: no answer says that the service failed."""

from __future__ import annotations

import contextlib

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from starlette.testclient import TestClient

from service.access_settings import AccessSettings
from service.app import build_app
from service.pipeline import Pipeline
from service.settings import Settings
from tests.short_run import times
from tests.web.messages import PATIENT, Case, post

_EXAMPLES = times(20, 1)
_bounded = settings(
    max_examples=_EXAMPLES,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    "mode",
    [
        pytest.param(GenerationMode.POSITIVE, id="as told", marks=pytest.mark.at_length),
        pytest.param(GenerationMode.NEGATIVE, id="otherwise", marks=pytest.mark.long),
    ],
)
def test_no_request_makes_the_service_fail(sqlite_pipeline: Pipeline, mode: GenerationMode) -> None:
    """Every operation of the description, of a service that holds a patient and an open case."""
    # the fuzzer asks under a host name of its own
    app = build_app(Settings(access=AccessSettings(public_url="http://testserver")), sqlite_pipeline)
    client = TestClient(app)
    Case(client).fitted()
    assert post(client, "/fhir/Patient", PATIENT).status_code == 201
    schema = schemathesis.openapi.from_asgi("/openapi.json", app)
    asked = 0
    for found in schema.get_all_operations():
        operation = found.ok()

        @_bounded
        @given(case=operation.as_strategy(generation_mode=mode))
        def ask(case: schemathesis.Case) -> None:
            nonlocal asked
            asked += 1
            answer = case.call()
            assert answer.status_code < 500, (case.method, case.formatted_path, case.query, case.headers, case.body)
            assert answer.content[:1] in (b"", b"{", b"[", b"<"), case.formatted_path

        with contextlib.suppress(Unsatisfiable):  # an operation that takes anything cannot be asked otherwise
            ask()
    assert asked >= 20 * _EXAMPLES
