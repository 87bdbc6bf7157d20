"""The plain door at which a client opens emergency access to one patient's record."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.access.emergency import HEADER
from service.errors import Refused
from service.fhir.audit_event import MINOR_FAILURE
from service.fhir.json_text import parse
from service.inbound.emergency import EmergencyMessage
from service.inbound.plain import checked
from service.pipeline.access.asking import Seen, note
from service.pipeline.access.emergencies import Emergencies, OpenedAccess, Wanted
from service.web.audit import asked_of
from service.web.exchange import answer, body_of, grant_of

router = APIRouter(prefix="/emergency-access", tags=["Access"])
_SCHEMA = EmergencyMessage.model_json_schema()


def emergencies_of(request: Request) -> Emergencies:
    """The emergency accesses of the service."""
    return request.app.state.emergencies


async def opened(request: Request, wanted: Wanted) -> OpenedAccess:
    """Open an access for whoever asks. One that is refused is told to the audit, too."""
    work = emergencies_of(request).open
    try:
        return await run_in_threadpool(work, grant_of(request), wanted, request.state.request_id)
    except Refused:
        note(Seen("operation", "emergency access refused", query=asked_of(request), outcome=MINOR_FAILURE))
        raise


@router.post(
    "",
    response_class=Response,
    openapi_extra={"requestBody": {"required": True, "content": {"application/json": {"schema": _SCHEMA}}}},
)
async def open_access(request: Request) -> Response:
    """Open the record of one patient or case for reading, for some hours; the parties of the case are told."""
    message = checked(EmergencyMessage, parse(await body_of(request)))
    wanted = Wanted(message.patient or "", message.case_number or "", message.reason, message.person or "")
    made = await opened(request, wanted)
    access = made.access
    told: dict[str, Any] = {
        "id": access.id,
        "opened_at": access.opened_at,
        "expires_at": access.expires_at,
        "patient": access.patient,
        "cases": made.cases,
        "person": access.named,
        "person_verified": bool(access.person),
        "how": f"Send this id in the header {HEADER} with requests that read this patient's record.",
    }
    return answer(told, 201)
