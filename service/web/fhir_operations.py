"""Operations ($validate, $readiness, $letter) and what this server can do (https://hl7.org/fhir/R4/operations.html)."""

from __future__ import annotations

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from service.pipeline.letter import letter as letter_of
from service.web import validation
from service.web.audit import note_case
from service.web.exchange import day_asked, grant_of, needed, seen_by_sender
from service.web.fhir_paths import Id, Kind
from service.web.fhir_reply import fhir_response, known_type
from service.web.hosts import base_of


async def validate_type(request: Request, kind: Kind) -> Response:
    """Validate a resource without storing it; every problem with its FHIRPath expression."""
    known_type(kind)
    return await validation.validate(request, kind)


async def validate_instance(request: Request, kind: Kind, resource_id: Id) -> Response:
    """Validate what would be the next version of a resource, or the version on record."""
    known_type(kind)
    return await validation.validate(request, kind, resource_id)


async def readiness(request: Request, case_number: str) -> Response:
    """$readiness: the readiness decision of a case as an Observation, as of today or of a day (asOf)."""
    needed(grant_of(request), "r", "Observation")
    pipeline = seen_by_sender(request, "r", "CarePlan")
    as_of = day_asked(request, "asOf", pipeline.today())
    observation = await run_in_threadpool(pipeline.readiness_observation, case_number, as_of)
    note_case(request, case_number, "operation")
    return fhir_response(request, observation)


async def letter(request: Request, case_number: str) -> Response:
    """$letter: the letter to the physician as a document Bundle (https://hl7.org/fhir/R4/documents.html)."""
    needed(grant_of(request), "r", "Observation")
    pipeline = seen_by_sender(request, "r", "CarePlan")
    document = await run_in_threadpool(letter_of, pipeline, case_number, base_of(request))
    note_case(request, case_number, "operation")
    return fhir_response(request, document)
