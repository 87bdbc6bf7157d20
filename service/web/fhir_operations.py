"""Operations ($validate, $readiness) and what this server can do (https://hl7.org/fhir/R4/operations.html)."""

from __future__ import annotations

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.fhir.json_text import parse
from service.fhir.outcome import all_well, operation_outcome
from service.fhir.validate import validate
from service.inbound.fhir_resource import same_type
from service.web.exchange import body_of, day_asked, pipeline_of
from service.web.fhir_paths import Kind
from service.web.fhir_reply import fhir_response, known_type


async def validate_type(request: Request, kind: Kind) -> Response:
    """Validate a resource without storing it; every problem with its FHIRPath expression."""
    known_type(kind)
    resource = parse(await body_of(request))
    same_type(resource, kind)
    problems = await run_in_threadpool(validate, resource)
    return fhir_response(request, operation_outcome(problems) if problems else all_well("No problem was found."))


async def readiness(request: Request, case_number: str) -> Response:
    """$readiness: the readiness decision of a case as an Observation, as of today or of a day (asOf)."""
    pipeline = pipeline_of(request)
    as_of = day_asked(request, "asOf", pipeline.today())
    return fhir_response(request, await run_in_threadpool(pipeline.readiness_observation, case_number, as_of))
