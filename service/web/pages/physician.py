"""The physician's view: what is urgent, which cases are ready for a test and why, which results wait for a decision."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.pipeline.page_reads import Waiting, waiting_for
from service.pipeline.reading import Reads
from service.rules.decision import Party
from service.rules.stage import StageName
from service.web import csrf
from service.web.audit import note_list
from service.web.exchange import seen_by_sender
from service.web.pages.messages import new_entry
from service.web.pages.offered import offered
from service.web.pages.reasons import decision_shown
from service.web.pages.render import page
from service.web.pages.routes import PageRoute

router = APIRouter(tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_MOST = 20


@router.get("/physician")
async def physician(request: Request) -> Response:
    """What waits for the physician: urgent reviews, tests to order, results to decide on."""
    pipeline = seen_by_sender(request, "r", "*")
    waiting = await run_in_threadpool(_waiting, pipeline)
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


def _waiting(pipeline: Reads) -> dict[str, list[dict[str, Any]]]:
    stages = {
        "urgent": StageName.UNDER_REVIEW,
        "ready": StageName.READY_FOR_TEST,
        "tested": StageName.TESTED,
    }
    return {
        name: [_shown(w) for w in waiting_for(pipeline, Party.PHYSICIAN, stage, _MOST)]
        for name, stage in stages.items()
    }


def _shown(waiting: Waiting) -> dict[str, Any]:
    data = waiting.data
    return {
        "number": data["case_number"],
        "patient": waiting.patient,
        "since": data["since"],
        "as_of": data["as_of"],
        "why": data["why"],
        "readiness": decision_shown(data["readiness"]),
        "response": data["response"],
        "proposal": waiting.proposal,
        "order_number": new_entry(),
    }
