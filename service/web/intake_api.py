"""Plain intake: JSON with units in the names, for clients without FHIR. One route per message."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.fhir.referral_task import Role
from service.inbound import cancellation, dental_office, physician, progress, red_flag_closures, sleep_lab, visits
from service.inbound.plain import Mapped, Plain
from service.intake.answers import Answer
from service.intake.message import Received
from service.web.audit import note_case
from service.web.exchange import answer, body_of, pipeline_of, sender_of
from service.web.would_change import looked_at


@dataclass(frozen=True, slots=True)
class Door:
    """One plain message: who sends it, where, its model, and its mapping to FHIR."""

    sender: str
    name: str
    model: type[Plain]
    mapping: Callable[..., Mapped]
    of_a_case: bool = True
    needs_number: bool = True

    @property
    def path(self) -> str:
        """The address below `/intake`."""
        return f"/cases/{{case_number}}/{self.name}" if self.of_a_case else f"/{self.name}"

    @property
    def role(self) -> Role:
        """Whose door it is; the laboratory places a referral for the physician."""
        return _ROLES.get(self.sender, Role.UNKNOWN)


_ROLES = {"sleep laboratory": Role.PLACER, "physician": Role.PLACER, "dental office": Role.FULFILLER}
DOORS = (
    Door("sleep laboratory", "referrals", sleep_lab.ReferralMessage, sleep_lab.map_referral, of_a_case=False),
    Door("sleep laboratory", "sleep-tests", sleep_lab.ResultMessage, sleep_lab.map_result, needs_number=False),
    Door("dental office", "referral-state", dental_office.StateMessage, dental_office.map_state, needs_number=False),
    Door("dental office", "assessments", dental_office.AssessmentMessage, dental_office.map_assessment),
    Door("dental office", "appliances", dental_office.ApplianceMessage, dental_office.map_appliance),
    Door("dental office", "progress", progress.ProgressMessage, progress.map_progress),
    Door("dental office or physician", "visits", visits.VisitMessage, visits.map_visit),
    Door(
        "dental office or physician",
        "red-flag-closures",
        red_flag_closures.RedFlagClosureMessage,
        red_flag_closures.map_red_flag_closure,
    ),
    Door("physician", "test-orders", physician.TestOrderMessage, physician.map_test_order),
    Door("physician", "decisions", physician.DecisionMessage, physician.map_physician_decision),
    Door("physician", "completion", physician.CompletionMessage, physician.map_completion, needs_number=False),
    Door(
        "physician",
        "cancellation",
        cancellation.CancellationMessage,
        cancellation.map_cancellation,
        needs_number=False,
    ),
    Door(
        "dental office",
        "cancellation-answer",
        cancellation.CancellationAnswerMessage,
        cancellation.map_cancellation_answer,
        needs_number=False,
    ),
)


def _endpoint(door: Door) -> Callable[..., Any]:
    async def handle(request: Request, case_number: str | None) -> Response:
        text = await body_of(request)
        received = Received(
            f"intake {door.name}", text, request.state.request_id, plain=True, sender=sender_of(request, door.role)
        )
        mapping = door.mapping
        if door.of_a_case and door.needs_number:
            mapping = partial(door.mapping, case_number=case_number)
        if _only_looks(request):
            found = await run_in_threadpool(pipeline_of(request).look_at, received, mapping, case_number)
            if case_number is not None:
                note_case(request, case_number, "operation")
            return answer(_data(found.answer) | looked_at(found))
        stored = await run_in_threadpool(pipeline_of(request).receive, received, mapping, case_number)
        return _reply(stored)

    async def of_a_case(request: Request, case_number: str) -> Response:
        return await handle(request, case_number)

    async def of_none(request: Request) -> Response:
        return await handle(request, None)

    return of_a_case if door.of_a_case else of_none


def _only_looks(request: Request) -> bool:
    """Whether the sender asks what the message would change."""
    text = request.query_params.get("dry_run", "false")
    if text not in ("true", "false"):
        raise refuse(Category.INVALID, "Either true or false is needed.", "dry_run")
    return text == "true"


def _reply(stored: Answer) -> Response:
    created = any(o.what == "created" for o in stored.outcomes)
    return answer(_data(stored), 201 if created else 200, {"Location": f"/cases/{stored.case_number}"})


def _data(stored: Answer) -> dict[str, Any]:
    """Where the case stands now, what became of each resource, and anything that was not applied."""
    summary = stored.summary
    readiness = summary["readiness"]
    return {
        "case_number": stored.case_number,
        "stage": summary["stage"],
        "whose_move": summary["whose_move"],
        "why": summary["why"],
        "as_of": summary["as_of"],
        "readiness": {key: readiness[key] for key in ("outcome", "sentence", "missing", "earliest")},
        "next_step": (summary["next_step"] or {}).get("sentence"),
        "notes": stored.notes,
        "problems": [{"path": p.path, "message": p.message} for o in stored.outcomes for p in o.warnings],
        "resources": [{"reference": o.reference, "version": o.version, "result": o.what} for o in stored.outcomes],
        "caution": summary["caution"],
    }


_DRY_RUN = {
    "name": "dry_run",
    "in": "query",
    "required": False,
    "schema": {"type": "boolean", "default": False},
    "description": "true: the answer says what the message would change, and nothing is stored.",
}


def _operation(door: Door) -> dict[str, Any]:
    schema = door.model.model_json_schema(ref_template="#/components/schemas/{model}")
    schema.pop("$defs", None)
    return {
        "summary": f"From the {door.sender}: {door.name.replace('-', ' ')}",
        "description": door.model.__doc__ or "",
        "parameters": [_DRY_RUN],
        "requestBody": {"required": True, "content": {"application/json": {"schema": schema}}},
    }


def definitions() -> dict[str, Any]:
    """Schemas that the request bodies refer to, for the OpenAPI description."""
    found: dict[str, Any] = {}
    for door in DOORS:
        schema = door.model.model_json_schema(ref_template="#/components/schemas/{model}")
        found.update(schema.get("$defs", {}))
    return found


router = APIRouter(prefix="/intake", tags=["Plain intake"])
for _door in DOORS:
    router.add_api_route(
        _door.path,
        _endpoint(_door),
        methods=["POST"],
        response_class=Response,
        name=_door.name,
        openapi_extra=_operation(_door),
    )
