"""The plain door at which a dental office's system makes a patient's check-in link, and ends it."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.fhir.engine import CAUTION
from service.pipeline import check_in_links
from service.web.exchange import answer, grant_of, pipeline_of

router = APIRouter(prefix="/intake/cases/{case_number}/check-in-links", tags=["Plain intake"])


def days_of(request: Request) -> int:
    """How many days a new link holds, as the settings say."""
    return request.app.state.check_in_link_days


def address_of(request: Request, secret: str) -> str:
    """The address a patient opens."""
    return f"{request.app.state.public_url}/check-in/{secret}"


@router.post("", response_class=Response)
async def make(request: Request, case_number: str) -> Response:
    """From the dental office: a new link for the patient. The answer holds it, this once; the one before ends."""
    pipeline, number = pipeline_of(request), request.state.request_id
    new = await run_in_threadpool(
        check_in_links.make, pipeline, grant_of(request), case_number, days_of(request), number
    )
    told = {"case_number": case_number, "link": address_of(request, new.secret), "expires_at": new.expires_at}
    return answer({**told, "caution": CAUTION}, 201)


@router.delete("", response_class=Response)
async def end(request: Request, case_number: str) -> Response:
    """From the dental office: end the patient's link."""
    pipeline, number = pipeline_of(request), request.state.request_id
    ended = await run_in_threadpool(check_in_links.end, pipeline, grant_of(request), case_number, number)
    return answer({"case_number": case_number, "ended": ended})
