"""The physician's view: what is urgent, which cases are ready for a test and why, which results wait for a decision."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.access.grant import Office
from service.pipeline.page_reads import Waiting, waiting_for
from service.pipeline.reading import Reads
from service.rules.decision import Party
from service.rules.stage import StageName
from service.web import csrf
from service.web.audit import note_list
from service.web.exchange import grant_of, seen_by_sender
from service.web.pages.flags import flags_shown, withdrawn_shown
from service.web.pages.messages import new_entry
from service.web.pages.offered import offered
from service.web.pages.reasons import decision_shown
from service.web.pages.render import page
from service.web.pages.response_part import headline, suggestions_shown
from service.web.pages.routes import PageRoute

router = APIRouter(tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_MOST = 20


@router.get("/physician")
async def physician(request: Request) -> Response:
    """What waits for the physician: urgent reviews, tests to order, results to decide on."""
    pipeline = seen_by_sender(request, "r", "*", one_record=False)
    waiting = await run_in_threadpool(_waiting, pipeline, grant_of(request).offices)
    note_list(request)
    token = csrf.token_of(request)
    today = pipeline.today().isoformat()
    shown = page(
        request,
        "physician.html",
        waiting=waiting,
        most=_MOST,
        forms=offered(request),
        token=token,
        token_field=csrf.FIELD,
        today=today,
    )
    return csrf.give(request, shown, token)


def _waiting(pipeline: Reads, offices: Collection[Office]) -> dict[str, list[dict[str, Any]]]:
    stages = {
        "urgent": StageName.UNDER_REVIEW,
        "ready": StageName.READY_FOR_TEST,
        "tested": StageName.TESTED,
    }
    return {
        name: [_shown(w, offices) for w in waiting_for(pipeline, Party.PHYSICIAN, stage, _MOST)]
        for name, stage in stages.items()
    }


def _shown(waiting: Waiting, offices: Collection[Office]) -> dict[str, Any]:
    data = waiting.data
    response = data["response"]
    return {
        "number": data["case_number"],
        "patient": waiting.patient,
        "since": data["since"],
        "as_of": data["as_of"],
        "why": data["why"],
        "readiness": decision_shown(data["readiness"]),
        "flags": flags_shown(data["red_flags"], data["as_of"], offices, data["case_number"]),
        "withdrawn": withdrawn_shown(data["withdrawn_red_flags"]),
        "headline": headline(response) if response else "",
        "own_reading": response["own_reading"] if response else None,
        "suggestions": suggestions_shown(response) if response else [],
        "cautions": response["cautions"] if response else [],
        "proposal": waiting.proposal,
        "order_number": new_entry(),
    }
